"""The files that a trial's tables stand in: read as the trial's loader does, and rows changed in one step."""

from __future__ import annotations

import csv
import fnmatch
import io
import os
import time
import zipfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import islice, pairwise
from pathlib import Path
from typing import Any

import pandas as pd

from fizzlab.bench.workbook import fill_cell
from fizzlab.errors import BadInput, FizzlabError, refuse
from fizzlab.language import say
from fizzlab.measures import BLIND, LEAVE_OUT, RUN, Kind, TableSpec
from fizzlab.trial.folder import WORKBOOK
from fizzlab.trial.journal import Cells, Change
from fizzlab.trial.opening import open_in
from fizzlab.trial.placing import write_whole
from fizzlab.trial.tables import RawTable, guarded, only_shown, read_csv, read_sheets, separator_of

#: Parts of a workbook whose loss on saving costs nobody anything.
_IDLE_PARTS = frozenset(
    ("xl/printerSettings", "xl/calcChain.xml", "xl/sharedStrings.xml", "docProps", "customXml", "xl/persons")
)

Kinds = Mapping[str, Kind]
_Signature = tuple[int, int, int]


class FileBusy(FizzlabError):
    """The file cannot be written now; what was logged waits in the journal."""


@dataclass(frozen=True)
class Held:
    """A table as it stands: rows of text cells by spreadsheet row, and which are of a batch, by name or code.

    Of a CSV file that was written into also the text of its records: then a long one is not read again.
    """

    where: str
    comma: bool
    header: list[str]
    rows: dict[int, Cells] = field(default_factory=dict)
    own: dict[str, frozenset[int]] = field(default_factory=dict)
    records: list[str] | None = None

    @classmethod
    def read(cls, raw: RawTable) -> Held:
        """The raw table."""
        rows: dict[Any, Any] = raw.cells.to_dict("index")
        changes = [Change(int(row), None, cells) for row, cells in rows.items()]
        return cls(raw.where, raw.comma, list(raw.cells.columns)).after(changes)

    def raw(self, rows: Mapping[int, Cells] | None = None) -> RawTable:
        """All rows, or some, as a table to be read."""
        kept = dict(sorted((self.rows if rows is None else rows).items()))
        cells = [[row.get(name, "") for name in self.header] for row in kept.values()]
        index = pd.Index(list(kept), name="row")
        return RawTable(self.where, pd.DataFrame(cells, index, self.header, dtype=object), self.comma)

    def of(self, *names: str) -> dict[int, Cells]:
        """The rows of a batch, by its name or its code."""
        own = frozenset[int]().union(*(self.own.get(name.strip().casefold(), ()) for name in names))
        return {row: self.rows[row] for row in sorted(own)}

    def after(self, changes: Sequence[Change]) -> Held:
        """The table after changes, with the columns that they add."""
        rows, own = dict(self.rows), dict(self.own)
        for row, _, cells in changes:
            for name in _named(rows.get(row)):
                own[name] -= {row}
            for name in _named(cells):
                own[name] = own.get(name, frozenset()) | {row}
            rows[row] = cells or {}
            if cells is None:
                del rows[row]
        return replace(self, header=[*self.header, *new_columns(self.header, changes)], rows=rows, own=own)


def _named(cells: Cells | None) -> set[str]:
    return {(cells or {}).get(name, "").strip().casefold() for name in (RUN.name, BLIND.name)} - {""}


