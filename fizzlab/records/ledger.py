"""Reading the ledger with its faults, and adding one line to it.

A line is added by writing the whole ledger anew beside the old one and renaming it: whoever reads sees the
old ledger or the new one, never half a line. Lines that stand there are copied byte for byte, sound or not.
"""

from __future__ import annotations

import contextlib
import os
from dataclasses import dataclass
from pathlib import Path

from fizzlab.errors import Problem
from fizzlab.records.entries import (
    FIRST,
    Correction,
    Entry,
    PlanEntry,
    Report,
    SignOff,
    line_of,
    parse_line,
    sha256,
)

LEDGER = "ledger.jsonl"

#: The ledger as it will be; left behind only by a killed process.
COMING = ".ledger-coming"


@dataclass(frozen=True)
class Line:
    """One line as it stands in the file.

    Parameters
    ----------
    place : int
        From 1.
    sha256 : str
    entry : Entry or None
        None where it cannot be read.
    fault : str
        What is wrong with this line itself; empty where nothing is.
    """

    place: int
    sha256: str
    entry: Entry | None
    fault: str


@dataclass(frozen=True)
class Ledger:
    """The ledger of one trial folder.

    Parameters
    ----------
    path : Path
    data : bytes
        The file as it stands; empty where there is none.
    lines : tuple of Line
    """

    path: Path
    data: bytes
    lines: tuple[Line, ...]

    @property
    def last(self) -> str:
        """The hash of the last line, or zeros: what the next entry carries."""
        return self.lines[-1].sha256 if self.lines else FIRST

    def entries(self) -> list[Entry]:
        """The entries that can be read."""
        return [line.entry for line in self.lines if line.entry is not None]

    def reports(self) -> list[Report]:
        """The records, in the order in which they were made."""
        return [entry for entry in self.entries() if isinstance(entry, Report)]

    def about(self, record: str) -> list[Correction | SignOff]:
        """The corrections and later sign-offs of a record."""
        later = [entry for entry in self.entries() if isinstance(entry, Correction | SignOff)]
        return [entry for entry in later if entry.record == record]

    def plan(self) -> PlanEntry | None:
        """The last plan that was made."""
        plans = [entry for entry in self.entries() if isinstance(entry, PlanEntry)]
        return plans[-1] if plans else None

    def faults(self) -> list[str]:
        """What is wrong with the chain, a sentence each.

        A line that was changed shows in the line after it, which carries the hash of the old one.
        """
        found = []
        before, records = FIRST, set[str]()
        for line in self.lines:
            entry = line.entry
            if entry is None:
                found.append(f"Line {line.place} of {LEDGER}: {line.fault}.")
            elif entry.before != before:
                found.append(_broken(line.place, self.lines))
            elif entry.entry != line.place:
                found.append(f"Line {line.place} of {LEDGER}: it says that it is line {entry.entry}.")
            if isinstance(entry, Report):
                if entry.record in records:
                    found.append(f"Line {line.place} of {LEDGER}: record {entry.record} stands there twice.")
                records.add(entry.record)
            elif isinstance(entry, Correction | SignOff) and entry.record not in records:
                found.append(
                    f"Line {line.place} of {LEDGER}: it is about record {entry.record}, of which there is no "
                    "line before it."
                )
            before = line.sha256
        if self.data and not self.data.endswith(b"\n"):
            found.append(f"Line {len(self.lines)} of {LEDGER}: its end is missing.")
        return found


def _broken(place: int, lines: tuple[Line, ...]) -> str:
    if place == 1:
        return f"The chain is broken at line 1 of {LEDGER}: one or more lines before it were taken out."
    entry = lines[place - 1].entry
    assert entry is not None
    earlier = [line.place for line in lines[: place - 1] if line.sha256 == entry.before]
    if earlier:
        what = f"it follows line {earlier[-1]}, so what stands between was put in later"
    elif entry.entry > place:
        what = "one or more lines before it were taken out"
    else:
        what = f"line {place - 1} was changed after it was written"
    return f"The chain is broken at line {place} of {LEDGER}: {what}."


def read_ledger(home: Path) -> Ledger:
    """Read the ledger of a records folder; a missing one is empty.

    Raises
    ------
    OSError
        It is there but may not be read.
    """
    path = home / LEDGER
    try:
        data = path.read_bytes()
    except (FileNotFoundError, NotADirectoryError):
        data = b""
    return parse_ledger(path, data)


def parse_ledger(path: Path, data: bytes) -> Ledger:
    """The ledger that some bytes are."""
    lines = []
    raw = data.split(b"\n")
    if raw and not raw[-1]:
        raw.pop()
    for place, text in enumerate(raw, start=1):
        entry, fault = parse_line(text)
        lines.append(Line(place, sha256(text), entry, fault))
    return Ledger(path, data, tuple(lines))


def with_entry(ledger: Ledger, entry: Entry) -> Ledger:
    """The ledger with one more line; nothing is written."""
    data = ledger.data
    if data and not data.endswith(b"\n"):
        data += b"\n"  # a cut line stays, as a damaged one
    text = line_of(entry)
    line = Line(len(ledger.lines) + 1, sha256(text), entry, "")
    return Ledger(ledger.path, data + text + b"\n", (*ledger.lines, line))


def prepare(ledger: Ledger) -> Path:
    """Write a ledger beside its place, all the way to the disk."""
    coming = ledger.path.with_name(COMING)
    try:
        with coming.open("wb") as file:
            file.write(ledger.data)
            file.flush()
            os.fsync(file.fileno())
    except BaseException:
        coming.unlink(missing_ok=True)
        raise
    return coming


def add(ledger: Ledger, entry: Entry) -> Ledger:
    """Add an entry to the ledger on disk; whoever calls holds its lock."""
    longer = with_entry(ledger, entry)
    coming = prepare(longer)
    try:
        put(coming, longer)
    finally:
        coming.unlink(missing_ok=True)
    return longer


def put(coming: Path, ledger: Ledger) -> None:
    """Let a prepared ledger take the place of the old one, in one step."""
    os.replace(coming, ledger.path)
    sync_folder(ledger.path.parent)


def sync_folder(folder: Path) -> None:
    """Wait until the disk has the names in a folder, where the system offers that."""
    with contextlib.suppress(OSError):
        held = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(held)
        finally:
            os.close(held)


def no_records(folder: Path) -> Problem:
    """What to say of a folder without records."""
    if not folder.exists():
        return Problem(str(folder), "there is no such folder.", "Check the name.")
    return Problem(str(folder), "it holds no records.", "Make one with: fizzlab report FOLDER.")
