"""The trial folder: read once, checked once, then handed on as a `Trial`. `load` is the only way in."""

from __future__ import annotations

import datetime as dt
import pickle
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any, NamedTuple

import pandas as pd

from fizzlab.errors import BadInput, Problem, hard, nearest, problem, refuse
from fizzlab.language import say, speaking
from fizzlab.measures import BLIND, CHECKED_AT, TABLES, Column, TableSpec
from fizzlab.trial import checks, due, placing
from fizzlab.trial.journal import JOURNAL, Journal
from fizzlab.trial.opening import READ, exchanged, language_of, open_in
from fizzlab.trial.settings import FILE, TrialSettings, read_settings
from fizzlab.trial.settings.sections import Complaints
from fizzlab.trial.tables import RawTable, Table, parse, read_csv, read_sheets, unread

# they need no pandas
RECORDS, WORKBOOK = placing.RECORDS, placing.WORKBOOK
folder_there, refuse_records = placing.folder_there, placing.refuse_records


class Exclusion(NamedTuple):
    """An earlier trial that is not counted, and why, as one plain sentence."""

    name: str
    why: str


@dataclass(frozen=True)
class Trial:
    """A checked trial: its settings, and the tables that are there (looks and weighings always with `hours`).

    `doubts` looked odd but stopped nothing; `inputs` is every file that was read, those of other trials too;
    `earlier` are the trials that `[earlier]` names, `passed` those of them that cannot be counted, and why.
    """

    folder: Path
    settings: TrialSettings
    tables: Mapping[str, Table]
    doubts: tuple[Problem, ...]
    inputs: tuple[Path, ...]
    earlier: tuple[Trial, ...] = ()
    passed: tuple[Exclusion, ...] = ()
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
        gone = ((name, *each) for name, table in self.tables.items() for each in table.left_out.iterrows())
        found = [(name, row, cells.get("run", ""), cells["leave_out"]) for name, row, cells in gone]
        return pd.DataFrame(found, columns=["table", "row", "run", "reason"])

    def without_doubtful(self) -> Trial:
        """The trial without its doubtful readings; with a row of runs goes all that was read of it."""
        tables: dict[str, Table] = {}
        for name, table in self.tables.items():
            rows = [each.row for each in self.doubts if each.reading and each.where == table.where]
            kept = table.rows.drop(index=[row for row in rows if row in table.rows.index])
            if "runs" in tables and "run" in kept:
                kept = kept[kept["run"].isin(tables["runs"].rows["run"])]
            tables[name] = replace(table, rows=kept)
        return replace(self, tables=tables, doubts=())

    def absent(self) -> list[str]:
        """Names of the tables that are not there or hold no row to analyse."""
        return [name for name in self.settings.tables() if not self.has(name)]


def load(folder: str | Path, now: dt.datetime | None = None) -> Trial:
    """Read and check a trial folder.

    Parameters
    ----------
    folder : str or Path
        Holds ``trial.toml`` and the tables; see the README for both.
    now : datetime, optional
        The workshop's clock: what is not due yet is not missing. That of the computer, if left out.

    Raises
    ------
    BadInput
        With every problem found. Nothing in the folder is changed, ever. An earlier trial that has problems
        of its own stops nothing: it is passed over, and a doubt says so.
    """
    if now is None and (told := exchanged(READ)):  # in a report's kernel
        read: Trial = pickle.loads(told.read_bytes())
        if read.folder == Path(folder).resolve():
            return read
    with speaking(language_of(Path(folder))):
        trial = _load(Path(folder), now, follow=True)
        return _with_earlier(_with_confirmed(trial), _named(trial.folder, trial.settings)[0])


