"""How good a test is itself: the spread of its repeats, between people, and between batches made alike.

Ours because statsmodels' mixed model gives intervals by z and fails where a spread is estimated as nought.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, NamedTuple

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from numpy.typing import NDArray
from scipy import stats
from scipy.linalg import orth

from fizzlab.errors import cannot
from fizzlab.language import say
from fizzlab.models.censored import NotFitted, sort
from fizzlab.models.censored_fit import fit
from fizzlab.models.plotting import SOFT, axes_for, looks
from fizzlab.models.result import ENDS, FitResult
from fizzlab.models.terms import need_columns

Array = NDArray[np.float64]

#: Two readings lie within so many standard deviations of one reading, in 95 of 100 pairs: 1.96 sqrt(2).
LIMIT = float(stats.norm.ppf(0.975) * np.sqrt(2))

#: One more repeat is planned as long as it is worth at least so large a share of more samples.
GAIN = 0.10

_DRAWS = 20_000
_ALIKE = 1e-8  # a share of the greatest singular value below which columns say nothing new

_KINDS = ("samples", "operators", "items", "cells")

#: The groups that lie wholly within a group of another kind.
_INSIDE = {"cells": ("samples", "operators"), "items": ("samples",)}


@dataclass(frozen=True, kw_only=True)
class Repeatability(FitResult):
    """How far repeats of a test differ; made by `repeatability`.

    `components` has a row a spread: component, sd, conf_low, conf_high, df, limit (what two such readings
    differ by at most in 95 of 100 pairs). `worth` is what one more of `repeats` of a sample would `gain`: the
    share by which as many more samples would do the same; `repeats` the fewest after which that is less than
    `GAIN`. `typical` is the mean, a geometric one where `log`.
    """

    components: pd.DataFrame = field(repr=False)
    readings: pd.DataFrame = field(repr=False)
    worth: pd.DataFrame = field(repr=False)
    typical: float
    log: bool
    repeats: int
    repeats_low: int
    repeats_high: int

    @property
    def table(self) -> pd.DataFrame:
        """The spreads."""
        return self.components

    @property
    def heading(self) -> str:
        """What it rests on, and how many repeats to plan."""
        told = {"readings": len(self.readings), "samples": self.n_batches, "response": self.response}
        plan = {"low": self.repeats_low, "high": self.repeats_high, "repeats": self.repeats}
        return say("repeats_heading", **told, **plan)

    def of_component(self, name: str) -> dict[str, float] | None:
        """One row of `components`; None where these readings cannot tell it."""
        rows = self.components.set_index("component")
        if name not in rows.index:
            return None
        return dict(zip(map(str, rows.columns), rows.loc[[name]].to_numpy(float)[0].tolist(), strict=True))

    def plot(self, ax: Axes | None = None) -> Axes:
        """Draw every reading by its sample, marked by who read it; returns the Axes."""
        axes, rows = axes_for(ax, height=3.2), self.readings.sort_values(["sample", "operator"])
        samples, known = sorted(set(rows["sample"])), rows["lower"] == rows["upper"]
        turn, many = rows.groupby("sample").cumcount(), rows.groupby("sample")["item"].transform("size")
        x = rows["sample"].map(samples.index) + 0.7 * ((turn + 0.5) / many - 0.5)
        top = rows["upper"].where(np.isfinite(rows["upper"]), 1.2 * rows["lower"].max())
        for person, look in looks(sorted(set(rows["operator"]))).items():
            dots, bars = (each & (rows["operator"] == person) for each in (known, ~known))
            axes.plot(x[dots], top[dots], look.marker, ms=5, label=person, color=look.colour)
            axes.vlines(x[bars], rows["lower"][bars], top[bars], lw=2.2, color=look.colour)
        axes.axhline(self.typical, color=SOFT, lw=0.8)
        axes.set_xticks(range(len(samples)), samples)
        axes.set_ylabel(self.response)
        if rows["operator"].nunique() > 1:
            axes.legend(loc="lower center", bbox_to_anchor=(0.5, 1.0), ncols=5)
        return axes


class _Strata(NamedTuple):
    """Mean squares, their degrees of freedom, and what each expects of each spread; the repeats last."""

    names: list[str]
    mean_square: Array
    df: Array
    expects: Array


def repeatability(
    readings: pd.DataFrame,
    value: str | tuple[str, str] = "value",
    *,
    sample: str = "run",
    operator: str = "rater",
    item: str = "piece",
    log: bool = False,
    conf_level: float = 0.95,
    response: str = "reading",
) -> Repeatability:
    """Tell how far repeats of a test differ by one person, by several people, and how far samples differ.

    ``y_ijk = mu + B_i + O_j + (BO)_ij + P_k(i) + e_ijk``,

    for samples i and operators j, all random; items P only where several readings of one item tell them apart
    from the repeats. Each kind of group's mean square, over what the others leave, is set equal to its
    expectation. Spreads are of repeats, s_r^2 = var(e) ("repeatability"); of repeats with items ("within
    samples"); of operators, s_L^2 = var(O) + var(BO), at least 0 ("between operators"); both, s_R^2 = s_L^2 +
    s_r^2 ("reproducibility"); and "between items" and "between samples".

    Parameters
    ----------
    value : str or (str, str)
        The column of the reading, or of the two numbers between which it lies (equal where it is known, the
        upper infinite where it had not come): then logarithms are compared.
    sample, operator, item : str
        The columns of what is read, who reads it, and its single piece; the last two if they are there.
    log : bool
        Compare logarithms, for times and masses whose spread grows with them.

    Raises
    ------
    CannotAnswer
        No sample was read twice, all repeats are alike, or brackets that hold no scale.

    Notes
    -----
    The interval of the repeatability is that of chi-square, the others are generalised intervals, by 20,000
    draws from a fixed seed (S. Weerahandi, JASA 88, 1993, 899), for normal spreads. An item read once counts
    with the repeats. With operators for laboratories these are the terms of ISO 5725; people of one workshop
    give what its part 3 calls intermediate precision.

    Examples
    --------
    >>> losses = pd.DataFrame({"run": np.repeat(list("ABCD"), 3),
    ...                        "value": [5.1, 5.5, 4.9, 6.0, 6.3, 5.8, 4.4, 4.7, 4.3, 5.6, 5.2, 5.5]})
    >>> found = repeatability(losses)
    >>> found.table["sd"].round(2).tolist(), found.repeats, found.repeats_high
    ([0.25, 0.25, 0.63], 1, 3)
    """
    ends = (value, value) if isinstance(value, str) else value
    need_columns(readings, [sample, *ends], "readings")
    names = {"sample": sample, "operator": operator, "item": item}
    taken = pd.DataFrame({n: readings[c].astype(str) if c in readings else "" for n, c in names.items()})
    taken = taken.assign(lower=readings[ends[0]], upper=readings[ends[1]]).reset_index(drop=True)
    lower, upper = (taken[end].to_numpy(float) for end in ("lower", "upper"))
    exact = bool((lower == upper).all())
    log = log or not exact
    if not (np.isfinite(lower).all() and (lower <= upper).all()):
        raise ValueError("readings must be finite numbers, with no value missing")
    if log and (upper <= 0).any():
        raise ValueError("readings must be above 0 to compare their logarithms")
    if not taken["sample"].duplicated().any():
        raise cannot("none_read_twice")
    if exact:
        y = np.log(lower) if log else lower
        strata, centre = _of_numbers(y, _groups(taken)), float(y.mean())
    else:
        strata, centre = _of_brackets(taken)
    if not strata.mean_square[-1] > 1e-18 * max(1.0, centre**2):
        raise cannot("same_repeats")
    typical, tails = float(np.exp(centre)) if log else centre, [0.5 - conf_level / 2, 0.5 + conf_level / 2]
    found = _variances(strata)
    within, between = found["within samples"][0], found.get("between samples", (0.0, 0.0))[0]
    n = np.arange(1, 12)[:, None]
    gain = (between + within / n) / (between + within / (n + 1)) - 1
    enough, rows = 1 + (gain < GAIN).argmax(axis=0), list[Any]()
    low, high = np.quantile(enough[1:], tails, method="nearest")
    for name, (variance, df) in found.items():
        sides = np.quantile(variance[1:], tails)
        if name in ("repeatability", "within samples") and np.isfinite(df):
            sides = variance[0] * df / stats.chi2.ppf(tails[::-1], df)
        sd = (typical if log else 1.0) * np.sqrt([variance[0], *sides])
        rows.append((name, *sd, df, LIMIT * sd[0]))
    return Repeatability(
        response=response,
        batches=pd.DataFrame(index=pd.Index(sorted(set(taken["sample"])), name="run")),
        conf_level=conf_level,
        n_batches=taken["sample"].nunique(),
        notes=tuple(_notes(strata, taken)),
        components=pd.DataFrame(rows, columns=["component", "sd", *ENDS[1:], "df", "limit"]),
        readings=taken,
        worth=pd.DataFrame({"repeats": n[:, 0], "gain": gain[:, 0]}),
        typical=typical,
        log=log,
        repeats=int(enough[0]),
        repeats_low=int(low),
        repeats_high=int(high),
    )


def _groups(taken: pd.DataFrame) -> dict[str, Array]:
    """The columns of 0 and 1 of each kind of group."""
    keys = (["sample"], ["operator"], ["sample", "item"], ["sample", "operator"])
    each = {name: taken.groupby(key).ngroup() for name, key in zip(_KINDS, keys, strict=True)}
    return {name: np.eye(int(which.max()) + 1)[which] for name, which in each.items()}


def _of_numbers(y: Array, groups: Mapping[str, Array], spare: int = 1) -> _Strata:
    """The strata of known readings: each kind of group that leaves the repeats `spare` degrees of freedom."""
    one = np.ones((len(y), 1)) / np.sqrt(len(y))
    whole, names, rows = one, list[str](), list[tuple[float, float, list[float]]]()
    for name, columns in groups.items():
        grown = orth(np.hstack([whole, columns]), _ALIKE)
        if whole.shape[1] < grown.shape[1] <= len(y) - spare:
            names, whole = [*names, name], grown
    for name in names:
        others = [groups[each] for each in names if each != name and name not in _INSIDE.get(each, ())]
        base = orth(np.hstack([one, *others]), _ALIKE)
        mine = orth(groups[name] - base @ (base.T @ groups[name]), _ALIKE)
        df = mine.shape[1]
        expects = [float(((mine.T @ groups[each]) ** 2).sum()) / df for each in names]
        rows.append((float(((mine.T @ y) ** 2).sum()) / df, df, [*expects, 1.0]))
    left, df = y - whole @ (whole.T @ y), len(y) - whole.shape[1]
    if df:
        rows.append((float(left @ left) / df, df, [0.0] * len(names) + [1.0]))
    squares, dfs, expected = zip(*rows, strict=True)
    named = [*names, "repeats"][: len(rows)]
    return _Strata(named, np.array(squares), np.array(dfs, float), np.array(expected)[:, : len(rows)])


def _of_brackets(taken: pd.DataFrame) -> tuple[_Strata, float]:
    """The strata and the middle of bracketed readings, on the log scale.

    Readings of one sample by one operator share a location, found with the spread of the repeats by
    restricted likelihood; the locations are then taken apart as numbers are.
    """
    first, where = (
        taken.drop_duplicates(["sample", "operator"]),
        taken.groupby(["sample", "operator"], sort=False),
    )
    x, cell = np.eye(len(first)), where.ngroup().to_numpy()
    x[:, 0] = 1.0
    try:
        ends = taken["lower"].to_numpy(float), taken["upper"].to_numpy(float)
        found = fit(sort(*ends, np.arange(len(taken)), x[cell]), batch_effect=False)
    except NotFitted:
        raise cannot("looks_of_repeats") from None
    location, groups = x @ found.beta, _groups(first)
    above = _of_numbers(location, {name: groups[name] for name in ("samples", "operators")}, spare=0)
    named = ["cells" if name == "repeats" else name for name in above.names]
    # as many as the readings would have if they were known, and no more than the brackets tell
    df = min(float(len(taken) - len(first)), 1 / (2 * float(found.covariance[-1, -1])))
    share = float(np.einsum("ij,jk,ik->i", x, found.covariance[:-1, :-1], x).mean()) / found.sigma**2
    expects = np.block([[above.expects, np.full((len(named), 1), share)], [np.zeros(len(named)), np.ones(1)]])
    squares = np.append(above.mean_square, found.sigma**2)
    return _Strata([*named, "repeats"], squares, np.append(above.df, df), expects), float(location.mean())


def _variances(strata: _Strata) -> dict[str, tuple[Array, float]]:
    """Each variance, first its estimate and then what it may be as well, and the df of its stratum."""
    chance = np.random.default_rng(5725).chisquare(strata.df, (_DRAWS, len(strata.df))) / strata.df
    drawn = strata.mean_square / np.vstack([np.ones(len(strata.df)), chance])
    part = dict(zip(strata.names, np.linalg.solve(strata.expects, drawn.T), strict=True))
    df = dict(zip(strata.names, strata.df.tolist(), strict=True))
    nought, people = 0.0 * part["repeats"], part.get("operators", 0.0) + part.get("cells", 0.0)
    items, people = np.maximum(part.get("items", nought), 0.0), np.maximum(people, 0.0)
    found = {"repeatability": (part["repeats"], df["repeats"])}
    if "items" in part:
        found["between items"] = items, df["items"]
    found["within samples"] = part["repeats"] + items, np.nan if "items" in part else df["repeats"]
    if "operators" in part:
        found["between operators"] = people, df["operators"]
        found["reproducibility"] = part["repeats"] + people, np.nan
    if "samples" in part:
        found["between samples"] = np.maximum(part["samples"], 0.0), df["samples"]
    return found


def _notes(strata: _Strata, taken: pd.DataFrame) -> list[str]:
    """What these readings cannot tell."""
    two = "operators" in strata.names and taken["operator"].nunique() == 2
    unknown = [f"one_of_{name}" for name in ("samples", "operators", "items") if name not in strata.names]
    return [say(each) for each in unknown + ["two_operators"] * two]
