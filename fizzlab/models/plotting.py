"""The one palette and style of every figure, over seaborn's, and the figure that every fit has.

Okabe and Ito's colour-blind-safe colours; each level also has its own marker and line, for grey printers.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import cycle
from typing import TYPE_CHECKING, Any

import matplotlib as mpl
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import LogLocator, MaxNLocator, NullLocator

from fizzlab.language import say
from fizzlab.models.terms import ALL, Category, Term, grouping, level_name

if TYPE_CHECKING:
    from fizzlab.models.result import FitResult

INK, SOFT, GRID = "#1d2a33", "#53636e", "#d5dde2"
BLUE, ORANGE, GREEN, RED, PURPLE, SKY = "#0072B2", "#E69F00", "#009E73", "#D55E00", "#CC79A7", "#56B4E9"

_COLOURS = (BLUE, RED, GREEN, ORANGE, PURPLE, SKY, INK)
_MARKERS = ("o", "s", "^", "D", "v", "P", "X")
_LINES: tuple[Any, ...] = ("-", (0, (5, 2)), (0, (1.2, 1.6)), (0, (5, 1.5, 1.2, 1.5)), (0, (8, 2)), "-", "--")

_TICKS = (0.01, 0.02, 0.05, 0.1, 0.25, 0.5, 1, 2, 3, 4, 6, 8, 12, 18, 24, 36, 48, 72, 96, 144, 240, 480)

#: Width in inches that stays legible on a phone and fills a printed column.
WIDTH = 5.4

_SETTINGS: Any = {
    "font.family": "DejaVu Sans",
    "font.size": 10.5,
    "axes.labelsize": 10.5,
    "axes.titlesize": 11.5,
    "axes.titleweight": "bold",
    "axes.titlelocation": "left",
    "axes.edgecolor": SOFT,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.axisbelow": True,
    "grid.color": GRID,
    "grid.linewidth": 0.6,
    **dict.fromkeys(["text.color", "axes.labelcolor", "xtick.labelcolor", "ytick.labelcolor"], INK),
    **dict.fromkeys(["xtick.color", "ytick.color"], SOFT),
    "legend.frameon": False,
    "legend.fontsize": 10,
    "lines.linewidth": 1.8,
    "svg.fonttype": "path",
    "text.usetex": False,
    "svg.hashsalt": "fizzlab",
    "figure.constrained_layout.use": True,
}


@dataclass(frozen=True)
class Look:
    """How one level is drawn everywhere."""

    colour: str
    marker: str
    line: Any


def looks(levels: Sequence[str]) -> dict[str, Look]:
    """A colour, marker and line for each level, in order."""
    return {
        level: Look(*each) for level, each in zip(levels, cycle(zip(_COLOURS, _MARKERS, _LINES, strict=True)))
    }


@contextmanager
def house_style() -> Iterator[None]:
    """Draw in the house style, and leave Matplotlib as it was."""
    with mpl.rc_context(settings()):
        yield


def settings() -> Any:
    """The house style as Matplotlib's settings, of which none needs seaborn to be loaded."""
    import seaborn as sns

    style = {name: value for name, value in sns.axes_style("whitegrid").items() if name != "image.cmap"}
    return {**style, **_SETTINGS}


def new_figure(
    rows: int = 1, columns: int = 1, *, height: float = 3.6, width: float = WIDTH, **grid: Any
) -> tuple[Figure, Any]:
    """A figure and its axes (one `Axes`, or an array of them)."""
    figure = Figure(figsize=(width, height), layout="constrained")
    return figure, figure.subplots(rows, columns, **grid)


def hours_axis(axes: Axes, low: float, high: float, *, upright: bool = False) -> None:
    """A logarithmic axis of hours below, or `upright`, with at most ten of the ticks that people use."""
    shown = thinned([tick for tick in _TICKS if low <= tick <= high])
    axis: dict[str, Any] = {"scale": "log", "lim": (low, high), "ticks": shown}
    axis["ticklabels"] = [f"{tick:g}" for tick in shown]
    axes.set(**{f"{'y' if upright else 'x'}{name}": value for name, value in axis.items()})
    axes.minorticks_off()


