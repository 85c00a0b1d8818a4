"""Sound folders in every shape that spreadsheets write are read alike; oddities become doubts."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import openpyxl
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sound_trial import LOG, RUNS, TOML, TOUCH

from fizzlab.errors import BadInput
from fizzlab.measures import TABLES
from fizzlab.trial.folder import Trial, load
from fizzlab.trial.tables import RawTable, parse

MakeTrial = Callable[..., Path]


def _same(one: Trial, other: Trial) -> None:
    assert set(one.tables) == set(other.tables)
    for name in one.tables:
        pd.testing.assert_frame_equal(one.rows(name), other.rows(name))


def _semicolons(text: str) -> str:
    lines = []
    for line in text.replace('"a wet, grey day"', "a wet grey day").splitlines():
        lines.append(";".join(cell.replace(".", ",") for cell in line.split(",")))
    return "\n".join(lines) + "\n"


PLAIN_RUNS = RUNS.replace('"a wet, grey day"', "a wet grey day")


@pytest.mark.parametrize(
    "dress",
    [
        pytest.param(lambda text: b"\xef\xbb\xbf" + text.encode(), id="byte-order mark"),
        pytest.param(lambda text: text.replace("\n", "\r\n").encode(), id="Windows line ends"),
        pytest.param(lambda text: _semicolons(text).encode(), id="semicolons and decimal commas"),
        pytest.param(lambda text: text.replace(",", "\t").encode(), id="tabs"),
        pytest.param(lambda text: text.replace("run,", "Run ,", 1).encode(), id="header in capitals"),
        pytest.param(lambda text: text.rstrip("\n").encode(), id="no end of line at the end"),
        pytest.param(lambda text: text.replace("\n", ",,\n").encode(), id="empty columns to the right"),
    ],
)
def test_dialects_read_alike(dress: Callable[[str], bytes], make_trial: MakeTrial) -> None:
    plain = load(make_trial(runs__csv=PLAIN_RUNS))
    dressed = load(
        make_trial(runs__csv=dress(PLAIN_RUNS), touch_checks__csv=dress(TOUCH), room_log__csv=dress(LOG))
    )
    _same(plain, dressed)


def test_blank_rows_keep_the_numbers_of_the_others(make_trial: MakeTrial) -> None:
    spaced = TOUCH.replace("B,1,2,no,", ",,,,\n\nB,1,2,no,")
    trial = load(make_trial(touch_checks__csv=spaced))
    assert list(trial.rows("touch_checks").index) == [2, 3, 6, 7, 8, 9, 10, 11]


def _workbook(folder: Path, tables: dict[str, str], convert: Callable[[str, str], object]) -> None:
    book = openpyxl.Workbook()
    book.remove(book.active)
    for name, text in tables.items():
        sheet = book.create_sheet(name)
        header, *lines = text.splitlines()
        sheet.append(header.split(","))
        for line in lines:
            sheet.append(
                [
                    convert(column, cell)
                    for column, cell in zip(header.split(","), line.split(","), strict=True)
                ]
            )
    book.save(folder / "readings.xlsx")


def _native(column: str, cell: str) -> object:
    if not cell:
        return None
    if column in ("made_at", "time"):
        return pd.Timestamp(cell).to_pydatetime()
    if column in ("hours", "binder_g", "temp_c", "rh_pct"):
        return float(cell)
    if column == "dry":
        return cell == "yes"
    return int(cell) if cell.isdigit() else cell


def test_sheets_read_like_files(make_trial: MakeTrial) -> None:
    plain = load(make_trial(runs__csv=PLAIN_RUNS))
    folder = make_trial()
    for name in ("runs", "touch_checks", "room_log"):
        (folder / f"{name}.csv").unlink()
    _workbook(folder, {"runs": PLAIN_RUNS, "touch_checks": TOUCH, "room_log": LOG}, _native)
    _same(plain, load(folder))


def test_checked_at_counts_from_made_at(make_trial: MakeTrial) -> None:
    stamped = "run,piece,checked_at,dry\nA,1,2026-01-05T11:30,no\nA,1,2026-01-06T09:00,yes\n"
    trial = load(make_trial(touch_checks__csv=stamped))
    assert list(trial.rows("touch_checks")["hours"]) == [2.5, 24.0]


def test_left_out_rows_are_kept_and_not_checked(make_trial: MakeTrial) -> None:
    spoiled = TOUCH.replace("note", "leave_out").replace("D,1,8,no,", "D,1,?,,dropped on the floor")
    trial = load(make_trial(touch_checks__csv=spoiled))
    assert len(trial.rows("touch_checks")) == 7
    assert trial.left_out().to_dict("records") == [
        {"table": "touch_checks", "row": 9, "run": "D", "reason": "dropped on the floor"}
    ]


def test_readings_follow_a_batch_that_is_left_out(make_trial: MakeTrial) -> None:
    runs = RUNS.replace("note", "leave_out").replace('"a wet, grey day"', "spilled")
    trial = load(make_trial(runs__csv=runs))
    assert list(trial.batches().index) == ["A", "C", "D"]
    assert "B" not in set(trial.rows("touch_checks")["run"])
    reasons = trial.left_out().query("table == 'touch_checks'")["reason"]
    assert list(reasons) == ["its batch was left out: spilled"] * 2


def test_stamped_looks_at_a_batch_that_is_left_out_follow_it(make_trial: MakeTrial) -> None:
    stamped = "run,piece,checked_at,dry\n" + "".join(
        f"{run},1,2026-01-05T{hour}:00,{dry}\n"
        for run in "AB"
        for hour, dry in ((12, "no"), (14, "no"), (18, "yes"))
    )
    runs = RUNS.replace("note", "leave_out").replace('"a wet, grey day"', "spilled")
    trial = load(make_trial(runs__csv=runs, touch_checks__csv=stamped))
    assert list(trial.rows("touch_checks")["hours"]) == [3.0, 5.0, 9.0]
    assert list(trial.left_out().query("table == 'touch_checks'")["run"]) == ["B"] * 3


@pytest.mark.parametrize(
    ("files", "doubt"),
    [
        ({"touch_checks__csv": TOUCH.replace("D,1,3,no,\nD,1,8,no,\n", "")}, "it has no reading of batch D."),
        (
            {"room_log__csv": LOG.replace("2026-01-06", "2026-01-16")},
            "the room log covers none of the drying of batches C and D",
        ),
        (
            {"runs__csv": RUNS.replace("C,2,2026-01-06T09:00,pearl,1.2", "C,2,2026-01-06T09:00,pearl,1.3")},
            "1.3 g",
        ),
        ({"runs__csv": RUNS.replace("2026-01-05T09:00", "")}, "batch A has no time of making"),
        (
            {"touch_checks__csv": TOUCH.replace("A,1,4,yes,", "A,1,4,,")},
            "touch_checks.csv: row 3: no reading, passed over.",
        ),
        ({"touch_check__csv": "x"}, "touch_check.csv: this file was not read. Rename it if it is meant"),
        (
            {"weighings__csv": "run,piece,hours,mass_g\nA,1,0,20\nA,1,3,21\n"},
            "piece 1 of batch A weighs more than at its first weighing",
        ),
        (
            {"room_log__csv": LOG.replace("2026-01-05T12:00", "2026-01-05T11:10")},
            "room_log.csv, row 26, column time: the times of the log run backwards here",
        ),
        (
            {"runs__csv": RUNS.replace("D,2,2026-01-06", "D,2,2026-01-16")},
            "column made_at: batch D was made on 2026-01-16, but others of day 2 on 2026-01-06.",
        ),
        (
            {"runs__csv": RUNS.replace("2026-01-05T09:00", "2026-01-05T00:00")},
            "column made_at: batch A was made at midnight, as it stands here.",
        ),
        ({"~$readings__xlsx": ""}, "readings.xlsx: it is open in a spreadsheet; what is not saved there"),
        ({"readings (1)__xlsx": ""}, "readings (1).xlsx: this file was not read. Rename it"),
        (
            {"trial__toml": TOML + '[plan]\nkind = "factorial"\ntables = ["touch_checks", "tumbles"]\n'},
            "tumbles: it is planned in trial.toml, but holds no readings.",
        ),
    ],
)
def test_oddities_are_doubts(files: dict[str, str], doubt: str, make_trial: MakeTrial) -> None:
    trial = load(make_trial(**files))
    assert any(doubt in str(problem) for problem in trial.doubts), [str(p) for p in trial.doubts]
    assert all(problem.weight == "doubt" for problem in trial.doubts)


def test_a_piece_that_is_dry_needs_no_later_look(make_trial: MakeTrial) -> None:
    later = TOUCH.replace("A,1,4,yes,", "A,1,4,yes,\nA,1,8,,\nA,1,12,,")
    assert load(make_trial(touch_checks__csv=later)).doubts == ()
    earlier = TOUCH.replace("A,1,4,yes,", "A,1,3,,\nA,1,4,yes,\nA,1,8,,")
    (doubt,) = load(make_trial(touch_checks__csv=earlier)).doubts
    assert "touch_checks.csv: row 3: no reading, passed over." in str(doubt)


def test_the_sound_folder_raises_no_doubt(make_trial: MakeTrial) -> None:
    assert load(make_trial()).doubts == ()


def test_terms_come_from_the_factors(make_trial: MakeTrial) -> None:
    names = [term.name for term in load(make_trial()).settings.terms()]
    assert names == ["colour", "binder_g"]


@settings(max_examples=30, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.binary(max_size=200), table=st.sampled_from(["touch_checks.csv", "runs.csv", "trial.toml"]))
def test_any_bytes_end_in_a_trial_or_in_problems(data: bytes, table: str, make_trial: MakeTrial) -> None:
    folder = make_trial()
    (folder / table).write_bytes(data)
    with pytest.raises(BadInput) as raised:
        load(folder)
    assert raised.value.problems


@settings(max_examples=60, deadline=None)
@given(st.lists(st.text(max_size=12), min_size=1, max_size=5), st.sampled_from(sorted(TABLES)))
def test_any_cells_parse_to_typed_columns(cells: list[str], name: str) -> None:
    spec = TABLES[name]
    frame = pd.DataFrame({column.name: cells for column in spec.columns}, dtype=object)
    frame.index += 2
    table, problems = parse(RawTable(f"{name}.csv", frame), spec.columns)
    assert list(table.rows.columns) == [column.name for column in spec.columns]
    for problem in problems:
        assert problem.row is not None
        assert problem.column in table.rows.columns


def test_toml_may_begin_with_a_byte_order_mark(make_trial: MakeTrial) -> None:
    assert load(make_trial(trial__toml=b"\xef\xbb\xbf" + TOML.encode())).settings.code == "quay"
