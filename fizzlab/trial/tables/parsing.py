"""From text cells to typed columns, with a `Problem` for every cell that cannot be used."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from fizzlab.errors import Problem, nearest
from fizzlab.measures import LEAVE_OUT, NOTE, Column
from fizzlab.trial.tables.reading import RawTable

#: Bad cells of one column that are spelled out; the rest are counted, so one slip does not bury others.
SHOWN_PER_COLUMN = 5

_EARLIEST, _LATEST = pd.Timestamp("2000-01-01"), pd.Timestamp("2100-01-01")


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
    >>> columns = [Column("run", "text", "the batch"), Column("hours", "number", "hours since making")]
    >>> cells = pd.DataFrame({"run": ["A"], "hours": ["2,5"]}, index=[2])
    >>> table, problems = parse(RawTable("weighings.csv", cells), columns)
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
    kept, found = _with_readings(cells[~out], planned, where, columns)
    problems.extend(found)
    typed: dict[str, pd.Series] = {}
    for column in columns:
        if column.name in cells.columns:
            typed[column.name], found = _typed(kept[column.name].str.strip(), column, where)
            problems.extend(shortened(found))
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


def unread(raw: RawTable, planned: Sequence[str]) -> bool:
    """Is it a sheet that was prepared and in which no reading stands yet?"""
    kept, _ = _with_readings(raw.cells, planned, raw.where)
    return kept.empty


def _with_readings(
    cells: pd.DataFrame, planned: Sequence[str], where: str, columns: Sequence[Column] = ()
) -> tuple[pd.DataFrame, list[Problem]]:
    """Pass over the rows that a prepared sheet holds but nobody has filled in yet."""
    readings = [name for name in cells.columns if name not in planned]
    if not planned or not readings:
        return cells, []
    blank = (cells[readings].apply(lambda column: column.str.strip()) == "").all(axis=1)
    if not blank.any():
        return cells, []
    missed = blank & ~_after_the_end(cells, columns)
    if not missed.any():
        return cells[~blank], []
    rows = [str(row) for row in cells.index[missed]]
    named = ", ".join(rows[:8]) + (f" and {len(rows) - 8} more" if len(rows) > 8 else "")
    what = f"{'row' if len(rows) == 1 else 'rows'} {named}: no reading, passed over."
    return cells[~blank], [Problem(where, what, "Fill it in if it was read.", weight="doubt")]


def _after_the_end(cells: pd.DataFrame, columns: Sequence[Column]) -> pd.Series:
    """Which rows stand after the last reading that their piece needed."""
    after = pd.Series(False, index=cells.index)
    if not {"run", "piece"} <= set(cells.columns):
        return after
    for column in columns:
        if column.ends and column.name in cells.columns:
            ended = _values(cells[column.name].str.strip(), column).fillna(False).astype(int)
            piece = [cells[name].str.strip().str.casefold() for name in ("run", "piece")]
            after |= ended.groupby(piece).cummax().astype(bool)
    return after


_EMPTY: dict[str, object] = {
    "text": "",
    "number": np.nan,
    "whole": np.nan,
    "yes_no": pd.NA,
    "moment": pd.NaT,
}


def shortened(found: list[Problem]) -> list[Problem]:
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
    if column.clock:
        for row in text.index[values.notna() & ~text.str.contains(":", regex=False)]:
            bad[row] = (f"“{text[row]}” has no time of day.", "Write it as 2026-01-31T08:30.")
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
