"""How the batches hang together: by day, by whole plot, by batch; and which error judges which effect."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd

from fizzlab.models.effects.variance import Array, Ints

Days = Literal["auto", "fixed", "random", "ignore"]
Kind = Literal["ordinary", "blocked", "split plot", "random days"]

MOST_LOSS = 0.5
"""Days are taken out as blocks only while every effect keeps this share of its information."""


@dataclass(frozen=True)
class Structure:
    """What was chosen for a trial, and why.

    Parameters
    ----------
    kind : {"ordinary", "blocked", "split plot", "random days"}
    fixed : bool
        Days are taken out as blocks.
    groups : tuple of str
        What varies at random besides the rows themselves, coarsest first: ``day``, ``whole_plot``,
        ``run``.
    unit : str
        What a row is: ``batch``, or ``piece`` where a batch has several rows.
    reason : str
        Why, in one plain sentence.
    """

    kind: Kind
    fixed: bool
    groups: tuple[str, ...]
    unit: str
    reason: str

    def __str__(self) -> str:
        return self.reason


def choose_structure(table: pd.DataFrame, x: Array, days: Days = "auto") -> Structure:
    """Choose how the days enter, from the batches that were measured.

    Parameters
    ----------
    table : DataFrame
        One row a batch (or piece), with columns run, day and whole_plot (a group of batches made
        together within a day, or without days) where they exist.
    x : array, shape (rows, columns)
        Model matrix without days, its first column the intercept or in its span.
    days : {"auto", "fixed", "random", "ignore"}
        "auto": as blocks if every effect keeps at least half of its information when comparisons are
        made within days only, else at random, so that what differs only between days is judged by days.

    Returns
    -------
    Structure

    Examples
    --------
    >>> table = pd.DataFrame({"run": ["A", "B", "C", "D"], "day": [1, 1, 2, 2]})
    >>> wet = np.column_stack([np.ones(4), [-1, -1, 1, 1]])
    >>> choose_structure(table, wet).kind
    'split plot'
    """
    pieces = "run" in table and bool(table["run"].duplicated().any())
    unit = "piece" if pieces else "batch"
    inner = ("run",) if pieces else ()
    several = "day" in table and table["day"].nunique() > 1
    batches = table["run"].nunique() if "run" in table else len(table)
    if several and table["day"].nunique() == batches:
        return Structure("ordinary", False, inner, unit, "Each batch had a day of its own.")
    if not several or days == "ignore":
        why = "All batches were made on one day."
        if several:
            why = "Days were left out, as asked."
        elif "day" not in table:
            why = "No days were given, so all batches count as made together."
        if not several and "whole_plot" in table and 1 < table["whole_plot"].nunique() < batches:
            why = "Batches were made in groups, so what was set for a group is judged by groups."
            return Structure("split plot", False, ("whole_plot", *inner), unit, why)
        return Structure("ordinary", False, inner, unit, why)
    plots = _plots(table)
    by_day = block_columns(table["day"])
    between = [_constant_within(x[:, j], table["day"]) for j in range(x.shape[1])]
    varies = np.ptp(x, axis=0) > 1e-9
    whole = bool(np.any(np.array(between) & varies))
    kept = _kept(x, by_day)
    if days == "fixed" or (days == "auto" and not plots and kept >= MOST_LOSS):
        return Structure(
            "blocked",
            True,
            (*plots, *inner),
            unit,
            "Batches are compared within days; days are taken out as blocks.",
        )
    if whole:
        why = (
            "Something was set for a whole day, so it is judged by how much days differ, and the rest by how "
            "much batches of one day differ."
        )
        return Structure("split plot", False, ("day", *plots, *inner), unit, why)
    if plots:
        why = "Batches were made in groups within days, so what was set for a group is judged by groups."
        return Structure("split plot", False, ("day", *plots, *inner), unit, why)
    why = "Days vary at random; comparisons within and between days are weighed together."
    return Structure("random days", False, ("day", *inner), unit, why)


def _plots(table: pd.DataFrame) -> tuple[str, ...]:
    if "whole_plot" not in table:
        return ()
    made = table.groupby(["day", "whole_plot"], sort=False).ngroups
    batches = table["run"].nunique() if "run" in table else len(table)
    return ("whole_plot",) if table["day"].nunique() < made < batches else ()


def block_columns(days: pd.Series) -> Array:
    """Columns for days as blocks, summing to zero over the days, shape (rows, days - 1)."""
    labels = list(pd.unique(days))
    last = (days == labels[-1]).to_numpy(float)
    return np.column_stack([(days == label).to_numpy(float) - last for label in labels[:-1]])


def group_codes(table: pd.DataFrame, groups: tuple[str, ...]) -> list[Ints]:
    """Group of each row, one array for each kind of group; a whole plot belongs to its day."""
    found: list[Ints] = []
    for place, name in enumerate(groups):
        columns = ["day", name] if name == "whole_plot" and "day" in table else [name]
        if name == "run":
            columns = [*[g for g in groups[:place] if g in table], "run"]
        found.append(np.asarray(table.groupby(columns, sort=False).ngroup(), np.int64))
    return found


def _constant_within(column: Array, days: pd.Series) -> bool:
    spread = pd.Series(column, index=days.index).groupby(days).agg(np.ptp)
    return bool((spread < 1e-9).all())


def _kept(x: Array, by_day: Array) -> float:
    """Least share of information that an effect keeps when days are taken out; 0 if one is lost."""
    varies = np.flatnonzero(np.ptp(x, axis=0) > 1e-9)
    while np.linalg.matrix_rank(np.column_stack([np.ones(len(x)), x[:, varies]])) <= len(varies):
        varies = varies[1:]  # a mixture: its parts add up to the intercept
    full = np.column_stack([np.ones(len(x)), x[:, varies], by_day])
    if np.linalg.matrix_rank(full) < full.shape[1] or len(x) - full.shape[1] < 2:
        return 0.0
    plain = np.column_stack([np.ones(len(x)), x[:, varies]])
    before = np.diag(np.linalg.inv(plain.T @ plain))[1:]
    after = np.diag(np.linalg.inv(full.T @ full))[1 : len(varies) + 1]
    return float((before / after).min(initial=1.0))