def _load(folder: Path, now: dt.datetime | None = None, follow: bool = False) -> Trial:
    """The trial without the others that it names; these must be there, if they are to be followed.

    What is doubtful of one that is not followed, its own report says.
    """
    folder_there(folder)
    settings, found = read_settings(folder)
    specs = TABLES if settings is None else settings.tables()
    raws, of_files, inputs = read_all(folder, specs)
    found += of_files
    clean: dict[str, Table] = {}
    for name, raw in raws.items():
        if settings is not None or name != "runs":  # else its columns are not known
            table, of_table = parse(raw, columns_of(name, settings, raw), specs[name].planned)
            found += of_table
            if not hard(of_table):
                clean[name] = table
    if settings is None:
        raise BadInput(hard(found))
    found += _named(folder, settings)[1] if follow else []
    if "runs" not in raws and not any(each.where.startswith(("runs", WORKBOOK)) for each in hard(found)):
        found.append(problem("no_runs", "runs.csv"))
    if "runs" in clean:
        clean["runs"], of_table = checks.factor_levels(clean["runs"], settings)
        found += of_table
        found += checks.deviation_problems(settings, checks.named_runs(clean["runs"]))
    for name in [name for name in clean if name != "runs"]:
        if "runs" in clean:
            clean[name], of_table = checks.matched(clean[name], clean["runs"])
            found += of_table
        elif {BLIND.name, CHECKED_AT.name} & set(clean[name].rows):
            del clean[name]  # without the batches no code and no hours can be looked up
    tables = {name: clean[name] for name in specs if name in clean}
    found += checks.across_rows(tables, specs)
    if follow and not hard(found):
        found += due.missing(tables, specs, settings.plan, now or dt.datetime.now())
        found += checks.compared(tables, specs, settings.factors)
    if hard(found):
        raise BadInput(sorted(_in_file_order(found), key=lambda each: each.weight == "doubt"))
    if follow and settings.drying.air != "none":
        found += checks.air_cover(tables)
    return Trial(folder, settings, tables, tuple(_in_file_order(found)), tuple(inputs))


def _with_confirmed(trial: Trial) -> Trial:
    """Add the trial whose choice this one confirms; it must be sound, and have the same factors."""
    asked = trial.settings.confirms
    if asked is None:
        return trial
    path, key = trial.folder / asked.trial, say("at_key", key="confirms.trial")
    if not (path / FILE).is_file() or path.resolve() == trial.folder.resolve():
        raise refuse("confirms_no_trial", FILE, key, named=asked.trial, folder=_called(trial.folder))
    try:
        other = _load(path)
    except BadInput as error:
        first = hard(error.problems)[0]
        raise refuse("confirms_unreadable", FILE, key, named=asked.trial, first=first) from error
    for name in other.settings.factors:
        if name not in trial.settings.factors:
            raise refuse("confirms_factor", FILE, key, named=asked.trial, factor=name)
    return replace(trial, confirms=other, inputs=(*trial.inputs, *other.inputs))


def _called(folder: Path) -> str:
    return folder.name or say("this_folder")


class _Named(NamedTuple):
    """A folder that `[earlier]` names, as the maker wrote it; of a season, only what came before counts."""

    folder: Path
    said: str
    by_season: bool


def _named(folder: Path, settings: TrialSettings) -> tuple[list[_Named], list[Problem]]:
    """The folders of earlier trials, each once, in the order of the list."""
    found: dict[Path, _Named] = {}
    problems, key = Complaints(), "earlier.trials"
    own = folder.resolve()
    for said in settings.earlier.trials if settings.earlier else ():
        path = folder / said
        inside = sorted(each.parent for each in path.glob(f"*/{FILE}"))  # this trial may be the first
        if not path.is_dir():
            says = "earlier_file" if path.exists() else "earlier_no_folder"
            problems.add(says, key, named=said, folder=_called(folder))
        elif path.resolve() == own:
            problems.add("earlier_itself", key, named=said)
        elif (path / FILE).is_file():
            found.setdefault(path.resolve(), _Named(path, said, False))
        elif not inside:
            problems.add("earlier_holds_none", key, named=said, file=FILE)
        else:
            for each in inside:
                if each.resolve() != own:
                    name = f"{said.rstrip('/')}/{each.name}"
                    found.setdefault(each.resolve(), _Named(each, name, True))
    return list(found.values()), problems


