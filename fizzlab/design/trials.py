"""Trials made on paper: what of a plan decides its power, and what each simulated trial would show.

Each trial is analysed by the fit that the report makes of one number a batch (`fizzlab.models.strata`). Of
touch checks that number is the mean of the log dry time given between which looks the pieces became dry, with
the spreads that were simulated: a stand-in for the report's regression on the brackets, some hundred times as
fast (docs/methods/power.md shows how closely they agree). Trials that the regression refuses are refused here
too: a compared level was never seen wet, or never dry, or some line of the model touches every bracket.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from fizzlab.errors import CannotAnswer, cannot
from fizzlab.language import say
from fizzlab.models.terms import Amount, Category, Term, model_matrix

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]
Ints = NDArray[np.int64]

#: Where the one side of a 95 % interval ends.
SIDE = 0.975

AIR = Amount("air")

_FEWEST_SPARE = 2  # as in the analysis
_GRID = np.linspace(-4.0, 4.0, 201)
_PROJECTIONS = 200


@dataclass(frozen=True)
class Spreads:
    """How much pieces, batches and days differ by chance: what every power calculation rests on.

    Standard deviations between pieces of a batch, batches made alike on one day, and days beyond their air:
    of the logarithm where levels are compared by ratios (0.15: two in three lie within a factor of 1.16).
    `origin` ends a sentence on where they come from; `typical` is the usual dry time in hours.
    """

    pieces: float
    batches: float
    days: float
    origin: str
    typical: float | None = None

    def __post_init__(self) -> None:
        numbers = [self.pieces, self.batches, self.days]
        if not all(np.isfinite(numbers)) or min(numbers) < 0 or max(numbers[:2]) == 0:
            raise ValueError("spreads must be finite, 0 or more, and not all of pieces and batches 0")
        if self.typical is not None and not (np.isfinite(self.typical) and self.typical > 0):
            raise ValueError("the usual value must be above 0")

    def of_batch_mean(self, pieces: int) -> float:
        """Standard deviation of a batch's mean over so many pieces, sqrt(batches² + pieces²/n)."""
        return float(np.round(np.sqrt(self.batches**2 + self.pieces**2 / pieces), 12))


#: What is taken where there is no record: an assumption of ours, behind which stands no measurement.
ASSUMED = Spreads(
    0.12, 0.15, 0.15, "an assumption without a source: no trial of this room has measured them yet"
)


@dataclass(frozen=True)
class Comparison:
    """A comparison: ``weights @ coefficients``, and the `shift` of each batch at a log ratio of 1."""

    term: Term
    level: str
    control: str
    weights: Array
    shift: Array


class Model:
    """A plan (day, and a column for each term) as the analysis will see it.

    `day` is None where the analysis has no day effect: one day, or one batch on each of `days` days. `air` is
    how many columns of the air it has, drawn to be little tied to the factors: they cost degrees of freedom.
    """

    def __init__(self, runs: pd.DataFrame, terms: Sequence[Term], air: int = 0, seed: int = 1) -> None:
        x = model_matrix(runs, terms).to_numpy(float)
        day = np.asarray(pd.factorize(runs["day"])[0], dtype=np.int64)
        self.days = int(day.max()) + 1
        self.day = day if 1 < self.days < len(day) else None
        if air and self.days > 2:
            x = np.hstack([x, _air(x[:, 1:], day, min(air, self.days - 2), seed)])
        # shares of a mixture add up to a total that is rounded: nearly tied is tied
        if np.linalg.matrix_rank(x / np.linalg.norm(x, axis=0), tol=1e-6) < x.shape[1]:
            raise cannot("tied_plan")
        if len(x) - x.shape[1] < _FEWEST_SPARE:
            raise cannot("few_for_numbers", batches=len(x), numbers=x.shape[1])
        self.x: Array = x
        self.comparisons: list[Comparison] = []
        # without a factor the days are compared, by their air
        columns = [(term, column) for term in terms or (AIR,) * air for column in term.columns()]
        for at, (term, column) in enumerate(columns, start=1):
            low, high = float(x[:, at].min()), float(x[:, at].max())
            if isinstance(term, Category):
                level, control, middle = column[len(term.name) + 1 : -1], term.control, 0.0
            elif term is AIR:
                level, control, middle = say("dampest_day"), say("driest_day"), (low + high) / 2
            else:
                ends = runs[term.name].max(), runs[term.name].min()
                level, control = (f"{end:g} {term.unit}".strip() for end in ends)
                middle = (low + high) / 2
            weights = np.where(np.arange(x.shape[1]) == at, high - low, 0.0)
            shift = (x[:, at] - middle) / (high - low)
            self.comparisons.append(Comparison(term, level, control, weights, shift))

    def standard_error(self, comparison: Comparison, batch: float, day: float) -> float:
        """Standard error if the spreads were known: sqrt(c'(X'V^-1 X)^-1 c), V = batch² I + day² ZZ'."""
        variance = batch**2 * np.eye(len(self.x))
        if self.day is not None:
            variance += day**2 * np.equal.outer(self.day, self.day)
        inverse = np.linalg.inv(self.x.T @ np.linalg.solve(variance, self.x))
        return float(np.sqrt(comparison.weights @ inverse @ comparison.weights))


