"""Figures of fizz: seconds against water, gas curves with what they leave over."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd
import seaborn as sns
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from fizzlab.models.plotting import SOFT, house_style, looks, new_figure

_SECONDS = [
    *(1, 2, 3, 5, 7, 10, 15, 20, 30, 45, 60, 90, 120, 150, 180, 240),
    *(300, 420, 600, 900, 1200, 1800, 3600),
]


def by_level(order: Sequence[str], *, markers: bool = True) -> dict[str, Any]:
    """How seaborn is to draw the levels: the colours, and the markers or the lines, of every figure."""
    shown = looks(list(order))
    common: dict[str, Any] = {
        "hue": "level",
        "hue_order": list(order),
        "style": "level",
        "style_order": list(order),
    }
    common["palette"] = {level: look.colour for level, look in shown.items()}
    if markers:
        return {**common, "markers": {level: look.marker for level, look in shown.items()}, "linewidth": 0}
    dashes = {level: "" if look.line in ("-", "--") else look.line[1] for level, look in shown.items()}
    return {**common, "dashes": dashes, "estimator": None, "errorbar": None, "legend": False}


def _one_legend(axes: Axes, order: Sequence[str], place: str = "best") -> None:
    """A legend without the title that seaborn gives it; none for one level."""
    legend = axes.get_legend()
    if legend is not None:
        legend.remove()
        if len(order) > 1:
            axes.legend(loc=place)


def fizz_by_water(
    pieces: pd.DataFrame, lines: pd.DataFrame, order: Sequence[str], bath_c: float, waits_for: str
) -> Figure:
    """Seconds against water temperature, with a line for each level; an arrow where an end was not seen.

    `pieces` has level, water_c, lower, upper; `lines` level, water_c, seconds; `order` the levels.
    """
    ended = np.isfinite(pieces["upper"])
    shown = pieces.assign(seconds=pieces["lower"].where(~ended, pieces["upper"]))
    with house_style():
        figure, axes = new_figure(height=4.0)
        axes.axvline(bath_c, color=SOFT, lw=1.0, ls=(0, (4, 2)))
        x: dict[str, Any] = {"x": "water_c", "y": "seconds", "ax": axes}
        sns.lineplot(lines, **x, **by_level(order, markers=False))
        sns.scatterplot(shown[ended], **x, **by_level(order), s=22, alpha=0.85)
        arrows = by_level(order) | {"markers": dict.fromkeys(order, r"$\uparrow$")}
        if not ended.all():
            sns.scatterplot(shown[~ended], **x, **arrows, s=90, legend=False)
        both = pd.concat([shown["seconds"], lines["seconds"]])
        low, high = float(both.min()) / 1.12, float(both.max()) * 1.15
        ticks = [tick for tick in _SECONDS if low <= tick <= high]
        if len(ticks) < 3:  # a narrow range: even steps are clearer than the usual ones
            ticks = [round(float(tick)) for tick in np.geomspace(max(low, 1), high, 5)[1:-1]]
        axes.set(yscale="log", ylim=(low, high), xlabel="bath water, °C (dashed: where all is stated)")
        axes.set_yticks(ticks, [f"{tick:g}" for tick in ticks])
        axes.minorticks_off()
        axes.set_ylabel(f"seconds until {waits_for}")
        _one_legend(axes, order)
    return figure


def gas_curves(readings: pd.DataFrame, lines: pd.DataFrame, order: Sequence[str], step_g: float) -> Figure:
    """Gas of each weighed piece against seconds with its fitted curve, and what the curve leaves below.

    `readings` has cup, level, seconds, gas_g, residual_g, used; `lines` cup, level, seconds, gas_g. The step
    of the scale is drawn as a band about nought.
    """
    used, aside = readings[readings["used"]], readings[~readings["used"]]
    far = 1.25 * max(float(used["residual_g"].abs().max()), step_g)
    with house_style():
        figure, (top, bottom) = new_figure(2, 1, height=4.9, sharex=True, height_ratios=[2.6, 1.0])
        curves = by_level(order, markers=False) | {"units": "cup", "lw": 0.9, "alpha": 0.8}
        sns.lineplot(lines, x="seconds", y="gas_g", ax=top, **curves)
        for axes, column in ((top, "gas_g"), (bottom, "residual_g")):
            legend = "auto" if axes is top else False
            sns.scatterplot(
                used, x="seconds", y=column, ax=axes, **by_level(order), s=12, alpha=0.8, legend=legend
            )
        top.plot(aside["seconds"], aside["gas_g"], "x", color=SOFT, ms=6)
        if step_g > 0:
            bottom.axhspan(-step_g / 2, step_g / 2, color=SOFT, alpha=0.15, lw=0)
        bottom.axhline(0, color=SOFT, lw=0.8)
        bottom.set(
            ylim=(-far, far), ylabel="reading less\ncurve, g", xlabel="seconds since the piece went in"
        )
        top.set_ylabel("gas, g")
        _one_legend(top, order, "lower right")
    return figure
