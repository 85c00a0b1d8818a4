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
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any, TypeVar

from fizzlab.errors import BadInput, problem, refuse
from fizzlab.language import say
from fizzlab.records import seals
from fizzlab.records.ledger import (
    HEAD,
    LEDGER,
    Adoption,
    Correction,
    Entry,
    Ledger,
    PlanEntry,
    Report,
    SignOff,
    is_plain,
    line_of,
    parse_line,
    read_ledger,
    sha256,
)
from fizzlab.trial.journal import JOURNAL
from fizzlab.trial.opening import bytes_of
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


def bench_log(folder: Path, first: int | None = None) -> dict[str, str]:
    """How many lines the bench's journal has, and the hash of them, or of its first: it only ever grows."""
    path = folder / JOURNAL
    lines = bytes_of(path).split(b"\n")[:-1][:first] if path.exists() else []
    return {str(len(lines)): sha256(b"\n".join(lines))} if lines else {}


def making(home: Path) -> AbstractContextManager[Path]:
    """A folder to write a record in, which is gone afterwards unless `keep` gave it a number."""
    return room_in(home.parent)


def keep(making: Path, finish: Callable[[Path, Report], None], **about: Any) -> Path:
    """Give a finished folder its number and its line in the ledger, and return its place.

    `about` are fields of `Report`. `making` holds all of the record but what carries its number, such as the
    page; `finish` writes that, once more where another record was quicker. If the computer refuses (OSError),
    all is as it was.
    """
    home = making.parents[1] / RECORDS
    about |= {"kind": "report", "versions": versions()}
    while True:
        ledger = read_ledger(home)
        taken = [_number(path.name) for path in home.iterdir()] if home.is_dir() else []  # by files too
        number = 1 + max([0, *taken, *(entry.number for entry in ledger.reports())])
        about |= {"record": f"{about['trial']}-{number}", "number": number, **ledger.coming()}
        finish(making, Report(**about, files=_prints(making)))
        entry = Report(**about, files=_prints(making))
        with changing(home.parent) as room:
            if read_ledger(home).data != ledger.data or (home / entry.record).exists():
                continue
            (making / ENTRY).write_bytes(line_of(entry) + b"\n")
            _add(room, ledger, entry)
            os.rename(making, room / RECORDS / entry.record)
        return home / entry.record


def enter_plan(home: Path, room: Path, *, runs: Sequence[Mapping[Any, Any]], **about: Any) -> None:
    """Enter a plan, in the room of the change that puts its files in place.

    Of the batches it keeps run, day, blind code and the factors, in the order of making.
    """
    ledger = read_ledger(home)
    _add(room, ledger, PlanEntry(kind="plan", **ledger.coming(), **about, runs=[dict(run) for run in runs]))


def correct(home: Path, number: int, *, reason: str, by: str, says: str = "") -> Correction:
    """Add a correction to a record, which itself is never touched: why, who says so, how it should read.

    BadInput is raised, and nothing written, where there is no such record or a text is empty.
    """
    reason, by = _filled({"--reason": reason, "--by": by})
    return _enter(home, number, Correction, kind="correction", by=by, reason=reason, says=_tidy(says))


def sign(home: Path, number: int, *, checked_by: str, date: str = "") -> SignOff:
    """Say that a record was checked, after it was made; today, if no date is given."""
    (by,), day = _filled({"--checked-by": checked_by}), signed(date=date)["date"]
    return _enter(home, number, SignOff, kind="sign-off", by=by, date=day)


def _enter(home: Path, number: int, of: type[E], **said: str) -> E:
    """Add an entry about a record."""
    read_ledger(home).report(number)  # before anything is made on the disk
    with changing(home.parent) as room:
        ledger = read_ledger(home)
        about: dict[str, Any] = {**said, "record": ledger.report(number).record, "number": number}
        entry = of(**ledger.coming(), **about)
        _add(room, ledger, entry)
    return entry


