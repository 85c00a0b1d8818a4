"""The columns of each table, reading them from CSV or a workbook, and the checks that need one row only.

A table goes through two steps. `read_csv` and `read_sheets` turn bytes into a `RawTable` of text cells, each
with the row number that a spreadsheet would show. `parse` turns that into a `Table` of typed columns,
collecting a `Problem` for every cell that cannot be used.
"""

from __future__ import annotations

import csv
import datetime as dt
import io
import re
import zipfile
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

import numpy as np
import pandas as pd

from fizzlab.problems import Problem, nearest

Kind = Literal["text", "number", "whole", "yes_no", "moment"]

#: Bad cells of one column that are spelled out; the rest are counted, so one slip does not bury others.
SHOWN_PER_COLUMN = 5

#: A workbook that unpacks to more than this is refused: no hand-kept notebook is so large.
WORKBOOK_BYTES = 200 * 1024 * 1024

_EARLIEST, _LATEST = pd.Timestamp("2000-01-01"), pd.Timestamp("2100-01-01")


@dataclass(frozen=True)
class Column:
    """One column of a table: its name (with the unit in it), what may stand there, and what it means.

    Parameters
    ----------
    name : str
    kind : {"text", "number", "whole", "yes_no", "moment"}
        A moment is a date and time of the workshop's clock: ``2026-01-31T08:30`` (ISO),
        ``2026/01/31 08:30``, or with dots and the day first, ``31.01.2026 08:30``.
    meaning : str
        In plain words, for error sentences, the workbook and the docs.
    required : bool
        Must the column be there and filled in every row?
    low, high : float or None
        Values outside are refused. With `above_low`, `low` itself is refused too.
    also : mapping of str to bool
        Words in small letters that a yes_no column takes besides those that every one takes.
    suffix : str
        What may stand after a number, as it does in the exports of some loggers.
    """

    name: str
    kind: Kind
    meaning: str
    required: bool = True
    low: float | None = None
    high: float | None = None
    above_low: bool = False
    also: Mapping[str, bool] = field(default_factory=dict, hash=False)
    suffix: str = ""


@dataclass(frozen=True)
class TableSpec:
    """A table of the trial folder.

    Parameters
    ----------
    name : str
        File name without ``.csv``, and sheet name.
    meaning : str
    columns : tuple of Column
    key : tuple of str
        Columns that together may not repeat.
    series, time : tuple of str, str
        Within each `series`, `time` must not run backwards from row to row.
    planned : tuple of str
        Columns that a sheet prepared beforehand fills in; a row with nothing else in it has no reading
        yet, and is passed over with a doubt.
    """

    name: str
    meaning: str
    columns: tuple[Column, ...]
    key: tuple[str, ...] = ()
    series: tuple[str, ...] = ()
    time: str = ""
    planned: tuple[str, ...] = ()


RUN = Column("run", "text", "the batch, as named in runs")
PIECE = Column("piece", "text", "the piece within its batch")
NOTE = Column("note", "text", "anything worth remembering", required=False)
HOURS = Column("hours", "number", "hours since the batch was made", low=0, high=2000)
CHECKED_AT = Column("checked_at", "moment", "date and time of the check, instead of hours", required=False)
DRY = Column("dry", "yes_no", "dry to the touch?", also={"d": True, "dry": True, "w": False, "wet": False})
BLIND = Column("blind", "text", "the code on the tray, instead of run", required=False)
LEAVE_OUT = Column("leave_out", "text", "a reason for leaving this row out of the analysis", required=False)
WATER_C = Column("water_c", "number", "bath water temperature in °C", low=0, high=60)
MASS_G = Column("mass_g", "number", "mass in grams", low=0, high=20000, above_low=True)

#: The ways to say how much fizz a stored piece had left, one of them for a whole shelf: name, meaning, most.
SHELF_MEASURES = (
    ("gas_g", "grams of gas that came (loss of the cup on the scale)", 2000.0),
    ("share_left", "share of the fresh fizz, 1 for a fresh piece", 2.0),
    ("seconds", "seconds of fizz", 36000.0),
)

