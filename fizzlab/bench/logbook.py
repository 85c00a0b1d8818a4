"""Logging at the bench, without buttons: readings go into the trial's own tables one at a time, safely.

A reading is checked as the trial's loader would, written into the journal (then it is safe) and into its
table. `fizzlab.bench.buttons` puts buttons on it.
"""

from __future__ import annotations

import datetime as dt
import io
import re
import shutil
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from functools import cached_property
from itertools import count, groupby, pairwise
from pathlib import Path
from typing import Any, NamedTuple

import pandas as pd

from fizzlab.bench.files import FileBusy, Files, Held
from fizzlab.bench.place import fits, place, plain, undo
from fizzlab.bench.sheet import look_hours
from fizzlab.errors import BadInput, Problem
from fizzlab.measures import BLIND, LEAVE_OUT, NOTE, PIECE, RUN, Column
from fizzlab.records.locks import locked
from fizzlab.trial import checks
from fizzlab.trial.folder import columns_of, folder_there
from fizzlab.trial.journal import JOURNAL, Cells, Change, Entry, Journal, Line, Running
from fizzlab.trial.placing import write_whole
from fizzlab.trial.settings import FILE, read_settings
from fizzlab.trial.tables import RawTable, Table, parse

#: Tables that are logged by the stopwatch.
FIZZING = ("fizz_times", "fizz_curves")

#: The soonest that a piece is logged as dry, in hours: just after it was made, never at 0 h.
SOONEST_H = "0.01"

#: A table that takes longer to write waits until nobody presses; the reading is safe in the journal before.
SLOW_S = 0.5

#: Photographs: the kinds that are kept with the ends of their names, and the largest.
PHOTOS, PHOTO_BYTES = {"JPEG": "jpg", "PNG": "png", "WEBP": "webp"}, 25 << 20

_PIECE = re.compile(r"[\w][\w .-]{0,19}")


