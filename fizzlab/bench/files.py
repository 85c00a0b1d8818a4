"""The files that a trial's tables stand in: read as the trial's loader does, and rows changed in one step."""

from __future__ import annotations

import csv
import io
import zipfile
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import pandas as pd

from fizzlab.bench.workbook import fill_cell
from fizzlab.errors import BadInput, FizzlabError, Problem
from fizzlab.measures import LEAVE_OUT, Kind, TableSpec
from fizzlab.trial.folder import WORKBOOK
from fizzlab.trial.journal import Cells, Change
from fizzlab.trial.opening import open_in
from fizzlab.trial.placing import write_whole
from fizzlab.trial.tables import RawTable, guarded, only_shown, read_csv, read_sheets, separator_of

_MARK = b"\xef\xbb\xbf"  # the byte-order mark that some spreadsheets put first

#: Parts of a workbook whose loss on saving costs nobody anything.
_IDLE_PARTS = frozenset(
    ("xl/printerSettings", "xl/calcChain.xml", "xl/sharedStrings.xml", "docProps", "customXml", "xl/persons")
)

Kinds = Mapping[str, Kind]
_Signature = tuple[int, int, int]


class FileBusy(FizzlabError):
    """The file cannot be written now; what was logged waits in the journal."""


class Files:
    """The tables of a folder: each a CSV file, which its first reading makes, or a sheet of the workbook."""

    def __init__(self, folder: Path, specs: Mapping[str, TableSpec]) -> None:
        self.folder, self.specs, self.book = folder, specs, folder / WORKBOOK
        self._read: dict[Path, tuple[_Signature, dict[str, RawTable]]] = {}

    def path(self, name: str) -> Path:
        """The file that a table stands in, or would; BadInput where it stands in two."""
        files = [path for path in sorted(self.folder.glob("*.csv")) if path.stem.casefold() == name]
        sheet = self._tables(self.book).get(name)
        if files and sheet is not None and not sheet.cells.empty:
            what = f"the same table also stands in {WORKBOOK}, sheet {name}."
            raise BadInput([Problem(files[0].name, what, "Keep one of the two and take the other away.")])
        return (files or [self.folder / f"{name}.csv" if sheet is None else self.book])[0]

    def read(self, name: str) -> RawTable:
        """The table as it stands."""
        path = self.path(name)
        found = self._tables(path)
        if name in found:
            return found[name]
        columns = [column.name for column in self.specs[name].columns]
        return RawTable(path.name, pd.DataFrame(columns=columns, dtype=object))

    def _tables(self, path: Path) -> dict[str, RawTable]:
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
            self._read[path] = (now, tables)
        return self._read[path][1]

    def write(self, name: str, changes: Sequence[Change], kinds: Kinds) -> None:
        """Change rows, or raise FileBusy: it is open in a spreadsheet program, or the computer refuses."""
        path, raw = self.path(name), self.read(name)
        lock = open_in(path)
        if lock is not None:
            what = f"{path.name} is open in a spreadsheet. Close it there;"
            raise FileBusy(f"{what} if it is not open, delete {lock.name}.")
        added = new_columns(raw, changes)
        header = ",".join(column.name for column in self.specs[name].columns).encode() + b"\n"
        try:
            if path == self.book:
                data = _edited_sheet(path, name, changes, added, kinds)
            else:
                data = _edited_csv(path.read_bytes() if path.exists() else header, changes, added, kinds)
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
            tables = self._read.get(path, (now, {}))[1]
            self._read[path] = (now, {**tables, name: after(raw, changes)})


def rows_of(raw: RawTable) -> dict[int, Cells]:
    """The rows of a raw table as text cells, by spreadsheet row."""
    rows: dict[Any, Any] = raw.cells.to_dict("index")
    return {int(row): cells for row, cells in rows.items()}


def after(raw: RawTable, changes: Sequence[Change]) -> RawTable:
    """The raw table after changes."""
    rows: dict[int, Cells | None] = {**rows_of(raw), **{change.row: change.after for change in changes}}
    kept = {row: cells for row, cells in sorted(rows.items()) if cells is not None}
    index, names = pd.Index(list(kept), name="row"), [*raw.cells.columns, *new_columns(raw, changes)]
    cells = [[row.get(name, "") for name in names] for row in kept.values()]
    return RawTable(raw.where, pd.DataFrame(cells, index, names, dtype=object))


def new_columns(raw: RawTable, changes: Sequence[Change]) -> list[str]:
    """Columns in which something is to stand and that the table lacks."""
    wanted = {name for change in changes for name, text in (change.after or {}).items() if text.strip()}
    return sorted(wanted - set(raw.cells.columns), key=lambda name: (name == LEAVE_OUT.name, name))


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


def _edited_csv(data: bytes, changes: Sequence[Change], added: Sequence[str], kinds: Kinds) -> bytes:
    """A CSV file with some rows changed and columns added; every other cell stays as it was written.

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
        for name, new in _new_cells(change, header):
            place = header.index(name)
            record[place] = new.replace(".", ",") if comma and place in numbers else guarded(new)
        if change.after is None and change.row == len(records):
            records.pop()
    out = io.StringIO()
    csv.writer(out, delimiter=separator, lineterminator="\r\n" if "\r\n" in text else "\n").writerows(records)
    return (_MARK if data.startswith(_MARK) else b"") + out.getvalue().encode()
