"""Logging at the bench: what was confirmed is kept, whatever happens, and the door accepts it."""

from __future__ import annotations

import datetime as dt
import errno
import io
import itertools
import os
import shutil
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from unittest import mock

import numpy as np
import openpyxl
import pandas as pd
import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st
from PIL import Image
from sound_trial import TOML

from fizzlab import measures
from fizzlab.bench import logbook
from fizzlab.bench.logbook import Logbook, Message, practice_folder
from fizzlab.bench.planfiles import write_plan
from fizzlab.bench.workbook import Sheet, write_workbook
from fizzlab.errors import BadInput
from fizzlab.trial.folder import load
from fizzlab.trial.journal import JOURNAL, Journal, OtherBench

RUNS = (
    "run,day,blind,made_at,colour,binder_g,note\n"
    "A,1,417,2026-01-05T09:00,pearl,0.6,\n"
    'B,1,238,2026-01-05T09:00,dye,1.2,"a wet,\ngrey day"\n'
)
MADE = dt.datetime(2026, 1, 5, 9).timestamp()
HOURS = (2, 3, 4, 6)
TABLES = ("touch_checks", "weighings", "fizz_times", "fizz_curves")


def touch(book: Logbook, run: str, piece: str, dry: bool, at: float) -> Message:
    return book.log("touch_checks", run, piece, {"dry": "yes" if dry else "no"}, at)


def weigh(book: Logbook, run: str, piece: str, mass_g: str, at: float) -> Message:
    return book.log("weighings", run, piece, {"mass_g": mass_g}, at)


def cup(book: Logbook, mass_g: str, at: float) -> Message:
    seen = book.under_the_watch(at)
    return book.log("fizz_curves", seen["run"], seen["piece"], {**seen, "mass_g": mass_g}, at)


def _rows(name: str) -> pd.DataFrame:
    pieces = [{"run": run, "piece": piece} for run in "AB" for piece in "12"]
    timed = {
        "touch_checks": ("hours", HOURS),
        "weighings": ("hours", HOURS),
        "fizz_curves": ("seconds", (0, 10)),
    }
    if name not in timed:
        return pd.DataFrame(pieces)
    column, times = timed[name]
    return pd.DataFrame(
        [{**piece, column: at} for piece in pieces[::2] for at in times for piece in (piece,)]
    )


def _folder(home: Path, kind: str) -> Path:
    """A planned trial: its tables in a workbook, in CSV files with points or with commas, or nowhere yet."""
    folder = home / kind
    folder.mkdir()
    (folder / "trial.toml").write_text(TOML)
    (folder / "runs.csv").write_text(RUNS)
    if kind == "workbook":
        sheets = [
            Sheet(name, "", (*measures.TABLES[name].columns, measures.LEAVE_OUT), _rows(name))
            for name in TABLES
        ]
        write_workbook(folder / "readings.xlsx", "Two ways", sheets)
    elif kind != "nowhere":
        for name in TABLES:
            rows = _rows(name).reindex(columns=[column.name for column in measures.TABLES[name].columns])
            text = rows.to_csv(index=False, sep=";" if kind == "commas" else ",", lineterminator="\n")
            data = text.replace("\n", "\r\n").encode("utf-8-sig") if kind == "commas" else text.encode()
            (folder / f"{name}.csv").write_bytes(data)
    return folder


