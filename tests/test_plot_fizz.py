"""The fizz figures show the readings and the fits they are given."""

from __future__ import annotations

import io

import numpy as np
import pandas as pd
import pytest
from matplotlib.figure import Figure

from fizzlab.report.figures import fizz as drawn

LEVELS = ["pearl", "dye"]


def points(figure: Figure, place: int = 0) -> list[tuple[float, float]]:
    """Every point drawn with a marker in one of the axes."""
    found = []
    for line in figure.axes[place].lines:
        if line.get_marker() not in ("None", None, "") and line.get_linestyle() == "None":
            found += list(zip(line.get_xdata(), line.get_ydata(), strict=True))
    return [(float(x), float(y)) for x, y in found]


def legend(figure: Figure) -> list[str]:
    shown = figure.axes[0].get_legend()
    return [] if shown is None else [text.get_text() for text in shown.get_texts()]


def saved(figure: Figure) -> bytes:
    out = io.BytesIO()
    figure.savefig(out, format="png")
    return out.getvalue()


@pytest.fixture
def times() -> pd.DataFrame:
    return pd.DataFrame(
        {
            "level": ["pearl", "pearl", "dye", "dye"],
            "water_c": [34.0, 39.0, 35.0, 38.0],
            "seconds": [150.0, 120.0, 170.0, 185.0],
            "done": [True, True, True, False],
        }
    )


@pytest.fixture
def lines() -> pd.DataFrame:
    water = np.linspace(34, 42, 9)
    parts = [
        pd.DataFrame(
            {
                "level": level,
                "water_c": water,
                "seconds": at * np.exp(-0.03 * (water - 34)),
                "beyond_tried": water > 39.5,
            }
        )
        for level, at in (("pearl", 150.0), ("dye", 180.0))
    ]
    table = pd.concat(parts, ignore_index=True)
    return table.assign(low=table["seconds"] / 1.1, high=table["seconds"] * 1.1)


def test_every_piece_is_on_the_figure_of_times(times: pd.DataFrame, lines: pd.DataFrame) -> None:
    figure = drawn.fizz_by_water(times, lines, "colour", LEVELS, 38.0, "the fizz is over")
    assert sorted(points(figure)) == sorted(zip(times["water_c"], times["seconds"], strict=True))
    arrows = [line for line in figure.axes[0].lines if "uparrow" in str(line.get_marker())]
    assert sorted(float(y) for line in arrows for y in line.get_ydata()) == [185.0]
    assert legend(figure) == LEVELS
    low, high = figure.axes[0].get_ylim()
    assert low < 120 < 185 < high
    assert len(saved(figure)) > 5000


def test_water_that_was_not_tried_is_drawn_thin(times: pd.DataFrame, lines: pd.DataFrame) -> None:
    figure = drawn.fizz_by_water(times, lines, "colour", LEVELS, 38.0, "the fizz is over")
    ends = {
        line.get_linewidth(): float(np.max(line.get_xdata()))
        for line in figure.axes[0].lines
        if len(line.get_xdata()) > 4
    }
    assert ends[min(ends)] == 42.0
    assert ends[max(ends)] == 39.0


def test_a_narrow_span_of_seconds_still_has_ticks(times: pd.DataFrame, lines: pd.DataFrame) -> None:
    near = lines.assign(seconds=100.0, low=99.0, high=101.0)
    figure = drawn.fizz_by_water(times.assign(seconds=100.0), near, "", LEVELS, 38.0, "the fizz is over")
    low, high = figure.axes[0].get_ylim()
    assert len([tick for tick in figure.axes[0].get_yticks() if low <= tick <= high]) >= 3


