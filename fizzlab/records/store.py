"""Making a record and adding to its ledger: reports, plans, corrections, later sign-offs.

A record and its line come into place by one change of the trial folder (`fizzlab.trial.placing`): a line
without its folder cannot come about, nor a folder without its line.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import os
import platform
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass, field
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any, TypeVar

from fizzlab.errors import BadInput, Problem
from fizzlab.records.ledger import (
    LEDGER,
    Correction,
    DeviationEntry,
    Entry,
    Ledger,
    PlanEntry,
    Report,
    SignOff,
    line_of,
    parse_line,
    read_ledger,
)
from fizzlab.trial.placing import RECORDS, changing, room_in

# Under records/: notebooks of reports that failed.
STOPPED = "stopped"

# In a record folder: its own line of the ledger, and copies of what it was made from.
ENTRY, INPUTS = "entry.json", "inputs"

#: The libraries whose version can change a number or a picture.
LIBRARIES = ("fizzlab", "numpy", "scipy", "pandas", "statsmodels", "matplotlib", "seaborn", "papermill")

#: What JupyterLab and file managers leave in a folder that was only looked at.
_IGNORED = frozenset({".ipynb_checkpoints", ".DS_Store", "Thumbs.db", "desktop.ini"})

E = TypeVar("E", Correction, SignOff)

_RECORD = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,39}-([1-9][0-9]{0,8})")


@dataclass(frozen=True)
class Signature:
    """Who made a record and who checked it, if anybody is named, and on what day."""

    made_by: str = ""
    checked_by: str = ""
    date: dt.date = field(default_factory=dt.date.today)


@dataclass(frozen=True)
class About:
    """What the ledger says of a record but for its number and files: fields of `Report`, and who signs."""

    trial: str
    title: str
    signed: Signature
    notebook: dict[str, str]
    parameters_sha256: str
    inputs: dict[str, str]
    lots: dict[str, list[str]] = field(default_factory=dict)
    deviations: list[DeviationEntry] = field(default_factory=list)
    batches: int = 0


@dataclass(frozen=True)
class Stamp:
    """What a record learns when its turn comes: its name, and the last hash of the ledger so far."""

    record: str
    before: str
    signed: Signature


def fingerprint(path: Path) -> str:
    """SHA-256 of a file's bytes, in hexadecimal."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def fingerprints(folder: Path, paths: Iterable[Path]) -> dict[str, str]:
    """Fingerprints by the file's name as seen from the trial folder, ``../autumn/runs.csv`` for another's."""
    return {Path(os.path.relpath(path, folder)).as_posix(): fingerprint(path) for path in paths}


def kept_as(name: str) -> str:
    """Where the copy of an input stands in a record's ``inputs/``, so that another trial's stays inside it.

    >>> kept_as("runs.csv"), kept_as("../autumn/runs.csv")
    ('runs.csv', 'earlier/autumn/runs.csv')
    """
    return "/".join("earlier" if part == ".." else part for part in name.split("/"))


def versions() -> dict[str, str]:
    """Versions of Python and of the libraries that were used."""
    found = {"python": platform.python_version()}
    for name in LIBRARIES:
        try:
            found[name] = version(name)
        except PackageNotFoundError:
            found[name] = "not installed"
    return found


def now() -> str:
    """Date and time with the offset from UTC, to the second."""
    return dt.datetime.now().astimezone().isoformat(timespec="seconds")


def making(home: Path) -> AbstractContextManager[Path]:
    """A folder to write a record in, which is gone afterwards unless `keep` gave it a number."""
    return room_in(home.parent)


def keep(making: Path, about: About, finish: Callable[[Path, Stamp], None]) -> Path:
    """Give a finished folder its number and its line in the ledger, and return its place.

    `making` holds all of the record but what carries its number, such as the page; `finish` writes that, once
    more where another record was quicker. If the computer refuses (OSError), all is as it was.
    """
    home, signed = making.parents[1] / RECORDS, about.signed
    while True:
        ledger = read_ledger(home)
        taken = [_number(path.name) for path in home.iterdir()] if home.is_dir() else []  # by files too
        number = 1 + max([0, *taken, *(entry.number for entry in ledger.reports())])
        stamp = Stamp(f"{about.trial}-{number}", ledger.last, signed)
        finish(making, stamp)
        files = {name: fingerprint(path) for name, path in files_of(making).items()}
        with changing(home.parent) as room:
            if read_ledger(home).data != ledger.data or (home / stamp.record).exists():
                continue
            entry = Report(
                **_head(ledger),
                record=stamp.record,
                number=number,
                by=signed.made_by,
                checked_by=signed.checked_by,
                date=signed.date.isoformat(),
                files=files,
                versions=versions(),
                **{name: value for name, value in vars(about).items() if name != "signed"},
            )
            (making / ENTRY).write_bytes(line_of(entry) + b"\n")
            _add(room, ledger, entry)
            os.rename(making, room / RECORDS / stamp.record)
        return home / stamp.record


