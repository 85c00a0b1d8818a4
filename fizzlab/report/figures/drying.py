"""Figures of drying: over time, over the air, for the wall, of weighed pieces, and across trials."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from textwrap import fill
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.ticker import MultipleLocator
from scipy import stats

from fizzlab.models import plotting
from fizzlab.models.air import vapour_pressure_deficit
from fizzlab.models.curing import VPD, CuringFit, Levels
from fizzlab.models.curves import CurveFit
from fizzlab.models.plotting import BLUE, INK, RED, SOFT, Look, hours_up, house_style, looks, new_figure
from fizzlab.models.season import SeasonStudy

_HOURS = (1.0, 2.0, 3.0, 4.0, 6.0, 8.0, 12.0, 16.0, 24.0, 36.0, 48.0, 72.0, 96.0)

#: More trials than this are not told apart by colour, only the last one from the others.
MOST = 6


def dry_curves(brackets: pd.DataFrame, fit: CuringFit | None, named: Levels, label: str) -> Figure:
    """Every piece's bracket and, above, the fitted share of pieces dry against hours where there is a fit.

    `brackets` has run, piece, lower, upper and level; `named` what sets each level, in order; `label` what
    the levels are.
    """
    shown, (low, high), tall = looks(list(named)), _reach(brackets), 0.055 * len(brackets)
    with house_style():
        if fit is None:
            figure, bottom = new_figure(height=1.4 + tall + 0.1 * brackets["run"].nunique())
            top = bottom
        else:
            ratios = [2.4, tall + 0.7]
            figure, (top, bottom) = new_figure(2, 1, height=3.6 + tall, sharex=True, height_ratios=ratios)
            z = np.linspace(-2.4, 2.4, 33)
            for level, each in named.items():  # log hours are linear in z
                asked = (float(stats.norm.cdf(at)) for at in (0, 1))
                half, later = (fit.predict(each, share=share)["estimate"].iloc[0] for share in asked)
                hours = half * (later / half) ** z
                top.plot(hours, stats.norm.cdf(z) * 100, color=shown[level].colour, ls=shown[level].line)
            top.set(ylim=(0, 102), yticks=[0, 25, 50, 75, 100], ylabel="pieces dry, %")
        _draw_brackets(bottom, brackets, shown, low, high)
        legend(top, shown, label)
        plotting.time_axis(bottom, low, high)
    return figure


def _reach(brackets: pd.DataFrame) -> tuple[float, float]:
    """The hours that an axis shows."""
    ends = brackets[["lower", "upper"]].to_numpy(float)
    ends = ends[np.isfinite(ends) & (ends > 0)]
    return float(ends.min()) / 2, float(ends.max()) * 1.6


def _draw_brackets(
    axes: Axes, brackets: pd.DataFrame, shown: Mapping[str, Look], low: float, high: float
) -> None:
    """A line a piece, batches and levels apart; an arrowhead where it was never seen dry."""
    table = brackets.assign(rank=brackets["level"].map(list(shown).index))
    table["middle"] = brackets.groupby("run")["lower"].transform("mean")
    table = table.sort_values(["rank", "middle", "run", "piece"], kind="stable")
    runs, levels = (table[name].ne(table[name].shift()).cumsum() for name in ("run", "level"))
    table["height"] = np.arange(len(table)) + 0.9 * runs + 1.2 * levels
    for level, part in table.groupby("level"):
        look, never, ends = shown[str(level)], np.isinf(part["upper"]), part["upper"].clip(upper=high * 0.96)
        axes.hlines(part["height"], part["lower"].clip(lower=low), ends, colors=look.colour, lw=1.3)
        for marker, mine in ((look.marker, ~never), (">", never)):
            axes.plot(ends[mine], part["height"][mine], marker=marker, color=look.colour, ms=2.6, ls="")
    ticks = table.groupby("run", sort=False)["height"].mean()
    axes.set_yticks(ticks, ticks.index.astype(str), fontsize=8)
    axes.set(ylabel="batch", xlabel="hours since the batch was made")
    axes.set_ylim(table["height"].max() + 1.5, table["height"].min() - 1.5)
    axes.grid(axis="y", visible=False)


def legend(axes: Axes, shown: Mapping[str, Look], title: str = "", more: Sequence[Line2D] = ()) -> None:
    """Above the axes, where it covers no reading; nothing where there is one level."""
    lines: Any = {name: {"color": e.colour, "ls": e.line, "marker": e.marker} for name, e in shown.items()}
    handles = [*(Line2D([], [], ms=4, label=name, **each) for name, each in lines.items()), *more]
    if len(handles) > 1:
        widest = max(len(str(handle.get_label())) for handle in handles)
        many = max(1, min(len(handles), 4, 52 // (widest + 6)))
        place: Any = {"loc": "lower left", "bbox_to_anchor": (0.0, 1.0), "borderaxespad": 0.2}
        axes.legend(handles=handles, title=title, ncols=many, columnspacing=1.4, **place)


def air_axes(
    axes: Axes, air: tuple[float, float], hours: tuple[float, float], what: str, temp_c: float
) -> None:
    """Hours over the vapour-pressure deficit, both logarithmic, as relative humidity at a temperature."""
    axes.set(xscale="log", xlim=air[::-1])
    hours_up(axes, *hours)
    humid = np.array([20, 30, 40, 50, 60, 70, 75, 80, 85, 90, 93, 95, 97])
    places = vapour_pressure_deficit(temp_c, humid)
    seen = (places >= air[0]) & (places <= air[1])
    axes.set_xticks(places[seen], humid[seen].astype(str))
    axes.minorticks_off()
    axes.set(xlabel=f"relative humidity at {temp_c:g} °C, %", ylabel=what)


def band(axes: Axes, line: pd.DataFrame, colour: str, alpha: float) -> None:
    """The interval of a forecast over the air."""
    axes.fill_between(line[VPD], line["conf_low"], line["conf_high"], color=colour, alpha=alpha, lw=0)


def over_air(fit: CuringFit, share: float, each: Mapping[str, Any]) -> pd.DataFrame:
    """Hours until a share is dry over room temperature and humidity, for one combination: a full grid.

    Columns temp_c, rh_pct, hours (infinite where the air takes up no water) and inside, which falls below 0
    where the air was not tried, and changes smoothly, for drawing.
    """
    temps, deficits = fit.batches["temp_c"], fit.tried(VPD)
    low, high = 2 * np.floor((temps.min() - 3) / 2), 2 * np.ceil((temps.max() + 3) / 2)
    grid = np.meshgrid(np.linspace(low, max(high, low + 12), 37), np.linspace(30, 95, 40), indexing="ij")
    temp, rh = (each.ravel() for each in grid)
    vpd = vapour_pressure_deficit(temp, rh)
    damp, dry = 10 * np.log(vpd / deficits[0]), 10 * np.log(deficits[1] / vpd)
    inside = np.minimum.reduce([temp - temps.min(), temps.max() - temp, damp, dry])
    hours = fit.predict(pd.DataFrame({VPD: vpd}).assign(**each), share=share)["estimate"]
    return pd.DataFrame({"temp_c": temp, "rh_pct": rh, "hours": hours, "inside": inside})


def dry_chart(chart: pd.DataFrame, share: float, night_hours: float, level: str = "") -> Figure:
    """Hours until a share of the pieces is dry, by `over_air`; one night is bold, untried air hatched."""
    table = chart.pivot(index="rh_pct", columns="temp_c")
    hours, inside = table["hours"], table["inside"]
    x, y = hours.columns.to_numpy(float), hours.index.to_numpy(float)
    least, most = float(chart["hours"].min()), float(chart["hours"].max())
    lines = [step for step in _HOURS if least <= step <= most] or [float(chart["hours"].median())]
    levels, shades = [0.0, *lines, most * 1.01 + max(lines)], np.linspace(0.98, 0.62, len(lines) + 1)
    widths = [2.6 if step == night_hours else 1.2 for step in lines]
    with house_style():
        figure, axes = new_figure(height=4.4)
        axes.grid(visible=False)
        axes.contourf(x, y, hours, levels=levels, colors=[str(shade) for shade in shades])
        axes.contourf(x, y, inside, levels=[-1e6, 0.0], colors="none", hatches=["////"])
        drawn = axes.contour(x, y, hours, levels=lines, colors=BLUE, linewidths=widths)
        for text in axes.clabel(drawn, fmt=lambda value: f"{value:g} h", fontsize=9, inline_spacing=3):
            text.set_bbox({"facecolor": "white", "edgecolor": "none", "pad": 0.6, "alpha": 0.85})
            places = zip(text.get_position(), (x, y), strict=True)
            text.set_visible(all(abs(at - np.mean(ends)) < 0.46 * np.ptp(ends) for at, ends in places))
        axes.xaxis.set_major_locator(MultipleLocator(5))
        axes.set(xlim=x[[0, -1]], ylim=y[[0, -1]])
        axes.set(xlabel="room temperature, °C", ylabel="relative humidity, %")
        axes.set_title(fill(f"Hours until {share * 100:.0f} % of the pieces{level} are dry", 44))
        figure.supxlabel("hatched: air that was not tried", fontsize=8.5, color=SOFT, x=0.98, ha="right")
    return figure


def drying_curves(
    level: pd.Series, curves: Mapping[tuple[str, str], CurveFit], levels: Sequence[str], label: str
) -> Figure:
    """Mass of each weighed piece (by run and piece) as a share of its first, with the fitted curves."""
    shown = looks(levels)
    with house_style():
        figure, axes = new_figure(height=3.7)
        for piece, fit in curves.items():
            look, whole, hours = shown[level[piece]], fit.y[np.argmin(fit.x)], np.linspace(0, fit.x.max(), 60)
            axes.plot(hours, 100 * fit.at(hours) / whole, color=look.colour, lw=1.0, alpha=0.8)
            axes.plot(fit.x, 100 * fit.y / whole, look.marker, color=look.colour, ms=3.5)
        axes.set(xlabel="hours since the batch was made", ylabel="mass, % of the first weighing")
        legend(axes, shown, label)
    return figure


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
        temp = float(np.round(np.nan_to_num(batches["temp_c"].median(), nan=18)))
        air_axes(axes, air, (low, high), "hours until half are dry", temp)
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
    axes.vlines(x, *ends, colors=list(colours), lw=1.4, alpha=0.35)
    axes.scatter(x[never], ends[1][never], s=12, c=list(colours[never]), marker="^", alpha=0.6)
