"""The figure of fizz: gas curves with what they leave over."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import pandas as pd
import seaborn as sns
from matplotlib.figure import Figure

from fizzlab.models.plotting import SOFT, house_style, looks, new_figure


def gas_curves(readings: pd.DataFrame, lines: pd.DataFrame, order: Sequence[str], step_g: float) -> Figure:
    """Gas of each weighed piece against seconds with its fitted curve, and what the curve leaves below.

    `readings` has cup, level, seconds, gas_g, residual_g, used; `lines` cup, level, seconds, gas_g. The step
    of the scale is drawn as a band about nought.
    """
    used, aside, shown = readings[readings["used"]], readings[~readings["used"]], looks(list(order))
    far = 1.25 * max(float(used["residual_g"].abs().max()), step_g)
    both: dict[str, Any] = {"x": "seconds", "hue": "level", "style": "level", "alpha": 0.8}
    both |= {
        "hue_order": list(order),
        "style_order": list(order),
        "palette": {n: e.colour for n, e in shown.items()},
    }
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
        bottom.set(
            ylim=(-far, far), ylabel="reading less\ncurve, g", xlabel="seconds since the piece went in"
        )
        top.set_ylabel("gas, g")
        if len(order) > 1:
            top.legend(loc="lower right")
    return figure
