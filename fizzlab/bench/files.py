"""The files that a trial's tables stand in: read as the trial's loader does, and rows changed in one step."""

from __future__ import annotations

import csv
import io
import time
import zipfile
from collections.abc import Mapping, Sequence
from copy import copy
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pandas as pd

from fizzlab.bench.workbook import fill_cell
from fizzlab.errors import BadInput, FizzlabError, Problem
from fizzlab.measures import BLIND, LEAVE_OUT, NOTE, PIECE, RUN, Kind, TableSpec
from fizzlab.trial.folder import WORKBOOK
from fizzlab.trial.journal import Cells, Change
from fizzlab.trial.placing import write_whole
from fizzlab.trial.tables import RawTable, guarded, read_csv, read_sheets, separator_of
from fizzlab.trial.workbook import open_in

_MARK = b"\xef\xbb\xbf"  # the byte-order mark that some spreadsheets put first

#: Parts of a workbook whose loss on saving costs nobody anything.
_IDLE_PARTS = frozenset(
    ("xl/printerSettings", "xl/calcChain.xml", "xl/sharedStrings.xml", "docProps", "customXml", "xl/persons")
)

Kinds = Mapping[str, Kind]
_Signature = tuple[int, int, int]


class FileBusy(FizzlabError):
    """The file cannot be written now; what was logged waits in the journal."""


class Held:
    """A table as it stands in its file: rows of text cells by spreadsheet row, looked up by their batch.

    It is changed where a row is, never gone through as a whole: a press costs the same in a long table.
    """

    def __init__(self, raw: RawTable, spec: TableSpec) -> None:
        self.where, self.comma, self.header = raw.where, raw.comma, list(raw.cells.columns)
        self.rows: dict[int, Cells] = {}
        self._own: dict[str, set[int]] = {}
        # of what must be alike in the whole table (names, the way of measuring): the first row of each
        self._alike = {
            column.name: column.kind == "text"
            for column in spec.columns
            if column.name not in (RUN.name, BLIND.name, PIECE.name, NOTE.name)
            and (column.kind == "text" or not column.required)
        }
        self._first: dict[tuple[str, str], int] = {}
        rows: dict[Any, Any] = raw.cells.to_dict("index")
        for row, cells in rows.items():
            self._set(int(row), cells)

    @property
    def end(self) -> int:
        """The last row; the first is the header."""
        return max(self.rows, default=1)

    def of(self, *names: str) -> dict[int, Cells]:
        """The rows of a batch, by its name or its code."""
        own = set().union(*(self._own.get(name.strip().casefold(), ()) for name in names))
        return {row: self.rows[row] for row in sorted(own)}

    def with_firsts(self, rows: Mapping[int, Cells]) -> dict[int, Cells]:
        """These rows, with the first of each name and column that must be alike throughout."""
        firsts = {row: self.rows[row] for row in self._first.values() if row in self.rows}
        return dict(sorted({**firsts, **rows}.items()))

    def change(self, changes: Sequence[Change]) -> None:
        """Change rows, and add the columns that are lacking."""
        self.header += new_columns(self.header, changes)
        for change in changes:
            self._set(change.row, change.after)

    def _set(self, row: int, cells: Cells | None) -> None:
        for own in _names(self.rows.pop(row, {})):
            self._own[own].discard(row)
        if cells is None:
            return
        self.rows[row] = cells
        for own in _names(cells):
            self._own.setdefault(own, set()).add(row)
        for name, text in self._alike.items():
            if cells.get(name, "").strip():
                self._first.setdefault((name, cells[name] if text else ""), row)

    def copy(self) -> Held:
        """Another of the same rows, to be changed by itself."""
        other = copy(self)
        other.header, other.rows, other._first = [*self.header], dict(self.rows), dict(self._first)
        other._own = {name: set(rows) for name, rows in self._own.items()}
        return other

    def raw(self, rows: Mapping[int, Cells] | None = None) -> RawTable:
        """All rows, or some, as a table to be read."""
        kept = dict(sorted(self.rows.items())) if rows is None else rows
        names = [*self.header, *new_columns(self.header, [Change(0, None, cells) for cells in kept.values()])]
        cells = [[row.get(name, "") for name in names] for row in kept.values()]
        index = pd.Index(list(kept), name="row")
        return RawTable(self.where, pd.DataFrame(cells, index, names, dtype=object), self.comma)


def _names(cells: Cells) -> set[str]:
    return {cells.get(name, "").strip().casefold() for name in (RUN.name, BLIND.name)} - {""}


