"""Logging at the bench, without buttons: readings go into the trial's own tables one at a time, safely.

A reading is checked as the trial's loader would, written into the journal (then it is safe) and into its
table. `fizzlab.bench.buttons` puts buttons on it.
"""

from __future__ import annotations

import datetime as dt
import re
import shutil
from functools import cached_property
from itertools import pairwise, product
from pathlib import Path
from typing import Any, NamedTuple

import pandas as pd

from fizzlab.bench.files import FileBusy, Files, after, rows_of
from fizzlab.bench.place import fits, place, plain, undo
from fizzlab.errors import BadInput, Problem, hard
from fizzlab.measures import BLIND, LEAVE_OUT, NOTE, PIECE, RUN, Column
from fizzlab.trial import checks
from fizzlab.trial.folder import WORKBOOK, columns_of, folder_there
from fizzlab.trial.journal import JOURNAL, Cells, Change, Entry, Journal, Line, Running
from fizzlab.trial.locks import Busy
from fizzlab.trial.placing import changing, held
from fizzlab.trial.settings import FILE, read_settings
from fizzlab.trial.tables import RawTable, Table, parse

#: Tables that are logged by the stopwatch.
FIZZING = ("fizz_times", "fizz_curves")

#: The soonest that a piece is logged as dry, in hours: just after it was made, never at 0 h.
SOONEST_H = "0.01"

_PIECE = re.compile(r"[\w][\w .-]{0,19}")


class Tray(NamedTuple):
    """A batch as it is chosen, by its code where the trial has codes; `made_at` in seconds since 1970."""

    run: str
    label: str
    made_at: float | None


class Form(NamedTuple):
    """What is filled in for one table; the text of the columns in `kept`, such as rater, stays."""

    table: str
    meaning: str
    columns: tuple[Column, ...]
    by_piece: bool
    timed: bool
    kept: frozenset[str]


class Look(NamedTuple):
    """Pieces of one tray to be looked at, or weighed, `hours` after making; due in seconds since 1970."""

    table: str
    run: str
    label: str
    pieces: tuple[str, ...]
    hours: float
    due: float


class Message(NamedTuple):
    """One reading in the list of what was logged; `waits` says why it is not in its table yet, if so."""

    at: float
    says: str
    waits: str = ""


