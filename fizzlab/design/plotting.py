"""Figures of a plan: the batches laid out by day, and the power curve."""

from __future__ import annotations

from textwrap import fill
from typing import TYPE_CHECKING, Any

import pandas as pd
from matplotlib.axes import Axes
from matplotlib.colors import to_rgba
from matplotlib.patches import FancyBboxPatch

from fizzlab.language import say
from fizzlab.models.plotting import BLUE, INK, RED, SOFT, axes_for, looks, thinned

if TYPE_CHECKING:
    from fizzlab.design.detect import Power

#: Batches side by side before a day goes on in the next line, and the shape of their tiles.
ACROSS, ROUND = 6, "round,pad=0,rounding_size=0.05"

_TICKS = [1.0, 1.1, 1.2, 1.3, 1.4, 1.5, 1.75, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 8.0, 12.0]


def plot_days(runs: pd.DataFrame, levels: pd.DataFrame, ax: Axes | None = None) -> Axes:
    """Draw every batch as a tile, a line a day; the first factor with few levels gives it its look."""
    legend = next((str(name) for name in levels if levels[name].nunique() <= 7), None)
    shown = looks([] if legend is None else sorted(levels[legend].unique()))
    column = runs.groupby("day").cumcount() % ACROSS
    line = ((column == 0).cumsum() - 1).to_list()
    rows, step = line[-1] + 1, 0.74 / (levels.shape[1] + 1)
    axes = axes_for(ax, height=0.6 + rows * (0.42 + 0.17 * levels.shape[1]))
    for place, (x, y, run) in enumerate(zip(column, line, runs["run"], strict=True)):
        look = None if legend is None else shown[levels[legend].iloc[place]]
        colour = look.colour if look else SOFT
        filled: Any = {"facecolor": to_rgba(colour, 0.14), "edgecolor": colour, "linewidth": 1.0}
        axes.add_patch(FancyBboxPatch((x + 0.06, y + 0.09), 0.88, 0.82, boxstyle=ROUND, **filled))
        top = y + 0.13 + step / 2
        axes.text(x + 0.12, top, str(run), fontsize=8.5, fontweight="bold", va="center")
        if look:
            axes.plot([x + 0.83], [top], look.marker, color=colour, ms=5)
        for lower, word in enumerate(levels.iloc[place].astype(str), start=1):
            said = word if len(word) <= 13 else word[:12] + "…"
            axes.text(x + 0.12, top + lower * step, said, fontsize=7.8, va="center", color=INK)
    for day, first in pd.Series(line).groupby(list(runs["day"]), sort=False).first().items():
        axes.text(-0.08, first + 0.5, say("day_number", day=day), ha="right", va="center", fontsize=9)
    axes.set_xlim(-0.62, max(column.max() + 1, 3) + 0.02)
    axes.set_ylim(rows + 0.05, -0.05)
    axes.set_axis_off()
    below = say("in_each_tile", names=", ".join(str(name) for name in levels))
    axes.text(0.12, 0, fill(below, 78), transform=axes.transAxes, va="top", fontsize=8.5, color=SOFT)
    return axes


def plot_power(power: Power, ax: Axes | None = None) -> Axes:
    """Draw how many of 100 trials would see an effect, by its size, with the error of simulating."""
    import seaborn as sns

    ratios = power.scale == "ratio"
    asked = float(power.first[power.scale])
    rows = power.curve.set_index("size") * 100
    least, right = 1.0 if ratios else 0.0, float(rows.index.max())
    axes = axes_for(ax, height=3.5)
    axes.fill_between(rows.index, rows["conf_low"], rows["conf_high"], color=BLUE, alpha=0.18, lw=0)
    sns.lineplot(x=rows.index, y=rows["chance"], marker="o", color=BLUE, ax=axes)
    axes.axhline(100 * power.target, color=SOFT, lw=1.0, ls=(0, (4, 2)))
    axes.axvline(asked, color=RED, lw=1.2, ls=(0, (1.2, 1.6)))
    late = asked > (right**0.5 if ratios else right / 2)
    beside: Any = {"textcoords": "offset points", "fontsize": 8.5, "color": RED}
    away, side = (-5, "right") if late else (5, "left")
    worth = say("worth_knowing", amount=power.amount(asked))
    axes.annotate(worth, (asked, 4), (away, 0), ha=side, **beside)
    if ratios:
        axes.set_xscale("log")
        ticks = thinned([tick for tick in _TICKS if tick <= right * 1.01], 8)
        axes.set_xticks(ticks, [f"{tick:g}" for tick in ticks])
        axes.minorticks_off()
    axes.set_xlim(least, right * 1.01)
    axes.set_ylim(0, 102)
    axes.set_xlabel(say(f"axis_true_{power.scale}", response=power.response))
    axes.set_ylabel(say("axis_of_100"))
    return axes
