"""The one figure of the front page: every combination in hours, or dry time over humidity."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
import seaborn as sns
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from fizzlab.language import say
from fizzlab.models.air import rh_for_deficit
from fizzlab.models.curing import VPD, CuringFit
from fizzlab.models.plotting import BLUE, RED, SKY, house_style, new_figure
from fizzlab.report.phrases import duration


def combinations(rows: pd.DataFrame, batches: pd.DataFrame, limits: Sequence[float], axis: str) -> Figure:
    """Each combination as a mark with its interval, its batches as rings, and the limits.

    `rows` has name, estimate, conf_low, conf_high; `batches` name and value.
    """
    rows = rows.sort_values("estimate", ignore_index=True)
    with house_style():
        figure, axes = new_figure(height=0.9 + 0.42 * len(rows))
        order = list(rows["name"])
        sns.stripplot(
            batches,
            x="value",
            y="name",
            order=order,
            ax=axes,
            jitter=False,
            size=5,
            marker="$\\circ$",
            color=SKY,
            edgecolor=BLUE,
            linewidth=0.3,
            orient="h",
        )
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
    return figure, say(
        "ends_at_humidity", long=duration(first), damp=min(rh), short=duration(last), dry=max(rh)
    )
