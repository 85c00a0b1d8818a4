"""Fizz curves: the gas of one piece, from a cup on a kitchen scale.

What the scale shows is cup, water and piece together; what it loses is gas, besides a little water that
dries up, and now and then a splash. Each cup is fitted with the curves of `fizzlab.models.fizz.gas_models`,
weighed against each other by AICc.

A scale that shows whole grams gives readings that share their rounding error as long as they show about
the same mass, so sixty readings of the last gram are not sixty independent ones. The intervals allow for
that: the error of a reading is independent noise plus rounding, and two readings whose masses differ by d
have the covariance of a sawtooth of period q (the step of the scale), smoothed by the noise s,

    sum over k of q^2 / (2 pi^2 k^2) exp(-4 pi^2 k^2 s^2 / q^2) cos(2 pi k d / q),

which is q^2/12 for readings of the same mass without noise. The least-squares estimates get the variance that
follows from it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import stats

from fizzlab.errors import CannotAnswer
from fizzlab.models.curves import CurveComparison, CurveFit, aicc, compare_curves
from fizzlab.models.fizz.gas_models import SHAPES, Shape, gas_model, has_bend, share_out, time_until
from fizzlab.models.fizz.scale import (
    Drift,
    Jump,
    find_jumps,
    fit_slopes,
    places,
    predictors,
    scale_step,
)

Array = NDArray[np.float64]

#: The start is timed over the first tenth of the gas: a Weibull curve has no finite pace at 0 seconds.
START_SHARE = 0.1

#: With less gas than this many steps of the scale, which curve fits best is mostly rounding.
COARSE_STEPS = 20.0

#: AICc by which a fizz curve must beat a straight line.
LEAST_EVIDENCE = 4.0


@dataclass(frozen=True)
class Estimate:
    """A number with its interval."""

    value: float
    low: float
    high: float


@dataclass(frozen=True)
class GasFit:
    """The gas of one piece.

    Parameters
    ----------
    shape : str
        Curve the numbers are from.
    gas_g : Estimate
        Gas that leaves in the end (the plateau), in grams.
    t50_s, t90_s : Estimate
        Seconds until half, and nine tenths, of it are out.
    start_g_s : Estimate
        Pace at the start: a tenth of the gas over the time it takes to leave.
    bend : float
        Shape parameter of a Weibull curve; 1 otherwise.
    start_mass_g : float
        Mass of cup, water and piece at 0 seconds.
    drift_g_min : float
        Steady loss besides, grams a minute, that was taken off.
    drift_from : {"blank", "tail", "none"}
    step_g : float
        Step of the scale.
    sd_g : float
        Residual standard deviation, no smaller than that of rounding.
    jumps : tuple of Jump
        Splashes (not counted as gas) and readings left out of the fit.
    plateau_seen : bool
        Were nine tenths out by the last reading? If not, `gas_g` and `t90_s` reach past the readings.
    coarse : bool
        Is the scale too coarse to tell the curves apart?
    models : DataFrame
        One row a curve, best first: model, parameters, rss, aicc, delta, weight, note.
    readings : DataFrame
        seconds, mass_g, fitted_g, residual_g, gas_g (drift and splashes taken off), used.
    level : float
    """

    shape: Shape
    gas_g: Estimate
    t50_s: Estimate
    t90_s: Estimate
    start_g_s: Estimate
    bend: float
    start_mass_g: float
    drift_g_min: float
    drift_from: Literal["blank", "tail", "none"]
    step_g: float
    sd_g: float
    jumps: tuple[Jump, ...]
    plateau_seen: bool
    coarse: bool
    models: pd.DataFrame
    readings: pd.DataFrame
    level: float

    def gas_at(self, seconds: Array) -> Array:
        """Return the grams of gas that have left by `seconds`, by the fitted curve."""
        return self.gas_g.value * share_out(self.shape, seconds, self.t50_s.value, self.bend)


def fit_gas(
    curve: pd.DataFrame,
    shapes: Sequence[Shape] = SHAPES,
    drift: Drift | Literal["auto", "none"] = "auto",
    step_g: float | None = None,
    level: float = 0.95,
) -> GasFit:
    """Fit the gas of one cup.

    Parameters
    ----------
    curve : DataFrame
        seconds, mass_g of one piece. The first reading should be the one as the piece goes in.
    shapes : sequence of {"zero order", "first order", "cube root", "weibull"}
        Curves to weigh against each other.
    drift : Drift, "auto" or "none"
        A `Drift` from a blank cup is taken off, and its error is counted. "auto": a steady loss is fitted
        along with the curve where the readings go on long enough after the fizz (twice the time of nine
        tenths, and five readings); otherwise none is taken off. It may come out slightly negative by chance,
        and is left so: cutting it at zero would bias the gas.
    step_g : float, optional
        Step of the scale; found from the readings by default.
    level : float
        Coverage of the intervals.

    Returns
    -------
    GasFit

    Raises
    ------
    CannotAnswer
        Too few readings, hardly any gas for this scale, still fizzing at full pace at the last reading, or no
        curve could be fitted.

    Examples
    --------
    >>> seconds = np.arange(0.0, 241.0, 10.0)
    >>> mass = np.round(412.34 - 9.0 * share_out("first order", seconds, t50_s=30), 1)
    >>> fit = fit_gas(pd.DataFrame({"seconds": seconds, "mass_g": mass}))
    >>> fit.shape, round(fit.gas_g.value, 1), round(fit.t50_s.value), fit.step_g
    ('first order', 9.0, 30, 0.1)
    >>> fit.gas_g.low < 9 < fit.gas_g.high
    True
    """
    table = curve[["seconds", "mass_g"]].sort_values("seconds", kind="stable")
    seconds, mass = table["seconds"].to_numpy(float), table["mass_g"].to_numpy(float)
    if len(seconds) < 6:
        raise CannotAnswer(
            f"{len(seconds)} readings are too few for a fizz curve.", "Read the scale ten times or more."
        )
    if not np.isfinite(seconds).all() or not np.isfinite(mass).all() or (np.diff(seconds) <= 0).any():
        raise ValueError("seconds must be known and each given once, and every mass known")
    step = scale_step(mass) if step_g is None else step_g
    if mass[0] - mass[-3:].mean() < 4 * step or mass[0] <= mass[-3:].mean():
        raise CannotAnswer(
            "The cup lost too little for this scale to show how.",
            "Put several pieces of the batch in at once, or use a finer scale.",
        )
    known = drift if isinstance(drift, Drift) else None
    level_mass = mass + (known.g_s * seconds if known else 0.0)
    bowed = _straight(seconds, level_mass, step, np.array([seconds**2, np.log(seconds + seconds[1])]))
    if len(seconds) >= 10 and _straight(seconds, level_mass, step) < bowed + LEAST_EVIDENCE:
        raise _at_one_pace()
    plain = _with_tail(seconds, level_mass, step) if drift == "auto" else None
    tail = plain is not None
    if plain is None:
        plain = _compare(SHAPES, seconds, level_mass, (), step, tail)
    jumps = find_jumps(seconds, level_mass, step, tail, plain)
    anew = bool(jumps) or tuple(shapes) != SHAPES
    fits = _compare(shapes, seconds, level_mass, jumps, step, tail) if anew else plain
    best = fits.best
    bounded = {"gas_g", "t50_s"} & set(best.at_bound)
    steps, keep = places(seconds, jumps)
    line = _straight(seconds[keep], level_mass[keep], step, steps[:, keep])
    if bounded or best["t50_s"] > seconds[-1] or line < best.aicc + LEAST_EVIDENCE:
        raise _at_one_pace()
    extra = _drift_variance(best, known, seconds, level_mass, jumps, step)
    shape: Shape = next(name for name in SHAPES if name == best.model.name)
    estimates = [_estimate(best, of, step, extra, level) for of in _quantities(shape)]
    fitted = best.at(predictors(seconds, steps)) - (known.g_s * seconds if known else 0.0)
    bend = best["bend"] if has_bend(shape) else 1.0
    drift_g_s = known.g_s if known else best["drift_g_s"] if tail else 0.0
    splashed = sum(
        (best[f"jump_{k + 1}_g"] * row for k, row in enumerate(steps)),
        start=np.zeros_like(seconds),
    )
    readings = pd.DataFrame(
        {
            "seconds": seconds,
            "mass_g": mass,
            "fitted_g": fitted,
            "residual_g": mass - fitted,
            "gas_g": best["start_g"] - (mass + drift_g_s * seconds - splashed),
            "used": keep,
        }
    )
    return GasFit(
        shape=shape,
        gas_g=estimates[0],
        t50_s=estimates[1],
        t90_s=estimates[2],
        start_g_s=estimates[3],
        bend=bend,
        start_mass_g=best["start_g"],
        drift_g_min=60 * drift_g_s,
        drift_from="blank" if known else "tail" if tail else "none",
        step_g=step,
        sd_g=best.sigma,
        jumps=jumps,
        plateau_seen=bool(estimates[2].value <= seconds[-1]),
        coarse=bool(estimates[0].value < COARSE_STEPS * step),
        models=fits.table,
        readings=readings,
        level=level,
    )


def _compare(
    shapes: Sequence[Shape], seconds: Array, mass: Array, jumps: tuple[Jump, ...], step: float, tail: bool
) -> CurveComparison:
    steps, keep = places(seconds, jumps)
    models = [gas_model(shape, drift=tail, jumps=len(steps)) for shape in shapes]
    x = predictors(seconds, steps)[..., keep]
    return compare_curves(models, x, mass[keep], resolution=step, evaluations=100)


def _straight(seconds: Array, mass: Array, step: float, more: Array | None = None) -> float:
    """Return the AICc of a straight line, with further columns if given."""
    x = np.column_stack([np.ones_like(seconds), seconds, *([] if more is None else more)])
    scale = np.abs(x).max(axis=0)
    left = mass - x @ (np.linalg.lstsq(x / scale, mass, rcond=None)[0] / scale)
    return aicc(max(float(left @ left), len(left) * step**2 / 12), len(left), x.shape[1])


def _at_one_pace() -> CannotAnswer:
    return CannotAnswer(
        "The cup lost mass at one pace until the last reading, so there is no telling how much gas there is, "
        "nor gas from water that dries up.",
        "Go on reading until the scale stands still, and weigh a cup of water without a piece as well.",
    )


def _with_tail(seconds: Array, mass: Array, step: float) -> CurveComparison | None:
    """Return the curves with a steady loss where readings go on long enough after the fizz to show one."""
    try:
        fits = _compare(SHAPES, seconds, mass, (), step, True)
    except CannotAnswer:
        return None
    best = fits.best
    shape: Shape = next(name for name in SHAPES if name == best.model.name)
    t90 = time_until(shape, 0.9, best["t50_s"], best["bend"] if has_bend(shape) else 1.0)
    return fits if seconds[-1] >= 2 * t90 and (seconds > 1.3 * t90).sum() >= 5 else None


def _quantities(shape: Shape) -> list[Callable[[Array], float]]:
    """Return log gas, log t50, log t90 and log pace at the start as functions of the parameters."""

    def bend(p: Array) -> float:
        return float(p[3]) if has_bend(shape) else 1.0

    return [
        lambda p: float(np.log(p[1])),
        lambda p: float(np.log(p[2])),
        lambda p: float(np.log(time_until(shape, 0.9, p[2], bend(p)))),
        lambda p: float(np.log(START_SHARE * p[1] / time_until(shape, START_SHARE, p[2], bend(p)))),
    ]


def _gradient(of: Callable[[Array], float], at: Array) -> Array:
    out = np.zeros(len(at))
    for k in range(1, min(4, len(at))):
        step = 1e-5 * max(abs(at[k]), 1e-9)
        up, down = at.copy(), at.copy()
        up[k] += step
        down[k] -= step
        out[k] = (of(up) - of(down)) / (2 * step)
    return out


def _estimate(
    fit: CurveFit, of: Callable[[Array], float], step: float, extra: Array, level: float
) -> Estimate:
    gradient = _gradient(of, fit.values)
    variance = float(gradient @ (_rounded_covariance(fit, step) + extra) @ gradient)
    margin = float(stats.t.ppf(0.5 + level / 2, fit.dof)) * np.sqrt(variance)
    log_value = of(fit.values)
    value, low, high = np.exp([log_value, log_value - margin, log_value + margin]).tolist()
    return Estimate(value, low, high)


def _rounded_covariance(fit: CurveFit, step: float) -> Array:
    """Return the covariance of the estimates, counting that readings share their rounding error."""
    if step <= 0:
        return fit.covariance
    slopes = fit_slopes(fit)
    scale = np.sqrt((slopes**2).sum(axis=0))
    scale[scale == 0] = 1.0
    back = np.linalg.pinv(slopes / scale) / scale[:, None]
    noise = max(fit.sigma**2 - step**2 / 12, 0.0)
    apart = fit.fitted[:, None] - fit.fitted[None, :]
    shared = np.zeros_like(apart)
    for k in range(1, 6):
        size = step**2 / (2 * np.pi**2 * k**2) * np.exp(-4 * np.pi**2 * k**2 * noise / step**2)
        shared += size * np.cos(2 * np.pi * k * apart / step)
    shared[np.diag_indices_from(shared)] = fit.sigma**2
    rounded: Array = back @ shared @ back.T
    # where rounding errors happen to cancel, the plain variance stands
    plain, ours = np.diag(fit.covariance), np.diag(rounded)
    return rounded if (ours >= plain).all() else np.maximum(1.0, np.nanmax(ours / plain)) * fit.covariance


def _drift_variance(
    fit: CurveFit, drift: Drift | None, seconds: Array, mass: Array, jumps: tuple[Jump, ...], step: float
) -> Array:
    """Return what the error of a blank's drift adds to the covariance of the estimates."""
    size = len(fit.values)
    if drift is None or drift.se <= 0:
        return np.zeros((size, size))
    steps, keep = places(seconds, jumps)
    x = predictors(seconds, steps)[..., keep]
    ends = []
    for sign in (-1.0, 1.0):
        moved = (mass + sign * drift.se * seconds)[keep]
        try:
            ends.append(compare_curves([fit.model], x, moved, resolution=step, evaluations=100).best.values)
        except CannotAnswer:
            ends.append(fit.values)
    half = (ends[1] - ends[0]) / 2
    return np.outer(half, half)
