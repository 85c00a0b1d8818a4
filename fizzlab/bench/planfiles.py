"""Writing a plan into its trial folder: readings.xlsx and the bench sheet; never over a reading."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from itertools import product
from pathlib import Path
from typing import Any

import pandas as pd

from fizzlab import records
from fizzlab.bench.cards import in_code_order
from fizzlab.bench.planning import TrialPlan, read_plan
from fizzlab.bench.sheet import FIZZ_CUPS, FIZZ_SECONDS, bench_sheet
from fizzlab.bench.workbook import SHOWN, Sheet, write_workbook
from fizzlab.errors import BadInput, Problem, problem
from fizzlab.language import say, translated
from fizzlab.measures import BLIND, LEAVE_OUT, NOTE, RUN, TABLES, TableSpec
from fizzlab.trial.calendar import CALENDAR, foreign, ics, nights, times
from fizzlab.trial.folder import RECORDS, WORKBOOK, folder_there, load, refuse_records
from fizzlab.trial.opening import open_in
from fizzlab.trial.placing import changing, write_whole
from fizzlab.trial.settings import FILE, TrialSettings
from fizzlab.trial.tables import RawTable, read_csv, read_sheets

BENCH_SHEET = "bench-sheet.html"

#: What a plan writes into runs; the other columns are filled in when a batch is made.
_RUNS_PLANNED = ("run", "day", "blind", "planned_at")


@dataclass(frozen=True)
class PlanFiles:
    """What was written, in order of use, what the plan can tell, and files of no reading that gave way."""

    planned: TrialPlan
    paths: tuple[Path, ...]
    replaced: tuple[str, ...]
    taken_away: tuple[str, ...]
    statements: tuple[str, ...]


def write_plan(folder: str | Path, detects: Callable[[TrialPlan], Sequence[str]] | None = None) -> PlanFiles:
    """Plan the trial in a folder and write what is needed to make it; `detects` says how little it would see.

    BadInput is raised where trial.toml has problems or a file in the way holds what no plan wrote,
    CannotAnswer where the plan could not answer. Nothing is written then.
    """
    folder, away = Path(folder), list[str]()
    refuse_records(folder)
    folder_there(folder)
    with changing(folder, away) as making:
        planned = read_plan(folder)
        settings = planned.settings
        replaced, empty, problems = _in_the_way(folder, planned)
        if problems:
            raise BadInput(problems)
        statements = planned.statements(detects(planned) if detects is not None else ())
        dated = planned.wishes.start is not None
        away += [*empty, *[CALENDAR] * ((folder / CALENDAR).exists() and not dated)]
        write_workbook(making / WORKBOOK, settings.title, readings_sheets(planned))
        html = bench_sheet(settings, planned.wishes, planned.cards, statements)
        (making / BENCH_SHEET).write_text(html, encoding="utf-8")
        if dated:
            (making / CALENDAR).write_bytes(ics(settings, planned.runs))
        # what the ledger keeps of a plan, so that a report can say what went otherwise
        enter(folder, making, settings, planned.wishes.kind, planned.runs.round(10).to_dict("records"))
    paths = tuple(folder / name for name in (BENCH_SHEET, WORKBOOK, *[CALENDAR] * dated))
    return PlanFiles(planned, paths, tuple(replaced), tuple(empty), statements)


def enter(
    folder: Path, making: Path, settings: TrialSettings, plan: str, runs: Sequence[Mapping[Any, Any]]
) -> None:
    """The line of the ledger that comes into place with the files of a plan."""
    said: dict[str, Any] = {"title": settings.title, "by": settings.made_by, "seed": settings.seed}
    records.enter_plan(folder / RECORDS, making, trial=settings.code, plan=plan, runs=runs, **said)


def renew(folder: Path) -> list[str]:
    """Write the calendar of a planned trial anew, by when batches were really made; returns what to say."""
    refuse_records(folder)
    trial, problems = load(folder), foreign(folder)
    runs, when = trial.rows("runs"), times(trial.settings, trial.rows("runs"))
    if when.empty:
        problems.append(problem("no_first_day", FILE, column=say("at_key", key="plan")))
    if problems:
        raise BadInput(problems)
    write_whole(folder / CALENDAR, ics(trial.settings, runs))
    made = say("batches_made_of", n=int(runs["made_at"].count()), of=len(runs))
    return [made, *nights(trial.settings, when), str(folder / CALENDAR)]


def readings_sheets(planned: TrialPlan) -> list[Sheet]:
    """The sheets to fill in, a table each, with what is known beforehand filled in."""
    wishes, runs = planned.wishes, list(planned.runs["run"])
    codes = [card.blind for card in in_code_order(planned.cards.cards)]
    choices = {"run": runs, "blind": codes, "rater": wishes.raters}
    when = times(planned.settings, planned.runs)
    pieces, scored = ([str(n) for n in range(1, most + 1)] for most in (wishes.pieces, wishes.scored))
    specs = planned.settings.tables()
    batches = planned.runs.reindex(columns=[*_RUNS_PLANNED, *planned.settings.factors]).dropna(axis=1)
    by_name = {each.name: each for each in specs["runs"].columns}
    heads = [by_name[str(name)] for name in batches]
    later = [each for name, each in by_name.items() if name not in (*_RUNS_PLANNED, *batches)]
    heads += [*sorted(later, key=lambda column: column == NOTE), LEAVE_OUT]
    meaning = say("not_for_scorers", meaning=translated(specs["runs"].meaning))
    batches = batches.map(lambda cell: f"{cell:.10g}" if isinstance(cell, float) else cell)
    sheets = [Sheet("runs", meaning, heads, batches)]
    for name, spec in specs.items():
        if name not in wishes.tables:
            continue
        blind = "blind" in spec.planned  # whoever scores sees the code on the tray, and never the batch
        columns = [column for column in spec.columns if not (blind and column.name == "run")]
        known: dict[str, Sequence[object]] = {
            "rater": wishes.raters,
            "run": () if blind else runs,
            "blind": codes,
            "hours": wishes.look_hours(name),
            "read": wishes.readers(),
            "piece": scored if blind else pieces[:FIZZ_CUPS] if "seconds" in spec.planned else pieces,
            "pieces": [wishes.pieces],
            "seconds": FIZZ_SECONDS,
        }
        asked = set(spec.planned)
        if wishes.again and not blind and "rater" in asked:  # a piece, or a tumble, goes with who reads it
            asked = asked - {"piece", "rater"} | {"read"}
        # a column without values here, such as the water of a cup, is left to the bench, weeks wholly
        names = [key for key, values in known.items() if key in asked and len(values)]
        rows = list(product(*(known[key] for key in names))) if names and "weeks" not in spec.planned else []
        table = pd.DataFrame(rows, columns=names)
        if {"run", "hours"} <= {*table} and not when.empty:
            kept = when.loc[(when["table"] == name) & ~when["lost"], ["run", "planned", "hours"]]
            table = table.rename(columns={"hours": "planned"}).merge(kept).drop(columns="planned")
        if "read" in table:
            table[["piece", "rater"]] = pd.DataFrame(table.pop("read").to_list())
        shown = [
            each for each, what in SHOWN.items() if RUN in spec.columns and not (blind and what == "blind")
        ]
        columns = [*shown, *[BLIND] * blind, *columns, LEAVE_OUT]
        sheets.append(Sheet(name, translated(spec.meaning), tuple(columns), table, choices))
    return sheets


def _in_the_way(folder: Path, planned: TrialPlan) -> tuple[list[str], list[str], list[Problem]]:
    """An earlier plan that is replaced, tables without a row to take away, what must not be written over."""
    specs, book = planned.settings.tables(), folder / WORKBOOK
    replaced: list[str] = []
    empty: list[str] = []
    problems = foreign(folder)
    lock = open_in(book)
    if lock is not None:
        problems.append(problem("log_open", WORKBOOK, lock=lock.name))
    for path in sorted(folder.glob("*.csv")):
        name = path.stem.casefold()
        if name not in ("runs", *planned.wishes.tables):
            continue
        raw, found = read_csv(path)
        problems += found
        if raw is not None and name == "runs":
            problems += _begun(raw, specs[name])
            empty.append(path.name)
        elif raw is not None and raw.cells.empty:
            empty.append(path.name)
        elif raw is not None:
            problems.append(problem("table_has_rows", path.name, rows=len(raw.cells), book=WORKBOOK))
    if book.exists():
        replaced.append(WORKBOOK)
        tables, others, found = read_sheets(book, list(specs))
        problems += found
        for name, raw in tables.items():
            problems += _begun(raw, specs[name])
        for title in others:
            if title.strip().casefold() not in ("how to fill in", say("how_to_fill_in"), "blind codes"):
                problems.append(problem("sheet_of_your_own", say("at_sheet", book=WORKBOOK, sheet=title)))
    return replaced, empty, problems


def _begun(raw: RawTable, spec: TableSpec) -> list[Problem]:
    """What stands in a table that no plan wrote; runs may be replaced only if a plan wrote it."""
    names, planned = list(raw.cells.columns), list(spec.planned)
    if spec.name == "runs":
        later = {column.name for column in (*TABLES["runs"].columns, LEAVE_OUT)} - set(_RUNS_PLANNED)
        # what stands to the right of these is the maker's own: a response, or one that trial.toml has no more
        planned = names[: min((place for place, name in enumerate(names) if name in later), default=None)]
    readings = raw.cells[[name for name in names if name not in planned]]
    filled = raw.cells.index[(readings.map(str.strip) != "").any(axis=1)]
    if len(filled):
        says = "batches_stand_in_it" if spec.name == "runs" else "readings_stand_in_it"
        return [problem(says, raw.where, int(filled[0]))]
    coded = "blind" in names and (raw.cells["blind"].str.strip() != "").all()
    if spec.name == "runs" and not raw.cells.empty and not coded:
        return [problem("list_not_planned", raw.where)]
    return []