SPECS: dict[str, TableSpec] = {
    spec.name: spec
    for spec in (
        TableSpec(
            "runs",
            "one row a batch, in the order of making",
            (
                RUN,
                Column("day", "text", "day of making; batches of one day share the room's air"),
                Column("blind", "text", "code that hides the recipe from whoever scores", required=False),
                Column("made_at", "moment", "date and time of pressing", required=False),
                Column("sprays", "whole", "extra sprays of alcohol", required=False, low=0, high=100),
                NOTE,
            ),
            key=("run",),
        ),
        TableSpec(
            "touch_checks",
            "was the piece dry when touched?",
            (RUN, PIECE, HOURS, DRY, NOTE),
            key=("run", "piece", "hours"),
            series=("run", "piece"),
            time="hours",
            planned=("run", "piece", "hours"),
        ),
        TableSpec(
            "weighings",
            "mass of a piece as it dries",
            (RUN, PIECE, HOURS, MASS_G, NOTE),
            key=("run", "piece", "hours"),
            series=("run", "piece"),
            time="hours",
            planned=("run", "piece", "hours"),
        ),
        TableSpec(
            "tumbles",
            "mass before and after tumbling",
            (
                RUN,
                Column("pieces", "whole", "pieces tumbled together", low=1, high=1000),
                Column(
                    "before_g", "number", "mass before tumbling in grams", low=0, high=20000, above_low=True
                ),
                Column("after_g", "number", "mass after tumbling in grams", low=0, high=20000),
                Column("broken", "whole", "pieces that broke", required=False, low=0, high=1000),
                NOTE,
            ),
            planned=("run", "pieces"),
        ),
        TableSpec(
            "drops",
            "pieces dropped from a height",
            (
                RUN,
                PIECE,
                Column("height_cm", "number", "drop height in cm", low=0, high=1000, above_low=True),
                Column("broke", "yes_no", "did it break?"),
                Column(
                    "order", "whole", "place in the sequence of drops", required=False, low=1, high=100000
                ),
                NOTE,
            ),
        ),
        TableSpec(
            "crumble_scores",
            "how far a piece crumbles, 0 (holds whole) to 4 (falls to powder)",
            (
                RUN,
                PIECE,
                Column("rater", "text", "who scored"),
                Column("score", "whole", "0 holds whole, 4 falls to powder", low=0, high=4),
                NOTE,
            ),
            key=("run", "piece", "rater"),
            planned=("run", "blind", "piece", "rater"),
        ),
        TableSpec(
            "fizz_times",
            "how long a piece fizzes, by stopwatch",
            (
                RUN,
                PIECE,
                WATER_C,
                Column("seconds", "number", "seconds watched", low=0, high=36000, above_low=True),
                Column("done", "yes_no", "had it finished?"),
                Column("colour_s", "number", "seconds to first colour", required=False, low=0, high=36000),
                NOTE,
            ),
            key=("run", "piece"),
            planned=("run", "piece", "water_c"),
        ),
        TableSpec(
            "fizz_curves",
            "mass of cup, water and piece together as the gas leaves",
            (
                RUN,
                PIECE,
                WATER_C,
                Column("seconds", "number", "seconds since the piece went in", low=0, high=36000),
                MASS_G,
                NOTE,
            ),
            key=("run", "piece", "seconds"),
            series=("run", "piece"),
            time="seconds",
            planned=("run", "piece", "water_c", "seconds"),
        ),
        TableSpec(
            "shelf",
            "how much fizz is left after weeks of storage",
            (
                RUN,
                PIECE,
                Column("weeks", "number", "weeks in storage; 0 for a fresh piece", low=0, high=520),
                Column(
                    "rh_pct",
                    "number",
                    "relative humidity of the storage in per cent",
                    required=False,
                    low=0,
                    high=100,
                    suffix="%",
                ),
                *(
                    Column(name, "number", meaning, required=False, low=0, high=high, above_low=True)
                    for name, meaning, high in SHELF_MEASURES
                ),
                NOTE,
            ),
            key=("run", "piece", "weeks"),
            planned=("run", "piece", "weeks", "rh_pct"),
        ),
        TableSpec(
            "room_log",
            "thermo-hygrometer readings of the drying room",
            (
                Column("time", "moment", "date and time of the reading"),
                Column("temp_c", "number", "air temperature in °C", low=-20, high=60),
                Column("rh_pct", "number", "relative humidity in per cent", low=0, high=100, suffix="%"),
            ),
        ),
    )
}


