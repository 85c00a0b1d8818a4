"""Reading a table as text cells, from a CSV file or the sheets of a workbook."""

from __future__ import annotations

import csv
import datetime as dt
import io
import zipfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from fizzlab.problems import Problem

#: A workbook that unpacks to more than this is refused: no hand-kept notebook is so large.
WORKBOOK_BYTES = 200 * 1024 * 1024


@dataclass(frozen=True)
class RawTable:
    """Text cells as they stood in the file; the index is the row as a spreadsheet numbers it."""

    where: str
    cells: pd.DataFrame


def read_csv(path: Path) -> tuple[RawTable | None, list[Problem]]:
    """Read a CSV file: UTF-8 with or without a byte-order mark; comma, semicolon or tab; any line ends.

    Returns the raw table, or None with the problems that make it unreadable.
    """
    where = path.name
    data = path.read_bytes()
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        row = data[: error.start].count(b"\n") + 1
        return None, [
            Problem(
                where,
                "it is not plain UTF-8 text.",
                "Save it again as “CSV UTF-8” in the spreadsheet.",
                row=row,
            )
        ]
    separator = separator_of(text)
    try:
        records = list(csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True))
    except csv.Error as error:
        return None, [
            Problem(
                where,
                f"its cells cannot be told apart ({error}).",
                "Look for a stray quotation mark, or save it again as “CSV UTF-8” in the spreadsheet.",
            )
        ]
    return _raw(where, records)


def separator_of(text: str) -> str:
    """What stands between the cells: of comma, semicolon and tab, the one that the header has most of."""
    header = text.split("\n", 1)[0]
    return max((",", ";", "\t"), key=header.count)


def read_sheets(path: Path, names: Sequence[str]) -> tuple[dict[str, RawTable], list[str], list[Problem]]:
    """Read the sheets of a workbook that are called after a table.

    Returns
    -------
    tables : dict
        Raw tables by sheet name.
    others : list of str
        Names of the sheets that were not read.
    problems : list of Problem
    """
    import openpyxl

    unreadable = "Save it again as an .xlsx workbook from the spreadsheet."
    try:
        with zipfile.ZipFile(path) as archive:
            if sum(member.file_size for member in archive.infolist()) > WORKBOOK_BYTES:
                what = "it unpacks to more than 200 MB, far more than a hand-kept notebook."
                return {}, [], [Problem(path.name, what, "Keep only the tables of this trial in it.")]
        book = openpyxl.load_workbook(path, read_only=True, data_only=True)
    except Exception as error:  # openpyxl raises many kinds on damaged files; all mean the same to a maker
        what = f"it cannot be read as a workbook ({type(error).__name__})."
        return {}, [], [Problem(path.name, what, unreadable)]
    tables: dict[str, RawTable] = {}
    problems: list[Problem] = []
    others: list[str] = []
    try:
        for title in book.sheetnames:
            name = title.strip().casefold()
            if name not in names:
                others.append(title)
                continue
            sheet = book[title]
            try:
                records = [[_cell_text(value) for value in row] for row in sheet.iter_rows(values_only=True)]
            except Exception as error:
                what = f"the sheet cannot be read ({type(error).__name__})."
                problems.append(Problem(f"{path.name}, sheet {title}", what, unreadable))
                continue
            raw, found = _raw(f"{path.name}, sheet {title}", _without_empty_margin(records))
            problems.extend(found)
            if raw is not None:
                tables[name] = raw
    finally:
        book.close()
    return tables, others, problems


def _cell_text(value: object) -> str:
    """A workbook cell as the text that a CSV would hold."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float) and value.is_integer() and abs(value) < 1e15:
        return str(int(value))
    if isinstance(value, dt.datetime):
        return value.replace(microsecond=0).isoformat()
    return str(value)


def _without_empty_margin(records: list[list[str]]) -> list[list[str]]:
    """Drop the empty cells that a spreadsheet keeps to the right of the header."""
    width = max((i + 1 for i, cell in enumerate(records[0]) if cell.strip()), default=0) if records else 0
    return [
        row[:width] + [cell for cell in row[width:] if cell.strip()] if len(row) > width else row
        for row in records
    ]


def _raw(where: str, records: list[list[str]]) -> tuple[RawTable | None, list[Problem]]:
    """Name the columns, number the rows and set blank rows aside."""
    if not records or not any(cell.strip() for cell in records[0]):
        return None, [Problem(where, "it has no header.", "Put the column names in its first row.", row=1)]
    header = [cell.strip().casefold() for cell in records[0]]
    full_width = len(header)
    while header and not header[-1]:
        header.pop()
    problems = []
    for name in dict.fromkeys(header):
        if name and header.count(name) > 1:
            problems.append(
                Problem(where, "the column stands there twice.", "Keep one of the two.", row=1, column=name)
            )
    if "" in header:
        place = f"column {header.index('') + 1} has no name."
        problems.append(Problem(where, place, "Name it, or delete it if it is empty.", row=1))
    if problems:
        return None, problems
    numbers, rows = [], []
    for number, row in enumerate(records[1:], start=2):
        width = len(row)
        if width == len(header) and any(row):
            numbers.append(number)
            rows.append(row)
            continue
        if not any(cell.strip() for cell in row):
            continue
        if width > full_width or any(cell.strip() for cell in row[len(header) :]):
            what = f"the row has {width} cells, but the header names {len(header)} columns."
            do = "Put quotation marks round a text with the separator in it, or write decimals with a point."
            problems.append(Problem(where, what, do, row=number))
            continue
        numbers.append(number)
        rows.append((row + [""] * len(header))[: len(header)])
    cells = pd.DataFrame(rows, index=pd.Index(numbers, name="row"), columns=header, dtype=object)
    return (None if problems else RawTable(where, cells)), problems
