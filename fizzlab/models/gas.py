"""The gas of a piece, from a cup on a kitchen scale.

What the scale shows is start - gas F(t) - drift t + jumps, where F is the share of the gas that has left by t
seconds; `SHAPES` has the curves that F can follow, weighed against each other by AICc. Drift is water that
dries up; a jump is a splash or a touch.

A scale that shows whole grams gives readings that share their rounding error as long as they show about
the same mass, so sixty readings of the last gram are not sixty independent ones. The intervals allow for
that: the error of a reading is independent noise plus rounding, and two readings whose masses differ by d
have the covariance of a sawtooth of period q (the step of the scale), smoothed by the noise s,

    sum over k of q^2 / (2 pi^2 k^2) exp(-4 pi^2 k^2 s^2 / q^2) cos(2 pi k d / q),

which is q^2/12 for readings of the same mass without noise. The least-squares estimates get the variance that
follows from it.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache
from typing import TYPE_CHECKING, Any, Literal, get_args

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy import stats

from fizzlab.errors import CannotAnswer
from fizzlab.models import curves as fitting
from fizzlab.models.curves import CurveComparison, CurveFit, CurveModel, Parameter
from fizzlab.models.result import FitResult, Interval
from fizzlab.models.terms import need_columns
from fizzlab.models.water import soluble_g

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Array = NDArray[np.float64]
Shape = Literal["zero order", "first order", "cube root", "weibull"]

#: The curves: one pace until all is gone; the same share of what is left each second; an even piece that
#: shrinks from its surface; ever slower (bend below 1) or gathering pace first (above 1).
SHAPES: tuple[Shape, ...] = get_args(Shape)

#: The pace at the start is timed over the first tenth of the gas: a Weibull curve has none at 0 seconds.
START_SHARE = 0.1

#: With less gas than this many steps of the scale, which curve fits best is mostly rounding.
COARSE_STEPS = 20.0

#: AICc by which a curve must beat a straight line.
LEAST_EVIDENCE = 4.0

#: Steps that scales show, in grams.
STEPS_G = (10.0, 5.0, 2.0, 1.0, 0.5, 0.2, 0.1, 0.05, 0.02, 0.01, 0.005, 0.002, 0.001)

#: A jump smaller than this many steps of the scale cannot be told from rounding.
LEAST_JUMP_STEPS = 2.5

_MOST_JUMPS = 4
_FITTED = 2  # places of a jump that are fitted in earnest, of each curve
_EVALUATIONS = 100  # a curve that does not fit at all can run away for ever
_LN2 = float(np.log(2))
_CUBE = 1 - 0.5 ** (1 / 3)
_NO_BATCHES = pd.DataFrame()


# --- the curves -------------------------------------------------------------------------------


def _share(shape: Shape, u: Array, bend: float) -> tuple[Array, Array, Array]:
    """F at u = t/t50 with its slopes by u and by bend; F is a half at u = 1 in every shape."""
    none = np.zeros_like(u)
    if shape == "zero order":
        return np.minimum(u / 2, 1.0), np.where(u < 2, 0.5, 0.0), none
    if shape == "first order":
        return -np.expm1(-_LN2 * u), _LN2 * np.exp(-_LN2 * u), none
    if shape == "cube root":
        rest = np.maximum(1 - _CUBE * u, 0.0)
        return 1 - rest**3, 3 * _CUBE * rest**2, none
    log_u = np.log(np.maximum(u, 1e-300))
    power = _LN2 * np.exp(np.minimum(bend * log_u, 700.0))
    slope = np.exp(-power) * power
    return -np.expm1(-power), slope * bend / np.maximum(u, 1e-300), slope * log_u


def share_out(shape: Shape, seconds: ArrayLike, t50_s: float, bend: float = 1.0) -> Array:
    """Share of a piece's gas that has left.

    Zero order: t / (2 t50). First order: 1 - 2^(-t/t50). Cube root: 1 - (1 - c t/t50)^3 with
    c = 1 - 0.5^(1/3). Weibull: 1 - 2^(-(t/t50)^bend). A. W. Hixson and J. H. Crowell, Ind. Eng. Chem. 23
    (1931) 923; F. Langenbucher, J. Pharm. Pharmacol. 24 (1972) 979 (cited from memory, not seen; the
    formulas are those of textbooks of dissolution).

    Examples
    --------
    >>> [round(float(share_out(shape, 60, t50_s=30)), 3) for shape in SHAPES]
    [1.0, 0.75, 0.797, 0.75]
    """
    return _share(shape, np.asarray(seconds, float) / t50_s, bend)[0]


def time_until(shape: Shape, share: float, t50_s: float, bend: float = 1.0) -> float:
    """Seconds until `share` of the gas is out.

    Examples
    --------
    >>> [round(time_until(shape, 0.9, t50_s=30), 1) for shape in SHAPES]
    [54.0, 99.7, 77.9, 99.7]
    """
    if shape == "zero order":
        return t50_s * 2 * share
    if shape == "cube root":
        return float(t50_s * (1 - (1 - share) ** (1 / 3)) / _CUBE)
    return t50_s * float((-np.log2(1 - share)) ** (1 / bend if shape == "weibull" else 1.0))


@lru_cache(maxsize=256)
def gas_model(shape: Shape, drift: bool = False, jumps: tuple[float, ...] = ()) -> CurveModel:
    """The curve of what the scale shows, with a steady loss besides and a step from each of some seconds on.

    Examples
    --------
    >>> gas_model("weibull", drift=True).names
    ('start_g', 'gas_g', 't50_s', 'bend', 'drift_g_s')
    """
    bent = shape == "weibull"
    parameters = [
        Parameter("start_g", "mass of cup, water and piece", "g"),
        Parameter("gas_g", "gas that leaves in the end", "g", lower=0.0),
        Parameter("t50_s", "time until half of it is out", "s", lower=1e-3),
        *([Parameter("bend", "shape of the curve", lower=0.15, upper=10.0)] if bent else []),
        *([Parameter("drift_g_s", "steady loss besides, as by drying up", "g/s")] if drift else []),
        *(Parameter(f"jump_{k + 1}_g", "sudden step of the scale", "g") for k in range(len(jumps))),
    ]

    def besides(t: Array) -> list[Array]:
        return [*([-t] if drift else []), *(np.asarray(t >= at, float) for at in jumps)]

    def f(t: Array, p: Array) -> Array:
        y = np.asarray(p[0] - p[1] * _share(shape, t / p[2], p[3] if bent else 1.0)[0])
        for value, column in zip(p[3 + bent :], besides(t), strict=True):
            y = y + value * column
        return y

    def jacobian(t: Array, p: Array) -> list[ArrayLike]:
        u = t / p[2]
        gone, by_u, by_bend = _share(shape, u, p[3] if bent else 1.0)
        return [1.0, -gone, p[1] * by_u * u / p[2], *([-p[1] * by_bend] if bent else []), *besides(t)]

    def starts(t: Array, y: Array) -> Array:
        gas = max(float(y[0] - y.min()), 1e-6)
        quarter, half, most = (_reaches(t, (y[0] - y) / gas, share) for share in (0.25, 0.5, 0.75))
        # turned round, F = 1/4 and F = 3/4 give (t at 3/4 / t at 1/4)^bend = log(4)/log(4/3)
        bend = float(np.log(np.log(4) / np.log(4 / 3)) / np.log(max(most / quarter, 1.05)))
        # curves that end in a corner have several lowest points
        near = (1.0,) if shape == "first order" else (1.0, 0.5, 0.7, 1.4, 2.0)
        own = [(half, float(np.clip(bend, 0.3, 5.0))), (half, 1.0)] if bent else [(half * f,) for f in near]
        return np.array([[float(y[0]), gas, *each, *[0.0] * (drift + len(jumps))] for each in own])

    return CurveModel(shape, f"gas leaves by {shape}", tuple(parameters), f, jacobian, starts)


def _reaches(t: Array, out: Array, share: float) -> float:
    """Roughly when a share of what left was out, never 0."""
    k = int(np.argmax(out >= share))
    if k == 0:
        return float(t[t > 0].min()) / 2
    part = (share - out[k - 1]) / max(out[k] - out[k - 1], 1e-12)
    return float(max(t[k - 1] + part * (t[k] - t[k - 1]), 0.05 * t[k]))


# --- one cup ----------------------------------------------------------------------------------


@dataclass(frozen=True)
class Jump:
    """What gas leaving evenly cannot make: mass gone at once, mass that came, or one reading out of line.

    `seconds` is that reading, or the first after a step; `change_g` is negative for mass that went.
    """

    kind: Literal["splash", "added", "touched"]
    seconds: float
    change_g: float


@dataclass(frozen=True, kw_only=True)
class GasFit(FitResult):
    """The gas of one piece.

    Parameters
    ----------
    shape : str
        Curve the numbers are from.
    estimates : DataFrame
        estimate, conf_low, conf_high of gas_g (that leaves in the end), t50_s and t90_s (seconds until half
        and nine tenths of it are out) and start_g_s (a tenth of the gas over the time it takes to leave).
    curve : CurveFit
        Its drift_g_s, if it has one, is a steady loss that was taken off.
    step_g : float
        Step of the scale.
    jumps : tuple of Jump
        Splashes (not counted as gas) and readings left out of the fit.
    models : DataFrame
        One row a curve, best first; see `CurveComparison`.
    readings : DataFrame
        seconds, mass_g, fitted_g, residual_g, gas_g (drift and splashes taken off), used.
    """

    shape: Shape
    estimates: pd.DataFrame
    curve: CurveFit
    step_g: float
    jumps: tuple[Jump, ...]
    models: pd.DataFrame = field(repr=False)
    readings: pd.DataFrame = field(repr=False)

    def __getitem__(self, name: str) -> float:
        return float(self.estimates["estimate"][name])

    @property
    def drift_seen(self) -> bool:
        """Did the readings go on long enough after the fizz to show a steady loss?"""
        return "drift_g_s" in self.curve.parameters

    @property
    def plateau_seen(self) -> bool:
        """Were nine tenths out by the last reading? If not, gas_g and t90_s reach past the readings."""
        return bool(self["t90_s"] <= self.curve.x.max())

    @property
    def coarse(self) -> bool:
        """Is the scale too coarse to tell the curves apart?"""
        return self["gas_g"] < COARSE_STEPS * self.step_g

    @property
    def heading(self) -> str:
        """What it rests on."""
        return f"gas by the {self.shape} curve, {len(self.readings)} readings, steps of {self.step_g:g} g"

    @property
    def table(self) -> pd.DataFrame:
        """One row a number: term, estimate, conf_low, conf_high, df."""
        return self.estimates.rename_axis("term").reset_index().assign(df=self.curve.dof)

    def gas_at(self, seconds: ArrayLike) -> Array:
        """Grams of gas that have left by `seconds`, by the fitted curve."""
        bend = self.curve.parameters.get("bend", 1.0)
        return self["gas_g"] * share_out(self.shape, seconds, self["t50_s"], bend)

    def predict(
        self, new: Any = None, *, share: float = 0.5, interval: Interval = "confidence"
    ) -> pd.DataFrame:
        """Mass on the scale at ``new["seconds"]``, or at the readings; see `CurveFit.predict`."""
        at = self.readings["seconds"] if new is None else new["seconds"]
        return self.curve.predict({"x": at}, interval=interval).rename(columns={"x": "seconds"})

    def plot(self, ax: Axes | None = None) -> Axes:
        """Draw the gas that has left, reading by reading, with the curve."""
        from fizzlab.models.plotting import BLUE, INK, axes_for

        axes, grid = axes_for(ax), np.linspace(0, self.readings["seconds"].max(), 100)
        for rows, marker in ((self.readings["used"], "."), (~self.readings["used"], "x")):
            axes.plot(self.readings["seconds"][rows], self.readings["gas_g"][rows], marker, color=INK)
        axes.plot(grid, self.gas_at(grid), color=BLUE)
        axes.set(xlabel="seconds since the piece went in", ylabel="gas, g")
        return axes


def scale_step(mass_g: ArrayLike) -> float:
    """Step of the scale: the coarsest usual step that every reading is a multiple of.

    0 where no usual step fits (the readings are finer than a milligram, or were reckoned).

    Examples
    --------
    >>> scale_step([412.3, 411.9, 411.2, 410.8]), scale_step([412, 411, 408])
    (0.1, 1.0)
    """
    mass = np.asarray(mass_g, float)
    fitting_steps = (step for step in STEPS_G if np.abs(mass / step - np.round(mass / step)).max() < 1e-6)
    return next(fitting_steps, 0.0)


@dataclass(frozen=True)
class _Cup:
    """The readings of one cup, and whether a steady loss is allowed for."""

    seconds: Array
    mass: Array
    step: float
    drift: bool = False

    def used(self, jumps: Sequence[Jump]) -> NDArray[np.bool_]:
        return ~np.isin(self.seconds, [jump.seconds for jump in jumps if jump.kind == "touched"])

    def compare(self, shapes: Sequence[Shape] = SHAPES, jumps: Sequence[Jump] = ()) -> CurveComparison:
        keep, at = self.used(jumps), tuple(_staying(jumps))
        models = [gas_model(shape, self.drift, at) for shape in shapes]
        t, mass = self.seconds[keep], self.mass[keep]
        return fitting.compare_curves(models, t, mass, resolution=self.step, evaluations=_EVALUATIONS)

    def straight(self, jumps: Sequence[Jump] = (), more: Sequence[Array] = ()) -> float:
        """AICc of a straight line, with steps and further columns if given."""
        keep, t = self.used(jumps), self.seconds
        steps = [np.asarray(t >= at, float) for at in _staying(jumps)]
        x = np.column_stack([np.ones_like(t), t, *steps, *more])[keep]
        scale, mass = np.abs(x).max(axis=0), self.mass[keep]
        left = mass - x @ (np.linalg.lstsq(x / scale, mass, rcond=None)[0] / scale)
        return fitting.aicc(max(float(left @ left), len(left) * self.step**2 / 12), len(left), x.shape[1])


def _staying(jumps: Sequence[Jump]) -> Iterator[float]:
    return (jump.seconds for jump in jumps if jump.kind != "touched")


def fit_gas_curve(
    seconds: pd.DataFrame | ArrayLike,
    mass_g: ArrayLike | None = None,
    *,
    shapes: Sequence[Shape] = SHAPES,
    step_g: float | None = None,
    conf_level: float = 0.95,
) -> GasFit:
    """Fit the gas of one cup.

    A steady loss is fitted along with the curve where the readings go on long enough after the fizz (twice
    the time of nine tenths, and five readings). It may come out slightly negative by chance, and is left so:
    cutting it at zero would bias the gas.

    Parameters
    ----------
    seconds : DataFrame or array
        Seconds since the piece went in; the first reading should be the one as it goes in. Or a table of one
        piece with columns seconds and mass_g.
    mass_g : array
        Mass of cup, water and piece.
    shapes : sequence of {"zero order", "first order", "cube root", "weibull"}
        Curves to weigh against each other.
    step_g : float, optional
        Step of the scale; found from the readings by default.

    Raises
    ------
    CannotAnswer
        Too few readings, hardly any gas for this scale, still fizzing at full pace at the last reading, or no
        curve could be fitted.
    ValueError
        A second given twice, or a missing reading.

    Examples
    --------
    >>> seconds = np.arange(0.0, 241.0, 10.0)
    >>> mass = np.round(412.34 - 9.0 * share_out("first order", seconds, t50_s=30), 1)
    >>> fit = fit_gas_curve(seconds, mass)
    >>> fit.shape, round(fit["gas_g"], 1), round(fit["t50_s"]), fit.step_g
    ('first order', 9.0, 30, 0.1)
    """
    table = (
        seconds if isinstance(seconds, pd.DataFrame) else pd.DataFrame({"seconds": seconds, "mass_g": mass_g})
    )
    need_columns(table, ["seconds", "mass_g"], "the readings of a cup")
    table = table[["seconds", "mass_g"]].astype(float).sort_values("seconds", kind="stable")
    t, mass = table["seconds"].to_numpy(), table["mass_g"].to_numpy()
    if len(t) < 6:
        raise CannotAnswer(
            f"{len(t)} readings are too few for a fizz curve.", "Read the scale ten times or more."
        )
    if not np.isfinite(t).all() or not np.isfinite(mass).all() or (np.diff(t) <= 0).any():
        raise ValueError("seconds must be known and each given once, and every mass known")
    cup = _Cup(t, mass, scale_step(mass) if step_g is None else step_g)
    if mass[0] - mass[-3:].mean() < 4 * cup.step or mass[0] <= mass[-3:].mean():
        raise CannotAnswer(
            "The cup lost too little for this scale to show how.",
            "Put several pieces of the batch in at once, or use a finer scale.",
        )
    bowed = cup.straight(more=[t**2, np.log(t + t[1])])
    if len(t) >= 10 and cup.straight() < bowed + LEAST_EVIDENCE:
        raise _at_one_pace()
    cup, plain = _with_tail(cup)
    jumps = find_jumps(cup, plain)
    fits = cup.compare(shapes, jumps) if jumps or tuple(shapes) != SHAPES else plain
    best = fits.best
    bounded = {"gas_g", "t50_s"} & set(best.at_bound)
    if bounded or best["t50_s"] > t[-1] or cup.straight(jumps) < best.aicc + LEAST_EVIDENCE:
        raise _at_one_pace()
    besides = mass + best.parameters.get("drift_g_s", 0.0) * t
    for k, at in enumerate(_staying(jumps)):
        besides = besides - best[f"jump_{k + 1}_g"] * (t >= at)
    fitted = {"fitted_g": best.at(t), "residual_g": mass - best.at(t)}
    readings = table.assign(**fitted, gas_g=best["start_g"] - besides, used=cup.used(jumps))
    return GasFit(
        response="gas_g",
        effects=(),
        batches=_NO_BATCHES,
        conf_level=conf_level,
        shape=_shape(best),
        estimates=_estimates(best, cup.step, conf_level),
        curve=best,
        step_g=cup.step,
        jumps=jumps,
        models=fits.table,
        readings=readings.reset_index(drop=True),
    )


def _at_one_pace() -> CannotAnswer:
    return CannotAnswer(
        "The cup lost mass at one pace until the last reading, so there is no telling how much gas there is, "
        "nor gas from water that dries up.",
        "Go on reading until the scale stands still, and weigh a cup of water without a piece as well.",
    )


def _shape(fit: CurveFit) -> Shape:
    return next(shape for shape in SHAPES if shape == fit.model.name)


def _with_tail(cup: _Cup) -> tuple[_Cup, CurveComparison]:
    """The cup, with a steady loss where readings go on long enough after the fizz, and its fits."""
    try:
        fits = replace(cup, drift=True).compare()
    except CannotAnswer:
        return cup, cup.compare()
    best = fits.best
    t90 = time_until(_shape(best), 0.9, best["t50_s"], best.parameters.get("bend", 1.0))
    if cup.seconds[-1] >= 2 * t90 and (cup.seconds > 1.3 * t90).sum() >= 5:
        return replace(cup, drift=True), fits
    return cup, cup.compare()


def _estimates(fit: CurveFit, step: float, conf_level: float) -> pd.DataFrame:
    """Gas, times and pace with their intervals, each worked out on its logarithm."""
    gas, t50, bend = fit["gas_g"], fit["t50_s"], fit.parameters.get("bend", 1.0)
    first, most = (float(np.log(time_until(_shape(fit), share, 1.0, bend))) for share in (START_SHARE, 0.9))
    pace = float(np.log(START_SHARE * gas / t50)) - first
    value = np.array([np.log(gas), np.log(t50), np.log(t50) + most, pace])
    slopes = np.zeros((4, len(fit.values)))
    slopes[:, 1:3] = [[1 / gas, 0], [0, 1 / t50], [0, 1 / t50], [1 / gas, -1 / t50]]
    if _shape(fit) == "weibull":  # both times go as a power of 1 / bend
        slopes[2:, 3] = [-most / bend, first / bend]
    variance = np.einsum("ij,jk,ik->i", slopes, _rounded_covariance(fit, step), slopes)
    margin = float(stats.t.ppf(0.5 + conf_level / 2, fit.dof)) * np.sqrt(variance)
    ends = np.exp(np.column_stack([value, value - margin, value + margin]))
    names = ["gas_g", "t50_s", "t90_s", "start_g_s"]
    return pd.DataFrame(ends, index=names, columns=["estimate", "conf_low", "conf_high"])


def _rounded_covariance(fit: CurveFit, step: float) -> Array:
    """Covariance of the estimates, counting that readings share their rounding error."""
    if step <= 0:
        return fit.covariance
    back = fitting.solver(fit.model.slopes(fit.x, fit.values))
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


# --- splashes and touches ---------------------------------------------------------------------


def find_jumps(cup: _Cup, plain: CurveComparison) -> tuple[Jump, ...]:
    """Splashes and touches in order of time, at most four; `plain` has the curves without any.

    Each reading is tried as one that was out of line, and each gap between readings as a step that stayed,
    by how much of the residual sum of squares of the best curve it takes away. The best is kept if it is
    larger than 2.5 steps of the scale and its F test gives less than 0.001 over all the places tried together
    (Bonferroni); then the search goes on with it in the curve. Nothing is removed silently: the curve gets a
    step of its own, or leaves the reading out, and the jump is reported. A splash in the first gap cannot be
    told from a quick start and is not looked for.
    """
    jumps: list[Jump] = []
    for _ in range(_MOST_JUMPS):
        try:
            fits = cup.compare(jumps=jumps) if jumps else plain
        except CannotAnswer:
            break
        found = _largest(cup, fits, jumps)
        if found is None:
            break
        jumps.append(found)
    sized = zip(jumps, _sizes(cup, jumps), strict=True)
    return tuple(sorted((_named(jump, size) for jump, size in sized), key=lambda jump: jump.seconds))


def _named(jump: Jump, size: float) -> Jump:
    if jump.kind == "touched":
        return Jump("touched", jump.seconds, size)
    return Jump("splash" if size < 0 else "added", jump.seconds, size)


def _largest(cup: _Cup, fits: CurveComparison, jumps: Sequence[Jump]) -> Jump | None:
    """The most convincing further jump, or None.

    Places are ranked by the residuals that a jump there would take away from each curve held in its tangent
    plane, for a splash can make a wrong curve look right; the best few of each are then fitted in earnest.
    """
    fit = fits.best
    if np.abs(fit.residuals).max() < cup.step:
        return None
    tried, best = 1, (0.0, 1, Jump("touched", np.nan, 0.0))
    for each in fits.fits:
        ranked, tried = _ranked(cup.seconds[cup.used(jumps)], each)
        for candidate in ranked[:_FITTED]:
            try:
                with_it = cup.compare([_shape(each)], [*jumps, candidate]).best
            except CannotAnswer:
                continue
            left = max(with_it.rss, with_it.dof * cup.step**2 / 12, 1e-12)
            best = max(
                best,
                ((fit.rss - with_it.rss) / (left / with_it.dof), with_it.dof, candidate),
                key=lambda b: b[0],
            )
    if stats.f.sf(best[0], 1, best[1]) * tried >= 0.001:
        return None
    size = _sizes(cup, [*jumps, best[2]])[-1]
    return best[2] if abs(size) > LEAST_JUMP_STEPS * cup.step else None


def _ranked(at: Array, fit: CurveFit) -> tuple[list[Jump], int]:
    """Every place of a jump, the most convincing first, and how many there are."""
    n = len(at)
    q, _ = np.linalg.qr(fit.model.slopes(fit.x, fit.values))
    found: list[tuple[float, Jump]] = []
    kinds: tuple[tuple[Literal["touched", "splash"], Array, range], ...] = (
        ("touched", np.eye(n), range(1, n)),
        ("splash", np.tril(np.ones((n, n))), range(2, n - 1)),
    )
    for kind, columns, places in kinds:
        own = columns - q @ (q.T @ columns)
        squares, along = np.einsum("ni,ni->i", own, own), own.T @ fit.residuals
        for i in places:
            if squares[i] >= 0.02:
                found.append((along[i] ** 2 / squares[i], Jump(kind, float(at[i]), along[i] / squares[i])))
    found.sort(key=lambda pair: -pair[0])
    return [jump for _, jump in found], len(found)


def _sizes(cup: _Cup, jumps: Sequence[Jump]) -> list[float]:
    """The sizes of jumps by the best curve that has them all."""
    try:
        fit = cup.compare(jumps=jumps).best
    except CannotAnswer:
        return [jump.change_g for jump in jumps]
    steps = iter(value for name, value in fit.parameters.items() if name.startswith("jump_"))
    apart = dict(zip(cup.seconds, cup.mass - fit.at(cup.seconds), strict=True))
    return [float(apart[jump.seconds]) if jump.kind == "touched" else next(steps) for jump in jumps]


# --- the cups of a trial ----------------------------------------------------------------------


@dataclass(frozen=True)
class GasCurves:
    """The fizz curves of a trial.

    Parameters
    ----------
    pieces : DataFrame
        One row a curve that was fitted: run, piece, water_c, gas_g, t50_s, t90_s and start_g_s.
    fits : tuple of GasFit
        In the order of `pieces`.
    not_fitted : DataFrame
        run, piece, why (and what would help).
    shapes : DataFrame
        One row a curve: shape, aicc (summed over the pieces that every shape fits), delta, weight.
    common : str or None
        The shape that all are stated in; None if each piece has its own best.
    """

    pieces: pd.DataFrame
    fits: tuple[GasFit, ...]
    not_fitted: pd.DataFrame
    shapes: pd.DataFrame
    common: Shape | None


def fit_gas_curves(
    curves: pd.DataFrame, curve: Literal["common", "own"] = "common", conf_level: float = 0.95
) -> GasCurves:
    """Fit every fizz curve of a trial: run, piece, water_c, seconds, mass_g.

    Pieces are compared fairly only by the same curve, so by default ("common") the shape with the lowest sum
    of AICc over the pieces is used for all; "own" gives each piece its best.

    Raises
    ------
    CannotAnswer
        No curve could be fitted.

    Examples
    --------
    >>> seconds = np.arange(0.0, 241.0, 12.0)
    >>> curves = pd.concat([pd.DataFrame({"run": run, "piece": 1, "water_c": 38.0, "seconds": seconds,
    ...     "mass_g": np.round(400.03 - gas * share_out("cube root", seconds, t50_s=30), 1)})
    ...     for run, gas in (("A", 8.0), ("B", 9.0))])
    >>> found = fit_gas_curves(curves)
    >>> found.common, found.pieces["gas_g"].round().tolist()
    ('cube root', [8.0, 9.0])
    """
    cups = {(run, piece): rows for (run, piece), rows in curves.groupby(["run", "piece"], sort=False)}
    fits: dict[tuple[Hashable, Hashable], GasFit] = {}
    failed: dict[tuple[Hashable, Hashable], CannotAnswer] = {}

    def work(keys: Sequence[tuple[Hashable, Hashable]], shapes: Sequence[Shape]) -> None:
        for key in keys:
            fits.pop(key, None)
            try:
                fits[key] = fit_gas_curve(cups[key], shapes=shapes, conf_level=conf_level)
            except CannotAnswer as problem:
                failed[key] = problem

    work(list(cups), SHAPES)
    if not fits:
        raise next(iter(failed.values()))
    shapes = _weighed(list(fits.values()))
    common = next(name for name in SHAPES if name == shapes["shape"].iloc[0]) if curve == "common" else None
    if common is not None:
        work([key for key, fit in fits.items() if fit.shape != common], [common])
    order = [key for key in cups if key in fits]
    who = [(*key, float(cups[key]["water_c"].mean())) for key in order]
    numbers = pd.DataFrame([fits[key].estimates["estimate"] for key in order]).reset_index(drop=True)
    pieces = pd.concat([pd.DataFrame(who, columns=["run", "piece", "water_c"]), numbers], axis=1)
    lost = [(*key, str(problem)) for key, problem in failed.items()]
    not_fitted = pd.DataFrame(lost, columns=["run", "piece", "why"])
    return GasCurves(pieces, tuple(fits[key] for key in order), not_fitted, shapes, common)


def _weighed(fits: Sequence[GasFit]) -> pd.DataFrame:
    """Sum AICc over the pieces that every shape could be fitted to."""
    table = pd.DataFrame([fit.models.set_index("model")["aicc"] for fit in fits])
    whole = table.dropna()
    total = (whole if len(whole) else table).sum(min_count=1).sort_values()
    found = total.rename_axis("shape").rename("aicc").reset_index()
    weight = fitting.akaike_weights(found["aicc"].fillna(np.inf))
    return found.assign(delta=found["aicc"] - found["aicc"][0], weight=weight)


def share_reached(
    pieces: pd.DataFrame, theory_g: float | Mapping[str, float], water_l: float
) -> pd.DataFrame:
    """Gas that came against what the recipe could give, less what stays dissolved, by batch.

    Parameters
    ----------
    pieces : DataFrame
        run, water_c, gas_g: of `GasCurves.pieces`.
    theory_g : float or mapping of run to float
        Grams of carbon dioxide that one piece can give at most, by its recipe; taken as known.
    water_l : float
        Litres of water in the cup. Water that already holds gas holds less, and water made basic by soda
        left over holds more.

    Returns
    -------
    DataFrame
        Indexed by run: gas_g and dissolved_g (means of its pieces; see `soluble_g`), theory_g, and share,
        (gas + dissolved) / theory.

    Raises
    ------
    ValueError
        A run without a theory, or a theory that is not positive.

    Examples
    --------
    >>> pieces = pd.DataFrame({"run": ["A", "B", "C"], "water_c": 38.0, "gas_g": [7.4, 7.9, 7.6]})
    >>> share_reached(pieces, theory_g=10.0, water_l=0.3)["share"].round(2).tolist()
    [0.77, 0.82, 0.79]
    """
    held = [soluble_g(water_l, float(at)) for at in pieces["water_c"]]
    means = pieces.assign(dissolved_g=held).groupby("run", sort=False)[["gas_g", "dissolved_g"]].mean()
    of_run = {str(run): theory_g for run in means.index} if isinstance(theory_g, int | float) else theory_g
    means["theory_g"] = [of_run.get(str(run), np.nan) for run in means.index]
    if not (means["theory_g"] > 0).all():
        raise ValueError("every run needs a positive theory_g")
    return means.assign(share=(means["gas_g"] + means["dissolved_g"]) / means["theory_g"])
