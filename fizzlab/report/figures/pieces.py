"""Figures of single pieces: gas curves with what they leave over, and scores by hand."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd
import seaborn as sns
from matplotlib.figure import Figure

from fizzlab.language import say
from fizzlab.models.plotting import SOFT, house_style, looks, new_figure
from fizzlab.models.raters import RaterAgreement

#: Shades of the scores 0 to 4, light to dark, that a grey printer keeps apart.
SHADES = ("#e8f1f6", "#b9d6e6", "#7fb2d0", "#3f84b0", "#0b4a75")


def gas_curves(readings: pd.DataFrame, lines: pd.DataFrame, order: Sequence[str], step_g: float) -> Figure:
    """Gas of each weighed piece against seconds with its fitted curve, and what the curve leaves below.

    `readings` has cup, level, seconds, gas_g, residual_g, used; `lines` cup, level, seconds, gas_g. The step
    of the scale is drawn as a band about nought.
    """
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
        bars.xaxis.set_major_formatter(lambda value, _: f"{100 * value:.0f} %")
        sns.move_legend(bars, "lower center", bbox_to_anchor=(0.5, 1.0), ncols=5, reverse=True)
        if agreement:
            agreement.plot(panels[1, 0])
    return figure
