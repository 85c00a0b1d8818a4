"""The trial folder: read once, checked once, then handed on as a `Trial`.

`load` is the only way in. It reads `trial.toml` and every table, from CSV files or from the sheets of
`readings.xlsx`, gathers all problems, and raises them together; what is merely odd travels along as doubts.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pandas as pd

from fizzlab.errors import BadInput, Problem, nearest
from fizzlab.trial import checks
from fizzlab.trial.earlier import KEY, LATER, Named, Passed, named, too_late
from fizzlab.trial.journal import JOURNAL, Journal, not_put_in
from fizzlab.trial.settings import FILE, TrialSettings, deviation_problems, lot_doubts, read_settings
from fizzlab.trial.tables import (
    BLIND,
    CHECKED_AT,
    TABLES,
    Column,
    RawTable,
    Table,
    parse,
    read_csv,
    read_sheets,
    unread,
)
from fizzlab.trial.workbook import open_in

WORKBOOK = "readings.xlsx"
RECORDS = "records"


@dataclass(frozen=True)
class Trial:
    """A checked trial.

    Parameters
    ----------
    folder : Path
    settings : TrialSettings
        What `trial.toml` says.
    tables : mapping of str to Table
        Only the tables that are there. `touch_checks` and `weighings` always carry `hours`.
    doubts : tuple of Problem
        What looked odd but did not stop the work.
    inputs : tuple of Path
        Every file that was read, those of earlier trials too.
    earlier : tuple of Trial
        The earlier trials that `[earlier]` names, in its order.
    passed : tuple of Passed
        Those of them that cannot be counted, and why.
    confirms : Trial or None
        The trial that `[confirms]` names.
    """

    folder: Path
    settings: TrialSettings
    tables: Mapping[str, Table]
    doubts: tuple[Problem, ...]
    inputs: tuple[Path, ...]
    earlier: tuple[Trial, ...] = ()
    passed: tuple[Passed, ...] = ()
    confirms: Trial | None = None

    def has(self, name: str) -> bool:
        """Is the table there, with at least one row to analyse?"""
        return name in self.tables and not self.tables[name].rows.empty

    def rows(self, name: str) -> pd.DataFrame:
        """The rows of a table to analyse; an empty table with the right columns where it is absent."""
        if name in self.tables:
            return self.tables[name].rows
        return pd.DataFrame(columns=[column.name for column in self.settings.tables()[name].columns])

    def batches(self) -> pd.DataFrame:
        """The runs that count, indexed by `run`, with day, made_at and the factors."""
        return self.rows("runs").set_index("run", drop=True)

    def left_out(self) -> pd.DataFrame:
        """Every row that was left out, with columns table, row, run, reason."""
        found = []
        for name, table in self.tables.items():
            for row, cells in table.left_out.iterrows():
                found.append((name, row, cells.get("run", ""), cells["leave_out"]))
        return pd.DataFrame(found, columns=["table", "row", "run", "reason"])

    def absent(self) -> list[str]:
        """Names of the tables that are not there or hold no row to analyse."""
        return [name for name in TABLES if not self.has(name)]


def load(folder: str | Path) -> Trial:
    """Read and check a trial folder.

    Parameters
    ----------
    folder : str or Path
        Holds ``trial.toml`` and the tables; see the README for both.

    Returns
    -------
    Trial

    Raises
    ------
    BadInput
        With every problem found. Nothing in the folder is changed, ever. An earlier trial that has problems
        of its own stops nothing: it is passed over, and a doubt says so.
    """
    trial, wanted = _load(Path(folder))
    trial = _with_confirmed(trial)
    return _with_earlier(trial, wanted) if wanted else trial


def _load(folder: Path, *, follow: bool = True) -> tuple[Trial, list[Named]]:
    """The trial without the earlier ones, and which those are."""
    if not folder.is_dir():
        what = "there is no such folder." if not folder.exists() else "it is not a folder."
        raise BadInput([Problem(str(folder), what, "Check the name, or make one with: fizzlab new FOLDER.")])
    settings, problems = read_settings(folder)
    raws, found, doubts, inputs = read_all(folder)
    problems += found
    if settings is None:
        raise BadInput(problems + _unusable_without_settings(raws))
    wanted, found = named(folder, settings.earlier.trials if settings.earlier and follow else ())
    problems += found
    parsed: dict[str, Table] = {}
    clean: set[str] = set()
    for name, raw in raws.items():
        table, found = parse(raw, columns_of(name, settings, raw), TABLES[name].planned)
        hard = [problem for problem in found if problem.weight == "problem"]
        problems += hard
        doubts += [problem for problem in found if problem.weight == "doubt"]
        parsed[name] = table
        if not hard:
            clean.add(name)
    if "runs" in raws and "runs" in clean:
        levels, found, odd = checks.factor_levels(parsed["runs"], settings)
        parsed["runs"] = levels
        problems += found
        doubts += odd
    elif "runs" not in raws and not any(problem.where.startswith(("runs", WORKBOOK)) for problem in problems):
        do = "Add it, with one row a batch and at least the columns run and day."
        problems.append(Problem("runs.csv", "the table of batches is not there.", do))
    for name in TABLES:
        if name in clean and name != "runs":
            if "run" in parsed[name].rows and "runs" in clean:
                parsed[name] = checks.runs_as_spelled(parsed[name], parsed["runs"])
            parsed[name], found = with_hours(parsed[name], parsed.get("runs") if "runs" in clean else None)
            problems += found
            if BLIND.name in parsed[name].rows and "runs" in clean:
                parsed[name], found = checks.runs_by_code(parsed[name], parsed["runs"])
                problems += found
            elif BLIND.name in parsed[name].rows:
                clean.discard(name)  # without the batches no code can be looked up
    if "runs" in clean:
        problems += deviation_problems(settings.deviations, _named_runs(parsed["runs"]))
    doubts += lot_doubts(settings.lots, settings.recipe)
    doubts += _planned_but_absent(settings, raws)
    usable = {name: parsed[name] for name in TABLES if name in clean}
    found, odd = checks.across_rows(usable)
    problems += found
    doubts += odd
    if not problems and settings.drying.air != "none":
        doubts += checks.air_cover(usable)
    if problems:
        raise BadInput(_in_file_order(problems) + _in_file_order(doubts))
    tables = checks.follow_left_out_runs(usable)
    return Trial(folder, settings, tables, tuple(_in_file_order(doubts)), tuple(inputs)), wanted


def _with_confirmed(trial: Trial) -> Trial:
    """Add the trial whose choice this one confirms; it must be sound, and have the same factors."""
    asked = trial.settings.confirms
    if asked is None:
        return trial
    path = trial.folder / asked.trial
    key = "key confirms.trial"
    if not (path / FILE).is_file() or path.resolve() == trial.folder.resolve():
        what = f"“{asked.trial}” is not the folder of another trial."
        do = f"Write the way to it from {trial.folder.name or 'this folder'}, such as ../autumn."
        raise BadInput([Problem(FILE, what, do, column=key)])
    try:
        other = _load(path, follow=False)[0]
    except BadInput as error:
        hard = [problem for problem in error.problems if problem.weight == "problem"]
        what = f"the trial “{asked.trial}” cannot be read. {hard[0]}"
        raise BadInput([Problem(FILE, what, "Mend it there.", column=key)]) from error
    missing = [name for name in other.settings.factors if name not in trial.settings.factors]
    if missing:
        what = f"the trial “{asked.trial}” has the factor {missing[0]}, and this one has not."
        do = f"Copy [factors.{missing[0]}] from there, and give runs a column {missing[0]}."
        raise BadInput([Problem(FILE, what, do, column=key)])
    return replace(trial, confirms=other, inputs=(*trial.inputs, *other.inputs))


def _with_earlier(trial: Trial, wanted: list[Named]) -> Trial:
    """Add the earlier trials; each is held to the same checks, but its own earlier ones are not followed."""
    found: list[Trial] = []
    passed: list[Passed] = []
    doubts: list[Problem] = []
    for each in wanted:
        try:
            other = _load(each.folder, follow=False)[0]
        except BadInput as error:
            hard = [problem for problem in error.problems if problem.weight == "problem"]
            more = f" (the first of {len(hard)} problems)" if len(hard) > 1 else ""
            why = f"It cannot be read{more}: {hard[0]}"
        else:
            why = too_late(other.rows("runs"), trial.rows("runs")) if each.by_season else ""
            if not why:
                found.append(other)
                continue
        passed.append(Passed(each.said, why))
        if not why.startswith(LATER):  # a season folder goes on growing: nothing is wrong with that
            what = f"the earlier trial “{each.said}” is not counted."
            doubts.append(Problem(FILE, what, why, column=KEY, weight="doubt"))
    return replace(
        trial,
        doubts=tuple(_in_file_order([*trial.doubts, *doubts])),
        inputs=(*trial.inputs, *(path for other in found for path in other.inputs)),
        earlier=tuple(found),
        passed=tuple(passed),
    )


def refuse_records(folder: str | Path) -> None:
    """Refuse a folder that lies in a record: what stands there is never changed, nor added to.

    Raises
    ------
    BadInput
        It does; the sentence names the trial that the record belongs to.
    """
    path = Path(folder).resolve()
    for home in (path, *path.parents):
        if home.name == RECORDS and (home / "ledger.jsonl").is_file():
            what = "it belongs to the records, which are never changed."
            raise BadInput([Problem(str(folder), what, f"Name the folder of the trial: {home.parent.name}.")])


def _planned_but_absent(settings: TrialSettings, raws: Mapping[str, RawTable]) -> list[Problem]:
    """Tables that the plan names and the folder does not hold: perhaps under another name."""
    planned = [] if settings.plan is None else settings.plan.tables
    absent = [name for name in planned if name not in raws]  # a sheet with rows to fill in says so itself
    do = f"Fill it in, as {WORKBOOK} or a CSV file; if you did, check the file's name."
    return [
        Problem(name, "it is planned in trial.toml, but holds no readings.", do, weight="doubt")
        for name in absent
    ]


class Read(NamedTuple):
    """The tables of a folder as text, what is wrong or odd about the files, and the files themselves."""

    raws: dict[str, RawTable]
    problems: list[Problem]
    doubts: list[Problem]
    inputs: list[Path]


def read_all(folder: Path) -> Read:
    """Read every table of the folder, wherever it stands, as text."""
    out = Read({}, [], [], [folder / FILE] if (folder / FILE).exists() else [])
    waiting = len(not_put_in(Journal.open(folder).lines))
    if waiting:
        verb = "is" if waiting == 1 else "are"
        what = f"{waiting} of the readings logged at the bench {verb} not in the tables."
        do = f"Close the tables in the spreadsheet, then run: fizzlab bench {folder}"
        out.problems.append(Problem(JOURNAL, what, do))
    book = folder / WORKBOOK
    if book.exists():
        sheets, others, problems = read_sheets(book, list(TABLES))
        out.inputs.append(book)
        out.raws.update({name: raw for name, raw in sheets.items() if not raw.cells.empty})
        out.problems.extend(problems)
        for title in others:
            guess = nearest(title, TABLES)
            if guess and guess not in sheets:
                do = f"Rename it if it is meant to be {guess}."
                out.doubts.append(
                    Problem(f"{WORKBOOK}, sheet {title}", "this sheet was not read.", do, weight="doubt")
                )
    lock = open_in(book)
    if lock is not None:
        what = "it is open in a spreadsheet; what is not saved there was not read."
        do = f"Save and close it; if it is not open, delete {lock.name}."
        out.doubts.append(Problem(WORKBOOK, what, do, weight="doubt"))
    for path in sorted(folder.glob("*.xlsx")):
        if path.name != WORKBOOK and not path.name.startswith(("~", ".")):
            do = f"Rename it if it is meant to be {WORKBOOK}."
            out.doubts.append(Problem(path.name, "this file was not read.", do, weight="doubt"))
    for path in sorted(folder.glob("*.csv")):
        name = path.stem.casefold()
        if name not in TABLES:
            guess = nearest(name, TABLES)
            do = f"Rename it if it is meant to be {guess}.csv." if guess else "fizzlab has no such table."
            out.doubts.append(Problem(path.name, "this file was not read.", do, weight="doubt"))
            continue
        out.inputs.append(path)
        if name in out.raws and not unread(out.raws[name], TABLES[name].planned):
            what = f"the same table also stands in {WORKBOOK}, sheet {name}."
            out.problems.append(Problem(path.name, what, "Keep one of the two and take the other away."))
            continue
        raw, problems = read_csv(path)
        out.problems.extend(problems)
        if raw is not None:
            out.raws[name] = raw
    return out


def _unusable_without_settings(raws: Mapping[str, RawTable]) -> list[Problem]:
    """Problems of the tables that can be told before the factors are known."""
    problems = []
    for name, raw in raws.items():
        if name != "runs":
            problems += parse(raw, columns_of(name, None, raw), TABLES[name].planned)[1]
    return [problem for problem in problems if problem.weight == "problem"]


def columns_of(name: str, settings: TrialSettings | None, raw: RawTable) -> list[Column]:
    """The columns of a table, given the factors, and whether stamps or blind codes stand in it."""
    known = TABLES if settings is None else settings.tables()
    columns = list(known[name].columns)
    if name == "crumble_scores" and BLIND.name in raw.cells.columns:
        columns[0] = Column(columns[0].name, columns[0].kind, columns[0].meaning, required=False)
        columns.insert(1, BLIND)
    if any(column.name == "hours" for column in columns) and CHECKED_AT.name in raw.cells.columns:
        place = next(i for i, column in enumerate(columns) if column.name == "hours")
        hours = columns[place]
        columns[place] = Column(
            hours.name, hours.kind, hours.meaning, required=False, low=hours.low, high=hours.high
        )
        columns.insert(place + 1, CHECKED_AT)
    return columns


def _named_runs(runs: Table) -> list[str]:
    """Every batch that runs names, those that were left out too."""
    gone = list(runs.left_out["run"].str.strip()) if "run" in runs.left_out else []
    return [*runs.rows["run"], *gone]


def with_hours(table: Table, runs: Table | None) -> tuple[Table, list[Problem]]:
    """Count `hours` from the batch's `made_at` where the check was written down as a clock time."""
    rows = table.rows
    if "checked_at" not in rows.columns:
        return table, []
    problems = []
    made_at = (
        runs.rows.drop_duplicates("run").set_index("run")["made_at"]
        if runs is not None
        else pd.Series(dtype=object)
    )
    known = rows["run"].isin(made_at.index)
    made = rows["run"].map(made_at)
    stamped = rows["checked_at"].notna()
    counted = (rows["checked_at"] - pd.to_datetime(made)).dt.total_seconds() / 3600
    for row in rows.index:
        both, none = stamped[row] and not np.isnan(rows["hours"][row]), not stamped[row]
        if both:
            problems.append((row, "hours and checked_at are both filled in.", "Keep one of the two."))
        elif none and np.isnan(rows["hours"][row]):
            problems.append((row, "the time of the check is missing.", "Fill in checked_at or hours."))
        elif stamped[row] and known[row] and pd.isna(made[row]):
            do = f"Fill in made_at for batch {rows['run'][row]} in runs, or write hours here."
            problems.append((row, "hours cannot be counted from checked_at without the time of making.", do))
        elif stamped[row] and counted[row] < 0:
            what = f"the check stands before the batch was made ({made[row]:%Y-%m-%d %H:%M})."
            problems.append((row, what, "Correct checked_at here, or made_at in runs."))
    rows = rows.assign(hours=rows["hours"].where(~stamped, counted)).drop(columns="checked_at")
    found = [Problem(table.where, what, do, row=int(row), column="checked_at") for row, what, do in problems]
    return Table(table.where, rows, table.left_out), found


def _in_file_order(problems: list[Problem]) -> list[Problem]:
    """Group by file, keep trial.toml first, then by row."""
    files = list(dict.fromkeys([FILE, *(problem.where for problem in problems)]))
    return sorted(problems, key=lambda problem: (files.index(problem.where), problem.row or 0))
