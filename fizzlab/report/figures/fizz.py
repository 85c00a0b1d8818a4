"""Figures of fizz: seconds against water, gas curves with residuals, gas against theory, colour, storage."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from fizzlab.models.plotting import INK, SOFT, Look, house_style, looks, new_figure

_SECONDS = [
    1,
    2,
    3,
    5,
    7,
    10,
    15,
    20,
    30,
    45,
    60,
    90,
    120,
    150,
    180,
    240,
    300,
    420,
    600,
    900,
    1200,
    1800,
    3600,
]


def fizz_by_water(
    times: pd.DataFrame,
    lines: pd.DataFrame,
    label: str,
    order: Sequence[str],
    at_water_c: float,
    waits_for: str,
) -> Figure:
    """Seconds against water temperature, with the fitted line and its band for each level.

    Parameters
    ----------
    times : DataFrame
        Columns level, water_c, seconds, done; a piece that was not done gets an arrow upwards.
    lines : DataFrame
        Columns level, water_c, seconds, low, high, beyond_tried; drawn thin where not tried. Where it holds
        one level that is not in `order`, it stands for all pieces.
    label : str
        What the levels are.
    order : sequence of str
        The levels in the order of the other figures.
    at_water_c : float
        The common temperature, marked.
    waits_for : str
        What the seconds end with, for the axis.
    """
    shown = looks(list(order))
    with house_style():
        figure, axes = new_figure(height=4.0)
        axes.axvline(at_water_c, color=SOFT, lw=1.0, ls=(0, (4, 2)))
        for level, part in lines.groupby("level", sort=False):
            look = shown.get(str(level), Look(INK, "o", "-"))
            axes.fill_between(part["water_c"], part["low"], part["high"], color=look.colour, alpha=0.14, lw=0)
            tried = part[~part["beyond_tried"].astype(bool)]
            axes.plot(part["water_c"], part["seconds"], color=look.colour, ls=look.line, lw=0.8)
            axes.plot(tried["water_c"], tried["seconds"], color=look.colour, ls=look.line)
        for level in order:
            look, part = shown[level], times[times["level"] == level]
            done = part["done"].astype(bool)
            axes.plot(
                part["water_c"][done],
                part["seconds"][done],
                marker=look.marker,
                color=look.colour,
                ms=4,
                ls="",
                alpha=0.85,
            )
            axes.plot(
                part["water_c"][~done],
                part["seconds"][~done],
                marker=r"$\uparrow$",
                color=look.colour,
                ms=9,
                ls="",
            )
        axes.set_yscale("log")
        _seconds_up(axes, *_bounds(times["seconds"], lines))
        axes.set_xlabel("bath water, °C (dashed: where all is stated)")
        axes.set_ylabel(f"seconds until {waits_for}")
        _legend(axes, shown, order, label)
    return figure


def gas_curves(
    readings: pd.DataFrame, lines: pd.DataFrame, label: str, order: Sequence[str], step_g: float
) -> Figure:
    """Gas of each weighed piece against seconds with its fitted curve, and what the curve leaves below.

    Parameters
    ----------
    readings : DataFrame
        Columns run, piece, level, seconds, gas_g, residual_g, used.
    lines : DataFrame
        Columns run, piece, level, seconds, gas_g: the fitted curves.
    label, order
        As for `fizz_by_water`.
    step_g : float
        Step of the scale, drawn as a band of one step about nought; 0 draws none.
    """
    shown = looks(list(order))
    with house_style():
        figure, (top, bottom) = new_figure(2, 1, height=4.9, sharex=True, height_ratios=[2.6, 1.0])
        for _, part in lines.groupby(["run", "piece"], sort=False):
            look = shown[part["level"].iloc[0]]
            top.plot(part["seconds"], part["gas_g"], color=look.colour, ls=look.line, lw=0.9, alpha=0.8)
        if step_g > 0:
            bottom.axhspan(-step_g / 2, step_g / 2, color=SOFT, alpha=0.15, lw=0)
        for level in order:
            look, part = shown[level], readings[readings["level"] == level]
            used, aside = part[part["used"]], part[~part["used"]]
            for axes, column in ((top, "gas_g"), (bottom, "residual_g")):
                axes.plot(
                    used["seconds"],
                    used[column],
                    marker=look.marker,
                    color=look.colour,
                    ms=2.6,
                    ls="",
                    alpha=0.8,
                )
            top.plot(aside["seconds"], aside["gas_g"], marker="x", color=look.colour, ms=6, ls="")
        far = float(readings.loc[readings["used"], "residual_g"].abs().max())
        bottom.set_ylim(-max(far, step_g) * 1.25, max(far, step_g) * 1.25)
        bottom.axhline(0, color=SOFT, lw=0.8)
        top.set_ylabel("gas, g")
        bottom.set_ylabel("reading less\ncurve, g")
        bottom.set_xlabel("seconds since the piece went in")
        _legend(top, shown, order, label, "lower right")
    return figure


def gas_reached(groups: pd.DataFrame, batches: pd.DataFrame, label: str, order: Sequence[str]) -> Figure:
    """Share of the recipe's gas that came, by level, against all of it.

    Parameters
    ----------
    groups : DataFrame
        Columns group, share, low, high, if_none_stays (all shares of theory), in the order of drawing.
    batches : DataFrame
        Columns group, share: one row a batch of each group.
    label : str
        What the levels are.
    order : sequence of str
        The levels in the order of the other figures; another group is drawn in ink.
    """
    shown: Mapping[str, Look] = looks(list(order))
    plain = Look(INK, "o", "-")
    with house_style():
        figure, axes = new_figure(height=1.6 + 0.55 * len(groups))
        axes.axvline(100, color=SOFT, lw=1.4)
        for place, row in enumerate(groups.to_dict("records")):
            look = shown.get(row["group"], plain)
            own = 100 * batches.loc[batches["group"] == row["group"], "share"]
            axes.plot(own, np.full(len(own), place + 0.22), marker="|", color=look.colour, ms=9, ls="")
            axes.hlines(place, 100 * row["low"], 100 * row["high"], colors=look.colour, lw=2.6)
            axes.plot(100 * row["share"], place, marker=look.marker, color=look.colour, ms=7, ls="")
            axes.plot(
                100 * row["if_none_stays"],
                place,
                marker=look.marker,
                mfc="white",
                color=look.colour,
                ms=5,
                ls="",
            )
        axes.set_yticks(range(len(groups)), list(groups["group"]))
        axes.set_ylabel(label if len(groups) > 1 else "")
        axes.set_ylim(len(groups) - 0.4, -0.6)
        axes.grid(axis="y", visible=False)
        low = 100 * min(groups["low"].min(), groups["if_none_stays"].min(), batches["share"].min())
        high = 100 * max(groups["high"].max(), batches["share"].max(), 1.0)
        axes.set_xlim(max(low - 4, 0), high + 3)
        axes.set_xlabel("gas reached, % of what the recipe could give (line: all of it)")
    return figure


def colour_release(steps: pd.DataFrame, label: str, order: Sequence[str]) -> Figure:
    """Share of pieces that have shown colour against seconds.

    Parameters
    ----------
    steps : DataFrame
        Columns level, seconds, share: a step at each time at which a first colour was noted.
    label, order
        As for `fizz_by_water`.
    """
    levels = [level for level in order if level in set(steps["level"])]
    shown = looks(list(order))
    with house_style():
        figure, axes = new_figure(height=3.4)
        end = float(steps["seconds"].max()) * 1.15
        for level in levels:
            part = steps[steps["level"] == level]
            look = shown[level]
            x = np.concatenate([[0.0], part["seconds"], [end]])
            y = np.concatenate([[0.0], part["share"], [part["share"].iloc[-1]]]) * 100
            axes.step(x, y, where="post", color=look.colour, ls=look.line)
            axes.plot(
                part["seconds"], part["share"] * 100, marker=look.marker, color=look.colour, ms=3.6, ls=""
            )
        axes.axhline(50, color=SOFT, lw=0.8, ls=(0, (4, 2)))
        axes.set_xlim(0, end)
        axes.set_ylim(0, 103)
        axes.set_yticks([0, 25, 50, 75, 100])
        axes.set_xlabel("seconds since the piece went in")
        axes.set_ylabel("pieces that show colour, %")
        _legend(axes, shown, levels, label, "lower right")
    return figure


def shelf_life(left: pd.DataFrame, lines: pd.DataFrame, share: float) -> Figure:
    """Fizz left in storage against weeks, with the mean loss of each storage.

    Parameters
    ----------
    left : DataFrame
        Columns storage, weeks, left (share of the fresh pieces): one row a piece.
    lines : DataFrame
        Columns storage, weeks, left, low, high, tried; drawn thin where not tried.
    share : float
        The share that is waited for, marked.
    """
    order = list(dict.fromkeys(lines["storage"]))
    shown = looks(order)
    with house_style():
        figure, axes = new_figure(height=3.7)
        axes.axhline(share * 100, color=SOFT, lw=1.0, ls=(0, (4, 2)))
        for place, storage in enumerate(order):
            look, part = shown[storage], lines[lines["storage"] == storage]
            axes.fill_between(
                part["weeks"], part["low"] * 100, part["high"] * 100, color=look.colour, alpha=0.15, lw=0
            )
            tried = part[part["tried"]]
            axes.plot(part["weeks"], part["left"] * 100, color=look.colour, ls=look.line, lw=0.8)
            axes.plot(tried["weeks"], tried["left"] * 100, color=look.colour, ls=look.line)
            points = left[left["storage"] == storage]
            beside = (place - (len(order) - 1) / 2) * 0.012 * float(lines["weeks"].max())
            axes.plot(
                points["weeks"] + beside,
                points["left"] * 100,
                marker=look.marker,
                color=look.colour,
                ms=3.2,
                ls="",
                alpha=0.7,
            )
        axes.set_xlim(0, float(lines["weeks"].max()))
        axes.set_xlabel("weeks in storage (thin: longer than was tried)")
        axes.set_ylabel("fizz left, % of the fresh pieces")
        _legend(axes, shown, order, "", "lower left")
    return figure


def _seconds_up(axes: Axes, low: float, high: float) -> None:
    axes.set_ylim(low, high)
    ticks = [tick for tick in _SECONDS if low <= tick <= high]
    if len(ticks) < 3:  # a narrow range: even steps are clearer than the usual ones
        ticks = [round(float(tick)) for tick in np.geomspace(max(low, 1), high, 5)[1:-1]]
    axes.set_yticks(ticks, [f"{tick:g}" for tick in ticks])
    axes.minorticks_off()


def _bounds(seconds: pd.Series, lines: pd.DataFrame) -> tuple[float, float]:
    """Room for readings, lines and bands, but a band without an end does not squeeze the readings."""
    low = float(min(seconds.min(), lines["seconds"].min()))
    high = float(max(seconds.max(), lines["seconds"].max()))
    bottom, top = float(lines["low"].min()), float(lines["high"].max())
    return min(max(bottom, low / 2.5), low) / 1.12, max(min(top, high * 2.5), high) * 1.15


def _legend(
    axes: Axes, shown: Mapping[str, Look], levels: Sequence[str], label: str, place: Any = "best"
) -> None:
    if len(levels) < 2:
        return
    handles = [
        Line2D(
            [],
            [],
            color=shown[level].colour,
            ls=shown[level].line,
            marker=shown[level].marker,
            ms=4,
            label=level,
        )
        for level in levels
    ]
    axes.legend(handles=handles, title=label or None, alignment="left", title_fontsize=10, loc=place)