@dataclass(frozen=True)
class RawTable:
    """Text cells as they stood in the file; the index is the row as a spreadsheet numbers it."""

    where: str
    cells: pd.DataFrame


@dataclass(frozen=True)
class Table:
    """A checked table.

    Parameters
    ----------
    where : str
        The file, or the workbook and sheet, it came from.
    rows : DataFrame
        Typed columns of the rows to analyse, indexed by spreadsheet row. Missing optional cells are
        NaN, NaT or an empty text.
    left_out : DataFrame
        The rows that carry a `leave_out` reason, as text, with the same index.
    """

    where: str
    rows: pd.DataFrame
    left_out: pd.DataFrame = field(default_factory=pd.DataFrame)


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
    header = text.split("\n", 1)[0]
    separator = max((",", ";", "\t"), key=header.count)
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


def parse(
    raw: RawTable, columns: Sequence[Column], planned: Sequence[str] = ()
) -> tuple[Table, list[Problem]]:
    """Turn the text cells into typed columns.

    Parameters
    ----------
    raw : RawTable
    columns : sequence of Column
        What the table may hold; `leave_out` is always allowed.
    planned : sequence of str
        Columns that a prepared sheet fills in; see `TableSpec`.

    Returns
    -------
    table : Table
        Holds every column of `columns`, present in the file or not.
    problems : list of Problem
        Holds no problem, at most doubts, when the table can be used.

    Examples
    --------
    >>> cells = pd.DataFrame({"run": ["A"], "hours": ["2,5"]}, index=[2])
    >>> table, problems = parse(RawTable("weighings.csv", cells), [RUN, HOURS])
    >>> float(table.rows.loc[2, "hours"]), problems
    (2.5, [])
    """
    where, cells = raw.where, raw.cells
    allowed = {column.name: column for column in (*columns, LEAVE_OUT)}
    problems = []
    for name in cells.columns:
        if name not in allowed:
            hint = _unknown_column(name, list(allowed), list(cells.columns))
            problems.append(Problem(where, "fizzlab knows no such column.", hint, row=1, column=name))
    for column in columns:
        if column.required and column.name not in cells.columns:
            problems.append(
                Problem(
                    where, f"the column is missing ({column.meaning}).", "Add it.", row=1, column=column.name
                )
            )
    out = pd.Series(False, index=cells.index)
    if "leave_out" in cells.columns:
        out = cells["leave_out"].str.strip() != ""
    kept, found = _with_readings(cells[~out], planned, where)
    problems.extend(found)
    typed: dict[str, pd.Series] = {}
    for column in columns:
        if column.name in cells.columns:
            typed[column.name], found = _typed(kept[column.name].str.strip(), column, where)
            problems.extend(_shortened(found))
        else:
            typed[column.name] = pd.Series(_EMPTY[column.kind], index=kept.index)
    rows = pd.DataFrame(typed, index=kept.index)
    if cells.empty and not problems:  # a table whose rows are all unread is no problem: it was prepared
        problems.append(Problem(where, "it has no rows.", "Fill it in, or take it out of the folder."))
    return Table(where, rows, cells[out]), problems


#: Words in the headers of loggers and own sheets, by the column that holds such a thing.
_ROLES = {
    "temp_c": ("temp", "celsius", "fahrenheit"),
    "rh_pct": ("humid", "rh"),
    "time": ("time", "date", "stamp", "clock"),
    "mass_g": ("weight", "gram"),
}


def _unknown_column(name: str, allowed: Sequence[str], present: Sequence[str]) -> str:
    """What to do about a column that the table does not hold: the name it should have, if it has one."""
    missing = [known for known in allowed if known not in present]
    words = re.findall(r"[^\W\d_]+", name)
    fits = [
        column
        for column, starts in _ROLES.items()
        if any(word.startswith(starts) for word in words) and not {"dew", "absolute"} & set(words)
    ]
    for column in fits:
        if column == "temp_c" and column in missing and {"f", "fahrenheit"} & set(words):
            return "Turn it into °C and name it temp_c."
        if column in missing:
            return f"Rename it to {column}."
        if column == "time" and column in present and "date" in words:
            return "Write the date into the column time, as in 2026-01-31T08:30, and take this one out."
    guess = nearest(name, missing)
    if guess:
        return f"Did you mean {guess}?"
    return "Take it out, or move it into the column note." if NOTE.name in allowed else "Take it out."


