"""Ordered crumble scores: what shifts them, and how often each score comes up."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import special, stats

from fizzlab.errors import CannotAnswer
from fizzlab.models.crumble.between import Columns, between_columns
from fizzlab.models.crumble.clusters import (
    Array,
    cluster_codes,
    cluster_covariance,
)
from fizzlab.models.crumble.estimates import Effect, JointTest
from fizzlab.models.crumble.ordinal import (
    OrdinalFit,
    category_chances,
    departure_test,
    fit_ordinal,
    proportional_design,
)
from fizzlab.models.terms import Category, Term

RATER = "rater"


@dataclass(frozen=True)
class ScoreChance:
    """How often one score is to be expected at one level.

    Parameters
    ----------
    term, level : str
        Empty for all batches together.
    score : int
    chance, low, high : float
    seen : bool
        False for a score that nobody gave anywhere; its chance is then 0 without an interval (NaN).
    """

    term: str
    level: str
    score: int
    chance: float
    low: float
    high: float
    seen: bool = True


@dataclass(frozen=True)
class MeanScore:
    """The score to be expected on average at one level, with its interval."""

    term: str
    level: str
    mean: float
    low: float
    high: float


@dataclass(frozen=True)
class Proportionality:
    """Does a term shift every threshold alike?

    Parameters
    ----------
    term : str
    f, df_num, df_den, p : float
        Likelihood ratio against the model that lets the term differ at each threshold, divided by its
        degrees of freedom and the design effect. NaN where it could not be tested.
    reason : str
        Why it could not be tested; empty otherwise.
    """

    term: str
    f: float
    df_num: float
    df_den: float
    p: float
    reason: str = ""


@dataclass(frozen=True)
class ScoreFit:
    """A proportional-odds regression of the scores.

    Parameters
    ----------
    effects : tuple of Effect
        Odds ratios of a higher (worse) score: against the control level, for one unit of an amount, and
        for each rater against the average of the raters.
    joint_tests : tuple of JointTest
        One a term, and ``rater`` where several scored.
    proportionality : tuple of Proportionality
        One a term, and ``rater``.
    chances : tuple of ScoreChance
        For all batches together, then each level of each category: averaged over raters and batches.
    means : tuple of MeanScore
    thresholds : dict of int to float
        Log odds of scoring at or below the score, for the control levels, the average rater and amounts of 0.
    coefficients : dict of str to float
    loglik : float
    level : float
    scores, pieces, batches, raters : int
    df : float
    """

    effects: tuple[Effect, ...]
    joint_tests: tuple[JointTest, ...]
    proportionality: tuple[Proportionality, ...]
    chances: tuple[ScoreChance, ...]
    means: tuple[MeanScore, ...]
    thresholds: dict[int, float]
    coefficients: dict[str, float]
    loglik: float
    level: float
    scores: int
    pieces: int
    batches: int
    raters: int
    df: float


def score_regression(
    scores: pd.DataFrame,
    batches: pd.DataFrame,
    terms: Sequence[Term] = (),
    *,
    top: int = 4,
    level: float = 0.95,
) -> ScoreFit:
    """Fit a proportional-odds model with raters as a factor and the batch as the unit.

    P(score <= j) = 1 / (1 + exp(-(theta_j - x'b - r))), where r is the rater's lean (they sum to zero).
    Several pieces of a batch, and several raters of a piece, are not repeats: variances are the larger of
    the model's own and the batch-robust one with the small-sample correction, and t and F have the
    batches less the between-batch columns as degrees of freedom. Raters are compared on the same pieces,
    so their leans take the batch-robust variance alone, with the batches less one. What is said of one level
    (its chances, its mean score) rests on its own batches, and has those less one.

    Parameters
    ----------
    scores : DataFrame
        Columns run, piece, rater, score (0 to `top`).
    batches : DataFrame
        One row a batch, indexed by run.
    terms : sequence of Category or Amount
    top : int
        Highest score of the scale.
    level : float

    Raises
    ------
    CannotAnswer
        One score only, a level or rater whose scores all lie apart, rater and factor mixed up, too few
        batches, or no convergence.
    ValueError
        A score outside the scale.

    Examples
    --------
    >>> rng = np.random.default_rng(3)
    >>> batches = pd.DataFrame({"colour": ["dye", "lake"] * 6}, index=[f"B{i}" for i in range(12)])
    >>> scores = pd.DataFrame([(run, piece, rater, min(4, rng.poisson(1 + (colour == "lake"))))
    ...     for run, colour in batches["colour"].items() for piece in "abcd" for rater in ("Ada", "Bo")],
    ...     columns=["run", "piece", "rater", "score"])
    >>> fit = score_regression(scores, batches, [Category("colour", ("dye", "lake"), "dye")])
    >>> fit.effects[0].name, fit.df, bool(fit.effects[0].estimate > 1)
    ('colour[lake]', 10.0, True)
    """
    given = scores["score"].to_numpy()
    if not np.isin(given, np.arange(top + 1)).all():
        raise ValueError(f"scores must be whole numbers from 0 to {top}")
    seen = np.unique(given).astype(int)
    if len(seen) < 2:
        raise CannotAnswer(
            f"Every piece got the score {seen[0]}.", "Handle the pieces more roughly before scoring."
        )
    columns = between_columns(scores["run"], batches, terms)
    raters = sorted(pd.unique(scores[RATER]).tolist())
    lean = _lean_columns(scores[RATER], raters)
    between = columns.rows(scores["run"])
    both = np.column_stack([between, lean])
    if np.linalg.matrix_rank(np.column_stack([np.ones(len(both)), both])) < both.shape[1] + 1:
        raise CannotAnswer(
            "Each rater scored other batches, so the lean of the rater cannot be told from the batches.",
            "Let every rater score pieces of every kind of batch.",
        )
    category = np.searchsorted(seen, given)
    steps = len(seen) - 1
    fit = fit_ordinal(proportional_design(both, steps), category)
    codes, count = cluster_codes(scores["run"])
    df = count - 1 - between.shape[1]
    robust = cluster_covariance(fit.scores, fit.information, codes, count)
    groups = [(term.name, np.array(columns.where(term.name)) + steps) for term in terms]
    if len(raters) > 1:
        groups.append((RATER, np.arange(between.shape[1], both.shape[1]) + steps))
    model = _Fitted(fit, robust, steps, float(df), float(count - 1), level)
    chances, means = _level_chances(model, columns, lean, scores["run"], batches, terms, seen, top)
    names = [*columns.names, *(f"rater[{rater}]" for rater in raters[:-1])]
    return ScoreFit(
        tuple(_effects(model, columns, raters)),
        tuple(model.joint(name, where) for name, where in groups),
        tuple(_proportionality(model, both, category, codes, count, *group) for group in groups),
        tuple(chances),
        tuple(means),
        dict(zip(seen[:-1].tolist(), map(float, fit.coefficients[:steps]), strict=True)),
        dict(zip(names, map(float, fit.coefficients[steps:]), strict=True)),
        fit.loglik,
        level,
        len(scores),
        scores.groupby(["run", "piece"]).ngroups,
        count,
        len(raters),
        float(df),
    )


def _lean_columns(rater: pd.Series, raters: list[str]) -> Array:
    """Columns whose coefficients are the raters' leans but the last one's, which is minus their sum."""
    if len(raters) < 2:
        return np.zeros((len(rater), 0))
    last = (rater == raters[-1]).to_numpy(float)
    return np.column_stack([(rater == name).to_numpy(float) - last for name in raters[:-1]])


@dataclass(frozen=True)
class _Fitted:
    fit: OrdinalFit
    robust: Array
    steps: int
    df: float
    paired_df: float
    level: float

    def error(self, contrast: Array, paired: bool = False) -> tuple[float, float]:
        """Standard error and design effect of a linear combination; below 1 only for paired ones."""
        plain = float(contrast @ self.fit.covariance @ contrast)
        robust = float(contrast @ self.robust @ contrast)
        design = robust / plain if paired else max(1.0, robust / plain)
        return float(np.sqrt(design * (contrast @ self.fit.covariance @ contrast))), design

    def quantile(self, df: float) -> float:
        return float(stats.t.ppf(0.5 + self.level / 2, df))

    def odds(self, name: str, term: str, contrast: Array) -> Effect:
        value = float(contrast @ self.fit.coefficients)
        df = self.paired_df if term == RATER else self.df
        error, design = self.error(contrast, paired=term == RATER)
        if error < 1e-9:  # raters who differ alike in every batch leave nothing to judge chance by
            nothing = float("nan")
            return Effect(name, term, "odds ratio", float(np.exp(value)), nothing, nothing, nothing, df, 0.0)
        reach = self.quantile(df) * error
        p = 2 * float(stats.t.sf(abs(value) / error, df))
        low, high = np.exp(value - reach), np.exp(value + reach)
        return Effect(name, term, "odds ratio", float(np.exp(value)), float(low), float(high), p, df, design)

    def joint(self, name: str, where: NDArray[np.intp]) -> JointTest:
        """The robust F with Hotelling's correction; between batches never more than the plain one."""
        held, block, q = self.fit.coefficients[where], np.ix_(where, where), len(where)
        df = self.paired_df if name == RATER else self.df
        spread = np.diag(self.robust)[where] > 1e-12 * np.diag(self.fit.covariance)[where]
        if df - q + 1 < 1 or not spread.all() or np.linalg.matrix_rank(self.robust[block]) < q:
            return JointTest(name, float("nan"), float(q), float("nan"), float("nan"))
        f = float(held @ np.linalg.solve(self.robust[block], held)) / q * (df - q + 1) / df
        if name != RATER:
            f = min(f, float(held @ np.linalg.solve(self.fit.covariance[block], held)) / q)
        return JointTest(name, f, float(q), df - q + 1, float(stats.f.sf(f, q, df - q + 1)))


def _effects(model: _Fitted, columns: Columns, raters: list[str]) -> list[Effect]:
    width, between = len(model.fit.coefficients), len(columns.names)
    unit = np.eye(width)[model.steps :]
    found = [
        model.odds(name, term, unit[i])
        for i, (name, term) in enumerate(zip(columns.names, columns.term_of, strict=True))
    ]
    if len(raters) > 1:
        leans = [*unit[between:], -unit[between:].sum(axis=0)]
        found += [
            model.odds(f"rater[{rater}]", RATER, lean) for rater, lean in zip(raters, leans, strict=True)
        ]
    return found


def _proportionality(
    model: _Fitted,
    columns: Array,
    category: NDArray[np.intp],
    codes: NDArray[np.intp],
    count: int,
    name: str,
    where: NDArray[np.intp],
) -> Proportionality:
    steps, nothing = model.steps, float("nan")
    if steps < 2:
        return Proportionality(name, nothing, 0.0, model.df, nothing, "Only two scores were given.")
    try:
        ratio, extra, effect = departure_test(columns, category, model.fit, where - steps, codes, count)
    except CannotAnswer:
        reason = "Some score does not occur often enough at every level."
        return Proportionality(name, nothing, 0.0, model.df, nothing, reason)
    f = ratio / (extra * effect)
    return Proportionality(name, f, float(extra), model.df, float(stats.f.sf(f, extra, model.df)))


def _level_chances(
    model: _Fitted,
    columns: Columns,
    lean: Array,
    runs: pd.Series,
    batches: pd.DataFrame,
    terms: Sequence[Term],
    seen: NDArray[np.intp],
    top: int,
) -> tuple[list[ScoreChance], list[MeanScore]]:
    """Average the chances over raters and batches, with the delta method for their errors."""
    leans = np.unique(lean, axis=0) if lean.shape[1] else np.zeros((1, 0))
    base = columns.batches.to_numpy(float).reshape(len(columns.batches), -1)
    chances: list[ScoreChance] = []
    means: list[MeanScore] = []
    settings: list[tuple[Category | None, str]] = [(None, "")]
    settings += [(term, name) for term in terms if isinstance(term, Category) for name in term.levels]
    for term, level in settings:
        own, df = base.copy(), model.df
        if term is not None:
            having = int((batches.loc[columns.batches.index, term.name].astype(str) == level).sum())
            df = min(df, max(1.0, having - 1.0))
            for position in columns.where(term.name):
                own[:, position] = float(columns.names[position] == f"{term.name}[{level}]")
        grid = np.column_stack([np.repeat(own, len(leans), axis=0), np.tile(leans, (len(own), 1))])
        chance, gradient = category_chances(model.fit.coefficients, proportional_design(grid, model.steps))
        average, slope = chance.mean(axis=0), gradient.mean(axis=0)
        label = (term.name if term is not None else "", level)
        for score in range(top + 1):
            if score not in seen:
                chances.append(ScoreChance(*label, score, 0.0, float("nan"), float("nan"), seen=False))
                continue
            at = int(np.searchsorted(seen, score))
            value = float(average[at])
            # on the logit scale, so that the interval stays between 0 and 1
            error = model.error(slope[at])[0] / (value * (1 - value))
            ends = special.expit(special.logit(value) + np.array([-1, 1]) * model.quantile(df) * error)
            chances.append(ScoreChance(*label, score, value, float(ends[0]), float(ends[1])))
        mean = float(average @ seen)
        reach = model.quantile(df) * model.error(seen @ slope)[0]
        low, high = max(float(seen[0]), mean - reach), min(float(seen[-1]), mean + reach)
        means.append(MeanScore(*label, mean, low, high))
    return chances, means
