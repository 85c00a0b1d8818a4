"""The fizz figures show the readings and the fits they are given."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from matplotlib.figure import Figure

from fizzlab.models.shelf import fit_shelf_life
from fizzlab.report.figures import gas_curves

LEVELS = ["pearl", "dye"]


def points(figure: Figure, place: int = 0) -> list[tuple[float, float]]:
    """Every point that seaborn scattered in one of the axes."""
    return [
        (float(x), float(y))
        for each in figure.axes[place].collections
        for x, y in np.ma.getdata(each.get_offsets())
    ]


def curves(figure: Figure) -> list[Any]:
    """The lines with more than two points."""
    return [line for line in figure.axes[0].lines if len(line.get_xdata()) > 2]  # type: ignore[arg-type]


def legend(figure: Figure) -> list[str]:
    shown = figure.axes[0].get_legend()
    return [] if shown is None else [text.get_text() for text in shown.get_texts()]


def test_gas_curves_show_readings_and_what_is_left_over() -> None:
    seconds = np.arange(0.0, 100.0, 20.0)
    gas = 6 * (1 - np.exp(-seconds / 30))
    readings = pd.concat(
        [
            pd.DataFrame({"cup": cup, "level": level, "seconds": seconds, "gas_g": gas})
            for cup, level in (("A", "pearl"), ("B", "dye"), ("C", "dye"))
        ],
        ignore_index=True,
    )
    readings = readings.assign(residual_g=0.05, used=readings["seconds"] != 40)
    figure = gas_curves(readings, readings, LEVELS, 0.1)
    assert len([line for line in curves(figure) if line.get_marker() != "x"]) == 3
    crosses = [line for line in figure.axes[0].lines if line.get_marker() == "x"]
    assert [float(x) for line in crosses for x in np.asarray(line.get_xdata())] == [40.0] * 3
    assert len(points(figure)) == len(points(figure, 1)) == int(readings["used"].sum())
    assert {y for _, y in points(figure, 1)} == {0.05}
    low, high = figure.axes[1].get_ylim()
    assert low < -0.05 < 0.05 < high
    assert legend(figure) == LEVELS


def test_shelf_life_draws_every_piece_and_waits_for_the_share() -> None:
    rows = [
        (run, week, rh, 9 * np.exp(-k * week * more))
        for run, more in (("A", 1.0), ("B", 1.1), ("C", 0.9))
        for rh, k in ((35.0, 0.01), (70.0, 0.04))
        for week in (0, 5, 10)
    ]
    fit = fit_shelf_life(pd.DataFrame(rows, columns=["run", "weeks", "rh_pct", "gas_g"]))
    axes = fit.plot()
    assert [text.get_text() for text in axes.get_legend().get_texts()] == ["35 % humidity", "70 % humidity"]
    marks = [line for line in axes.lines if line.get_marker() not in ("None", None, "")]
    assert sum(len(np.asarray(line.get_xdata())) for line in marks) == len(fit.left) == 12
    ends = {
        round(float(np.max(np.asarray(line.get_xdata()))), 6)
        for line in axes.lines
        if len(np.asarray(line.get_xdata())) > 2 and line not in marks
    }
    assert ends == {10.0, 12.5}