def _with_readings(
    cells: pd.DataFrame, planned: Sequence[str], where: str
) -> tuple[pd.DataFrame, list[Problem]]:
    """Pass over the rows that a prepared sheet holds but nobody has filled in yet."""
    readings = [name for name in cells.columns if name not in planned]
    if not planned or not readings:
        return cells, []
    blank = (cells[readings].apply(lambda column: column.str.strip()) == "").all(axis=1)
    if not blank.any():
        return cells, []
    rows = [str(row) for row in cells.index[blank]]
    named = ", ".join(rows[:8]) + (f" and {len(rows) - 8} more" if len(rows) > 8 else "")
    what = f"{'row' if len(rows) == 1 else 'rows'} {named}: no reading, passed over."
    return cells[~blank], [Problem(where, what, "Fill it in if it was read.", weight="doubt")]


_EMPTY: dict[str, object] = {
    "text": "",
    "number": np.nan,
    "whole": np.nan,
    "yes_no": pd.NA,
    "moment": pd.NaT,
}


def _shortened(found: list[Problem]) -> list[Problem]:
    """Spell out the first problems of a column and count the rest."""
    if len(found) <= SHOWN_PER_COLUMN:
        return found
    rest = found[SHOWN_PER_COLUMN:]
    first, last = rest[0], rest[-1]
    what = f"{len(rest)} more cells of this column, down to row {last.row}, cannot be used either."
    return [
        *found[:SHOWN_PER_COLUMN],
        Problem(first.where, what, "Mend those too.", row=first.row, column=first.column),
    ]


def _typed(text: pd.Series, column: Column, where: str) -> tuple[pd.Series, list[Problem]]:
    """Parse one column and list the cells that cannot be used."""
    values = _values(text, column)
    filled = text != ""
    bad: dict[int, tuple[str, str]] = {}
    for row in text.index[filled & values.isna()]:
        bad[row] = (f"“{_short(text[row])}” is not {_WANTED[column.kind]}.", _mend(text[row], column))
        if column.kind == "moment" and _SLASHED.match(text[row]):
            bad[row] = (
                f"“{_short(text[row])}” may be day or month first, and the column does not settle which.",
                "Write the date as 2026-01-31, the year first.",
            )
    if column.required:
        for row in text.index[~filled]:
            bad[row] = (
                "the cell is empty.",
                f"Fill in {column.meaning}, or give a reason in the column leave_out.",
            )
    if column.kind in ("number", "whole"):
        low = -np.inf if column.low is None else column.low
        high = np.inf if column.high is None else column.high
        outside = (values < low) | (values > high) | ((values == low) & column.above_low)
        for row in text.index[outside.fillna(False).astype(bool)]:
            bad[row] = (
                f"{text[row]} is outside what is possible here ({_range_words(column)}).",
                f"Correct it ({column.meaning}), or give a reason in the column leave_out.",
            )
    if column.kind == "moment":
        for row in text.index[((values < _EARLIEST) | (values > _LATEST)).astype(bool)]:
            bad[row] = (f"the year of “{text[row]}” cannot be right.", "Write it as 2026-01-31T08:30.")
    problems = [Problem(where, *bad[row], row=int(row), column=column.name) for row in sorted(bad)]
    return values, problems


_WANTED = {
    "number": "a number",
    "whole": "a whole number",
    "yes_no": "yes or no",
    "moment": "a date and time",
    "text": "a text",
}


def _values(text: pd.Series, column: Column) -> pd.Series:
    """The cells as the column's kind; missing where they cannot be read."""
    if column.kind == "yes_no":
        return text.str.casefold().map({**_YES_NO, **column.also}).astype("boolean")
    if column.suffix:
        text = text.str.removesuffix(column.suffix).str.rstrip()
    return _PARSERS[column.kind](text)


