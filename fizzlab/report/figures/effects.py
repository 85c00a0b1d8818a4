"""What changed, drawn: a panel a response, with every batch and the typical batch of each level."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from textwrap import fill

import numpy as np
import pandas as pd
import seaborn as sns
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter, LogLocator, MaxNLocator, NullLocator

from fizzlab.models.plotting import INK, house_style, looks, new_figure

#: Most signs in a line of a level's name, and of a panel's title beside short and beside long names.
LONG, TITLE = 14, (24, 20)


@dataclass(frozen=True)
class Panel:
    """One response: `means` has level, estimate, conf_low, conf_high; `batches` level and value, if any have.

    `log` asks for a logarithmic axis.
    """

    title: str
    means: pd.DataFrame
    batches: pd.DataFrame
    log: bool


def factor_panels(panels: Sequence[Panel]) -> Figure:
    """Draw a panel a response: batches as small marks, the typical batch of each level with its interval."""
    columns = min(2, len(panels))
    rows = -(-len(panels) // columns)
    names = {level for panel in panels for level in panel.means["level"]}
    most = max(len(panel.means) for panel in panels)
    with house_style():
        height = rows * (1.0 + 0.34 * most)
        figure, grid = new_figure(rows, columns, height=height, sharey=True, squeeze=False)
        for axes, panel in zip(grid.flat, panels, strict=False):
            _draw(axes, panel)
            title = fill(panel.title, TITLE[max(map(len, names)) > LONG // 2])
            axes.set_title(title, fontsize=9.5, fontweight="normal")
        for axes in grid.flat[len(panels) :]:
            axes.set_visible(False)
    return figure


def _draw(axes: Axes, panel: Panel) -> None:
    levels, shown = list(panel.means["level"]), looks(list(panel.means["level"]))
    places, means = np.arange(len(levels)), panel.means.replace(np.inf, np.nan)
    colours, markers = {n: e.colour for n, e in shown.items()}, {n: e.marker for n, e in shown.items()}
    own: dict[str, object] = {"hue": "level", "hue_order": levels, "palette": colours, "ax": axes}
    own["legend"] = False
    small = panel.batches.assign(place=[levels.index(level) + 0.2 for level in panel.batches["level"]])
    if len(small):
        sns.scatterplot(small, x="value", y="place", s=22, linewidth=0, alpha=0.55, **own)
    axes.hlines(places - 0.15, means["conf_low"], means["conf_high"], color=INK, lw=2.2)
    large = {"style": "level", "style_order": levels, "markers": markers, "s": 64, "edgecolor": INK}
    sns.scatterplot(means.assign(place=places - 0.15), x="estimate", y="place", zorder=3, **large, **own)
    axes.set_yticks(places, [fill(level, LONG) for level in levels])
    axes.set(xlabel="", ylabel="", ylim=(len(levels) - 0.45, -0.55))
    axes.grid(axis="y", visible=False)
    axes.tick_params(axis="x", labelsize=9)
    axes.spines["left"].set_visible(False)
    axes.xaxis.set_major_locator(MaxNLocator(4))
    if panel.log:
        axes.set_xscale("log")
        _few_ticks(axes)


def _few_ticks(axes: Axes) -> None:
    """Ticks at 1, 2 and 5 of each decade, or even ones where fewer than three of those lie in view."""
    low, high = axes.get_xlim()
    axes.xaxis.set_minor_locator(NullLocator())
    if sum(low <= m * 10.0**e <= high for e in range(-4, 7) for m in (1, 2, 5)) >= 3:
        axes.xaxis.set_major_locator(LogLocator(subs=(1, 2, 5)))
    else:
        axes.set_xticks(MaxNLocator(4).tick_values(low, high))
        axes.set_xlim(low, high)
    axes.xaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
