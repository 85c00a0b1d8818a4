"""What a maker or a logger writes by habit is read as it is meant, or refused with what to write instead."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pandas as pd
import pytest
from sound_trial import TOUCH

from fizzlab.problems import BadInput
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
