"""Do the raters mean the same by a score? Kappas, Krippendorff's alpha, and who runs high."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd
from scipy import stats
from statsmodels.stats.inter_rater import cohens_kappa, fleiss_kappa

from fizzlab.errors import CannotAnswer
from fizzlab.models.crumble.clusters import Array

Weights = Literal["quadratic", "linear"]
Metric = Literal["ordinal", "nominal", "interval"]
Verdict = Literal["agree", "roughly agree", "do not agree", "cannot tell"]

#: Krippendorff's customary bounds: rely on scores from the first up, conclude tentatively from the second.
RELY, TENTATIVE = 0.800, 0.667

_SCORE_TWICE = "Let two or more raters score the same pieces, without seeing each other's scores."


@dataclass(frozen=True)
class Agreement:
    """An agreement coefficient: 1 is perfect, 0 what chance would give.

    Parameters
    ----------
    name : str
        ``"Krippendorff's alpha (ordinal)"``, ``"weighted kappa (quadratic)"``, ``"Fleiss' kappa"``.
    estimate : float
    low, high : float
        Jackknife interval over batches; NaN where the raters agreed on everything or batches are too few.
    level : float
    df : int
        Batches with scores by several raters, less 1.
    raters, pieces, batches : int
        Pieces are those scored by at least two raters.
    same : float
        Share of pairs of raters on the same piece who gave the same score.
    within_one : float
        Share of pairs who were at most one score apart.
    verdict : {"agree", "roughly agree", "do not agree", "cannot tell"}
        From the interval, or from the estimate where there is none: low end at 0.8 or more; at 0.667 or
        more; high end below 0.667; else "cannot tell".
    """

    name: str
    estimate: float
    low: float
    high: float
    level: float
    df: int
    raters: int
    pieces: int
    batches: int
    same: float
    within_one: float
    verdict: Verdict


@dataclass(frozen=True)
class RaterBias:
    """How far one rater scores above the others on the same pieces.

    Parameters
    ----------
    rater : str
    difference, low, high : float
        In score points; t interval over batch means. The ends are NaN where every batch gave the same.
    p : float
        Two-sided, multiplied by the number of raters (Bonferroni) where there are more than two.
    df : int
    pieces, batches : int
    runs : {"high", "low", "level"}
        High or low where `p` is below 1 - level; "level" means no lean was found, not that there is none.
    alpha_without : float
        Krippendorff's alpha of the other raters; NaN where fewer than two are left.
    """

    rater: str
    difference: float
    low: float
    high: float
    p: float
    df: int
    pieces: int
    batches: int
    runs: Literal["high", "low", "level"]
    alpha_without: float


def krippendorff_alpha(ratings: Array, metric: Metric = "ordinal", values: Array | None = None) -> float:
    """Return Krippendorff's alpha of a table of ratings, with gaps allowed.

    alpha = 1 - D_o / D_e, observed over expected disagreement, from the coincidences o_ck of values c and k
    within pieces (each piece with m ratings weighs 1 / (m - 1)):

        D_o = sum o_ck d_ck / n,    D_e = sum n_c n_k d_ck / (n (n - 1))

    with d_ck = (n_c/2 + sum_{c<g<k} n_g + n_k/2)^2 for ordered scores.

    Parameters
    ----------
    ratings : array, shape (pieces, raters)
        NaN where a rater did not score a piece.
    metric : {"ordinal", "nominal", "interval"}
    values : array, optional
        The scores that can occur; those that do by default.

    Raises
    ------
    CannotAnswer
        No piece has two ratings, or all ratings are alike.

    References
    ----------
    K. Krippendorff (2011), Computing Krippendorff's Alpha-Reliability.

    Examples
    --------
    >>> round(krippendorff_alpha(np.array([[1, 1], [2, 2], [3, 4], [4, 4], [1, np.nan]])), 3)
    0.91
    """
    values = np.unique(ratings[~np.isnan(ratings)]) if values is None else values
    counts = (ratings[:, :, None] == values).sum(axis=1).astype(float)
    counts = counts[counts.sum(axis=1) >= 2]
    if not len(counts):
        raise CannotAnswer("No piece was scored by two raters.", _SCORE_TWICE)
    share = _disagreement(counts, metric, values)
    if np.isnan(share):
        raise CannotAnswer(
            "Every score was the same, so agreement cannot be told from chance.",
            "Include pieces that crumble more, and pieces that crumble less.",
        )
    return float(1.0 - share)


def _disagreement(counts: Array, metric: Metric, values: Array) -> float:
    """Observed over expected disagreement, from counts of each value in each piece; NaN if none expected."""
    size = counts.sum(axis=1)
    weighted = counts / (size - 1)[:, None]
    coincidences = weighted.T @ counts - np.diag(weighted.sum(axis=0))
    total = coincidences.sum(axis=1)
    if metric == "ordinal":
        middle = np.cumsum(total) - total / 2
        distance = (middle[:, None] - middle[None, :]) ** 2
    elif metric == "interval":
        distance = (values[:, None] - values[None, :]) ** 2
    else:
        distance = 1.0 - np.eye(len(values))
    expected = float((np.outer(total, total) * distance).sum()) / (total.sum() - 1)
    return float((coincidences * distance).sum()) / expected if expected > 0 else float("nan")


def rating_table(scores: pd.DataFrame) -> pd.DataFrame:
    """Return one row a piece (run, piece) and one column a rater; NaN where not scored.

    Raises
    ------
    ValueError
        A rater scored the same piece twice.
    """
    if scores.duplicated(["run", "piece", "rater"]).any():
        raise ValueError("a rater scored the same piece twice")
    table = scores.pivot(index=["run", "piece"], columns="rater", values="score").astype(float)
    return table[table.notna().sum(axis=1) >= 2]


def agreement_alpha(scores: pd.DataFrame, level: float = 0.95) -> Agreement:
    """Return Krippendorff's alpha for ordered scores, any number of raters, gaps allowed.

    Parameters
    ----------
    scores : DataFrame
        Columns run, piece, rater, score.
    level : float

    Raises
    ------
    CannotAnswer
        No piece was scored by two raters, or all scores are alike.

    Examples
    --------
    >>> scores = pd.DataFrame([(run, piece, rater, value + (rater == "Bo" and piece == "b"))
    ...     for run, value in zip("ABCDEF", (0, 1, 2, 3, 1, 2)) for piece in "ab" for rater in ("Ada", "Bo")],
    ...     columns=["run", "piece", "rater", "score"])
    >>> found = agreement_alpha(scores)
    >>> round(found.estimate, 2), found.same, found.within_one, found.df
    (0.79, 0.5, 1.0, 5)
    """
    table = _shared(scores)
    values = np.unique(table.to_numpy()[table.notna().to_numpy()])

    def coefficient(part: pd.DataFrame) -> float:
        return krippendorff_alpha(part.to_numpy(), "ordinal", values)

    return _with_interval("Krippendorff's alpha (ordinal)", table, coefficient, level)


def agreement_kappa(
    scores: pd.DataFrame, weights: Weights = "quadratic", top: int = 4, level: float = 0.95
) -> Agreement:
    """Return weighted kappa of two raters, on the pieces that both scored.

    Parameters
    ----------
    scores : DataFrame
        Columns run, piece, rater, score.
    weights : {"quadratic", "linear"}
        How much worse being two apart is than being one apart.
    top : int
        Highest score of the scale.
    level : float

    Raises
    ------
    CannotAnswer
        Not two raters, no piece in common, or all scores alike.

    References
    ----------
    J. Cohen (1968), Psychol. Bull. 70, 213 (from memory, not seen); computed by statsmodels.
    """
    table = _shared(scores)
    if table.shape[1] != 2:
        raise CannotAnswer(
            f"Weighted kappa compares two raters, and {table.shape[1]} scored.", "Use Krippendorff's alpha."
        )
    _refuse_constant(table)

    def coefficient(part: pd.DataFrame) -> float:
        both = part.to_numpy().astype(int)
        crossed = np.zeros((top + 1, top + 1))
        np.add.at(crossed, (both[:, 0], both[:, 1]), 1)
        with np.errstate(invalid="ignore"):
            return float(cohens_kappa(crossed, wt=weights, return_results=False))

    return _with_interval(f"weighted kappa ({weights})", table, coefficient, level)


def agreement_fleiss(scores: pd.DataFrame, top: int = 4, level: float = 0.95) -> Agreement:
    """Return Fleiss' kappa, on the pieces that every rater scored. It takes no notice of the order.

    Being one apart counts as much as being four apart, so for crumble scores it is the strictest of the
    coefficients; Krippendorff's alpha is the one to go by.

    Parameters
    ----------
    scores : DataFrame
        Columns run, piece, rater, score.
    top : int
        Highest score of the scale.
    level : float

    Raises
    ------
    CannotAnswer
        No piece was scored by every rater, or all scores are alike.

    References
    ----------
    J. L. Fleiss (1971), Psychol. Bull. 76, 378; computed by statsmodels.
    """
    table = _shared(scores).dropna()
    if table.empty:
        raise CannotAnswer("No piece was scored by every rater.", _SCORE_TWICE)
    _refuse_constant(table)

    def coefficient(part: pd.DataFrame) -> float:
        counts = (part.to_numpy()[:, :, None] == np.arange(top + 1)).sum(axis=1)
        with np.errstate(invalid="ignore", divide="ignore"):
            return float(fleiss_kappa(counts))

    return _with_interval("Fleiss' kappa", table, coefficient, level)


def rater_bias(scores: pd.DataFrame, level: float = 0.95) -> tuple[RaterBias, ...]:
    """Return for each rater how far they score above the others on the same pieces, the highest first.

    For every piece a rater shares with others: their score less the mean of the others' scores. These are
    averaged within batches, and the batch means are tested against 0 by Student's t. With two raters the two
    answers mirror each other: the scores cannot say which of the two is right, only a third rater or an
    agreed set of pieces can.

    Parameters
    ----------
    scores : DataFrame
        Columns run, piece, rater, score.
    level : float

    Raises
    ------
    CannotAnswer
        No piece was scored by two raters, or they share fewer than two batches.

    Examples
    --------
    >>> scores = pd.DataFrame([(run, "a", rater, value + (rater == "Bo" and run != "C"))
    ...     for run, value in zip("ABCDEF", (0, 1, 2, 3, 1, 2)) for rater in ("Ada", "Bo")],
    ...     columns=["run", "piece", "rater", "score"])
    >>> high = rater_bias(scores)[0]
    >>> high.rater, round(high.difference, 2), round(high.low, 2), round(high.high, 2), high.runs
    ('Bo', 0.83, 0.4, 1.26, 'high')
    """
    table = _shared(scores)
    filled = table.notna()
    total, size = table.sum(axis=1), filled.sum(axis=1)
    raters = list(table.columns)
    found = []
    for rater in raters:
        own = filled[rater]
        difference = (table[rater] - (total - table[rater]) / (size - 1))[own]
        means = difference.groupby(level="run").mean().to_numpy()
        if len(means) < 2:
            raise CannotAnswer(
                f"{rater} shares pieces of {len(means)} batch with others.", "Score several batches together."
            )
        df, centre = len(means) - 1, float(means.mean())
        error = float(means.std(ddof=1) / np.sqrt(len(means)))
        family = len(raters) if len(raters) > 2 else 1
        low = high = float("nan")
        p = 1.0 if centre == 0 else 0.0
        if error > 1e-12:
            reach = float(stats.t.ppf(1 - (1 - level) / (2 * family), df)) * error
            low, high = centre - reach, centre + reach
            p = min(1.0, family * 2 * float(stats.t.sf(abs(centre) / error, df)))
        elif centre != 0:
            # every batch leans alike: a sign test is all that equal differences allow
            p = min(1.0, family * 2.0 * 0.5 ** len(means))
        runs: Literal["high", "low", "level"] = "level"
        if p < 1 - level:
            runs = "high" if centre > 0 else "low"
        others = table.drop(columns=rater)
        found.append(
            RaterBias(
                str(rater), centre, low, high, p, df, int(own.sum()), len(means), runs, _alpha_or_nan(others)
            )
        )
    return tuple(sorted(found, key=lambda bias: -bias.difference))


def whom_to_retrain(agreement: Agreement, biases: tuple[RaterBias, ...]) -> tuple[str, ...]:
    """Return the raters to go through the scale with, worst first; empty where nothing calls for it.

    Nobody, where the raters agree. Otherwise whoever runs high or low; with three or more raters also the
    one without whom the others would agree markedly better (alpha up by 0.1 or more). Where two raters
    differ it cannot be said which one is off, so both are named.

    Examples
    --------
    >>> agreement = Agreement("alpha", 0.5, 0.3, 0.6, 0.95, 11, 2, 48, 12, 0.5, 0.9, "do not agree")
    >>> whom_to_retrain(agreement, ())
    ()
    """
    if agreement.verdict == "agree":
        return ()
    if len(biases) == 2:
        lean = any(bias.runs != "level" for bias in biases)
        return tuple(bias.rater for bias in biases) if lean or agreement.verdict == "do not agree" else ()
    named = [bias for bias in biases if bias.runs != "level"]
    named += [bias for bias in biases if bias not in named and bias.alpha_without > agreement.estimate + 0.1]
    return tuple(bias.rater for bias in sorted(named, key=lambda bias: -abs(bias.difference)))


def _shared(scores: pd.DataFrame) -> pd.DataFrame:
    table = rating_table(scores)
    if table.empty:
        raise CannotAnswer("No piece was scored by two raters.", _SCORE_TWICE)
    return table


def _refuse_constant(table: pd.DataFrame) -> None:
    if len(np.unique(table.to_numpy()[table.notna().to_numpy()])) < 2:
        raise CannotAnswer(
            "Every score was the same, so agreement cannot be told from chance.",
            "Include pieces that crumble more, and pieces that crumble less.",
        )


def _alpha_or_nan(table: pd.DataFrame) -> float:
    try:
        return krippendorff_alpha(table.to_numpy())
    except CannotAnswer:
        return float("nan")


def _with_interval(
    name: str, table: pd.DataFrame, coefficient: Callable[[pd.DataFrame], float], level: float
) -> Agreement:
    """Delete-one-batch jackknife on log(1 - coefficient), the log of observed over expected disagreement."""
    estimate = coefficient(table)
    runs = table.index.get_level_values("run")
    names = pd.unique(runs)
    count = len(names)
    low = high = float("nan")
    if estimate < 1 and count >= 3:
        parts = np.full(count, np.nan)
        for i, run in enumerate(names):
            try:
                parts[i] = 1 - coefficient(table[runs != run])
            except CannotAnswer:
                break
        if (parts > 0).all():
            centre, left_out = np.log(1 - estimate), np.log(parts)
            error = np.sqrt((count - 1) / count * ((left_out - left_out.mean()) ** 2).sum())
            reach = stats.t.ppf(0.5 + level / 2, count - 1) * error
            low, high = float(1 - np.exp(centre + reach)), float(1 - np.exp(centre - reach))
    filled = table.to_numpy()
    first, second = np.triu_indices(filled.shape[1], 1)
    apart = np.abs(filled[:, first] - filled[:, second])
    apart = apart[~np.isnan(apart)]
    return Agreement(
        name, estimate, low, high, level, count - 1, table.shape[1], len(table), count,
        float((apart == 0).mean()), float((apart <= 1).mean()), _verdict(estimate, low, high),
    )  # fmt: skip


def _verdict(estimate: float, low: float, high: float) -> Verdict:
    if np.isnan(low):
        low = high = estimate
    if low >= RELY:
        return "agree"
    if low >= TENTATIVE:
        return "roughly agree"
    return "do not agree" if high < TENTATIVE else "cannot tell"
