"""Figures of a plan: every batch has its tile; the curve and its axes."""

from __future__ import annotations

import pandas as pd
import pytest
from matplotlib.figure import Figure
from matplotlib.patches import FancyBboxPatch

from fizzlab.design.detect import power
from fizzlab.design.plans import plan
from fizzlab.design.plotting import ACROSS, plot_days


@pytest.mark.parametrize("per_day", [3, 9])
def test_every_batch_has_a_tile_with_its_levels(per_day: int) -> None:
    runs = pd.DataFrame(
        {"run": [f"R{i:02d}" for i in range(18)], "day": [str(i // per_day) for i in range(18)]}
    )
    levels = pd.DataFrame({"colour": ["pearl", "dye", "lake"] * 6, "gum": [f"{i} g" for i in range(18)]})
    axes = plot_days(runs, levels)
    tiles = [patch for patch in axes.patches if isinstance(patch, FancyBboxPatch)]
    corners = {(round(tile.get_x()), round(tile.get_y())) for tile in tiles}
    assert len(corners) == len(tiles) == 18  # none lies on another
    assert max(x for x, _ in corners) < ACROSS
    texts = [text.get_text() for text in axes.texts]
    assert texts.count("pearl") == 6
    assert {*runs["run"], "day 0", *levels["gum"]} <= set(texts)


def test_figures_go_into_given_axes_and_are_drawn() -> None:
    made = plan("compare", {"colour": ["pearl", "dye"]}, days=3, batches_per_day=4)
    figure = Figure()
    left, right = figure.subplots(1, 2)
    assert made.plot(left) is left
    found = power(made, trials=100, difference=0.3)
    assert found.plot(right) is right
    assert right.get_xlabel().startswith("true difference")
    figure.draw_without_rendering()
