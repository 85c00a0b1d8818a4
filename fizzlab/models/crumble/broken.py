"""Broken pieces of a tumble: a share with its interval, and which level breaks more often."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import stats
from statsmodels.stats.proportion import proportion_confint

from fizzlab.errors import CannotAnswer
from fizzlab.models.crumble.between import between_columns
from fizzlab.models.crumble.binary import Restriction, fit_binary, hold, profile_interval
from fizzlab.models.crumble.clusters import (
    Array,
    cluster_codes,
    cluster_covariance,
    design_effect,
    joint_design_effect,
)
from fizzlab.models.crumble.estimates import Effect, JointTest, Share
from fizzlab.models.terms import Term


@dataclass(frozen=True)
class BrokenFit:
    """Broken pieces compared by logistic regression with Firth's bias reduction.

    Parameters
    ----------
    effects : tuple of Effect
        Odds ratios of breaking.
    joint_tests : tuple of JointTest
    coefficients : dict of str to float
    pieces, broken, batches, df : int
    level : float
    """

    effects: tuple[Effect, ...]
    joint_tests: tuple[JointTest, ...]
    coefficients: dict[str, float]
    pieces: int
    broken: int
    batches: int
    df: int
    level: float


def broken_share(broken: int, pieces: int, level: float = 0.95) -> Share:
    """Return the share of broken pieces with Wilson's and the exact interval, pieces being independent.

    Raises
    ------
    ValueError
        Counts that cannot be.

    References
    ----------
    E. B. Wilson (1927), J. Am. Stat. Assoc. 22, 209; R. G. Newcombe (1998), Stat. Med. 17, 857.

    Examples
    --------
    >>> share = broken_share(0, 20)
    >>> round(share.wilson_high, 3), round(share.exact_high, 3)
    (0.161, 0.168)
    """
    if not (pieces >= 1 and 0 <= broken <= pieces):
        raise ValueError("broken pieces must be between 0 and the number tumbled")
    return _share(float(broken), float(pieces), level, 1.0, 1)


def broken_by_level(
    tumbles: pd.DataFrame, batches: pd.DataFrame, factor: str, level: float = 0.95
) -> dict[str, Share]:
    """Return the share of broken pieces for each level of a factor, with the batch as the unit.

    Pieces of one batch tend to break together. The design effect d is the Pearson chi-square of the batches
    about their level's share, over its degrees of freedom, but at least 1; the intervals are those of
    broken / d out of pieces / d. Where there is no batch to spare, d cannot be known and is taken as 1.

    Parameters
    ----------
    tumbles : DataFrame
        Columns run, pieces, broken.
    batches : DataFrame
        One row a batch, indexed by run, with the column `factor`.
    factor : str
    level : float

    Raises
    ------
    CannotAnswer
        No tumble says how many pieces broke.

    Examples
    --------
    >>> tumbles = pd.DataFrame({"run": list("ABCD"), "pieces": 10, "broken": [0, 2, 7, 3]})
    >>> batches = pd.DataFrame({"colour": ["dye", "dye", "lake", "lake"]}, index=list("ABCD"))
    >>> {name: (share.share, round(share.design_effect, 2))
    ...  for name, share in broken_by_level(tumbles, batches, "colour").items()}
    {'dye': (0.1, 2.71), 'lake': (0.5, 2.71)}
    """
    told = _told(tumbles)
    counts = told.groupby("run")[["pieces", "broken"]].sum().astype(float)
    names = batches.loc[counts.index, factor].astype(str)
    sums = counts.groupby(names).sum()
    expected = names.map(sums["broken"] / sums["pieces"]).to_numpy()
    variance = counts["pieces"].to_numpy() * expected * (1 - expected)
    spread = (counts["broken"].to_numpy() - counts["pieces"].to_numpy() * expected) ** 2
    judged = variance > 0
    df = int(judged.sum()) - int(names[judged].nunique())
    effect = max(1.0, float((spread[judged] / variance[judged]).sum()) / df) if df > 0 else 1.0
    sizes = names.value_counts()
    return {
        str(name): _share(row["broken"], row["pieces"], level, effect, int(sizes[name]))
        for name, row in sums.iterrows()
    }


def broken_effects(
    tumbles: pd.DataFrame, batches: pd.DataFrame, terms: Sequence[Term], level: float = 0.95
) -> BrokenFit:
    """Compare how often pieces break between levels; finite even where a level never breaks.

    Logistic regression with Firth's penalty, each piece a row. The batch is the unit: an interval is where
    the profile of the penalised likelihood has fallen by F(level; 1, df) times the design effect, which is
    the batch-robust over the plain variance (see `cluster_covariance`), at least 1; df is the batches less
    the coefficients.

    Parameters
    ----------
    tumbles : DataFrame
        Columns run, pieces, broken.
    batches : DataFrame
        One row a batch, indexed by run.
    terms : sequence of Category or Amount
    level : float

    Raises
    ------
    CannotAnswer
        No counts, nothing or everything broken, too few batches, or no convergence.

    References
    ----------
    D. Firth (1993), Biometrika 80, 27; G. Heinze and M. Schemper (2002), Stat. Med. 21, 2409.

    Examples
    --------
    >>> from fizzlab.models.terms import Category
    >>> tumbles = pd.DataFrame({"run": list("ABCDEF"), "pieces": 10, "broken": [0, 4, 0, 6, 0, 3]})
    >>> batches = pd.DataFrame({"colour": ["dye", "lake"] * 3}, index=list("ABCDEF"))
    >>> fit = broken_effects(tumbles, batches, [Category("colour", ("dye", "lake"), "dye")])
    >>> round(fit.effects[0].estimate), fit.effects[0].low > 1, fit.df
    (47, True, 4)
    """
    told = _told(tumbles)
    counts = told.groupby("run", sort=False)[["pieces", "broken"]].sum().astype(int)
    total, broke = int(counts["pieces"].sum()), int(counts["broken"].sum())
    if broke in (0, total):
        raise CannotAnswer(
            "No piece broke." if broke == 0 else "Every piece broke.",
            "Tumble longer." if broke == 0 else "Tumble for less long.",
        )
    columns = between_columns(counts.index.to_series(), batches, terms)
    counts = counts.loc[columns.batches.index]
    runs = pd.Series(np.repeat(counts.index.to_numpy(), counts["pieces"]))
    outcome = np.concatenate(
        [np.arange(pieces) < broken for pieces, broken in counts[["pieces", "broken"]].to_numpy()]
    ).astype(float)
    matrix = np.column_stack([np.ones(total), columns.rows(runs)])
    codes, count = cluster_codes(runs)
    df = count - matrix.shape[1]
    fit = fit_binary(matrix, outcome)
    robust = cluster_covariance(fit.scores, fit.information, codes, count)
    units = np.eye(matrix.shape[1])

    def fall(restriction: Restriction) -> float:
        start = restriction.span.T @ (fit.coefficients - restriction.origin)
        return 2.0 * (
            fit.objective - fit_binary(matrix, outcome, "logit", True, restriction, start).objective
        )

    def effect(position: int) -> Effect:
        unit: Array = units[position + 1]
        value = float(fit.coefficients[position + 1])
        design = design_effect(unit, fit.covariance, robust)
        ends = profile_interval(
            lambda at: fall(hold(unit, at)),
            value,
            float(np.sqrt(fit.covariance[position + 1, position + 1])),
            float(stats.f.ppf(level, 1, df)) * design,
        )
        p = float(stats.f.sf(fall(hold(unit, 0.0)) / design, 1, df))
        with np.errstate(over="ignore"):
            low, high = float(np.exp(ends[0])), float(np.exp(ends[1]))
        name, term = columns.names[position], columns.term_of[position]
        return Effect(name, term, "odds ratio", float(np.exp(value)), low, high, p, float(df), design)

    def joint(term: str) -> JointTest:
        held = np.array(columns.where(term)) + 1
        kept = [j for j in range(matrix.shape[1]) if j not in held]
        without = Restriction(np.zeros(matrix.shape[1]), units[:, kept])
        f = fall(without) / (len(held) * joint_design_effect(held, fit.covariance, robust))
        return JointTest(term, f, float(len(held)), float(df), float(stats.f.sf(f, len(held), df)))

    return BrokenFit(
        tuple(effect(position) for position in range(len(columns.names))),
        tuple(joint(term.name) for term in terms),
        dict(zip(["intercept", *columns.names], map(float, fit.coefficients), strict=True)),
        total,
        broke,
        count,
        df,
        level,
    )


def _told(tumbles: pd.DataFrame) -> pd.DataFrame:
    told = tumbles[tumbles["broken"].notna()]
    if told.empty:
        raise CannotAnswer("No tumble says how many pieces broke.", "Count broken pieces after each tumble.")
    if (told["broken"] > told["pieces"]).any() or (told["broken"] < 0).any():
        raise ValueError("broken pieces must be between 0 and the number tumbled")
    return told


def _share(broken: float, pieces: float, level: float, effect: float, batches: int) -> Share:
    count, total = broken / effect, pieces / effect
    wilson = proportion_confint(count, total, 1 - level, "wilson")
    exact = proportion_confint(count, total, 1 - level, "beta")
    return Share(
        count=int(broken),
        total=int(pieces),
        share=float(broken / pieces),
        wilson_low=max(0.0, float(wilson[0])),
        wilson_high=min(1.0, float(wilson[1])),
        exact_low=0.0 if broken == 0 else float(exact[0]),
        exact_high=1.0 if broken == pieces else float(exact[1]),
        level=level,
        design_effect=effect,
        batches=batches,
    )