def adopt(home: Path, *, reason: str, by: str = "") -> Adoption:
    """Accept, with a reason, what is wrong with the ledger, and enter the whole records that have no line.

    BadInput is raised where there is nothing to accept.
    """
    (reason,) = _filled({"--reason": reason})
    with changing(home.parent) as room:
        ledger = read_ledger(home)
        whole = [own for own in map(own_entry, record_folders(home)) if own and adoptable(home, ledger, own)]
        wrong = seals.wrong(ledger)
        if not whole and not wrong:
            raise refuse("nothing_to_adopt", str(home))
        about = {"by": _tidy(by), "reason": reason, "accepts": wrong, "records": whole, **ledger.coming()}
        entry = Adoption(kind="adoption", **about, stands=ledger.standing(len(ledger.lines)))
        _add(room, ledger, entry, accepts=True)
    return entry


def seal(home: Path, key: Path, *, stamp: bool = False) -> tuple[int, Path | None]:
    """Seal the head, and ask for a stamp if wanted: the number of its line, and the request to be sent."""
    with changing(home.parent) as room:
        ledger = read_ledger(home)
        if not ledger.lines:
            raise refuse("ledger_empty_yet", str(home))
        head = ledger.lines[-1]
        seals.seal(room / RECORDS, ledger, head, key)
        return head.place, home / seals.request_stamp(room / RECORDS, head) if stamp else None


def adoptable(home: Path, ledger: Ledger, own: Report) -> bool:
    """Is this the line of a whole record that the ledger does not know, nor its number?"""
    free = all(own.record != each.record and own.number != each.number for each in ledger.reports())
    return free and own.number == _number(own.record) and is_whole(home / own.record, own)


def _add(room: Path, ledger: Ledger, entry: Entry, *, accepts: bool = False) -> None:
    """Write ledger and head, and a seal where a key is named, into the room of a change.

    A head that tells of lines that are no longer there stays as it is until an adoption `accepts` that.
    """
    longer = ledger.with_entry(entry)
    (room / RECORDS).mkdir(exist_ok=True)
    (room / RECORDS / LEDGER).write_bytes(longer.data)
    if accepts or not ledger.cut():
        (room / HEAD).write_bytes(longer.lines[-1].head)
    if (key := os.environ.get(seals.KEY)) and not accepts:
        seals.seal(room / RECORDS, ledger, longer.lines[-1], Path(key), known=bool(ledger.lines))


def signed(made_by: str = "", checked_by: str = "", date: str = "") -> dict[str, str]:
    """Fields of `Report`: who made and checked it, from what was typed; today where no date is named."""
    try:
        day = dt.date.fromisoformat(date.strip()) if date.strip() else dt.date.today()
    except ValueError:
        raise refuse("not_a_date", say("at_option", option="--date"), date=date) from None
    return {"by": _tidy(made_by), "checked_by": _tidy(checked_by), "date": day.isoformat()}


def _tidy(text: str) -> str:
    return " ".join(text.encode("utf-8", errors="replace").decode("utf-8").split())


def _filled(options: dict[str, str]) -> list[str]:
    """What was typed, tidied; BadInput where nothing was."""
    empty = [name for name, text in options.items() if not _tidy(text)]
    if empty:
        raise BadInput(problem("option_empty", say("at_option", option=name)) for name in empty)
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
        own = (record / ENTRY).read_bytes() if is_plain(record / ENTRY) and not record.is_symlink() else b""
    except OSError:
        return None
    entry, _ = parse_line(own.removesuffix(b"\n"))
    return entry if isinstance(entry, Report) and entry.record == record.name else None


def is_whole(record: Path, entry: Report) -> bool:
    """Does the folder hold exactly the files that its entry names, as they were?"""
    return all(map(is_plain, files_of(record).values())) and _prints(record) == entry.files


def _prints(record: Path) -> dict[str, str]:
    return {name: fingerprint(path) for name, path in files_of(record).items()}


def _number(name: str) -> int:
    matched = _RECORD.fullmatch(name)
    return int(matched.group(1)) if matched else 0
