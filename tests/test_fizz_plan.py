"""A plan that asks for fizz prepares its sheets and its blanks."""

from __future__ import annotations

import re
from pathlib import Path

import openpyxl
import pytest
from planned_trials import COLOUR, HEAD

from fizzlab.bench.planfiles import PlanFiles, write_plan
from fizzlab.bench.sheet import FIZZ_SECONDS, readings_blanks
from fizzlab.trial.asking import Answers, Row
from fizzlab.trial.folder import load
from fizzlab.trial.new import draft

PLAN = (
    HEAD.replace("=Two", "Two")
    + COLOUR
    + '[plan]\nkind = "compare"\ndays = 3\nbatches_per_day = 3\ncontrol_batches = "equal"\n'
    + 'tables = ["fizz_times", "fizz_curves", "shelf"]\npieces = 3\n'
)


@pytest.fixture
def written(tmp_path: Path) -> PlanFiles:
    (tmp_path / "trial.toml").write_text(PLAN, encoding="utf-8")
    return write_plan(tmp_path)


def test_the_blanks_fit_on_the_sheet(written: PlanFiles) -> None:
    grids = [
        grid
        for grid in readings_blanks(written.planned.settings, written.planned.wishes)
        if grid.table == "fizz_curves"
    ]
    heads = [head for grid in grids for head in grid.heads if head.endswith(" s")]
    assert heads == [f"{second} s" for second in FIZZ_SECONDS]
    html = written.paths[0].read_text(encoding="utf-8")
    across = [
        each.count("<th ") for each in re.findall(r'<table class="blanks">(.*?)</thead>', html, re.DOTALL)
    ]
    assert len(across) >= len(FIZZ_SECONDS) // 10
    assert max(across) <= 10
    assert "Mass of cup, water and piece together as the gas leaves" in html
    assert "How much fizz is left after weeks of storage" in html


def test_the_workbook_names_cups_and_seconds_beforehand(written: PlanFiles) -> None:
    book = openpyxl.load_workbook(written.paths[1])
    rows = list(book["fizz_curves"].iter_rows(min_row=2, min_col=4, max_col=7, values_only=True))
    assert len(rows) == 9 * 2 * len(FIZZ_SECONDS)
    assert [row[3] for row in rows[: len(FIZZ_SECONDS)]] == list(FIZZ_SECONDS)
    assert {row[1] for row in rows} == {"1", "2"}
    assert [cell.value for cell in book["shelf"][1]][3:7] == ["run", "piece", "weeks", "rh_pct"]


def test_rows_that_were_not_filled_in_are_passed_over(written: PlanFiles) -> None:
    book = openpyxl.load_workbook(written.paths[1])
    sheet = book["fizz_curves"]
    for number in range(2, 2 + len(FIZZ_SECONDS)):
        sheet.cell(row=number, column=6, value=38)
        sheet.cell(row=number, column=8, value=400 - number / 10)
    book.save(written.paths[1])
    trial = load(written.paths[0].parent)
    assert len(trial.rows("fizz_curves")) == len(FIZZ_SECONDS)


def test_the_commented_section_of_a_new_trial_is_sound(tmp_path: Path) -> None:
    toml = tmp_path / "trial.toml"
    rows: tuple[Row, ...] = ({"name": "colour", "values": "pearl, dye"},)
    text = draft(Answers({"title": "Fizz", "question": "How long?"}, {"factors": rows})).text
    before, after = text.split("# [fizz]\n")
    after = re.sub(r"^# (?=\[|\w+ = )", "", after, flags=re.MULTILINE)
    toml.write_text(f"{before}[fizz]\n{after}", encoding="utf-8")
    from fizzlab.trial.settings import read_settings

    settings, problems = read_settings(toml.parent)
    assert problems == []
    assert settings is not None
    assert settings.fizz.theory_g == 8.5
    assert settings.responses["dry_h"].same_within == 1.2
    assert settings.measure("scent").unit == "points"
    assert settings.earlier is not None
