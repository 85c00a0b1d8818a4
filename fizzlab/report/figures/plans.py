"""Figures of a plan: the batches laid out by day, and which effects share a number."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from textwrap import fill

import numpy as np
import pandas as pd
from matplotlib.figure import Figure
from matplotlib.patches import FancyBboxPatch

from fizzlab.design import Alias
from fizzlab.models.plotting import BLUE, GRID, INK, SOFT, Look, house_style, looks, new_figure

#: Batches side by side before a day goes on in the next line.
ACROSS = 6

#: Effects in one picture of aliases; more cannot be read.
MOST_EFFECTS = 16


def plan_by_day(runs: pd.DataFrame, levels: pd.DataFrame, legend: str = "") -> Figure:
    """Every batch as a tile, a line a day, in the order of making.

    Parameters
    ----------
    runs : DataFrame
        Columns run and day, in the order of making.
    levels : DataFrame
        Same rows; one column a factor, with its level in words. The column `legend` gives a tile its
        colour and marker.
    legend : str
        Name of that column; by default the first with at most seven different levels.

    Returns
    -------
    Figure
    """
    few = [str(name) for name in levels if levels[name].nunique() <= 7]
    legend = legend or next(iter(few), "")
    shown = looks(sorted(levels[legend].unique(), key=_natural)) if legend else {}
    places, heads = _places(list(runs["day"]))
    lines = 1 + max(row for row, _ in places)
    tall = 0.3 + 0.17 * levels.shape[1]
    with house_style():
        figure, axes = new_figure(height=0.6 + lines * (tall + 0.12))
        for (row, column), run, (_, words) in zip(places, runs["run"], levels.iterrows(), strict=True):
            look = shown.get(words[legend]) if legend else None
            _tile(axes, row, column, str(run), [str(word) for word in words], look)
        for day, row in heads.items():
            axes.text(-0.08, row + 0.5, f"day {day}", ha="right", va="center", fontsize=9)
        widest = 1 + max(column for _, column in places)
        axes.set_xlim(-0.62, max(widest, 3) + 0.02)
        axes.set_ylim(lines + 0.05, -0.05)
        axes.set_axis_off()
        said = f"in each tile, from the top: batch, {', '.join(str(name) for name in levels)}"
        figure.supxlabel(fill(said, 78), fontsize=8.5, color=SOFT, x=0.12, ha="left")
    return figure


def _natural(level: str) -> tuple[float, str]:
    """Numbers by size, names by letter."""
    try:
        return float(level.split()[0]), level
    except ValueError:
        return np.inf, level


def _places(days: Sequence[object]) -> tuple[list[tuple[int, int]], dict[object, int]]:
    """Row and column of each batch; the first row of each day."""
    places: list[tuple[int, int]] = []
    heads: dict[object, int] = {}
    row, column = -1, 0
    for day in days:
        if day not in heads:
            row, column = row + 1, 0
            heads[day] = row
        elif column == ACROSS:
            row, column = row + 1, 0
        places.append((row, column))
        column += 1
    return places, heads


def _tile(axes: object, row: int, column: int, run: str, words: Sequence[str], look: Look | None) -> None:
    from matplotlib.axes import Axes

    assert isinstance(axes, Axes)
    colour = look.colour if look else SOFT
    box = FancyBboxPatch(
        (column + 0.06, row + 0.09),
        0.88,
        0.82,
        boxstyle="round,pad=0,rounding_size=0.05",
        facecolor=(*_rgb(colour), 0.14),
        edgecolor=colour,
        linewidth=1.0,
    )
    axes.add_patch(box)
    step = 0.74 / (len(words) + 1)
    axes.text(column + 0.12, row + 0.13 + step / 2, run, fontsize=8.5, fontweight="bold", va="center")
    if look:
        axes.plot([column + 0.83], [row + 0.13 + step / 2], look.marker, color=colour, ms=5)
    for place, word in enumerate(words, start=1):
        short = word if len(word) <= 13 else word[:12] + "…"
        axes.text(
            column + 0.12, row + 0.13 + step * (place + 0.5), short, fontsize=7.8, va="center", color=INK
        )


def _rgb(colour: str) -> tuple[float, float, float]:
    from matplotlib.colors import to_rgb

    red, green, blue = to_rgb(colour)
    return float(red), float(green), float(blue)


def alias_picture(aliases: Sequence[Alias], names: Mapping[str, str]) -> Figure:
    """Which other effects are in the number that estimates an effect, and how much of each.

    Parameters
    ----------
    aliases : sequence of Alias
        At least one, with others of at most two factors.
    names : mapping of str to str
        Factor names in plain words.

    Returns
    -------
    Figure
        A row for each effect, a column for each effect that is in it; the number is the share of the
        other effect that is added (1 or -1: the two cannot be told apart).

    Raises
    ------
    ValueError
        There is nothing to show.
    """
    table = alias_table(aliases)
    if table.empty:
        raise ValueError("no effect of two factors or fewer is in another's number")
    size = len(table.columns)
    with house_style():
        figure, axes = new_figure(height=1.5 + 0.3 * len(table))
        axes.imshow(np.abs(table.to_numpy()), cmap=_shades(), vmin=0, vmax=1, aspect="auto")
        for row, values in enumerate(table.to_numpy()):
            for column, value in enumerate(values):
                if value:
                    text = f"{value:.2g}".replace("-", "\N{MINUS SIGN}")
                    colour = "white" if abs(value) > 0.6 else INK
                    small = 8.5 if size <= 10 else 6.5
                    axes.text(column, row, text, ha="center", va="center", fontsize=small, color=colour)
        axes.set_yticks(range(len(table)), [_effect(term, names) for term in table.index])
        axes.set_xticks(
            range(size), [_effect(term, names) for term in table.columns], rotation=40, ha="right"
        )
        axes.set_xlabel("has this much of that effect in it")
        axes.set_ylabel("the number for")
        axes.grid(False)
        axes.set_xticks(np.arange(size + 1) - 0.5, minor=True)
        axes.set_yticks(np.arange(len(table) + 1) - 0.5, minor=True)
        axes.grid(True, which="minor", color=GRID)
        axes.tick_params(which="both", length=0)
    return figure


def alias_table(aliases: Sequence[Alias]) -> pd.DataFrame:
    """Share of each other effect (columns) in each effect (rows), those that matter most.

    Examples
    --------
    >>> alias_table([Alias("oil", (("gum:salt", 1.0), ("gum:salt:dye", 1.0)))])
         gum:salt
    oil       1.0
    """
    found = {
        alias.effect: {term: amount for term, amount in alias.others if term.count(":") <= 1}
        for alias in aliases
    }
    table = pd.DataFrame.from_dict({effect: row for effect, row in found.items() if row}, orient="index")
    if table.empty:
        return table
    table = table.fillna(0.0)
    columns = table.abs().max().sort_values(ascending=False, kind="stable").index[:MOST_EFFECTS]
    rows = table.abs().max(axis=1).sort_values(ascending=False, kind="stable").index[:MOST_EFFECTS]
    kept = table.loc[[term for term in table.index if term in set(rows)]]
    return kept[[term for term in table.columns if term in set(columns)]]


def _effect(term: str, names: Mapping[str, str]) -> str:
    if term.endswith("^2"):
        return f"bend in {names.get(term[:-2], term[:-2])}"
    return " × ".join(names.get(part, part) for part in term.split(":"))


def _shades() -> object:
    from matplotlib.colors import LinearSegmentedColormap

    return LinearSegmentedColormap.from_list("shades", ["white", BLUE])
