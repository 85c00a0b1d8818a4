"""Figures of crumbling: the loss of each batch, the share of pieces at each score with the raters' leans."""

from __future__ import annotations

import numpy as np
import pandas as pd
import seaborn as sns
from matplotlib.figure import Figure

from fizzlab.models.plotting import house_style, looks, new_figure
from fizzlab.models.raters import RaterAgreement

#: Shades of the scores 0 to 4, light to dark, that a grey printer keeps apart.
SHADES = ("#e8f1f6", "#b9d6e6", "#7fb2d0", "#3f84b0", "#0b4a75")


def tumble_losses(losses: pd.DataFrame, levels: pd.Series) -> Figure:
    """The loss of each batch by level; an open arrow is a batch that lost less than the scale can show.

    Parameters
    ----------
    losses : DataFrame
        Columns loss_pct, step_pct, below_step, one row a batch.
    levels : Series
        What each batch is drawn with, a Categorical.
    """
    level = levels.loc[losses.index]
    below = losses["below_step"]
    shown = losses.assign(level=level, percent=losses["loss_pct"].where(~below, losses["step_pct"] / 2))
    names = list(level.cat.categories)
    with house_style():
        figure, axes = new_figure(height=1.3 + 0.5 * len(names))
        colours = {name: look.colour for name, look in looks(names).items()}
        for own, marker, face in ((shown[~below], "o", {}), (shown[below], "<", {"facecolor": "white"})):
            sns.stripplot(
                own, x="percent", y="level", order=names, hue="level", hue_order=names, palette=colours,
                marker=marker, size=6, linewidth=1, edgecolor="auto", legend=False, ax=axes, **face,
            )  # fmt: skip
        axes.set(xlabel="loss in the tumble, % of the mass", ylabel="")
        axes.set_xlim(left=0)
    return figure


def score_shares(scores: pd.DataFrame, levels: pd.Series, agreement: RaterAgreement | None) -> Figure:
    """The share of scores of each kind by level and, under it, how far each rater scores off the others.

    Parameters
    ----------
    scores : DataFrame
        Columns run, rater, score.
    levels : Series
        What each batch is drawn with, a Categorical.
    """
    shown = scores.assign(
        level=scores["run"].map(levels).astype(levels.dtype), score=scores["score"].astype(int).astype(str)
    )
    tall = [0.5 * len(levels.cat.categories) + 0.5]
    tall += [0.34 * len(agreement.table) + 0.5] if agreement else []
    with house_style():
        figure, panels = new_figure(
            len(tall), 1, height=1.35 + sum(tall) + 0.5 * (len(tall) - 1), height_ratios=tall, squeeze=False
        )
        bars = panels[0, 0]
        sns.histplot(
            shown, y="level", hue="score", hue_order=list("43210"), palette=list(SHADES[::-1]), alpha=1.0,
            multiple="fill", discrete=True, shrink=0.7, ax=bars,
        )  # fmt: skip
        bars.set(xlabel="share of the scores", ylabel="", xticks=np.arange(0, 1.1, 0.25))
        bars.xaxis.set_major_formatter(lambda value, _: f"{100 * value:.0f} %")
        sns.move_legend(bars, "lower center", bbox_to_anchor=(0.5, 1.0), ncols=5, reverse=True)
        if agreement:
            agreement.plot(panels[1, 0])
    return figure
