"""Figures across trials: every trial's line with the pooled one, and the chart of days over time."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.ticker import FuncFormatter, MaxNLocator

from fizzlab.models.drift import DriftChart
from fizzlab.models.plotting import BLUE, INK, RED, SOFT, Look, hours_up, house_style, looks, new_figure

#: More trials than this are not told apart by colour, only the last one from the others.
MOST = 6

_AIRS = (0.05, 0.1, 0.15, 0.2, 0.3, 0.4, 0.5, 0.6, 0.8, 1.0, 1.2, 1.5, 2.0, 2.5, 3.0, 4.0)


def season_lines(
    batches: pd.DataFrame, lines: pd.DataFrame, pooled: pd.DataFrame | None, asked: float
) -> Figure:
    """Dry time against the air: the batches and line of every trial, and the pooled line with its bands.

    Parameters
    ----------
    batches : DataFrame
        Columns trial, vpd_kpa, hours.
    lines : DataFrame
        Columns trial, vpd_kpa, hours: the ends of each trial's own line.
    pooled : DataFrame or None
        Columns vpd_kpa, typical, low, high, new_low, new_high, beyond_tried; None where nothing was pooled.
    asked : float
        The air that is forecast for, in kPa: an upright line.
    """
    trials = list(dict.fromkeys(lines["trial"]))
    shown, named = _looks(trials)
    air = batches["vpd_kpa"] if pooled is None else pooled["vpd_kpa"]
    left, right = min(float(air.min()), asked) / 1.03, max(float(air.max()), asked) * 1.03
    least, most = float(batches["hours"].min()), float(batches["hours"].max())
    low, high = least / 1.4, most * 1.4
    if pooled is not None:
        low = min(low, max(float(pooled["new_low"].min()), least / 2.5))
        high = max(high, min(float(pooled["new_high"].max()), 2.5 * most))
    handles = [
        Line2D([], [], color=look.colour, ls=look.line, lw=1.1, marker=look.marker, ms=4, label=name)
        for name, look in named.items()
    ]
    handles += [Line2D([], [], color=INK, lw=2.4, label="pooled")] if pooled is not None else []
    columns = _columns(handles)
    with house_style():
        figure, axes = new_figure(height=4.0 + 0.2 * -(-len(handles) // columns))
        axes.axvline(asked, color=SOFT, lw=1.0, ls=(0, (1, 2)))
        if pooled is not None:
            _pooled(axes, pooled)
        for trial in trials:
            look = shown[trial]
            part, own = batches[batches["trial"] == trial], lines[lines["trial"] == trial]
            axes.plot(own["vpd_kpa"], own["hours"], color=look.colour, ls=look.line, lw=1.1)
            axes.plot(
                part["vpd_kpa"],
                part["hours"],
                color=look.colour,
                marker=look.marker,
                ls="",
                ms=3.6,
                alpha=0.8,
            )
        axes.set_xscale("log")
        axes.set_xlim(left, right)
        ticks = [tick for tick in _AIRS if left <= tick <= right]
        axes.set_xticks(ticks, [f"{tick:g}" for tick in ticks])
        hours_up(axes, low, high)
        axes.minorticks_off()
        axes.set_xlabel("vapour-pressure deficit of the room, kPa (thirstier air to the right)")
        axes.set_ylabel("hours until half are dry")
        _legend(axes, handles, columns)
    return figure


def _pooled(axes: Axes, pooled: pd.DataFrame) -> None:
    air = pooled["vpd_kpa"]
    axes.fill_between(air, pooled["new_low"], pooled["new_high"], color=INK, alpha=0.07, lw=0)
    axes.fill_between(air, pooled["low"], pooled["high"], color=INK, alpha=0.16, lw=0)
    tried = pooled[~pooled["beyond_tried"]]
    axes.plot(air, pooled["typical"], color=INK, lw=1.4, ls=(0, (1.2, 1.6)))
    axes.plot(tried["vpd_kpa"], tried["typical"], color=INK, lw=2.4)


def _looks(trials: Sequence[str]) -> tuple[dict[str, Look], dict[str, Look]]:
    """How each trial is drawn, and what the legend names."""
    if len(trials) <= MOST:
        shown = looks(trials)
        return shown, shown
    others = Look(SOFT, "o", "-")
    shown = dict.fromkeys(trials[:-1], others) | {trials[-1]: Look(BLUE, "s", "-")}
    return shown, {f"{len(trials) - 1} other trials": others, trials[-1]: shown[trials[-1]]}


def _columns(handles: Sequence[Line2D]) -> int:
    """How many names stand side by side."""
    widest = max(len(str(handle.get_label())) for handle in handles)
    return max(1, min(len(handles), 4, 52 // (widest + 6)))


def _legend(axes: Axes, handles: list[Line2D], columns: int) -> None:
    """Above the axes, where it covers no reading."""
    axes.legend(
        handles=handles,
        loc="lower left",
        bbox_to_anchor=(0.0, 1.0),
        ncols=columns,
        borderaxespad=0.2,
        columnspacing=1.4,
    )


def drift_days(
    chart: DriftChart, points: pd.DataFrame, batches: pd.DataFrame, ticks: Sequence[str]
) -> Figure:
    """Days of making in their order: dry times in one air with limits, and how far neighbours lie apart.

    Parameters
    ----------
    chart : DriftChart
        Of the logarithm of `points`.
    points : DataFrame
        Columns trial and hours, one row a day of a trial.
    batches : DataFrame
        Columns trial, place (row of `points`), adjusted_low and adjusted_high (hours, may be inf): a bar
        each.
    ticks : sequence of str
        What to write under each point; an empty text writes nothing.
    """
    shown, named = _looks(list(dict.fromkeys(batches["trial"])))
    handles = [
        Line2D([], [], color=look.colour, ls="", marker=look.marker, ms=5, label=name)
        for name, look in named.items()
    ]
    columns = _columns(handles)
    hours, place = points["hours"].to_numpy(float), np.arange(len(points))
    bars = batches[["adjusted_low", "adjusted_high"]].replace([0.0, np.inf], np.nan)
    least = float(np.nanmin([bars["adjusted_low"].min(), chart.low, hours.min()]))
    most = float(np.nanmax([bars["adjusted_high"].max(), chart.high, hours.max()]))
    low, high = least / 1.12, most * 1.12
    with house_style():
        height = 4.8 + 0.2 * -(-len(handles) // columns)
        figure, (top, bottom) = new_figure(2, 1, height=height, sharex=True, height_ratios=[2.4, 1.0])
        _bars(top, batches, shown, low, high)
        for end, style in ((chart.low, (0, (5, 2))), (chart.centre, "-"), (chart.high, (0, (5, 2)))):
            top.axhline(end, color=SOFT, lw=1.1, ls=style)
        top.plot(place, hours, color=SOFT, lw=0.8)
        for trial, look in shown.items():
            mine = (points["trial"] == trial).to_numpy()
            top.plot(place[mine], hours[mine], color=look.colour, marker=look.marker, ls="", ms=5)
        _ring(top, place, hours, chart.table["signals"].str.contains("beyond|eight|two of|four of|six"))
        hours_up(top, low, high)
        top.set_ylabel("hours until half are dry,\nall in one air")
        apart = np.exp(chart.table["moving_range"].to_numpy(float))
        bottom.plot(place, apart, color=SOFT, lw=0.8, marker="o", ms=3.2, mfc=INK, mec=INK)
        bottom.axhline(float(np.exp(chart.range_high)), color=SOFT, lw=1.1, ls=(0, (5, 2)))
        _ring(bottom, place, apart, chart.table["signals"].str.contains("jump"))
        bottom.set_yscale("log")
        bottom.yaxis.set_major_locator(MaxNLocator(4, steps=[1, 2, 2.5, 5]))
        bottom.yaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
        bottom.minorticks_off()
        bottom.set_ylim(0.97, max(float(np.nanmax(apart)), float(np.exp(chart.range_high))) * 1.1)
        bottom.set_ylabel("times its\nneighbour")
        kept = [(at, text) for at, text in zip(place, ticks, strict=True) if text]
        bottom.set_xticks([at for at, _ in kept], [text for _, text in kept])
        bottom.set_xlabel("days of making, in their order")
        if len(handles) > 1:
            _legend(top, handles, columns)
    return figure


def _bars(axes: Axes, batches: pd.DataFrame, shown: dict[str, Look], low: float, high: float) -> None:
    """The bracket of each batch's middle piece, batches of a day side by side."""
    for place, day in batches.groupby("place", sort=False):
        offsets = 0.14 * (np.arange(len(day)) - (len(day) - 1) / 2)
        for offset, row in zip(offsets, day.to_dict("records"), strict=True):
            x, colour = float(place) + offset, shown[row["trial"]].colour  # type: ignore[arg-type]
            start, end = max(row["adjusted_low"], low), row["adjusted_high"]
            if np.isfinite(end):
                axes.vlines(x, start, end, color=colour, lw=1.4, alpha=0.35)
            else:
                arrow: Any = {"arrowstyle": "->", "color": colour, "lw": 1.2, "alpha": 0.6}
                axes.annotate("", (x, high * 0.98), (x, start), arrowprops=arrow)


def _ring(axes: Axes, x: np.ndarray, y: np.ndarray, where: pd.Series) -> None:
    hit = where.to_numpy(bool)
    axes.plot(x[hit], y[hit], ls="", marker="o", ms=10, mfc="none", mec=RED, mew=1.6)
