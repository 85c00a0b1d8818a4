"""Figures of drying: over time, over the air, for the wall, of weighed pieces, and across trials."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from scipy import stats

from fizzlab.language import dated, say
from fizzlab.models import plotting
from fizzlab.models.air import vapour_pressure_deficit
from fizzlab.models.curing import VPD, CuringFit, Levels
from fizzlab.models.curves import CurveFit
from fizzlab.models.plotting import BLUE, INK, RED, SOFT, Look, hours_up, house_style, looks, new_figure
from fizzlab.models.season import SeasonStudy

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
            top.set(ylim=(0, 102), yticks=[0, 25, 50, 75, 100], ylabel=say("pieces_dry"))
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
    axes.set(ylabel=say("axis_batch"), xlabel=say("hours_since"))
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
    axes.set(xlabel=say("axis_humidity_at", temp_c=temp_c), ylabel=what)


def band(axes: Axes, line: pd.DataFrame, colour: str, alpha: float) -> None:
    """The interval of a forecast over the air."""
    axes.fill_between(line[VPD], line["conf_low"], line["conf_high"], color=colour, alpha=alpha, lw=0)


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
        axes.set(xlabel=say("hours_since"), ylabel=say("mass_first"))
        legend(axes, shown, label)
    return figure


def _looks(trials: Sequence[str]) -> tuple[dict[str, Look], dict[str, Look]]:
    """How each trial is drawn, and what the legend names."""
    if len(trials) <= MOST:
        return looks(trials), looks(trials)
    others, last = Look(SOFT, "o", "-"), Look(BLUE, "s", "-")
    named = {say("other_trials", trials=len(trials) - 1): others, trials[-1]: last}
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
            more = [Line2D([], [], color=INK, lw=2.4, label=say("pooled"))]
        for each in study.lines:
            look, mine = shown[each.name], batches[batches["trial"] == each.name]
            hours = np.exp(each.level + (each.slope or 0.0) * np.log(np.array(each.tried) / each.at))
            axes.plot(each.tried, hours, color=look.colour, ls=look.line, lw=1.1)
            axes.plot(mine[VPD], mine["hours"], look.marker, color=look.colour, ms=3.6, alpha=0.8)
        temp = float(np.round(np.nan_to_num(batches["temp_c"].median(), nan=18)))
        air_axes(axes, air, (low, high), say("axis_half_dry"), temp)
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
        dates = [dated(day, "short_date") for day in points["first"]] if study.dated else place + 1
        axes.set_xticks(place[::step], dates[::step])
        axes.set(ylabel=say("axis_half_dry_one_air"), xlabel=say("days_making"))
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
