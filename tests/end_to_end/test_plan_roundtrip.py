"""Each kind of plan: planned, filled in as at the bench, read back; also after LibreOffice saved it."""

from __future__ import annotations

import datetime as dt
import shutil
import subprocess
from pathlib import Path
from typing import Any

import numpy as np
import openpyxl
import pandas as pd
import pytest
from click.testing import CliRunner
from planned_trials import KINDS, toml

from fizzlab.bench.planfiles import write_plan
from fizzlab.cli.main import main
from fizzlab.report import parts as sections
from fizzlab.report.analysis import analyse
from fizzlab.report.run import write_report
from fizzlab.trial.folder import Trial, load
from fizzlab.trial.settings import PlanSettings

SOFFICE = next(filter(None, map(shutil.which, ("soffice", "libreoffice"))), None)
START = dt.datetime(2026, 1, 5, 9, 0)


def _plan(kind: str, folder: Path) -> tuple[Path, PlanSettings]:
    folder.mkdir()
    (folder / "trial.toml").write_text(toml(kind), encoding="utf-8")
    return folder, write_plan(folder).planned.wishes


def _fill(folder: Path, seed: int = 11) -> dict[str, int]:
    """Write what a maker would write: only readings, into the cells that the plan left blank.

    Returns the number of rows filled in, by table.
    """
    rng = np.random.default_rng(seed)
    path = folder / "readings.xlsx"
    book = openpyxl.load_workbook(path)
    made = _fill_runs(book["runs"], rng)
    dry_at = {(run, str(piece)): rng.lognormal(np.log(5), 0.5) for run in made for piece in (1, 2)}
    filled: dict[str, int] = {}

    def put(sheet: str, row: int, **cells: object) -> None:
        for name, value in cells.items():
            column = next(cell.column for cell in book[sheet][1] if cell.value == name)
            cell = book[sheet].cell(row=row, column=column, value=value)
            if isinstance(value, str):
                cell.data_type = "s"  # typed with an apostrophe before it, as a text that begins with =
        filled[sheet] = filled.get(sheet, 0) + 1

    # LibreOffice keeps blank rows below those that the plan prepared
    rows = {}
    for sheet in book:
        first = 1 + sum(str(cell.value).startswith("(") for cell in sheet[1])  # the grey columns
        found = sheet.iter_rows(min_row=2, min_col=first, values_only=True)
        rows[sheet.title] = [row for row in found if row[0] is not None]
    seen: set[tuple[str, str]] = set()
    for row, (run, piece, hours, *_) in enumerate(rows["touch_checks"], start=2):
        if (run, piece) not in seen:  # nobody touches a piece again that was dry
            dry = dry_at[run, piece] <= hours
            put("touch_checks", row, dry="yes" if dry else "no")
            seen |= {(run, piece)} if dry else set()
    for row, (_, _, hours, *_) in enumerate(rows["weighings"], start=2):
        put("weighings", row, mass_g=round(80 + 2 * float(np.exp(-hours / 6)), 2))
    for row, _ in enumerate(rows["tumbles"], start=2):
        before = round(float(rng.normal(165, 2)), 1)
        put("tumbles", row, before_g=before, after_g=round(before - float(rng.uniform(1, 9)), 1), broken=0)
    for row, _ in enumerate(rows["crumble_scores"], start=2):
        put("crumble_scores", row, score=int(rng.integers(0, 5)))
    for row, _ in enumerate(rows["fizz_times"], start=2):
        put("fizz_times", row, water_c=38.5, seconds=int(rng.integers(60, 400)), done="yes", colour_s=4)
    for row, run in enumerate(made, start=2):
        put("drops", row, run=run, piece="1", height_cm=30, broke="no", note="=on tiles")
    hours_logged = 24 * ((max(made.values()) - START).days + 3)
    for row in range(hours_logged):
        put("room_log", row + 2, time=START + dt.timedelta(hours=row - 1), temp_c=17.5, rh_pct=62)
    book.save(path)
    return filled


