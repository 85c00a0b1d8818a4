"""Figures of drying: over time, over the air, for the wall, and of weighed pieces."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd
import seaborn as sns
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.ticker import MultipleLocator
from scipy import stats

from fizzlab.models.air import vapour_pressure_deficit
from fizzlab.models.curing import VPD, CuringFit
from fizzlab.models.curves import CurveFit
from fizzlab.models.plotting import BLUE, SOFT, Look, hours_up, house_style, looks, new_figure, time_axis

Named = Mapping[str, Mapping[str, Any]]

_AIRS = (0.05, 0.1, 0.15, 0.2, 0.3, 0.4, 0.5, 0.6, 0.8, 1.0, 1.2, 1.5, 2.0, 2.5, 3.0, 4.0)


def dry_curves(brackets: pd.DataFrame, fit: CuringFit | None, named: Named, label: str) -> Figure:
    """Every piece's bracket and, above, the fitted share of pieces dry against hours where there is a fit.

    Parameters
    ----------
    brackets : DataFrame
        Columns run, piece, lower, upper (hours; infinite where the piece was never seen dry) and level.
    fit : CuringFit or None
    named : mapping of str to mapping
        What sets each level, in the order to show them.
    label : str
        What the levels are, in plain words.
    """
    shown = looks(list(named))
    ordered = _ordered(brackets, list(named))
    low, high = _reach(brackets)
    rows = 0.055 * len(ordered)
    with house_style():
        if fit is None:
            figure, bottom = new_figure(height=1.4 + rows + 0.1 * brackets["run"].nunique())
            top = bottom
        else:
            ratios = [2.4, rows + 0.7]
            figure, (top, bottom) = new_figure(2, 1, height=3.6 + rows, sharex=True, height_ratios=ratios)
            shares = stats.norm.cdf(np.linspace(-2.4, 2.4, 33))
            for level, each in named.items():
                hours = [fit.predict(each, share=share)["estimate"].iloc[0] for share in shares]
                top.plot(hours, shares * 100, color=shown[level].colour, ls=shown[level].line)
            top.set(ylim=(0, 102), yticks=[0, 25, 50, 75, 100], ylabel="pieces dry, %")
        _draw_brackets(bottom, ordered, shown, low, high)
        legend(top, shown, label)
        bottom.set_xlabel("hours since the batch was made")
        time_axis(bottom, low, high)
    return figure


def _reach(brackets: pd.DataFrame) -> tuple[float, float]:
    """The hours that an axis shows."""
    ends = brackets[["lower", "upper"]].to_numpy(float)
    ends = ends[np.isfinite(ends) & (ends > 0)]
    return float(ends.min()) / 2, float(ends.max()) * 1.6


def _ordered(brackets: pd.DataFrame, levels: Sequence[str]) -> pd.DataFrame:
    rank = {level: i for i, level in enumerate(levels)}
    middle = brackets.groupby("run")["lower"].transform("mean")
    keyed = brackets.assign(_rank=brackets["level"].map(rank), _middle=middle)
    return keyed.sort_values(["_rank", "_middle", "run", "piece"], kind="stable")


def _draw_brackets(
    axes: Axes, ordered: pd.DataFrame, shown: Mapping[str, Look], low: float, high: float
) -> None:
    place, ticks, last = 0.0, {}, None
    for run, pieces in ordered.groupby("run", sort=False):
        look = shown[pieces["level"].iloc[0]]
        place += 1.2 * (last is not None and look != last)
        heights = place + np.arange(len(pieces))
        left, upper = pieces["lower"].clip(lower=low).to_numpy(), pieces["upper"].to_numpy()
        seen = np.isfinite(upper)
        axes.hlines(heights[seen], left[seen], upper[seen], colors=look.colour, lw=1.3)
        axes.plot(upper[seen], heights[seen], marker=look.marker, color=look.colour, ms=2.6, ls="")
        for begin, height in zip(left[~seen], heights[~seen], strict=True):
            arrow: Any = {"arrowstyle": "->", "color": look.colour, "lw": 1.1, "shrinkA": 0, "shrinkB": 0}
            axes.annotate("", (high * 0.97, height), (begin, height), arrowprops=arrow)
        ticks[float(heights.mean())] = str(run)
        place, last = place + len(pieces) + 0.9, look
    axes.set_yticks(list(ticks), list(ticks.values()), fontsize=8)
    axes.set_ylim(place, -1.2)
    axes.set_ylabel("batch")
    axes.grid(axis="y", visible=False)


def legend(axes: Axes, shown: Mapping[str, Look], title: str = "", more: Sequence[Line2D] = ()) -> None:
    """Above the axes, where it covers no reading; nothing where there is one level."""
    handles = [
        Line2D([], [], color=look.colour, ls=look.line, marker=look.marker, ms=4, label=level)
        for level, look in shown.items()
    ]
    handles += more
    if len(handles) < 2:
        return
    widest = max(len(str(handle.get_label())) for handle in handles)
    axes.legend(
        handles=handles,
        title=title,
        alignment="left",
        title_fontsize=10,
        loc="lower left",
        bbox_to_anchor=(0.0, 1.0),
        ncols=max(1, min(len(handles), 4, 52 // (widest + 6))),
        borderaxespad=0.2,
        columnspacing=1.4,
    )


def air_axes(axes: Axes, air: tuple[float, float], hours: tuple[float, float], what: str) -> None:
    """Hours over the vapour-pressure deficit, both on a logarithmic scale."""
    axes.set_xscale("log")
    axes.set_xlim(*air)
    inside = [tick for tick in _AIRS if air[0] <= tick <= air[1]]
    axes.set_xticks(inside, [f"{tick:g}" for tick in inside])
    hours_up(axes, *hours)
    axes.minorticks_off()
    axes.set_xlabel("vapour-pressure deficit of the room, kPa (thirstier air to the right)")
    axes.set_ylabel(what)


def dry_time_by_air(brackets: pd.DataFrame, fit: CuringFit, named: Named, label: str) -> Figure:
    """Dry time against how thirsty the air was: the pieces' brackets, and the fitted line with its bands."""
    shown, alone = looks(list(named)), len(named) == 1
    least, most = fit.tried(VPD)
    reach = max((most / least) ** 0.15, 1.05)
    air = np.sort([*np.geomspace(least / reach, most * reach, 60), least, most])
    bottom, top = (end / scale for end, scale in zip(_reach(brackets), (0.5, 1.6), strict=True))
    high, low = 1.3 * top, bottom / 1.2
    with house_style():
        figure, axes = new_figure(height=3.9)
        for level, each in named.items():
            look, line = shown[level], fit.predict(pd.DataFrame({VPD: air}).assign(**each))
            if alone:
                new = fit.predict({VPD: air}, interval="prediction")
                axes.fill_between(air, new["conf_low"], new["conf_high"], color=look.colour, alpha=0.10, lw=0)
                high = 1.3 * max(top, min(float(new["conf_high"].quantile(0.9)), 2.5 * top))
                low = min(bottom, max(float(new["conf_low"].min()), bottom / 2.5)) / 1.2
            axes.fill_between(air, line["conf_low"], line["conf_high"], color=look.colour, alpha=0.20, lw=0)
            tried = line[~line["extrapolated"]]
            axes.plot(tried[VPD], tried["estimate"], color=look.colour, ls=look.line)
            pieces = brackets[brackets["level"] == level]
            turn = pieces.groupby("run").cumcount() / max(brackets.groupby("run").size().max() - 1, 1)
            x = fit.batches[VPD].reindex(pieces["run"]).to_numpy() * np.exp(0.012 * (2 * turn.to_numpy() - 1))
            upper, seen = pieces["upper"].to_numpy(), np.isfinite(pieces["upper"]).to_numpy()
            ends = pieces["lower"].clip(lower=low), np.minimum(upper, 2 * high)
            axes.vlines(x, *ends, colors=look.colour, lw=1.0, alpha=0.75)
            axes.plot(x[seen], upper[seen], marker=look.marker, color=look.colour, ms=2.4, ls="")
        air_axes(axes, (air[0], air[-1]), (low, high), "hours until dry")
        legend(axes, shown, label)
    return figure


