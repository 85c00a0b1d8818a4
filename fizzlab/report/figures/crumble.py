"""The figure of crumbling: the share of pieces at each score with the raters' leans."""

from __future__ import annotations

import numpy as np
import pandas as pd
import seaborn as sns
from matplotlib.figure import Figure

from fizzlab.models.plotting import house_style, new_figure
from fizzlab.models.raters import RaterAgreement

#: Shades of the scores 0 to 4, light to dark, that a grey printer keeps apart.
SHADES = ("#e8f1f6", "#b9d6e6", "#7fb2d0", "#3f84b0", "#0b4a75")


def score_shares(scores: pd.DataFrame, levels: pd.Series, agreement: RaterAgreement | None) -> Figure:
    """The share of scores of each kind by level and, under it, how far each rater scores off the others.

    `scores` has run, rater, score; `levels` is what each batch is drawn with, a Categorical.
    """
    level, score = scores["run"].map(levels).astype(levels.dtype), scores["score"].astype(int).astype(str)
    tall = [0.5 * len(levels.cat.categories) + 0.5]
    tall += [0.34 * len(agreement.raters) + 0.5] if agreement else []
    height = 1.35 + sum(tall) + 0.5 * (len(tall) - 1)
    with house_style():
        figure, panels = new_figure(len(tall), 1, height=height, height_ratios=tall, squeeze=False)
        bars = panels[0, 0]
        sns.histplot(
            scores.assign(level=level, score=score), y="level", hue="score", hue_order=list("43210"),
            palette=list(SHADES[::-1]), alpha=1.0, multiple="fill", discrete=True, shrink=0.7, ax=bars,
        )  # fmt: skip
        bars.set(xlabel="share of the scores", ylabel="", xticks=np.arange(0, 1.1, 0.25))
        bars.xaxis.set_major_formatter(lambda value, _: f"{100 * value:.0f} %")
        sns.move_legend(bars, "lower center", bbox_to_anchor=(0.5, 1.0), ncols=5, reverse=True)
        if agreement:
            agreement.plot(panels[1, 0])
    return figure