def _fill_runs(sheet: Any, rng: np.random.Generator) -> dict[str, dt.datetime]:
    """Write when each batch was made; one a spreadsheet day, half an hour apart."""
    made: dict[str, dt.datetime] = {}
    for place, cells in enumerate(sheet.iter_rows(min_row=2)):
        row = dict(zip((head.value for head in sheet[1]), cells, strict=True))
        if row["run"].value is not None:
            moment = START + dt.timedelta(days=int(row["day"].value) - 1, minutes=30 * (place % 12))
            made[str(row["run"].value)] = row["made_at"].value = moment
            row["sprays"].value = int(rng.integers(0, 3))
    return made


def _same(one: Trial, other: Trial) -> None:
    assert set(one.tables) == set(other.tables)
    for name in one.tables:
        pd.testing.assert_frame_equal(one.rows(name), other.rows(name))


#: Kinds that go through a whole report; of the others the sections are made here, which is quicker.
REPORTED = ("compare", "mixture", "split plot")


def _shown(trial: Trial) -> list[str]:
    done = analyse(trial)
    parts = ("what_changed", "drying", "crumble", "fizz", "others", "batch_by_batch")
    pieces = [piece for part in parts for piece in getattr(sections, part)(done)]
    pieces += sections.record_block(trial)
    return [piece for piece in pieces if isinstance(piece, str)]


@pytest.mark.slow
@pytest.mark.parametrize("kind", KINDS)
def test_plan_fill_check_report_without_a_hand_edit(kind: str, tmp_path: Path) -> None:
    folder, wishes = _plan(kind, tmp_path / "quay")
    filled = _fill(folder)
    trial = load(folder)
    assert {name: len(trial.rows(name)) for name in filled} == filled
    assert set(filled) == set(wishes.tables)
    assert set(trial.rows("touch_checks")["run"]) == set(trial.batches().index)
    assert trial.batches()["made_at"].notna().all()
    assert trial.doubts == ()  # the rows left blank are of pieces that were dry already
    assert CliRunner().invoke(main, ["check", str(folder)]).exit_code == 0
    shown = " ".join(_shown(trial) if kind not in REPORTED else [write_report(folder).read_text("utf-8")])
    for heading in ("How soon pieces dry", "By weight", "Crumbling", "Fizz", "Batch by batch", "Record"):
        assert f">{heading}</h" in shown or f"## {heading}" in shown
    again = CliRunner().invoke(main, ["plan", str(folder)])
    assert again.exit_code == 2
    assert "readings stand in it" in again.stderr


@pytest.mark.slow
@pytest.mark.skipif(SOFFICE is None, reason="LibreOffice (soffice) is not installed")
@pytest.mark.parametrize("kind", ["factorial", "mixture"])
def test_saved_again_by_libreoffice_it_still_reads(kind: str, tmp_path: Path) -> None:
    folder, _ = _plan(kind, tmp_path / "quay")
    _through_libreoffice(folder / "readings.xlsx", tmp_path)  # the maker opens it before filling it in
    filled = _fill(folder)
    before = load(folder)
    _through_libreoffice(folder / "readings.xlsx", tmp_path)
    after = load(folder)
    _same(before, after)
    assert {name: len(after.rows(name)) for name in filled} == filled
    assert set(after.rows("crumble_scores")["rater"]) == {"Ann", "=Bo"}
    assert set(after.rows("drops")["note"]) == {"=on tiles"}
    book = openpyxl.load_workbook(folder / "readings.xlsx")
    rules = {rule.formula1 for rule in book["touch_checks"].data_validations.dataValidation}
    assert any(rule and "yes" in rule and "no" in rule for rule in rules)


def _through_libreoffice(path: Path, home: Path) -> None:
    out = home / "saved"
    command = [
        str(SOFFICE),
        f"-env:UserInstallation={(home / 'profile').as_uri()}",
        "--headless",
        "--convert-to",
        "xlsx:Calc MS Excel 2007 XML",
        "--outdir",
        str(out),
        str(path),
    ]
    subprocess.run(command, check=True, capture_output=True, timeout=180)
    shutil.move(out / path.name, path)
