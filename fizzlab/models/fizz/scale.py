"""What a kitchen scale does to the readings: its step, splashes and touches, and drying up."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy import stats

from fizzlab.errors import CannotAnswer
from fizzlab.models.curves import CurveComparison, CurveFit, compare_curves
from fizzlab.models.fizz.gas_models import SHAPES, gas_model

Array = NDArray[np.float64]

#: Steps that scales show, in grams.
STEPS_G = (10.0, 5.0, 2.0, 1.0, 0.5, 0.2, 0.1, 0.05, 0.02, 0.01, 0.005, 0.002, 0.001)

#: A jump smaller than this many steps of the scale cannot be told from rounding.
LEAST_JUMP_STEPS = 2.5

_MOST_JUMPS = 4
_FITTED = 2


@dataclass(frozen=True)
class Jump:
    """A reading, or a step between two readings, that gas leaving evenly cannot make.

    Parameters
    ----------
    kind : {"splash", "added", "touched"}
        Mass gone at once and for good (water splashed out, a crumb fell off); mass that came (something
        leaned on the scale and stayed, water dripped in); or one reading out of line with those before and
        after.
    seconds : float
        First reading after a step, or the reading itself.
    change_g : float
        Size; negative for mass that went.
    """

    kind: Literal["splash", "added", "touched"]
    seconds: float
    change_g: float


@dataclass(frozen=True)
class Drift:
    """Steady loss of a cup without a piece in it: water drying up.

    Parameters
    ----------
    g_s : float
        Grams a second; positive is loss.
    se : float
    readings : int
    """

    g_s: float
    se: float
    readings: int

    @property
    def g_min(self) -> float:
        """Grams a minute."""
        return 60 * self.g_s


def scale_step(mass_g: ArrayLike) -> float:
    """Return the step of the scale: the coarsest usual step that every reading is a multiple of.

    Returns 0 where no usual step fits (the readings are finer than a milligram, or were reckoned).

    Examples
    --------
    >>> scale_step([412.3, 411.9, 411.2, 410.8]), scale_step([412, 411, 408])
    (0.1, 1.0)
    """
    mass = np.asarray(mass_g, float)
    for step in STEPS_G:
        if np.abs(mass / step - np.round(mass / step)).max() < 1e-6:
            return step
    return 0.0


def blank_drift(blank: pd.DataFrame) -> Drift:
    """Return the loss of a cup of the same water without a piece (least squares of mass on time).

    Parameters
    ----------
    blank : DataFrame
        seconds, mass_g; at least three readings.

    Raises
    ------
    CannotAnswer
        Fewer than three readings.

    Examples
    --------
    >>> drift = blank_drift(pd.DataFrame({"seconds": [0, 60, 120, 180, 240],
    ...     "mass_g": [300.0, 299.9, 299.9, 299.8, 299.7]}))
    >>> round(drift.g_min, 3), drift.se > 0
    (0.07, True)
    """
    if len(blank) < 3 or blank["seconds"].nunique() < 3:
        raise CannotAnswer(
            "A blank with fewer than three readings gives no drift.",
            "Weigh the cup of water for some minutes.",
        )
    seconds, mass = blank["seconds"].to_numpy(float), blank["mass_g"].to_numpy(float)
    line = stats.linregress(seconds, mass)
    spread = np.sum((seconds - seconds.mean()) ** 2)
    rounding = scale_step(mass) / np.sqrt(12 * spread)
    return Drift(-float(line.slope), max(float(line.stderr), float(rounding)), len(blank))


def find_jumps(
    seconds: Array, mass_g: Array, step_g: float, drift: bool, plain: CurveComparison | None = None
) -> tuple[Jump, ...]:
    """Find splashes and touches, the largest first, at most four.

    Each reading is tried as one that was out of line, and each gap between readings as a step that stayed,
    by how much of the residual sum of squares of the best curve (with drift if `drift`) it takes away. The
    best is kept if it is larger than 2.5 steps of the scale and its F test gives less than 0.001 over all the
    places tried together (Bonferroni); then the search goes on with it in the curve. Nothing is removed
    silently: the curve gets a step of its own, or leaves the reading out, and the jump is reported.

    A splash in the first gap cannot be told from a quick start and is not looked for.

    Parameters
    ----------
    seconds, mass_g : arrays
        Readings of one cup, in order of time.
    step_g : float
        Step of the scale.
    drift : bool
        Whether to allow for a steady loss.
    plain : CurveComparison, optional
        The curves without jumps, where they were fitted already.

    Returns
    -------
    tuple of Jump
        In order of time.

    Examples
    --------
    >>> from fizzlab.models.fizz.gas_models import share_out
    >>> seconds = np.arange(0, 200, 8.0)
    >>> mass = np.round(400 - 8 * share_out("first order", seconds, 30) - 2 * (seconds >= 60), 1)
    >>> jumps = find_jumps(seconds, mass, 0.1, drift=False)
    >>> [(jump.kind, jump.seconds, round(jump.change_g)) for jump in jumps]
    [('splash', 64.0, -2)]
    """
    jumps: list[Jump] = []
    for _ in range(_MOST_JUMPS):
        try:
            fits = plain if plain and not jumps else _with_jumps(seconds, mass_g, jumps, step_g, drift)
        except CannotAnswer:
            break
        found = _largest(seconds, mass_g, fits, jumps, step_g, drift)
        if found is None:
            break
        jumps.append(found)
    if jumps:
        sizes = _sizes(seconds, mass_g, jumps, step_g, drift)
        jumps = [Jump(_kind(j, size), j.seconds, size) for j, size in zip(jumps, sizes, strict=True)]
    return tuple(sorted(jumps, key=lambda jump: jump.seconds))


def _kind(jump: Jump, size: float) -> Literal["splash", "added", "touched"]:
    if jump.kind == "touched":
        return "touched"
    return "splash" if size < 0 else "added"


def places(seconds: Array, jumps: tuple[Jump, ...] | list[Jump]) -> tuple[Array, NDArray[np.bool_]]:
    """Return one 0/1 row a step that stayed, shape (steps, n), and which readings are in line."""
    rows = [np.asarray(seconds >= jump.seconds, float) for jump in jumps if jump.kind != "touched"]
    keep = ~np.isin(seconds, [jump.seconds for jump in jumps if jump.kind == "touched"])
    return np.array(rows).reshape(len(rows), len(seconds)), keep


def predictors(seconds: Array, steps: Array) -> Array:
    """Return x as `gas_model` wants it."""
    return np.vstack([seconds, steps]) if len(steps) else seconds


def _with_jumps(
    seconds: Array,
    mass: Array,
    jumps: list[Jump],
    step_g: float,
    drift: bool,
    shapes: Sequence[str] = SHAPES,
) -> CurveComparison:
    steps, keep = places(seconds, jumps)
    models = [gas_model(shape, drift=drift, jumps=len(steps)) for shape in SHAPES if shape in shapes]
    x = predictors(seconds, steps)[..., keep]
    return compare_curves(models, x, mass[keep], resolution=step_g, evaluations=100)


def _largest(
    seconds: Array, mass: Array, fits: CurveComparison, jumps: list[Jump], step_g: float, drift: bool
) -> Jump | None:
    """Return the most convincing further jump, or None.

    Places are ranked by the residuals that a jump there would take away from each curve held in its tangent
    plane, for a splash can make a wrong curve look right; the best few of each are then fitted in earnest.
    """
    fit = fits.best
    if np.abs(fit.residuals).max() < step_g:
        return None
    best: tuple[float, Jump] | None = None
    candidates: list[tuple[str, Jump]] = []
    tried = 1
    for each in fits.fits:
        ranked, tried = _ranked(seconds, each, jumps)
        candidates += [(each.model.name, jump) for jump in ranked[:_FITTED]]
    for shape, candidate in candidates:
        try:
            with_it = _with_jumps(seconds, mass, [*jumps, candidate], step_g, drift, [shape]).best
        except CannotAnswer:
            continue
        left = max(with_it.rss, with_it.dof * step_g**2 / 12, 1e-12)
        f = (fit.rss - with_it.rss) / (left / with_it.dof)
        if best is None or f > best[0]:
            best = (f, candidate)
            dof = with_it.dof
    if best is None or stats.f.sf(best[0], 1, dof) * tried >= 0.001:
        return None
    size = _sizes(seconds, mass, [*jumps, best[1]], step_g, drift)[-1]
    return best[1] if abs(size) > LEAST_JUMP_STEPS * step_g else None


def _ranked(seconds: Array, fit: CurveFit, jumps: list[Jump]) -> tuple[list[Jump], int]:
    at = seconds[places(seconds, jumps)[1]]
    n = len(at)
    q, _ = np.linalg.qr(fit_slopes(fit))
    found: list[tuple[float, Jump]] = []
    kinds: tuple[tuple[Literal["touched", "splash"], Array, range], ...] = (
        ("touched", np.eye(n), range(1, n)),
        ("splash", np.tril(np.ones((n, n))), range(2, n - 1)),
    )
    for kind, columns, where in kinds:
        for i in where:
            column = columns[:, i]
            own = column - q @ (q.T @ column)
            square = float(own @ own)
            if square < 0.02:
                continue
            size = float(own @ fit.residuals) / square
            found.append((size**2 * square, Jump(kind, float(at[i]), size)))
    found.sort(key=lambda pair: -pair[0])
    return [jump for _, jump in found], len(found)


def _sizes(seconds: Array, mass: Array, jumps: list[Jump], step_g: float, drift: bool) -> list[float]:
    try:
        fit = _with_jumps(seconds, mass, jumps, step_g, drift).best
    except CannotAnswer:
        return [jump.change_g for jump in jumps]
    steps, _ = places(seconds, jumps)
    fitted = fit.at(predictors(seconds, steps))
    staying = iter([float(v) for v in fit.values[len(fit.values) - len(steps) :]])
    return [
        float((mass - fitted)[seconds == jump.seconds][0]) if jump.kind == "touched" else next(staying)
        for jump in jumps
    ]


def fit_slopes(fit: CurveFit) -> Array:
    """Return the derivatives of the fitted values by the parameters, shape (n, parameters)."""
    return fit.model.slopes(fit.x, fit.values)
