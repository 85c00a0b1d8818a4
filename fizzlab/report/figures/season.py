"""Figures across trials: every trial's line with the pooled one, and the chart of days over time."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from fizzlab.models.curing import VPD
from fizzlab.models.plotting import BLUE, INK, RED, SOFT, Look, hours_up, house_style, looks, new_figure
from fizzlab.models.season import SeasonStudy
from fizzlab.report.figures.drying import air_axes, band, legend

#: More trials than this are not told apart by colour, only the last one from the others.
MOST = 6


def _looks(trials: Sequence[str]) -> tuple[dict[str, Look], dict[str, Look]]:
    """How each trial is drawn, and what the legend names."""
    if len(trials) <= MOST:
        return looks(trials), looks(trials)
    others, last = Look(SOFT, "o", "-"), Look(BLUE, "s", "-")
    named = {f"{len(trials) - 1} other trials": others, trials[-1]: last}
    return dict.fromkeys(trials[:-1], others) | {trials[-1]: last}, named


def season_lines(study: SeasonStudy) -> Figure:
    """Dry time against the air: the batches and line of every trial, and the pooled line with its bands."""
    shown, named = _looks([line.name for line in study.lines])
    batches, fit, more = study.batches, study.fit, list[Line2D]()
    ends = [*(end for line in study.lines for end in line.tried), study.asked]
    reach = 1.03 if fit is None else 1.03 * max((max(ends) / min(ends)) ** 0.08, 1.03)
    air = min(ends) / reach, max(ends) * reach
    low, high = float(batches["hours"].min()) / 1.4, float(batches["hours"].max()) * 1.4
    with house_style():
        figure, axes = new_figure(height=4.2)
        axes.axvline(study.asked, color=SOFT, lw=1.0, ls=(0, (1, 2)))
        if fit is not None:
            grid = {VPD: np.sort([*np.geomspace(*air, 60), *fit.tried])}
            line, new = (fit.predict(grid, interval=kind) for kind in ("confidence", "prediction"))
            band(axes, new, INK, 0.07)
            band(axes, line, INK, 0.16)
            axes.plot(line[VPD], line["estimate"], color=INK, lw=1.4, ls=(0, (1.2, 1.6)))
            tried = line[~line["extrapolated"]]
            axes.plot(tried[VPD], tried["estimate"], color=INK, lw=2.4)
            low = min(low, max(float(new["conf_low"].min()), low * 1.4 / 2.5))
            high = max(high, min(float(new["conf_high"].max()), high / 1.4 * 2.5))
            more = [Line2D([], [], color=INK, lw=2.4, label="pooled")]
        for each in study.lines:
            look, mine = shown[each.name], batches[batches["trial"] == each.name]
            hours = np.exp(each.level + (each.slope or 0.0) * np.log(np.array(each.tried) / each.at))
            axes.plot(each.tried, hours, color=look.colour, ls=look.line, lw=1.1)
            axes.plot(mine[VPD], mine["hours"], look.marker, color=look.colour, ms=3.6, alpha=0.8)
        air_axes(axes, air, (low, high), "hours until half are dry")
        legend(axes, named, more=more)
    return figure


def drift_days(study: SeasonStudy) -> Figure:
    """Days of making in their order: dry times in one air, with limits; a red ring: a rule was broken."""
    chart, points, batches, dashed = study.drift, study.points, study.batches, (0, (5, 2))
    if chart is None:
        raise ValueError("there is no chart of the days")
    shown, named = _looks(list(dict.fromkeys(batches["trial"])))
    hours, place = points["hours"].to_numpy(float), np.arange(len(points))
    broken = chart.table["signals"].ne("").to_numpy(bool)
    bars = batches[["adjusted_low", "adjusted_high"]].replace([0.0, np.inf], np.nan)
    low = float(np.nanmin([bars["adjusted_low"].min(), chart.low, hours.min()])) / 1.12
    high = float(np.nanmax([bars["adjusted_high"].max(), chart.high, hours.max()])) * 1.12
    with house_style():
        figure, axes = new_figure(height=4.0)
        _bars(axes, batches, shown, low, high)
        for end, style in ((chart.low, dashed), (chart.centre, "-"), (chart.high, dashed)):
            axes.axhline(end, color=SOFT, lw=1.1, ls=style)
        axes.plot(place, hours, color=SOFT, lw=0.8)
        for trial, look in shown.items():
            mine = (points["trial"] == trial).to_numpy()
            axes.plot(place[mine], hours[mine], look.marker, color=look.colour, ms=5)
        axes.plot(place[broken], hours[broken], ls="", marker="o", ms=10, mfc="none", mec=RED, mew=1.6)
        hours_up(axes, low, high)
        step = -(-len(points) // 7)
        dates = [f"{date.day} {date:%b}" for date in points["first"]] if study.dated else place + 1
        axes.set_xticks(place[::step], dates[::step])
        axes.set(ylabel="hours until half are dry, in one air", xlabel="days of making, in their order")
        legend(axes, named)
    return figure


def _bars(axes: Axes, batches: pd.DataFrame, shown: dict[str, Look], low: float, high: float) -> None:
    """The bracket of each batch's middle piece, batches of a day side by side; an arrowhead: never dry."""
    days = batches.groupby("place", sort=False)
    x = batches["place"] + 0.14 * (days.cumcount() - (days["run"].transform("size") - 1) / 2)
    colours, never = np.array([shown[e].colour for e in batches["trial"]]), np.isinf(batches["adjusted_high"])
    ends = batches["adjusted_low"].clip(lower=low), batches["adjusted_high"].clip(upper=high * 0.96)
    axes.vlines(x, *ends, colors=colours, lw=1.4, alpha=0.35)
    axes.scatter(x[never], ends[1][never], s=12, c=colours[never], marker="^", alpha=0.6)
