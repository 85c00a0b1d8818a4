"""Writing trial folders, with nothing in a file that depends on the moment of writing."""

from __future__ import annotations

import csv
import datetime as dt
import io
import re
import zipfile
from pathlib import Path

import numpy as np
import openpyxl
import pandas as pd

from invented.streams import Tables


def write_trial(target: Path, toml: str, tables: Tables) -> None:
    target.mkdir(parents=True, exist_ok=True)
    write(target / "trial.toml", toml)
    for name, table in tables.items():
        write_csv(target / f"{name}.csv", table)


def write_csv(
    path: Path, table: pd.DataFrame, separator: str = ",", decimal: str = ".", line_end: str = "\n"
) -> None:
    """Write the table without its empty columns, as a spreadsheet would save it."""
    table = _without_empty_columns(table)
    buffer = io.StringIO()
    writer = csv.writer(buffer, delimiter=separator, lineterminator=line_end)
    writer.writerow(table.columns)
    for row in table.itertuples(index=False):
        writer.writerow([_cell(value, decimal) for value in row])
    write(path, buffer.getvalue())


def write_workbook(path: Path, tables: Tables) -> None:
    """Write a sheet a table, with nothing in the file that depends on the moment of writing."""
    book = openpyxl.Workbook()
    book.remove(book.active)
    for name, table in tables.items():
        table = _without_empty_columns(table)
        sheet = book.create_sheet(name)
        sheet.append(list(table.columns))
        for row in table.itertuples(index=False):
            sheet.append([_excel(value) for value in row])
        for cells in sheet.iter_cols(min_row=2):
            for cell in cells:
                if isinstance(cell.value, dt.datetime):
                    cell.number_format = "yyyy-mm-dd hh:mm"
    saved = io.BytesIO()
    book.save(saved)
    with zipfile.ZipFile(saved) as source, zipfile.ZipFile(path, "w", zipfile.ZIP_STORED) as target:
        for member in source.infolist():
            content = source.read(member)
            if member.filename == "docProps/core.xml":
                content = re.sub(rb"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ", b"2026-05-01T00:00:00Z", content)
            target.writestr(zipfile.ZipInfo(member.filename, (2026, 5, 1, 0, 0, 0)), content)


def _without_empty_columns(table: pd.DataFrame) -> pd.DataFrame:
    return table.loc[:, [not (table[name] == "").all() for name in table.columns]]


def _cell(value: object, decimal: str) -> str:
    if isinstance(value, pd.Timestamp):
        return f"{value:%Y-%m-%dT%H:%M}"
    if isinstance(value, float):
        return f"{value:g}".replace(".", decimal)
    return str(value)


def _excel(value: object) -> object:
    if isinstance(value, pd.Timestamp):
        return value.to_pydatetime()
    if isinstance(value, np.generic):
        return value.item()
    return None if value == "" else value


def write(path: Path, text: str) -> None:
    path.write_bytes(text.encode("utf-8"))
