"""From the bytes of an export to named columns of text: encoding, separator, preamble, header, footer."""

from __future__ import annotations

import csv
import io
import re
import unicodedata
from collections import Counter
from dataclasses import dataclass

import pandas as pd

from fizzlab.errors import BadInput, Problem
from fizzlab.trial.tables.stamps import is_stamp

#: An export of more bytes than this is refused; a reading a minute fills some 20 MB in a year.
MOST_BYTES = 100 * 1024 * 1024

#: Lines from the top in which the readings must begin.
_LOOKED = 200

#: The longest name of a column; a mapping in trial.toml holds it.
_LONGEST_NAME = 200

_SEPARATORS = ("\t", ";", ",", "|")


@dataclass(frozen=True)
class Layout:
    """An export as named columns of text.

    Parameters
    ----------
    where : str
        The file's name.
    cells : DataFrame
        Text cells by column name, stripped; the index is the row as a spreadsheet numbers it.
    units : mapping-like tuple of str
        What stood in a line of units under the header, by column; empty texts where there was none.
    header_row : int or None
        None where the file has no header; the columns are then called "column 1" and so on.
    said : tuple of str
        What was passed over, as sentences.
    """

    where: str
    cells: pd.DataFrame
    units: tuple[str, ...]
    header_row: int | None
    said: tuple[str, ...]

    def unit_of(self, column: str) -> str:
        """What the line of units says of a column."""
        return self.units[list(self.cells.columns).index(column)]


def lay_out(where: str, data: bytes) -> Layout:
    r"""Find the readings in an export.

    Parameters
    ----------
    where : str
        The file's name, for sentences.
    data : bytes
        UTF-8 with or without a byte-order mark, UTF-16, or Windows-1252 (Latin-1); comma, semicolon, tab
        or bar between the cells; any lines before the header.

    Returns
    -------
    Layout

    Raises
    ------
    BadInput
        No row with a date or time stands in it, or a row has more cells than the header has names.

    Examples
    --------
    >>> lay_out("log.csv", b"Made up logger\n\nTime;Temp\n2026-01-05 08:00;14,5\n").cells
                     Time  Temp
    row
    4    2026-01-05 08:00  14,5
    """
    text, said = _decoded(where, data)
    records, first = _split(where, text)
    header, units, header_row = _header(records, first)
    numbers: list[int] = []
    rows: list[list[str]] = []
    problems: list[Problem] = []
    again = 0
    for number, record in enumerate(records[first:], start=first + 1):
        if not any(record):
            continue
        if header_row is not None and record == records[header_row - 1]:
            again += 1
            continue
        if any(record[len(header) :]):
            what = f"the row has {len(record)} cells, but the header names {len(header)} columns."
            do = "Export with a semicolon or tab between the cells, or with a decimal point."
            problems.append(Problem(where, what, do, row=number))
            continue
        numbers.append(number)
        rows.append((record + [""] * len(header))[: len(header)])
    long = next((name for name in header if len(name) > _LONGEST_NAME), None)
    if long is not None:
        what = f"the name of a column has {len(long)} letters (“{long[:20]}…”)."
        raise BadInput([Problem(where, what, "Shorten it in a copy.", row=header_row)])
    rows, numbers, footer = _without_footer(rows, numbers)
    if problems:
        raise BadInput(first_of(problems))
    if header_row is not None and header_row > 1:
        said.append(f"{_lines(header_row - 1)} before the header: passed over.")
    if again:
        said.append(f"The header stands {again} more times among the readings: passed over.")
    if footer:
        said.append(f"{_lines(footer)} after the readings: passed over.")
    cells = pd.DataFrame(rows, index=pd.Index(numbers, name="row"), columns=header, dtype=object)
    return Layout(where, cells, units, header_row, tuple(said))


def first_of(problems: list[Problem], shown: int = 5) -> list[Problem]:
    """The first problems of one kind; the rest are counted."""
    if len(problems) <= shown:
        return problems
    rest = problems[shown:]
    what = f"{len(rest)} more rows, down to row {rest[-1].row}, cannot be used either, as those above."
    return [*problems[:shown], Problem(rest[0].where, what, "Mend those too.", row=rest[0].row)]


def _lines(count: int) -> str:
    return "1 line" if count == 1 else f"{count} lines"