def _short(text: str) -> str:
    return text if len(text) <= 30 else text[:29] + "…"


def _mend(text: str, column: Column) -> str:
    if column.kind == "moment" and re.fullmatch(r"\d{1,2}:\d\d(:\d\d)?", text):
        return "Add the date, as in 2026-01-31T08:30."
    if column.kind == "moment":
        return "Write the workshop's clock time as 2026-01-31T08:30, with no time zone."
    if column.kind == "yes_no":
        return "Write yes or no."
    if ":" in text and column.name == "hours":
        return "Write hours as a number, 1.5 for an hour and a half."
    if "," in text and "." in text:
        return "Write it without a thousands separator."
    if text.startswith("#"):
        return "Mend the formula in the spreadsheet."
    return "Write the number alone, without unit or words."


def _range_words(column: Column) -> str:
    low, high = column.low, column.high
    if low is not None and high is not None:
        return f"{'above ' if column.above_low else ''}{low:g} to {high:g}"
    if low is not None:
        return f"{'more than' if column.above_low else 'at least'} {low:g}"
    return f"at most {high:g}"


def _parse_text(text: pd.Series) -> pd.Series:
    return text


def _parse_number(text: pd.Series) -> pd.Series:
    values = pd.to_numeric(text, errors="coerce").astype(float)
    odd = text.index[values.isna() & (text != "")]
    if len(odd):
        comma = text[odd].str.fullmatch(r"[+-]?\d*,\d+|[+-]?\d+,")
        swapped = text[odd][comma].str.replace(",", ".", regex=False)
        values.loc[swapped.index] = pd.to_numeric(swapped, errors="coerce")
    return values.where(np.isfinite(values))


def _parse_whole(text: pd.Series) -> pd.Series:
    values = _parse_number(text)
    return values.where(values == np.round(values))


_YES_NO = {
    "yes": True,
    "y": True,
    "true": True,
    "1": True,
    "x": True,
    "no": False,
    "n": False,
    "false": False,
    "0": False,
}


#: A date with slashes and the year last; countries differ over which of the first two is the day.
_SLASHED = re.compile(r"(\d{1,2})/(\d{1,2})/(\d{4})(?=[ T]|$)")


def _parse_moment(text: pd.Series) -> pd.Series:
    zoned = text.str.contains(r"(?:[Zz]|[+-]\d\d:?\d\d)$", regex=True) & text.str.contains(":", regex=False)
    plain = _year_first(text.where(~zoned, ""))
    plain = plain.where(plain.str.match(r"\d{4}-\d\d-\d\d"), "")
    values = pd.to_datetime(plain, format="ISO8601", errors="coerce")
    return values.astype("datetime64[ns]")


def _year_first(text: pd.Series) -> pd.Series:
    """Dates with dots (day first) and with slashes rewritten as ISO, where they can be told."""
    text = text.str.replace(
        r"^(\d{1,2})\.(\d{1,2})\.(\d{4})(?=[ T]|$)",
        lambda found: f"{found[3]}-{found[2]:0>2}-{found[1]:0>2}",
        regex=True,
    )
    text = text.str.replace(
        r"^(\d{4})/(\d{1,2})/(\d{1,2})(?=[ T]|$)",
        lambda found: f"{found[1]}-{found[2]:0>2}-{found[3]:0>2}",
        regex=True,
    )
    slashed = text.str.extract(_SLASHED).dropna().astype(int)
    day_first, month_first = bool((slashed[0] > 12).any()), bool((slashed[1] > 12).any())
    if day_first != month_first:
        day, month = (1, 2) if day_first else (2, 1)
        text = text.str.replace(
            _SLASHED, lambda found: f"{found[3]}-{found[month]:0>2}-{found[day]:0>2}", regex=True
        )
    # one digit for the hour is common outside ISO
    return text.str.replace(r"^(\d{4}-\d\d-\d\d)[ T]+(\d:\d\d)", r"\1T0\2", regex=True)


_PARSERS: dict[str, Callable[[pd.Series], pd.Series]] = {
    "text": _parse_text,
    "number": _parse_number,
    "whole": _parse_whole,
    "moment": _parse_moment,
}
