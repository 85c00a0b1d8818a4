"""What changed, drawn: for one factor a panel a response, with every batch and the mean of each level."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter, LogLocator, MaxNLocator, NullLocator

from fizzlab.models.plotting import INK, SOFT, WIDTH, house_style, looks

#: Levels of a factor that are drawn; names longer than this are broken over two lines.
LONG = 14


@dataclass(frozen=True)
class Panel:
    """One response by the levels of one factor.

    Parameters
    ----------
    title : str
        The response with its unit.
    levels : tuple of str
        In the order of the report.
    means : DataFrame
        One row a level: level, estimate, conf_low, conf_high.
    batches : DataFrame
        One row a batch: level, value; empty where no batch has a number of its own.
    log : bool
        Draw on a logarithmic axis.
    """

    title: str
    levels: tuple[str, ...]
    means: pd.DataFrame
    batches: pd.DataFrame
    log: bool


def factor_panels(panels: Sequence[Panel]) -> Figure:
    """Draw a panel a response: batches as points, the mean of each level with its interval.

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
        figure = Figure(figsize=(WIDTH, rows * (0.95 + 0.34 * levels)), layout="constrained")
        grid = figure.subplots(rows, columns, sharey=True, squeeze=False)
        for place, axes in enumerate(grid.flat):
            if place < len(panels):
                _draw(axes, panels[place])
            else:
                axes.set_visible(False)
    return figure


def _draw(axes: Axes, panel: Panel) -> None:
    look = looks(panel.levels)
    places = {level: len(panel.levels) - 1 - place for place, level in enumerate(panel.levels)}
    for level, place in places.items():
        mine = panel.batches.loc[panel.batches["level"] == level, "value"].dropna().to_numpy(float)
        spread = np.linspace(-0.16, 0.16, len(mine)) if len(mine) > 1 else np.zeros(len(mine))
        axes.plot(
            mine,
            place - 0.18 + spread * 0.7,
            look[level].marker,
            color=look[level].colour,
            alpha=0.55,
            ms=4.5,
            mew=0,
        )
        row = panel.means[panel.means["level"] == level]
        if len(row):
            mean, low, high = (float(row[name].iloc[0]) for name in ("estimate", "conf_low", "conf_high"))
            axes.plot([low, high], [place + 0.16] * 2, color=INK, lw=2.2, solid_capstyle="butt")
            axes.plot(
                [mean], [place + 0.16], look[level].marker, color=look[level].colour, ms=8, mec=INK, mew=1.0
            )
    axes.set_yticks(list(places.values()), [_broken(level) for level in places])
    axes.set_ylim(-0.55, len(panel.levels) - 0.45)
    axes.set_title(panel.title, fontsize=10.5, fontweight="normal", color=INK)
    axes.grid(axis="y", visible=False)
    axes.tick_params(axis="y", length=0)
    axes.spines["left"].set_visible(False)
    if panel.log:
        axes.set_xscale("log")
        _few_ticks(axes)
    else:
        axes.xaxis.set_major_locator(MaxNLocator(4))
    axes.tick_params(axis="x", labelsize=9, colors=SOFT, labelcolor=INK)


def _few_ticks(axes: Axes) -> None:
    """Ticks at 1, 2 and 5 of each decade, or even ones where fewer than three of those lie in view."""
    low, high = axes.get_xlim()
    axes.xaxis.set_minor_locator(NullLocator())
    nice = [m * 10.0**e for e in range(-4, 7) for m in (1, 2, 5) if low <= m * 10.0**e <= high]
    if len(nice) >= 3:
        axes.xaxis.set_major_locator(LogLocator(subs=(1, 2, 5)))
    else:
        axes.set_xticks(MaxNLocator(4).tick_values(low, high))
        axes.set_xlim(low, high)
    axes.xaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))


def _broken(level: str) -> str:
    """A long name over two lines, at the space nearest to its middle."""
    if len(level) <= LONG or " " not in level:
        return level
    spaces = [place for place, sign in enumerate(level) if sign == " "]
    middle = min(spaces, key=lambda place: abs(place - len(level) / 2))
    return f"{level[:middle]}\n{level[middle + 1 :]}"
