"""Panels, one a response, of what each factor changed; a tile a combination of what was asked of it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from textwrap import fill

import numpy as np
import pandas as pd
import seaborn as sns
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from fizzlab.language import say
from fizzlab.models.choose import Choice
from fizzlab.models.plotting import INK, Look, house_style, looks, new_figure, round_ticks

#: Most signs in a line of a level's name, a combination's, a panel's title, and of all tiles' heads together.
LONG, NAME, TITLE, HEAD = 16, 18, 24, 54
#: So many combinations are drawn.
MOST = 12


@dataclass(frozen=True)
class Panel:
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
            axes.set_title(fill(panel.title, TITLE), fontsize=9.5, fontweight="normal")
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
