"""The trade-off picture: every combination in its row, limits where they are, nothing cut off."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pandas as pd
import pytest

from fizzlab.report.figures.choose import Panel, trade_off


def values(count: int, seed: int) -> pd.DataFrame:
    middle = np.exp(np.random.default_rng(seed).normal(1, 0.4, count))
    return pd.DataFrame({"value": middle, "low": middle * 0.8, "high": middle * 1.25})


@pytest.mark.parametrize("count", [1, 6, 12])
def test_rows_limits_and_marks(count: int) -> None:
    names = [f"gum arabic {i} g + lake pigment of the third supplier" for i in range(count)]
    filled = [place % 2 == 0 for place in range(count)]
    panels = [
        Panel("Keeps to every limit, %", 20 * values(count, 1), percent=True),
        Panel("95 % of pieces dry, h", values(count, 2), at_most=9, log=True),
        Panel("A number with a rather long label of the maker's own, mm", values(count, 3), 0.0, 5.0),
    ]
    figure = trade_off(names, filled, panels)
    figure.draw_without_rendering()
    shown = [axes for axes in figure.axes if axes.get_visible()]
    assert len(shown) == 3
    for axes, panel in zip(shown, panels, strict=True):
        low, high = axes.get_xlim()
        assert low <= panel.values["low"].min()
        assert panel.values["high"].max() <= high
        for limit in (panel.at_least, panel.at_most):
            assert limit is None or low < limit < high
        marks = [line for line in axes.lines if line.get_marker() == "o"]
        assert [line.get_markerfacecolor() != "white" for line in marks] == filled
        box, page = axes.title.get_window_extent(), figure.bbox
        assert page.x0 <= box.x0
        assert box.x1 <= page.x1
    left, right = (axes.title.get_window_extent() for axes in shown[:2])
    assert left.x1 < right.x0
    labels = shown[0].get_yticklabels()
    assert len(labels) == count
    tops = [label.get_window_extent() for label in labels]
    for above, below in pairwise(tops):
        assert above.y0 >= below.y1 - 1  # no name runs into the next
    assert min(box.x0 for box in tops) >= 0