class Files:
    """The tables of a folder: each a CSV file, which its first reading makes, or a sheet of the workbook."""

    def __init__(self, folder: Path, specs: Mapping[str, TableSpec]) -> None:
        self.folder, self.specs, self.book = folder, specs, folder / WORKBOOK
        self._read: dict[Path, tuple[_Signature, dict[str, Held]]] = {}
        self._csv: dict[Path, tuple[_Signature, _Csv]] = {}
        #: How long the last writing of a table took, in seconds.
        self.cost: dict[str, float] = {}

    def path(self, name: str) -> Path:
        """The file that a table stands in, or would; BadInput where it stands in two."""
        files = [path for path in sorted(self.folder.glob("*.csv")) if path.stem.casefold() == name]
        sheet = self._tables(self.book).get(name)
        if files and sheet is not None and sheet.rows:
            what = f"the same table also stands in {WORKBOOK}, sheet {name}."
            raise BadInput([Problem(files[0].name, what, "Keep one of the two and take the other away.")])
        return (files or [self.folder / f"{name}.csv" if sheet is None else self.book])[0]

    def read(self, name: str) -> Held:
        """The table as it stands."""
        path = self.path(name)
        found = self._tables(path)
        if name in found:
            return found[name]
        columns = [column.name for column in self.specs[name].columns]
        return Held(RawTable(path.name, pd.DataFrame(columns=columns, dtype=object)), self.specs[name])

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
            held = {name: Held(raw, self.specs[name]) for name, raw in tables.items() if name in self.specs}
            self._read[path] = (now, held)
        return self._read[path][1]

    def write(self, name: str, changes: Sequence[Change], kinds: Kinds) -> None:
        """Change rows, or raise FileBusy: it is open in a spreadsheet program, or the computer refuses."""
        began, path, held = time.monotonic(), self.path(name), self.read(name)
        lock = open_in(path)
        if lock is not None:
            what = f"{path.name} is open in a spreadsheet. Close it there;"
            raise FileBusy(f"{what} if it is not open, delete {lock.name}.")
        added = new_columns(held.header, changes)
        header = ",".join(column.name for column in self.specs[name].columns).encode() + b"\n"
        before, known = _signature(path), self._csv.pop(path, None)
        try:
            if path == self.book:
                data = _edited_sheet(path, name, changes, added, kinds)
            else:
                if known is None or known[0] != before:
                    known = before or (0, 0, 0), _Csv(path.read_bytes() if before else header, kinds)
                data = known[1].edited(changes, added)
            if data == header:  # a table without a row would be refused when the trial is read
                path.unlink(missing_ok=True)
            else:
                write_whole(path, data)
        except OSError as error:
            raise FileBusy(
                f"the computer does not let {path.name} be changed ({error.strerror or error}). "
                "If it is open in another program, close it there."
            ) from None
        now = _signature(path)
        if now is not None:
            held.change(changes)
            self._read[path] = (now, {**self._read.get(path, (now, {}))[1], name: held})
            if known is not None:
                self._csv[path] = (now, known[1])
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
    formulas = [cell.coordinate for row in sheet.iter_rows() for cell in row if cell.data_type == "f"]
    if formulas:
        raise FileBusy(
            f"{path.name}, sheet {sheet.title}: cell {formulas[0]} holds a formula, whose value would "
            "be lost. Put its value in its place (copy, paste the values only) and save the workbook."
        )
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
        raise FileBusy(
            f"{path.name} holds something that would be lost by writing into it "
            f"({', '.join(sorted(lost))}). Move drawings, buttons and the like into another workbook."
        )
    return out.getvalue()


class _Csv:
    """A CSV file of which some rows are changed and columns added; every other cell stays as it was written.

    Each record is kept as its line too, so that a change of one does not write the others again.

    >>> change = Change(3, None, {"run": "B", "hours": "2.5"})
    >>> _Csv(b"run;hours\\r\\nA;1,5\\r\\n", {"hours": "number"}).edited([change], [])
    b'run;hours\\r\\nA;1,5\\r\\nB;2,5\\r\\n'
    """

    def __init__(self, data: bytes, kinds: Kinds) -> None:
        text = data.decode("utf-8-sig")
        self._mark, separator = _MARK if data.startswith(_MARK) else b"", separator_of(text)
        self._records = list(csv.reader(io.StringIO(text, newline=""), delimiter=separator))
        self._header = [cell.strip().casefold() for cell in self._records[0]]
        while self._header and not self._header[-1]:
            self._header.pop()
        self._numbers = {name for name, kind in kinds.items() if kind in ("number", "whole")}
        places = [place for place, name in enumerate(self._header) if name in self._numbers]
        cells = (record[place] for record in self._records[1:] for place in places if place < len(record))
        self._comma = separator == ";" and not any("." in cell for cell in cells)
        self._written: list[str] = []
        out, end = SimpleNamespace(write=self._written.append), "\r\n" if "\r\n" in text else "\n"
        self._writer = csv.writer(out, delimiter=separator, lineterminator=end)
        self._writer.writerows(self._records)

    def edited(self, changes: Sequence[Change], added: Sequence[str]) -> bytes:
        """What the file is to hold after changes."""
        records, header = self._records, self._header
        records[0][len(header) :] = added
        header += added
        touched = {0} if added else set()
        for change in changes:
            touched |= {*range(len(records), change.row), change.row - 1}
            records += [[] for _ in range(change.row - len(records))]
            record = records[change.row - 1]
            record += [""] * (len(header) - len(record))
            for name, new in _new_cells(change, header):
                comma = self._comma and name in self._numbers
                record[header.index(name)] = new.replace(".", ",") if comma else guarded(new)
            if change.after is None and change.row == len(records):
                records.pop()
        lines, whole = self._written, len(records)
        lines += [""] * (whole - len(lines))
        del lines[whole:]
        for row in sorted(row for row in touched if row < whole):
            self._writer.writerow(records[row])
            lines[row] = lines.pop()
        return self._mark + "".join(lines).encode()
