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

    `pieces` has level, water_c, lower, upper, and an arrow upwards where an end was not seen; `lines` has
    level, water_c, seconds of the typical piece; `order` has the levels, which are `label`.
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
        if not done.all():
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

    `readings` has cup, level, seconds, gas_g, residual_g, used; `lines` the curves: cup, level, seconds,
    gas_g. The step of the scale is drawn as a band about nought.
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


def shelf_life(fit: ShelfFit) -> Figure:
    """Fizz left in storage against weeks, with the mean loss of each storage."""
    with house_style():
        figure, axes = new_figure(height=3.7)
        fit.plot(axes)
    return figure
