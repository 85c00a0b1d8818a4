"""The demo reports hold what the crumble tests say, with figures, findings and the record."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from fizzlab.report.run import write_report
from fizzlab.trial import shipped

MakeTrial = Callable[..., Path]

FIGURES = {
    "binder": {"tumble-losses", "drop-sequence", "score-bars"},
    "colour-ways": {"score-bars"},
    "season": set(),
}


def _html(page: Path) -> str:
    return page.read_text(encoding="utf-8").replace("\u00a0", " ")


@pytest.mark.parametrize("name", list(FIGURES))
def test_the_section_stands_where_its_tables_are(name: str, demo_reports: dict[str, Path]) -> None:
    page = demo_reports[name]
    html = _html(page)
    assert ("<h2>Crumbling</h2>" in html) == bool(FIGURES[name])
    drawn = {path.stem for path in (page.parent / "figures").glob("*.png")}
    every = set.union(*FIGURES.values())
    assert drawn & every == FIGURES[name]
    for figure in FIGURES[name]:
        assert (page.parent / "figures" / f"{figure}.svg").stat().st_size > 5_000


def test_findings_of_the_record_are_those_of_the_page(demo_reports: dict[str, Path]) -> None:
    for name in ("binder", "colour-ways"):
        page = demo_reports[name]
        html = _html(page).replace("&#x27;", "'")
        findings = json.loads((page.parent / "findings.json").read_text(encoding="utf-8"))
        ours = [finding for finding in findings if finding["topic"].startswith("crumble.")]
        assert len(ours) > 5
        for finding in ours:
            assert finding["sentence"] in html
            if finding["low"] is not None and finding["high"] is not None:
                assert finding["low"] <= finding["estimate"] <= finding["high"]


def test_what_was_shown_stands_with_the_answer(demo_reports: dict[str, Path]) -> None:
    html = _html(demo_reports["binder"])
    said = html.index(
        "Tumble loss: with more emulsifier per batch, 0.6 g to 1.8 g, pieces lost less in the tumble"
    )
    assert html.index("<h2>What changed</h2>") < said < html.index("<h2>How soon pieces dry</h2>")
    assert (
        "Crumble score: no difference could be shown between 0.6 g and 1.8 g of emulsifier per batch" in html
    )


def test_the_rater_who_runs_high_is_named(demo_reports: dict[str, Path]) -> None:
    html = _html(demo_reports["colour-ways"])
    assert "Ines runs high: 0.7 points above the others on the same pieces" in html
    assert "Go through the scale with Jorn and Ines" in html


def test_what_can_hurt_is_said_where_pieces_are_dropped(demo_reports: dict[str, Path]) -> None:
    assert "Shards fly when a piece breaks" in _html(demo_reports["binder"])


def test_crumble_notebook_makes_a_record_too(tmp_path: Path) -> None:
    folder = shutil.copytree(shipped.demo("binder"), tmp_path / "binder")
    html = _html(write_report(folder, notebook="crumble"))
    assert "<h2>Crumbling</h2>" in html
    assert "The heights from which pieces break" in html


def test_a_trial_with_crumble_tests_alone(make_trial: MakeTrial) -> None:
    scores = "run,piece,rater,score\n" + "".join(
        f"{run},{piece},{rater},{(place + piece) % 4}\n"
        for place, run in enumerate("ABCD")
        for piece in (1, 2)
        for rater in ("Mo", "Ines")
    )
    html = _html(write_report(make_trial(touch_checks__csv=None, crumble_scores__csv=scores)))
    assert "<h2>Crumbling</h2>" in html
    assert "Scored by hand" in html
