"""Which rows of a table, or keys of trial.toml, differ from what a record was made from."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from difflib import SequenceMatcher
from pathlib import Path
from typing import Any

from fizzlab.measures import TABLES
from fizzlab.trial.tables import RawTable, read_csv, read_sheets

#: More single changes than this are counted, not listed.
MOST_LISTED = 6


def changes(old: Path, new: Path) -> list[str]:
    """Say what changed from one file to another of the same kind.

    Parameters
    ----------
    old, new : Path
        A table as CSV, a workbook, or ``trial.toml``.

    Returns
    -------
    list of str
        Short parts of a sentence, such as ``"row 4, dry: “no”, now “yes”"``; empty where the files differ
        in nothing that is read.
    """
    if new.suffix == ".toml":
        return _shortened(_changed_keys(_toml(old), _toml(new)))
    before, after = _tables(old), _tables(new)
    if before is None or after is None:
        return ["it can no longer be read as a table"]
    found = []
    for name in sorted(before.keys() | after.keys()):
        said = f"sheet {name}, " if new.suffix == ".xlsx" else ""
        if name not in after:
            found.append(f"sheet {name} is gone")
        elif name not in before:
            found.append(f"sheet {name} is new")
        else:
            found += [said + change for change in _changed_rows(before[name], after[name])]
    return _shortened(found)


def _tables(path: Path) -> dict[str, RawTable] | None:
    if path.suffix == ".xlsx":
        sheets, _, problems = read_sheets(path, list(TABLES))
        return None if problems and not sheets else sheets
    raw, _ = read_csv(path)
    return None if raw is None else {path.stem: raw}


def _changed_rows(before: RawTable, after: RawTable) -> list[str]:
    old_names, new_names = list(before.cells.columns), list(after.cells.columns)
    found = [f"column {name} is gone" for name in old_names if name not in new_names]
    found += [f"column {name} is new" for name in new_names if name not in old_names]
    shared = [name for name in old_names if name in new_names]
    old, new = before.cells[shared], after.cells[shared]
    old_rows = [tuple(row) for row in old.itertuples(index=False, name=None)]
    new_rows = [tuple(row) for row in new.itertuples(index=False, name=None)]
    added = 0
    for kind, i1, i2, j1, j2 in SequenceMatcher(None, old_rows, new_rows, autojunk=False).get_opcodes():
        if kind == "equal":
            continue
        paired = min(i2 - i1, j2 - j1)
        for step in range(paired):
            row = new.index[j1 + step]
            for name, was, now in zip(shared, old_rows[i1 + step], new_rows[j1 + step], strict=True):
                if was != now:
                    found.append(f"row {row}, {name}: “{was}”, now “{now}”")
        found += [
            f"what was row {old.index[i]} is gone ({', '.join(filter(None, old_rows[i]))})"
            for i in range(i1 + paired, i2)
        ]
        added += (j2 - j1) - paired
    if added:
        found.append("1 row was added" if added == 1 else f"{added} rows were added")
    return found


def _toml(path: Path) -> dict[str, Any]:
    try:
        return tomllib.loads(path.read_bytes().decode("utf-8-sig"))
    except (UnicodeDecodeError, tomllib.TOMLDecodeError):
        return {}


def _changed_keys(before: Mapping[str, Any], after: Mapping[str, Any], place: str = "") -> list[str]:
    found = []
    for key in dict.fromkeys([*before, *after]):
        here = f"{place}{key}"
        if key not in after:
            found.append(f"{here} is gone")
        elif key not in before:
            found.append(f"{here} is new")
        elif isinstance(before[key], dict) and isinstance(after[key], dict):
            found += _changed_keys(before[key], after[key], f"{here}.")
        elif before[key] != after[key]:
            found.append(f"{here}: {before[key]!r}, now {after[key]!r}")
    return found


def _shortened(found: list[str]) -> list[str]:
    if len(found) <= MOST_LISTED:
        return found
    return [*found[:MOST_LISTED], f"and {len(found) - MOST_LISTED} more changes"]
