"""Figures of drying: share dry against time, dry time against the air, the chart for the wall, residuals."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.ticker import MultipleLocator

from fizzlab.models.plotting import (
    BLUE,
    RED,
    SOFT,
    Look,
    hours_up,
    house_style,
    looks,
    new_figure,
    time_axis,
)


def dry_curves(brackets: pd.DataFrame, curves: pd.DataFrame, label: str) -> Figure:
    """Share of pieces dry against hours, with every piece's bracket drawn below.

    Parameters
    ----------
    brackets : DataFrame
        Columns run, piece, lower, upper (hours; `upper` infinite where the piece was never seen dry) and
        level.
    curves : DataFrame
        Columns level, hours, share: the fitted curves; the order of levels is that of first appearance.
    label : str
        What the levels are, in plain words.

    Returns
    -------
    Figure
        Upper panel: the fitted curves. Lower panel: one line a piece between its last wet and first dry
        check; an arrow where it was never seen dry.
    """
    levels = list(dict.fromkeys(curves["level"]))
    shown = looks(levels)
    ordered = _ordered(brackets, levels)
    finite = ordered["upper"].replace(np.inf, np.nan)
    latest = float(np.nanmax([finite.max(), ordered["lower"].max()]))
    earliest = float(min(finite.min(), ordered["lower"].replace(0.0, np.nan).min()))
    low, high = earliest / 2, latest * 1.6
    with house_style():
        rows = len(ordered)
        figure, (top, bottom) = new_figure(
            2, 1, height=2.7 + 0.055 * rows + 0.9, sharex=True, height_ratios=[2.4, 0.055 * rows + 0.7]
        )
        for level in levels:
            part = curves[curves["level"] == level]
            top.plot(part["hours"], part["share"] * 100, color=shown[level].colour, ls=shown[level].line)
        top.set_ylim(0, 102)
        top.set_yticks([0, 25, 50, 75, 100])
        top.set_ylabel("pieces dry, %")
        if len(levels) > 1:
            _legend(top, shown, label)
        _draw_brackets(bottom, ordered, shown, low, high)
        bottom.set_xlabel("hours since the batch was made")
        time_axis(bottom, low, high)
    return figure


def bracket_chart(brackets: pd.DataFrame, label: str) -> Figure:
    """Every piece's bracket, for readings that carry no fit.

    Parameters
    ----------
    brackets : DataFrame
        Columns run, piece, lower, upper and level.
    label : str
        What the levels are.
    """
    levels = list(dict.fromkeys(brackets["level"]))
    shown, ordered = looks(levels), _ordered(brackets, levels)
    ends = pd.concat([brackets["lower"], brackets["upper"]])
    ends = ends[(ends > 0) & np.isfinite(ends)]
    low, high = float(ends.min()) / 2, float(ends.max()) * 1.6
    with house_style():
        figure, axes = new_figure(height=1.4 + 0.055 * len(ordered) + 0.1 * brackets["run"].nunique())
        _draw_brackets(axes, ordered, shown, low, high)
        if len(levels) > 1:
            _legend(axes, shown, label)
        axes.set_xlabel("hours since the batch was made")
        time_axis(axes, low, high)
    return figure


def _ordered(brackets: pd.DataFrame, levels: Sequence[str]) -> pd.DataFrame:
    rank = {level: i for i, level in enumerate(levels)}
    middle = brackets.groupby("run")["lower"].transform("mean")
    keyed = brackets.assign(_rank=brackets["level"].map(rank), _middle=middle)
    return keyed.sort_values(["_rank", "_middle", "run", "piece"], kind="stable").drop(
        columns=["_rank", "_middle"]
    )


def _draw_brackets(
    axes: Axes, ordered: pd.DataFrame, shown: dict[str, Look], low: float, high: float
) -> None:
    place, ticks, names, last = 0.0, [], [], None
    for run, pieces in ordered.groupby("run", sort=False):
        level = pieces["level"].iloc[0]
        if last is not None and level != last:
            place += 1.2
        look, start = shown[level], place
        heights = start + np.arange(len(pieces))
        left = pieces["lower"].clip(lower=low).to_numpy()
        upper = pieces["upper"].to_numpy()
        seen = np.isfinite(upper)
        axes.hlines(heights[seen], left[seen], upper[seen], colors=look.colour, lw=1.3)
        axes.plot(upper[seen], heights[seen], marker=look.marker, color=look.colour, ms=2.6, ls="")
        for begin, height in zip(left[~seen], heights[~seen], strict=True):
            arrow = {"arrowstyle": "->", "color": look.colour, "lw": 1.1, "shrinkA": 0, "shrinkB": 0}
            axes.annotate("", (high * 0.97, height), (begin, height), arrowprops=arrow)
        place += len(pieces)
        ticks.append((start + place - 1) / 2)
        names.append(str(run))
        place += 0.9
        last = level
    axes.set_yticks(ticks, names, fontsize=8)
    axes.set_ylim(place, -1.2)
    axes.set_ylabel("batch")
    axes.grid(axis="y", visible=False)


def _legend(axes: Axes, shown: dict[str, Look], label: str) -> None:
    """Above the axes, where it covers no reading."""
    handles = [
        Line2D([], [], color=look.colour, ls=look.line, marker=look.marker, ms=4, label=level)
        for level, look in shown.items()
    ]
    axes.legend(
        handles=handles,
        title=label,
        alignment="left",
        title_fontsize=10,
        loc="lower left",
        bbox_to_anchor=(0.0, 1.0),
        ncols=min(len(handles), 4),
        borderaxespad=0.2,
        columnspacing=1.4,
    )


def dry_time_by_air(brackets: pd.DataFrame, lines: pd.DataFrame, label: str, air: str = "vpd_kpa") -> Figure:
    """Dry time against how thirsty the air was, with the fitted line and its bands.

    Parameters
    ----------
    brackets : DataFrame
        Columns run, lower, upper, level and the air column.
    lines : DataFrame
        Columns level, the air column, hours, typical_low, typical_high, new_low, new_high (a new batch)
        and tried.
    label : str
        What the levels are.
    air : str
        Column of the air on the horizontal axis.
    """
    levels = list(dict.fromkeys(lines["level"]))
    shown = looks(levels)
    finite = brackets["upper"].replace(np.inf, np.nan)
    most = float(np.nanmax([finite.max(), brackets["lower"].max()]))
    least = float(np.nanmin([finite.min(), brackets["lower"].replace(0.0, np.nan).min()]))
    high = 1.3 * max(most, min(float(lines["new_high"].quantile(0.9)), 2.5 * most))
    low = min(least, max(float(lines["new_low"].min()), least / 2.5)) / 1.2
    with house_style():
        figure, axes = new_figure(height=3.9)
        for level in levels:
            part = lines[lines["level"] == level].sort_values(air)
            look = shown[level]
            if len(levels) == 1:
                axes.fill_between(
                    part[air], part["new_low"], part["new_high"], color=look.colour, alpha=0.10, lw=0
                )
            axes.fill_between(
                part[air], part["typical_low"], part["typical_high"], color=look.colour, alpha=0.20, lw=0
            )
            tried = part[part["tried"]]
            axes.plot(tried[air], tried["hours"], color=look.colour, ls=look.line)
            points = brackets[brackets["level"] == level]
            turn = points.groupby("run").cumcount() / max(brackets.groupby("run").size().max() - 1, 1)
            x = (points[air] * np.exp(0.012 * (2 * turn - 1))).to_numpy()
            upper = points["upper"].to_numpy()
            seen = np.isfinite(upper)
            axes.vlines(
                x,
                points["lower"].clip(lower=low),
                np.minimum(upper, high),
                colors=look.colour,
                lw=1.0,
                alpha=0.75,
            )
            axes.plot(x[seen], upper[seen], marker=look.marker, color=look.colour, ms=2.4, ls="")
        axes.set_xscale("log")
        _decimal_ticks(axes, float(lines[air].min()), float(lines[air].max()))
        hours_up(axes, low, high)
        axes.set_xlabel("vapour-pressure deficit of the room, kPa (thirstier air to the right)")
        axes.set_ylabel("hours until dry")
        if len(levels) > 1:
            _legend(axes, shown, label)
    return figure


def _decimal_ticks(axes: Axes, low: float, high: float) -> None:
    ticks = [0.05, 0.1, 0.15, 0.2, 0.3, 0.4, 0.5, 0.6, 0.8, 1.0, 1.2, 1.5, 2.0, 2.5, 3.0, 4.0]
    inside = [tick for tick in ticks if low <= tick <= high]
    axes.set_xlim(low, high)
    axes.set_xticks(inside, [f"{tick:g}" for tick in inside])
    axes.minorticks_off()


def dry_chart(chart: pd.DataFrame, share: float, night_hours: float, level: str = "") -> Figure:
    """Hours until a share of the pieces is dry, over room temperature and humidity; untried air hatched.

    Parameters
    ----------
    chart : DataFrame
        Columns temp_c, rh_pct, hours and inside (below 0 where the air was not tried): a full grid.
    share : float
        The share of pieces that the hours are for.
    night_hours : float
        The line of one night is drawn bold.
    level : str
        What it holds for, as it goes on after "pieces": " with pearl".
    """
    hours = chart.pivot(index="rh_pct", columns="temp_c", values="hours")
    inside_tried = chart.pivot(index="rh_pct", columns="temp_c", values="inside")
    x, y = hours.columns.to_numpy(float), hours.index.to_numpy(float)
    steps = [1.0, 2.0, 3.0, 4.0, 6.0, 8.0, 12.0, 16.0, 24.0, 36.0, 48.0, 72.0, 96.0]
    inside = [s for s in steps if np.nanmin(hours) <= s <= np.nanmax(hours)] or [float(np.nanmedian(hours))]
    with house_style():
        figure, axes = new_figure(height=4.4)
        axes.grid(visible=False)
        levels = [0.0, *inside, float(np.nanmax(hours)) * 1.01 + max(inside)]
        shades = [str(shade) for shade in np.linspace(0.98, 0.62, len(levels) - 1)]
        axes.contourf(x, y, hours, levels=levels, colors=shades)
        axes.contourf(x, y, inside_tried, levels=[-1e6, 0.0], colors="none", hatches=["////"])
        widths = [2.6 if step == night_hours else 1.2 for step in inside]
        drawn = axes.contour(x, y, hours, levels=inside, colors=BLUE, linewidths=widths)
        for text in axes.clabel(drawn, fmt=lambda value: f"{value:g} h", fontsize=9, inline_spacing=3):
            text.set_bbox({"facecolor": "white", "edgecolor": "none", "pad": 0.6, "alpha": 0.85})
            if not _well_inside(text.get_position(), x, y):
                text.set_visible(False)
        axes.xaxis.set_major_locator(MultipleLocator(5))
        axes.set_xlabel("room temperature, °C")
        axes.set_ylabel("relative humidity, %")
        axes.set_title(f"Hours until {share * 100:.0f} % of the pieces{level} are dry")
        axes.set_xlim(x.min(), x.max())
        axes.set_ylim(y.min(), y.max())
        figure.supxlabel("hatched: air that was not tried", fontsize=8.5, color=SOFT, x=0.98, ha="right")
    return figure


def _well_inside(place: tuple[float, float], x: np.ndarray, y: np.ndarray) -> bool:
    """Is there room for a label here?"""
    return all(
        ends.min() + 0.04 * np.ptp(ends) < at < ends.max() - 0.04 * np.ptp(ends)
        for at, ends in zip(place, (x, y), strict=True)
    )


def residual_check(residuals: pd.DataFrame) -> Figure:
    """Do the batches scatter as the model says? Points near the line mean yes.

    Parameters
    ----------
    residuals : DataFrame
        Columns run, expected, observed (both in standard deviations), one row a batch or a piece.
    """
    with house_style():
        figure, axes = new_figure(height=3.6)
        ends = np.array(
            [residuals[["expected", "observed"]].min().min(), residuals[["expected", "observed"]].max().max()]
        )
        ends = ends + np.array([-0.4, 0.4])
        axes.plot(ends, ends, color=SOFT, lw=1.0, ls=(0, (4, 2)))
        axes.plot(residuals["expected"], residuals["observed"], marker="o", ls="", color=BLUE, ms=4.5)
        far = residuals[(residuals["observed"] - residuals["expected"]).abs() > 1.0]
        for run, x, y in far[["run", "expected", "observed"]].itertuples(index=False):
            axes.annotate(str(run), (x, y), (5, 4), textcoords="offset points", fontsize=8.5, color=RED)
        axes.set_xlim(*ends)
        axes.set_ylim(*ends)
        axes.set_xlabel("expected, in standard deviations")
        axes.set_ylabel("found, in standard deviations")
    return figure


def drying_curves(
    weighings: pd.DataFrame, fitted: pd.DataFrame, label: str, order: Sequence[str] = ()
) -> Figure:
    """Mass of each weighed piece as it dries, as a share of its first mass, with the fitted curves.

    Parameters
    ----------
    weighings : DataFrame
        Columns run, piece, hours, share_left, level.
    fitted : DataFrame
        Columns run, piece, hours, share_left, level.
    label : str
        What the levels are.
    order : sequence of str
        The order of the levels, as in the other figures of the trial.
    """
    there = dict.fromkeys(weighings["level"])
    levels = [level for level in order if level in there] or list(there)
    shown = looks(levels)
    with house_style():
        figure, axes = new_figure(height=3.7)
        for (_, _), part in fitted.groupby(["run", "piece"], sort=False):
            look = shown[part["level"].iloc[0]]
            axes.plot(
                part["hours"], part["share_left"] * 100, color=look.colour, ls=look.line, lw=1.0, alpha=0.8
            )
        for level in levels:
            part = weighings[weighings["level"] == level]
            axes.plot(
                part["hours"],
                part["share_left"] * 100,
                marker=shown[level].marker,
                color=shown[level].colour,
                ms=3.2,
                ls="",
            )
        axes.set_xlabel("hours since the batch was made")
        axes.set_ylabel("mass, % of the first weighing")
        if len(levels) > 1:
            _legend(axes, shown, label)
    return figure
