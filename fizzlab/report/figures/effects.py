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

#: Names of levels longer than this are broken over several lines.
LONG = 14


@dataclass(frozen=True)
class Panel:
    """One response by the levels of one factor.

    `means` has a row a level (level, estimate, conf_low, conf_high); `batches` a row a batch (level, value),
    and none where no batch has a number of its own. `log` asks for a logarithmic axis.
    """

    title: str
    levels: tuple[str, ...]
    means: pd.DataFrame
    batches: pd.DataFrame
    log: bool


def factor_panels(panels: Sequence[Panel]) -> Figure:
    """Draw a panel a response: batches as small marks, the typical batch of each level with its interval.

    Examples
    --------
    >>> means = pd.DataFrame({"level": ["dye", "lake"], "estimate": [4.2, 6.2],
    ...                       "conf_low": [3.8, 5.8], "conf_high": [4.6, 6.6]})
    >>> batches = pd.DataFrame({"level": ["dye", "lake"] * 2, "value": [4.1, 6.3, 4.3, 6.1]})
    >>> len(factor_panels([Panel("dry time, h", ("dye", "lake"), means, batches, True)]).axes)
    1
    """
    columns = min(2, len(panels))
    rows = -(-len(panels) // columns)
    levels = max(len(panel.levels) for panel in panels)
    with house_style():
        figure, grid = new_figure(
            rows, columns, height=rows * (0.95 + 0.34 * levels), sharey=True, squeeze=False
        )
        for axes, panel in zip(grid.flat, panels, strict=False):
            _draw(axes, panel)
        for axes in grid.flat[len(panels) :]:
            axes.set_visible(False)
    return figure


def _draw(axes: Axes, panel: Panel) -> None:
    shown = looks(panel.levels)
    for place, level in enumerate(panel.levels):
        colour, marker = shown[level].colour, shown[level].marker
        mine = panel.batches.loc[panel.batches["level"] == level, "value"].astype(float)
        rng = np.random.default_rng(place)
        y = place + 0.2 + rng.uniform(-0.1, 0.1, len(mine))
        sns.scatterplot(x=mine, y=y, marker=marker, color=colour, alpha=0.55, s=22, linewidth=0, ax=axes)
        for row in panel.means[panel.means["level"] == level].to_dict("records"):
            axes.plot([row["conf_low"], row["conf_high"]], [place - 0.15] * 2, color=INK, lw=2.2)
            axes.plot([row["estimate"]], [place - 0.15], marker, color=colour, ms=8, mec=INK)
    axes.set_yticks(range(len(panel.levels)), [fill(level, LONG) for level in panel.levels])
    axes.set_ylim(len(panel.levels) - 0.45, -0.55)
    axes.set_title(panel.title, fontsize=10.5, fontweight="normal")
    axes.set(xlabel="", ylabel="")
    axes.grid(axis="y", visible=False)
    axes.tick_params(axis="x", labelsize=9)
    axes.spines["left"].set_visible(False)
    if panel.log:
        axes.set_xscale("log")
        _few_ticks(axes)
    else:
        axes.xaxis.set_major_locator(MaxNLocator(4))


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