def _air(x: Array, day: Ints, columns: int, seed: int) -> Array:
    """Of 200 draws of the air of each day, as normal scores, the one least tied to the model."""
    from scipy import stats

    days, rng = int(day.max()) + 1, np.random.default_rng(seed)
    score = stats.norm.ppf((np.arange(days) + 0.625) / (days + 0.25))
    draws = [np.column_stack([rng.permutation(score) for _ in range(columns)])[day] for _ in range(200)]

    def tied(drawn: Array) -> float:
        together = np.atleast_2d(np.corrcoef(np.hstack([x, drawn]), rowvar=False))[x.shape[1] :]
        return float(np.tril(np.abs(together), x.shape[1] - 1).max())

    best = min(draws, key=tied)
    return np.asarray(best - best.mean(axis=0))


class Trials:
    """Simulated trials of one plan, ready to be asked about any effect; with `looks_h`, pieces are looked at.

    What days, batches and pieces add is drawn once, so that a larger effect is not seen less often by luck.
    """

    def __init__(
        self,
        model: Model,
        spreads: Spreads,
        *,
        pieces: int = 4,
        looks_h: Sequence[float] | None = None,
        typical_h: float = 1.0,
        trials: int = 1000,
        seed: int = 1,
    ) -> None:
        if pieces < 1 or typical_h <= 0:
            raise ValueError("pieces must be 1 or more, and the usual dry time above 0")
        self.model, self.spreads, self.typical = model, spreads, float(np.log(typical_h))
        self.looks: Array | None = None
        if looks_h is not None:
            hours = np.asarray(looks_h, float)
            if not (len(hours) and np.isfinite(hours).all() and hours[0] > 0 and (np.diff(hours) > 0).all()):
                raise ValueError("looks must be hours above 0 that go up")
            if spreads.pieces == 0:
                raise ValueError("the spread of pieces must be above 0")
            self.looks = np.log(hours)
        size, day = (trials, len(model.x)), model.day
        if day is None:  # one day, or one batch a day
            day = np.zeros(size[1], dtype=np.int64) if model.days == 1 else np.arange(size[1])
        rng = np.random.default_rng(seed)
        days = spreads.days * rng.standard_normal((trials, int(day.max()) + 1))[:, day]
        self.batches: Array = days + spreads.batches * rng.standard_normal(size)
        self.pieces: Array = spreads.pieces * rng.standard_normal((*size, pieces))

    def brackets(self, comparison: Comparison, size: float) -> Ints:
        """Between which looks each piece became dry, 0 for before the first, given a true log ratio."""
        assert self.looks is not None
        place = self.typical + size * comparison.shift + self.batches
        return np.asarray(np.searchsorted(self.looks, place[:, :, None] + self.pieces))

    def ask(self, comparison: Comparison, size: float) -> tuple[Flags, Flags]:
        """Which trials see a true log ratio (or difference), by an interval on its side; which can answer."""
        from scipy import stats

        from fizzlab.models.strata import contrast, fit_many, prepare

        if self.looks is None:
            numbers = size * comparison.shift + self.batches + self.pieces.mean(axis=2)
            refused = np.zeros(len(numbers), bool)
        else:
            bracket = self.brackets(comparison, size)
            numbers = self._numbers(bracket, comparison, size)
            refused = _one_sided(bracket, comparison, len(self.looks))
            refused |= _touching(bracket, self.model.x, self.looks)
        try:
            strata = prepare(self.model.x, self.model.day)
        except CannotAnswer:
            raise cannot("days_or_batches") from None
        seen, answered = np.zeros(len(numbers), bool), ~refused
        if not answered.any():
            return seen, answered
        fits = fit_many(strata, numbers[answered])
        estimate, se, df = contrast(fits, comparison.weights)
        good = fits.converged & np.isfinite(se) & (se > 1e-9) & np.isfinite(df) & (df > 0)
        t = np.where(good, estimate, 0.0) / np.where(good, se, 1.0) * (1.0 if size >= 0 else -1.0)
        seen[answered] = t > stats.t.ppf(SIDE, np.where(good, df, 1.0))
        answered[answered] = good
        return seen, answered

    def _numbers(self, bracket: Ints, comparison: Comparison, size: float) -> Array:
        """The mean log dry time of each batch, given between which looks its pieces became dry."""
        from scipy.special import ndtr

        assert self.looks is not None
        groups = len(self.looks) + 1
        counts = np.stack([(bracket == k).sum(axis=2) for k in range(groups)], axis=2)
        key = counts @ np.random.default_rng(0).integers(1, 2**40, groups)  # one for each outcome
        _, first, which = np.unique(key, return_index=True, return_inverse=True)
        outcomes = counts.reshape(-1, groups)[first]
        scatter = np.hypot(self.spreads.of_batch_mean(bracket.shape[2]), self.spreads.days)
        middle = self.typical + size * (comparison.shift.max() + comparison.shift.min()) / 2
        grid = middle + np.hypot(scatter, size / 2) * _GRID
        ends = np.concatenate([[-np.inf], self.looks, [np.inf]])
        share = np.diff(ndtr((ends[:, None] - grid) / self.spreads.pieces), axis=0)
        loglik = outcomes @ np.log(np.maximum(share, 1e-200)) - _GRID**2 / 2
        weight = np.exp(loglik - loglik.max(axis=1, keepdims=True))
        mean = weight @ grid / weight.sum(axis=1)
        return np.asarray(mean[which.ravel()].reshape(bracket.shape[:2]))


