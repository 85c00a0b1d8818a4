"""The file that a table stands in: reading it as the trial's loader does, and changing rows in one step."""

from __future__ import annotations

import csv
import io
import zipfile
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import pandas as pd

from fizzlab.bench.place import changed
from fizzlab.bench.workbook import fill_cell
from fizzlab.errors import BadInput, FizzlabError, Problem
from fizzlab.measures import LEAVE_OUT, Kind, TableSpec
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


class FileBusy(FizzlabError):
    """The file cannot be written now; what was logged waits in the journal."""


class TableFile:
    """One table of a folder in a CSV file, or one that will get such a file with its first reading."""

    def __init__(self, spec: TableSpec, path: Path) -> None:
        self.spec, self.path = spec, path
        self.raw = RawTable(path.name, pd.DataFrame())
        self._seen: object = ()

    def read(self) -> RawTable:
        """The table as it stands; read again only if the file was changed by somebody else."""
        if _signature(self.path) != self._seen:
            self.raw = self._load()
            self._seen = _signature(self.path)
        return self.raw

    def write(self, changes: Sequence[Change], kinds: Mapping[str, Kind]) -> None:
        """Change rows, or raise FileBusy: it is open in a spreadsheet program, or the computer refuses."""
        raw = self.read()
        lock = open_in(self.path)
        if lock is not None:
            what = f"{self.path.name} is open in a spreadsheet. Close it there;"
            raise FileBusy(f"{what} if it is not open, delete {lock.name}.")
        try:
            self._save(changes, _new_columns(raw, changes), kinds)
        except OSError as error:
            self._seen = ()
            raise FileBusy(
                f"the computer does not let {self.path.name} be changed ({error.strerror or error}). "
                "If it is open in another program, close it there."
            ) from None
        self.raw = after(raw, changes)
        self._seen = _signature(self.path)

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
        new = _edited_csv(data, changes, added, kinds)
        if new == fresh:  # a table without a row would be refused when the trial is read
            self.path.unlink(missing_ok=True)
        else:
            write_whole(self.path, new)


class Workbook:
    """The workbook of a folder, kept in memory between presses."""

    def __init__(self, path: Path, names: Sequence[str]) -> None:
        self.path, self.names = path, names
        self.tables: dict[str, RawTable] = {}
        self._seen: object = ()
        self._book: Any = None
        self._parts: set[str] = set()

    def refresh(self) -> None:
        """Read it again if somebody changed it."""
        now = _signature(self.path)
        if now == self._seen:
            return
        import openpyxl

        self.tables, _, problems = read_sheets(self.path, self.names)
        if problems:
            raise BadInput(problems)
        with self.path.open("rb") as file:
            self._book = openpyxl.load_workbook(file)
        self._parts = _parts(self.path)
        self._seen = now

    def save(
        self, name: str, changes: Sequence[Change], added: Sequence[str], kinds: Mapping[str, Kind]
    ) -> None:
        """Change rows of one sheet."""
        self.refresh()
        sheet = next(sheet for sheet in self._book if sheet.title.strip().casefold() == name)
        formula = next(
            (cell.coordinate for row in sheet.iter_rows() for cell in row if cell.data_type == "f"), ""
        )
        if formula:
            raise FileBusy(
                f"{self.path.name}, sheet {sheet.title}: cell {formula} holds a formula, whose value would "
                "be lost. Put its value in its place (copy, paste the values only) and save the workbook."
            )
        self._seen = ()  # until it is on the disk, what is in memory is not the file
        header = {
            str(cell.value).strip().casefold(): cell.column for cell in sheet[1] if cell.value is not None
        }
        for column in added:
            header[column] = max(header.values()) + 1
            sheet.cell(row=1, column=header[column], value=column)
        for row, column, text in _new_cells(changes, header):
            fill_cell(sheet.cell(row=row, column=header[column]), text, kinds.get(column, "text"))
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
        write_whole(self.path, out.getvalue())
        self.tables[name] = after(self.tables[name], changes)
        self._seen = _signature(self.path)


class SheetTable(TableFile):
    """A table in a sheet of the workbook."""

    def __init__(self, spec: TableSpec, book: Workbook) -> None:
        super().__init__(spec, book.path)
        self.book = book

    def _load(self) -> RawTable:
        self.book.refresh()
        if self.spec.name not in self.book.tables:
            where = f"{self.path.name}, sheet {self.spec.name}"
            do = "Put it back, or run this notebook again."
            raise BadInput([Problem(where, "the sheet is no longer there.", do)])
        return self.book.tables[self.spec.name]

    def _save(self, changes: Sequence[Change], added: Sequence[str], kinds: Mapping[str, Kind]) -> None:
        self.book.save(self.spec.name, changes, added, kinds)