class Tray(NamedTuple):
    """A batch as it is chosen, by its code where the trial has codes; `made_at` in seconds since 1970."""

    run: str
    label: str
    made_at: float | None
    day: str = ""


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
        self._held = False
        self._runs: tuple[object, Table, list[Tray]] | None = None
        self._frames: dict[tuple[str, str], tuple[dict[int, Cells], pd.DataFrame]] = {}
        self._batches()
        self._keep({"did": "open"})
        self.put_in()

    def trays(self) -> list[Tray]:
        """The batches; by blind code, in the order of the codes, where every batch has one."""
        trays = self._in_order()
        return (
            sorted(trays, key=lambda tray: tray.label) if trays and trays[0].label != trays[0].run else trays
        )

    def _in_order(self) -> list[Tray]:
        """The batches in the order of making."""
        self._batches()
        return self._runs[2] if self._runs is not None else []

    def tray(self, run: str) -> Tray:
        """The tray of a batch."""
        return next((tray for tray in self._in_order() if tray.run == run), Tray(run, run, None))

    def to_make(self, now: float) -> Tray | None:
        """The next batch to make; none once the batches of the day on which some were made today are done."""
        today = dt.datetime.fromtimestamp(now).date()
        made = [tray for tray in self._in_order() if tray.made_at is not None]
        days = {tray.day for tray in made if dt.datetime.fromtimestamp(tray.made_at or 0).date() == today}
        ahead = [tray for tray in self._in_order() if tray.made_at is None]
        return next((tray for tray in ahead if not days or tray.day in days), None)

    @cached_property
    def forms(self) -> dict[str, Form]:
        """What can be logged, by table: what is planned, timed, or the maker's own; all without a plan."""
        plan = self.settings.plan
        known = {
            "runs",
            *FIZZING,
            *(each.table for each in self.settings.measures().values() if not each.study),
        }
        found = {}
        for name, spec in self.tables.items():
            names = {column.name for column in spec.columns}
            timed = spec.time == "hours"
            if plan is not None and not (name in (*plan.tables, *known) or timed):
                continue
            passed = {RUN.name, PIECE.name, NOTE.name, BLIND.name, *(["hours"] if timed else [])}
            if name == "runs":
                passed |= {column.name for column in spec.columns if column.kind in ("text", "moment")}
                passed = passed.union(self.settings.factors) - {NOTE.name}
            if RUN.name in names:
                columns = tuple(column for column in spec.columns if column.name not in passed)
                kept = frozenset(spec.planned) - passed
                meaning = "what else happened as it was made" if name == "runs" else spec.meaning
                found[name] = Form(name, meaning, columns, PIECE.name in names, timed, kept)
        return found

    def pieces(self, run: str) -> list[str]:
        """Names of the pieces of a batch: those of the plan, and others that were logged."""
        planned = range(self.settings.plan.pieces if self.settings.plan else 4)
        logged = [piece for piece, times in self.journal.pieces[run].items() if piece and times > 0]
        return list(dict.fromkeys([*(str(piece + 1) for piece in planned), *logged]))

    def logged(self, newest: int | None = None) -> list[Message]:
        """What was logged and holds, or so many of it, the newest first."""
        entries = self.journal.live(len(self.journal) if newest is None else newest)
        return [Message(entry.at, entry.says, self._waits.get(entry.id, "")) for entry in entries]

    def waiting(self) -> list[str]:
        """Why some readings stand in the journal only; empty if all are in their tables."""
        return list(dict.fromkeys(self._waits.values()))

    @property
    def behind(self) -> bool:
        """Do readings stand in the journal that nobody tried to put into their tables yet?"""
        return any(entry.id not in self._waits for entry in self.journal.waiting())

    @property
    def running(self) -> Running | None:
        """The stopwatch, if it runs."""
        return self.journal.running

    def next_looks(self, now: float) -> list[Look]:
        """The planned looks and weighings still ahead or due, of pieces that were not dry.

        A look is over once a reading was nearer to it than to the one before; and it is missed once the next
        is nearer, or when half as much time again has passed.
        """
        looks: list[Look] = []
        plan = self.settings.plan
        for name in plan.tables if plan is not None else ():
            if plan is None or name not in self.forms or not self.forms[name].timed:
                continue
            hours, held = look_hours(plan, name), self._view(name)
            befores, lasts = (
                [0.0, *hours[:-1]],
                [*((a + b) / 2 for a, b in pairwise(hours)), *(h * 1.5 for h in hours[-1:])],
            )
            for tray in self._in_order():
                age = (now - tray.made_at) / 3600 if tray.made_at is not None else float("inf")
                if not hours or age > lasts[-1]:
                    continue
                over = self._rows(name, tray.run, held).groupby("piece")["hours"].max().to_dict()
                over |= dict.fromkeys(self._ended(name, tray.run, held), float("inf"))
                pieces = self.pieces(tray.run)
                for before, at, last in zip(befores, hours, lasts, strict=True):
                    due = [piece for piece in pieces if (before + at) / 2 > over.get(piece, -1.0)]
                    if due and age <= last and tray.made_at is not None:
                        looks.append(
                            Look(name, tray.run, tray.label, tuple(due), at, tray.made_at + at * 3600)
                        )
        return sorted(looks, key=lambda look: look.due)

    def _ended(self, table: str, run: str, held: Held | None = None) -> dict[str, float]:
        """When the readings of a batch's pieces ended, such as when one was first dry."""
        found: dict[Any, float] = {}
        for column in self.forms[table].columns:
            if column.ends:
                rows = self._rows(table, run, held)
                over = rows[rows[column.name].fillna(False).astype(bool)]
                found |= over.groupby("piece")["hours"].min().to_dict()
        return found

    def suggested(self, table: str, run: str) -> dict[str, str]:
        """What is likely to be typed next: the count that goes on, and the height one step up or down."""
        rows, found = self._rows(table, run), dict[str, str]()
        for column in self.forms[table].columns:
            seen: Any = rows[column.name].dropna() if column.next else ()
            if column.next == "count":
                found[column.name] = str(int(seen.max()) + 1 if len(seen) else 1)
            elif column.next and len(seen):
                moved = seen.diff().abs()
                step = next(
                    (each for each in reversed(moved.tolist()) if each > 0),
                    max(round(seen.iloc[-1] / 30) * 5, 1),
                )
                at = seen.iloc[-1] + (-step if rows[column.next].iloc[-1] else step)
                found[column.name] = plain(str(at)) if at > 0 else ""
        return found

    def later(self, table: str, run: str, piece: str, readings: Cells, at: float) -> str:
        """Keep what is typed of a row that has more to come, such as a mass before the tumble."""
        cells = {name: plain(text) for name, text in readings.items() if plain(text)}
        self._refuse_row(table, cells)
        self._keep({"did": "draft", "at": at, "table": table, "run": run, "piece": piece, "cells": cells})
        return f"Kept for later: {self._at({'run': run, **({'piece': piece} if piece else {})})}."

    def draft(self, table: str, run: str, piece: str) -> Cells:
        """What was kept for later."""
        return self.journal.drafts.get((table, run, piece), {})

    def photo(self, run: str, piece: str, data: bytes, at: float) -> str:
        """Keep a photograph under ``photos``, named by batch, piece and time; its path in the folder."""
        from PIL import Image

        try:
            kind = (
                Image.open(io.BytesIO(data), formats=list(PHOTOS)).format
                if len(data) <= PHOTO_BYTES
                else None
            )
        except (OSError, ValueError, Image.DecompressionBombError):
            kind = None
        if kind is None:
            what = f"it is no JPEG, PNG or WebP picture of at most {PHOTO_BYTES >> 20} MB."
            raise BadInput([Problem("photograph", what, "Take it again, smaller or as JPEG.")])
        parts = [re.sub(r"[^\w-]+", "-", part) for part in (run, piece) if part]
        stem = "_".join([*parts, f"{dt.datetime.fromtimestamp(at):%Y-%m-%dT%H-%M-%S}"])
        home = self.folder / "photos"
        paths = (home / f"{stem}{f'-{n}' * (n > 1)}.{PHOTOS[kind]}" for n in count(1))
        path = next(path for path in paths if not path.exists())
        try:
            home.mkdir(exist_ok=True)
            write_whole(path, data)
        except OSError as error:
            do = (
                "Keep it on the phone, and look whether the disk is full or the folder may not be written to."
            )
            raise BadInput(
                [Problem("photograph", f"the computer refused it ({error.strerror}).", do)]
            ) from None
        self._keep({"did": "photo", "at": at, "run": run, "piece": piece, "file": path.name})
        return f"photos/{path.name}"

    def catch_up(self) -> bool:
        """Take up what another page of the same trial logged since; was there any?"""
        return self.journal.grown()

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
        ended = self._ended(table, run).get(piece) if form.timed else None
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
        self._keep({"did": "start", "run": run, "piece": piece, "water_c": plain(water_c), "at": at})
        if (self._rows("fizz_times", run)["piece"] == piece).any():
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
        if not len(self.journal):
            raise BadInput([Problem("undo", "nothing is logged.", "")])
        (last,), number = self.journal.live(1), self.journal.last + 1
        self._keep({"did": "undo", "id": number, "of": last.id, "at": at})
        self._waits.pop(last.id, None)
        self.put_in()
        if last in self.journal.live(1):
            self._waits.pop(number)
            raise self._changed_since(last)
        return last.says

    def _log(self, table: str, cells: Cells, says: str, at: float, **more: Any) -> Message:
        entry = Entry(self.journal.last + 1, at, table, cells, says, **more)
        self._check(entry)
        line: Line = {"did": "log", "id": entry.id, "at": at, "table": table, "cells": dict(cells)}
        self._keep({**line, "says": says, **{name: value for name, value in more.items() if value}})
        if self.files.cost.get(table, 0.0) < SLOW_S:  # else it goes in while nobody presses
            self.put_in()
        return Message(at, says, self._waits.get(entry.id, ""))

    def put_in(self) -> None:
        """Put what waits in the journal into its tables, as far as they can be written now."""
        with self._alone():
            self.journal.grown()
            self._waits, waiting = {}, self.journal.waiting()
            while waiting:
                together = next(groupby(waiting, key=lambda entry: entry.table))[1]
                waiting = waiting[self._write(waiting[0].table, [*together]) :]

    def _write(self, table: str, entries: Sequence[Entry]) -> int:
        """Put readings into their table, in one writing unless they touch a row twice; how many it was."""
        begun: dict[int, list[Change]] = {}
        done = 0
        try:
            held = self.files.read(table)
            held = held.copy() if len(entries) > 1 else held
            for entry in entries:
                try:
                    changes = self._begin(entry, held, {each.row for some in begun.values() for each in some})
                except BadInput as error:
                    self._waits[entry.id] = str(error)
                    changes = []
                if changes is None:
                    break
                done += 1
                if changes or entry.id in self.journal.begun:
                    begun[entry.id] = changes
                    if len(entries) > 1:
                        held.change(changes)
            changes = [change for some in begun.values() for change in some]
            if changes:
                columns = columns_of(table, self.settings, held.raw({}))
                self.files.write(table, changes, {column.name: column.kind for column in columns})
        except (BadInput, FileBusy, OSError) as error:
            why = (
                f"The computer refused ({error.strerror or error})."
                if isinstance(error, OSError)
                else str(error)
            )
            for number in begun:
                self._keep({"did": "not_written", "id": number})
            self._waits |= dict.fromkeys(begun or [entry.id for entry in entries], why)
            return max(done, 1) if begun else len(entries)
        for number in begun:
            self._keep({"did": "written", "id": number})
        return done

    def _begin(self, entry: Entry, held: Held, touched: set[int]) -> list[Change] | None:
        """The changes of a reading, in the journal before they are made; None where it must wait its turn."""
        before = self.journal.begun.get(entry.id)
        if before is not None:  # stopped in between: did it reach the file?
            reached = fits(held.rows, undo(before))
            self._keep({"did": "written" if reached else "not_written", "id": entry.id})
            if reached:
                return []
        if entry not in self.journal.waiting():  # taken back before it reached its table
            return []
        changes = self._changes(entry, held)
        if touched & {change.row for change in changes}:
            return None
        if entry.of and not fits(held.rows, changes):
            taken_back = self.journal.entries[entry.of]
            self._keep({"did": "kept", "id": entry.id})
            raise self._changed_since(taken_back)
        self._keep({"did": "writing", "id": entry.id, "changes": [list(change) for change in changes]})
        return changes

    def _changes(self, entry: Entry, held: Held) -> list[Change]:
        """What an entry does to its table, or takes back."""
        if entry.of:
            return undo(self.journal.changes.get(entry.of, []))
        instead = self.journal.entries[entry.replaces].cells if entry.replaces else None
        cells = dict(entry.cells)
        own = held.of(cells["run"], self._code(cells["run"]))
        if BLIND.name in held.header and RUN.name not in held.header:  # a scorer's sheet has codes only
            cells[BLIND.name] = self._code(cells.pop("run"))
        return place(own, held.header, self.tables[entry.table], cells, instead, held.end)

    def _code(self, run: str) -> str:
        """The blind code of a batch; empty where it has none."""
        runs = self._runs[1].rows if self._runs is not None else pd.DataFrame(columns=["run", "blind"])
        return next(iter(runs.loc[runs["run"] == run, "blind"]), "")

    def _own(self, held: Held, run: str) -> dict[int, Cells]:
        return held.of(run, self._code(run))

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
        before = view.with_firsts(self._own(view, entry.cells["run"]))
        after = {**before, **{change.row: change.after for change in changes if change.after is not None}}
        found = self._faults(entry.table, view.raw(after))
        if found and not self._faults(entry.table, view.raw(before)):  # which must not stop the logging
            raise BadInput(found)

    def _faults(self, table: str, raw: RawTable) -> list[Problem]:
        """What the trial's loader would refuse in a table."""
        if raw.cells.empty:
            return []
        read, found = self._loaded(table, raw)
        if found or table == "runs":
            return found
        runs = (
            self._batches()
        )  # of which those that were read: the others were checked as the trial was opened
        theirs = replace(runs, rows=runs.rows[runs.rows["run"].isin(read.rows["run"])])
        return checks.across_rows({table: read, "runs": theirs}, self.tables)[0]

    def _loaded(self, table: str, raw: RawTable) -> tuple[Table, list[Problem]]:
        """A table as the trial's loader reads it, also where codes or clock times stand, and its problems."""
        read, found = parse(raw, columns_of(table, self.settings, raw), self.tables[table].planned)
        found = [problem for problem in found if problem.weight == "problem"]
        if found or table == "runs":
            return read, found
        runs = self._batches()
        if BLIND.name in read.rows:
            return checks.runs_by_code(read, runs)
        return checks.with_hours(checks.runs_as_spelled(read, runs), runs)

    def _view(self, table: str) -> Held:
        """A table with what still waits for it."""
        held = self.files.read(table)
        waiting = [entry for entry in self.journal.waiting() if entry.table == table]
        held = held.copy() if waiting else held
        for entry in waiting:
            try:
                changes = self._changes(entry, held)
            except BadInput:
                continue
            if fits(held.rows, changes):
                held.change(changes)
        return held

    def _rows(self, table: str, run: str, held: Held | None = None) -> pd.DataFrame:
        """The rows of a batch with what still waits for it; none where they cannot be read."""
        try:
            held = held or self._view(table)
            own = self._own(held, run)
            known = self._frames.get((table, run))
            if known is None or known[0] != own:
                known = self._frames[table, run] = own, self._loaded(table, held.raw(own))[0].rows
            return known[1][known[1]["run"] == run]
        except (BadInput, OSError):
            return pd.DataFrame(columns=[column.name for column in self.tables[table].columns])

    def _batches(self) -> Table:
        held = self._view("runs")
        if self._runs is None or self._runs[0] != held.rows:
            read, problems = self._loaded("runs", held.raw())
            problems = problems or checks.factor_levels(read, self.settings)[1]
            if problems:
                raise BadInput(problems)
            rows = read.rows
            blind = (rows["blind"] != "").all() and not rows["blind"].str.casefold().duplicated().any()
            # clock times of the workshop, which is taken to be in this computer's time zone
            made = [None if pd.isna(at) else at.to_pydatetime().timestamp() for at in rows["made_at"]]
            labels = rows["blind"] if blind else rows["run"]
            trays = list(map(Tray, rows["run"], labels, made, rows["day"]))
            self._runs = (dict(held.rows), read, trays)
        return self._runs[1]

    def _keep(self, line: Line) -> None:
        try:
            with self._alone():
                self.journal.add(line)
        except OSError as error:
            what = f"the computer refused to write it ({error.strerror or error})."
            do = "Write it on paper, and look whether the disk is full or the folder may not be written to."
            raise BadInput([Problem(JOURNAL, what, do)]) from None

    @contextmanager
    def _alone(self) -> Iterator[None]:
        """Let no other page of this trial write into journal or tables meanwhile."""
        if self._held:
            yield
            return
        with locked(self.folder / ".bench.lock", patience_s=15):
            self._held = True
            try:
                yield
            finally:
                self._held = False

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
    if not (folder / FILE).exists():
        folder.mkdir(parents=True, exist_ok=True)
        shutil.copy(Path(__file__).with_name("templates") / "bench_demo" / FILE, folder / FILE)
    if not (folder / "runs.csv").exists():
        write_plan(folder)
    return folder
