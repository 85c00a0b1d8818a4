"""Figures of fizz: seconds against water, gas curves with residuals, colour, storage."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from fizzlab.models.plotting import SOFT, house_style, looks, new_figure
from fizzlab.models.shelf import ShelfFit

_SECONDS = [
    *(1, 2, 3, 5, 7, 10, 15, 20, 30, 45, 60, 90, 120, 150, 180, 240),
    *(300, 420, 600, 900, 1200, 1800, 3600),
]


def _by_level(order: Sequence[str], *, markers: bool = True) -> dict[str, Any]:
    """How seaborn is to draw the levels: the colours, and the markers or the lines, of every figure."""
    shown = looks(list(order))
    common: dict[str, Any] = {
        "hue": "level",
        "style": "level",
        "hue_order": list(order),
        "style_order": list(order),
    }
    common["palette"] = {level: look.colour for level, look in shown.items()}
    if markers:
        return {**common, "markers": {level: look.marker for level, look in shown.items()}, "linewidth": 0}
    dashes = {level: "" if look.line in ("-", "--") else look.line[1] for level, look in shown.items()}
    return {**common, "dashes": dashes, "estimator": None, "errorbar": None}


def _legend(axes: Axes, order: Sequence[str], label: str, place: Any = "best") -> None:
    legend = axes.get_legend()
    if legend is not None and len(order) < 2:
        legend.remove()
    elif legend is not None:
        axes.legend(title=label or None, alignment="left", title_fontsize=10, loc=place)


def fizz_by_water(
    pieces: pd.DataFrame, lines: pd.DataFrame, label: str, order: Sequence[str], bath_c: float, waits_for: str
) -> Figure:
    """Seconds against water temperature, with a line for each level.

    Parameters
    ----------
    pieces : DataFrame
        Columns level, water_c, lower, upper; a piece whose end was not seen gets an arrow upwards.
    lines : DataFrame
        Columns level, water_c, seconds: the typical piece.
    label : str
        What the levels are.
    order : sequence of str
        The levels in the order of the other figures.
    bath_c : float
        The common temperature, marked.
    waits_for : str
        What the seconds end with, for the axis.
    """
    import seaborn as sns

    done = np.isfinite(pieces["upper"])
    shown = pieces.assign(seconds=pieces["lower"].where(~done, pieces["upper"]))
    with house_style():
        figure, axes = new_figure(height=4.0)
        axes.axvline(bath_c, color=SOFT, lw=1.0, ls=(0, (4, 2)))
        x: dict[str, Any] = {"x": "water_c", "y": "seconds", "ax": axes}
        sns.lineplot(lines, **x, **_by_level(order, markers=False), legend=False)
        sns.scatterplot(shown[done], **x, **_by_level(order), s=22, alpha=0.85)
        arrows = _by_level(order) | {"markers": dict.fromkeys(order, r"$\uparrow$")}
        sns.scatterplot(shown[~done], **x, **arrows, s=90, legend=False)
        axes.set_yscale("log")
        both = pd.concat([shown["seconds"], lines["seconds"]])
        low, high = float(both.min()) / 1.12, float(both.max()) * 1.15
        axes.set_ylim(low, high)
        ticks = [tick for tick in _SECONDS if low <= tick <= high]
        if len(ticks) < 3:  # a narrow range: even steps are clearer than the usual ones
            ticks = [round(float(tick)) for tick in np.geomspace(max(low, 1), high, 5)[1:-1]]
        axes.set_yticks(ticks, [f"{tick:g}" for tick in ticks])
        axes.minorticks_off()
        axes.set_xlabel("bath water, °C (dashed: where all is stated)")
        axes.set_ylabel(f"seconds until {waits_for}")
        _legend(axes, order, label)
    return figure


def gas_curves(
    readings: pd.DataFrame, lines: pd.DataFrame, label: str, order: Sequence[str], step_g: float
) -> Figure:
    """Gas of each weighed piece against seconds with its fitted curve, and what the curve leaves below.

    Parameters
    ----------
    readings : DataFrame
        Columns cup, level, seconds, gas_g, residual_g, used.
    lines : DataFrame
        Columns cup, level, seconds, gas_g: the fitted curves.
    label, order
        As for `fizz_by_water`.
    step_g : float
        Step of the scale, drawn as a band of one step about nought; 0 draws none.
    """
    import seaborn as sns

    used, aside = readings[readings["used"]], readings[~readings["used"]]
    with house_style():
        figure, (top, bottom) = new_figure(2, 1, height=4.9, sharex=True, height_ratios=[2.6, 1.0])
        curves = _by_level(order, markers=False) | {"units": "cup", "lw": 0.9, "alpha": 0.8, "legend": False}
        sns.lineplot(lines, x="seconds", y="gas_g", ax=top, **curves)
        if step_g > 0:
            bottom.axhspan(-step_g / 2, step_g / 2, color=SOFT, alpha=0.15, lw=0)
        for axes, column in ((top, "gas_g"), (bottom, "residual_g")):
            legend = "auto" if axes is top else False
            marks = _by_level(order) | {"s": 12, "alpha": 0.8, "legend": legend}
            sns.scatterplot(used, x="seconds", y=column, ax=axes, **marks)
        top.plot(aside["seconds"], aside["gas_g"], "x", color=SOFT, ms=6)
        far = 1.25 * max(float(used["residual_g"].abs().max()), step_g)
        bottom.set_ylim(-far, far)
        bottom.axhline(0, color=SOFT, lw=0.8)
        top.set_ylabel("gas, g")
        bottom.set_ylabel("reading less\ncurve, g")
        bottom.set_xlabel("seconds since the piece went in")
        _legend(top, order, label, "lower right")
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
    import seaborn as sns

    levels = [level for level in order if level in set(steps["level"])]
    end = 1.15 * float(steps["seconds"].max())
    last = steps.groupby("level")["share"].max()
    ends = [(level, at, share) for level in levels for at, share in ((0.0, 0.0), (end, float(last[level])))]
    whole = pd.concat([steps, pd.DataFrame(ends, columns=steps.columns)])
    whole = whole.assign(percent=100 * whole["share"]).sort_values("seconds", kind="stable")
    with house_style():
        figure, axes = new_figure(height=3.4)
        drawn = _by_level(order, markers=False) | {"hue_order": levels, "style_order": levels}
        sns.lineplot(whole, x="seconds", y="percent", ax=axes, **drawn, drawstyle="steps-post")
        axes.axhline(50, color=SOFT, lw=0.8, ls=(0, (4, 2)))
        axes.set_xlim(0, end)
        axes.set_ylim(0, 103)
        axes.set_yticks([0, 25, 50, 75, 100])
        axes.set_xlabel("seconds since the piece went in")
        axes.set_ylabel("pieces that show colour, %")
        _legend(axes, levels, label, "lower right")
    return figure


def shelf_life(fit: ShelfFit) -> Figure:
    """Fizz left in storage against weeks, with the mean loss of each storage."""
    with house_style():
        figure, axes = new_figure(height=3.7)
        fit.plot(axes)
    return figure
