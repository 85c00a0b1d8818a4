"""Writing a plan into its trial folder: runs.csv, readings.xlsx and the bench sheet; never over a reading."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from itertools import product
from pathlib import Path
from typing import Any

import pandas as pd

from fizzlab import records
from fizzlab.bench.cards import in_code_order
from fizzlab.bench.planning import Planned, plan_trial
from fizzlab.bench.sheet import FIZZ_CUPS, FIZZ_SECONDS, bench_sheet
from fizzlab.bench.workbook import Sheet, write_workbook
from fizzlab.errors import BadInput, Problem
from fizzlab.measures import BLIND, LEAVE_OUT, TABLES, Column, TableSpec
from fizzlab.trial.folder import RECORDS, WORKBOOK, refuse_records
from fizzlab.trial.placing import beside, put_in_place
from fizzlab.trial.settings import FILE, PlanSettings, read_settings
from fizzlab.trial.tables import RawTable, guarded, read_csv, read_sheets
from fizzlab.trial.workbook import open_in

DEMO = Path(__file__).resolve().parent / "templates" / "plan_demo"

RUNS = "runs.csv"
BENCH_SHEET = "bench-sheet.html"
CODES = "blind codes"

#: The longest sheet that is prepared.
MOST_ROWS = 20_000

#: Sheets that a planned workbook holds besides the tables.
OWN_SHEETS = ("how to fill in", CODES)

#: What a plan writes into runs; the other columns are filled in when a batch is made.
_RUNS_PLANNED = ("run", "day", "blind")


@dataclass(frozen=True)
class Written:
    """What was written: the files in the order in which to use them, and what the plan can and cannot tell.

    `replaced` names files of an earlier plan without readings, `taken_away` tables without a row that now
    stand in the workbook.
    """

    planned: Planned
    paths: tuple[Path, ...]
    replaced: tuple[str, ...]
    taken_away: tuple[str, ...]
    statements: tuple[str, ...]


def write_plan(folder: str | Path, detects: Callable[[Planned], Sequence[str]] | None = None) -> Written:
    """Plan the trial in a folder and write what is needed to make it.

    Parameters
    ----------
    folder : str or Path
        Holds ``trial.toml`` with a section [plan].
    detects : callable, optional
        Says of the plan how small a difference it would see (`fizzlab.bench.planning.plan_power`).

    Raises
    ------
    BadInput
        trial.toml has problems, or a file in the way holds readings or anything else that a plan did
        not write. Nothing is written then.
    CannotAnswer
        The plan could not answer what is asked. Nothing is written then.
    """
    folder = Path(folder)
    refuse_records(folder)
    planned = read_plan(folder)
    settings = planned.settings
    replaced, empty, problems = _in_the_way(folder, planned)
    problems += _too_much(planned)
    if problems:
        raise BadInput(problems)
    statements = planned.statements(detects(planned) if detects is not None else ())
    names = (BENCH_SHEET, RUNS, WORKBOOK)
    with beside(folder, ".planning-") as making:
        (making / RUNS).write_text(runs_csv(planned), encoding="utf-8", newline="")
        write_workbook(making / WORKBOOK, settings.title, readings_sheets(planned))
        html = bench_sheet(settings, planned.wishes, planned.cards, statements)
        (making / BENCH_SHEET).write_text(html, encoding="utf-8")
        with records.planning(folder / RECORDS, **_entry(planned)):
            put_in_place(folder, making, names, empty)
    paths = tuple(folder / name for name in names)
    return Written(planned, paths, tuple(replaced), tuple(empty), statements)


def _entry(planned: Planned) -> dict[str, Any]:
    """What the ledger keeps of a plan, so that a report can say what went otherwise."""

    def kept(value: object) -> str | float:
        return float(f"{value:.10g}") if isinstance(value, float) else str(value)

    settings = planned.settings
    runs = [{name: kept(value) for name, value in row.items()} for row in planned.runs.to_dict("records")]
    return {
        "trial": settings.code,
        "title": settings.title,
        "by": settings.made_by,
        "plan": planned.wishes.kind,
        "seed": settings.seed,
        "runs": runs,
    }


def read_plan(folder: str | Path = "") -> Planned:
    """Plan the trial in a folder without writing anything; with no folder, an invented one.

    Raises
    ------
    BadInput, CannotAnswer
        As `write_plan`.
    """
    folder = Path(folder) if str(folder) else DEMO
    if not folder.is_dir():
        do = "Check the name, or make one with: fizzlab new FOLDER."
        raise BadInput([Problem(str(folder), "there is no such folder.", do)])
    settings, problems = read_settings(folder)
    if settings is None:
        raise BadInput(problems)
    return plan_trial(settings)


def runs_csv(planned: Planned) -> str:
    """The table `runs`, with the columns that are filled in at the bench left blank."""
    factors = list(planned.settings.factors)
    later = [column.name for column in TABLES["runs"].columns if column.name not in _RUNS_PLANNED]
    later[-1:-1] = planned.settings.own_responses()
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow([*_RUNS_PLANNED, *factors, *later])
    for row in planned.runs.to_dict("records"):
        cells = [row[name] for name in (*_RUNS_PLANNED, *factors)]
        writer.writerow(
            [
                *(f"{cell:.10g}" if isinstance(cell, float) else guarded(str(cell)) for cell in cells),
                *[""] * len(later),
            ]
        )
    return out.getvalue()


def readings_sheets(planned: Planned) -> list[Sheet]:
    """The sheets to fill in, a table each, with what is known beforehand filled in."""
    wishes = planned.wishes
    runs = list(planned.runs["run"])
    by_code = [card.blind for card in in_code_order(planned.cards.cards)]
    choices = {"run": runs, "blind": by_code, "rater": wishes.raters}
    sheets = []
    blind = False
    for name, spec in planned.settings.tables().items():
        if name in wishes.tables:
            columns = spec.columns
            if "blind" in spec.planned:  # whoever scores sees the code on the tray, and never the batch
                columns, blind = (BLIND, *(column for column in columns if column.name != "run")), True
            names = [column.name for column in columns]
            known = pd.DataFrame(_rows(spec, wishes, runs, by_code), columns=names)
            sheets.append(Sheet(name, spec.meaning, columns, known, choices))
    if blind:
        columns_ = (Column("blind", "text", "code on the tray"), Column("run", "text", "the batch"))
        codes = planned.runs[["blind", "run"]].sort_values("blind")
        meaning = "which code is which batch; not for whoever scores"
        sheets.append(Sheet(CODES, meaning, columns_, codes, leave_out=False))
    return sheets


def _rows(
    spec: TableSpec, wishes: PlanSettings, runs: Sequence[str], codes: Sequence[str]
) -> list[dict[str, object]]:
    """What stands in a table beforehand: every combination of the planned columns that the plan knows.

    A column without values in `known` (the water of a cup) is left to the bench; a table planned by weeks is
    left to it wholly.
    """
    if not spec.planned or "weeks" in spec.planned:
        return []
    pieces = [str(piece) for piece in range(1, wishes.pieces + 1)]
    known: dict[str, Sequence[object]] = {
        "rater": wishes.raters,
        "run": runs,
        "blind": codes,
        "hours": getattr(wishes, f"{spec.name}_h", None) or wishes.checks_h,
        "piece": pieces[:FIZZ_CUPS] if "seconds" in spec.planned else pieces,
        "pieces": [wishes.pieces],
        "seconds": FIZZ_SECONDS,
    }
    hidden = {"run"} if "blind" in spec.planned else set()
    names = [name for name in known if name in spec.planned and name not in hidden]
    return [dict(zip(names, row, strict=True)) for row in product(*(known[name] for name in names))]


def _too_much(planned: Planned) -> list[Problem]:
    """A sheet of more rows than anybody fills in by hand is a slip in the schedule."""
    wishes = planned.wishes
    looks = max(len(wishes.checks_h), len(wishes.weighings_h or ()), len(wishes.raters))
    rows = len(planned.runs) * wishes.pieces * looks
    if rows <= MOST_ROWS:
        return []
    what = f"the plan would prepare a sheet of {rows} rows to fill in by hand."
    return [Problem(FILE, what, "Plan fewer pieces or looks.", column="key plan.pieces")]


def _in_the_way(folder: Path, planned: Planned) -> tuple[list[str], list[str], list[Problem]]:
    """An earlier plan that is replaced, tables without a row to take away, what must not be written over."""
    problems: list[Problem] = []
    replaced: list[str] = []
    empty: list[str] = []
    lock = open_in(folder / WORKBOOK)
    if lock is not None:
        what = "it is open in a spreadsheet."
        problems.append(Problem(WORKBOOK, what, f"Close it; if it is not open, delete {lock.name}."))
    for path in sorted(folder.glob("*.csv")):
        name = path.stem.casefold()
        if name == "runs" or name in planned.wishes.tables:
            raw, found = read_csv(path)
            problems += found
            if raw is None:
                continue
            if name == "runs":
                problems += _made(raw)
                replaced += [] if raw.cells.empty else [path.name]
            elif raw.cells.empty:
                empty.append(path.name)
            else:
                what = f"it holds {len(raw.cells)} rows, and the plan would put this table into {WORKBOOK}."
                do = "Plan in a new folder, or take the table out of [plan]."
                problems.append(Problem(path.name, what, do))
    if (folder / WORKBOOK).exists():
        problems += _read_into(folder / WORKBOOK, planned.settings.tables())
        replaced.append(WORKBOOK)
    return replaced, empty, problems


def _made(raw: RawTable) -> list[Problem]:
    """A list of batches may be replaced only if a plan wrote it and nothing was added since."""
    if raw.cells.empty:
        return []
    later = {column.name for column in (*TABLES["runs"].columns, LEAVE_OUT)} - set(_RUNS_PLANNED)
    # what stands to the right of these is the maker's own: a response, or one that trial.toml no longer names
    names = list(raw.cells.columns)
    first = min((place for place, name in enumerate(names) if name in later), default=len(names))
    filled = _filled(raw, [name for name in names[:first] if name not in later])
    do = "Plan in a new folder; this one has been begun."
    if filled:
        what = "batches that were made stand in it, or notes about them."
        return [Problem(raw.where, what, do, row=filled[0])]
    if "blind" not in raw.cells or (raw.cells["blind"].str.strip() == "").any():
        what = "its list of batches was not written by a plan (it lacks blind codes)."
        return [Problem(raw.where, what, "Plan in a new folder, or take the file away.")]
    return []


def _read_into(path: Path, specs: Mapping[str, TableSpec]) -> list[Problem]:
    tables, others, problems = read_sheets(path, list(specs))
    do = "Plan in a new folder; this one has been begun."
    for name, raw in tables.items():
        if name == "runs":
            problems += _made(raw)
            continue
        filled = _filled(raw, specs[name].planned)
        if filled:
            problems.append(Problem(raw.where, "readings stand in it.", do, row=filled[0]))
    for title in others:
        if title.strip().casefold() not in OWN_SHEETS:
            what = "it is a sheet of your own, which would be lost."
            problems.append(Problem(f"{path.name}, sheet {title}", what, "Move it into another workbook."))
    return problems


def _filled(raw: RawTable, planned: Sequence[str]) -> list[int]:
    """Rows in which more stands than a plan writes."""
    readings = [name for name in raw.cells.columns if name not in planned]
    texts = raw.cells[readings].apply(lambda column: column.str.strip() != "")
    return [int(row) for row in raw.cells.index[texts.any(axis=1)]]
