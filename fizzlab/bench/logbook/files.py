"""The file a table stands in: reading it as the door does, and changing rows of it in one step.

A changed file is written beside the old one, forced to the disk, and renamed over it: whatever stops the
computer, the file is the old one or the new one.
"""

from __future__ import annotations

import contextlib
import csv
import io
import os
import shutil
import zipfile
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import pandas as pd

from fizzlab.bench.logbook.changes import Cells, Change, Rows, changed
from fizzlab.bench.workbook import fill_cell
from fizzlab.errors import BadInput, FizzlabError, Problem
from fizzlab.measures import Kind
from fizzlab.trial.folder import WORKBOOK
from fizzlab.trial.tables import (
    LEAVE_OUT,
    TABLES,
    RawTable,
    TableSpec,
    guarded,
    read_csv,
    read_sheets,
    separator_of,
)
from fizzlab.trial.workbook import open_in

_MARK = b"\xef\xbb\xbf"  # the byte-order mark that some spreadsheets put first

#: Folders of a workbook whose loss on saving costs nobody anything.
_IDLE_PARTS = {
    "xl/printerSettings",
    "xl/calcChain.xml",
    "xl/sharedStrings.xml",
    "docProps",
    "customXml",
    "xl/persons",
}


class FileBusy(FizzlabError):
    """The file cannot be written now; what was logged waits in the journal."""


