"""Reading a table as text cells, from a CSV file or the sheets of a workbook."""

from __future__ import annotations

import csv
import datetime as dt
import io
import re
import zipfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from fizzlab.errors import Problem
from fizzlab.trial.tables.formulas import unguarded

#: A file of more bytes, or a workbook that unpacks to more, is refused: no hand-kept notebook is so large.
MOST_BYTES = 200 * 1024 * 1024

#: A workbook of more cells is refused before it is read: each takes some hundred bytes of memory.
MOST_CELLS = 2_000_000

#: The last row of a spreadsheet.
LAST_ROW = 1_048_576


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
    if path.stat().st_size > MOST_BYTES:
        what = "it is larger than 200 MB, far more than a hand-kept notebook."
        return None, [Problem(where, what, "Keep only the readings of this trial in it.")]
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
    return _raw(where, [[unguarded(cell) for cell in row] for row in records])


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
        what = _too_large(path)
        if what:
            return {}, [], [Problem(path.name, what, "Keep only the tables of this trial in it.")]
        # from memory, so that no file stays open (and locked, on Windows) when the workbook is damaged
        book = openpyxl.load_workbook(io.BytesIO(path.read_bytes()), read_only=True, data_only=True)
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
                records = _records(sheet)
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


def _too_large(path: Path) -> str:
    """Why a workbook is too large to read, told without unpacking it into memory; empty if it is not."""
    if path.stat().st_size > MOST_BYTES:
        return "it is larger than 200 MB, far more than a hand-kept notebook."
    with zipfile.ZipFile(path) as archive:
        members = archive.infolist()
        unpacked = sum(member.file_size for member in members)
        if unpacked > MOST_BYTES:
            return "it unpacks to more than 200 MB, far more than a hand-kept notebook."
        if (
            unpacked > 2 * MOST_CELLS
        ):  # the shortest cell takes four bytes; a smaller book cannot hold so many
            cells = 0
            for member in members:
                if member.filename.endswith(".xml"):
                    with archive.open(member) as part:
                        cells += sum(
                            len(_CELL.findall(chunk)) for chunk in iter(lambda: part.read(1 << 20), b"")
                        )
            if cells > MOST_CELLS:
                return (
                    f"it holds more than {MOST_CELLS // 1_000_000} million cells, far more than a notebook."
                )
    return ""


#: Where a cell or a shared text begins in the XML of a workbook.
_CELL = re.compile(rb"<(?:\w+:)?(?:c|si)[\s/>]")


def _records(sheet: Any) -> list[list[str]]:
    """The rows of a sheet as text, down to the last one that is filled."""
    # the extent that a file states may be wrong; believed, it would cut rows off or ask for billions of cells
    sheet.reset_dimensions()
    records: list[list[str]] = []
    end = 0
    for number, row in enumerate(sheet.iter_rows(values_only=True), start=1):
        if number > LAST_ROW:
            raise ValueError("a row beyond the last that a spreadsheet has")
        records.append([_cell_text(value) for value in row])
        if any(records[-1]):
            end = number
    return records[:end]


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