def _one_sided(bracket: Ints, comparison: Comparison, looks: int) -> Flags:
    """Trials in which all pieces of a compared level were dry at the first look or wet at the last."""
    refused = np.zeros(len(bracket), bool)
    upper = comparison.shift > comparison.shift.mean()
    for group in (upper, ~upper):
        some = bracket[:, group]
        refused |= (some == looks).all(axis=(1, 2)) | (some == 0).all(axis=(1, 2))
    return refused


def _touching(bracket: Ints, x: Array, looks: Array) -> Flags:
    """Trials in which some line of the model lies inside every bracket or on its edge: there is no scale.

    Found by projecting in turn on the brackets and on the model (J. von Neumann), for all trials at once.
    """
    cells, member = np.unique(x, axis=0, return_inverse=True)
    each = [bracket[:, member.ravel() == cell] for cell in range(len(cells))]
    # the latest lower end and the earliest upper end, as places in ends
    low = np.stack([some.max(axis=(1, 2)) for some in each], axis=1)
    high = np.stack([some.min(axis=(1, 2)) + 1 for some in each], axis=1)
    found = np.asarray((low <= high).all(axis=1), dtype=np.bool_)
    if len(cells) == x.shape[1] or not found.any():
        return found
    ends = np.concatenate([[-np.inf], looks, [np.inf]])
    lower, upper = ends[low[found]], ends[high[found]]
    onto = cells @ np.linalg.pinv(cells)
    line = np.full(lower.shape, looks.mean())
    for _ in range(_PROJECTIONS):
        line = np.clip(line, lower, upper) @ onto
    found[found] = np.abs(line - np.clip(line, lower, upper)).max(axis=1) < 1e-3
    return found