class Logbook:
    """Readings of one trial, logged one at a time; opening it puts in what a dead computer left.

    Times are seconds since 1970 by the wall clock; the logbook has no clock of its own. What logs returns a
    `Message` once the reading is on the disk, and raises BadInput if it was not logged.
    """

    def __init__(self, folder: str | Path) -> None:
        self.folder = Path(folder)
        folder_there(self.folder)
        settings, problems = read_settings(self.folder)
        if settings is None:
            raise BadInput(problems)
        self.settings, self.tables = settings, settings.tables()
        self.journal = Journal.open(self.folder)
        self.files = Files(self.folder, self.tables)
        self._waits: dict[int, str] = {}
        self._runs: tuple[RawTable, Table] | None = None
        self._batches()
        self._keep({"did": "open"})
        self.put_in()

    def trays(self) -> list[Tray]:
        """The batches; by blind code, in the order of the codes, where every batch has one."""
        rows = self._batches().rows
        blind = (rows["blind"] != "").all() and not rows["blind"].str.casefold().duplicated().any()
        # clock times of the workshop, which is taken to be in this computer's time zone
        made = [None if pd.isna(at) else at.to_pydatetime().timestamp() for at in rows["made_at"]]
        labels = rows["blind"] if blind else rows["run"]
        trays = [Tray(run, label, at) for run, label, at in zip(rows["run"], labels, made, strict=True)]
        return sorted(trays, key=lambda tray: tray.label) if blind else trays

    def tray(self, run: str) -> Tray:
        """The tray of a batch."""
        return next((tray for tray in self.trays() if tray.run == run), Tray(run, run, None))

    @cached_property
    def forms(self) -> dict[str, Form]:
        """What can be logged, by table: what is planned, timed, or the maker's own; all without a plan."""
        plan = self.settings.plan
        known = {*FIZZING, *(each.table for each in self.settings.measures().values() if not each.study)}
        found = {}
        for name, spec in self.tables.items():
            names = {column.name for column in spec.columns}
            timed = spec.time == "hours"
            if plan is not None and not (name in (*plan.tables, *known) or timed):
                continue
            passed = {RUN.name, PIECE.name, NOTE.name, BLIND.name, *(["hours"] if timed else [])}
            if name == "runs":
                passed |= {column.name for column in spec.columns if column.kind in ("text", "moment")}
                passed |= set(self.settings.factors)
            if RUN.name in names:
                columns = tuple(column for column in spec.columns if column.name not in passed)
                kept = frozenset(spec.planned) - passed
                found[name] = Form(name, spec.meaning, columns, PIECE.name in names, timed, kept)
        return found

    def pieces(self, run: str) -> list[str]:
        """Names of the pieces of a batch: those of the plan, and others that were logged."""
        planned = range(self.settings.plan.pieces if self.settings.plan else 4)
        own = [entry.cells.get("piece", "") for entry in self.journal.live() if entry.cells["run"] == run]
        return list(dict.fromkeys([*(str(piece + 1) for piece in planned), *filter(None, own)]))

    def logged(self) -> list[Message]:
        """What was logged and holds, the newest first."""
        return [
            Message(entry.at, entry.says, self._waits.get(entry.id, ""))
            for entry in reversed(self.journal.live())
        ]

    def waiting(self) -> list[str]:
        """Why some readings stand in the journal only; empty if all are in their tables."""
        return list(dict.fromkeys(self._waits.values()))

    @property
    def running(self) -> Running | None:
        """The stopwatch, if it runs."""
        return self.journal.running

    def next_looks(self) -> list[Look]:
        """The planned looks and weighings still ahead or overdue, of pieces that were not dry.

        A look is over once a reading was nearer to it than to the one before.
        """
        looks: list[Look] = []
        plan = self.settings.plan
        for name in plan.tables if plan is not None else ():
            if plan is None or name not in self.forms or not self.forms[name].timed:
                continue
            over: dict[Any, float] = self._read(name).groupby(["run", "piece"])["hours"].max().to_dict()
            over |= dict.fromkeys(self._ended(name), float("inf"))
            for tray, (before, hours) in product(self.trays(), pairwise([0.0, *plan.look_hours(name)])):
                middle, run = (before + hours) / 2, tray.run
                pieces = [piece for piece in self.pieces(run) if middle > over.get((run, piece), -1.0)]
                if tray.made_at is not None and pieces:
                    due = tray.made_at + hours * 3600
                    looks.append(Look(name, run, tray.label, tuple(pieces), hours, due))
        return sorted(looks, key=lambda look: look.due)

    def _ended(self, table: str) -> dict[tuple[str, str], float]:
        """When the readings of a batch's piece ended, such as when it was first dry."""
        found: dict[Any, float] = {}
        for column in self.forms[table].columns:
            if column.ends:
                rows = self._read(table)
                over = rows[rows[column.name].fillna(False).astype(bool)]
                found |= over.groupby(["run", "piece"])["hours"].min().to_dict()
        return found

    def made(self, run: str, at: float) -> Message:
        """Write down that a batch was pressed now."""
        moment = dt.datetime.fromtimestamp(at).replace(second=0, microsecond=0)
        cells = {"run": run, "made_at": moment.isoformat(timespec="minutes")}
        return self._log("runs", cells, f"{self.tray(run).label}: made at {moment:%H:%M}", at)

    def log(self, table: str, run: str, piece: str, readings: Cells, at: float) -> Message:
        """Log the readings of a form, at this hour since making where the form is timed.

        A piece that is wet after it was dry is logged and left out, with that as the reason.
        """
        form, cells, said = self.forms[table], {"run": run}, []
        if form.by_piece:
            cells["piece"] = piece
        if form.timed:
            cells["hours"] = self._hours(run, at)
        for column in form.columns:
            text = plain(readings.get(column.name, ""))
            if text or column.required:
                cells[column.name] = text
                said.append(spoken(column, text))
        if not said:
            raise BadInput([Problem(form.meaning, "nothing is filled in.", "Type or press a reading first.")])
        ends = any(each.ends and cells.get(each.name) == "yes" for each in form.columns)
        if form.timed and ends and float(cells["hours"]) == 0:
            cells["hours"] = SOONEST_H
        says = f"{self._at(cells)}: {', '.join(said)}" + (f" at {cells['hours']} h" if form.timed else "")
        ended = self._ended(table).get((run, piece))
        for column in form.columns if ended is not None else ():
            if column.ends and cells.get(column.name) == "no":
                was = f"{spoken(column, 'yes')} at {ended:g} h"
                cells[LEAVE_OUT.name] = f"{spoken(column, 'no')} after it was {was}"
                says += f" (left out: it was {was})"
        return self._log(table, cells, says, at)

    def start(self, run: str, piece: str, water_c: str, at: float) -> str:
        """Start the stopwatch for a piece that goes into the water; gives what to know."""
        if self.running is not None:
            what = f"it runs for {self._at(vars(self.running))}."
            raise BadInput([Problem("stopwatch", what, "Stop it first.")])
        self._refuse_row("fizz_times", {"piece": piece, "water_c": water_c})
        times = self._read("fizz_times")
        self._keep({"did": "start", "run": run, "piece": piece, "water_c": plain(water_c), "at": at})
        if ((times["run"] == run) & (times["piece"] == piece)).any():
            return "The stopwatch runs. This piece has a fizz time already, so no end will be taken for it."
        return "The stopwatch runs."

    def stop(self) -> None:
        """Stop the stopwatch without logging."""
        self.under_the_watch(0.0)
        self._keep({"did": "stop"})

    def colour(self, at: float) -> Message:
        """Log the first colour at the stopwatch's second: so far watched, and not finished."""
        cells = self.under_the_watch(at)
        cells |= {"done": "no", "colour_s": cells["seconds"]}
        return self._log("fizz_times", cells, f"{self._at(cells)}: colour at {cells['seconds']} s", at)

    def end(self, at: float, *, done: bool = True) -> Message:
        """Log the end of the fizz, or of the watching; the stopwatch goes on if masses were logged by it."""
        cells = {**self.under_the_watch(at), "done": "yes" if done else "no"}
        more: dict[str, Any] = {"stops": not self.journal.on_this_watch("fizz_curves")}
        for earlier in self.journal.on_this_watch("fizz_times")[-1:]:
            cells["colour_s"] = earlier.cells.get("colour_s", "")
            more["replaces"] = earlier.id
        ended = "fizz ended" if done else "still fizzing"
        says = f"{self._at(cells)}: {ended} at {cells['seconds']} s"
        return self._log("fizz_times", cells, says, at, **more)

    def under_the_watch(self, at: float) -> dict[str, str]:
        """The piece in the water, how warm that is, and the stopwatch's second (BadInput if it stands)."""
        watch = self.running
        if watch is None:
            raise BadInput([Problem("stopwatch", "it does not run.", "Start it as the piece goes in.")])
        seconds = plain(f"{at - watch.at:.1f}")
        return {"run": watch.run, "piece": watch.piece, "water_c": watch.water_c, "seconds": seconds}

    def undo(self, at: float) -> str:
        """Take back the last reading that holds, and say which it was."""
        live = self.journal.live()
        if not live:
            raise BadInput([Problem("undo", "nothing is logged.", "")])
        number = self.journal.last + 1
        self._keep({"did": "undo", "id": number, "of": live[-1].id, "at": at})
        self._waits.pop(live[-1].id, None)
        self.put_in()
        if live[-1] in self.journal.live():
            self._waits.pop(number)
            raise self._changed_since(live[-1])
        return live[-1].says

    def _log(self, table: str, cells: Cells, says: str, at: float, **more: Any) -> Message:
        entry = Entry(self.journal.last + 1, at, table, cells, says, **more)
        self._check(entry)
        line: Line = {"did": "log", "id": entry.id, "at": at, "table": table, "cells": dict(cells)}
        self._keep({**line, "says": says, **{name: value for name, value in more.items() if value}})
        self.put_in()
        return Message(at, says, self._waits.get(entry.id, ""))

    def put_in(self) -> None:
        """Put what waits in the journal into its tables, as far as they can be written now."""
        self._waits = {}
        for entry in self.journal.waiting():
            try:
                with held(self.folder, patience_s=5):
                    self._write(entry)
            except (BadInput, FileBusy, Busy) as error:
                self._waits[entry.id] = str(error)
            except OSError as error:
                self._waits[entry.id] = f"The computer refused ({error.strerror or error})."

    def _write(self, entry: Entry) -> None:
        raw = self.files.read(entry.table)
        begun = self.journal.begun.get(entry.id)
        if begun is not None:  # stopped in between: did it reach the file?
            reached = fits(rows_of(raw), undo(begun))
            self._keep({"did": "written" if reached else "not_written", "id": entry.id})
            if reached:
                return
        if entry not in self.journal.waiting():  # taken back before it reached its table
            return
        changes = self._changes(entry, raw)
        if entry.of and not fits(rows_of(raw), changes):
            taken_back = self.journal.entries[entry.of]
            self._keep({"did": "kept", "id": entry.id})
            raise self._changed_since(taken_back)
        self._keep({"did": "writing", "id": entry.id, "changes": [list(change) for change in changes]})
        try:
            if changes:
                columns = columns_of(entry.table, self.settings, raw)
                self.files.write(entry.table, changes, {column.name: column.kind for column in columns})
        except FileBusy:
            self._keep({"did": "not_written", "id": entry.id})
            raise
        self._keep({"did": "written", "id": entry.id})

    def _changes(self, entry: Entry, raw: RawTable) -> list[Change]:
        """What an entry does to its table, or takes back."""
        if entry.of:
            return undo(self.journal.changes.get(entry.of, []))
        instead = self.journal.entries[entry.replaces].cells if entry.replaces else None
        cells, columns = dict(entry.cells), raw.cells.columns
        if BLIND.name in columns and RUN.name not in columns:  # the sheet of a scorer, who sees codes only
            runs = self._batches().rows
            cells[BLIND.name] = str(runs.loc[runs["run"] == cells.pop("run"), "blind"].iloc[0])
        return place(rows_of(raw), columns, self.tables[entry.table], cells, instead)

    def _refuse_row(self, table: str, cells: Cells) -> None:
        """Refuse cells that the trial's loader would refuse by themselves, and odd names of pieces."""
        piece = cells.get("piece", "1")
        if not _PIECE.fullmatch(piece):
            what = "a piece is named by up to 20 letters and digits." if piece else "no piece is chosen."
            raise BadInput([Problem("piece", what, "Choose or name one.")])
        one = RawTable(table, pd.DataFrame([dict(cells)], index=[2]))
        found = parse(one, [column for column in self.tables[table].columns if column.name in cells])[1]
        if found:
            raise BadInput(Problem(table, each.what, each.do, column=each.column) for each in found)

    def _check(self, entry: Entry) -> None:
        """Refuse a reading that the trial's loader would refuse, by itself or in its table."""
        self._refuse_row(entry.table, entry.cells)
        try:
            view = self._view(entry.table)
        except (BadInput, OSError):
            return  # it waits in the journal until the table can be read
        changes = self._changes(entry, view)
        if not changes:
            raise BadInput([Problem(view.where, "this reading stands there already.", "")])
        found = self._faults(entry.table, after(view, changes))
        if found and not self._faults(entry.table, view):  # which must not stop the logging
            raise BadInput(found)

    def _faults(self, table: str, raw: RawTable) -> list[Problem]:
        """What the trial's loader would refuse in a table."""
        if raw.cells.empty:
            return []
        read, found = self._loaded(table, raw)
        if found or table == "runs":
            return found
        return hard(checks.across_rows({table: read, "runs": self._batches()}, self.tables))

    def _loaded(self, table: str, raw: RawTable) -> tuple[Table, list[Problem]]:
        """A table as the trial's loader reads it, also where codes or clock times stand, and its problems."""
        read, found = parse(raw, columns_of(table, self.settings, raw), self.tables[table].planned)
        found = hard(found)
        if found or table == "runs":
            return read, found
        runs = self._batches()
        if BLIND.name in read.rows:
            return checks.runs_by_code(read, runs)
        return checks.with_hours(checks.runs_as_spelled(read, runs), runs)

    def _view(self, table: str) -> RawTable:
        """A table with what still waits for it."""
        raw = self.files.read(table)
        for entry in self.journal.waiting():
            if entry.table == table:
                try:
                    changes = self._changes(entry, raw)
                except BadInput:
                    continue
                if fits(rows_of(raw), changes):
                    raw = after(raw, changes)
        return raw

    def _read(self, table: str) -> pd.DataFrame:
        """The rows of a table with what still waits for it; none where it cannot be read."""
        try:
            return self._loaded(table, self._view(table))[0].rows
        except (BadInput, OSError):
            return pd.DataFrame(columns=[column.name for column in self.tables[table].columns])

    def _batches(self) -> Table:
        raw = self._view("runs")
        if self._runs is None or self._runs[0] is not raw:
            read, problems = self._loaded("runs", raw)
            problems = problems or hard(checks.factor_levels(read, self.settings)[1])
            if problems:
                raise BadInput(problems)
            self._runs = (raw, read)
        return self._runs[1]

    def _keep(self, line: Line) -> None:
        try:
            self.journal.add(line)
        except OSError as error:
            what = f"the computer refused to write it ({error.strerror or error})."
            do = "Write it on paper, and look whether the disk is full or the folder may not be written to."
            raise BadInput([Problem(JOURNAL, what, do)]) from None

    def _at(self, cells: Cells) -> str:
        """Whose reading it is, in words."""
        piece = f", piece {cells['piece']}" if "piece" in cells else ""
        return f"{self.tray(cells['run']).label}{piece}"

    def _hours(self, run: str, at: float) -> str:
        tray = self.tray(run)
        if tray.made_at is None:
            what = f"{tray.label} has no time of making, so hours cannot be counted."
            do = "Press “Made now” when it is pressed, or fill in made_at."
            raise BadInput([Problem("runs", what, do)])
        return plain(f"{(at - tray.made_at) / 3600:.2f}")

    def _changed_since(self, entry: Entry) -> BadInput:
        what = f"“{entry.says}” was not taken back: its row was changed by hand since."
        return BadInput([Problem(self.files.read(entry.table).where, what, "Correct it there.")])


def spoken(column: Column, text: str) -> str:
    """A reading in words.

    >>> from fizzlab.measures import DRY, MASS_G
    >>> spoken(DRY, "no"), spoken(MASS_G, "81.3")
    ('wet', '81.3 g')
    """
    if column.kind == "yes_no":
        words = [word for word, yes in column.also.items() if yes == (text == "yes")]
        return max(words, key=len) if words else f"{column.name.replace('_', ' ')}: {text}"
    return f"{text} {column.unit}" if column.unit else f"{column.titled} {text}"


def practice_folder(home: Path) -> Path:
    """The folder ``bench-practice`` in `home`: a planned, invented trial, made unless it is there."""
    from fizzlab.bench.planfiles import write_plan  # which loads all that a plan needs

    folder = home / "bench-practice"
    with changing(folder) as making:
        if not (folder / WORKBOOK).exists():
            shutil.copy(Path(__file__).with_name("templates") / "bench_demo" / FILE, making / FILE)
            write_plan(making)
    return folder
