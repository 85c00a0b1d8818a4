"""Which way dried later, day by day: what looks tell where they are too far apart for a fit."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import stats

from fizzlab.models.terms import Category


@dataclass(frozen=True)
class SeenOrder:
    """One level against its control, on the days that had both.

    Parameters
    ----------
    level, control : str
    later, earlier, open : int
        Days on which its batches became dry surely later, surely earlier, or which the looks leave open.
    p : float
        Two-sided sign test over the days that tell: how often chance alone would be as one-sided; 1 without
        any.
    least, most : float
        Between what the ratio of dry times lies in these batches (mean of the days, on the logarithm); no
        allowance for chance. 0 and infinite where the looks set no bound.
    """

    level: str
    control: str
    later: int
    earlier: int
    open: int
    p: float
    least: float
    most: float


def seen_order(brackets: pd.DataFrame, batches: pd.DataFrame, term: Category) -> list[SeenOrder]:
    """Compare each level with the control on the days that had both, by brackets alone.

    Parameters
    ----------
    brackets : DataFrame
        One row a piece: run, lower, upper (hours).
    batches : DataFrame
        One row a batch, indexed by run: day and the factor.
    term : Category

    Returns
    -------
    list of SeenOrder
        Levels that no day had together with the control are left out.

    Notes
    -----
    The median dry time of a batch lies between the medians of its pieces' lower and upper ends, whatever the
    times within the brackets. One batch is surely later than another if its least possible median is no less
    than the other's greatest. The sign test takes a day as the unit.

    Examples
    --------
    >>> looks = pd.DataFrame({"run": list("ABCD"), "lower": [2.0, 4, 2, 4], "upper": [4.0, 6, 4, 6]})
    >>> made = pd.DataFrame({"day": ["1", "1", "2", "2"], "colour": ["pearl", "dye"] * 2}, index=list("ABCD"))
    >>> seen_order(looks, made, Category("colour", ("pearl", "dye"), "pearl"))
    [SeenOrder(level='dye', control='pearl', later=2, earlier=0, open=0, p=0.5, least=1.0, most=3.0)]
    """
    ends = brackets.groupby("run", sort=False)[["lower", "upper"]].median()
    table = ends.join(batches[["day", term.name]], how="inner")
    found = []
    for level in term.levels:
        if level == term.control:
            continue
        signs, low, high = [], [], []
        for _, day in table.groupby("day", sort=False):
            mine = day[day[term.name].astype(str) == level]
            control = day[day[term.name].astype(str) == term.control]
            if mine.empty or control.empty:
                continue
            later = bool(mine["lower"].min() >= control["upper"].max())
            earlier = bool(mine["upper"].max() <= control["lower"].min())
            signs.append(int(later) - int(earlier))
            with np.errstate(divide="ignore"):
                low.append(np.log(mine["lower"]).mean() - np.log(control["upper"]).mean())
                high.append(np.log(mine["upper"]).mean() - np.log(control["lower"]).mean())
        if not signs:
            continue
        up, down = signs.count(1), signs.count(-1)
        p = float(stats.binomtest(up, up + down).pvalue) if up + down else 1.0
        least, most = float(np.exp(np.mean(low))), float(np.exp(np.mean(high)))
        found.append(
            SeenOrder(
                level, term.control, up, down, len(signs) - up - down, p, round(least, 12), round(most, 12)
            )
        )
    return found
