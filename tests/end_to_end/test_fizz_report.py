"""The demo reports hold the fizz section, its figures and its findings; the fizz notebook makes a record."""

from __future__ import annotations

import json
import re
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from fizzlab.report.run import write_report
from fizzlab.trial import shipped

pytestmark = pytest.mark.slow

MakeTrial = Callable[..., Path]

FIGURES = {"season": {"shelf-life"}, "colour-ways": set(), "binder": {"fizz-curves"}}
TOPICS = {
    "season": {"shelf.weeks[35 % humidity]", "shelf.weeks[70 % humidity]", "shelf.humidity"},
    "colour-ways": {"changed.fizz_s.colour[lake]", "fizz_time.water", "changed.colour_s.colour[dye]"},
    "binder": {"gas_reached.spent", "changed.half_out_s.binder_g"},
}


def page_of(path: Path) -> str:
    return path.read_text(encoding="utf-8").replace("\u00a0", " ")


@pytest.mark.parametrize("name", list(FIGURES))
def test_the_report_holds_the_section_and_its_figures(name: str, demo_reports: dict[str, Path]) -> None:
    html = page_of(demo_reports[name])
    assert html.count("<h2>Fizz</h2>") == 1
    drawn = {path.stem for path in (demo_reports[name].parent / "figures").glob("*.svg")}
    assert drawn & set().union(*FIGURES.values()) == FIGURES[name]
    section = html.split("<h2>Fizz</h2>")[1].split("<h2>")[0]
    alts = re.findall(r'alt="([^"]*)"', section)
    assert len(alts) == len(FIGURES[name]) + (name != "season")
    assert all(len(alt) > 40 for alt in alts)


@pytest.mark.parametrize("name", list(TOPICS))
def test_findings_stand_in_the_record_and_on_the_page(name: str, demo_reports: dict[str, Path]) -> None:
    findings = json.loads((demo_reports[name].parent / "findings.json").read_text(encoding="utf-8"))
    by_topic = {finding["topic"]: finding for finding in findings}
    html = page_of(demo_reports[name])
    for topic in TOPICS[name]:
        finding = by_topic[topic]
        assert finding["low"] <= finding["estimate"] <= finding["high"]
        said = finding["sentence"].replace("'", "&#x27;")
        if topic.startswith("changed."):  # told by a table
            said = said[said.rindex("(") :].removesuffix(".")
        assert said in html


def test_what_changed_tells_of_fizz(demo_reports: dict[str, Path]) -> None:
    assert "90 % is left after" in page_of(demo_reports["season"])
    led = page_of(demo_reports["binder"]).split("<h2>Fizz</h2>")[1].split("<h2>")[0]
    assert "ime until half of the gas is out" in led


def test_storage_comes_with_its_warning(demo_reports: dict[str, Path]) -> None:
    html = page_of(demo_reports["season"])
    assert "Home storage is not a stability study" in html.split("<h2>Fizz</h2>")[1]


def test_a_trial_without_fizz_has_no_such_section(make_trial: MakeTrial) -> None:
    html = page_of(write_report(make_trial()))
    assert "<h2>Fizz</h2>" not in html
    assert "shelf" in html.split("No readings of:")[1].split("</p>")[0]


@pytest.mark.parametrize("name", ["colour-ways", "binder"])
def test_the_fizz_notebook_makes_a_record(name: str, tmp_path: Path) -> None:
    folder = shutil.copytree(shipped.demo(name), tmp_path / name)
    page = write_report(folder, notebook="fizz")
    html = page_of(page)
    assert "<h2>Fizz</h2>" in html
    drawn = {path.stem for path in (page.parent / "figures").glob("*.png")}
    steps = {"fizz-effects"} | ({"one-cup"} if "fizz-curves" in FIGURES[name] else set())
    assert {figure for figure in drawn if not figure.startswith("changed-")} == FIGURES[name] | steps
