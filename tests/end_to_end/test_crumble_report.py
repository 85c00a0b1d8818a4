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

FIGURES = {"binder": {"drop-sequence", "score-bars"}, "colour-ways": {"score-bars"}, "season": set()}


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


def test_findings_of_the_record_have_their_numbers(demo_reports: dict[str, Path]) -> None:
    for name in ("binder", "colour-ways"):
        findings = json.loads((demo_reports[name].parent / "findings.json").read_text(encoding="utf-8"))
        ours = [finding for finding in findings if finding["topic"].startswith("crumble.")]
        assert len(ours) > 5
        for finding in ours:
            if finding["low"] is not None and finding["high"] is not None:
                assert finding["low"] <= finding["estimate"] <= finding["high"]


def test_the_rater_who_runs_high_is_named(demo_reports: dict[str, Path]) -> None:
    html = _html(demo_reports["colour-ways"])
    assert "Ines scores 0.72 points above the others on the same pieces" in html
    assert "Go through the scale with Jorn and Ines" in html


def test_what_can_hurt_is_said_where_pieces_are_dropped(demo_reports: dict[str, Path]) -> None:
    assert "Shards fly when a piece breaks" in _html(demo_reports["binder"])


@pytest.mark.slow
def test_crumble_notebook_makes_a_record_too(tmp_path: Path) -> None:
    folder = shutil.copytree(shipped.demo("binder"), tmp_path / "binder")
    html = _html(write_report(folder, notebook="crumble"))
    assert "<h2>Crumbling</h2>" in html
    assert "survive a fall from" in html


@pytest.mark.slow
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
