"""Reading a table from CSV or a workbook to text cells, and parsing them; the checks that need one row only.

Cells are read by hand: libraries of dates and numbers misread "1,5" and "03.04.2026".
"""

from __future__ import annotations

import csv
import datetime as dt
import io
import re
import unicodedata
import zipfile
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from fizzlab.errors import HIDDEN, BadInput, Problem, did_you_mean, problem, refuse
from fizzlab.language import lines, say, translated
from fizzlab.measures import BLIND, LEAVE_OUT, NOTE, Column
from fizzlab.trial.opening import MOST_BYTES, bytes_of
from fizzlab.trial.sisters import slip

#: A workbook of more cells is refused before it is read: each takes some hundred bytes of memory.
MOST_CELLS = 2_000_000

#: The last row of a spreadsheet.
LAST_ROW = 1_048_576

#: Bad cells of one column that are spelled out; the rest are counted, so one slip does not bury others.
SHOWN_PER_COLUMN = 5

_EARLIEST, _LATEST = pd.Timestamp("2000-01-01"), pd.Timestamp("2100-01-01")


@dataclass(frozen=True)
class RawTable:
    """Text cells by the row of the spreadsheet; a `comma` in a number is then surely a decimal one."""

    where: str
    cells: pd.DataFrame
    comma: bool = False


@dataclass(frozen=True)
class Table:
    """A checked table of the file or sheet `where`: typed `rows` to analyse, by the row of the spreadsheet.

    As text: `left_out` with a reason in leave_out, and `unread` that were prepared and wait for a reading.
    """

    where: str
    rows: pd.DataFrame
    left_out: pd.DataFrame = field(default_factory=pd.DataFrame)
    unread: pd.DataFrame = field(default_factory=pd.DataFrame)


#: A cell that begins so is taken for a formula by one spreadsheet or another, also behind spaces; the wide
#: signs are those of East Asian keyboards.
_FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r", "＝", "＋", "－", "＠")


def obeyed(text: str) -> bool:
    """Would a spreadsheet take the text for a formula? A number alone is none.

    >>> obeyed("=2+2"), obeyed(" @SUM(A1)"), obeyed("-5"), obeyed("- gum"), obeyed("pearl")
    (True, True, False, True, False)
    """
    number = re.fullmatch(r"[+-]?(\d+([.,]\d*)?|[.,]\d+)", text.strip())
    return text.lstrip(" ").startswith(_FORMULA_STARTS) and not number


def guarded(text: str) -> str:
    """The text for a cell of a CSV file, with an apostrophe before it where it would be obeyed."""
    return f"'{text}" if obeyed(text) else text


def _unguarded(text: str) -> str:
    return text[1:] if text.startswith("'") and obeyed(text[1:]) else text


def read_csv(path: Path) -> tuple[RawTable | None, list[Problem]]:
    """Read a CSV file: UTF-8 with or without a byte-order mark; comma, semicolon or tab; any line ends."""
    try:
        return csv_of(path.name, bytes_of(path))
    except BadInput as error:
        return None, list(error.problems)


def csv_of(where: str, data: bytes) -> tuple[RawTable | None, list[Problem]]:
    """The table that the bytes of a CSV file hold."""
    try:
        text = data.decode("utf-8-sig")
        between = separator_of(text)
        rows = csv.reader(io.StringIO(text, newline=""), delimiter=between, strict=True)
        raw, problems = _raw(where, [[_unguarded(cell) for cell in row] for row in rows])
        return raw and replace(raw, comma=between != ","), problems
    except UnicodeDecodeError as error:
        return None, [problem("not_utf8", where, data[: error.start].count(b"\n") + 1)]
    except csv.Error as error:
        return None, [problem("cells_run_on", where, error=error)]


def separator_of(text: str) -> str:
    """What stands between the cells: of comma, semicolon and tab, the one that the header has most of."""
    return max((",", ";", "\t"), key=text.split("\n", 1)[0].count)


