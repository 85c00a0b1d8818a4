"""The picture of the choice: every combination in its row, a frame where a limit breaks, nothing cut off."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pandas as pd
import pytest

from fizzlab.models.choose import Choice, Limit, Wish, choose
from fizzlab.models.effects import fit_response
from fizzlab.report.figures import trade_off
from fizzlab.report.phrases import number


def choice_of(count: int) -> Choice:
    rng = np.random.default_rng(count)
    levels = np.repeat([f"level {i}" for i in range(count)], 3)
    noise = np.exp(rng.normal(0, 0.1, (2, len(levels))))
    hours = 4 * noise[0] * np.exp(0.05 * np.repeat(range(count), 3))
    runs = [f"R{i}" for i in range(len(levels))]
    table = pd.DataFrame({"run": runs, "binder": levels, "hours": hours, "foam": 10 * noise[1]})
    return choose(
        [fit_response(table, "hours", "binder"), fit_response(table, "foam", "binder", log=False)],
        limits=[Limit("hours", at_most=6), Limit("foam", 0.0, 15.0)],
        wishes=[Wish("hours", "less", 3, 8)],
        draws=400,
    )


@pytest.mark.parametrize("count", [2, 6, 12])
def test_rows_tiles_and_frames(count: int) -> None:
    choice = choice_of(count)
    names = [f"gum arabic {i} g + lake pigment of the third supplier" for i in range(count)]
    titles = {"hours": "95 % of pieces dry, h", "foam": "A number with a rather long label of one's own, mm"}
    figure = trade_off(choice, names, titles)
    figure.draw_without_rendering()
    (axes,) = figure.axes
    tiles = [text.get_text() for text in axes.texts]
    assert len(tiles) == 3 * count
    hours = choice.responses["hours"]["estimate"].head(count)
    assert tiles[1::3] == [number(float(value)) for value in hours]
    framed = {tuple(int(v) for v in patch.get_xy()) for patch in axes.patches}
    broken = np.flatnonzero(choice.responses["hours"]["meets"].head(count) < 0.5)
    assert {row for column, row in framed if column == 1} == set(broken.tolist())
    heads = [label.get_window_extent() for label in axes.get_xticklabels()]
    for left, right in pairwise(heads):
        assert left.x1 < right.x0  # no title touches the next
    labels = [label.get_window_extent() for label in axes.get_yticklabels()]
    assert len(labels) == count
    for above, below in pairwise(labels):
        assert above.y0 >= below.y1 - 1  # no name runs into the next
    assert min(box.x0 for box in labels) >= 0
