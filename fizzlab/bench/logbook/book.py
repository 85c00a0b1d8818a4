"""The logbook of one trial: check a reading as the door would, keep it, put it into its table, undo it."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from fizzlab.bench.logbook.changes import Cells, Change, done, fits, place, plain, undo
from fizzlab.bench.logbook.files import FileBusy, TableFile, Workbook, after, find, rows_of
from fizzlab.bench.logbook.state import Entry, Running, State
from fizzlab.errors import BadInput, FizzlabError, Problem
from fizzlab.measures import WATER_C, Kind
from fizzlab.trial import checks
from fizzlab.trial.folder import WORKBOOK, columns_of, with_hours
from fizzlab.trial.journal import JOURNAL, Journal, Line, not_put_in
from fizzlab.trial.settings import TrialSettings, read_settings
from fizzlab.trial.tables import LEAVE_OUT, TABLES, RawTable, Table, parse

#: Tables that are logged into, besides the time of making in runs.
DRYING = ("touch_checks", "weighings")
FIZZING = ("fizz_times", "fizz_curves")

_PIECE = re.compile(r"[\w][\w .-]{0,19}")


@dataclass(frozen=True)
class Tray:
    """A batch as it is chosen at the bench.

    Parameters
    ----------
    run : str
    label : str
        The blind code where the trial has codes; the recipe is nowhere shown.
    made_at : float or None
        Seconds since 1970.
    """

    run: str
    label: str
    made_at: float | None


@dataclass(frozen=True)
class Look:
    """Pieces of one tray to be looked at, or weighed, at a planned hour.

    Parameters
    ----------
    table : str
        ``"touch_checks"`` or ``"weighings"``.
    run, label : str
    pieces : tuple of str
    hours : float
        After making.
    due : float
        Seconds since 1970.
    """

    table: str
    run: str
    label: str
    pieces: tuple[str, ...]
    hours: float
    due: float


@dataclass(frozen=True)
class Said:
    """One reading in the list of what was logged.

    Parameters
    ----------
    number : int
    at : float
        Seconds since 1970.
    says : str
    waits : str
        Why it is not in its table yet; empty if it is.
    """

    number: int
    at: float
    says: str
    waits: str = ""


class Logbook:
    """Readings of one trial, logged one at a time.

    Times are seconds since 1970 by the wall clock; the logbook has no clock of its own. Every method that
    logs returns a `Said` once the reading is on the disk, and raises `BadInput` if it was not logged.

    Parameters
    ----------
    folder : Path
    settings : TrialSettings
    journal : Journal
    """

    def __init__(self, folder: Path, settings: TrialSettings, journal: Journal) -> None:
        self.folder, self.settings, self.journal = folder, settings, journal
        self.state = State.of(journal.lines)
        self._book = Workbook(folder / WORKBOOK) if (folder / WORKBOOK).exists() else None
        self._files: dict[str, TableFile] = {}
        self._waits: dict[int, str] = {}
        self._runs: tuple[RawTable, Table] | None = None

    @classmethod
    def open(cls, folder: str | Path) -> Logbook:
        """Open a trial folder, and put in what a dead computer left in the journal.

        Raises
        ------
        BadInput
            There is no such folder, or trial.toml or runs cannot be used.
        """
        folder = Path(folder)
        if not folder.is_dir():
            do = "Check the name, or make one with: fizzlab new FOLDER."
            raise BadInput([Problem(str(folder), "there is no such folder.", do)])
        settings, problems = read_settings(folder)
        if settings is None:
            raise BadInput(problems)
        book = cls(folder, settings, Journal.open(folder))
        book._batches()
        book._keep({"did": "open"})
        book.put_in()
        return book

    # what there is

    def trays(self) -> list[Tray]:
        """The batches; by blind code, in the order of the codes, where every batch has one."""
        rows = self._batches().rows
        blind = (rows["blind"] != "").all() and not rows["blind"].str.casefold().duplicated().any()
        trays = [
            Tray(run, code if blind else run, made)
            for run, code, made in zip(rows["run"], rows["blind"], _since_1970(rows["made_at"]), strict=True)
        ]
        return sorted(trays, key=lambda tray: tray.label) if blind else trays

    def pieces(self, run: str, tables: Iterable[str] = (*DRYING, *FIZZING)) -> list[str]:
        """Names of the pieces of a batch, as the tables have them."""
        names: list[str] = []
        for name in tables:
            try:
                cells = self._view(name).cells
            except (BadInput, OSError):
                continue
            own = cells.loc[cells["run"].str.strip().str.casefold() == run.casefold(), "piece"]
            names += [piece.strip() for piece in own if piece.strip()]
        planned = self.settings.plan.pieces if self.settings.plan else 4
        return list(dict.fromkeys(names)) or [str(number) for number in range(1, planned + 1)]

    def logged(self) -> list[Said]:
        """What was logged and holds, the newest first."""
        return [
            Said(entry.number, entry.at, entry.says, self._waits.get(entry.number, ""))
            for entry in reversed(self.state.live())
        ]

    def waiting(self) -> list[str]:
        """Why some readings stand in the journal only; empty if all are in their tables."""
        return list(dict.fromkeys(self._waits.values()))

    @property
    def running(self) -> Running | None:
        """The stopwatch, if it runs."""
        return self.state.running

    def next_looks(self) -> list[Look]:
        """The prepared looks and weighings still ahead or overdue, by when they are due.

        A piece that was dry is not looked at again; a look that a later reading has passed over is gone.
        """
        trays = {tray.run.casefold(): tray for tray in self.trays() if tray.made_at is not None}
        found: dict[tuple[str, str, float], list[str]] = {}
        for name in DRYING:
            try:
                ahead = self._ahead(name)
            except (BadInput, OSError):
                continue
            for run, piece, hours in ahead:
                if run.casefold() in trays:
                    found.setdefault((name, run.casefold(), hours), []).append(piece)
        looks = []
        for (name, run, hours), pieces in found.items():
            tray = trays[run]
            assert tray.made_at is not None
            looks.append(Look(name, tray.run, tray.label, tuple(pieces), hours, tray.made_at + hours * 3600))
        return sorted(looks, key=lambda look: look.due)

    def _ahead(self, name: str) -> list[tuple[str, str, float]]:
        """Prepared rows without a reading, later than every reading of their piece."""
        raw = self._view(name)
        spec = TABLES[name]
        readings = [column for column in raw.cells.columns if column not in spec.planned]
        rows = list(rows_of(raw).values())
        last: dict[tuple[str, str], float] = {}
        blank = []
        for cells in rows:
            key = (cells["run"].strip().casefold(), cells["piece"].strip().casefold())
            hours = _number(cells.get("hours", ""))
            if hours is None:
                continue
            if not any(cells[column].strip() for column in readings):
                blank.append((key, cells["run"].strip(), cells["piece"].strip(), hours))
            else:
                dry = cells.get("dry", "").strip().casefold() in ("yes", "y", "true", "1", "x", "d", "dry")
                last[key] = max(last.get(key, -1.0), float("inf") if dry else hours)
        return [(run, piece, hours) for key, run, piece, hours in blank if hours > last.get(key, -1.0)]

    # logging

    def made(self, run: str, at: float) -> Said:
        """Write down that a batch was pressed now."""
        moment = dt.datetime.fromtimestamp(at).replace(second=0, microsecond=0)
        cells = {"run": run, "made_at": moment.isoformat(timespec="minutes")}
        return self._log("runs", cells, f"{self._label(run)}: made at {moment:%H:%M}", at)

    def touch(self, run: str, piece: str, dry: bool, at: float) -> Said:
        """Log a touch check.

        A piece that is wet after it was dry is logged and left out, with that as the reason, since a report
        takes a piece that was dry as dry.
        """
        cells = {"run": run, "piece": piece, "hours": self._hours(run, at), "dry": "yes" if dry else "no"}
        says = f"{self._at(run, piece)}: {'dry' if dry else 'still wet'} at {cells['hours']} h"
        dry_at = None if dry else self._dry_at(run, piece)
        if dry_at is not None:
            cells[LEAVE_OUT.name] = f"wet after it was dry at {dry_at:g} h"
            says += f" (left out: it was dry at {dry_at:g} h)"
        return self._log("touch_checks", cells, says, at)

    def weigh(self, run: str, piece: str, mass_g: str, at: float) -> Said:
        """Log the mass of a piece as it dries."""
        cells = {"run": run, "piece": piece, "hours": self._hours(run, at), "mass_g": plain(mass_g)}
        says = f"{self._at(run, piece)}: {cells['mass_g']} g at {cells['hours']} h"
        return self._log("weighings", cells, says, at)

    def start(self, run: str, piece: str, water_c: str, at: float) -> Running:
        """Start the stopwatch for a piece that goes into the water."""
        if self.running is not None:
            do = "Stop it first."
            raise BadInput([Problem("stopwatch", f"it runs for {self._running_at()}.", do)])
        self._piece(piece)
        one = RawTable("water", pd.DataFrame({"water_c": [water_c]}, index=[2]))
        _, found = parse(one, [WATER_C])
        if found:
            what = found[0].what if water_c.strip() else "it is not filled in."
            raise BadInput(
                [Problem("water temperature", what, "Measure it and type it in before the start.")]
            )
        self._keep({"did": "start", "run": run, "piece": piece, "water_c": plain(water_c), "at": at})
        return self._watch()

    def measured(self, run: str, piece: str) -> list[str]:
        """Which fizz tables hold readings of a piece already."""
        found = []
        for name in FIZZING:
            raw = self._view(name)
            read = parse(raw, columns_of(name, self.settings, raw), TABLES[name].planned)[0].rows
            if ((read["run"] == run) & (read["piece"] == piece)).any():
                found.append(name)
        return found

    def stop(self) -> None:
        """Stop the stopwatch without logging."""
        self._keep({"did": "stop"})

    def colour(self, at: float) -> Said:
        """Log the first colour at the stopwatch's second: so far watched, and not finished."""
        watch = self._watch()
        seconds = _seconds(watch, at)
        cells = {**_cup(watch), "seconds": seconds, "done": "no", "colour_s": seconds}
        return self._log("fizz_times", cells, f"{self._running_at()}: colour at {seconds} s", at)

    def end(self, at: float, *, done: bool = True) -> Said:
        """Log the end of the fizz, or that the watching ended before it.

        This stops the stopwatch, unless masses were logged by it: the scale is read on after the fizz.
        """
        watch = self._watch()
        cells = {**_cup(watch), "seconds": _seconds(watch, at), "done": "yes" if done else "no"}
        earlier = self.state.on_this_watch("fizz_times")
        if earlier:
            cells["colour_s"] = earlier[-1].cells.get("colour_s", "")
        says = f"fizz ended at {cells['seconds']} s" if done else f"still fizzing at {cells['seconds']} s"
        return self._log(
            "fizz_times",
            cells,
            f"{self._running_at()}: {says}",
            at,
            replaces=earlier[-1].number if earlier else 0,
            stops=not self.state.on_this_watch("fizz_curves"),
        )

    def cup(self, mass_g: str, at: float) -> Said:
        """Log the mass of cup, water and piece together at the stopwatch's second."""
        watch = self._watch()
        cells = {**_cup(watch), "seconds": _seconds(watch, at), "mass_g": plain(mass_g)}
        says = f"{self._running_at()}: cup {cells['mass_g']} g at {cells['seconds']} s"
        return self._log("fizz_curves", cells, says, at)

    def cup_before(self, run: str, piece: str, water_c: str, mass_g: str, at: float) -> Said:
        """Log the mass of cup and piece together before the piece goes in, at 0 s."""
        cells = {
            "run": run,
            "piece": piece,
            "water_c": plain(water_c),
            "seconds": "0",
            "mass_g": plain(mass_g),
        }
        return self._log("fizz_curves", cells, f"{self._at(run, piece)}: cup {cells['mass_g']} g at 0 s", at)

    def undo(self, at: float) -> str:
        """Take back the last reading that holds, and say which it was."""
        live = self.state.live()
        if not live:
            raise BadInput([Problem("undo", "nothing is logged.", "")])
        last = live[-1]
        if last.number in self.state.begun:
            self.put_in()
        if last.number in self.state.written:
            changes = undo(self.state.changes[last.number])
            try:
                unchanged = fits(rows_of(self._view(last.table)), changes)
            except (BadInput, OSError):
                unchanged = True  # it is looked at again when the file can be written
            if not unchanged:
                raise self._changed_since(last)
        self._keep({"did": "undo", "id": self.state.last + 1, "of": last.number, "at": at})
        self._waits.pop(last.number, None)
        self.put_in()
        return last.says

    # keeping

    def _log(
        self, table: str, cells: Cells, says: str, at: float, *, replaces: int = 0, stops: bool = False
    ) -> Said:
        if "piece" in cells:
            self._piece(cells["piece"])
        self._check(Entry(0, table, cells, says, at, replaces))
        number = self.state.last + 1
        line: Line = {
            "did": "log",
            "id": number,
            "at": at,
            "table": table,
            "cells": dict(cells),
            "says": says,
        }
        self._keep(
            {**line, **({"replaces": replaces} if replaces else {}), **({"stops": True} if stops else {})}
        )
        self.put_in()
        return Said(number, at, says, self._waits.get(number, ""))

    def put_in(self) -> None:
        """Put what waits in the journal into its tables, as far as they can be written now."""
        self._waits = {}
        for entry in self._open():
            try:
                self._write(entry)
            except (BadInput, FileBusy) as error:
                self._waits[entry.number] = str(error)
            except OSError as error:
                self._waits[entry.number] = f"The computer refused ({error.strerror or error})."

    def _open(self) -> list[Entry]:
        return [self.state.entries[number] for number in not_put_in(self.journal.lines)]

    def _write(self, entry: Entry) -> None:
        file = self._file(entry.table)
        rows = rows_of(file.read())
        begun = self.state.begun.get(entry.number)
        if begun is not None:  # stopped in between: did it reach the file?
            if done(rows, begun):
                self._keep({"did": "written", "id": entry.number})
                return
            self._keep({"did": "not_written", "id": entry.number})
        if entry not in self._open():  # taken back before it reached its table
            return
        if entry.of:
            changes = undo(self.state.changes[entry.of])
            if not fits(rows, changes):
                taken_back = self.state.entries[entry.of]
                self._keep({"did": "kept", "id": entry.number})
                raise self._changed_since(taken_back)
        else:
            changes = self._placed(entry, file.read())
        self._keep({"did": "writing", "id": entry.number, "changes": [list(change) for change in changes]})
        try:
            if changes:
                file.write(changes, self._kinds(entry.table, file.read()))
        except FileBusy:
            self._keep({"did": "not_written", "id": entry.number})
            raise
        self._keep({"did": "written", "id": entry.number})

    def _placed(self, entry: Entry, raw: RawTable) -> list[Change]:
        instead = self.state.entries[entry.replaces].cells if entry.replaces else None
        cells = self._as_stamped(entry, raw)
        return place(rows_of(raw), raw.cells.columns, TABLES[entry.table], cells, instead)

    def _as_stamped(self, entry: Entry, raw: RawTable) -> Cells:
        """Write the clock time instead of the hours where the maker's table does so."""
        columns = list(raw.cells.columns)
        if "checked_at" not in columns or "hours" not in entry.cells:
            return entry.cells
        if "hours" in columns and (raw.cells["checked_at"].str.strip() == "").all():
            return entry.cells
        stamp = dt.datetime.fromtimestamp(entry.at).isoformat(timespec="seconds")
        cells = {name: text for name, text in entry.cells.items() if name != "hours"}
        return {**cells, "checked_at": stamp}

    def _check(self, entry: Entry) -> None:
        """Refuse a reading that the door would refuse."""
        table, cells = entry.table, entry.cells
        one = RawTable(table, pd.DataFrame([dict(cells)], index=[2]))
        columns = [column for column in TABLES[table].columns if column.name in cells]
        found = parse(one, columns)[1]
        if found:
            raise BadInput(Problem(table, each.what, each.do, column=each.column) for each in found)
        try:
            view = self._view(table)
        except (BadInput, OSError):
            return  # it waits in the journal until the table can be read
        changes = self._placed(entry, view)
        if not changes:
            raise BadInput([Problem(view.where, "this reading stands there already.", "")])
        if not self._faults(table, view):  # a table with faults of its own must not stop the logging
            found = self._faults(table, after(view, changes))
            if found:
                raise BadInput(found)

    def _faults(self, table: str, raw: RawTable) -> list[Problem]:
        """What the door would refuse in a table."""
        if raw.cells.empty:
            return []
        read, found = parse(raw, columns_of(table, self.settings, raw), TABLES[table].planned)
        hard = [problem for problem in found if problem.weight == "problem"]
        if hard or table == "runs":
            return hard
        runs = self._batches()
        read, found = with_hours(checks.runs_as_spelled(read, runs), runs)
        return [*found, *checks.across_rows({table: read, "runs": runs})[0]]

    def _view(self, table: str) -> RawTable:
        """A table with what still waits for it."""
        raw = self._file(table).read()
        for entry in self._open():
            if entry.table == table:
                rows = rows_of(raw)
                try:
                    changes = undo(self.state.changes[entry.of]) if entry.of else self._placed(entry, raw)
                except BadInput:
                    continue
                if fits(rows, changes):
                    raw = after(raw, changes)
        return raw

    def _batches(self) -> Table:
        raw = self._view("runs")
        if self._runs is None or self._runs[0] is not raw:
            read, found = parse(raw, columns_of("runs", self.settings, raw))
            problems = [problem for problem in found if problem.weight == "problem"]
            if not problems:
                problems = checks.factor_levels(read, self.settings)[1]
            if problems:
                raise BadInput(problems)
            self._runs = (raw, read)
        return self._runs[1]

    def _file(self, name: str) -> TableFile:
        if name not in self._files:
            self._files[name] = find(self.folder, self._book, name)
        return self._files[name]

    def _kinds(self, table: str, raw: RawTable) -> Mapping[str, Kind]:
        return {column.name: column.kind for column in columns_of(table, self.settings, raw)}

    def _keep(self, line: Line) -> None:
        try:
            self.journal.add(line)
        except OSError as error:
            raise CannotKeep(error) from None
        self.state.take(line)

    # words and lookups

    def _label(self, run: str) -> str:
        return next((tray.label for tray in self.trays() if tray.run == run), run)

    def _at(self, run: str, piece: str) -> str:
        return f"{self._label(run)}, piece {piece}"

    def _running_at(self) -> str:
        watch = self._watch()
        return self._at(watch.run, watch.piece)

    def _watch(self) -> Running:
        if self.running is None:
            raise BadInput([Problem("stopwatch", "it does not run.", "Start it as the piece goes in.")])
        return self.running

    def _piece(self, piece: str) -> None:
        if not _PIECE.fullmatch(piece):
            what = "a piece is named by up to 20 letters and digits." if piece else "no piece is chosen."
            raise BadInput([Problem("piece", what, "Choose or name one.")])

    def _hours(self, run: str, at: float) -> str:
        made = next((tray.made_at for tray in self.trays() if tray.run == run), None)
        if made is None:
            what = f"{self._label(run)} has no time of making, so hours cannot be counted."
            raise BadInput(
                [Problem("runs", what, "Press “Made now” when it is pressed, or fill in made_at.")]
            )
        return plain(f"{(at - made) / 3600:.2f}")

    def _dry_at(self, run: str, piece: str) -> float | None:
        """When a piece was first dry."""
        try:
            raw = self._view("touch_checks")
        except (BadInput, OSError):
            return None
        read, _ = parse(raw, columns_of("touch_checks", self.settings, raw), TABLES["touch_checks"].planned)
        rows = with_hours(checks.runs_as_spelled(read, self._batches()), self._batches())[0].rows
        dry = rows[(rows["run"] == run) & (rows["piece"] == piece) & rows["dry"].fillna(False).astype(bool)]
        return None if dry.empty else float(dry["hours"].min())

    def _changed_since(self, entry: Entry) -> BadInput:
        what = f"“{entry.says}” was not taken back: its row was changed by hand since."
        return BadInput([Problem(self._file(entry.table).where, what, "Correct it there.")])


class CannotKeep(FizzlabError):
    """The journal cannot be written, so a press cannot be confirmed."""

    def __init__(self, error: OSError) -> None:
        super().__init__(
            f"Not logged: the computer refused to write {JOURNAL} ({error.strerror or error}). "
            "Write it on paper, and look whether the disk is full or the folder may not be written to."
        )


def _since_1970(moments: pd.Series) -> list[float | None]:
    """Clock times of the workshop, which is taken to be in this computer's time zone."""
    return [None if pd.isna(moment) else moment.to_pydatetime().timestamp() for moment in moments]


def _seconds(watch: Running, at: float) -> str:
    return plain(f"{at - watch.started:.1f}")


def _cup(watch: Running) -> dict[str, str]:
    return {"run": watch.run, "piece": watch.piece, "water_c": watch.water_c}


def _number(text: str) -> float | None:
    try:
        return float(plain(text))
    except ValueError:
        return None