def atomically(path: Path, data: bytes) -> None:
    """Put bytes into a file in one step, and onto the disk."""
    path = path.resolve()
    beside = path.with_name(f".{path.name}.part")
    try:
        with beside.open("wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        if path.exists():
            shutil.copymode(path, beside)
        os.replace(beside, path)
    except OSError:
        with contextlib.suppress(OSError):
            beside.unlink()
        raise
    if os.name == "posix":
        handle = os.open(path.parent, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def _signature(path: Path) -> tuple[int, int, int] | None:
    try:
        seen = path.stat()
    except FileNotFoundError:
        return None
    return seen.st_mtime_ns, seen.st_size, seen.st_ino


class TableFile:
    """One table of a folder, in a file of its own or in the workbook."""

    def __init__(self, spec: TableSpec, path: Path) -> None:
        self.spec, self.path = spec, path
        self.raw = RawTable(path.name, pd.DataFrame())
        self._seen: object = ()

    @property
    def where(self) -> str:
        return self.raw.where

    def read(self) -> RawTable:
        """The table as it stands; read again only if the file was changed by somebody else.

        Raises
        ------
        BadInput
            The file cannot be read.
        """
        now = self._now()
        if now != self._seen:
            self.raw = self._load()
            self._seen = now
        return self.raw

    def rows(self) -> Rows:
        """The rows as text cells, by spreadsheet row."""
        return rows_of(self.read())

    def write(self, changes: Sequence[Change], kinds: Mapping[str, Kind]) -> None:
        """Change rows.

        Raises
        ------
        FileBusy
            It is open in a spreadsheet program, or the computer refuses; nothing was changed.
        """
        raw = self.read()
        lock = open_in(self.path)
        if lock is not None:
            raise FileBusy(
                f"{self.path.name} is open in a spreadsheet. Close it there; "
                f"if it is not open, delete {lock.name}."
            )
        added = new_columns(raw, changes)
        try:
            self._save(changes, added, kinds)
        except OSError as error:
            self._seen = ()
            raise FileBusy(
                f"the computer does not let {self.path.name} be changed ({error.strerror or error}). "
                "If it is open in another program, close it there."
            ) from None
        self.raw = after(raw, changes)
        self._seen = self._now()

    def _now(self) -> object:
        return _signature(self.path)

    def _load(self) -> RawTable:
        raise NotImplementedError

    def _save(self, changes: Sequence[Change], added: Sequence[str], kinds: Mapping[str, Kind]) -> None:
        raise NotImplementedError


class CsvTable(TableFile):
    """A table in a CSV file, or one that will get a CSV file with its first reading."""

    def _load(self) -> RawTable:
        if not self.path.exists():
            names = [column.name for column in self.spec.columns]
            return RawTable(self.path.name, pd.DataFrame(columns=names, dtype=object))
        raw, problems = read_csv(self.path)
        if raw is None:
            raise BadInput(problems)
        return raw

    def _save(self, changes: Sequence[Change], added: Sequence[str], kinds: Mapping[str, Kind]) -> None:
        fresh = (",".join(column.name for column in self.spec.columns) + "\n").encode()
        data = self.path.read_bytes() if self.path.exists() else fresh
        new = edited_csv(data, changes, added, kinds)
        if new == fresh:  # a table without a row would be refused at the door
            self.path.unlink(missing_ok=True)
        else:
            atomically(self.path, new)


def edited_csv(
    data: bytes, changes: Sequence[Change], added: Sequence[str], kinds: Mapping[str, Kind]
) -> bytes:
    """A CSV file with some rows changed and columns added; every other row stays byte for byte.

    Examples
    --------
    >>> change = Change(3, None, {"run": "B", "hours": "2.5"})
    >>> edited_csv(b"run;hours\\r\\nA;1,5\\r\\n", [change], [], {"hours": "number"})
    b'run;hours\\r\\nA;1,5\\r\\nB;2,5\\r\\n'
    """
    mark = _MARK if data.startswith(_MARK) else b""
    text = data.decode("utf-8-sig")
    separator = separator_of(text)
    end = "\r\n" if "\r\n" in text else "\n"
    physical = list(io.StringIO(text, newline=""))
    reader = csv.reader(physical, delimiter=separator)
    records, written, begin = [], [], 0
    for record in reader:
        records.append(record)
        written.append("".join(physical[begin : reader.line_num]))
        begin = reader.line_num
    header = [cell.strip().casefold() for cell in records[0]]
    while header and not header[-1]:
        header.pop()
    comma = separator == ";" and _decimal_commas(records, header, kinds)
    if added:
        records[0] = [*records[0][: len(header)], *added]
        header += added
        written[0] = _line(records[0], separator, end)
    for change in changes:
        place = change.row - 1
        while len(records) <= place:
            records.append([])
            written.append(end)
        record = list(records[place]) + [""] * (len(header) - len(records[place]))
        for column, name in enumerate(header):
            new, old = (change.after or {}).get(name, ""), (change.before or {}).get(name, "")
            if new != old:
                number = comma and kinds.get(name) in ("number", "whole")
                record[column] = new.replace(".", ",") if number else guarded(new)
        records[place] = record
        written[place] = (
            _line(record, separator, end) if change.after is not None else separator * (len(header) - 1) + end
        )
        if change.after is None and place == len(records) - 1:
            records.pop()
            written.pop()
    for place, line in enumerate(written[:-1]):
        if not line.endswith(("\n", "\r")):
            written[place] = line + end
    return mark + "".join(written).encode()


def _line(record: Sequence[str], separator: str, end: str) -> str:
    out = io.StringIO()
    csv.writer(out, delimiter=separator, lineterminator=end).writerow(record)
    return out.getvalue()


def _decimal_commas(
    records: Sequence[Sequence[str]], header: Sequence[str], kinds: Mapping[str, Kind]
) -> bool:
    places = [place for place, name in enumerate(header) if kinds.get(name) in ("number", "whole")]
    cells = [record[place] for record in records[1:] for place in places if place < len(record)]
    return not any("." in cell for cell in cells)


class Workbook:
    """The workbook of a folder, kept in memory between presses."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.tables: dict[str, RawTable] = {}
        self.seen: object = ()
        self._book: Any = None
        self._parts: set[str] = set()

    def refresh(self) -> None:
        """Read it again if somebody changed it."""
        now = _signature(self.path)
        if now == self.seen:
            return
        import openpyxl

        self.tables, _, problems = read_sheets(self.path, list(TABLES))
        if problems:
            raise BadInput(problems)
        with self.path.open("rb") as file:
            self._book = openpyxl.load_workbook(file)
        self._parts = _parts(self.path)
        self.seen = now

    def sheet(self, name: str) -> Any:
        return next(sheet for sheet in self._book if sheet.title.strip().casefold() == name)

    def save(
        self, name: str, changes: Sequence[Change], added: Sequence[str], kinds: Mapping[str, Kind]
    ) -> None:
        """Change rows of one sheet."""
        sheet = self.sheet(name)
        formula = _first_formula(sheet)
        if formula:
            raise FileBusy(
                f"{self.path.name}, sheet {sheet.title}: cell {formula} holds a formula, whose value would "
                "be lost. Put its value in its place (copy, paste the values only) and save the workbook."
            )
        self.seen = ()  # until it is on the disk, what is in memory is not the file
        header = {
            str(cell.value).strip().casefold(): cell.column for cell in sheet[1] if cell.value is not None
        }
        for column in added:
            header[column] = max(header.values()) + 1
            sheet.cell(row=1, column=header[column], value=column)
        for change in changes:
            for column, place in header.items():
                new, old = (change.after or {}).get(column, ""), (change.before or {}).get(column, "")
                if new != old:
                    fill_cell(sheet.cell(row=change.row, column=place), new, kinds.get(column, "text"))
        for cell in sheet[1]:
            if cell.comment is not None and cell.comment.author == "fizzlab":
                cell.comment.width, cell.comment.height = 260, 90  # openpyxl forgets the sizes
        out = io.BytesIO()
        self._book.save(out)
        lost = self._parts - _parts(out) - _IDLE_PARTS
        if lost:
            raise FileBusy(
                f"{self.path.name} holds something that would be lost by writing into it "
                f"({', '.join(sorted(lost))}). Move drawings, buttons and the like into another workbook."
            )
        atomically(self.path, out.getvalue())
        self.tables[name] = after(self.tables[name], changes)
        self.seen = _signature(self.path)


class SheetTable(TableFile):
    """A table in a sheet of the workbook."""

    def __init__(self, spec: TableSpec, book: Workbook) -> None:
        super().__init__(spec, book.path)
        self.book = book

    def _load(self) -> RawTable:
        self.book.refresh()
        if self.spec.name not in self.book.tables:
            where = f"{self.path.name}, sheet {self.spec.name}"
            raise BadInput(
                [Problem(where, "the sheet is no longer there.", "Put it back, or run this notebook again.")]
            )
        return self.book.tables[self.spec.name]

    def _save(self, changes: Sequence[Change], added: Sequence[str], kinds: Mapping[str, Kind]) -> None:
        self.book.refresh()
        self.book.save(self.spec.name, changes, added, kinds)


def _parts(archive: Path | io.BytesIO) -> set[str]:
    """What a workbook is made of: files, where they come in numbers their folder."""
    with zipfile.ZipFile(archive) as opened:
        names = [name for name in opened.namelist() if not name.endswith((".rels", "/"))]
    return {
        name.rpartition("/")[0] if name.rpartition("/")[0] not in ("xl", "") else name
        for name in names
        if name != "[Content_Types].xml" and not name.startswith("docProps/")
    }


def _first_formula(sheet: Any) -> str:
    for row in sheet.iter_rows():
        for cell in row:
            if cell.data_type == "f":
                return str(cell.coordinate)
    return ""


def find(folder: Path, book: Workbook | None, name: str) -> TableFile:
    """The file of a table; a new CSV file where it stands nowhere yet.

    Raises
    ------
    BadInput
        It stands in two places, or the workbook cannot be read.
    """
    spec = TABLES[name]
    files = [path for path in sorted(folder.glob("*.csv")) if path.stem.casefold() == name]
    if book is not None:
        book.refresh()
        if name in book.tables:
            if files and not book.tables[name].cells.empty:
                what = f"the same table also stands in {WORKBOOK}, sheet {name}."
                raise BadInput([Problem(files[0].name, what, "Keep one of the two and take the other away.")])
            if not files:
                return SheetTable(spec, book)
    return CsvTable(spec, files[0] if files else folder / f"{name}.csv")


def rows_of(raw: RawTable) -> dict[int, Cells]:
    """The rows of a raw table as text cells."""
    records = raw.cells.to_dict("records")
    return {
        int(str(row)): {str(name): str(text) for name, text in record.items()}
        for row, record in zip(raw.cells.index, records, strict=True)
    }


def new_columns(raw: RawTable, changes: Sequence[Change]) -> list[str]:
    """Columns in which something is to stand and that the table lacks."""
    wanted = {name for change in changes for name, text in (change.after or {}).items() if text.strip()}
    return sorted(wanted - set(raw.cells.columns), key=lambda name: (name == LEAVE_OUT.name, name))


def after(raw: RawTable, changes: Sequence[Change]) -> RawTable:
    """The raw table after changes."""
    names = [*raw.cells.columns, *new_columns(raw, changes)]
    rows = changed(rows_of(raw), changes)
    cells = pd.DataFrame(
        [[row.get(name, "") for name in names] for row in rows.values()],
        index=pd.Index(list(rows), name="row"),
        columns=names,
        dtype=object,
    )
    return RawTable(raw.where, cells)
