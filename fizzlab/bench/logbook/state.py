"""What the journal's lines come to: which readings hold, which are in tables, is a stopwatch running."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

from fizzlab.bench.logbook.changes import Cells, Change
from fizzlab.trial.journal import Line


@dataclass(frozen=True)
class Running:
    """A running stopwatch.

    Parameters
    ----------
    run, piece : str
    water_c : str
        Temperature of the water, as typed.
    started : float
        Seconds since 1970, by the wall clock: unlike a clock of the process it goes on while the lid is
        closed, and it outlives the process.
    """

    run: str
    piece: str
    water_c: str
    started: float


@dataclass(frozen=True)
class Entry:
    """One press that logged something, or that took the entry `of` back.

    Parameters
    ----------
    number : int
    table : str
    cells : mapping of str to str
    says : str
        In plain words.
    at : float
        Seconds since 1970.
    replaces : int
        The entry that it completes, or 0.
    of : int
        The entry that it takes back, or 0.
    stops : bool
        Does it stop the stopwatch?
    """

    number: int
    table: str
    cells: Cells
    says: str
    at: float
    replaces: int = 0
    of: int = 0
    stops: bool = False


@dataclass
class State:
    """The journal, added up line by line."""

    entries: dict[int, Entry] = field(default_factory=dict)
    undone: set[int] = field(default_factory=set)
    written: set[int] = field(default_factory=set)
    begun: dict[int, list[Change]] = field(default_factory=dict)
    changes: dict[int, list[Change]] = field(default_factory=dict)
    # with the last number before it, and the entry that stopped it or 0
    _watch: tuple[Running, int, int] | None = None
    last: int = 0

    @classmethod
    def of(cls, lines: Iterable[Line]) -> State:
        state = cls()
        for line in lines:
            state.take(line)
        return state

    def take(self, line: Line) -> None:
        """Add one line."""
        number = int(line.get("id", 0))
        self.last = max(self.last, number)
        match line["did"]:
            case "log":
                self.entries[number] = _entry(line)
                if line.get("stops") and self.running is not None and self._watch is not None:
                    self._watch = (*self._watch[:2], number)
            case "undo":
                of = int(line["of"])
                if of not in self.entries:
                    return
                self.entries[number] = _entry({**line, "table": self.entries[of].table})
                self.undone.add(of)
                if self._watch is not None and self._watch[2] == of:
                    self._watch = (*self._watch[:2], 0)
            case "writing":
                self.begun[number] = [Change(*change) for change in line["changes"]]
            case "not_written":
                self.begun.pop(number, None)
            case "kept":  # the row was changed by hand since, so the reading was not taken back after all
                if number in self.entries:
                    self.undone.discard(self.entries.pop(number).of)
            case "written":
                self.changes[number] = self.begun.pop(number, [])
                self.written.add(number)
            case "start":
                watch = Running(line["run"], line["piece"], line["water_c"], float(line["at"]))
                self._watch = (watch, self.last, 0)
            case "stop":
                self._watch = None

    @property
    def running(self) -> Running | None:
        """The stopwatch, if it runs."""
        return self._watch[0] if self._watch is not None and self._watch[2] == 0 else None

    def on_this_watch(self, table: str) -> list[Entry]:
        """What was logged into a table for the piece under the stopwatch since it was started."""
        if self._watch is None:
            return []
        watch, since, _ = self._watch
        return [
            entry
            for entry in self.live()
            if entry.table == table
            and entry.number > since
            and (entry.cells["run"], entry.cells["piece"]) == (watch.run, watch.piece)
        ]

    def live(self) -> list[Entry]:
        """The readings that hold, in the order of the presses."""
        return [entry for entry in self.entries.values() if not entry.of and entry.number not in self.undone]


def _entry(line: Line) -> Entry:
    return Entry(
        number=int(line["id"]),
        table=str(line["table"]),
        cells={str(name): str(text) for name, text in line.get("cells", {}).items()},
        says=str(line.get("says", "")),
        at=float(line["at"]),
        replaces=int(line.get("replaces", 0)),
        of=int(line.get("of", 0)),
        stops=bool(line.get("stops", False)),
    )
