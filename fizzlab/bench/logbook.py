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
from contextlib import contextmanager, suppress
from functools import cached_property, partial
from itertools import count, groupby, pairwise
from pathlib import Path
from typing import Any, NamedTuple

import pandas as pd

from fizzlab.bench.files import FileBusy, Files, Held
from fizzlab.bench.place import fits, place, plain, undo
from fizzlab.errors import BadInput, Problem, hard, refuse
from fizzlab.language import say
from fizzlab.measures import BLIND, LEAVE_OUT, NOTE, PIECE, RUN, Column
from fizzlab.trial import checks, placing
from fizzlab.trial.due import still
from fizzlab.trial.folder import WORKBOOK, columns_of, folder_there
from fizzlab.trial.journal import JOURNAL, Cells, Change, Entry, Journal, Line, Running
from fizzlab.trial.locks import Busy
from fizzlab.trial.placing import changing, write_whole
from fizzlab.trial.settings import FILE, read_settings
from fizzlab.trial.tables import RawTable, Table, parse

#: Tables that are logged by the stopwatch.
FIZZING = ("fizz_times", "fizz_curves")

#: The soonest that a piece is logged as dry, in hours: just after it was made, never at 0 h.
SOONEST_H = "0.01"

#: A table that takes longer to write waits until nobody presses; the reading is safe in the journal before.
SLOW_S = 0.5

#: The kinds of photographs that are kept, with the ends of their names.
PHOTOS = {"JPEG": "jpg", "PNG": "png", "WEBP": "webp"}

_PIECE = re.compile(r"[\w][\w .-]{0,19}")