class Files:
    """The tables of a folder: each a CSV file, which its first reading makes, or a sheet of the workbook."""

    def __init__(self, folder: Path, specs: Mapping[str, TableSpec]) -> None:
        self.folder, self.specs, self.book = folder, specs, folder / WORKBOOK
        self._read: dict[Path, tuple[_Signature, dict[str, Held]]] = {}
        self.cost: dict[str, float] = {}  #: seconds that the last writing of a table took

    def path(self, name: str) -> Path:
        """The file that a table stands in, or would; BadInput where it stands in two."""
        tables = fnmatch.filter(sorted(os.listdir(self.folder)), "*.csv")
        files = [path for path in map(self.folder.joinpath, tables) if path.stem.casefold() == name]
        sheet = self._tables(self.book).get(name)
        if files and sheet is not None and sheet.rows:
            raise refuse("table_twice", files[0].name, book=WORKBOOK, sheet=name)
        return (files or [self.folder / f"{name}.csv" if sheet is None else self.book])[0]

    def read(self, name: str) -> Held:
        """The table as it stands."""
        path = self.path(name)
        found = self._tables(path)
        if name in found:
            return found[name]
        return Held(path.name, False, [column.name for column in self.specs[name].columns])

    def _tables(self, path: Path) -> dict[str, Held]:
        """The tables of one file; read again only if it was changed by somebody else."""
        now = _signature(path)
        if now is None:
            return {}
        if path not in self._read or self._read[path][0] != now:
            if path == self.book:
                tables, _, problems = read_sheets(path, list(self.specs))
            else:
                raw, problems = read_csv(path)
                tables = {} if raw is None else {path.stem.casefold(): raw}
            if problems:
                raise BadInput(problems)
            self._read[path] = (now, {name: Held.read(raw) for name, raw in tables.items()})
        return self._read[path][1]

    def write(self, name: str, changes: Sequence[Change], kinds: Kinds) -> None:
        """Change rows, or raise FileBusy: it is open in a spreadsheet program, or the computer refuses."""
        began, path, held = time.monotonic(), self.path(name), self.read(name)
        lock = open_in(path)
        if lock is not None:
            raise FileBusy(say("busy_open", name=path.name, lock=lock.name))
        header = ",".join(column.name for column in self.specs[name].columns) + "\n"
        after, added = held.after(changes), new_columns(held.header, changes)
        try:
            if path == self.book:
                data = _edited_sheet(path, name, changes, added, kinds)
            else:
                text = path.read_bytes().decode() if held.records is None and path.exists() else header
                records = _edited_csv(held, held.records or _records(text), changes, added, kinds)
                after, data = replace(after, records=records), "".join(records).encode()
            if data == header.encode():  # a table without a row would be refused when the trial is read
                path.unlink(missing_ok=True)
            else:
                write_whole(path, data)
        except OSError as error:
            raise FileBusy(say("busy_refused", name=path.name, error=error.strerror or error)) from None
        now = _signature(path)
        if now is not None:
            self._read[path] = (now, {**self._read.get(path, (now, {}))[1], name: after})
        self.cost[name] = time.monotonic() - began


def new_columns(header: Sequence[str], changes: Sequence[Change]) -> list[str]:
    """Columns in which something is to stand and that the header lacks."""
    wanted = {name for change in changes for name, text in (change.after or {}).items() if text.strip()}
    return sorted(wanted - set(header), key=lambda name: (name == LEAVE_OUT.name, name))


def _new_cells(change: Change, names: Sequence[str]) -> list[tuple[str, str]]:
    """Column and text of each cell that changes; the others keep their bytes and their looks."""
    before, new = change.before or {}, change.after or {}
    return [(name, new.get(name, "")) for name in names if new.get(name, "") != before.get(name, "")]


def _signature(path: Path) -> _Signature | None:
    try:
        seen = path.stat()
    except FileNotFoundError:
        return None
    return seen.st_mtime_ns, seen.st_size, seen.st_ino


def _parts(archive: Path | io.BytesIO) -> set[str]:
    """What a workbook is made of: files, where they come in numbers their folder."""
    with zipfile.ZipFile(archive) as opened:
        names = [name for name in opened.namelist() if not name.endswith((".rels", "/"))]
    return {
        name.rpartition("/")[0] if name.rpartition("/")[0] not in ("xl", "") else name
        for name in names
        if name != "[Content_Types].xml" and not name.startswith("docProps/")
    }