def test_gas_curves_show_readings_and_what_is_left_over() -> None:
    seconds = np.arange(0.0, 100.0, 20.0)
    readings = pd.concat(
        pd.DataFrame(
            {
                "run": run,
                "piece": "1",
                "level": level,
                "seconds": seconds,
                "gas_g": 6 * (1 - np.exp(-seconds / 30)),
            }
        ).assign(residual_g=0.05, used=seconds != 40)
        for run, level in (("A", "pearl"), ("B", "dye"))
    )
    curves = readings[["run", "piece", "level", "seconds", "gas_g"]]
    figure = drawn.gas_curves(readings, curves, "colour", LEVELS, 0.1)
    assert len(points(figure)) == len(readings)
    crosses = [line for line in figure.axes[0].lines if line.get_marker() == "x"]
    assert [float(x) for line in crosses for x in line.get_xdata()] == [40.0, 40.0]
    left_over = points(figure, 1)
    assert len(left_over) == int(readings["used"].sum())
    assert {y for _, y in left_over} == {0.05}
    low, high = figure.axes[1].get_ylim()
    assert low < -0.05 < 0.05 < high
    assert legend(figure) == LEVELS


def test_gas_reached_stands_against_all_of_it() -> None:
    groups = pd.DataFrame(
        {
            "group": ["all batches", "pearl", "dye"],
            "share": [0.8, 0.82, 0.78],
            "low": [0.77, 0.75, 0.72],
            "high": [0.83, 0.89, 0.84],
            "if_none_stays": [0.75, 0.77, 0.73],
        }
    )
    batches = pd.DataFrame(
        {"group": ["all batches"] * 2 + ["pearl", "dye"], "share": [0.82, 0.78, 0.82, 0.78]}
    )
    figure = drawn.gas_reached(groups, batches, "colour", LEVELS)
    axes = figure.axes[0]
    assert [tick.get_text() for tick in axes.get_yticklabels()] == ["all batches", "pearl", "dye"]
    assert axes.get_xlim()[0] < 72
    assert axes.get_xlim()[1] > 100
    shown = points(figure)
    assert (80.0, 0.0) in [(round(x, 6), y) for x, y in shown]
    assert len(shown) == 2 * len(groups) + len(batches)
    assert any(set(line.get_xdata()) == {100} for line in axes.lines)


def test_colour_rises_in_steps_from_nought() -> None:
    steps = pd.DataFrame(
        {"level": ["pearl", "pearl", "dye"], "seconds": [5.0, 9.0, 4.0], "share": [0.5, 1.0, 1.0]}
    )
    figure = drawn.colour_release(steps, "colour", LEVELS)
    stairs = [line for line in figure.axes[0].lines if line.get_drawstyle() == "steps-post"]
    assert len(stairs) == 2
    assert [float(line.get_ydata()[0]) for line in stairs] == [0.0, 0.0]
    assert all(np.max(line.get_ydata()) == 100.0 for line in stairs)
    assert (5.0, 50.0) in points(figure)


def test_shelf_life_marks_what_was_not_tried() -> None:
    weeks = np.linspace(0, 12, 13)
    lines = pd.concat(
        pd.DataFrame({"storage": name, "weeks": weeks, "left": np.exp(-k * weeks), "tried": weeks <= 10})
        for name, k in (("35 % humidity", 0.01), ("70 % humidity", 0.04))
    )
    lines = lines.assign(low=lines["left"] * 0.95, high=lines["left"] * 1.05)
    left = pd.DataFrame(
        {"storage": ["35 % humidity", "70 % humidity"], "weeks": [10.0, 10.0], "left": [0.9, 0.7]}
    )
    figure = drawn.shelf_life(left, lines, 0.9)
    assert legend(figure) == ["35 % humidity", "70 % humidity"]
    assert sorted(round(y, 6) for _, y in points(figure)) == [70.0, 90.0]
    long = [line for line in figure.axes[0].lines if len(line.get_xdata()) > 4]
    assert {float(np.max(line.get_xdata())) for line in long} == {10.0, 12.0}


def test_one_level_has_no_legend(times: pd.DataFrame, lines: pd.DataFrame) -> None:
    figure = drawn.fizz_by_water(
        times.assign(level="all batches"),
        lines[lines["level"] == "pearl"].assign(level="all batches"),
        "",
        ["all batches"],
        38.0,
        "the fizz is over",
    )
    assert legend(figure) == []
