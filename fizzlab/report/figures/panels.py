"""Panels, one a response: what each factor changed, and every combination with what was asked of it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from textwrap import fill, wrap

import numpy as np
import pandas as pd
import seaborn as sns
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator, NullLocator

from fizzlab.models.choose import Choice
from fizzlab.models.plotting import INK, house_style, looks, new_figure

#: Most signs in a line of a level's name and of a combination's, and of a title beside short and long names.
LONG, NAME, TITLE = 14, 18, (24, 15)
#: So many combinations are drawn.
MOST = 12


@dataclass(frozen=True)
class Panel:
    """One response: `means` has level, estimate, conf_low, conf_high; `batches` level and value, if any."""

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
    if panel.log:
        axes.set_xscale("log")
        axes.xaxis.set_minor_locator(NullLocator())
        axes.xaxis.set_major_formatter("{x:g}")
    axes.xaxis.set_major_locator(MaxNLocator(4))


def trade_off(choice: Choice, names: Sequence[str], titles: Mapping[str, str]) -> Figure:
    """Draw a row for each of the best combinations; a panel of all limits or wishes, then one a response."""
    whole = "Keeps every limit, %" if choice.limits else "Wishes granted, %"
    panels: list[tuple[str | None, str]] = [(None, whole), *titles.items()]
    shown = [wrap(name, max(NAME, len(name) // 2 + 4)) for name in names]
    widest = max(len(line) for lines in shown for line in lines)
    each = 0.38 if any(len(lines) > 1 for lines in shown) else 0.28
    rows = -(-len(panels) // 2)
    with house_style():
        height = rows * (0.85 + each * len(names))
        figure, grid = new_figure(rows, 2, height=height, sharey=True, squeeze=False)
        for axes, (response, title) in zip(grid.flat, panels, strict=False):
            choice.plot(axes, response, most=len(names))
            lines = wrap(title, TITLE[widest > NAME])
            axes.set_title("\n".join(lines), fontsize=9.5, fontweight="normal")
            axes.set_xlabel("")
            axes.tick_params(axis="x", labelsize=9)
            axes.tick_params(axis="y", length=0)
            axes.spines["left"].set_visible(False)
        for axes in grid[:, 0]:
            axes.set_yticks(range(len(names)), ["\n".join(lines) for lines in shown], fontsize=9.5)
            axes.get_yticklabels()[0].set_fontweight("bold")
        for axes in list(grid.flat)[len(panels) :]:
            axes.set_visible(False)
    return figure
