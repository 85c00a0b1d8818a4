"""docs/validation.md says what the checks here say."""

from __future__ import annotations

import importlib
from math import prod
from typing import Any

import numpy as np
import pytest
from outside import ROWS, Source, agrees
from page import COMMAND, HERE, PAGE, TOPICS, read_record, render, why_stale


def test_the_page_is_the_record() -> None:
    assert PAGE.read_text(encoding="utf-8") == render(read_record()), f"run {COMMAND}"


def test_every_module_has_a_topic() -> None:
    modules = {path.stem for path in HERE.glob("test_*.py")} - {"test_page"}
    assert modules == {name for _, _, names in TOPICS for name in names}


def test_nothing_is_recorded_of_checks_that_are_gone() -> None:
    recorded: dict[tuple[str, str], int] = {}
    for name in read_record():
        module, _, test = name.partition(".py::")
        key = module, test.partition("[")[0]
        recorded[key] = recorded.get(key, 0) + 1
    for (module, test), count in recorded.items():
        marks = getattr(getattr(importlib.import_module(module), test), "pytestmark", [])
        cases = prod(len(list(mark.args[1])) for mark in marks if mark.name == "parametrize")
        assert count == cases, f"{module}::{test} has {cases} cases, the record {count}: run {COMMAND}"


def test_each_script_is_that_of_a_source_and_the_other_way_round() -> None:
    hows = {row["source"]["how"] for rows in read_record().values() for row in rows}
    named = {how for how in hows if how.endswith(".R")}
    assert named == {f"tests/published/r/{path.name}" for path in (HERE / "r").glob("*.R")}


SOURCE = Source("theory", "arithmetic", "worked out")


def row(ours: float, outside: float = 3.14, rel: float = 1e-2) -> list[dict[str, Any]]:
    ROWS.clear()
    agrees("a number", ours, outside, SOURCE, rel=rel)
    return [row.told() for row in ROWS]


def test_a_check_fails_beyond_what_is_allowed_however_small_the_value() -> None:
    agrees("near", 1.009e-13, 1e-13, SOURCE, rel=1e-2)
    for ours, outside, limits in [
        (1.02e-13, 1e-13, {"rel": 1e-2}),
        ([1.0, 2.2], [1.0, 2.0], {"abs": 0.1}),
        (1.00001, 1.0, {}),
        (np.nan, 1.0, {}),
    ]:
        with pytest.raises(AssertionError):
            agrees("far", ours, outside, SOURCE, **limits)
    with pytest.raises(AssertionError):
        agrees("two for one", [1.0, 1.0], 1.0, SOURCE)


def test_the_page_is_stale_when_a_check_says_something_else() -> None:
    assert why_stale(row(3.15), row(3.15)) is None
    assert why_stale(row(3.14), row(3.1400001)) is None  # another machine's last digits
    assert "differs by" in str(why_stale(row(3.14), row(3.15)))
    assert "outside" in str(why_stale(row(3.15), row(3.15, outside=3.15)))
    assert "allowed" in str(why_stale(row(3.15), row(3.15, rel=2e-2)))
    assert why_stale([], row(3.15)) == "1 rows, 0 on the page"
