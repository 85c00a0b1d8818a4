"""What changed: every level against its control, in one shape whatever fit stands behind it."""

from __future__ import annotations

from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd
from scipy import stats

from fizzlab.errors import CannotAnswer
from fizzlab.models.effects.analysis import Analysis, analyse
from fizzlab.models.effects.sameness import same_within
from fizzlab.models.effects.structure import MOST_LOSS
from fizzlab.models.terms import Category, Term, level_name

Scale = Literal["ratio", "difference", "odds ratio"]
Verdict = Literal[
    "more", "less", "not shown", "same", "more, yet the same", "less, yet the same", "no change"
]


@dataclass(frozen=True)
class Change:
    """One level of a factor against its control, or the most of an amount against the least.

    Parameters
    ----------
    response : str
        As in trial.toml.
    term : Category or Amount
    level, control : str
        As they are shown.
    scale : {"ratio", "difference", "odds ratio"}
    estimate, low, high : float
        With the interval of `coverage`; alike where there is no chance in it.
    df : float
    judged_by : str
        What it is judged against: ``batches``, ``groups of a day`` or ``days``.
    batches : int
    coverage : float
    margin : float or None
        The ratio within which the two count as the same, where one was stated.
    same_low, same_high : float
        The interval that the test of sameness stands for (coverage 90 %); nan without a margin.
    """

    response: str
    term: Term
    level: str
    control: str
    scale: Scale
    estimate: float
    low: float
    high: float
    df: float
    judged_by: str
    batches: int
    coverage: float = 0.95
    margin: float | None = None
    same_low: float = float("nan")
    same_high: float = float("nan")

    @property
    def factor(self) -> str:
        """Name of the factor."""
        return self.term.name

    @property
    def sure(self) -> bool:
        """Is it worked out rather than measured?"""
        return self.low == self.high

    @property
    def shown(self) -> bool:
        """Does the interval leave out "no difference"?"""
        null = 0.0 if self.scale == "difference" else 1.0
        return bool(self.low > null or self.high < null)

    @property
    def same(self) -> bool:
        """Is sameness within the margin shown?"""
        return self.margin is not None and self.same_low > 1 / self.margin and self.same_high < self.margin

    @property
    def greater(self) -> bool:
        """Is the estimate above "no difference"?"""
        return self.estimate > (0.0 if self.scale == "difference" else 1.0)

    @property
    def verdict(self) -> Verdict:
        """The finding in two or three words."""
        if self.sure and not self.shown:
            return "no change"
        if not self.shown:
            return "same" if self.same else "not shown"
        if self.same:
            return "more, yet the same" if self.greater else "less, yet the same"
        return "more" if self.greater else "less"


def changes_of(analysis: Analysis, margin: float | None = None) -> list[Change]:
    """Every level against its control, and each amount from the least to the most tried.

    Parameters
    ----------
    analysis : Analysis
        Of factors; a mixture's parts cannot change alone.
    margin : float, optional
        A ratio above 1; see `same_within`.

    Notes
    -----
    Other categories are averaged with equal weights and other amounts held in the middle of what was tried,
    as in `adjusted_means`. Each interval stands by itself; `against_control` has those that hold together.

    Examples
    --------
    >>> trial = pd.DataFrame({"run": list("ABCDEF"), "colour": ["dye", "lake"] * 3,
    ...                       "hours": [4.0, 6.1, 4.4, 6.5, 4.2, 6.0]})
    >>> found = analyse(trial, "hours", [Category("colour", ("dye", "lake"), "dye")], log=True)
    >>> [(c.level, c.control, round(c.estimate, 2), c.verdict) for c in changes_of(found)]
    [('lake', 'dye', 1.48, 'more')]
    """
    found = []
    for term in analysis.basis.factors:
        rows = analysis.effects[analysis.effects["term"] == term.name].to_dict("records")
        for (level, control), row in zip(_ends(analysis, term), rows, strict=True):
            ends = [row["estimate"], row["low"], row["high"]]
            estimate, low, high = np.exp(ends).tolist() if analysis.log else ends
            same_low, same_high = _sameness(analysis, term, level, row, margin)
            found.append(
                Change(
                    response=analysis.response,
                    term=term,
                    level=level,
                    control=control,
                    scale="ratio" if analysis.log else "difference",
                    estimate=estimate,
                    low=low,
                    high=high,
                    df=row["df"],
                    judged_by=str(analysis.tests.loc[term.name, "judged_by"]),
                    batches=analysis.batches,
                    coverage=analysis.level,
                    margin=margin,
                    same_low=same_low,
                    same_high=same_high,
                )
            )
    return found