def read_sheets(path: Path, names: Sequence[str]) -> tuple[dict[str, RawTable], list[str], list[Problem]]:
    """Read the sheets of a workbook that are called after a table; also give the names of the others."""
    tables: dict[str, RawTable] = {}
    problems: list[Problem] = []
    try:
        book = open_book(path.name, bytes_of(path))
    except BadInput as error:
        return {}, [], list(error.problems)
    named = {title: title.strip().casefold() for title in book.sheetnames}
    for title in [title for title, name in named.items() if name in names]:
        where = say("at_sheet", book=path.name, sheet=title)
        try:
            raw, found = _raw(where, records(where, book[title]))
        except BadInput as error:
            raw, found = None, list(error.problems)
        problems += found
        if raw is not None:
            tables[named[title]] = raw
    book.close()
    return tables, [title for title, name in named.items() if name not in names], problems


#: Where a cell or a shared text begins in the XML of a workbook.
_CELL = re.compile(rb"<(?:\w+:)?(?:c|si)[\s/>]")


def open_book(where: str, data: bytes) -> Any:
    """A workbook, from memory, so that no file stays open; BadInput, not unpacked, where it is too large."""
    import openpyxl

    cells = 0
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            unpacked = sum(member.file_size for member in archive.infolist())
            # the shortest cell takes four bytes; a smaller book cannot hold so many
            counted = 2 * MOST_CELLS < unpacked <= MOST_BYTES
            parts = [member for member in archive.infolist() if member.filename.endswith(".xml")]
            for member in parts if counted else ():
                with archive.open(member) as part:
                    while chunk := part.read(1 << 20):
                        cells += len(_CELL.findall(chunk))
        if max(unpacked, len(data)) <= MOST_BYTES and cells <= MOST_CELLS:
            return openpyxl.load_workbook(io.BytesIO(data), read_only=True, data_only=True)
    except Exception as error:  # openpyxl raises many kinds on damaged files; all mean the same to a maker
        raise _unreadable(where, error) from error
    raise refuse("book_of_many_cells" if cells else "book_too_large", where, millions=MOST_CELLS // 10**6)


def _unreadable(where: str, error: Exception) -> BadInput:
    return refuse("book_unreadable", where, error=type(error).__name__)


def records(where: str, sheet: Any) -> list[list[str]]:
    """The rows of a sheet as text, without the empty cells below and to the right."""
    found: list[list[str]] = []
    end = 0
    try:
        # the extent that a file states may be wrong: it would cut rows off or ask for billions of cells
        sheet.reset_dimensions()
        for number, row in enumerate(sheet.iter_rows(values_only=True), start=1):
            if number > LAST_ROW:
                raise ValueError("a row beyond the last that a spreadsheet has")
            found.append([_cell_text(value) for value in row])
            if any(found[-1]):
                end = number
    except Exception as error:
        raise _unreadable(where, error) from error
    width = max((i + 1 for i, cell in enumerate(found[0]) if cell.strip()), default=0) if found else 0
    return [row[:width] + [cell for cell in row[width:] if cell.strip()] for row in found[:end]]


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


def _raw(where: str, found: list[list[str]]) -> tuple[RawTable | None, list[Problem]]:
    """Name the columns, number the rows and set blank rows aside."""
    if found and any(map(only_shown, found[0])):
        head = found[0]
        kept = [place for place, name in enumerate(head) if not only_shown(name)]
        found = [[row[i] for i in kept if i < len(row)] + row[len(head) :] for row in found]
    if not found or not any(cell.strip() for cell in found[0]):
        return None, [problem("no_header", where, 1)]
    header = [cell.strip().casefold() for cell in found[0]]
    full_width = len(header)
    while not header[-1]:
        header.pop()
    problems = [
        problem("column_twice", where, 1, name)
        for name in dict.fromkeys(header)
        if name and header.count(name) > 1
    ]
    if "" in header:
        problems.append(problem("column_unnamed", where, 1, number=header.index("") + 1))
    if problems:
        return None, problems
    width, rows = len(header), {}
    for number, row in enumerate(found[1:], start=2):
        if len(row) > full_width or any(cell.strip() for cell in row[width:]):
            problems.append(problem("row_too_long", where, number, cells=len(row), columns=width))
        elif any(cell.strip() for cell in row):
            rows[number] = (row + [""] * width)[:width]
    index = pd.Index(list(rows), name="row")
    cells = pd.DataFrame(list(rows.values()), index=index, columns=header, dtype=object)
    return (None if problems else RawTable(where, cells)), problems


def only_shown(name: object) -> bool:
    """Is it the name, in brackets, of a column that is there to be looked at and is not read?"""
    return str(name).strip().startswith("(") and str(name).strip().endswith(")")


_EMPTY: dict[str, object] = {"text": "", "number": np.nan, "whole": np.nan, "yes_no": pd.NA, "moment": pd.NaT}


def parse(
    raw: RawTable, columns: Sequence[Column], planned: Sequence[str] = ()
) -> tuple[Table, list[Problem]]:
    """Turn the text cells into typed columns, all of `columns` with `leave_out`; at most doubts if sound.

    `planned` columns are filled in by a sheet prepared beforehand; see `fizzlab.measures.TableSpec`.

    >>> columns = [Column("run", "text", "the batch"), Column("hours", "number", "hours since making")]
    >>> cells = pd.DataFrame({"run": ["A"], "hours": ["2,5"]}, index=[2])
    >>> table, problems = parse(RawTable("weighings.csv", cells), columns)
    >>> float(table.rows.loc[2, "hours"]), problems
    (2.5, [])
    """
    where, cells = raw.where, raw.cells
    if not cells.map(str.isascii).all(axis=None):  # ä in one sign, or a with two dots above it, is one letter
        cells = cells.map(lambda text: unicodedata.normalize("NFC", text))
    allowed = [*(column.name for column in columns), LEAVE_OUT.name]
    missing = [name for name in allowed if name not in cells.columns]
    problems = []
    for name in [name for name in cells.columns if name not in allowed]:
        says = "column_unknown_note" if NOTE.name in allowed else "column_unknown"
        problems.append(problem(says, where, 1, name, do=did_you_mean(name, missing)))
    for column in [column for column in columns if column.required and column.name in missing]:
        says = "column_missing_log" if column.name in ("time", "temp_c", "rh_pct") else "column_missing"
        problems.append(problem(says, where, 1, column.name, meaning=translated(column.meaning)))
    out_of_it = pd.Series(False, index=cells.index)
    if LEAVE_OUT.name in cells.columns:
        out_of_it = cells[LEAVE_OUT.name].str.strip() != ""
    there = cells[~out_of_it]
    blank = _blank(there, planned)
    kept = there[~blank]
    typed: dict[str, pd.Series] = {}
    for column in columns:
        if column.name in cells.columns:
            typed[column.name], found = _typed(kept[column.name].str.strip(), column, where, raw.comma)
            problems += shortened(found)
        else:
            typed[column.name] = pd.Series(_EMPTY[column.kind], index=kept.index)
    if cells.empty and not problems:  # a table whose rows are all unread is no problem: it was prepared
        problems.append(problem("no_rows", where))
    rows = pd.DataFrame(typed, index=kept.index)
    return Table(where, rows, cells[out_of_it], there[blank & ~_after_the_end(there, columns)]), problems


def unread(raw: RawTable, planned: Sequence[str]) -> bool:
    """Is it a sheet that was prepared and in which no reading stands yet?"""
    return bool(_blank(raw.cells, planned).all())


def _blank(cells: pd.DataFrame, planned: Sequence[str]) -> pd.Series:
    """Which rows does a prepared sheet hold that nobody has filled in yet?"""
    readings = [name for name in cells.columns if name not in (*planned, BLIND.name)]
    if not planned or not readings:
        return pd.Series(False, cells.index)
    blank: pd.Series = (cells[readings].apply(lambda column: column.str.strip()) == "").all(axis=1)
    return blank


def _after_the_end(cells: pd.DataFrame, columns: Sequence[Column]) -> pd.Series:
    """Which rows stand after the last reading that their piece needed."""
    after = pd.Series(False, index=cells.index)
    for column in columns:
        if column.ends and {column.name, "run", "piece"} <= set(cells.columns):
            ended = _values(cells[column.name].str.strip(), column).fillna(False).astype(int)
            piece = [cells[name].str.strip().str.casefold() for name in ("run", "piece")]
            after |= ended.groupby(piece).cummax().astype(bool)
    return after


def shortened(found: list[Problem], rest: str = "more_cells") -> list[Problem]:
    """Spell out the first problems of a kind and count the rest."""
    more = found[SHOWN_PER_COLUMN:]
    if not more:
        return found
    first = more[0]
    mend = problem(rest, first.where, first.row, first.column, n=len(more), last=more[-1].row)
    return [*found[:SHOWN_PER_COLUMN], mend]


#: A number with a comma that may part thousands or be a decimal one.
_THOUSANDS = r"[+-]?[1-9]\d{0,2},\d{3}"


def _typed(text: pd.Series, column: Column, where: str, comma: bool) -> tuple[pd.Series, list[Problem]]:
    """Parse one column and list the cells that cannot be used; a `comma` is surely a decimal one."""
    values, problems, usual = _values(text, column), list[Problem](), np.nan
    bad = values.isna() & (text != "") | (text == "") & column.required
    if column.kind in ("number", "whole"):
        either = text.str.fullmatch(_THOUSANDS).astype(bool)
        if either.any() and not comma and not text[~either].str.contains(",", regex=False).any():
            values = values.mask(either)
            bad |= either
        beyond = outside(values, column)
        usual, middle = (float(values[each].dropna().median()) for each in (~beyond, beyond))
        unit = _other_unit(middle) if column.unit == "°C" else ""
        if unit and beyond.sum() > 1 and not slip(middle, usual):
            warm = values > 40  # no room, and no bath, is so warm in °C
            says = "other_unit_log" if column.name == "temp_c" else "other_unit"
            odd = partial(problem, says, where, int(values.index[warm][0]), column.name, warm=warm.sum())
            problems.append(odd(of=len(values), unit=say(unit), mend=say(f"turn_{unit}")))
        else:
            bad |= beyond
    elif column.kind == "text":
        bad |= text.str.contains(HIDDEN).astype(bool)
    elif column.kind == "moment":
        bad |= ((values < _EARLIEST) | (values > _LATEST)).astype(bool)
        bad |= values.notna() & ~text.str.contains(":", regex=False) & column.clock
    return values, problems + [
        Problem(where, *_fault(text[row], values[row], column, usual), row=int(row), column=column.name)
        for row in text.index[bad]
    ]


def _other_unit(value: float) -> str:
    """The unit that a temperature of no room or bath in °C seems to be in."""
    return "kelvin" if 260 <= value <= 335 else "fahrenheit" if 60 < value <= 140 else ""


def outside(values: pd.Series, column: Column) -> pd.Series:
    """Which numbers lie outside the bounds of a column?"""
    low = -np.inf if column.low is None else column.low
    high = np.inf if column.high is None else column.high
    beyond: pd.Series = (values < low) | (values > high) | ((values == low) & column.above_low)
    return beyond


def range_words(column: Column) -> str:
    """The bounds of a column in words."""
    low, high = column.low, column.high
    if low is None:
        return say("range_to", high=high)
    ends = "range" if high is not None else "range_from"
    return say(f"{ends}_above" if column.above_low else ends, low=low, high=high)


def _fault(text: str, value: Any, column: Column, usual: float = np.nan) -> tuple[str, str]:
    """What is wrong with a cell that cannot be used, where others are about `usual`, and what to do."""
    kind, meaning = column.kind, translated(column.meaning)
    shown = text if len(text) <= 30 else text[:29] + "…"
    if not text:
        return _two("cell_empty", meaning=meaning)
    if kind == "text":
        return _two("sign_hidden", shown=shown)
    if not pd.isna(value) and kind != "moment":
        unit, seems = _other_unit(value) if column.unit == "°C" else "", ""
        if slip(value, usual):
            seems = say("seems_slip", usual=usual, slip=slip(value, usual))
        elif unit:
            seems = say("seems_unit", unit=say(unit))
        return _two("cell_outside", shown=text, range=range_words(column), seems=seems, meaning=meaning)
    if not pd.isna(value):
        return _two("no_clock" if _EARLIEST <= value <= _LATEST else "year_wrong", shown=shown)
    if kind == "moment" and _SLASHED.match(text):
        return _two("day_or_month", shown=shown)
    if kind in ("number", "whole") and re.fullmatch(_THOUSANDS, text):
        either = {"point": text.replace(",", "."), "none": text.replace(",", "")}
        return _two("comma_unclear", shown=shown, **either)
    what, do = lines(f"not_{kind}", shown=shown)
    if kind == "moment" and re.fullmatch(r"\d{1,2}:\d\d(:\d\d)?", text):
        do = say("add_date")
    elif kind in ("moment", "yes_no"):
        pass
    elif ":" in text and column.name == "hours":
        do = say("hours_as_number")
    elif "," in text and "." in text:
        do = say("no_thousands")
    elif text.startswith("#"):
        do = say("mend_formula")
    return what, do


def _two(name: str, **filled: Any) -> tuple[str, str]:
    what, do = lines(name, **filled)
    return what, do


_YES_NO = {
    **dict.fromkeys(("yes", "y", "true", "1", "x"), True),
    **dict.fromkeys(("no", "n", "false", "0"), False),
}


def _values(text: pd.Series, column: Column) -> pd.Series:
    """The cells as the column's kind; missing where they cannot be read."""
    if column.kind == "text":
        return text
    if column.kind == "yes_no":
        return text.str.casefold().map({**_YES_NO, **column.also}).astype("boolean")
    if column.kind == "moment":
        return _moments(text)
    if column.suffix:
        text = text.str.removesuffix(column.suffix).str.rstrip()
    comma = text.str.fullmatch(r"[+-]?\d*,\d+|[+-]?\d+,").astype(bool)
    text = text.mask(comma, text.str.replace(",", ".", regex=False))
    values = pd.to_numeric(text, errors="coerce").astype(float)
    values = values.where(np.isfinite(values))
    return values if column.kind == "number" else values.where(values == np.round(values))


#: A date with slashes and the year last; countries differ over which of the first two is the day.
_SLASHED = re.compile(r"(\d{1,2})/(\d{1,2})/(\d{4})(?=[ T]|$)")


def _moments(text: pd.Series) -> pd.Series:
    """Clock times: ISO; with dots, the day first; with slashes, where the column settles which is the day."""
    zoned = text.str.contains(r"(?:[Zz]|[+-]\d\d:?\d\d)$", regex=True) & text.str.contains(":", regex=False)
    text = text.where(~zoned, "")
    text = _reordered(text, re.compile(r"^(\d{1,2})\.(\d{1,2})\.(\d{4})(?=[ T]|$)"), (3, 2, 1))
    text = _reordered(text, re.compile(r"^(\d{4})/(\d{1,2})/(\d{1,2})(?=[ T]|$)"), (1, 2, 3))
    slashed = text.str.extract(_SLASHED).dropna().astype(int)
    day_first, month_first = bool((slashed[0] > 12).any()), bool((slashed[1] > 12).any())
    if day_first != month_first:
        text = _reordered(text, _SLASHED, (3, 2, 1) if day_first else (3, 1, 2))
    # one digit for the hour is common outside ISO
    text = text.str.replace(r"^(\d{4}-\d\d-\d\d)[ T]+(\d:\d\d)", r"\1T0\2", regex=True)
    text = text.where(text.str.match(r"\d{4}-\d\d-\d\d"), "")
    values = pd.to_datetime(text, format="ISO8601", errors="coerce")
    # pandas 3 reads years that do not fit into nanoseconds
    return values.where((values.dt.year > 1700) & (values.dt.year < 2200)).astype("datetime64[ns]")


def _reordered(text: pd.Series, pattern: re.Pattern[str], order: tuple[int, int, int]) -> pd.Series:
    """Dates of a pattern rewritten as ISO; `order` says which of its groups are year, month and day."""
    year, month, day = order
    return text.str.replace(
        pattern, lambda found: f"{found[year]}-{found[month]:0>2}-{found[day]:0>2}", regex=True
    )
