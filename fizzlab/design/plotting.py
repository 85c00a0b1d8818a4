"""Figures of a plan: the batches laid out by day, and the power curve."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby
from textwrap import fill
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.colors import to_rgba
from matplotlib.patches import FancyBboxPatch

from fizzlab.models.plotting import BLUE, INK, RED, SOFT, Look, axes_for, looks

if TYPE_CHECKING:
    from fizzlab.design.detect import Power

#: Batches side by side before a day goes on in the next line.
ACROSS = 6

_TICKS = [1.0, 1.1, 1.2, 1.3, 1.4, 1.5, 1.75, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 8.0, 12.0]


def plot_days(runs: pd.DataFrame, levels: pd.DataFrame, ax: Axes | None = None) -> Axes:
    """Draw every batch as a tile, a line a day, in the order of making.

    `levels` has the rows of `runs` and one column a factor, in words; the first with at most seven different
    levels gives a tile its colour and marker.
    """
    legend = next((str(name) for name in levels if levels[name].nunique() <= 7), None)
    shown = {} if legend is None else looks(sorted(levels[legend].unique(), key=_natural))
    lines = [
        (day, rows[start : start + ACROSS])
        for day, each in groupby(range(len(runs)), key=list(runs["day"]).__getitem__)
        for rows in [list(each)]
        for start in range(0, len(rows), ACROSS)
    ]
    axes = axes_for(ax, height=0.6 + len(lines) * (0.42 + 0.17 * levels.shape[1]))
    said = ""
    for row, (day, batches) in enumerate(lines):
        for column, place in enumerate(batches):
            words = levels.iloc[place]
            look = None if legend is None else shown[words[legend]]
            _tile(axes, row, column, str(runs["run"].iloc[place]), [str(word) for word in words], look)
        if day != said:
            axes.text(-0.08, row + 0.5, f"day {day}", ha="right", va="center", fontsize=9)
        said = day
    axes.set_xlim(-0.62, max(*(len(batches) for _, batches in lines), 3) + 0.02)
    axes.set_ylim(len(lines) + 0.05, -0.05)
    axes.set_axis_off()
    below = f"in each tile, from the top: batch, {', '.join(str(name) for name in levels)}"
    axes.text(0.12, 0, fill(below, 78), transform=axes.transAxes, va="top", fontsize=8.5, color=SOFT)
    return axes


def _natural(level: str) -> tuple[float, str]:
    """Numbers by size, names by letter."""
    try:
        return float(level.split()[0]), level
    except ValueError:
        return np.inf, level


def _tile(axes: Axes, row: int, column: int, run: str, words: Sequence[str], look: Look | None) -> None:
    colour = look.colour if look else SOFT
    box = FancyBboxPatch(
        (column + 0.06, row + 0.09),
        0.88,
        0.82,
        boxstyle="round,pad=0,rounding_size=0.05",
        facecolor=to_rgba(colour, 0.14),
        edgecolor=colour,
        linewidth=1.0,
    )
    axes.add_patch(box)
    step = 0.74 / (len(words) + 1)
    lines = [row + 0.13 + step * (place + 0.5) for place in range(len(words) + 1)]
    axes.text(column + 0.12, lines[0], run, fontsize=8.5, fontweight="bold", va="center")
    if look:
        axes.plot([column + 0.83], [lines[0]], look.marker, color=colour, ms=5)
    for line, word in zip(lines[1:], words, strict=True):
        short = word if len(word) <= 13 else word[:12] + "…"
        axes.text(column + 0.12, line, short, fontsize=7.8, va="center", color=INK)


def plot_power(power: Power, ax: Axes | None = None) -> Axes:
    """Draw how many of 100 trials would see an effect, by its size, with the error of simulating."""
    import seaborn as sns

    ratios = power.scale == "ratio"
    asked = float(power.first[power.scale])
    rows = power.curve.set_index("size") * 100
    axes = axes_for(ax, height=3.5)
    axes.fill_between(rows.index, rows["conf_low"], rows["conf_high"], color=BLUE, alpha=0.18, lw=0)
    sns.lineplot(x=rows.index, y=rows["chance"], marker="o", color=BLUE, ax=axes)
    axes.axhline(100 * power.target, color=SOFT, lw=1.0, ls=(0, (4, 2)))
    axes.axvline(asked, color=RED, lw=1.2, ls=(0, (1.2, 1.6)))
    least, right = (1.0, float(rows.index.max())) if ratios else (0.0, float(rows.index.max()))
    late = asked > (right * least) ** 0.5 if ratios else asked > right / 2
    axes.annotate(
        f"worth knowing: {power.amount(asked)}",
        (asked, 4),
        (-5 if late else 5, 0),
        textcoords="offset points",
        ha="right" if late else "left",
        fontsize=8.5,
        color=RED,
    )
    if ratios:
        axes.set_xscale("log")
        shown = [1.0]
        for tick in (each for each in _TICKS if each <= right * 1.01):
            if np.log(tick / shown[-1]) >= np.log(right) / 12:
                shown.append(tick)
        axes.set_xticks(shown, [f"{tick:g}" for tick in shown])
        axes.minorticks_off()
    axes.set_xlim(least, right * 1.01)
    axes.set_ylim(0, 102)
    axes.set_xlabel(f"true {power.scale} of {power.response}")
    axes.set_ylabel("of 100 such trials, see it")
    return axes
