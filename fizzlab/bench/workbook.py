"""The workbook to fill in: a sheet a table, with headers, drop-downs and what the plan already knows."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pandas as pd

from fizzlab.errors import capital
from fizzlab.language import lines, say, translated
from fizzlab.measures import Column, Kind
from fizzlab.trial.tables import obeyed, only_shown

#: At most so many columns stay in view, of those that are filled in beforehand.
FROZEN = 6

#: Rows beyond the prepared ones that still get drop-downs and range hints.
SPARE_ROWS = 200

#: The grey columns, and what each shows of a batch from the sheet of runs.
SHOWN = {
    Column("(day)", "text", "day of making", required=False): "day",
    Column("(tray)", "text", "the code on the tray", required=False): "blind",
    Column("(date)", "moment", "when it was made, or is to be looked at", required=False): "made_at",
}
_GREY, _WIDTHS = "F0F0F0", {"note": 40.0, "leave_out": 30.0, "(day)": 7.0, "(tray)": 7.0, "(date)": 17.0}

#: Rows of a sheet without prepared ones that show the day, tray and date of what is filled in.
SHOWN_ROWS = 50


@dataclass(frozen=True)
class Sheet:
    """One sheet: `rows` are what is known beforehand, `choices` drop-downs by column, besides yes and no."""

    name: str
    meaning: str
    columns: Sequence[Column]
    rows: pd.DataFrame
    choices: Mapping[str, Sequence[str]] = field(default_factory=dict)


def write_workbook(path: Path, title: str, sheets: Sequence[Sheet]) -> None:
    """Write a workbook that reads back through `trial.load`; the path must be free.

    Texts stay texts, even if they begin like a formula. Nothing is locked: drop-downs and ranges only warn.
    """
    import openpyxl
    from openpyxl.comments import Comment
    from openpyxl.styles import Alignment, Font, PatternFill
    from openpyxl.utils import get_column_letter

    book = openpyxl.Workbook()
    about = book.active
    about.title = say("how_to_fill_in")
    about.column_dimensions["A"].width, about.column_dimensions["B"].width = 20, 90
    told = [("", text) for text in lines("about_workbook")] + [(each.name, each.meaning) for each in sheets]
    for line in ((title,), *told):
        about.append(line)
    for row in about.iter_rows():
        for cell in row:
            fill_cell(cell, cell.value or "", "text")
            cell.alignment = Alignment(wrap_text=True, vertical="top")
    about["A1"].font = Font(bold=True, size=14)
    about["A1"].alignment = Alignment(wrap_text=False)  # a title runs on over the empty cells beside it
    for sheet in sheets:
        page = book.create_sheet(sheet.name)
        known = sheet.rows.reindex(columns=[column.name for column in sheet.columns])
        for place, column in enumerate(sheet.columns, start=1):
            head = page.cell(row=1, column=place, value=column.name)
            head.font = Font(bold=True)
            colour = _GREY if only_shown(column.name) else "E3EBEF" if column.required else "F5F5F5"
            head.fill = PatternFill("solid", fgColor=colour)
            head.comment = Comment(_hint(column), "fizzlab", width=260, height=90)
            letter = get_column_letter(place)
            wide = 20.0 if column.kind == "moment" else 13.0
            page.column_dimensions[letter].width = _WIDTHS.get(column.name, wide)
            rule = _validation(column, sheet.choices.get(column.name, ()))
            if rule is not None:
                page.add_data_validation(rule)
                rule.add(f"{letter}2:{letter}{len(known) + 1 + SPARE_ROWS}")
            for number, value in enumerate(known[column.name], start=2):
                if not pd.isna(value):
                    fill_cell(page.cell(row=number, column=place), str(value), column.kind)
        to_fill = [only_shown(each.name) or each.name in sheet.rows for each in sheet.columns].index(False)
        page.freeze_panes = page.cell(2, 1 + min(to_fill, FROZEN))
    show(book)
    with path.open("xb") as file:
        book.save(file)


def show(book: Any) -> None:
    """Fill in the grey columns: what runs says of a batch, or a formula that looks it up there."""
    from openpyxl.styles import Font, PatternFill

    fill, font = PatternFill("solid", fgColor=_GREY), Font(color="666666")
    runs = {cell.value: cell.column_letter for cell in book["runs"][1]} if "runs" in book.sheetnames else {}
    batches = [dict(zip(runs, row, strict=False)) for row in book["runs"].values] if runs else []
    for sheet in [sheet for sheet in book if runs and sheet.title != "runs"]:
        own = {cell.value: cell.column_letter for cell in sheet[1] if cell.value}
        key = "run" if "run" in own else "blind"
        known = {batch[key]: batch for batch in batches}
        rows = range(2, 1 + (sheet.max_row if sheet.max_row > 1 else SHOWN_ROWS))
        for column, what in SHOWN.items():
            for row in rows if column.name in own else ():
                cell, found = (
                    sheet[f"{own[column.name]}{row}"],
                    f"MATCH(${own[key]}{row},{_all(runs[key])},0)",
                )
                cell.fill, cell.font = fill, font
                if column.kind == "text":
                    cell.value = f'=IFERROR(INDEX({_all(runs[what])},{found})&"","")'
                    if batch := known.get(sheet[f"{own[key]}{row}"].value):
                        fill_cell(cell, str(batch[what]), "text")
                    continue
                later = f"+${own['hours']}{row}/24" if "hours" in own else ""
                cell.number_format, moment = "yyyy-mm-dd hh:mm" if later else "yyyy-mm-dd", '""'
                for name in [name for name in ("planned_at", what) if name in runs]:
                    # a blank cell counts as 0, which has no reciprocal: then the one before is taken
                    moment = f"IFERROR(1/(1/INDEX({_all(runs[name])},{found})){later},{moment})"
                cell.value = f"={moment}"


def _all(letter: str) -> str:
    return f"runs!${letter}:${letter}"


def _hint(column: Column) -> str:
    parts = [f"{capital(translated(column.meaning))}."]
    if column.low is not None and column.high is not None:
        parts.append(say("hint_range", low=column.low, high=column.high))
    return " ".join([*parts, say("hint_needed" if column.required else "hint_blank")])


def _validation(column: Column, choices: Sequence[str]) -> Any:
    """A rule that warns; None where anything goes."""
    from openpyxl.worksheet.datavalidation import DataValidation

    wanted = ["yes", "no"] if column.kind == "yes_no" else choices
    listed = '"' + ",".join(wanted) + '"'
    rule = DataValidation(allow_blank=True, errorStyle="warning", errorTitle=column.name, error=_hint(column))
    rule.showErrorMessage = True
    if wanted and len(listed) <= 255 and not any("," in choice or '"' in choice for choice in wanted):
        rule.type, rule.formula1 = "list", listed
    elif column.kind in ("number", "whole") and column.low is not None and column.high is not None:
        rule.type, rule.operator = "whole" if column.kind == "whole" else "decimal", "between"
        rule.formula1, rule.formula2 = f"{column.low:g}", f"{column.high:g}"
    else:
        return None
    return rule


def fill_cell(cell: Any, text: str, kind: Kind) -> None:
    """Write a text into a cell as its column's kind: a number as a number, a moment as a date.

    What cannot be read stays as it was typed, as a text that no spreadsheet takes for a formula.
    """
    cell.value = text if text.strip() else None
    try:
        if kind in ("number", "whole") and cell.value:
            number = float(text.replace(",", "."))
            cell.value = int(number) if number.is_integer() else number
            return
        if kind == "moment" and cell.value:
            cell.value = dt.datetime.fromisoformat(text)
            cell.number_format = "yyyy-mm-dd hh:mm"
            return
    except ValueError:
        pass
    if cell.value is not None:
        cell.data_type = "s"
        cell.quotePrefix = obeyed(text)
