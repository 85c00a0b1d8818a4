"""docs/validation.md says what the checks here say."""

from __future__ import annotations

import importlib
from math import prod

from page import COMMAND, HERE, PAGE, TOPICS, read_record, render


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
