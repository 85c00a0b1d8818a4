"""Adjusted means, forecasts of the mean at any setting, and comparisons of levels."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations, product
from typing import Literal

import numpy as np
import pandas as pd
from scipy import stats
from scipy.optimize import linprog

from fizzlab.errors import CannotAnswer
from fizzlab.models.effects.analysis import Analysis
from fizzlab.models.effects.basis import FactorBasis
from fizzlab.models.effects.mixture import MixtureBasis
from fizzlab.models.effects.multiple import adjusted_p, critical
from fizzlab.models.effects.variance import Array
from fizzlab.models.terms import Amount, Category

At = Mapping[str, float | str | Sequence[float] | Sequence[str]]


@dataclass(frozen=True)
class Comparisons:
    """Levels of one factor compared, with errors that hold for all comparisons together.

    Parameters
    ----------
    factor : str
    kind : {"against control", "all pairs"}
    adjustment : {"Dunnett", "Tukey-Kramer"}
    level : float
        Probability that every interval holds its truth.
    log : bool
    table : DataFrame
        One row a comparison: estimate, se, df, t, p (adjusted), low, high (simultaneous); on the log scale
        also ratio, ratio_low, ratio_high.
    """

    factor: str
    kind: Literal["against control", "all pairs"]
    adjustment: Literal["Dunnett", "Tukey-Kramer"]
    level: float
    log: bool
    table: pd.DataFrame

    def __str__(self) -> str:
        shown = self.table[["ratio", "ratio_low", "ratio_high", "p"]] if self.log else self.table
        title = f"{self.factor}, {self.kind} ({self.adjustment}, {self.level * 100:.0f} % for all together)"
        return f"{title}\n{shown.to_string(float_format='{:.4g}'.format)}"


def adjusted_means(analysis: Analysis, by: str | Sequence[str], at: At | None = None) -> pd.DataFrame:
    """The mean response of each level, as if every level had met the same mix of everything else.

    Parameters
    ----------
    analysis : Analysis
    by : str or sequence of str
        Factors to show. A category shows each level, an amount its low end, middle and high end.
    at : mapping, optional
        Values at which to hold, or to show, a factor: ``{"oil": 6}``, ``{"oil": [4, 6, 8]}``.

    Returns
    -------
    DataFrame
        Columns: those of `by`, mean, se, df, low, high, beyond_tried; on the log scale also typical,
        typical_low, typical_high (the mean put back: half of such batches lie below it).

    Notes
    -----
    Categories that are not shown are averaged with equal weights, amounts are held in the middle of what
    was tried (S. R. Searle, F. M. Speed, G. A. Milliken, The American Statistician 34 (1980) 216-221).

    Examples
    --------
    >>> from fizzlab.models.effects.analysis import analyse
    >>> trial = pd.DataFrame({"run": list("ABCDEF"), "colour": ["dye", "lake"] * 3,
    ...                       "hours": [4.0, 6.1, 4.4, 6.5, 4.2, 6.0]})
    >>> found = analyse(trial, "hours", [Category("colour", ("dye", "lake"), "dye")])
    >>> adjusted_means(found, "colour")[["colour", "mean", "low", "high"]].round(2).values.tolist()
    [['dye', 4.2, 3.82, 4.58], ['lake', 6.2, 5.82, 6.58]]
    """
    names = [by] if isinstance(by, str) else list(by)
    shown, weights = settings_grid(analysis, names, at or {})
    return pd.concat([shown, _intervals(analysis, weights, _beyond(analysis, shown))], axis=1)


def predict(analysis: Analysis, settings: pd.DataFrame) -> pd.DataFrame:
    """The mean response at given settings, with its interval.

    Parameters
    ----------
    analysis : Analysis
    settings : DataFrame
        One row a setting, with a column for each factor.

    Returns
    -------
    DataFrame
        As `adjusted_means`, and sd: how far a single new batch made on a new day strays from the mean.
    """
    table = settings.reset_index(drop=True)
    found = _intervals(analysis, analysis.weights(table), _beyond(analysis, table))
    spread = float(np.sqrt(np.maximum(analysis.fits.components[0], 0).sum()))
    return pd.concat([table, found.assign(sd=spread)], axis=1)


def as_if_alike(analysis: Analysis, factor: str) -> Array:
    """Each batch's response as if everything but one factor had been the same, for a picture.

    Parameters
    ----------
    analysis : Analysis
    factor : str

    Returns
    -------
    array, one entry a row of the analysis's table, in the unit of the response
        The adjusted mean of the batch's own setting, and how far the batch strays from the fit.

    Examples
    --------
    >>> from fizzlab.models.effects.analysis import analyse
    >>> trial = pd.DataFrame({"run": list("ABCDEF"), "colour": ["dye", "lake"] * 3,
    ...                       "hours": [4.0, 6.1, 4.4, 6.5, 4.2, 6.0]})
    >>> found = analyse(trial, "hours", [Category("colour", ("dye", "lake"), "dye")])
    >>> as_if_alike(found, "colour").round(1).tolist()
    [4.0, 6.1, 4.4, 6.5, 4.2, 6.0]
    """
    own = list(pd.unique(analysis.table[factor]))
    _, weights = settings_grid(analysis, [factor], {factor: own})
    centre = dict(zip(own, weights @ analysis.fits.beta[0], strict=True))
    strays = analysis.y - analysis.fitted
    found = np.array([centre[value] for value in analysis.table[factor]]) + strays
    return np.asarray(np.exp(found) if analysis.log else found)


def against_control(analysis: Analysis, factor: str, at: At | None = None) -> Comparisons:
    """Compare each level with the control, all intervals holding together (Dunnett).

    Parameters
    ----------
    analysis : Analysis
    factor : str
        A category.
    at : mapping, optional
        Values at which to hold other factors, for example one day's air.

    Returns
    -------
    Comparisons

    Notes
    -----
    C. W. Dunnett, JASA 50 (1955) 1096-1121, with the correlations that the data have, equal or not.
    """
    category = category_of(analysis, factor)
    shown, weights = settings_grid(analysis, [factor], other_than(factor, at))
    levels = list(shown[factor])
    control = levels.index(category.control)
    others = [i for i in range(len(levels)) if i != control]
    rows = weights[others] - weights[control]
    labels = [f"{levels[i]} against {category.control}" for i in others]
    covariance = rows @ analysis.fits.covariance[0] @ rows.T
    size = np.sqrt(np.diag(covariance))
    correlation = covariance / np.outer(size, size)
    found = []
    limits: dict[float, float] = {}
    for row in rows:
        one = analysis.interval(row)
        df = round(one["df"], 6)
        if df not in limits:
            limits[df] = critical(correlation, df, analysis.level)
        reach = one["se"] * limits[df]
        p = adjusted_p(one["t"], correlation, one["df"])
        found.append({**one, "p": p, "low": one["estimate"] - reach, "high": one["estimate"] + reach})
    return _comparisons(analysis, factor, "against control", "Dunnett", labels, found)


def all_pairs(analysis: Analysis, factor: str, at: At | None = None) -> Comparisons:
    """Compare every level with every other, all intervals holding together (Tukey, Kramer).

    Parameters
    ----------
    analysis : Analysis
    factor : str
        A category.
    at : mapping, optional

    Returns
    -------
    Comparisons

    Notes
    -----
    C. Y. Kramer, Biometrics 12 (1956) 307-310; with unequal numbers the intervals are a little too wide
    (A. J. Hayter, Annals of Statistics 12 (1984) 61-75).
    """
    category_of(analysis, factor)
    shown, weights = settings_grid(analysis, [factor], other_than(factor, at))
    levels = list(shown[factor])
    labels, found = [], []
    quantiles: dict[float, float] = {}
    for i, j in combinations(range(len(levels)), 2):
        one = analysis.interval(weights[j] - weights[i])
        df = round(one["df"], 6)
        if df not in quantiles:
            quantiles[df] = float(stats.studentized_range.ppf(analysis.level, len(levels), df)) / np.sqrt(2)
        reach = one["se"] * quantiles[df]
        p = float(stats.studentized_range.sf(abs(one["t"]) * np.sqrt(2), len(levels), df))
        labels.append(f"{levels[j]} against {levels[i]}")
        found.append({**one, "p": p, "low": one["estimate"] - reach, "high": one["estimate"] + reach})
    return _comparisons(analysis, factor, "all pairs", "Tukey-Kramer", labels, found)


def _comparisons(
    analysis: Analysis,
    factor: str,
    kind: Literal["against control", "all pairs"],
    adjustment: Literal["Dunnett", "Tukey-Kramer"],
    labels: Sequence[str],
    found: Sequence[Mapping[str, float]],
) -> Comparisons:
    table = pd.DataFrame(found, index=pd.Index(labels, name="comparison"))
    if analysis.log:
        for new, old in (("ratio", "estimate"), ("ratio_low", "low"), ("ratio_high", "high")):
            table[new] = np.exp(table[old])
    return Comparisons(factor, kind, adjustment, analysis.level, analysis.log, table)


def category_of(analysis: Analysis, name: str) -> Category:
    for factor in analysis.basis.factors:
        if factor.name == name:
            if isinstance(factor, Category):
                return factor
            raise ValueError(f"{name} is an amount; its levels are compared by its effect")
    raise ValueError(f"the analysis has no factor {name}")


def other_than(factor: str, at: At | None) -> At:
    return {name: value for name, value in (at or {}).items() if name != factor}


def settings_grid(analysis: Analysis, by: Sequence[str], at: At) -> tuple[pd.DataFrame, Array]:
    """Settings to show, and for each the weights of the coefficients averaged over the rest."""
    basis = analysis.basis
    if not isinstance(basis, FactorBasis):
        raise ValueError("a mixture has no adjusted means, because its parts cannot vary alone; use predict")
    unknown = (set(by) | set(at)) - {factor.name for factor in basis.factors}
    if unknown:
        raise ValueError(f"the analysis has no factor {sorted(unknown)[0]}")
    values: dict[str, list[float] | list[str]] = {}
    for factor in basis.factors:
        given = at.get(factor.name)
        if given is not None:
            values[factor.name] = [given] if np.isscalar(given) else list(given)  # type: ignore[arg-type, assignment]
        elif isinstance(factor, Category):
            values[factor.name] = list(factor.levels)
        else:
            ends = basis.ranges[factor.name]
            middle = float(np.sqrt(ends[0] * ends[1])) if factor.log else sum(ends) / 2
            values[factor.name] = [ends[0], middle, ends[1]] if factor.name in by else [middle]
    names = [factor.name for factor in basis.factors]
    full = pd.DataFrame(list(product(*(values[name] for name in names))), columns=names)
    shown = pd.DataFrame(list(product(*(values[name] for name in by))), columns=list(by))
    place = shown.reset_index().merge(full.reset_index(), on=list(by), suffixes=("", "_full"))
    columns = analysis.weights(full)
    weights = np.stack(
        [
            columns[place.loc[place["index"] == i, "index_full"].to_numpy()].mean(axis=0)
            for i in range(len(shown))
        ]
    )
    return shown, weights


def _intervals(analysis: Analysis, weights: Array, beyond: Sequence[bool]) -> pd.DataFrame:
    rows = [analysis.interval(row) for row in weights]
    table = pd.DataFrame(rows)[["estimate", "se", "df", "low", "high"]].rename(columns={"estimate": "mean"})
    table["beyond_tried"] = list(beyond)
    if analysis.log:
        for new, old in (("typical", "mean"), ("typical_low", "low"), ("typical_high", "high")):
            table[new] = np.exp(table[old])
    return table


def _beyond(analysis: Analysis, shown: pd.DataFrame) -> list[bool]:
    """Does each setting lie outside of what was tried, as far as the columns shown tell?"""
    made = analysis.table
    if isinstance(analysis.basis, MixtureBasis):
        tried = analysis.basis.shares(made)
        return [not in_hull(tried, mix) for mix in analysis.basis.shares(shown)]
    amounts = [f.name for f in analysis.basis.factors if isinstance(f, Amount) and f.name in shown]
    categories = [f.name for f in analysis.basis.factors if isinstance(f, Category) and f.name in shown]
    found = []
    for _, row in shown.iterrows():
        like = np.ones(len(made), bool)
        for name in categories:
            like &= (made[name].astype(str) == str(row[name])).to_numpy()
        inside = bool(like.any())
        if inside and amounts:
            inside = in_hull(made.loc[:, amounts].to_numpy(float), row[amounts].to_numpy(float))
        found.append(not inside)
    return found


def in_hull(points: Array, point: Array) -> bool:
    """Is a point a weighted average of the points?

    Examples
    --------
    >>> corners = np.array([[0.0, 0], [1, 0], [0, 1]])
    >>> in_hull(corners, np.array([0.2, 0.3])), in_hull(corners, np.array([0.8, 0.8]))
    (True, False)
    """
    unique = np.unique(points, axis=0)
    centre, size = unique.mean(axis=0), np.maximum(np.ptp(unique, axis=0), 1e-12)
    scaled = (unique - centre) / size
    equal = np.vstack([scaled.T, np.ones(len(scaled))])
    target = np.append((point - centre) / size, 1.0)
    slack = np.hstack([equal, np.eye(len(target)), -np.eye(len(target))])
    cost = np.concatenate([np.zeros(len(scaled)), np.ones(2 * len(target))])
    answer = linprog(cost, A_eq=slack, b_eq=target, method="highs")
    if not answer.success:
        raise CannotAnswer(
            "Whether the setting lies within what was tried could not be worked out.",
            "Ask again with fewer factors.",
        )
    return bool(answer.fun < 1e-7)
