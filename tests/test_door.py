"""What a maker or a logger writes by habit is read as it is meant, or refused with what to write instead."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pandas as pd
import pytest
from sound_trial import TOUCH

from fizzlab.tables import SPECS, Column, RawTable, Table, parse
from fizzlab.trial import load

MakeTrial = Callable[..., Path]


def _column(table: str, name: str) -> Column:
    return next(column for column in SPECS[table].columns if column.name == name)


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
    assert list(table.rows["made_at"]) == [
        pd.Timestamp("2026-01-31T08:30"),
        pd.Timestamp("2026-02-04T09:05"),
    ]


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
