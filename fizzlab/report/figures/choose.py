"""The trade-off drawn: every combination by every response that was asked for, with the limits."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from textwrap import wrap

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter, MaxNLocator, NullLocator

from fizzlab.models.plotting import BLUE, INK, RED, SOFT, WIDTH, house_style

#: Names longer than this are broken over two lines.
LONG = 18
#: Most signs in a line of a panel's title, beside short names and beside long ones.
TITLE = (25, 15)


@dataclass(frozen=True)
class Panel:
    """One response by the combinations.

    Parameters
    ----------
    title : str
        The response with its unit.
    values : DataFrame
        One row a combination, in order: value, low, high.
    at_least, at_most : float or None
        The limits.
    log : bool
        Draw on a logarithmic axis.
    percent : bool
        A share of a whole, 0 to 100.
    """

    title: str
    values: pd.DataFrame
    at_least: float | None = None
    at_most: float | None = None
    log: bool = False
    percent: bool = False


def trade_off(names: Sequence[str], filled: Sequence[bool], panels: Sequence[Panel]) -> Figure:
    """Draw a row a combination and a panel a response; what is worth keeping in view is filled.

    Parameters
    ----------
    names : sequence of str
        The combinations, best first.
    filled : sequence of bool
    panels : sequence of Panel

    Examples
    --------
    >>> values = pd.DataFrame({"value": [4.2, 6.2], "low": [3.8, 5.8], "high": [4.6, 6.6]})
    >>> len(trade_off(["dye", "lake"], [True, False], [Panel("dry time, h", values, at_most=6)]).axes)
    1
    """
    columns = min(2, len(panels))
    rows = -(-len(panels) // columns)
    shown = [_broken(name) for name in names]
    widest = max(len(line) for name in shown for line in name.split("\n"))
    title = TITLE[0] if widest <= LONG else TITLE[1]
    each = 0.38 if any("\n" in name for name in shown) else 0.28
    with house_style():
        figure = Figure(figsize=(WIDTH, rows * (0.85 + each * len(names))), layout="constrained")
        grid = figure.subplots(rows, columns, sharey=True, squeeze=False)
        for place, axes in enumerate(grid.flat):
            if place < len(panels):
                _draw(axes, panels[place], list(filled), title)
            else:
                axes.set_visible(False)
        for axes in grid[:, 0]:
            axes.set_yticks(range(len(names)), shown, fontsize=9.5)
            axes.get_yticklabels()[0].set_fontweight("bold")
            axes.set_ylim(len(names) - 0.4, -0.6)
    return figure


def _draw(axes: Axes, panel: Panel, filled: list[bool], title: int) -> None:
    values = panel.values
    for place, (value, low, high) in enumerate(values[["value", "low", "high"]].to_numpy(float)):
        front = filled[place]
        axes.plot([low, high], [place] * 2, color=INK if front else SOFT, lw=2.0, solid_capstyle="butt")
        axes.plot(
            [value],
            [place],
            "o",
            ms=8 if front else 7,
            color=BLUE if front else "white",
            mec=INK if front else SOFT,
            mew=1.1,
        )
    if panel.log:
        axes.set_xscale("log")
    _span(axes, panel)
    for limit, outward in ((panel.at_least, -1), (panel.at_most, 1)):
        if limit is not None:
            low, high = axes.get_xlim()
            axes.axvline(limit, color=RED, lw=1.4)
            axes.axvspan(*((low, limit) if outward < 0 else (limit, high)), color=RED, alpha=0.10, lw=0)
            axes.set_xlim(low, high)
    axes.set_title("\n".join(wrap(panel.title, title)), fontsize=9.5, fontweight="normal", color=INK)
    axes.grid(axis="y", visible=False)
    axes.tick_params(axis="y", length=0)
    axes.spines["left"].set_visible(False)
    axes.tick_params(axis="x", labelsize=9, colors=SOFT, labelcolor=INK)


def _span(axes: Axes, panel: Panel) -> None:
    """The axis holds all intervals and the limits, with a margin; ticks are plain numbers."""
    if panel.percent:
        axes.set_xlim(-6, 106)
        axes.set_xticks([0, 25, 50, 75, 100])
        return
    ends = [*panel.values[["low", "high"]].to_numpy(float).ravel()]
    ends += [limit for limit in (panel.at_least, panel.at_most) if limit is not None]
    shape, back = (np.log, np.exp) if panel.log else (np.asarray, np.asarray)
    low, high = (float(shape(end)) for end in (min(ends), max(ends)))
    reach = 0.06 * (high - low) or 0.1 * abs(high) or 1.0
    axes.set_xlim(float(back(low - reach)), float(back(high + reach)))
    if panel.log:
        left, right = axes.get_xlim()
        nice = [m * 10.0**e for e in range(-4, 7) for m in (1, 2, 5) if left <= m * 10.0**e <= right]
        if len(nice) < 3:
            nice = [t for t in MaxNLocator(4).tick_values(left, right) if left <= t <= right]
        axes.xaxis.set_minor_locator(NullLocator())
        axes.set_xticks(nice)
        axes.xaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
    else:
        axes.xaxis.set_major_locator(MaxNLocator(4))


def _broken(name: str) -> str:
    """A long name over two lines, at the space nearest to its middle."""
    if len(name) <= LONG or " " not in name:
        return name
    spaces = [place for place, sign in enumerate(name) if sign == " "]
    middle = min(spaces, key=lambda place: abs(place - len(name) / 2))
    return f"{name[:middle]}\n{name[middle + 1 :]}"
