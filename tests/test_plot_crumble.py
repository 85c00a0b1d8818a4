"""The figures of crumbling show every reading, every estimate, and nothing that was not measured."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
from matplotlib.colors import to_hex
from matplotlib.figure import Figure

from fizzlab.models.plotting import WIDTH
from fizzlab.report import parts as sections
from fizzlab.report.figures.crumble import SHADES, drop_sequence, score_bars, top_cm, tumble_losses
from fizzlab.report.page import Picture
from fizzlab.trial import shipped
from fizzlab.trial.folder import load

LEVELS = pd.DataFrame(
    {"level": ["dye", "lake"], "loss_pct": [1.0, 2.1], "low": [0.8, 1.6], "high": [1.3, 2.7]}
)
BATCHES = pd.DataFrame(
    {
        "level": ["dye", "dye", "lake", "lake", "lake"],
        "loss_pct": [0.9, 0.0, 1.9, 2.4, 2.0],
        "below_step": [False, True, False, False, False],
    }
)
DROPS = pd.DataFrame(
    {
        "run": ["A"] * 4 + ["B"] * 4,
        "height_cm": [60.0, 50, 60, 70, 60, 70, 80, 70],
        "broke": [True, False, False, True, False, False, True, False],
        "level": ["dye"] * 4 + ["lake"] * 4,
    }
)
HEIGHTS = pd.DataFrame(
    {
        "level": ["dye", "lake"],
        "median_cm": [58.0, 75.0],
        "median_low": [0.0, 66.0],
        "median_high": [70.0, math.inf],
        "survive_cm": [41.0, 55.0],
    }
)
CHANCES = pd.DataFrame(
    [(level, score, 0.2) for level in ("dye", "lake") for score in range(5)],
    columns=["level", "score", "chance"],
)
LEANS = pd.DataFrame(
    {
        "rater": ["Ines", "Mo", "Jorn"],
        "difference": [0.7, 0.0, -0.7],
        "low": [0.5, math.nan, -1.0],
        "high": [0.9, math.nan, -0.4],
    }
)


def _points(figure: Figure, marker: str) -> int:
    lines = [line for axes in figure.axes for line in axes.lines if line.get_marker() == marker]
    return sum(len(line.get_xdata()) for line in lines)


def _texts(figure: Figure) -> str:
    figure.draw_without_rendering()
    found = [text.get_text() for axes in figure.axes for text in (*axes.texts, *axes.get_yticklabels())]
    return " ".join(found)


def test_every_batch_and_its_typical_loss_are_drawn() -> None:
    figure = tumble_losses(BATCHES, LEVELS, "colour")
    assert (_points(figure, "o"), _points(figure, "s"), _points(figure, "<")) == (1, 3, 1)
    marks = [line for line in figure.axes[0].lines if line.get_marker() == "|"]
    assert [float(line.get_xdata()[0]) for line in marks] == [1.0, 2.1]
    assert figure.axes[0].get_xscale() == "log"
    assert "dye" in _texts(figure)


def test_losses_without_an_estimate_are_still_drawn() -> None:
    bare = LEVELS.assign(loss_pct=math.nan, low=math.nan, high=math.nan)
    figure = tumble_losses(BATCHES, bare, "colour")
    assert _points(figure, "|") == 0
    assert _points(figure, "s") == 3


def test_losses_that_were_all_under_the_scale_can_be_drawn() -> None:
    nothing = BATCHES.assign(loss_pct=0.0, below_step=True)
    figure = tumble_losses(nothing, LEVELS.assign(loss_pct=math.nan, low=math.nan, high=math.nan), "colour")
    assert _points(figure, "<") == 5


def test_the_sequence_has_every_drop_and_both_heights() -> None:
    figure = drop_sequence(DROPS, HEIGHTS, "colour", 0.9)
    axes = figure.axes[0]
    assert (_points(figure, "X"), _points(figure, "o")) == (3, 5)
    lines = [segment for drawn in axes.collections for segment in getattr(drawn, "get_segments", list)()]
    heights = {round(float(segment[0][1]), 6) for segment in lines}
    assert heights == {58.0, 75.0, 41.0, 55.0}
    names = [text.get_text() for text in figure.legends[0].get_texts()]
    assert names == ["broke", "held", "half break", "90 % survive"]
    assert axes.get_ylim() == (0.0, pytest.approx(top_cm(DROPS, HEIGHTS)))


def test_drops_go_from_left_to_right_in_their_order() -> None:
    figure = drop_sequence(DROPS, HEIGHTS, "colour", 0.9)
    paths = [line for line in figure.axes[0].lines if line.get_marker() == "None"]
    assert [list(line.get_ydata()) for line in paths] == [[60, 50, 60, 70], [60, 70, 80, 70]]
    assert max(paths[0].get_xdata()) < min(paths[1].get_xdata())


def test_a_sequence_without_an_estimate_promises_none() -> None:
    figure = drop_sequence(DROPS, HEIGHTS[:0], "colour", 0.9)
    assert [text.get_text() for text in figure.legends[0].get_texts()] == ["broke", "held"]
    assert figure.axes[0].collections == [] or not len(figure.axes[0].collections)


def test_bars_add_up_to_all_pieces_in_the_order_of_the_scores() -> None:
    figure = score_bars(CHANCES, LEANS, "colour", "agreement 0.66")
    bars = figure.axes[0].patches
    assert len(bars) == 10
    ends = [bar.get_x() + bar.get_width() for bar in bars]
    assert ends[4] == pytest.approx(100)
    assert ends[9] == pytest.approx(100)
    assert [to_hex(bar.get_facecolor()) for bar in bars[:5]] == list(SHADES)
    assert figure.axes[1].get_title(loc="left") == "agreement 0.66"


def test_shades_of_the_scores_go_from_light_to_dark() -> None:
    """As a grey printer shows them, by the luma of Rec. 601."""
    grey = [
        0.299 * int(shade[1:3], 16) + 0.587 * int(shade[3:5], 16) + 0.114 * int(shade[5:7], 16)
        for shade in SHADES
    ]
    assert (np.diff(grey) < -20).all()


def test_raters_stand_where_they_score() -> None:
    figure = score_bars(CHANCES, LEANS, "colour", "")
    panel = figure.axes[1]
    drawn = {float(line.get_xdata()[0]) for line in panel.lines if line.get_marker() not in ("None", "")}
    assert drawn == {0.7, 0.0, -0.7}
    assert len(panel.collections) == 2  # no interval where none could be given
    low, high = panel.get_xlim()
    assert low == -high
    assert high > 1.0


def test_one_rater_has_no_panel_of_leans() -> None:
    assert len(score_bars(CHANCES, LEANS[:0], "colour", "").axes) == 1


@pytest.mark.parametrize("name", ["binder", "colour-ways"])
def test_figures_of_the_demo_fit_the_page_and_are_told_in_words(name: str) -> None:
    trial = load(shipped.demo(name))
    pictures = [
        piece for piece in sections.crumble(trial, sections.crumbling(trial)) if isinstance(piece, Picture)
    ]
    wanted = {"binder": ["tumble-losses", "drop-sequence", "score-bars"], "colour-ways": ["score-bars"]}
    assert [picture.name for picture in pictures] == wanted[name]
    for picture in pictures:
        assert picture.alt
        assert picture.caption
        width = int(picture.png[16:20].hex(), 16)  # of the PNG's header, in pixels
        assert width == round(WIDTH * 160)
        assert f'width="{WIDTH * 72:g}pt"' in picture.svg
