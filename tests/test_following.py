"""What a report recommends, set up: a trial beside it or batches added to it; all of it or nothing."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

import fizzlab as fl
from fizzlab import records
from fizzlab.bench.following import follow
from fizzlab.bench.planfiles import write_plan
from fizzlab.bench.planning import read_plan
from fizzlab.errors import BadInput
from fizzlab.report.parts.following import beyond
from fizzlab.trial.folder import load

DEMO = Path(__file__).parents[1] / "data" / "demo"
COLOURS = [{"colour": "dye"}, {"colour": "pearl"}]

Trial = Callable[..., Path]


@pytest.fixture
def recorded(tmp_path: Path) -> Trial:
    """A demo trial with a record that recommends what a test says, without the minutes of a report."""

    def make(name: str, *steps: dict[str, Any], plan: str = "") -> Path:
        folder = tmp_path / name
        shutil.copytree(DEMO / name, folder, ignore=shutil.ignore_patterns("records"))
        text = (folder / "trial.toml").read_text(encoding="utf-8")
        (folder / "trial.toml").write_text(text.replace("[plan]\n", f"[plan]\n{plan}"), encoding="utf-8")
        inputs = records.fingerprints(folder, load(folder).inputs)
        about = {
            "trial": name,
            "title": name,
            "notebook": {},
            "parameters_sha256": "0" * 64,
            "inputs": inputs,
        }
        said = [
            {"topic": "next", "sentence": f"Do {each['kind']}: fizzlab next", "next": each} for each in steps
        ]
        with records.making(folder / "records") as making:
            (making / "findings.json").write_text(json.dumps(said))
            for path in folder.iterdir():
                if path.is_file():
                    (making / "inputs").mkdir(exist_ok=True)
                    shutil.copy(path, making / "inputs" / path.name)
            records.keep(making, lambda *_: None, **about, **records.signed())
        return folder

    return make


def _files(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in folder.iterdir() if path.is_file()}


@pytest.mark.slow
def test_confirming_batches_get_a_folder_that_can_be_planned(recorded: Trial) -> None:
    folder = recorded("colour-ways", {"kind": "confirm", "combinations": COLOURS[:1], "repeats": 3})
    made, why = follow(folder)
    assert "colour-ways-confirm, for 3 batches" in made
    assert why == "Why: record colour-ways-1 says “Do confirm”."
    there = folder.with_name("colour-ways-confirm")
    written = write_plan(there)
    assert written.planned.settings.confirms is not None
    assert list(written.planned.runs["colour"]) == ["dye"] * 3
    assert written.planned.runs["day"].nunique() == 3
    with pytest.raises(BadInput, match="there already"):
        follow(folder)


def test_each_way_is_made_again_on_every_day(recorded: Trial) -> None:
    folder = recorded("colour-ways", {"kind": "again", "combinations": COLOURS, "repeats": 2})
    follow(folder, to=folder.with_name("twice"))
    planned = read_plan(folder.with_name("twice"))
    assert planned.settings.earlier is not None
    assert planned.settings.earlier.trials == ["../colour-ways"]
    assert planned.runs.groupby("day")["colour"].agg(sorted).tolist() == [["dye", "pearl"]] * 2


def test_moved_amounts_are_planned_around_the_best(recorded: Trial) -> None:
    amounts = beyond(pd.Series([0.6, 1.2, 1.8]), 0.6)
    assert amounts == [0.0, 0.6, 1.2]
    folder = recorded("binder", {"kind": "move", "factor": "binder_g", "amounts": amounts})
    follow(folder)
    there = folder.with_name("binder-moved")
    assert sorted(set(read_plan(there).runs["binder_g"])) == amounts
    assert "# grams of gas that half a piece" in (there / "trial.toml").read_text(encoding="utf-8")


@pytest.mark.slow
def test_batches_are_added_and_no_reading_is_touched(recorded: Trial) -> None:
    batches = [{"colour": "dye", "binder": "gum", "day": 1}, {"colour": "lake", "binder": "gum", "day": 2}]
    folder = recorded("cores", {"kind": "add", "batches": batches})
    before, runs = _files(folder), load(folder).rows("runs")
    made, _ = follow(folder)
    assert "R19 to R20" in made
    after = _files(folder)
    changed = {name for name in after if after[name] != before.get(name)}
    assert changed == {"runs.csv", "bench-sheet.html", "records-head.txt"}
    assert after["runs.csv"].startswith(before["runs.csv"])
    now = load(folder).rows("runs")
    assert list(now["day"].tail(2)) == ["7", "8"]
    assert now["blind"].is_unique
    plan = records.read_ledger(folder / "records").plan()
    assert plan is not None
    assert len(plan.runs) == len(runs) + 2
    with pytest.raises(BadInput, match="is stale"):  # so that nothing is added twice
        follow(folder)


@pytest.mark.slow
def test_added_batches_get_dates_behind_those_made_and_a_new_trial_none(recorded: Trial) -> None:
    batches = [{"colour": "dye", "binder": "gum", "day": 1}, {"colour": "lake", "binder": "gum", "day": 2}]
    dates = 'start = 2026-05-05\nweekdays = ["tue", "thu"]\n'
    ways = [{"colour": each["colour"], "binder": each["binder"]} for each in batches]
    again = {"kind": "again", "combinations": ways, "repeats": 2}
    folder = recorded("cores", {"kind": "add", "batches": batches}, again, plan=dates)
    assert max(load(folder).rows("runs")["made_at"]) == pd.Timestamp("2026-05-22T12:00")
    follow(folder, "again")
    wishes = read_plan(folder.with_name("cores-again")).wishes
    assert (wishes.start, wishes.weekdays) == (None, ["tue", "thu"])
    assert "calendar.ics" in follow(folder, "add")[-2]
    calendar = (folder / "calendar.ics").read_text(encoding="utf-8")
    assert calendar.count("SUMMARY:Make batch") == 19  # one batch was left out
    assert "Make it on <b>Tue 26 May 07:00</b>, look on" in (folder / "bench-sheet.html").read_text("utf-8")
    assert "Make it on <b>Thu 28 May 07:00</b>, look on" in (folder / "bench-sheet.html").read_text("utf-8")


@pytest.mark.slow  # reads the workbook cell by cell
def test_a_workbook_gets_the_rows_to_fill_in(recorded: Trial) -> None:
    folder = recorded("binder", {"kind": "add", "batches": [{"binder_g": 0.6, "day": 1}]})
    before = load(folder)
    follow(folder)
    now = fl.load_trial(folder)
    assert list(now.rows("runs")["run"]) == [*before.rows("runs")["run"], "B13"]
    for name in before.tables:
        if name != "runs":
            pd.testing.assert_frame_equal(now.rows(name), before.rows(name))


def test_without_a_report_or_with_a_stale_one_nothing_is_made(recorded: Trial, tmp_path: Path) -> None:
    shutil.copytree(DEMO / "binder", tmp_path / "new")
    with pytest.raises(BadInput, match="no records"):
        follow(tmp_path / "new")
    folder = recorded("colour-ways", {"kind": "confirm", "combinations": COLOURS[:1], "repeats": 3})
    with pytest.raises(BadInput, match="It recommends: confirm"):
        follow(folder, "add")
    with (folder / "runs.csv").open("a") as file:
        file.write("\n")
    with pytest.raises(BadInput, match="is stale"):
        follow(folder)
    assert {path.name for path in tmp_path.iterdir()} == {"new", "colour-ways"}