def _decoded(where: str, data: bytes) -> tuple[str, list[str]]:
    if len(data) > MOST_BYTES:
        do = "Export a shorter stretch of time."
        raise BadInput([Problem(where, "it is larger than 100 MB.", do)])
    if data.startswith((b"PK\x03\x04", b"\xd0\xcf\x11\xe0")):
        what = "it is a workbook, not a CSV file."
        raise BadInput([Problem(where, what, "Open it in the spreadsheet and save the sheet as CSV.")])
    text, said = None, []
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        encodings = ["utf-16"]
    elif data[:200].count(b"\0") > len(data[:200]) // 4:
        encodings = ["utf-16-le"] if data[1:2] == b"\0" else ["utf-16-be"]
    else:
        encodings = ["utf-8-sig", "cp1252", "latin-1"]
    for encoding in encodings:
        try:
            text = data.decode(encoding)
        except UnicodeDecodeError:
            continue
        if encoding in ("cp1252", "latin-1"):
            said.append("It is not UTF-8 text; it was read as Windows-1252, also called Latin-1.")
        break
    if text is None or "\0" in text:
        raise BadInput([Problem(where, "it is not a text file.", "Export the readings as CSV.")])
    return text, said


def _split(where: str, text: str) -> tuple[list[list[str]], int]:
    """Split into cells with the separator that gives the most rows with a date; say where they begin."""
    best: tuple[tuple[int, int], list[list[str]], int] | None = None
    for separator in _SEPARATORS:
        if separator not in text:
            continue
        try:
            rows = csv.reader(io.StringIO(text, newline=""), delimiter=separator, skipinitialspace=True)
            records = [[_clean(cell) for cell in row] for row in rows]
        except csv.Error:
            continue
        head = records[:_LOOKED]
        found = [
            i for i, row in enumerate(head) if len(row) > 1 and any(map(is_stamp, row)) and _has_digit(row)
        ]
        if not found:
            continue
        usual = Counter(len(records[i]) for i in found).most_common(1)[0][0]
        regular = [i for i in found if len(records[i]) == usual]
        score = (len(regular), usual)
        if best is None or score > best[0]:
            best = (score, records, regular[0])
    if best is None:
        what = "no row with a date or time and a reading beside it was found in it."
        do = "Export as CSV with a column of dates and times, and one row a reading."
        raise BadInput([Problem(where, what, do)])
    return best[1], best[2]


def _has_digit(row: list[str]) -> bool:
    """Is there, besides the stamp, a cell with a number?"""
    return sum(1 for cell in row if any(letter.isdigit() for letter in cell)) > 1


def _clean(cell: str) -> str:
    """Strip a cell; every kind of space is one space."""
    if cell.isascii() and "\xa0" not in cell:
        return cell.strip()
    return "".join(" " if unicodedata.category(letter) == "Zs" else letter for letter in cell).strip()


_UNIT_LIKE = re.compile(
    r"[\[(]?\s*(°|º|˚|℃|℉|%|deg|[cfg]\b|kg|oz|lbs?\b|rh|hh|hpa|mbar|volt|v\b|yyyy|dd|mm)", re.I
)


def _header(records: list[list[str]], first: int) -> tuple[list[str], tuple[str, ...], int | None]:
    """The names of the columns, the units under them, and the row of the header."""
    width = len(records[first])
    place = first - 1
    while place >= 0 and not any(records[place]):
        place -= 1
    units = [""] * width
    if place > 0:
        filled = [cell for cell in records[place] if cell]
        above = [cell for cell in records[place - 1] if cell]
        if all(_UNIT_LIKE.match(cell) for cell in filled) and len(above) >= max(2, len(filled)):
            units = (records[place] + units)[:width]
            place -= 1
    names = records[place] if place >= 0 else []
    if sum(1 for cell in names if cell) < 2:  # a title is no header
        return [f"column {i + 1}" for i in range(width)], tuple(units), None
    width = len(names)
    while width > len(records[first]) and not names[width - 1]:
        width -= 1
    header: list[str] = []
    for i in range(width):
        name = names[i] if i < len(names) and names[i] else f"column {i + 1}"
        same = 1
        while (name if same == 1 else f"{name} ({same})") in header:
            same += 1
        header.append(name if same == 1 else f"{name} ({same})")
    return header, tuple((units + [""] * width)[:width]), place + 1


def _without_footer(rows: list[list[str]], numbers: list[int]) -> tuple[list[list[str]], list[int], int]:
    """Set aside closing lines: those that hold no date or time and at most one filled cell."""
    end = len(rows)
    while end and not any(map(is_stamp, rows[end - 1])) and sum(1 for cell in rows[end - 1] if cell) <= 1:
        end -= 1
    return rows[:end], numbers[:end], len(rows) - end