def find(folder: Path, book: Workbook | None, spec: TableSpec) -> TableFile:
    """The file of a table; a new CSV file where it stands nowhere yet, BadInput where it stands in two."""
    name = spec.name
    files = [path for path in sorted(folder.glob("*.csv")) if path.stem.casefold() == name]
    if book is not None:
        book.refresh()
        if name in book.tables:
            if files and not book.tables[name].cells.empty:
                what = f"the same table also stands in {WORKBOOK}, sheet {name}."
                raise BadInput([Problem(files[0].name, what, "Keep one of the two and take the other away.")])
            if not files:
                return SheetTable(spec, book)
    return TableFile(spec, files[0] if files else folder / f"{name}.csv")


def rows_of(raw: RawTable) -> dict[int, Cells]:
    """The rows of a raw table as text cells, by spreadsheet row."""
    records = raw.cells.to_dict("records")
    return {
        int(str(row)): {str(name): str(text) for name, text in record.items()}
        for row, record in zip(raw.cells.index, records, strict=True)
    }


def after(raw: RawTable, changes: Sequence[Change]) -> RawTable:
    """The raw table after changes."""
    names = [*raw.cells.columns, *_new_columns(raw, changes)]
    rows = changed(rows_of(raw), changes)
    cells = pd.DataFrame(
        [[row.get(name, "") for name in names] for row in rows.values()],
        index=pd.Index(list(rows), name="row"),
        columns=names,
        dtype=object,
    )
    return RawTable(raw.where, cells)


def _new_columns(raw: RawTable, changes: Sequence[Change]) -> list[str]:
    """Columns in which something is to stand and that the table lacks."""
    wanted = {name for change in changes for name, text in (change.after or {}).items() if text.strip()}
    return sorted(wanted - set(raw.cells.columns), key=lambda name: (name == LEAVE_OUT.name, name))


def _new_cells(
    changes: Sequence[Change], header: Sequence[str] | Mapping[str, int]
) -> list[tuple[int, str, str]]:
    """Row, column and text of each cell that changes; others keep their bytes and their looks."""
    return [
        (change.row, name, new)
        for change in changes
        for name in header
        if (new := (change.after or {}).get(name, "")) != (change.before or {}).get(name, "")
    ]


def _signature(path: Path) -> tuple[int, int, int] | None:
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


def _edited_csv(
    data: bytes, changes: Sequence[Change], added: Sequence[str], kinds: Mapping[str, Kind]
) -> bytes:
    """A CSV file with some rows changed and columns added; every other cell stays as it was written.

    Examples
    --------
    >>> change = Change(3, None, {"run": "B", "hours": "2.5"})
    >>> _edited_csv(b"run;hours\\r\\nA;1,5\\r\\n", [change], [], {"hours": "number"})
    b'run;hours\\r\\nA;1,5\\r\\nB;2,5\\r\\n'
    """
    text = data.decode("utf-8-sig")
    separator = separator_of(text)
    records = list(csv.reader(io.StringIO(text, newline=""), delimiter=separator))
    header = [cell.strip().casefold() for cell in records[0]]
    while header and not header[-1]:
        header.pop()
    records[0][len(header) :] = added
    header += added
    numbers = [place for place, name in enumerate(header) if kinds.get(name) in ("number", "whole")]
    cells = [record[place] for record in records[1:] for place in numbers if place < len(record)]
    comma = separator == ";" and not any("." in cell for cell in cells)
    for change in changes:
        records += [[] for _ in range(change.row - len(records))]
        record = records[change.row - 1]
        record += [""] * (len(header) - len(record))
        for _, name, new in _new_cells([change], header):
            place = header.index(name)
            record[place] = new.replace(".", ",") if comma and place in numbers else guarded(new)
        if change.after is None and change.row == len(records):
            records.pop()
    out = io.StringIO()
    csv.writer(out, delimiter=separator, lineterminator="\r\n" if "\r\n" in text else "\n").writerows(records)
    return (_MARK if data.startswith(_MARK) else b"") + out.getvalue().encode()
