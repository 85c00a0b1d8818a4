"""The demo trial that names earlier ones shows them; the others stand alone; the season notebook runs."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest

from fizzlab import records
from fizzlab.report.run import write_report
from fizzlab.trial import shipped

pytestmark = pytest.mark.slow

FIGURES = {"season-lines", "drift-days"}


def page_of(path: Path) -> str:
    return path.read_text(encoding="utf-8").replace("\u00a0", " ")


def figures(page: Path) -> set[str]:
    return {path.stem for path in (page.parent / "figures").glob("*.svg")}


def test_only_the_trial_that_names_earlier_ones_shows_them(demo_reports: dict[str, Path]) -> None:
    for name in ("binder", "colour-ways", "season"):
        shown = name == "binder"
        assert page_of(demo_reports[name]).count("<h2>Across trials</h2>") == int(shown)
        assert figures(demo_reports[name]) & FIGURES == (FIGURES if shown else set())


def test_findings_stand_in_the_record_and_on_the_page(demo_reports: dict[str, Path]) -> None:
    record = demo_reports["binder"].parent
    found = [
        f for f in json.loads((record / "findings.json").read_text("utf-8")) if f["topic"][:6] == "season"
    ]
    assert {"season.forecast", "season.this_trial", "season.between", "season.drift"} <= {
        finding["topic"] for finding in found
    }
    html = page_of(demo_reports["binder"])
    for finding in found:
        assert finding["sentence"].replace("'", "&#x27;") in html


def test_the_true_slope_lies_in_the_pooled_interval(demo_reports: dict[str, Path]) -> None:
    truth = json.loads((shipped.DEMO / "truth.json").read_text("utf-8"))["binder"]["drying"]["vpd_slope"]
    found = json.loads((demo_reports["binder"].parent / "findings.json").read_text("utf-8"))
    air = next(finding for finding in found if finding["topic"] == "season.air")
    assert air["low"] < 2**-truth < air["high"]


def test_the_record_holds_the_fingerprints_of_earlier_trials(demo_reports: dict[str, Path]) -> None:
    record = demo_reports["binder"].parent
    prints = json.loads((record / "inputs.json").read_text("utf-8"))["inputs_sha256"]
    folder = record.parent.parent
    for name in ("runs.csv", "touch_checks.csv", "room_log.csv"):
        assert prints[f"../season/{name}"] == records.fingerprint(folder.parent / "season" / name)


def test_the_season_notebook_makes_a_record(tmp_path: Path) -> None:
    for name in ("binder", "season", "colour-ways"):
        shutil.copytree(shipped.demo(name), tmp_path / name)
    page = write_report(tmp_path / "binder", notebook="season")
    assert figures(page) == FIGURES
    assert "Does the workshop drift?" in page_of(page)


def test_the_season_notebook_says_what_a_lone_trial_lacks(tmp_path: Path) -> None:
    folder = shutil.copytree(shipped.demo("season"), tmp_path / "season")
    page = write_report(folder, notebook="season")
    assert "This trial names no earlier ones" in page_of(page)
    assert not figures(page)
