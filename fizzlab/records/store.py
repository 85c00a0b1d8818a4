"""Making a record: a folder to write in, then its place under records/ and its line in the ledger.

The order of writes is what keeps a record whole. Everything is written into a folder `.making-…`; so is
`entry.json`, the very line that the ledger will get. Then the new ledger is written beside the old one.
Then two renames: the folder to its number, the new ledger over the old. A process killed between the two
leaves a whole folder without a line, and whoever writes next adds the line from the folder's own
`entry.json`. A line without a folder cannot come about, and nothing half-written ever carries a number.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import os
import re
import shutil
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path

from fizzlab.records.entries import FIRST, DeviationEntry, Report, line_of, parse_line
from fizzlab.records.fingerprints import fingerprint, versions
from fizzlab.records.ledger import COMING, Ledger, add, prepare, put, read_ledger, with_entry
from fizzlab.records.locks import Busy, locked

#: Folders under records/ that begin so are being written, or were left by a killed process.
MAKING = ".making-"

#: Held while the ledger is read in order to add to it.
LEDGER_LOCK = ".ledger-lock"

#: In a record folder: its own line of the ledger.
ENTRY = "entry.json"

#: In a record folder: copies of what it was made from.
INPUTS = "inputs"

#: Under records/: notebooks of reports that failed.
STOPPED = "stopped"

#: How long to wait for another process, which holds the ledger for a moment at most.
PATIENCE_S = 120.0

#: What JupyterLab and file managers leave in a folder that was only looked at.
_IGNORED = frozenset({".ipynb_checkpoints", ".DS_Store", "Thumbs.db", "desktop.ini"})

_RECORD = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,39}-([1-9][0-9]{0,8})")


@dataclass(frozen=True)
class Signed:
    """Who made a record, who checked it, and on what day.

    Parameters
    ----------
    made_by, checked_by : str
        Empty where nobody is named.
    date : date
    """

    made_by: str = ""
    checked_by: str = ""
    date: dt.date = field(default_factory=dt.date.today)


@dataclass(frozen=True)
class About:
    """What the ledger says of a record, but for what is only known once it has its number.

    Parameters
    ----------
    trial, title : str
        Code and title of the trial.
    signed : Signed
    notebook : mapping of str to str
        Its name and SHA-256.
    parameters_sha256 : str
        Of the settings of the trial.
    inputs : mapping of str to str
        SHA-256 of each file that the record was made from, by name inside the trial folder.
    lots : mapping of str to list of str
        Lots by ingredient.
    deviations : sequence of DeviationEntry
    """

    trial: str
    title: str
    signed: Signed
    notebook: Mapping[str, str]
    parameters_sha256: str
    inputs: Mapping[str, str]
    lots: Mapping[str, list[str]] = field(default_factory=dict)
    deviations: Sequence[DeviationEntry] = ()


@dataclass(frozen=True)
class Stamp:
    """What a record learns when its turn comes, to be printed on its page.

    Parameters
    ----------
    record : str
        Name of its folder.
    number : int
    before : str
        Hash of the last line of the ledger so far.
    signed : Signed
    """

    record: str
    number: int
    before: str
    signed: Signed

    @property
    def is_first(self) -> bool:
        """Is the ledger still empty?"""
        return self.before == FIRST


@dataclass(frozen=True)
class Kept:
    """A record in its place.

    Parameters
    ----------
    folder : Path
    entry : Report
    sha256 : str
        Hash of its line, which is the last of the ledger.
    """

    folder: Path
    entry: Report
    sha256: str


@contextlib.contextmanager
def making(home: Path) -> Iterator[Path]:
    """A folder to write a record in, which is gone afterwards unless `keep` gave it a number.

    A lock tells other processes that it is alive; what dead ones left behind is taken away first.

    Parameters
    ----------
    home : Path
        The folder ``records`` of a trial; it is made when it is not there, and goes when it stays empty.
    """
    name = f"{MAKING}{os.getpid()}-{os.urandom(4).hex()}"
    try:
        with contextlib.ExitStack() as stack:
            with ledger_to_add_to(home):
                _clear(home)
                stack.enter_context(locked(_alive(home / name)))
                (home / name).mkdir()
            try:
                yield home / name
            finally:
                shutil.rmtree(home / name, ignore_errors=True)
    finally:
        with contextlib.suppress(OSError):  # not empty: other records are there
            home.rmdir()


@contextlib.contextmanager
def ledger_to_add_to(home: Path) -> Iterator[Ledger]:
    """The ledger, for the one process at a time that may add to it; a line lost to a kill is added first."""
    with locked(home / LEDGER_LOCK, patience_s=PATIENCE_S):
        yield _completed(home)


def keep(making: Path, about: About, finish: Callable[[Path, Stamp], None]) -> Kept:
    """Give a finished folder its number and its line in the ledger.

    Parameters
    ----------
    making : Path
        From `making`; holds all of the record but what carries its number.
    about : About
    finish : callable
        Writes into the folder what carries the stamp, such as the page.

    Returns
    -------
    Kept

    Raises
    ------
    OSError
        The disk is full, for instance. The ledger and the other records are as they were.
    """
    home = making.parent
    with ledger_to_add_to(home) as ledger:
        number = 1 + max([0, *_numbers(home), *(entry.number for entry in ledger.reports())])
        stamp = Stamp(f"{about.trial}-{number}", number, ledger.last, about.signed)
        finish(making, stamp)
        entry = _entry(making, about, stamp, place=len(ledger.lines) + 1)
        (making / ENTRY).write_bytes(line_of(entry) + b"\n")
        _sync(making)
        longer = with_entry(ledger, entry)
        coming = prepare(longer)
        target = home / stamp.record
        try:
            os.rename(making, target)
            put(coming, longer)
        except BaseException:
            if coming.exists():  # the old ledger still stands, so the record must not
                with contextlib.suppress(OSError):
                    os.rename(target, making)
                coming.unlink()
            raise
    return Kept(target, entry, longer.last)


def now() -> str:
    """Date and time with the offset from UTC, to the second."""
    return dt.datetime.now().astimezone().isoformat(timespec="seconds")


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
    return {name: found[name] for name in sorted(found) if name != ENTRY}


def is_ignored(path: Path) -> bool:
    """Was this left by a program that only looked?"""
    return not _IGNORED.isdisjoint(path.parts)


def _entry(making: Path, about: About, stamp: Stamp, place: int) -> Report:
    return Report(
        entry=place,
        before=stamp.before,
        record=stamp.record,
        number=stamp.number,
        at=now(),
        by=about.signed.made_by,
        trial=about.trial,
        title=about.title,
        checked_by=about.signed.checked_by,
        date=about.signed.date.isoformat(),
        notebook=dict(about.notebook),
        parameters_sha256=about.parameters_sha256,
        inputs=dict(about.inputs),
        files={name: fingerprint(path) for name, path in files_of(making).items()},
        versions=versions(),
        lots={name: list(lots) for name, lots in about.lots.items()},
        deviations=list(about.deviations),
    )


def _completed(home: Path) -> Ledger:
    """The ledger, with the lines added of whole records that a killed process had no time to enter."""
    ledger = read_ledger(home)
    entered = {entry.record for entry in ledger.reports()}
    for record in record_folders(home):
        if record.name in entered:
            continue
        entry = own_entry(record)
        if entry is not None and entry.before == ledger.last and is_whole(record, entry):
            ledger = add(ledger, entry)
    return ledger


def own_entry(record: Path) -> Report | None:
    """The line that a record folder carries of itself; None where it carries none that can be read."""
    try:
        line = (record / ENTRY).read_bytes()
    except OSError:
        return None
    entry, _ = parse_line(line.removesuffix(b"\n"))
    return entry if isinstance(entry, Report) and entry.record == record.name else None


def is_whole(record: Path, entry: Report) -> bool:
    """Does the folder hold exactly the files that its entry names, as they were?"""
    return {name: fingerprint(path) for name, path in files_of(record).items()} == entry.files


def _numbers(home: Path) -> list[int]:
    return [_number(path.name) for path in home.iterdir()]  # of files too: the name is taken


def _number(name: str) -> int:
    matched = _RECORD.fullmatch(name)
    return int(matched.group(1)) if matched else 0


def _alive(making: Path) -> Path:
    return making.with_name(f"{making.name}.lock")


def _is_dead(path: Path) -> bool:
    """Was this left by a process that is gone?"""
    folder = path.with_name(path.name.removesuffix(".lock"))
    try:
        with locked(_alive(folder)):
            return True
    except Busy:
        return False


def _clear(home: Path) -> None:
    """Take away what killed processes left; whoever calls holds the ledger, so none is about to begin."""
    left = [path for path in home.iterdir() if path.name.startswith(MAKING) and _is_dead(path)]
    for path in [*left, home / COMING]:
        if path.is_dir():
            shutil.rmtree(path, ignore_errors=True)
        else:
            path.unlink(missing_ok=True)


def _sync(folder: Path) -> None:
    """Wait until the disk has every file of a folder."""
    with ThreadPoolExecutor(8) as pool:  # side by side they share the disk's journal
        list(pool.map(_sync_file, files_of(folder).values()))


def _sync_file(path: Path) -> None:
    with path.open("rb+") as file:
        os.fsync(file.fileno())