class Tray(NamedTuple):
    """A batch as it is chosen, by its code where the trial has codes; `made_at` in seconds since 1970."""

    run: str
    label: str
    made_at: float | None = None
    day: str = ""
    code: str = ""


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
    `Message` once the reading is on the disk, and raises BadInput if it was not logged. Where other pages may
    show the same trial, it is done `alone`.
    """

    def __init__(self, folder: str | Path) -> None:
        self.folder = Path(folder)
        folder_there(self.folder)
        settings, problems = read_settings(self.folder)
        if settings is None:
            raise BadInput(problems)
        self.settings, self.tables = settings, settings.tables()
        self.files = Files(self.folder, self.tables)
        self._waits: dict[int, str] = {}
        self._runs: tuple[object, Table] | None = None
        self._trays: dict[str, Tray] = {}  # in the order of making
        self._views: dict[str, tuple[Held, list[Entry], Held]] = {}
        self._seen: dict[tuple[str, str], tuple[object, tuple[Table, list[Problem], list[Any]]]] = {}
        with self.alone():
            self.journal = Journal.open(self.folder)
            self._batches()
            self.put_in()

    @contextmanager
    def alone(self) -> Iterator[None]:
        """Let no other page of this trial log meanwhile; BadInput where the computer refuses to write."""
        try:
            with placing.held(self.folder, patience_s=15):
                yield
        except OSError as error:
            raise refuse("log_not_written", JOURNAL, why=error.strerror or error) from None

    def trays(self) -> list[Tray]:
        """The batches; by blind code, in the order of the codes, where every batch has one."""
        self._batches()
        return sorted(self._trays.values(), key=lambda tray: tray.label * (tray.label == tray.code))

    def tray(self, run: str) -> Tray:
        """The tray of a batch."""
        self._batches()
        return self._trays.get(run, Tray(run, run))

    def to_make(self, now: float) -> Tray | None:
        """The next batch to make; none once the batches of the day on which some were made today are done."""
        self._batches()
        today, trays = dt.date.fromtimestamp(now), self._trays.values()
        begun = {tray.day for tray in trays if dt.date.fromtimestamp(tray.made_at or 0.0) == today}
        return next((each for each in trays if not each.made_at and (not begun or each.day in begun)), None)

    @cached_property
    def forms(self) -> dict[str, Form]:
        """What can be logged, by table."""
        found = {}
        for name, spec in self.tables.items():
            names = {column.name for column in spec.columns}
            timed = spec.time == "hours"
            passed = {RUN.name, PIECE.name, NOTE.name, BLIND.name, *(["hours"] if timed else [])}
            if name == "runs":
                passed |= {column.name for column in spec.columns if column.kind in ("text", "moment")}
                passed = passed.union(self.settings.factors) - {NOTE.name}
            if RUN.name in names:
                columns = tuple(column for column in spec.columns if column.name not in passed)
                kept = frozenset(spec.planned) - passed
                meaning = say("what_else_happened") if name == "runs" else spec.meaning
                found[name] = Form(name, meaning, columns, PIECE.name in names, timed, kept)
        return found

    def planned(self) -> list[str]:
        """The tables that are shown at once: planned, timed now, or the maker's own; all without a plan."""
        plan, known = self.settings.plan, {"runs", *FIZZING * (self.running is not None)}
        known |= {each.table for each in self.settings.measures().values() if not each.study}
        return [name for name in self.forms if plan is None or name in known.union(plan.tables)]

    def pieces(self, run: str) -> list[str]:
        """Names of the pieces of a batch: those of the plan, and others that stand in a table."""
        planned = range(self.settings.plan.pieces if self.settings.plan else 4)
        tables = [name for name, form in self.forms.items() if form.by_piece]
        named = [row["piece"] for name in tables for row in self._rows(name, run)]
        return list(dict.fromkeys([*(str(piece + 1) for piece in planned), *named]))

    def logged(self, newest: int | None = None) -> list[Message]:
        """What was logged and holds, or so many of it, the newest first."""
        entries = self.journal.newest(newest)
        return [Message(entry.at, entry.says, self._waits.get(entry.id, "")) for entry in entries]

    def waiting(self) -> list[str]:
        """Why some readings stand in the journal only; empty if all are in their tables."""
        return list(dict.fromkeys(self._waits.values()))

    @property
    def running(self) -> Running | None:
        """The stopwatch, if it runs."""
        return self.journal.running

    def next_looks(self, now: float) -> list[Look]:
        """The planned looks and weighings still ahead or due, of pieces that were not dry."""
        plan, looks = self.settings.plan, list[Look]()
        if plan is None:
            return looks
        self._batches()
        recent = now - 7200 * (24 + max(hour for name in plan.tables for hour in plan.look_hours(name)))
        made = [(one, one.made_at) for one in self._trays.values() if one.made_at and one.made_at > recent]
        for name in [name for name in plan.tables if name in self.forms and self.forms[name].timed]:
            for tray, start in made:
                began, age = dt.datetime.fromtimestamp(start), (now - start) / 3600
                for at, due in still(plan, name, began, age, partial(self._last, name, tray.run)):
                    looks.append(Look(name, tray.run, tray.label, tuple(due), at, start + at * 3600))
        return sorted(looks, key=lambda look: look.due)

    def _last(self, table: str, run: str) -> dict[str, float]:
        """The last hour at which each piece was read; after all where its readings ended."""
        rows = sorted(self._rows(table, run), key=lambda row: row["hours"])
        last = {row["piece"]: row["hours"] for row in rows}
        return last | dict.fromkeys(self._ended(table, run), float("inf"))

    def _ended(self, table: str, run: str) -> dict[str, float]:
        """When the readings of a batch's pieces ended, such as when one was first dry."""
        ends = [column.name for column in self.forms[table].columns if column.ends]
        over = [row for row in self._rows(table, run) if any(row[name] is True for name in ends)]
        return {row["piece"]: row["hours"] for row in sorted(over, key=lambda row: -row["hours"])}

    def ahead(self, table: str, run: str, piece: str) -> Cells:
        """What is typed next: what was kept for later, and a height one step up, or down after a yes."""
        found = dict[str, str]()
        for column in [column for column in self.forms[table].columns if column.steps]:
            rows = self._rows(table, run)
            seen = [row[column.name] for row in rows]
            moved = [abs(b - a) for a, b in pairwise(seen) if a != b]
            if seen:
                step = moved[-1] if moved else max(round(seen[-1] / 30) * 5, 1)
                at = seen[-1] + (-step if rows[-1][column.steps] is True else step)
                found[column.name] = plain(str(at)) if at > 0 else ""
        return {**found, **self.journal.drafts.get((table, run, piece), {})}

    def later(self, table: str, run: str, piece: str, readings: Cells, at: float) -> str:
        """Keep what is typed of a row that has more to come, such as a mass before the tumble."""
        cells = {name: plain(text) for name, text in readings.items() if plain(text)}
        self._refuse_row(table, cells)
        whose = {"run": run, "piece": piece}
        self.journal.add({"did": "draft", "at": at, "table": table, **whose, "cells": cells})
        return say("kept_for_later", at=self._at(whose))

    def photo(self, run: str, piece: str, data: bytes, at: float) -> str:
        """Keep a photograph under ``photos``, named by batch, piece and time; its path in the folder."""
        from PIL import Image

        try:
            kind = PHOTOS[Image.open(io.BytesIO(data), formats=list(PHOTOS)).format or ""]
        except (OSError, ValueError, KeyError, Image.DecompressionBombError):
            raise refuse("no_picture", say("where_photograph")) from None
        named = [re.sub(r"[^\w-]+", "-", part)[:40] for part in (run, piece) if part]
        stem = "_".join([*named, f"{dt.datetime.fromtimestamp(at):%Y-%m-%dT%H-%M-%S}"])
        home = self.folder / "photos"
        home.mkdir(exist_ok=True)
        paths = (home / f"{stem}{f'-{n}' * (n > 1)}.{kind}" for n in count(1))
        path = next(path for path in paths if not path.exists())
        write_whole(path, data)
        return f"photos/{path.name}"

    def catch_up(self) -> bool:
        """Take up what another page of the same trial logged since; was there any?"""
        grown = self.journal.grown()
        if grown:
            with self.alone():
                self.journal.take_up()
                still_open = {entry.id for entry in self.journal.waiting()}
                self._waits = {at: why for at, why in self._waits.items() if at in still_open}
        return grown

    def made(self, run: str, at: float) -> Message:
        """Write down that a batch was pressed now."""
        moment = dt.datetime.fromtimestamp(at).replace(second=0, microsecond=0)
        cells = {"run": run, "made_at": moment.isoformat(timespec="minutes")}
        says = say("logged_made", at=self.tray(run).label, clock=f"{moment:%H:%M}")
        return self._log("runs", cells, says, at)

    def log(self, table: str, run: str, piece: str, readings: Cells, at: float) -> Message:
        """Log the readings of a form, at this hour since making where the form is timed.

        A piece that is wet after it was dry is logged and left out, with that as the reason.
        """
        form, cells, said = self.forms[table], {"run": run}, []
        if form.by_piece:
            cells["piece"] = _piece(piece)
        if form.timed:
            cells["hours"] = self._hours(run, at)
        for column in form.columns:
            text = plain(readings.get(column.name, ""))
            if text or column.required:
                cells[column.name] = text
                said.append(spoken(column, text))
        if not said:
            raise refuse("nothing_filled", form.meaning)
        ends = any(each.ends and cells.get(each.name) == "yes" for each in form.columns)
        if form.timed and ends and float(cells["hours"]) == 0:
            cells["hours"] = SOONEST_H
        told = say("at_hours", what=", ".join(said), hours=cells["hours"]) if form.timed else ", ".join(said)
        says = f"{self._at(cells)}: {told}"
        ended = self._ended(table, run).get(piece) if form.timed else None
        for column in form.columns if ended is not None else ():
            if column.ends and cells.get(column.name) == "no":
                was = say("at_hours", what=spoken(column, "yes"), hours=f"{ended:g}")
                cells[LEAVE_OUT.name] = say("after_it_was", now=spoken(column, "no"), was=was)
                says += say("left_out_was", was=was)
        return self._log(table, cells, says, at)

    def start(self, run: str, piece: str, water_c: str, at: float) -> str:
        """Start the stopwatch for a piece that goes into the water; gives what to know."""
        if self.running is not None:
            raise refuse("watch_runs", say("where_stopwatch"), at=self._at(vars(self.running)))
        self._refuse_row("fizz_times", {"piece": _piece(piece), "water_c": water_c})
        self.journal.add({"did": "start", "run": run, "piece": piece, "water_c": plain(water_c), "at": at})
        if any(row["piece"] == piece for row in self._rows("fizz_times", run)):
            return say("watch_begun_again")
        return say("watch_begun")

    def stop(self) -> None:
        """Stop the stopwatch without logging."""
        self.under_the_watch(0.0)
        self.journal.add({"did": "stop"})

    def colour(self, at: float) -> Message:
        """Log the first colour at the stopwatch's second: so far watched, and not finished."""
        cells = self.under_the_watch(at)
        cells |= {"done": "no", "colour_s": cells["seconds"]}
        says = say("logged_colour", at=self._at(cells), seconds=cells["seconds"])
        return self._log("fizz_times", cells, says, at)

    def end(self, at: float, *, done: bool = True) -> Message:
        """Log the end of the fizz, or of the watching; the stopwatch goes on if masses were logged by it."""
        cells = {**self.under_the_watch(at), "done": "yes" if done else "no"}
        more: dict[str, Any] = {"stops": not self.journal.on_this_watch("fizz_curves")}
        for earlier in self.journal.on_this_watch("fizz_times")[-1:]:
            cells["colour_s"] = earlier.cells.get("colour_s", "")
            more["replaces"] = earlier.id
        says = say("logged_end" if done else "logged_early", at=self._at(cells), seconds=cells["seconds"])
        return self._log("fizz_times", cells, says, at, **more)

    def under_the_watch(self, at: float) -> dict[str, str]:
        """The piece in the water, how warm that is, and the stopwatch's second (BadInput if it stands)."""
        watch = self.running
        if watch is None:
            raise refuse("watch_stands", say("where_stopwatch"))
        seconds = plain(f"{at - watch.at:.1f}")
        return {"run": watch.run, "piece": watch.piece, "water_c": watch.water_c, "seconds": seconds}

    def undo(self, at: float) -> str:
        """Take back the last reading that holds, and say which it was."""
        live, number = self.journal.live(), self.journal.last + 1
        if not live:
            raise refuse("nothing_logged", say("where_undo"))
        self.journal.add({"did": "undo", "id": number, "of": live[-1].id, "at": at})
        self._waits.pop(live[-1].id, None)
        self.put_in()
        if live[-1] in self.journal.live()[-1:]:
            raise self._changed_since(live[-1])
        return live[-1].says

    def _log(self, table: str, cells: Cells, says: str, at: float, **more: Any) -> Message:
        entry = Entry(self.journal.last + 1, at, table, cells, says, **more)
        self._check(entry)
        line: Line = {"did": "log", "id": entry.id, "at": at, "table": table, "cells": dict(cells)}
        self.journal.add({**line, "says": says, **{name: value for name, value in more.items() if value}})
        if self.files.cost.get(table, 0.0) < SLOW_S:  # else it goes in while nobody presses
            self.put_in()
        return Message(at, says, self._waits.get(entry.id, ""))

    def put_in(self) -> None:
        """Put what waits in the journal into its tables, as far as they can be written now."""

        def together(entry: Entry) -> tuple[str, int]:  # in one writing, unless another's row may be meant
            return entry.table, entry.id if entry.of or entry.replaces or entry.table == "runs" else 0

        self._waits = {}
        for (table, _), some in groupby(self.journal.waiting(), together):
            entries = [*some]
            try:
                with placing.held(self.folder, patience_s=5):
                    self._write(table, entries)
                continue
            except OSError as error:
                why = say("press_refused", why=error.strerror or error)
            except (BadInput, FileBusy, Busy) as error:
                why = str(error)
            still = [entry.id for entry in self.journal.waiting() if entry in entries]
            self._waits = dict.fromkeys(still, why) | self._waits

    def _write(self, table: str, entries: Sequence[Entry]) -> None:
        """Put readings into their table in one writing, each of them in the journal before and after."""
        held = after = self.files.read(table)
        changes = dict[int, list[Change]]()
        for entry in entries:
            begun = self.journal.begun.get(entry.id)
            if begun is not None:  # stopped in between: did it reach the file?
                reached = fits(held.rows, undo(begun))
                self.journal.add({"did": "written" if reached else "not_written", "id": entry.id})
            if entry not in self.journal.waiting():  # it did, or was taken back before
                continue
            try:
                own = self._changes(entry, after)
            except BadInput as error:
                self._waits[entry.id] = str(error)
                continue
            if entry.of and not fits(after.rows, own):
                taken_back = self.journal.entries[entry.of]
                self.journal.add({"did": "kept", "id": entry.id})
                raise self._changed_since(taken_back)
            self.journal.add({"did": "writing", "id": entry.id, "changes": [list(change) for change in own]})
            changes[entry.id], after = own, after.after(own)
        every = [change for own in changes.values() for change in own]
        try:
            if every:
                columns = columns_of(table, self.settings, held.raw({}))
                self.files.write(table, every, {column.name: column.kind for column in columns})
        except FileBusy:
            for number in changes:
                self.journal.add({"did": "not_written", "id": number})
            raise
        for number in changes:
            self.journal.add({"did": "written", "id": number})

    def _changes(self, entry: Entry, held: Held) -> list[Change]:
        """What an entry does to its table, or takes back."""
        if entry.of:
            return undo(self.journal.changes.get(entry.of, []))
        instead = self.journal.entries[entry.replaces].cells if entry.replaces else None
        cells, own = dict(entry.cells), self._of(held, entry.cells["run"])
        if BLIND.name in held.header and RUN.name not in held.header:  # a scorer's sheet has codes only
            cells[BLIND.name] = self._trays[cells.pop("run")].code
        return place(own, held.header, self.tables[entry.table], cells, instead, max(held.rows, default=1))

    def _of(self, held: Held, run: str) -> dict[int, Cells]:
        """The rows of a batch."""
        return held.of(run, self._trays[run].code if run in self._trays else "")

    def _refuse_row(self, table: str, cells: Cells) -> None:
        """Refuse cells that the trial's loader would refuse by themselves."""
        one = RawTable(table, pd.DataFrame([dict(cells)], index=[2]))
        found = parse(one, [column for column in self.tables[table].columns if column.name in cells])[1]
        if found:
            raise BadInput(Problem(table, each.what, each.do, column=each.column) for each in found)

    def _check(self, entry: Entry) -> None:
        """Refuse a reading that the trial's loader would refuse, by itself or in its table."""
        table, cells = entry.table, entry.cells
        try:
            view = self._view(table)
        except (BadInput, OSError):  # it waits in the journal until the table can be read
            self._refuse_row(table, cells)
            return
        changes = self._changes(entry, view)
        found = self._faults(table, cells["run"], view.after(changes))
        if found or "" in cells.values():
            self._refuse_row(table, cells)
        if not changes:
            raise refuse("reading_there", view.where)
        if found and not self._faults(table, cells["run"], view):  # which must not stop the logging
            raise BadInput(found)

    def _faults(self, table: str, run: str, held: Held) -> list[Problem]:
        """What the trial's loader would refuse; of what is read by the clock, which is much, in one batch."""
        if self.tables[table].time:
            read, found, _ = self._batch(table, run, held)
        else:
            read, found = self._loaded(table, held.raw())
        if found or table == "runs" or read.rows.empty:
            return found if held.rows else []
        return hard(checks.across_rows({table: read, "runs": self._batches()}, self.tables, table))

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

    def _view(self, table: str) -> Held:
        """A table with what still waits for it."""
        held = self.files.read(table)
        waiting = [entry for entry in self.journal.waiting() if entry.table == table]
        known = self._views.get(table)
        if known is None or known[0] is not held or known[1] != waiting:
            view = held
            for entry in waiting:
                with suppress(BadInput):
                    changes = self._changes(entry, view)
                    view = view.after(changes) if fits(view.rows, changes) else view
            known = self._views[table] = held, waiting, view
        return known[2]

    def _batch(self, table: str, run: str, held: Held) -> tuple[Table, list[Problem], list[dict[str, Any]]]:
        """The rows of a batch as the trial's loader reads them, and what it would refuse in them."""
        own, known = self._of(held, run), self._seen.get((table, run))
        if known is None or known[0] != own:
            read, found = self._loaded(table, held.raw(own))
            rows: list[Any] = read.rows[read.rows["run"] == run].to_dict("records")
            known = self._seen[table, run] = own, (read, found if own else [], rows)
        return known[1]

    def _rows(self, table: str, run: str) -> list[dict[str, Any]]:
        """The rows of a batch with what still waits for them; none where they cannot be read."""
        try:
            held = self._view(table)
            return self._batch(table, run, held)[2] if self._of(held, run) else []
        except (BadInput, OSError):
            return []

    def _batches(self) -> Table:
        held = self._view("runs")
        if self._runs is None or self._runs[0] is not held:
            read, problems = self._loaded("runs", held.raw())
            problems = problems or hard(checks.factor_levels(read, self.settings)[1])
            if problems:
                raise BadInput(problems)
            rows = read.rows
            blind = (rows["blind"] != "").all() and not rows["blind"].str.casefold().duplicated().any()
            # clock times of the workshop, which is taken to be in this computer's time zone
            made = [None if pd.isna(at) else at.to_pydatetime().timestamp() for at in rows["made_at"]]
            labels = rows["blind"] if blind else rows["run"]
            trays = map(Tray, rows["run"], labels, made, rows["day"], rows["blind"])
            self._runs, self._trays = (held, read), {tray.run: tray for tray in trays}
        return self._runs[1]

    def _at(self, cells: Cells) -> str:
        """Whose reading it is, in words."""
        label, piece = self.tray(cells["run"]).label, cells.get("piece")
        return say("tray_and_piece", tray=label, piece=piece) if piece else label

    def _hours(self, run: str, at: float) -> str:
        tray = self.tray(run)
        if tray.made_at is None:
            raise refuse("no_time_of_making", "runs", tray=tray.label, press=say("press_made"))
        return plain(f"{(at - tray.made_at) / 3600:.2f}")

    def _changed_since(self, entry: Entry) -> BadInput:
        return refuse("not_taken_back", self.files.read(entry.table).where, says=entry.says)


def _piece(name: str) -> str:
    """The name of a piece; BadInput where it is an odd one, or none."""
    if not _PIECE.fullmatch(name):
        raise refuse("odd_piece" if name else "no_piece", say("where_piece"))
    return name


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