@pytest.fixture(scope="module", autouse=True)
def _patient() -> Iterator[None]:
    """Write each press at once, on a busy machine too."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(logbook, "SLOW_S", float("inf"))
        yield


@pytest.fixture(params=["workbook", "points", "commas", "nowhere"])
def folder(request: pytest.FixtureRequest, tmp_path: Path) -> Path:
    return _folder(tmp_path, request.param)


@pytest.fixture
def planned(tmp_path: Path) -> Path:
    return _folder(tmp_path, "workbook")


def _readings(folder: Path) -> set[tuple[object, ...]]:
    """Everything that the door reads in the tables that are logged into."""
    trial = load(folder)
    found: set[tuple[object, ...]] = set()
    for name in TABLES:
        if name in trial.tables:
            rows = trial.rows(name).drop(columns="note")
            for row in rows.astype(object).where(rows.notna(), None).itertuples(index=False):
                found.add((name, *row))
            gone = trial.tables[name].left_out
            for row in gone.itertuples():  # kept as it was typed, perhaps with a decimal comma
                found.add((name, "left out", row.run, row.piece, float(str(row.hours).replace(",", "."))))
    return found


def _cells(folder: Path) -> dict[str, object]:
    """What stands in every file, as bytes or as cells."""
    found: dict[str, object] = {}
    for path in sorted(folder.iterdir()):
        if path.suffix == ".xlsx":
            for sheet in openpyxl.load_workbook(path):
                rows = [list(row) for row in sheet.iter_rows(values_only=True)]
                found[sheet.title] = [row for row in rows if any(cell is not None for cell in row)]
        elif path.suffix == ".csv":
            found[path.name] = path.read_bytes()
    return found


# what any row of presses comes to

RUN, PIECE = st.sampled_from("AB"), st.sampled_from("123")
GRAMS = st.integers(1, 99999).map(lambda tenths: tenths / 100)
PRESS = st.one_of(
    st.tuples(st.just("touch"), RUN, PIECE, st.booleans()),
    st.tuples(st.just("weigh"), RUN, PIECE, GRAMS),
    st.tuples(st.just("fizz"), RUN, PIECE, st.booleans(), st.booleans(), st.lists(GRAMS, max_size=2)),
    st.tuples(st.just("undo")),
    st.tuples(st.just("reopen")),
)


class Model:
    """The readings as a plain list, and what each press should do to it."""

    def __init__(self) -> None:
        self.kept: list[tuple[tuple[object, ...], tuple[object, ...] | None]] = []

    def add(self, reading: tuple[object, ...], instead: tuple[object, ...] | None = None) -> None:
        self.kept.append((reading, instead))

    def undo(self) -> None:
        self.kept.pop()

    def readings(self) -> set[tuple[object, ...]]:
        replaced = {instead for _, instead in self.kept}
        return {reading for reading, _ in self.kept if reading not in replaced}

    def was_dry(self, run: str, piece: str) -> bool:
        return any(kept[:3] == ("touch_checks", run, piece) and kept[4] is True for kept, _ in self.kept)

    def has(self, table: str, run: str, piece: str) -> bool:
        return any(kept[:3] == (table, run, piece) for kept, _ in self.kept)


def _press(book: Logbook, model: Model, press: tuple[object, ...], at: float) -> None:
    """One press on both."""
    hours = round((at - MADE) / 3600, 2)
    match press:
        case ("touch", str(run), str(piece), bool(dry)):
            touch(book, run, piece, dry, at)
            out = not dry and model.was_dry(run, piece)
            reading = ("touch_checks", "left out", run, piece, hours)
            model.add(reading if out else ("touch_checks", run, piece, hours, dry))
        case ("weigh", str(run), str(piece), float(grams)):
            weigh(book, run, piece, f"{grams:.2f}", at)
            model.add(("weighings", run, piece, hours, grams))
        case ("fizz", str(run), str(piece), bool(colour), bool(done), list(masses)):
            if model.has("fizz_times", run, piece) or model.has("fizz_curves", run, piece):
                return
            if book.running is not None:  # an end that was taken back lets the stopwatch run on
                book.stop()
            book.start(run, piece, "38,5", at)
            first = None
            if colour:
                book.colour(at + 4)
                first = ("fizz_times", run, piece, 38.5, 4.0, False, 4.0)
                model.add(first)
            for number, grams in enumerate(masses):
                cup(book, f"{grams:.2f}", at + 11 + number)
                model.add(("fizz_curves", run, piece, 38.5, 11.0 + number, grams))
            book.end(at + 60, done=done)
            model.add(("fizz_times", run, piece, 38.5, 60.0, done, 4.0 if colour else None), first)
            assert (book.running is not None) == bool(masses)
            if masses:
                book.stop()
        case ("undo",):
            if model.kept:
                book.undo(at)
                model.undo()


@pytest.mark.slow
@settings(max_examples=15, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(kind=st.sampled_from(["workbook", "points", "commas", "nowhere"]), presses=st.lists(PRESS, max_size=9))
@example(kind="commas", presses=[("touch", "A", "1", True), ("touch", "A", "1", False)])
@example(kind="points", presses=[("touch", "A", "1", True), ("touch", "A", "1", False)])
@example(kind="workbook", presses=[("touch", "A", "1", True), ("touch", "A", "1", False)])
def test_any_row_of_presses_is_what_the_door_reads(kind: str, presses: list[tuple[object, ...]]) -> None:
    with tempfile.TemporaryDirectory() as home:
        folder = _folder(Path(home), kind)
        before = _cells(folder)
        book, model = Logbook(folder), Model()
        for number, press in enumerate(presses):
            if press == ("reopen",):
                book = Logbook(folder)
            _press(book, model, press, MADE + 3600 * (1.37 + 0.61 * number))
        assert book.waiting() == []
        assert _readings(folder) == model.readings()
        assert len(book.logged()) == len(model.kept)
        while book.logged():
            book.undo(MADE)
        assert _readings(folder) == set()
        if kind in ("workbook", "points"):
            for name, cells in _cells(folder).items():
                if name in before:
                    if _widened(cells):
                        assert _bare(cells) == _bare(before[name])
                    else:
                        assert cells == before[name]


def _widened(cells: object) -> bool:
    """A column that had to be added stays, empty."""
    return isinstance(cells, bytes) and b",leave_out" in cells.splitlines()[0]


def _bare(cells: object) -> object:
    """Without that column, and without the empty cells that end a row."""
    if isinstance(cells, bytes) and _widened(cells):
        return [line.replace(b",leave_out", b"").rstrip(b",") for line in cells.splitlines()]
    return [line.rstrip(b",") for line in cells.splitlines()] if isinstance(cells, bytes) else cells


class Crash(BaseException):
    """The computer stops here."""


@contextmanager
def _stopping_at(step: int) -> Iterator[None]:
    """Stop at the so-manieth time that something is forced to the disk or renamed, before or after it is."""
    counted = itertools.count(1)

    def stopping(really: Callable[..., object]) -> Callable[..., object]:
        def call(*args: object, **kwargs: object) -> object:
            number = next(counted)
            if number == step:
                raise Crash
            done = really(*args, **kwargs)
            if number + 0.5 == step:
                raise Crash
            return done

        return call

    with (
        mock.patch("os.fsync", stopping(os.fsync)),
        mock.patch("os.replace", stopping(os.replace)),
        suppress(Crash),
    ):
        yield


#: Presses stopped at each step: filling a prepared row, a row of its own, completing a row, taking back.
STOPPED: dict[str, Callable[[Logbook], object]] = {
    "touch": lambda book: touch(book, "A", "1", True, MADE + 2.1 * 3600),
    "own row": lambda book: weigh(book, "B", "9", "81.5", MADE + 3600),
    "end": lambda book: book.end(MADE + 70),
    "undo": lambda book: book.undo(MADE),
}


@pytest.mark.slow
@pytest.mark.parametrize("press", STOPPED)
@pytest.mark.parametrize("kind", ["workbook", "nowhere"])
def test_stopped_at_any_step_nothing_confirmed_is_lost(press: str, kind: str, tmp_path: Path) -> None:
    folder = _folder(tmp_path, kind)
    book = Logbook(folder)
    book.start("B", "2", "38", MADE + 5)
    book.colour(MADE + 10)
    before = _readings(folder)
    whole = tmp_path / "whole"
    shutil.copytree(folder, whole)
    STOPPED[press](Logbook(whole))
    after = _readings(whole)
    assert after != before
    seen = set()
    for step in (half / 2 for half in range(2, 12)):
        tried = tmp_path / f"tried-{step}"
        shutil.copytree(folder, tried)
        book = Logbook(tried)
        with _stopping_at(step):
            STOPPED[press](book)
        again = Logbook(tried)
        assert again.waiting() == []
        found = _readings(tried)
        assert found in (before, after)
        assert (found == after) == (len(again.logged()) == {"undo": 0}.get(press, 2))
        seen.add(found == after)
        if press == "end":
            assert again.running is None or found == before
    assert True in seen  # once its line is on the disk, the press holds


@pytest.mark.slow
def test_a_journal_cut_anywhere_still_opens(tmp_path: Path) -> None:
    folder = _folder(tmp_path, "points")
    book = Logbook(folder)
    touch(book, "A", "1", False, MADE + 2 * 3600)
    touch(book, "A", "1", True, MADE + 3 * 3600)
    data = (folder / JOURNAL).read_bytes()
    for length in range(0, len(data), 41):
        (folder / JOURNAL).write_bytes(data[:length])
        cut = Logbook(folder)
        weigh(cut, "B", "1", "80", MADE + 3600)
        assert cut.waiting() == []
        assert ("weighings", "B", "1", 1.0, 80.0) in _readings(folder)
        cut.undo(MADE)
        assert {reading for reading in _readings(folder) if reading[0] == "weighings"} == set()


def test_lines_that_are_no_journal_are_passed_over(tmp_path: Path) -> None:
    folder = _folder(tmp_path, "points")
    odd = [
        b"[]",
        b'{"did": "log"}',
        b'{"did": "undo", "id": 1, "of": 99, "at": 0}',
        b"\xff\xfe",
        b'{"did": 3}',
        b"null",
    ]
    (folder / JOURNAL).write_bytes(b"\n".join(odd))
    book = Logbook(folder)
    assert book.logged() == []
    assert book.journal.unreadable == 5
    touch(book, "A", "1", False, MADE + 7200)
    assert len(_readings(folder)) == 1


# files that others have open, full disks, other benches


def test_while_the_table_is_open_elsewhere_readings_wait(planned: Path) -> None:
    book = Logbook(planned)
    lock = planned / ".~lock.readings.xlsx#"
    lock.touch()
    said = touch(book, "A", "1", False, MADE + 2 * 3600)
    assert said.waits.startswith("readings.xlsx is open in a spreadsheet.")
    touch(book, "A", "1", True, MADE + 3 * 3600)
    weigh(book, "A", "1", "80", MADE + 3 * 3600)
    book.undo(MADE)
    with pytest.raises(BadInput, match=r"2 of the readings logged at the bench are not in the tables"):
        load(planned)
    assert len(book.waiting()) == 1
    lock.unlink()
    book = Logbook(planned)
    assert book.waiting() == []
    assert _readings(planned) == {
        ("touch_checks", "A", "1", 2.0, False),
        ("touch_checks", "A", "1", 3.0, True),
    }
    lock.touch()
    book.undo(MADE)
    assert [said.says for said in book.logged()] == ["417, piece 1: wet at 2 h"]
    lock.unlink()
    book.put_in()
    assert _readings(planned) == {("touch_checks", "A", "1", 2.0, False)}


def test_a_table_changed_elsewhere_is_read_again(tmp_path: Path) -> None:
    folder = _folder(tmp_path, "nowhere")
    book = Logbook(folder)
    touch(book, "A", "1", False, MADE + 2 * 3600)
    table = folder / "touch_checks.csv"
    table.write_text(table.read_text() + "B,1,2,yes,by hand\n")
    touch(book, "A", "1", True, MADE + 3 * 3600)
    assert len(_readings(folder)) == 3
    table.write_text(table.read_text().replace("A,1,3,yes", "A,1,3.5,yes"))
    with pytest.raises(BadInput, match="its row was changed by hand since"):
        book.undo(MADE)
    assert len(book.logged()) == 2


def test_a_full_disk_refuses_the_press_and_keeps_the_journal_whole(planned: Path) -> None:
    book = Logbook(planned)
    weigh(book, "A", "1", "80", MADE + 7200)
    before = (planned / JOURNAL).read_bytes()
    full = OSError(errno.ENOSPC, "No space left on device")
    with (
        mock.patch("os.fsync", side_effect=full),
        pytest.raises(BadInput, match="No space left"),
        book.alone(),
    ):
        touch(book, "A", "1", True, MADE + 7200)
    assert (planned / JOURNAL).read_bytes() == before
    with mock.patch("os.replace", side_effect=full):
        said = touch(book, "A", "1", True, MADE + 7200)
    assert "No space left" in said.waits
    assert not list(planned.glob(".fizzlab"))
    book.put_in()
    weighed = ("weighings", "A", "1", 2.0, 80.0)
    assert _readings(planned) == {weighed, ("touch_checks", "A", "1", 2.0, True)}


def test_readings_of_a_table_that_is_slow_to_write_go_in_together(
    planned: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    book = Logbook(planned)
    touch(book, "A", "1", False, MADE + 2 * 3600)
    monkeypatch.setattr(logbook, "SLOW_S", 0.0)
    for piece in "12":
        touch(book, "A", piece, True, MADE + 3 * 3600)
    book.start("B", "2", "38", MADE)
    book.colour(MADE + 4)
    book.end(MADE + 60)
    with pytest.raises(BadInput, match="stands there already"):
        touch(book, "A", "2", True, MADE + 3 * 3600)  # what waits is looked at as well
    written = mock.Mock(side_effect=book.files.write)
    monkeypatch.setattr(book.files, "write", written)
    book.put_in()
    assert [call.args[0] for call in written.call_args_list] == ["touch_checks", "fizz_times", "fizz_times"]
    assert _readings(planned) == {
        ("touch_checks", "A", "1", 2.0, False),
        ("touch_checks", "A", "1", 3.0, True),
        ("touch_checks", "A", "2", 3.0, True),
        ("fizz_times", "B", "2", 38.0, 60.0, True, 4.0),
    }


def test_photographs_of_any_name_are_kept_beside_each_other(planned: Path) -> None:
    book, picture = Logbook(planned), io.BytesIO()
    Image.new("RGB", (4, 3)).save(picture, "PNG")
    for run, piece in (("A", "1"), ("A", "1"), ("../Ä:b", "CON"), ("x" * 300, "")):
        kept = planned / book.photo(run, piece, picture.getvalue(), MADE)
        assert kept.parent == planned / "photos"
    names = sorted(path.name for path in (planned / "photos").iterdir())
    assert names == [
        "-Ä-b_CON_2026-01-05T09-00-00.png",
        "A_1_2026-01-05T09-00-00-2.png",
        "A_1_2026-01-05T09-00-00.png",
        f"{'x' * 40}_2026-01-05T09-00-00.png",
    ]
    with pytest.raises(BadInput, match="it is no JPEG, PNG or WebP picture"):
        book.photo("A", "1", b"<svg/>", MADE)


def test_a_second_bench_takes_over(planned: Path) -> None:
    first, second = Logbook(planned), Logbook(planned)
    touch(second, "A", "1", True, MADE + 7200)
    with pytest.raises(OtherBench):
        touch(first, "A", "2", True, MADE + 7200)
    assert len(_readings(planned)) == 1


# what a workbook keeps


def test_a_workbook_keeps_its_looks_rules_and_other_sheets(planned: Path) -> None:
    path = planned / "readings.xlsx"
    book = openpyxl.load_workbook(path)
    own = book.create_sheet("my own")
    own["B2"], own["B3"] = "=1+1", "keep"
    own["B3"].fill = openpyxl.styles.PatternFill("solid", fgColor="FFCC00")
    book["touch_checks"]["E2"].fill = openpyxl.styles.PatternFill("solid", fgColor="FFCC00")
    book.save(path)
    book = Logbook(planned)
    touch(book, "A", "1", True, MADE + 2.1 * 3600)
    after = openpyxl.load_workbook(path)
    sheet = after["touch_checks"]
    assert [cell.value for cell in sheet[2]][:4] == ["A", "1", 2.1, "yes"]
    assert sheet["E2"].fill.fgColor.rgb == "00FFCC00"
    assert after["my own"]["B2"].value == "=1+1"
    assert after["my own"]["B3"].fill.fgColor.rgb == "00FFCC00"
    assert sheet.freeze_panes == "D2"
    assert sheet["A1"].comment is not None
    assert {rule.type for rule in sheet.data_validations.dataValidation} == {"list", "decimal"}
    assert sheet.column_dimensions["E"].width == 40


def test_a_sheet_with_formulas_is_not_written_into(planned: Path) -> None:
    path = planned / "readings.xlsx"
    book = openpyxl.load_workbook(path)
    book["touch_checks"]["C3"] = "=C2+1"
    book.save(path)
    before = path.read_bytes()
    said = touch(Logbook(planned), "A", "1", True, MADE + 2.1 * 3600)
    assert "cell C3 holds a formula, whose value would be lost" in said.waits
    assert path.read_bytes() == before


def test_a_workbook_with_what_openpyxl_drops_is_not_written_into(planned: Path) -> None:
    import zipfile

    path = planned / "readings.xlsx"
    with zipfile.ZipFile(path, "a") as archive:
        archive.writestr("xl/ctrlProps/ctrlProp1.xml", "<formControlPr/>")
    before = path.read_bytes()
    said = touch(Logbook(planned), "A", "1", True, MADE + 2.1 * 3600)
    assert "would be lost by writing into it (xl/ctrlProps)" in said.waits
    assert path.read_bytes() == before


# what is refused, and what is offered


def test_unusable_readings_are_refused_in_sentences(folder: Path) -> None:
    book = Logbook(folder)
    refused: dict[str, Callable[[], object]] = {
        "“abc” is not a number": lambda: weigh(book, "A", "1", "abc", MADE + 3600),
        "the cell is empty": lambda: weigh(book, "A", "1", " ", MADE + 3600),
        "outside what is possible here (above 0 to 20000)": lambda: weigh(book, "A", "1", "-3", MADE + 3600),
        "outside what is possible here (0 to 2000)": lambda: touch(book, "A", "1", True, MADE - 3600),
        "a piece is named by up to 20 letters": lambda: touch(book, "A", "=1", True, MADE + 3600),
        "no piece is chosen": lambda: touch(book, "A", "", True, MADE + 3600),
        "it does not run": lambda: book.colour(MADE),
        "99 is outside": lambda: book.start("A", "1", "99", MADE),
        "fizz_times, water_c: the cell is empty": lambda: book.start("A", "1", "", MADE),
        "made_at stands there already, 2026-01-05T09:00": lambda: book.made("A", MADE + 3600),
        "nothing is logged": lambda: book.undo(MADE),
    }
    for said, press in refused.items():
        with pytest.raises(BadInput) as error:
            press()
        assert said in str(error.value)
    assert not (folder / JOURNAL).exists()
    weigh(book, "A", "1", "80", MADE + 3600)
    with pytest.raises(BadInput, match="this reading stands there already"):
        weigh(book, "A", "1", "80", MADE + 3601)
    with pytest.raises(BadInput, match="it repeats row"):
        weigh(book, "A", "1", "81", MADE + 3601)


def test_a_table_with_faults_of_its_own_does_not_stop_the_logging(tmp_path: Path) -> None:
    folder = _folder(tmp_path, "nowhere")
    (folder / "touch_checks.csv").write_text("run,piece,hours,dry\nA,1,2,perhaps\n")
    touch(Logbook(folder), "A", "1", True, MADE + 3 * 3600)
    assert (folder / "touch_checks.csv").read_text() == "run,piece,hours,dry\nA,1,2,perhaps\nA,1,3,yes\n"


def test_bad_folders_are_refused_in_sentences(tmp_path: Path) -> None:
    with pytest.raises(BadInput, match="there is no such folder"):
        Logbook(tmp_path / "nowhere")
    folder = _folder(tmp_path, "points")
    (folder / "runs.csv").write_text(RUNS.replace("pearl", "paerl"))
    with pytest.raises(BadInput, match=r"“paerl” is not a level that trial.toml names. Did you mean pearl"):
        Logbook(folder)


def test_trays_show_codes_and_nothing_of_the_recipe(planned: Path) -> None:
    book = Logbook(planned)
    assert [(tray.label, tray.run) for tray in book.trays()] == [("238", "B"), ("417", "A")]
    said = touch(book, "B", "1", True, MADE + 7200)
    assert said.says == "238, piece 1: dry at 2 h"
    assert book.pieces("A") == ["1", "2", "3", "4"]


@pytest.mark.slow
def test_the_time_of_making_is_logged_once(tmp_path: Path) -> None:
    folder = practice_folder(tmp_path)
    book = Logbook(folder)
    run = book.trays()[0].run
    with pytest.raises(BadInput, match="has no time of making"):
        touch(book, run, "1", True, MADE)
    book.made(run, MADE + 42)
    assert load(folder).batches().loc[run, "made_at"] == pd.Timestamp("2026-01-05T09:00")
    weigh(book, run, "1", "80", MADE + 42)
    assert ("weighings", run, "1", 0.01, 80.0) in _readings(folder)


PLAN = '[plan]\nkind = "factorial"\nrepeats = 2\npieces = 1\nchecks_h = [2, 3, 4, 6]\n'


def test_next_looks_come_from_the_plan(planned: Path) -> None:
    (planned / "trial.toml").write_text(TOML + PLAN)
    book = Logbook(planned)
    looks = [look for look in book.next_looks(MADE) if look.table == "touch_checks" and look.run == "A"]
    assert [(look.hours, look.due - MADE, look.label) for look in looks] == [
        (h, h * 3600, "417") for h in HOURS
    ]
    touch(book, "A", "1", False, MADE + 3.1 * 3600)  # the look at 2 h was missed
    ahead = [look.hours for look in book.next_looks(MADE) if look.table == "touch_checks" and look.run == "A"]
    assert ahead == [4, 6]
    touch(book, "A", "1", True, MADE + 4.2 * 3600)
    assert not [look for look in book.next_looks(MADE) if look.table == "touch_checks" and look.run == "A"]


def test_looks_by_night_are_due_when_the_calendar_has_them(planned: Path) -> None:
    (planned / "trial.toml").write_text(TOML + PLAN + 'start = 2026-01-05\nawake = "07:00-12:30"\n')
    looks = [look for look in Logbook(planned).next_looks(MADE) if look.table == "touch_checks"]
    assert [look.hours for look in looks if look.run == "A"] == [2, 3, 3.5]


def test_a_look_between_two_planned_ones_leaves_both(planned: Path) -> None:
    (planned / "trial.toml").write_text(TOML + PLAN)
    book = Logbook(planned)
    for hours in (2.1, 2.4, 2.9):
        touch(book, "A", "1", False, MADE + hours * 3600)
    rows = load(planned).rows("touch_checks")
    assert list(rows["hours"]) == [2.1, 2.4, 2.9]
    ahead = [look.hours for look in book.next_looks(MADE) if look.table == "touch_checks" and look.run == "A"]
    assert ahead == [4, 6]


def test_hours_are_logged_beside_the_clock_times_of_a_table(tmp_path: Path) -> None:
    folder = _folder(tmp_path, "nowhere")
    (folder / "touch_checks.csv").write_text("run,piece,checked_at,dry\n")
    touch(Logbook(folder), "A", "1", True, MADE + 5400)
    assert (folder / "touch_checks.csv").read_text().splitlines()[1] == "A,1,,yes,1.5"
    assert _readings(folder) == {("touch_checks", "A", "1", 1.5, True)}


@pytest.mark.skipif(not hasattr(time, "tzset"), reason="this system cannot change its time zone for a test")
def test_hours_over_the_change_to_summer_time_are_hours_that_passed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("TZ", "Europe/Berlin")
    time.tzset()
    try:
        folder = _folder(tmp_path, "nowhere")
        (folder / "runs.csv").write_text(RUNS.replace("2026-01-05T09:00", "2026-03-28T23:00"))
        morning = dt.datetime(2026, 3, 29, 6).timestamp()
        assert "at 6 h" in touch(Logbook(folder), "A", "1", True, morning).says
    finally:
        monkeypatch.undo()
        time.tzset()


def test_the_stopwatch_outlives_its_process(planned: Path) -> None:
    Logbook(planned).start("A", "1", "38", MADE)
    book = Logbook(planned)
    assert book.running is not None
    assert book.running.at == MADE
    with pytest.raises(BadInput, match="it runs for 417, piece 1"):
        book.start("B", "1", "38", MADE + 1)
    book.colour(MADE + 12.34)
    book.end(MADE + 130)
    assert book.running is None
    assert _readings(planned) == {("fizz_times", "A", "1", 38.0, 130.0, True, 12.3)}
    book.undo(MADE + 131)  # the press was a slip: the watch goes on
    assert book.running is not None
    assert _readings(planned) == {("fizz_times", "A", "1", 38.0, 12.3, False, 12.3)}
    book.end(MADE + 132)
    assert "has a fizz time already" in book.start("A", "1", "38", MADE + 200)


def test_planning_again_is_refused_once_something_is_logged(tmp_path: Path) -> None:
    folder = practice_folder(tmp_path)
    book = Logbook(folder)
    book.made(book.trays()[0].run, MADE)
    with pytest.raises(BadInput, match="batches that were made stand in it"):
        write_plan(folder)


def test_what_is_still_open_is_told_from_the_lines_alone(planned: Path) -> None:
    book = Logbook(planned)
    touch(book, "A", "1", True, MADE + 7200)
    assert Journal.open(planned).waiting() == []


# every other table, and the maker's own


OWN = """
[responses.scent]
label = "scent after a week"
unit = "points"
scale = "difference"
per = "piece"
low = 0
high = 10

