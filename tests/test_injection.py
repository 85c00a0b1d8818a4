"""What a maker, or whoever sent the file, typed is shown and never obeyed: formulas, HTML, paths, bombs."""

from __future__ import annotations

import io
import re
import subprocess
import sys
import zipfile
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path

import openpyxl
import pytest
from bad_bytes import book_with
from click.testing import CliRunner
from sound_trial import RUNS, TOML, TOUCH

from fizzlab.bench.planfiles import write_plan
from fizzlab.cli.main import main
from fizzlab.measures import TABLES
from fizzlab.report.page import Grid, Notes, Prose
from fizzlab.report.parts.general import plain
from fizzlab.trial.folder import load
from fizzlab.trial.settings import read_settings
from fizzlab.trial.tables import read_csv, read_sheets

MakeTrial = Callable[..., Path]

FORMULAS = [
    "=2+5",
    "=cmd|' /C calc'!A0",
    "+cmd|' /C calc'!A0",
    "-2+3+cmd|' /C calc'!A0",
    "@SUM(1+1)*cmd|' /C calc'!A0",
    '=HYPERLINK("http://example.invalid?x="&A1,"dry")',
    "\\t=2+5",
    "\\r=2+5",
    " =2+5",
    "＝2+5",
]

#: A plan whose every free text is a formula, with {0} for it.
PLAN = """
code = "quay"
title = "{0}"
question = "{0}"
place = "{0}"
made_by = "{0}"

[factors.colour]
levels = ["pearl", "{1}"]
label = "{0}"

[plan]
kind = "compare"
days = 4
batches_per_day = 2
tables = ["touch_checks", "crumble_scores"]
raters = ["Ann", "{1}"]
pieces = 2
checks_h = [2, 4]
"""


def _planned(text: str, folder: Path) -> Path:
    written = text.replace('"', '\\"')
    name = written.replace("\\t", "").replace("\\r", "").strip()  # a name cannot begin with white space
    (folder / "trial.toml").write_text(PLAN.replace("{0}", written).replace("{1}", name), encoding="utf-8")
    write_plan(folder)
    return folder


def _obeys(cell: str) -> bool:
    """Would a spreadsheet that opens a CSV file take the cell for a formula?"""
    return cell.strip(" ")[:1] in ("=", "+", "-", "@", "\t", "\r", "＝", "＋", "－", "＠")


@pytest.mark.parametrize("text", FORMULAS)
def test_no_formula_gets_into_the_files_of_a_plan(text: str, tmp_path: Path) -> None:
    folder = _planned(text, tmp_path)
    book = openpyxl.load_workbook(folder / "readings.xlsx")
    grey = [
        cell for sheet in book for column in sheet.iter_cols() for cell in column if cell.data_type == "f"
    ]
    lookup = r'=IFERROR\([A-Z0-9$:!,()+/&"]*(runs!\$[A-Z]+:\$[A-Z]+[A-Z0-9$:!,()+/&"]*)+\)'
    assert all(re.fullmatch(lookup, str(cell.value)) for cell in grey)  # of the grey columns, and only those
    cells = [cell for sheet in book for row in sheet.iter_rows() for cell in row if cell.data_type != "f"]
    quoted = [cell for cell in cells if isinstance(cell.value, str) and _obeys(cell.value)]
    assert quoted, "the formula does not stand in the workbook at all"
    assert all(cell.quotePrefix for cell in quoted)


@pytest.mark.parametrize("text", FORMULAS)
def test_a_level_that_looks_like_a_formula_reads_back_as_it_was(text: str, tmp_path: Path) -> None:
    folder = _planned(text, tmp_path)
    level = read_settings(folder)[0].factors["colour"].levels[1]  # type: ignore[union-attr, index]
    assert set(load(folder).rows("runs")["colour"]) == {"pearl", level}


def _parts(path: Path) -> list[tuple[str, bytes]]:
    with zipfile.ZipFile(path) as archive:
        return [(name, archive.read(name)) for name in archive.namelist()]


def test_a_name_that_looks_like_a_formula_reads_back_as_it_was(make_trial: MakeTrial) -> None:
    weighed = "run,piece,hours,mass_g\n'=1+1,'@2,0.5,30\n"
    folder = make_trial(
        runs__csv=RUNS.replace("A,1,2026", "'=1+1,1,2026"), touch_checks__csv=None, weighings__csv=weighed
    )
    assert load(folder).rows("weighings")[["run", "piece"]].values.tolist() == [["=1+1", "@2"]]


@pytest.mark.parametrize("sign", ["\\u0001", "\\u001b", "\\u007f", "\\uffff"])
@pytest.mark.parametrize("key", ["title", "place"])
def test_signs_that_no_file_can_hold_are_refused(sign: str, key: str, tmp_path: Path) -> None:
    text = PLAN.replace("{0}", "words").replace("{1}", "dye").replace(f'{key} = "', f'{key} = "{sign}')
    (tmp_path / "trial.toml").write_text(text, encoding="utf-8")
    result = CliRunner().invoke(main, ["plan", str(tmp_path)])
    assert result.exit_code == 2
    assert (
        f"trial.toml, key {key}: a sign that cannot be seen or printed stands in “�words”." in result.stderr
    )
    assert [path.name for path in tmp_path.iterdir()] == ["trial.toml"]


