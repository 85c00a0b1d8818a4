"""The columns of each table, reading them from CSV or a workbook, and the checks that need one row only.

A table goes through two steps. `read_csv` and `read_sheets` turn bytes into a `RawTable` of text cells, each
with the row number that a spreadsheet would show. `parse` turns that into a `Table` of typed columns,
collecting a `Problem` for every cell that cannot be used.
"""

from fizzlab.measures import (
    BLIND,
    CHECKED_AT,
    LEAVE_OUT,
    SHELF_MEASURES,
    TABLES,
    Column,
    TableSpec,
)
from fizzlab.trial.tables.formulas import guarded, obeyed
from fizzlab.trial.tables.parsing import Table, parse, shortened, unread
from fizzlab.trial.tables.reading import RawTable, read_csv, read_sheets, separator_of

__all__ = [
    "BLIND",
    "CHECKED_AT",
    "LEAVE_OUT",
    "SHELF_MEASURES",
    "TABLES",
    "Column",
    "RawTable",
    "Table",
    "TableSpec",
    "guarded",
    "obeyed",
    "parse",
    "read_csv",
    "read_sheets",
    "separator_of",
    "shortened",
    "unread",
]