def _ends(analysis: Analysis, term: Term) -> list[tuple[str, str]]:
    """What each effect of a term is measured to and from, in the order of the effects."""
    if isinstance(term, Category):
        return [(level, term.control) for level in term.levels if level != term.control]
    values = analysis.table[term.name]
    return [(level_name(term, values.max()), level_name(term, values.min()))]


def _sameness(
    analysis: Analysis, term: Term, level: str, row: Mapping[Hashable, float], margin: float | None
) -> tuple[float, float]:
    if margin is None:
        return float("nan"), float("nan")
    if isinstance(term, Category):
        found = same_within(analysis, term.name, level, margin=margin)
        return found.low, found.high
    if analysis.log:
        ratio, low, high = np.exp([row["estimate"], row["low"], row["high"]]).tolist()
        return ratio_limits(ratio, low, high, row["df"], analysis.level)
    return float("nan"), float("nan")


def ratio_limits(
    ratio: float, low: float, high: float, df: float, coverage: float = 0.95, alpha: float = 0.05
) -> tuple[float, float]:
    """The 1 - 2 alpha limits of a ratio whose interval of another coverage is known, t on its logarithm.

    Two one-sided tests at `alpha` find a ratio within a margin just where these limits lie within it
    (D. J. Schuirmann, J. Pharmacokinetics and Biopharmaceutics 15 (1987) 657-680).

    Examples
    --------
    >>> low, high = ratio_limits(1.0, 0.8, 1.25, df=10)
    >>> round(low, 3), round(high, 3)
    (0.834, 1.199)
    """
    shrink = float(stats.t.isf(alpha, df) / stats.t.ppf(0.5 + coverage / 2, df))
    middle = np.log(ratio)
    return (
        float(np.exp(middle + shrink * (np.log(low) - middle))),
        float(np.exp(middle + shrink * (np.log(high) - middle))),
    )


def set_for_days(batches: pd.DataFrame, terms: Sequence[Term]) -> tuple[str, ...]:
    """The factors that were the same for all batches of each day, where days have several batches.

    Examples
    --------
    >>> table = pd.DataFrame({"day": ["1", "1", "2", "2"], "room": ["damp", "damp", "dry", "dry"],
    ...                       "colour": ["dye", "lake"] * 2})
    >>> room = Category("room", ("damp", "dry"), "dry")
    >>> set_for_days(table, [room, Category("colour", ("dye", "lake"), "dye")])
    ('room',)
    """
    days = batches.groupby("day", sort=False)
    if (days.size() < 2).all():
        return ()
    return tuple(
        term.name
        for term in terms
        if (days[term.name].nunique() == 1).all() and batches[term.name].nunique() > 1
    )


def mostly_by_days(batches: pd.DataFrame, terms: Sequence[Term]) -> tuple[str, ...]:
    """The factors that vary more between days than within them, those set for whole days among them.

    A fit that counts batches and knows no days would take them for surer than they are. Empty where no day
    has two batches.

    Examples
    --------
    >>> table = pd.DataFrame({"day": list("11112222"), "room": ["dry"] * 4 + ["damp"] * 3 + ["dry"],
    ...                       "colour": ["dye", "lake"] * 4})
    >>> room = Category("room", ("damp", "dry"), "dry")
    >>> mostly_by_days(table, [room, Category("colour", ("dye", "lake"), "dye")])
    ('room',)
    """
    if (batches["day"].value_counts() < 2).all():
        return ()
    found = []
    for term in terms:
        columns = term.matrix(batches[term.name])
        within = (
            columns - pd.DataFrame(columns).groupby(batches["day"].to_numpy()).transform("mean").to_numpy()
        )
        whole = columns - columns.mean(axis=0)
        if ((within**2).sum(axis=0) < MOST_LOSS * (whole**2).sum(axis=0)).any():
            found.append(term.name)
    return tuple(found)


def fit_response(
    batches: pd.DataFrame,
    response: str,
    terms: Sequence[Term],
    *,
    log: bool,
    models: Sequence[str | Sequence[str]],
) -> Analysis:
    """Fit the first of some models that the batches can carry; the last reason if none.

    Raises
    ------
    CannotAnswer
    """
    reason: CannotAnswer | None = None
    for model in models:
        try:
            return analyse(batches, response, terms, model=model, log=log)
        except CannotAnswer as found:
            reason = found
    raise reason or ValueError("no model was given")
