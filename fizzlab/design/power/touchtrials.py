"""Simulated trials read by touch checks, and whether each would show the effect."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy import stats
from scipy.optimize import linprog

from fizzlab.design.power.likelihoods import Array, Ints, tabulate
from fizzlab.design.power.manyfits import Flags, ManyFits, fit_many_trials
from fizzlab.design.power.shape import Effect, Structure
from fizzlab.design.power.spreads import Spreads
from fizzlab.models.censored import NotFitted
from fizzlab.models.censored_fit import fit_batches

Engine = Literal["quick", "full"]
_MOST_OUTCOMES = 1500


@dataclass(frozen=True)
class TouchChecks:
    """How the pieces of every batch are looked at.

    Parameters
    ----------
    looks_h : tuple of float
        Hours after making, rising.
    pieces : int
        Pieces looked at, of each batch.
    typical_h : float
        Usual dry time, in hours: of the control, or half-way between the amounts.
    missed : float
        Chance that a look at a batch is missed.
    """

    looks_h: tuple[float, ...]
    pieces: int
    typical_h: float
    missed: float = 0.0

    def __post_init__(self) -> None:
        looks = np.asarray(self.looks_h, float)
        if (
            not len(looks)
            or (looks <= 0).any()
            or (np.diff(looks) <= 0).any()
            or not np.isfinite(looks).all()
        ):
            raise ValueError("looks must be hours above 0 that go up")
        if self.pieces < 1 or not 0 <= self.missed < 1 or self.typical_h <= 0:
            raise ValueError("pieces must be 1 or more, missed a chance below 1, the usual dry time above 0")


@dataclass(frozen=True)
class Drawn:
    """What came out by chance in every trial: the same for every size of effect that is tried."""

    days: Array  # trials x batches
    batches: Array
    pieces: Array  # trials x batches x pieces
    looked: NDArray[np.bool_] | None  # trials x batches x looks


def draw(plan: Structure, checks: TouchChecks, trials: int, seed: int) -> Drawn:
    """Draw standard normal days, batches and pieces, and which looks are missed."""
    rng = np.random.default_rng(seed)
    size = (trials, plan.batches)
    code = np.arange(plan.batches) if plan.day is None else plan.day
    if plan.days == 1:
        code = np.zeros(plan.batches, dtype=np.int64)
    days = rng.standard_normal((trials, int(code.max()) + 1))[:, code]
    looked = None
    batches, pieces = rng.standard_normal(size), rng.standard_normal((*size, checks.pieces))
    if checks.missed:
        looked = rng.random((*size, len(checks.looks_h))) >= checks.missed
    return Drawn(days, batches, pieces, looked)


def look_places(
    plan: Structure, effect: Effect, log_ratio: float, checks: TouchChecks, spreads: Spreads, drawn: Drawn
) -> tuple[Ints, Ints]:
    """Between which looks each piece became dry: places in (0, looks..., never), lower and upper."""
    location = np.log(checks.typical_h) + log_ratio * effect.shift + spreads.days * drawn.days
    location = location + spreads.batches * drawn.batches
    log_t = location[:, :, None] + spreads.pieces * drawn.pieces
    upper = np.searchsorted(np.log(np.asarray(checks.looks_h)), log_t).astype(np.int64) + 1
    lower = upper - 1
    if drawn.looked is not None:
        ends = np.ones((*drawn.looked.shape[:2], 1), bool)
        seen = np.concatenate([ends, drawn.looked, ends], axis=2)
        place = np.arange(seen.shape[2])
        before = np.maximum.accumulate(np.where(seen, place, 0), axis=2)
        after = np.minimum.accumulate(np.where(seen, place, place[-1])[:, :, ::-1], axis=2)[:, :, ::-1]
        lower, upper = np.take_along_axis(before, lower, axis=2), np.take_along_axis(after, upper, axis=2)
    return lower, upper


@dataclass(frozen=True)
class Verdicts:
    """What each simulated trial would say.

    Attributes
    ----------
    seen : array of bool
        The interval of the ratio lies wholly on the side of the true effect (above 1 where there is none).
    answered : array of bool
        The analysis gave numbers.
    estimate, se, df : arrays
        Log ratio; nan where unanswered.
    """

    seen: Flags
    answered: Flags
    estimate: Array = field(repr=False)
    se: Array = field(repr=False)
    df: Array = field(repr=False)


def verdicts(
    estimate: Array, se: Array, df: Array, answered: Flags, log_ratio: float, level: float
) -> Verdicts:
    """Compare intervals with no effect."""
    with np.errstate(invalid="ignore"):
        t = estimate / se * (1.0 if log_ratio >= 0 else -1.0)
        seen = answered & (t > stats.t.ppf(0.5 + level / 2, np.where(answered, df, 1.0)))
    blank = np.where(answered, 0.0, np.nan)
    return Verdicts(seen, answered, estimate + blank, se + blank, df + blank)


def touch_verdicts(
    plan: Structure,
    effect: Effect,
    log_ratio: float,
    checks: TouchChecks,
    spreads: Spreads,
    drawn: Drawn,
    level: float = 0.95,
    engine: Engine = "quick",
) -> Verdicts:
    """Simulate trials with an effect of one size and analyse each.

    Parameters
    ----------
    plan, effect, checks, spreads, drawn
    log_ratio : float
        True effect.
    level : float
        Of the interval that is judged.
    engine : {"quick", "full"}
        "full": the analysis of the report, `fizzlab.models.censored_fit.fit_batches`, trial by trial.
        "quick": its stand-in of `fizzlab.design.power.manyfits`, many trials at once.
    """
    lower, upper = look_places(plan, effect, log_ratio, checks, spreads, drawn)
    refused = _one_sided(plan, effect, lower, upper, len(checks.looks_h))
    if engine == "full":
        return _full(plan, effect, log_ratio, checks, lower, upper, refused, level)
    at_once = max(1, 4 * _MOST_OUTCOMES // plan.batches) if checks.missed or checks.pieces > 8 else len(lower)
    parts = [
        _quick(plan, effect, checks, spreads, lower[rows], upper[rows])
        for rows in np.array_split(np.arange(len(lower)), -(-len(lower) // at_once))
    ]
    answered = np.concatenate([each.settled for each in parts]) & ~refused
    estimate, se, df = (
        np.concatenate([getattr(each, name)[:, 0] for each in parts]) for name in ("beta", "se", "df")
    )
    return verdicts(estimate, se, df, answered, log_ratio, level)


def _one_sided(plan: Structure, effect: Effect, lower: Ints, upper: Ints, looks: int) -> Flags:
    """Trials in which all pieces of a compared level were dry at the first look or wet at the last."""
    groups = [effect.shift > effect.shift.mean(), effect.shift <= effect.shift.mean()]
    refused = np.zeros(len(lower), bool)
    for group in groups:
        refused |= (upper[:, group] > looks).all(axis=(1, 2)) | (lower[:, group] == 0).all(axis=(1, 2))
    return refused


def _quick(
    plan: Structure, effect: Effect, checks: TouchChecks, spreads: Spreads, lower: Ints, upper: Ints
) -> ManyFits:
    low, high = lower.max(axis=2), upper.min(axis=2)
    alike = (low < high).all(axis=1)
    # pieces of such a trial tell no spread of their own: each batch counts as one piece in the overlap
    width = len(checks.looks_h) + 2
    kind = lower * width + upper
    mark = np.random.default_rng(0).integers(1, 2**62, width * width)
    key = mark[kind].sum(axis=2)
    single = low * width + high
    key[alike] = mark[single[alike]]
    keys, first, outcome = np.unique(key.ravel(), return_index=True, return_inverse=True)
    counts = np.zeros((len(keys), width * width))
    pieces = kind.reshape(-1, kind.shape[2])[first]
    one = np.repeat(alike, plan.batches)[first]
    np.add.at(counts, (np.flatnonzero(~one)[:, None], pieces[~one]), 1.0)
    counts[np.flatnonzero(one), single.ravel()[first][one]] = 1.0
    counts[:, width - 1] = 0.0  # never looked at: tells nothing
    used = np.flatnonzero(counts.any(axis=0))
    ends = np.concatenate([[-np.inf], np.log(checks.looks_h), [np.inf]])
    total = np.sqrt(spreads.pieces**2 + spreads.batches**2 + spreads.days**2)
    tables = tabulate(
        ends[used // width], ends[used % width], counts[:, used], spreads.pieces, spreads.batches, 4.5 * total
    )
    start = (spreads.pieces, spreads.batches, spreads.days)
    fits = fit_many_trials(
        tables, outcome.reshape(low.shape), plan.x, plan.day, effect.weights[None, :], start, alike
    )
    settled = fits.settled & ~_touching(plan.x, ends, low, high)
    return replace(fits, settled=settled)


def _touching(x: Array, ends: Array, low: Ints, high: Ints) -> Flags:
    """Trials in which some line lies inside every bracket or on its edge.

    Then the likelihood rises, or at least never falls, as all spreads shrink together, and nothing is left to
    judge by. `low` and `high` are the places of each batch's latest wet and earliest dry look.
    """
    found = np.zeros(len(low), bool)
    rows = np.flatnonzero((low <= high).all(axis=1))
    if not len(rows):
        return found
    cases, where = np.unique(np.hstack([low[rows], high[rows]]), axis=0, return_inverse=True)
    verdict = np.zeros(len(cases), bool)
    for place, case in enumerate(cases):
        lower, upper = ends[case[: len(x)]], ends[case[len(x) :]]
        below, above = np.isfinite(upper), np.isfinite(lower)
        lp = linprog(
            np.zeros(x.shape[1]),
            A_ub=np.vstack([x[below], -x[above]]),
            b_ub=np.concatenate([upper[below], -lower[above]]),
            bounds=(None, None),
            method="highs",
        )
        verdict[place] = lp.status == 0
    found[rows] = verdict[where.ravel()]
    return found


def _full(
    plan: Structure,
    effect: Effect,
    log_ratio: float,
    checks: TouchChecks,
    lower: Ints,
    upper: Ints,
    refused: Flags,
    level: float,
) -> Verdicts:
    ends = np.concatenate([[0.0], checks.looks_h, [np.inf]])
    batch = np.repeat(np.arange(plan.batches), checks.pieces)
    estimate, se, df = (np.full(len(lower), np.nan) for _ in range(3))
    for row in np.flatnonzero(~refused):
        try:
            fit = fit_batches(ends[lower[row].ravel()], ends[upper[row].ravel()], batch, plan.x, plan.day)
        except NotFitted:
            continue
        weights = effect.weights
        covariance = fit.found.covariance[: len(weights), : len(weights)]
        estimate[row], se[row] = weights @ fit.found.beta, np.sqrt(weights @ covariance @ weights)
        df[row] = fit.strata.of(weights)
    return verdicts(estimate, se, df, np.isfinite(estimate), log_ratio, level)