def enter_plan(home: Path, room: Path, *, runs: Sequence[Mapping[Any, Any]], **about: Any) -> None:
    """Enter a plan, in the room of the change that puts its files in place.

    Of the batches it keeps run, day, blind code and the factors, in the order of making.
    """
    ledger = read_ledger(home)
    _add(room, ledger, PlanEntry(**_head(ledger), **about, runs=[dict(run) for run in runs]))


def correct(home: Path, number: int, *, reason: str, by: str, says: str = "") -> Correction:
    """Add a correction to a record, which itself is never touched: why, who says so, how it should read.

    BadInput is raised, and nothing written, where there is no such record or a text is empty.
    """
    reason, by = _filled({"--reason": reason, "--by": by})
    return _enter(home, number, lambda head: Correction(**head, by=by, reason=reason, says=_tidy(says)))


def sign(home: Path, number: int, *, checked_by: str, date: str = "") -> SignOff:
    """Say that a record was checked, after it was made; today, if no date is given."""
    (by,), day = _filled({"--checked-by": checked_by}), signed(date=date).date.isoformat()
    return _enter(home, number, lambda head: SignOff(**head, by=by, date=day))


def _enter(home: Path, number: int, make: Callable[[dict[str, Any]], E]) -> E:
    """Add an entry about a record; `make` is given what every such entry has."""
    read_ledger(home).report(number)  # before anything is made on the disk
    with changing(home.parent) as room:
        ledger = read_ledger(home)
        entry = make({**_head(ledger), "record": ledger.report(number).record, "number": number})
        _add(room, ledger, entry)
    return entry


def _add(room: Path, ledger: Ledger, entry: Entry) -> None:
    (room / RECORDS).mkdir(exist_ok=True)
    (room / RECORDS / LEDGER).write_bytes(ledger.with_entry(entry).data)


def signed(made_by: str = "", checked_by: str = "", date: str = "") -> Signature:
    """Who made and checked a record, from what was typed; today where no date is named."""
    try:
        day = dt.date.fromisoformat(date.strip()) if date.strip() else dt.date.today()
    except ValueError:
        do = "Write it as 2026-01-31."
        raise BadInput([Problem("option --date", f"“{date}” is not a date.", do)]) from None
    return Signature(_tidy(made_by), _tidy(checked_by), day)


def _head(ledger: Ledger) -> dict[str, Any]:
    return {"entry": len(ledger.lines) + 1, "before": ledger.last, "at": now()}


def _tidy(text: str) -> str:
    return " ".join(text.encode("utf-8", errors="replace").decode("utf-8").split())


def _filled(options: dict[str, str]) -> list[str]:
    """What was typed, tidied; BadInput where nothing was."""
    empty = [name for name, text in options.items() if not _tidy(text)]
    if empty:
        raise BadInput([Problem(f"option {name}", "it is empty.", "Say it in words.") for name in empty])
    return [_tidy(text) for text in options.values()]


def record_folders(home: Path) -> list[Path]:
    """The folders that are called like a record, by number."""
    found = [path for path in home.iterdir() if _RECORD.fullmatch(path.name) and path.is_dir()]
    return sorted(found, key=lambda path: (_number(path.name), path.name))


def files_of(record: Path) -> dict[str, Path]:
    """Every file of a record folder but its own entry, by name inside it."""
    found = {
        path.relative_to(record).as_posix(): path
        for path in record.rglob("*")
        if (path.is_symlink() or not path.is_dir()) and not is_ignored(path.relative_to(record))
    }
    return {name: path for name, path in sorted(found.items()) if name != ENTRY}


def is_ignored(path: Path) -> bool:
    """Was this left by a program that only looked?"""
    return not _IGNORED.isdisjoint(path.parts)


def own_entry(record: Path) -> Report | None:
    """The line that a record folder carries of itself; None where it carries none that can be read."""
    try:
        entry, _ = parse_line((record / ENTRY).read_bytes().removesuffix(b"\n"))
    except OSError:
        return None
    return entry if isinstance(entry, Report) and entry.record == record.name else None


def is_whole(record: Path, entry: Report) -> bool:
    """Does the folder hold exactly the files that its entry names, as they were?"""
    return {name: fingerprint(path) for name, path in files_of(record).items()} == entry.files


def _number(name: str) -> int:
    matched = _RECORD.fullmatch(name)
    return int(matched.group(1)) if matched else 0