def _with_earlier(trial: Trial, wanted: Sequence[_Named]) -> Trial:
    """Add the earlier trials; each is held to the same checks, but its own earlier ones are not followed."""
    found: list[Trial] = []
    passed: list[Exclusion] = []
    doubts = list(trial.doubts)
    mine = trial.rows("runs")["made_at"].min()
    for each in wanted:
        why, doubtful = "", True
        try:
            other = _load(each.folder)
        except BadInput as error:
            wrong = hard(error.problems)
            why = say("earlier_unreadable", n=len(wrong), first=wrong[0])
        else:
            first = other.rows("runs")["made_at"].min()
            if each.by_season and (pd.isna(first) or pd.isna(mine)):
                why = say("earlier_undated" if pd.isna(first) else "this_undated")
            elif each.by_season and first >= mine:  # a season goes on growing: nothing is wrong with that
                why, doubtful = say("earlier_later", first=first), False
        if not why:
            found.append(other)
            continue
        passed.append(Exclusion(each.said, why))
        if doubtful:
            odd = partial(problem, "earlier_not_counted", FILE, weight="doubt", named=each.said, why=why)
            doubts.append(odd(column=say("at_key", key="earlier.trials")))
    return replace(
        trial,
        doubts=tuple(_in_file_order(doubts)),
        inputs=(*trial.inputs, *(path for other in found for path in other.inputs)),
        earlier=tuple(found),
        passed=tuple(passed),
    )


class Contents(NamedTuple):
    """The tables of a folder as text, what is wrong or odd about the files, and the files themselves."""

    raws: dict[str, RawTable]
    problems: list[Problem]
    inputs: list[Path]


def read_all(folder: Path, specs: Mapping[str, TableSpec] = TABLES) -> Contents:
    """Read every table of the folder, wherever it stands, as text."""
    out = Contents({}, [], [folder / FILE] if (folder / FILE).exists() else [])

    def odd(says: str, where: str, **filled: Any) -> None:
        out.problems.append(problem(says, where, weight="doubt", **filled))

    waiting = len(Journal.open(folder).waiting())
    if waiting:
        out.problems.append(problem("bench_waits", JOURNAL, n=waiting, folder=folder))
    book = folder / WORKBOOK
    if book.exists():
        sheets, others, problems = read_sheets(book, list(specs))
        out.inputs.append(book)
        out.raws.update({name: raw for name, raw in sheets.items() if not raw.cells.empty})
        out.problems.extend(problems)
        for title, guess in [(title, nearest(title, specs)) for title in others]:
            if guess and guess not in sheets:
                odd("sheet_unread", say("at_sheet", book=WORKBOOK, sheet=title), guess=guess)
    lock = open_in(book)
    if lock is not None:
        odd("book_open", WORKBOOK, lock=lock.name)
    for path in sorted(folder.glob("*.xlsx")):
        if path.name != WORKBOOK and not path.name.startswith(("~", ".")):
            odd("file_unread", path.name, guess=WORKBOOK)
    for path in sorted(folder.glob("*.csv")):
        name = path.stem.casefold()
        if name not in specs:
            guess = nearest(name, specs)
            odd("file_unread" if guess else "file_unknown", path.name, guess=f"{guess}.csv")
            continue
        out.inputs.append(path)
        raw, problems = read_csv(path)
        if name in out.raws and not unread(out.raws[name], specs[name].planned):
            problems = [problem("table_twice", path.name, book=WORKBOOK, sheet=name)]
        elif raw is not None:
            out.raws[name] = raw
        out.problems.extend(problems)
    return out


def columns_of(name: str, settings: TrialSettings | None, raw: RawTable) -> list[Column]:
    """The columns of a table, given the factors, and whether stamps or blind codes stand in it."""
    columns = list((TABLES if settings is None else settings.tables())[name].columns)
    # a code may stand for the batch, and a moment for the hours
    for own, instead in (("run", BLIND), ("hours", CHECKED_AT)):
        place = next((i for i, column in enumerate(columns) if column.name == own), None)
        if place is not None and name != "runs" and instead.name in raw.cells.columns:
            columns[place : place + 1] = [replace(columns[place], required=False), instead]
    return columns


def _in_file_order(problems: Sequence[Problem]) -> list[Problem]:
    """Group by file, keep trial.toml first, then by row."""
    files = list(dict.fromkeys([FILE, *(problem.where for problem in problems)]))
    return sorted(problems, key=lambda problem: (files.index(problem.where), problem.row or 0))
