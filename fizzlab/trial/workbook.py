"""The workbook of readings: whether a spreadsheet program has it open."""

from __future__ import annotations

from pathlib import Path


def open_in(path: Path) -> Path | None:
    """The mark that a spreadsheet program leaves beside a file that it has open; None if there is none."""
    marks = (path.with_name(f"~${path.name}"), path.with_name(f".~lock.{path.name}#"))
    return next((mark for mark in marks if mark.exists()), None)
