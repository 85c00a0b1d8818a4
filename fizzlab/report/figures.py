"""Every figure of a report: takes a result object, returns a Matplotlib figure, in one palette and style."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from textwrap import fill
from typing import Any, NamedTuple

import numpy as np
import pandas as pd
import seaborn as sns
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.ticker import MaxNLocator, PercentFormatter
from scipy import stats

from fizzlab.language import dated, say
from fizzlab.models.air import rh_for_deficit, vapour_pressure_deficit
from fizzlab.models.choose import Choice
from fizzlab.models.curing import VPD, CuringFit, Levels
from fizzlab.models.curves import CurveFit
from fizzlab.models.plotting import (
    BLUE,
    INK,
    RED,
    SKY,
    SOFT,
    Look,
    hours_axis,
    house_style,
    looks,
    new_figure,
    round_ticks,
)
from fizzlab.models.raters import RaterAgreement
from fizzlab.models.season import SeasonStudy
from fizzlab.report.phrases import duration

#: So many combinations are drawn; more trials are not told apart by colour, only the last from the others.
MOST, MOST_TRIALS = 12, 6

#: Most signs in a line of a level's name, a combination's, a panel's title, and of all tiles' heads together.
LONG, NAME, TITLE, HEAD = 16, 18, 24, 54

#: Shades of the scores 0 to 4, light to dark, that a grey printer keeps apart.
SHADES = ("#e8f1f6", "#b9d6e6", "#7fb2d0", "#3f84b0", "#0b4a75")


def combinations(rows: pd.DataFrame, batches: pd.DataFrame, limits: Sequence[float], axis: str) -> Figure:
    """Each combination as a mark with its interval, its batches (name, value) as rings, and the limits."""
    rows = rows.sort_values("estimate", ignore_index=True)
    with house_style():
        figure, axes = new_figure(height=0.9 + 0.42 * len(rows))
        order, ring = list(rows["name"]), {"marker": "$\\circ$", "size": 5, "linewidth": 0.3, "jitter": False}
        ring |= {"color": SKY, "edgecolor": BLUE, "orient": "h"}
        sns.stripplot(batches, x="value", y="name", order=order, ax=axes, **ring)
        place = np.arange(len(rows)) - 0.22
        ends = (rows["estimate"] - rows["conf_low"], rows["conf_high"] - rows["estimate"])
        axes.errorbar(rows["estimate"], place, xerr=ends, fmt="o", color=BLUE, ms=7, lw=2.2, zorder=3)
        for limit in limits:
            axes.axvline(limit, color=RED, lw=1.4)
        most = rows["conf_high"].clip(upper=3 * rows["estimate"].max())
        reach = [*rows["conf_low"], *most, *batches["value"], *limits]
        axes.set_xlim(max(0.0, 0.9 * min(reach)), 1.05 * max(reach))
        axes.xaxis.set_major_locator(MaxNLocator(7, steps=[1, 2, 5, 10]))
        axes.set(xlabel=axis, ylabel="")
        axes.set_yticks(range(len(order)), order)
        axes.set_ylim(len(rows) - 0.5, -0.6)
        axes.grid(axis="y", visible=False)
    return figure


def over_humidity(fit: CuringFit, share: float, temp_c: float) -> tuple[Figure, str]:
    """Hours until a share is dry against relative humidity at one temperature, and its ends in words."""
    least, most = fit.tried(VPD)
    vpd = np.geomspace(least, most, 60)
    line = fit.predict({VPD: vpd}, share=share)
    rh = rh_for_deficit(vpd, temp_c)
    batches = rh_for_deficit(fit.batches[VPD].to_numpy(float), temp_c)
    late = float((line["estimate"] / fit.predict({VPD: vpd})["estimate"]).mean())
    with house_style():
        figure, axes = new_figure(height=3.0)
        axes.fill_between(rh, line["conf_low"], line["conf_high"], color=BLUE, alpha=0.18, lw=0)
        sns.lineplot(x=rh, y=line["estimate"].to_numpy(float), ax=axes, color=BLUE, errorbar=None)
        hours = fit.points(VPD).reindex(fit.batches.index).to_numpy(float) * late
        sns.scatterplot(x=batches, y=hours, ax=axes, s=26, color="none", edgecolor=BLUE, linewidth=1.0)
        axes.set(xlabel=say("axis_humidity"), ylabel=say("hours"), ylim=(0, None))
    first, last = line["estimate"].iloc[-1], line["estimate"].iloc[0]
    ends = {"long": duration(first), "damp": min(rh), "short": duration(last), "dry": max(rh)}
    return figure, say("ends_at_humidity", **ends)


class Panel(NamedTuple):
    """One response: `means` has factor, level, estimate, conf_low, conf_high; `batches` level and value."""

    title: str
    means: pd.DataFrame
    batches: pd.DataFrame
    log: bool


def factor_panels(panels: Sequence[Panel]) -> Figure:
    """Draw a panel a response, a row a level of every factor: the typical batch above each batch's mark."""
    columns = min(2, len(panels))
    every = pd.concat([panel.means[["factor", "level"]] for panel in panels]).drop_duplicates()
    of = {str(name): list(part["level"]) for name, part in every.groupby("factor", sort=False)}
    shown = {level: look for levels in of.values() for level, look in looks(levels).items()}
    apart = [0.6 * at for at, levels in enumerate(of.values()) for _ in levels]
    places = dict(zip(shown, np.arange(len(shown)) + np.array(apart), strict=True))
    rows, last = -(-len(panels) // columns), max(places.values())
    with house_style():
        height = rows * (0.85 + 0.36 * (last + 1))
        figure, grid = new_figure(rows, columns, height=height, sharey=True, squeeze=False)
        for axes, panel in zip(grid.flat, panels, strict=False):
            _draw(axes, panel, shown, places)
            title = fill(panel.title.replace(", ", ",\u00a0"), TITLE)  # a unit stays with its number
            axes.set_title(title, fontsize=9.5, fontweight="normal")
            axes.set_ylim(last + 0.55, -0.55)
        for axes in grid.flat[len(panels) :]:
            axes.set_visible(False)
    return figure


def _draw(axes: Axes, panel: Panel, shown: Mapping[str, Look], places: Mapping[str, float]) -> None:
    means = panel.means.replace(np.inf, np.nan)
    at = means["level"].map(places) - 0.15
    own: dict[str, object] = {"hue": "level", "hue_order": list(shown), "ax": axes, "legend": False}
    own["palette"] = {level: look.colour for level, look in shown.items()}
    small = panel.batches.assign(place=panel.batches["level"].map(places) + 0.2)
    if len(small):
        sns.scatterplot(small, x="value", y="place", s=22, linewidth=0, alpha=0.55, **own)
    axes.hlines(at, means["conf_low"], means["conf_high"], color=INK, lw=2.2)
    own["markers"] = {level: look.marker for level, look in shown.items()}
    large = {"style": "level", "style_order": list(shown), "s": 64, "edgecolor": INK, "zorder": 3}
    sns.scatterplot(means.assign(place=at), x="estimate", y="place", **large, **own)
    axes.set_yticks(list(places.values()), [fill(level, LONG) for level in places])
    axes.set(xlabel="", ylabel="")
    axes.grid(axis="y", visible=False)
    axes.tick_params(axis="x", labelsize=9)
    axes.spines["left"].set_visible(False)
    round_ticks(axes, log=panel.log)


def trade_off(choice: Choice, names: Sequence[str], titles: Mapping[str, str]) -> Figure:
    """Draw the tiles of a choice with the names of the best combinations, and a title a response."""
    heads = [say("keeps_every") if choice.limits else say("head_wishes_granted"), *titles.values()]
    with house_style():
        height = 1.2 + (0.36 if max(map(len, names)) <= 2 * NAME else 0.46) * len(names)
        figure, axes = new_figure(height=height)
        choice.plot(axes, len(names))
        folded = [fill(head, max(HEAD // len(heads), 7)) for head in heads]
        axes.set_xticks(axes.get_xticks(), folded, fontsize=8)
        called = [fill(name, max(NAME, len(name) // 2 + 4)) for name in names]
        axes.set_yticks(axes.get_yticks(), called, fontsize=9)
        axes.get_yticklabels()[0].set_fontweight("bold")
    return figure


def dry_curves(brackets: pd.DataFrame, fit: CuringFit | None, named: Levels, label: str) -> Figure:
    """Every bracket (run, piece, lower, upper, level), and above them the fitted share of pieces dry."""
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
        hours_axis(bottom, low, high)
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
    hours_axis(axes, *hours, upright=True)
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
    if len(trials) <= MOST_TRIALS:
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
        hours_axis(axes, low, high, upright=True)
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


def gas_curves(readings: pd.DataFrame, lines: pd.DataFrame, order: Sequence[str], step_g: float) -> Figure:
    """Gas of each weighed piece with its curve, and what that leaves below, beside one step of the scale."""
    used, aside, shown = readings[readings["used"]], readings[~readings["used"]], looks(list(order))
    far = 1.25 * max(float(used["residual_g"].abs().max()), step_g)
    both: dict[str, Any] = {"x": "seconds", "hue": "level", "style": "level", "alpha": 0.8}
    both |= {"hue_order": list(order), "style_order": list(order)}
    both["palette"] = {name: each.colour for name, each in shown.items()}
    marks = both | {"markers": {n: e.marker for n, e in shown.items()}, "linewidth": 0, "s": 12}
    dashes = {n: "" if e.line in ("-", "--") else e.line[1] for n, e in shown.items()}
    curves = both | {"dashes": dashes, "estimator": None, "errorbar": None, "units": "cup", "lw": 0.9}
    with house_style():
        figure, (top, bottom) = new_figure(2, 1, height=4.9, sharex=True, height_ratios=[2.6, 1.0])
        sns.lineplot(lines, y="gas_g", ax=top, legend=False, **curves)
        sns.scatterplot(used, y="gas_g", ax=top, legend=len(order) > 1 and "auto", **marks)
        sns.scatterplot(used, y="residual_g", ax=bottom, legend=False, **marks)
        top.plot(aside["seconds"], aside["gas_g"], "x", color=SOFT, ms=6)
        bottom.axhspan(-step_g / 2, step_g / 2, color=SOFT, alpha=0.15, lw=0)
        bottom.axhline(0, color=SOFT, lw=0.8)
        bottom.set(ylim=(-far, far), ylabel=say("reading_less"), xlabel=say("seconds_water"))
        top.set_ylabel(say("gas_g"))
        if len(order) > 1:
            top.legend(loc="lower right")
    return figure


def score_shares(scores: pd.DataFrame, levels: pd.Series, agreement: RaterAgreement | None) -> Figure:
    """The share of each score by level (Categorical, by run); how far each rater scores off the others."""
    level, score = scores["run"].map(levels).astype(levels.dtype), scores["score"].astype(int).astype(str)
    tall = [0.5 * len(levels.cat.categories) + 0.5]
    tall += [0.34 * len(agreement.table) + 0.5] if agreement else []
    height = 1.35 + sum(tall) + 0.5 * (len(tall) - 1)
    with house_style():
        figure, panels = new_figure(len(tall), 1, height=height, height_ratios=tall, squeeze=False)
        bars = panels[0, 0]
        sns.histplot(
            scores.assign(level=level, score=score), y="level", hue="score", hue_order=list("43210"),
            palette=list(SHADES[::-1]), alpha=1.0, multiple="fill", discrete=True, shrink=0.7, ax=bars,
        )  # fmt: skip
        bars.set(xlabel=say("axis_share_scores"), ylabel="", xticks=np.arange(0, 1.1, 0.25))
        bars.xaxis.set_major_formatter(PercentFormatter(1.0, 0, " %"))
        held = bars.get_legend().legend_handles  # seaborn's own way to move it keeps the figure for ever
        above: dict[str, Any] = {"loc": "lower center", "bbox_to_anchor": (0.5, 1.0), "ncols": 5}
        bars.legend(held, list("43210"), title="score", reverse=True, **above)
        if agreement:
            agreement.plot(panels[1, 0])
    return figure
