"""Figures of a plan: every batch has its tile, and what shares a number is what the plan says."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from matplotlib.figure import Figure
from matplotlib.patches import FancyBboxPatch

from fizzlab.design.detect import power
from fizzlab.design.model import Alias
from fizzlab.design.plans import plan
from fizzlab.design.plotting import ACROSS, alias_table, plot_aliases, plot_days


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


def test_the_alias_picture_is_the_alias_structure() -> None:
    made = plan("fractional factorial", dict.fromkeys("abcd", (0, 1)), batches=8, centre_points=3, seed=1)
    table = alias_table(made.aliases)
    # 2^(4-1) of resolution IV: ab = cd, ac = bd, ad = bc, and main effects clear of every pair
    assert {(row, column) for row in table.index for column in table.columns if table.loc[row, column]} == {
        ("a:b", "c:d"),
        ("c:d", "a:b"),
        ("a:c", "b:d"),
        ("b:d", "a:c"),
        ("a:d", "b:c"),
        ("b:c", "a:d"),
    }
    axes = made.plot_aliases()
    assert sum(text.get_text() == "1" for text in axes.texts) == 6
    assert next(label.get_text() for label in axes.get_yticklabels()) == "a × b"


def test_only_what_can_be_read_is_drawn() -> None:
    rng = np.random.default_rng(2)
    aliases = [
        Alias(f"f{i}", tuple((f"g{j}:h", float(rng.uniform(0.1, 0.9))) for j in range(40))) for i in range(30)
    ]
    assert alias_table(aliases).shape == (16, 16)


def test_nothing_to_show_is_said() -> None:
    with pytest.raises(ValueError, match="no effect"):
        plot_aliases([])


def test_figures_go_into_given_axes_and_are_drawn() -> None:
    made = plan("compare", {"colour": ["pearl", "dye"]}, days=3, batches_per_day=4)
    figure = Figure()
    left, right = figure.subplots(1, 2)
    assert made.plot(left) is left
    found = power(made, trials=100, difference=0.3)
    assert found.plot(right) is right
    assert right.get_xlabel().startswith("true difference")
    figure.draw_without_rendering()
