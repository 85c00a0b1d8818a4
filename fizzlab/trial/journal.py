"""The bench's journal: one line of JSON for each press, on the disk before the press is confirmed.

A reading is safe once its line is here. Putting it into its table comes second and is noted in a line of its
own, so that whatever stops the computer in between, the next opening knows what is still to be put in.
"""

from __future__ import annotations

import json
import os
from collections import Counter, defaultdict
from collections.abc import Mapping
from dataclasses import dataclass, field
from itertools import islice, takewhile
from pathlib import Path
from typing import Any, NamedTuple

from fizzlab.errors import FizzlabError
from fizzlab.trial.opening import bytes_of

JOURNAL = "bench-log.jsonl"

Line = dict[str, Any]
Cells = Mapping[str, str]


class OtherBench(FizzlabError):
    """Somebody else wrote into the journal since this bench last did."""

    def __init__(self) -> None:
        super().__init__(
            "This trial has been opened at another bench since; nothing was logged here. "
            "What was logged there is shown here in a moment: then press again."
        )


class Change(NamedTuple):
    """One row of a table before and after; None where the row was not there, or is no longer."""

    row: int
    before: Cells | None
    after: Cells | None


@dataclass(frozen=True)
class Running:
    """A running stopwatch: the piece, the water as typed, and its start in seconds since 1970."""

    run: str
    piece: str
    water_c: str
    at: float


@dataclass(frozen=True)
class Entry:
    """One press, at a time in seconds since 1970, that logged the cells of a row.

    It may complete another entry (`replaces`), take one back (`of`, without cells), or stop the stopwatch.
    """

    id: int
    at: float
    table: str
    cells: Cells = field(default_factory=dict)
    says: str = ""
    replaces: int = 0
    of: int = 0
    stops: bool = False


