"""The bench's journal: one line of JSON for each press, on the disk before the press is confirmed.

A reading is safe once its line is here. Putting it into its table comes second and is noted in a line of its
own, so that whatever stops the computer in between, the next opening knows what is still to be put in.
"""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from dataclasses import dataclass, field
from itertools import islice
from pathlib import Path
from typing import Any, NamedTuple

from fizzlab.errors import FizzlabError
from fizzlab.language import say
from fizzlab.trial.opening import bytes_of

JOURNAL = "bench-log.jsonl"

Line = dict[str, Any]
Cells = Mapping[str, str]


class OtherBench(FizzlabError):
    """Somebody else wrote into the journal since this bench last did."""

    def __init__(self) -> None:
        super().__init__(say("other_bench"))


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
    """The journal of one trial folder, added up line by line, each once, and open for adding."""

    path: Path
    #: Lines that are no JSON: each was being written when the computer stopped, and never confirmed.
    unreadable: int = 0
    #: Every press by its number, those that were taken back too.
    entries: dict[int, Entry] = field(default_factory=dict)
    #: How an entry is about to change its table, and how it did.
    begun: dict[int, list[Change]] = field(default_factory=dict)
    changes: dict[int, list[Change]] = field(default_factory=dict)
    #: What was typed of a row that has more to come, by table, batch and piece.
    drafts: dict[tuple[str, str, str], Cells] = field(default_factory=dict)
    last: int = 0
    _live: dict[int, Entry] = field(default_factory=dict)
    _open: set[int] = field(default_factory=set)
    # with the last number before it, and the entry that stopped it or 0
    _watch: tuple[Running, int, int] | None = None
    _size: int = 0

    @classmethod
    def open(cls, folder: Path) -> Journal:
        """Read the journal of a folder; an empty one where there is none. Nothing is written."""
        journal = cls(folder / JOURNAL)
        if journal.path.exists():
            journal._add_up(bytes_of(journal.path))
        return journal

    def _add_up(self, data: bytes) -> None:
        for piece in filter(bytes.strip, data.split(b"\n")):
            try:
                self._take(json.loads(piece))
            except (ValueError, TypeError, KeyError, AttributeError, RecursionError):
                self.unreadable += 1
        self._size += len(data)

    def grown(self) -> bool:
        """Did somebody else write into it since? One that was cut by hand makes the next press refused."""
        return (self.path.stat().st_size if self.path.exists() else 0) > self._size

    def take_up(self) -> None:
        """Take up what somebody else wrote; nobody may be writing meanwhile."""
        with self.path.open("rb") as file:
            file.seek(self._size)
            self._add_up(file.read())

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
                if line["did"] not in ("written", "not_written"):  # which the table tells as well
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
                self.drafts.pop((entry.table, entry.cells.get("run", ""), entry.cells.get("piece", "")), None)
                if line.get("stops") and self.running is not None:
                    self._stopped_by(number)
            case "undo":
                of = int(line["of"])
                if of in self.entries:
                    self.entries[number] = _entry(line, self.entries[of].table)
                    self._live.pop(of, None)
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
                    kept = self.entries[self.entries[number].of]
                    del self.entries[number]
                    self._open.discard(number)
                    self._live = dict(sorted({**self._live, kept.id: kept}.items()))
            case "draft":
                self.drafts[line["table"], line["run"], line["piece"]] = _entry({**line, "id": 0}, "").cells
            case "start":
                watch = Running(line["run"], line["piece"], line["water_c"], float(line["at"]))
                self._watch = (watch, self.last, 0)
            case "stop":
                self._watch = None
            case other:
                raise ValueError(other)
        self.last = max(self.last, number)

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
        own = [entry for entry in self.live() if entry.table == table and entry.id > since]
        return [each for each in own if (each.cells["run"], each.cells["piece"]) == (watch.run, watch.piece)]

    def live(self) -> list[Entry]:
        """The readings that hold, in the order of the presses."""
        return [*self._live.values()]

    def newest(self, most: int | None = None) -> list[Entry]:
        """So many of them, the newest first."""
        return [*islice(reversed(self._live.values()), most)]

    def waiting(self) -> list[Entry]:
        """The entries that have not reached their table or, taken back, have not left it."""
        found = [self.entries[number] for number in sorted(self._open)]
        holds = (self._live, self.begun, self.changes)  # or may stand in a table
        return [entry for entry in found if any((entry.of or entry.id) in some for some in holds)]


def _entry(line: Line, table: str) -> Entry:
    known = {name: value for name, value in line.items() if name in Entry.__dataclass_fields__}
    cells = {str(name): str(text) for name, text in line.get("cells", {}).items()}
    return Entry(**{**known, "id": int(line["id"]), "at": float(line["at"]), "table": table, "cells": cells})