[responses.swelling_mm]
label = "swelling"
unit = "mm"
"""


def test_a_measure_of_the_makers_own_has_a_form_without_more(tmp_path: Path) -> None:
    folder = _folder(tmp_path, "nowhere")
    (folder / "trial.toml").write_text(TOML + OWN)
    (folder / "runs.csv").write_text(
        RUNS.replace(",note", ",swelling_mm,note").replace(',"a wet', ',,"a wet')
    )
    book = Logbook(folder)
    form = book.forms["scent"]
    assert [(each.name, each.low, each.high) for each in form.columns] == [("scent", 0, 10)]
    assert form.by_piece
    assert book.log("scent", "A", "1", {"scent": "7,5"}, MADE).says == "417, piece 1: scent 7.5"
    with pytest.raises(BadInput, match=r"12 is outside what is possible here \(0 to 10\)"):
        book.log("scent", "A", "2", {"scent": "12"}, MADE)
    with pytest.raises(BadInput, match="it has a reading already"):
        book.log("scent", "A", "1", {"scent": "3"}, MADE)
    assert (folder / "scent.csv").read_text() == "run,piece,scent,note\nA,1,7.5,\n"
    assert load(folder).rows("scent")["scent"].tolist() == [7.5]
    book.log("runs", "A", "", {"swelling_mm": "1,5"}, MADE)
    assert load(folder).batches().loc["A", "swelling_mm"] == 1.5
    with pytest.raises(BadInput, match=r"swelling_mm stands there already, 1\.5"):
        book.log("runs", "A", "", {"swelling_mm": "2"}, MADE)
    book.undo(MADE)
    book.undo(MADE)
    assert not (folder / "scent.csv").exists()
    assert np.isnan(load(folder).batches().loc["A", "swelling_mm"])


def test_a_registered_measure_has_a_form_too(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    grip = measures.Measure("grip", "grip", "", "difference", "grips", "grip", low=1, high=5, decimals=0)
    monkeypatch.setitem(measures.MEASURES, "grip", grip)  # which goes when the test ends, as its table does
    monkeypatch.setitem(measures.TABLES, "grips", measures.piece_table(grip))
    book = Logbook(_folder(tmp_path, "nowhere"))
    book.log("grips", "B", "2", {"grip": "4"}, MADE)
    assert (book.folder / "grips.csv").read_text() == "run,piece,grip,note\nB,2,4,\n"


def test_tests_that_go_on_are_logged_row_by_row(planned: Path) -> None:
    book = Logbook(planned)
    for height, broke in (("20", "no"), ("40", "no"), ("40", "no"), ("60", "yes")):
        book.log("drops", "A", "1", {"height_cm": height, "broke": broke}, MADE)
    book.log("tumbles", "A", "", {"pieces": "4", "before_g": "320", "after_g": "301,5"}, MADE)
    for rater, score in (("Ann", "1"), ("Bo", "2")):
        book.log("crumble_scores", "B", "1", {"rater": rater, "score": score}, MADE)
    with pytest.raises(BadInput, match="it has a reading already"):
        book.log("crumble_scores", "B", "1", {"rater": "Bo", "score": "3"}, MADE)
    with pytest.raises(BadInput, match="had broken at an earlier drop"):
        book.log("drops", "A", "1", {"height_cm": "80", "broke": "no"}, MADE)
    with pytest.raises(BadInput, match="nothing is filled in"):
        book.log("runs", "A", "", {}, MADE)
    trial = load(planned)
    assert trial.rows("drops")[["height_cm", "broke"]].to_numpy().tolist() == [
        [20, False],
        [40, False],
        [40, False],
        [60, True],
    ]
    assert trial.rows("tumbles")["after_g"].tolist() == [301.5]
    assert trial.rows("crumble_scores")["score"].tolist() == [1, 2]
    assert book.forms["crumble_scores"].kept == {"rater"}


def test_scores_go_under_the_code_where_the_sheet_has_codes(tmp_path: Path) -> None:
    folder = _folder(tmp_path, "nowhere")
    sheet = folder / "crumble_scores.csv"
    sheet.write_text("blind,piece,rater,score\n238,1,Ann,\n417,1,Ann,\n")
    Logbook(folder).log("crumble_scores", "A", "1", {"rater": "Ann", "score": "3"}, MADE)
    assert sheet.read_text() == "blind,piece,rater,score\n238,1,Ann,\n417,1,Ann,3\n"
    assert load(folder).rows("crumble_scores")[["run", "score"]].to_numpy().tolist() == [["A", 3]]
