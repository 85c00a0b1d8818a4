"""The trade-off picture: every combination in its row, limits where they are, nothing cut off."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pandas as pd
import pytest

from fizzlab.models.choose import Choice, Limit, Wish, choose
from fizzlab.models.effects import fit_response
from fizzlab.report.figures.panels import trade_off


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
def test_rows_limits_and_marks(count: int) -> None:
    choice = choice_of(count)
    names = [f"gum arabic {i} g + lake pigment of the third supplier" for i in range(count)]
    titles = {"hours": "95 % of pieces dry, h", "foam": "A number with a rather long label of one's own, mm"}
    figure = trade_off(choice, names, titles)
    figure.draw_without_rendering()
    shown = [axes for axes in figure.axes if axes.get_visible()]
    assert len(shown) == 3
    for axes, (name, limit) in zip(shown[1:], zip(titles, choice.limits, strict=True), strict=True):
        low, high = axes.get_xlim()
        assert low <= choice.responses[name]["conf_low"].min()
        assert choice.responses[name]["conf_high"].max() <= high
        for end in (limit.at_least, limit.at_most):
            assert end is None or low < end < high
    for axes in shown:
        marks = [line for line in axes.lines if line.get_marker() == "o"]
        filled = {y for line in marks if line.get_markerfacecolor() != "white" for y in line.get_ydata()}
        assert filled == set(np.flatnonzero(choice.considered))
        assert sum(len(line.get_ydata()) for line in marks) == count
        box, page = axes.title.get_window_extent(), figure.bbox
        assert page.x0 <= box.x0
        assert box.x1 <= page.x1
    left, right = (axes.title.get_window_extent() for axes in shown[:2])
    assert left.x1 < right.x0
    labels = [label.get_window_extent() for label in shown[0].get_yticklabels()]
    assert len(labels) == count
    for above, below in pairwise(labels):
        assert above.y0 >= below.y1 - 1  # no name runs into the next
    assert min(box.x0 for box in labels) >= 0
