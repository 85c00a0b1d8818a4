"""The workbook to fill in: a sheet a table, with headers, drop-downs and what the plan already knows."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pandas as pd

from fizzlab.measures import LEAVE_OUT, Column, Kind
from fizzlab.trial.tables import obeyed

#: Rows beyond the prepared ones that still get drop-downs and range hints.
SPARE_ROWS = 200


@dataclass(frozen=True)
class Sheet:
    """One sheet.

    Parameters
    ----------
    name, meaning : str
        The table's name, and what it holds, which the first sheet says.
    rows : DataFrame
        What is known beforehand; columns that it lacks are left blank.
    choices : mapping of str to sequence of str
        Drop-downs by column, besides yes and no.
    leave_out : bool
        Has it a last column `leave_out`? A sheet that is no table of the trial has none.
    """

    name: str
    meaning: str
    columns: Sequence[Column]
    rows: pd.DataFrame
    choices: Mapping[str, Sequence[str]] = field(default_factory=dict)
    leave_out: bool = True


def write_workbook(path: Path, title: str, sheets: Sequence[Sheet]) -> None:
    """Write a workbook that reads back through `trial.load`, with the trial's title; the path must be free.

    Texts are written as texts, also where they begin like a formula. Nothing is locked: drop-downs
    and ranges only warn.
    """
    import openpyxl
    from openpyxl.comments import Comment
    from openpyxl.styles import Alignment, Font, PatternFill
    from openpyxl.utils import get_column_letter

    book = openpyxl.Workbook()
    about = book.active
    about.title = "how to fill in"
    about.column_dimensions["A"].width, about.column_dimensions["B"].width = 20, 90
    for line in _about(title, sheets):
        about.append(line)
    for row in about.iter_rows():
        for cell in row:
            _as_text(cell, cell.value)
            cell.alignment = Alignment(wrap_text=True, vertical="top")
    about["A1"].font = Font(bold=True, size=14)
    about["A1"].alignment = Alignment(wrap_text=False)  # a title runs on over the empty cells beside it
    for sheet in sheets:
        page = book.create_sheet(sheet.name)
        columns = [*sheet.columns, *([LEAVE_OUT] if sheet.leave_out else [])]
        for place, column in enumerate(columns, start=1):
            head = page.cell(row=1, column=place, value=column.name)
            head.font = Font(bold=True)
            head.fill = PatternFill("solid", fgColor="E3EBEF" if column.required else "F5F5F5")
            head.comment = Comment(_hint(column), "fizzlab", width=260, height=90)
            letter = get_column_letter(place)
            page.column_dimensions[letter].width = _width(column)
            last = len(sheet.rows) + 1 + SPARE_ROWS
            rule = _validation(column, sheet.choices.get(column.name))
            if rule is not None:
                page.add_data_validation(rule)
                rule.add(f"{letter}2:{letter}{last}")
        for number, record in enumerate(sheet.rows.to_dict("records"), start=2):
            for place, column in enumerate(columns, start=1):
                value = record.get(column.name)
                if value is not None and not pd.isna(value):
                    fill_cell(page.cell(row=number, column=place), str(value), column.kind)
        page.freeze_panes = "A2"
    with path.open("xb") as file:
        book.save(file)


def _about(title: str, sheets: Sequence[Sheet]) -> list[list[str]]:
    return [
        [title],
        ["", "Fill in a row a reading. Leave a row blank if the reading was missed: it is passed over."],
        ["", "To keep a row out of the analysis, say why in its column leave_out. Do not delete it."],
        [
            "",
            "Dates and times: the workshop's clock, as 2026-01-31 08:30 or a spreadsheet date with its time.",
        ],
        ["", "Hold the pointer over a column's name to see what belongs there."],
        *([sheet.name, sheet.meaning] for sheet in sheets),
    ]


def _hint(column: Column) -> str:
    parts = [column.meaning[:1].upper() + column.meaning[1:] + "."]
    if column.low is not None and column.high is not None:
        parts.append(f"From {column.low:g} to {column.high:g}.")
    parts.append("Needed." if column.required else "May be left blank.")
    return " ".join(parts)


def _width(column: Column) -> float:
    return {"note": 40.0, "leave_out": 30.0}.get(column.name, 20.0 if column.kind == "moment" else 13.0)


def _validation(column: Column, choices: Sequence[str] | None) -> Any:
    """A rule that warns; None where anything goes."""
    from openpyxl.worksheet.datavalidation import DataValidation

    wanted = ["yes", "no"] if column.kind == "yes_no" else list(choices or [])
    listed = '"' + ",".join(wanted) + '"'
    if wanted and len(listed) <= 255 and not any("," in choice or '"' in choice for choice in wanted):
        rule = DataValidation("list", formula1=listed, allow_blank=True)
    elif column.kind in ("number", "whole") and column.low is not None and column.high is not None:
        rule = DataValidation(
            "whole" if column.kind == "whole" else "decimal",
            operator="between",
            formula1=f"{column.low:g}",
            formula2=f"{column.high:g}",
            allow_blank=True,
        )
    else:
        return None
    rule.errorStyle = "warning"
    rule.errorTitle, rule.error = column.name, _hint(column)
    rule.showErrorMessage = True
    return rule


def fill_cell(cell: Any, text: str, kind: Kind) -> None:
    """Write a text into a cell as its column's kind: a number as a number, a moment as a date."""
    if not text.strip():
        cell.value = None
        return
    try:
        if kind in ("number", "whole"):
            number = float(text.replace(",", "."))
            cell.value = int(number) if number.is_integer() else number
            return
        if kind == "moment":
            cell.value = dt.datetime.fromisoformat(text)
            cell.number_format = "yyyy-mm-dd hh:mm"
            return
    except ValueError:
        pass  # what cannot be read stays as it was typed, for the door to name
    _as_text(cell, text)


def _as_text(cell: Any, value: str | None) -> None:
    """Write a text so that no spreadsheet takes it for a formula."""
    if value is None:
        return
    cell.value = value
    cell.data_type = "s"
    if obeyed(value):
        cell.quotePrefix = True