def over_air(fit: CuringFit, share: float) -> pd.DataFrame:
    """Hours until a share is dry over room temperature and humidity, everything else typical: a full grid.

    Columns temp_c, rh_pct, hours (infinite where the air takes up no water) and inside, which falls below 0
    where the air was not tried, and changes smoothly, for drawing.
    """
    temps, deficits = fit.batches["temp_c"], fit.tried(VPD)
    low, high = 2 * np.floor((temps.min() - 3) / 2), 2 * np.ceil((temps.max() + 3) / 2)
    grid = np.meshgrid(np.linspace(low, max(high, low + 12), 37), np.linspace(30, 95, 40), indexing="ij")
    temp, rh = (each.ravel() for each in grid)
    vpd = vapour_pressure_deficit(temp, rh)
    far = [
        temp - temps.min(),
        temps.max() - temp,
        10 * np.log(vpd / deficits[0]),
        10 * np.log(deficits[1] / vpd),
    ]
    rows = fit.predict({VPD: vpd}, share=share)
    columns = {"temp_c": temp, "rh_pct": rh, "hours": rows["estimate"], "inside": np.minimum.reduce(far)}
    return pd.DataFrame(columns)


def dry_chart(chart: pd.DataFrame, share: float, night_hours: float, level: str = "") -> Figure:
    """Hours until a share of the pieces is dry, over room temperature and humidity; untried air hatched.

    Parameters
    ----------
    chart : DataFrame
        From `over_air`.
    share : float
        The share of pieces that the hours are for.
    night_hours : float
        The line of one night is drawn bold.
    level : str
        What it holds for, as it goes on after "pieces": " with pearl".
    """
    hours, inside = (
        chart.pivot(index="rh_pct", columns="temp_c", values=name) for name in ("hours", "inside")
    )
    x, y = hours.columns.to_numpy(float), hours.index.to_numpy(float)
    steps = [1.0, 2.0, 3.0, 4.0, 6.0, 8.0, 12.0, 16.0, 24.0, 36.0, 48.0, 72.0, 96.0]
    least, most = float(hours.to_numpy().min()), float(hours.to_numpy().max())
    lines = [step for step in steps if least <= step <= most] or [float(np.median(hours.to_numpy()))]
    with house_style():
        figure, axes = new_figure(height=4.4)
        axes.grid(visible=False)
        levels = [0.0, *lines, most * 1.01 + max(lines)]
        shades = [str(shade) for shade in np.linspace(0.98, 0.62, len(levels) - 1)]
        axes.contourf(x, y, hours, levels=levels, colors=shades)
        axes.contourf(x, y, inside, levels=[-1e6, 0.0], colors="none", hatches=["////"])
        widths = [2.6 if step == night_hours else 1.2 for step in lines]
        drawn = axes.contour(x, y, hours, levels=lines, colors=BLUE, linewidths=widths)
        for text in axes.clabel(drawn, fmt=lambda value: f"{value:g} h", fontsize=9, inline_spacing=3):
            text.set_bbox({"facecolor": "white", "edgecolor": "none", "pad": 0.6, "alpha": 0.85})
            places = zip(text.get_position(), (x, y), strict=True)
            text.set_visible(all(abs(at - np.mean(ends)) < 0.46 * np.ptp(ends) for at, ends in places))
        axes.xaxis.set_major_locator(MultipleLocator(5))
        axes.set(
            xlabel="room temperature, °C", ylabel="relative humidity, %", xlim=x[[0, -1]], ylim=y[[0, -1]]
        )
        axes.set_title(f"Hours until {share * 100:.0f} % of the pieces{level} are dry")
        figure.supxlabel("hatched: air that was not tried", fontsize=8.5, color=SOFT, x=0.98, ha="right")
    return figure