def _edited_sheet(
    path: Path, name: str, changes: Sequence[Change], added: Sequence[str], kinds: Kinds
) -> bytes:
    """The workbook with some rows of one sheet changed; FileBusy where that would lose something."""
    import openpyxl

    with path.open("rb") as file:
        book = openpyxl.load_workbook(file)
    sheet = next(sheet for sheet in book if sheet.title.strip().casefold() == name)
    read = [column for column in sheet.iter_cols() if not only_shown(column[0].value)]
    formulas = [cell.coordinate for column in read for cell in column if cell.data_type == "f"]
    if formulas:
        where = say("at_sheet", book=path.name, sheet=sheet.title)
        raise FileBusy(say("busy_formula", where=where, cell=formulas[0]))
    columns = {str(cell.value).strip().casefold(): cell.column for cell in sheet[1] if cell.value is not None}
    for column in added:
        columns[column] = max(columns.values()) + 1
        sheet.cell(row=1, column=columns[column], value=column)
    for change in changes:
        for column, text in _new_cells(change, list(columns)):
            fill_cell(sheet.cell(row=change.row, column=columns[column]), text, kinds.get(column, "text"))
    for page in book:
        for cell in page[1]:
            if cell.comment is not None and cell.comment.author == "fizzlab":
                cell.comment.width, cell.comment.height = 260, 90  # openpyxl forgets the sizes
    out = io.BytesIO()
    book.save(out)
    lost = _parts(path) - _parts(out) - _IDLE_PARTS
    if lost:
        raise FileBusy(say("busy_drawings", name=path.name, lost=", ".join(sorted(lost))))
    return out.getvalue()


def _records(text: str) -> list[str]:
    """The text of each record of a CSV file, with its line end."""
    lines = list(io.StringIO(text, newline=""))
    reader = csv.reader(lines, delimiter=separator_of(text))
    return ["".join(lines[start:end]) for start, end in pairwise([0, *(reader.line_num for _ in reader)])]


def _edited_csv(
    held: Held, records: Sequence[str], changes: Sequence[Change], added: Sequence[str], kinds: Kinds
) -> list[str]:
    """The records of a CSV file with some changed and columns added; all others stay as they were written.

    >>> change = Change(3, None, {"run": "B", "hours": "2.5"})
    >>> held = Held("", True, ["run", "hours"], {2: {"run": "A", "hours": "1,5"}})
    >>> _edited_csv(held, ["run;hours\\r\\n", "A;1,5\\r\\n"], [change], [], {"hours": "number"})
    ['run;hours\\r\\n', 'A;1,5\\r\\n', 'B;2,5\\r\\n']
    """
    records, between = list(records), separator_of(records[0])
    end = "\r\n" if records[0].endswith("\r\n") else "\n"
    records[-1] = records[-1].rstrip("\r\n") + end
    numbers = {name for name, kind in kinds.items() if kind in ("number", "whole")}
    seen = (cells.get(name, "") for cells in islice(held.rows.values(), 1000) for name in numbers)
    comma = between == ";" and not any("." in text for text in seen)

    def edited(number: int, width: int, cells: Sequence[tuple[int, str]]) -> str:
        record = next(csv.reader(io.StringIO(records[number], newline=""), delimiter=between), [])
        record += [""] * (width - len(record))
        for place, text in cells:
            record[place] = text
        out = io.StringIO()
        csv.writer(out, delimiter=between, lineterminator=end).writerow(record)
        return out.getvalue()

    header = held.header + list(added)
    if added:
        records[0] = edited(0, len(header), [*enumerate(header)][-len(added) :])
    for change in changes:
        records += [end] * (change.row - len(records))
        cells = [
            (header.index(name), text.replace(".", ",") if comma and name in numbers else guarded(text))
            for name, text in _new_cells(change, header)
        ]
        records[change.row - 1] = edited(change.row - 1, len(header), cells)
        if change.after is None and change.row == len(records):
            records.pop()
    return records
