"""What a maker or a logger writes by habit is read as it is meant, or refused with what to write instead."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pandas as pd
import pytest
from sound_trial import LOG, RUNS, TOUCH

from fizzlab.errors import BadInput
from fizzlab.measures import TABLES, Column
from fizzlab.trial.folder import load
from fizzlab.trial.tables import RawTable, Table, parse

MakeTrial = Callable[..., Path]


def _column(table: str, name: str) -> Column:
    return next(column for column in TABLES[table].columns if column.name == name)


def _read(column: Column, cells: list[str]) -> tuple[Table, list[str]]:
    frame = pd.DataFrame({column.name: cells}, dtype=object, index=range(2, len(cells) + 2))
    table, problems = parse(RawTable("table.csv", frame), [column])
    return table, [str(problem) for problem in problems]


@pytest.mark.parametrize(
    ("word", "meant"),
    [("dry", True), ("D", True), ("wet", False), ("w", False), ("Y", True), ("x", True), ("0", False)],
)
def test_touch_checks_take_the_words_of_the_bench(word: str, meant: bool, make_trial: MakeTrial) -> None:
    written = TOUCH.replace("D,1,8,no", f"D,1,8,{word}")
    assert bool(load(make_trial(touch_checks__csv=written)).rows("touch_checks")["dry"].iloc[-1]) is meant


def test_dry_and_wet_mean_nothing_in_another_column() -> None:
    _, problems = _read(_column("drops", "broke"), ["true", "n", "wet"])
    assert problems == ["table.csv, row 4, column broke: “wet” is not yes or no. Write yes or no."]


def test_a_percent_sign_after_a_humidity_is_passed_over() -> None:
    table, problems = _read(_column("room_log", "rh_pct"), ["55.5%", "60 %", "58,5"])
    assert (list(table.rows["rh_pct"]), problems) == ([55.5, 60.0, 58.5], [])
    assert "“21%” is not a number" in _read(_column("room_log", "temp_c"), ["21%"])[1][0]


MADE_AT = Column("made_at", "moment", "date and time of pressing")


@pytest.mark.parametrize(
    "written",
    [
        ["2026-01-31T08:30", "2026-02-04 09:05:00"],
        ["31.01.2026 08:30", "04.02.2026 9:05:00"],
        ["31.1.2026 8:30:00", "4.2.2026 09:05"],
        ["2026/01/31 08:30", "2026/2/4 9:05"],
        ["31/01/2026 08:30", "04/02/2026 09:05"],  # the first row settles it for the second
        ["01/31/2026 08:30", "02/04/2026 09:05"],
    ],
)
def test_dates_are_read_where_only_one_reading_is_possible(written: list[str]) -> None:
    table, problems = _read(MADE_AT, written)
    assert problems == []
    assert list(table.rows["made_at"]) == [pd.Timestamp("2026-01-31T08:30"), pd.Timestamp("2026-02-04T09:05")]


@pytest.mark.parametrize(
    "written", [["04/03/2026 08:30"], ["31/01/2026 08:30", "01/31/2026 08:30", "04/03/2026 08:30"]]
)
def test_a_date_that_may_be_day_or_month_first_is_refused(written: list[str]) -> None:
    _, problems = _read(MADE_AT, written)
    assert len(problems) == len(written)
    assert all("may be day or month first, and the column does not settle which." in p for p in problems)
    assert all("Write the date as 2026-01-31, the year first." in p for p in problems)


@pytest.mark.parametrize("clock", ["8:30", "08:30:00"])
def test_a_clock_time_without_its_date_is_refused(clock: str) -> None:
    (problem,) = _read(MADE_AT, [clock])[1]
    assert problem.endswith(f"“{clock}” is not a date and time. Add the date, as in 2026-01-31T08:30.")


@pytest.mark.parametrize(
    "written", ["30.02.2026 08:30", "31/31/2026 08:30", "31.01.26 08:30", "31.01.2026 25:00"]
)
def test_a_date_that_is_none_is_refused(written: str) -> None:
    assert len(_read(MADE_AT, [written])[1]) == 1


def _problems(folder: Path) -> list[str]:
    with pytest.raises(BadInput) as raised:
        load(folder)
    return [str(problem) for problem in raised.value.problems]


@pytest.mark.parametrize(
    ("header", "wrong"),
    [
        ("time,Temperature (°C),rh_pct", ["temperature (°c)", "temp_c"]),
        ("time,temp_c,Relative Humidity %", ["relative humidity %", "rh_pct"]),
        ("Date/Time,temp_c,rh_pct", ["date/time", "time"]),
        ("time,temp_c,rh_pct,dew point", ["dew point"]),
    ],
)
def test_headers_of_a_logger_are_told_how_it_is_read(
    header: str, wrong: list[str], make_trial: MakeTrial
) -> None:
    rows = [line + ",1" * (header.count(",") - 2) for line in LOG.splitlines()[1:]]
    found = _problems(make_trial(room_log__csv="\n".join([header, *rows])))
    assert [problem.split(":")[0] for problem in found] == [f"room_log.csv, row 1, column {w}" for w in wrong]
    if len(wrong) > 1:
        assert found[1].endswith("Add it; a logger's own file is read with: fizzlab import FOLDER FILE.")


def test_names_of_batches_match_whatever_the_capitals(make_trial: MakeTrial) -> None:
    trial = load(make_trial(touch_checks__csv=TOUCH.replace("A,1", "a,1")))
    assert list(trial.rows("touch_checks")["run"])[:2] == ["A", "A"]
    assert trial.doubts == ()


def test_capitals_count_where_batches_differ_by_nothing_else(make_trial: MakeTrial) -> None:
    trial = load(
        make_trial(runs__csv=RUNS.replace("\nB,", "\na,"), touch_checks__csv=TOUCH.replace("B,1", "a,1"))
    )
    assert list(trial.rows("touch_checks")["run"])[:4] == ["A", "A", "a", "a"]


def test_dry_then_wet_is_said_once_a_piece(make_trial: MakeTrial) -> None:
    looks = "A,1,2,no,\nA,1,3,yes,\nA,1,4,no,\nA,1,6,no,\nA,1,12,no,\nA,1,24,yes,\n"
    (doubt,) = load(make_trial(touch_checks__csv=TOUCH.replace("A,1,2,no,\nA,1,4,yes,\n", looks))).doubts
    assert str(doubt) == (
        "touch_checks.csv, row 4, column dry: piece 1 of batch A was dry at 3 h and not dry at 12 h, so when "
        "it grew dry is less sure. If the wrong piece was touched, leave that row out (a reason in the "
        "column leave_out)."
    )


def test_a_log_with_the_newest_reading_first_raises_no_doubt(make_trial: MakeTrial) -> None:
    head, *rows = LOG.splitlines()
    assert load(make_trial(room_log__csv="\n".join([head, *rows[::-1]]))).doubts == ()


def test_a_jump_in_a_log_with_the_newest_reading_first_is_a_doubt(make_trial: MakeTrial) -> None:
    head, *rows = LOG.replace("2026-01-05T12:00", "2026-01-05T11:10").splitlines()
    (doubt,) = load(make_trial(room_log__csv="\n".join([head, *rows[::-1]]))).doubts
    assert "run backwards here" in str(doubt)


def test_humidity_as_a_share_is_refused(make_trial: MakeTrial) -> None:
    head, *rows = LOG.splitlines()
    shares = [f"{row.rsplit(',', 1)[0]},{float(row.rsplit(',', 1)[1]) / 100}" for row in rows]
    (problem,) = _problems(make_trial(room_log__csv="\n".join([head, *shares])))
    assert problem.endswith("so they seem to be shares. Write per cent: 55, not 0.55.")