def drying_curves(
    pieces: pd.DataFrame, curves: Mapping[tuple[str, str], CurveFit], levels: Sequence[str], label: str
) -> Figure:
    """Mass of each weighed piece as it dries, as a share of its first weighing, with the fitted curves.

    Parameters
    ----------
    pieces : DataFrame
        Columns run, piece, level.
    curves : mapping of (run, piece) to CurveFit
    levels : sequence of str
        In the order to show them.
    label : str
        What the levels are.
    """
    shown = looks(levels)
    of = pieces.set_index(["run", "piece"])["level"]
    parts = []
    for key, fit in curves.items():
        first, hours = fit.y[np.argmin(fit.x)], np.linspace(0.0, fit.x.max(), 60)
        for line, x, y in ((True, hours, fit.at(hours)), (False, fit.x, fit.y)):
            one = {
                "piece": "/".join(map(str, key)),
                "level": of[key],
                "line": line,
                "x": x,
                "y": 100 * y / first,
            }
            parts.append(pd.DataFrame(one))
    table = pd.concat(parts)
    with house_style():
        figure, axes = new_figure(height=3.7)
        colours = {level: look.colour for level, look in shown.items()}
        common: dict[str, Any] = {
            "x": "x",
            "y": "y",
            "hue": "level",
            "palette": colours,
            "ax": axes,
            "legend": False,
        }
        sns.lineplot(table[table["line"]], units="piece", estimator=None, lw=1.0, alpha=0.8, **common)
        markers = {level: look.marker for level, look in shown.items()}
        sns.scatterplot(table[~table["line"]], style="level", markers=markers, s=14, linewidth=0, **common)
        axes.set(xlabel="hours since the batch was made", ylabel="mass, % of the first weighing")
        legend(axes, shown, label)
    return figure