@dataclass
class Journal:
    """The journal of one trial folder, added up line by line, open for adding.

    What was added up is kept, with how far: a press costs the same however long the journal is.
    """

    path: Path
    #: Lines that are no JSON: each was being written when the computer stopped, and never confirmed.
    unreadable: int = 0
    #: Every press by its number, those that were taken back too.
    entries: dict[int, Entry] = field(default_factory=dict)
    #: How an entry is about to change its table, and how it did.
    begun: dict[int, list[Change]] = field(default_factory=dict)
    changes: dict[int, list[Change]] = field(default_factory=dict)
    #: What is typed for later, by table, batch and piece.
    drafts: dict[tuple[str, str, str], Cells] = field(default_factory=dict)
    #: How often each piece of a batch was logged.
    pieces: defaultdict[str, Counter[str]] = field(default_factory=lambda: defaultdict(Counter))
    last: int = 0
    _undone: set[int] = field(default_factory=set)
    _live: dict[int, Entry] = field(default_factory=dict)
    _open: set[int] = field(default_factory=set)
    # with the last number before it, and the entry that stopped it or 0
    _watch: tuple[Running, int, int] | None = None
    _size: int = 0

    @classmethod
    def open(cls, folder: Path) -> Journal:
        """Read the journal of a folder; an empty one where there is none. Nothing is written."""
        journal = cls(folder / JOURNAL)
        data = bytes_of(journal.path) if journal.path.exists() else b""
        journal._add_up(data)
        return journal

    def grown(self) -> bool:
        """Did somebody else write into it since? Then take up what they added."""
        size = self.path.stat().st_size if self.path.exists() else 0
        if size <= self._size:  # shorter: it was edited, and the next press is refused
            return False
        with self.path.open("rb") as file:
            file.seek(self._size)
            new = file.read()
        self._add_up(new[: new.rfind(b"\n") + 1])  # a line that is still being written comes next time
        return True

    def _add_up(self, data: bytes) -> None:
        for piece in filter(bytes.strip, data.split(b"\n")):
            try:
                self._take(json.loads(piece))
            except (ValueError, TypeError, KeyError, AttributeError, RecursionError):
                self.unreadable += 1
        self._size += len(data)

    def add(self, line: Line) -> None:
        """Write one line to the disk, whole or not at all; OtherBench where somebody else did since."""
        text = json.dumps(line, ensure_ascii=False, separators=(",", ":"))
        if (self.path.stat().st_size if self.path.exists() else 0) != self._size:
            raise OtherBench
        with self.path.open("ab+") as file:
            whole = b""
            if self._size:
                file.seek(-1, os.SEEK_END)
                whole = b"" if file.read(1) == b"\n" else b"\n"  # after a line that was cut off
            data = whole + text.encode() + b"\n"
            try:
                file.write(data)
                file.flush()
                os.fsync(file.fileno())
            except OSError:
                file.truncate(self._size)
                raise
        self._size += len(data)
        self._take(line)

    def _take(self, line: Line) -> None:
        """Add a line up; one that is none of the journal's raises before anything is changed."""
        number = int(line.get("id", 0))
        match line["did"]:
            case "open":
                pass
            case "log":
                entry = self.entries[number] = self._live[number] = _entry(line, line["table"])
                self._open.add(number)
                self._counted(entry, 1)
                self.drafts.pop((entry.table, entry.cells.get("run", ""), entry.cells.get("piece", "")), None)
                if line.get("stops") and self.running is not None:
                    self._stopped_by(number)
            case "undo":
                of = int(line["of"])
                if of in self.entries:
                    self.entries[number] = _entry(line, self.entries[of].table)
                    self._undone.add(of)
                    if self._live.pop(of, None):
                        self._counted(self.entries[of], -1)
                    self._open.add(number)
                if self._watch is not None and self._watch[2] == of:
                    self._stopped_by(0)
            case "writing":
                self.begun[number] = [Change(*change) for change in line["changes"]]
            case "not_written":
                self.begun.pop(number, None)
            case "written":
                self.changes[number] = self.begun.pop(number, [])
                self._open.discard(number)
            case "kept":  # the row was changed by hand since, so the reading was not taken back after all
                if number in self.entries:
                    kept = self.entries.pop(number).of
                    self._counted(self.entries[kept], 1)
                    self._undone.discard(kept)
                    self._open.discard(number)
                    self._live = dict(sorted({**self._live, kept: self.entries[kept]}.items()))
            case "draft":
                self.drafts[line["table"], line["run"], line["piece"]] = _texts(line["cells"])
            case "photo":
                pass
            case "start":
                watch = Running(line["run"], line["piece"], line["water_c"], float(line["at"]))
                self._watch = (watch, self.last, 0)
            case "stop":
                self._watch = None
            case other:
                raise ValueError(other)
        self.last = max(self.last, number)

    def _counted(self, entry: Entry, times: int) -> None:
        self.pieces[entry.cells.get("run", "")][entry.cells.get("piece", "")] += times

    def _stopped_by(self, number: int) -> None:
        if self._watch is not None:
            self._watch = (*self._watch[:2], number)

    @property
    def running(self) -> Running | None:
        """The stopwatch, if it runs."""
        return self._watch[0] if self._watch is not None and self._watch[2] == 0 else None

    def on_this_watch(self, table: str) -> list[Entry]:
        """What was logged into a table for the piece under the stopwatch since it was started."""
        if self._watch is None:
            return []
        watch, since, _ = self._watch
        new = list(takewhile(lambda entry: entry.id > since, reversed(self._live.values())))
        own = [entry for entry in reversed(new) if entry.table == table]
        return [each for each in own if (each.cells["run"], each.cells["piece"]) == (watch.run, watch.piece)]

    def live(self, newest: int | None = None) -> list[Entry]:
        """The readings that hold, in the order of the presses; or so many of the newest, the newest first."""
        return [*self._live.values()] if newest is None else [*islice(reversed(self._live.values()), newest)]

    def __len__(self) -> int:
        return len(self._live)

    def waiting(self) -> list[Entry]:
        """The entries that have not reached their table or, taken back, have not left it."""
        return [
            self.entries[number]
            for number in sorted(self._open)
            if self._in_table(self.entries[number].of or number)
            or not (self.entries[number].of or number in self._undone)
        ]

    def _in_table(self, number: int) -> bool:
        """May it stand in a table?"""
        return number in self.begun or number in self.changes


def _entry(line: Line, table: str) -> Entry:
    known = {name: value for name, value in line.items() if name in Entry.__dataclass_fields__}
    more = {
        "id": int(line["id"]),
        "at": float(line["at"]),
        "table": table,
        "cells": _texts(line.get("cells", {})),
    }
    return Entry(**{**known, **more})


def _texts(cells: Mapping[str, Any]) -> Cells:
    return {str(name): str(text) for name, text in cells.items()}