NASTY = "<img src=x onerror=alert(1)><script>alert(2)</script>\"'&"


def test_pieces_of_a_page_show_html_as_it_was_typed() -> None:
    import pandas as pd

    pieces = [
        Prose(plain(NASTY)),
        Prose(NASTY),
        Notes([NASTY], NASTY),
        Grid(pd.DataFrame({NASTY: [NASTY]}), NASTY),
    ]
    for piece in pieces:
        html = piece._repr_mimebundle_()[0]["text/html"]
        assert "<img" not in html
        assert "<script" not in html
        assert not re.search(r'class="[^"]*<', html)


@pytest.mark.parametrize(
    "code", ["../up", "/etc/x", "a/b", "a\\\\b", "..", ".", "C:x", "a\\u0000b", "con/../x", "~", ""]
)
def test_a_code_with_a_path_in_it_is_refused(code: str, make_trial: MakeTrial) -> None:
    folder = make_trial(trial__toml=TOML.replace('"quay"', f'"{code}"'))
    before = sorted(folder.parent.rglob("*"))
    for command in ("check", "plan", "report"):
        result = CliRunner().invoke(main, [command, str(folder)])
        assert result.exit_code == 2
        assert "code" in result.stderr
    assert sorted(folder.parent.rglob("*")) == before


# workbooks that are bombs; one that unpacks to 201 MB stands in test_bad_input.py


def _cells(sheet: str) -> str:
    return sheet.replace("</sheetData>", f'<row r="9">{"<c/>" * 3_000_000}</row></sheetData>')


def _entities(sheet: str) -> str:
    names = "abcdefghij"
    lines = [f'<!ENTITY {b} "{f"&{a};" * 10}">' for a, b in pairwise(names)]
    row = '<row r="9"><c r="A9" t="inlineStr"><is><t>&j;</t></is></c></row>'
    return f'<!DOCTYPE x [<!ENTITY a "aaaaaaaaaa">{"".join(lines)}]>' + sheet.replace(
        "</sheetData>", f"{row}</sheetData>"
    )


def _far(sheet: str) -> str:
    return sheet.replace("</sheetData>", '<row r="99999999999"><c r="A1"><v>1</v></c></row></sheetData>')


def _texts() -> bytes:
    out = io.BytesIO(book_with("nothing", str))
    with zipfile.ZipFile(out, "a", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("xl/sharedStrings.xml", f"<sst>{'<si/>' * 2_500_000}</sst>")
    return out.getvalue()


BOMBS: dict[str, tuple[Callable[[], bytes], str]] = {
    "cells": (lambda: book_with("sheet3", _cells), "it holds more than 2 million cells"),
    "texts": (_texts, "it holds more than 2 million cells"),
    "entities": (lambda: book_with("sheet3", _entities), "cannot be read"),
    "far row": (lambda: book_with("sheet3", _far), "cannot be read"),
}

_TRY = """
import resource, sys
import openpyxl, pandas
from fizzlab.errors import BadInput
from fizzlab.trial.folder import load
before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
for folder in sys.argv[1:]:
    try:
        load(folder)
    except BadInput as error:
        print(str(error).replace("\\n", " "))
print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before)
"""


@pytest.mark.slow
@pytest.mark.skipif(sys.platform == "win32", reason="the most memory used is measured with a Unix call")
def test_workbook_bombs_are_refused_in_little_memory(tmp_path: Path) -> None:
    for name, (make, _) in BOMBS.items():
        (tmp_path / name).mkdir()
        (tmp_path / name / "trial.toml").write_text(TOML)
        (tmp_path / name / "readings.xlsx").write_bytes(make())
        assert (tmp_path / name / "readings.xlsx").stat().st_size < 1 << 20
    command = [sys.executable, "-c", _TRY, *(str(tmp_path / name) for name in BOMBS)]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    *said, grown = done.stdout.splitlines()
    for (_, says), line in zip(BOMBS.values(), said, strict=True):
        assert says in line
    # in kB on Linux, in bytes on macOS; a sheet believed at its word would take gigabytes
    assert int(grown) < 400 * (1024 if sys.platform == "linux" else 1024**2)


def test_the_extent_that_a_sheet_states_is_not_believed(tmp_path: Path) -> None:
    for extent in ("A1", "A1:XFD1048576"):
        path = tmp_path / "readings.xlsx"
        path.write_bytes(
            book_with("sheet", lambda s, e=extent: re.sub(r'ref="[A-Z0-9:]+"', f'ref="{e}"', s, count=1))
        )
        tables, _, problems = read_sheets(path, list(TABLES))
        assert problems == []
        assert len(tables["touch_checks"].cells) == len(TOUCH.splitlines()) - 1


def test_an_apostrophe_before_a_word_is_kept(tmp_path: Path) -> None:
    path = tmp_path / "runs.csv"
    path.write_text("run,note\nA,'tis wet\nB,'=2+5\n", encoding="utf-8")
    raw, _ = read_csv(path)
    assert raw is not None
    assert raw.cells["note"].tolist() == ["'tis wet", "=2+5"]