def round_ticks(axes: Axes, *, log: bool = False, most: int = 6) -> None:
    """At most so many steps of 1, 2 or 5 below, on a logarithmic axis too."""
    if log:
        axes.set_xscale("log")
    low, high = axes.get_xlim()
    decades = log and high > 5 * low
    axes.xaxis.set_major_locator(
        LogLocator(subs=(1, 2, 3, 5)) if decades else MaxNLocator(most, steps=[1, 2, 5, 10])
    )
    axes.xaxis.set_minor_locator(NullLocator())
    if log:
        axes.xaxis.set_major_formatter("{x:g}")


def thinned(ticks: list[float], most: int = 10) -> list[float]:
    """At most so many ticks, evenly, the first kept."""
    return ticks[:: 1 + max(len(ticks) - 1, 0) // most]


def axes_for(ax: Axes | None, height: float = 3.6) -> Axes:
    """The axes that were given, or new ones of pyplot in the house style, which a notebook shows."""
    if ax is not None:
        return ax
    import matplotlib.pyplot as plt

    with house_style():
        axes: Axes = plt.subplots(figsize=(WIDTH, height), layout="constrained")[1]
    return axes


def plot_effects(fit: FitResult, ax: Axes | None = None) -> Axes:
    """Draw each row of a fit's table as a point with its interval, beside the line of no difference."""
    rows = fit.table.to_dict("records")
    axes = axes_for(ax, height=0.9 + 0.45 * max(len(rows), 1))
    sides = [say("level_against_control", level=row["level"], control=row["control"]) for row in rows]
    names = [f"{row['term']}\n{side}" for row, side in zip(rows, sides, strict=True)]
    for place, row in enumerate(rows):
        null = 0.0 if row["scale"] == "difference" else 1.0
        colour = SOFT if row["conf_low"] <= null <= row["conf_high"] else BLUE
        axes.plot([row["conf_low"], row["conf_high"]], [place, place], color=colour)
        axes.plot([row["estimate"]], [place], "o", color=colour)
        axes.axvline(null, color=INK, linewidth=0.8)
    if all(row["scale"] != "difference" and row["conf_low"] > 0 for row in rows):
        axes.set_xscale("log")
        axes.xaxis.set_major_formatter("{x:g}")
        axes.xaxis.set_minor_formatter("{x:g}")
    axes.set_xlabel(f"{fit.response}: {rows[0]['scale'] if rows else say('nothing_changed')}")
    axes.set_yticks(range(len(names)), names)
    axes.set_ylim(max(len(names), 1) - 0.5, -0.5)
    return axes


def drawn_apart(
    batches: pd.DataFrame, terms: Sequence[Term], most: int = 8
) -> tuple[pd.Series, pd.DataFrame]:
    """What each batch is drawn with: its combination, or the first factor's level where these are many.

    Gives the labels by run, a Categorical in the order of the levels, and a row a label: its conditions.
    """
    grouped = grouping(terms)
    for used in [list(terms), [grouped]] if grouped is not None else []:
        columns = {
            term.name: pd.Categorical(batches[term.name].astype(str), term.levels, ordered=True)
            if isinstance(term, Category)
            else batches[term.name].to_numpy()
            for term in used
        }
        made = pd.DataFrame(columns).drop_duplicates().sort_values(list(columns), ignore_index=True)
        if len(made) <= most:
            names, labels = (
                [", ".join(level_name(t, v) for t, v in zip(used, row, strict=True)) for row in rows]
                for rows in (made.to_numpy(object), batches[list(columns)].to_numpy(object))
            )
            category = pd.Categorical(labels, names, ordered=True)
            return pd.Series(category, batches.index), made.set_axis(names)
    return pd.Series(pd.Categorical([ALL] * len(batches)), batches.index), pd.DataFrame(index=[ALL])
