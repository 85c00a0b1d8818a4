"""Compare what each check here found with the record that docs/validation.md is made from."""

from __future__ import annotations

from collections.abc import Generator
from typing import Any

import pytest
from outside import ROWS
from page import COMMAND, FOUND, WRITING, read_record, why_stale


@pytest.hookimpl(wrapper=True)
def pytest_pyfunc_call(pyfuncitem: pytest.Function) -> Generator[None, Any, Any]:
    ROWS.clear()
    result = yield
    name = f"{pyfuncitem.path.name}::{pyfuncitem.name}"
    if name.startswith("test_page.py"):
        return result
    assert ROWS, "a check in tests/published states what it compares: see outside.py"
    if WRITING in pyfuncitem.config.pluginmanager.get_plugins():
        FOUND[name] = [row.told() for row in ROWS]
        return result
    stale = why_stale(read_record().get(name, []), [row.told() for row in ROWS])
    assert stale is None, f"docs/validation.md no longer tells what is checked ({stale}); run {COMMAND}"
    return result
