"""Does everything still agree: the chain, the records with their lines, the readings with the last record?"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from difflib import SequenceMatcher
from itertools import zip_longest
from pathlib import Path
from typing import NamedTuple

from fizzlab.errors import BadInput, Problem
from fizzlab.measures import TABLES
from fizzlab.records.ledger import LEDGER, Ledger, line_of, read_ledger
from fizzlab.records.store import (
    ENTRY,
    INPUTS,
    STOPPED,
    files_of,
    fingerprint,
    is_ignored,
    is_whole,
    kept_as,
    own_entry,
    record_folders,
)
from fizzlab.trial.placing import RECORDS, WORKBOOK, folder_there

#: More single changes of a file than this are counted, not listed.
MOST_LISTED = 6


class Fault(NamedTuple):
    """One thing that does not agree, in a sentence; its kind is a key of `CHECKS`."""

    kind: str
    sentence: str


class Verification(NamedTuple):
    """What `verify` found, and the ledger itself."""

    faults: tuple[Fault, ...]
    ledger: Ledger


def verify(folder: Path, *, known: str = "") -> Verification:
    """Check the records of a trial folder; nothing is written.

    `known` is a hash of the ledger that was kept elsewhere, or its first 12 characters or more: whoever keeps
    one can tell whether the ledger was written anew. BadInput is raised where it is no hash, or there are no
    records.
    """
    home = records_home(folder)
    ledger = read_ledger(home)
    faults = [Fault("ledger", sentence) for sentence in _known(ledger, known)]
    faults += [Fault(kind, sentence) for kind, check in CHECKS for sentence in check(home, ledger)]
    return Verification(tuple(faults), ledger)


def records_home(folder: Path) -> Path:
    """The folder of a trial's records (BadInput where there is none)."""
    folder_there(folder)
    if not (folder / RECORDS).is_dir():
        do = "Make one with: fizzlab report FOLDER."
        raise BadInput([Problem(str(folder), "it holds no records.", do)])
    return folder / RECORDS


def trials_with_records(folder: Path) -> list[Path]:
    """The folder itself if it holds records, else its sub-folders that do (BadInput where none does)."""
    found = [path.parent for path in sorted(folder.glob(f"*/{RECORDS}")) if path.is_dir()]
    if found and not (folder / RECORDS).is_dir():
        return found
    return [records_home(folder).parent]


def _known(ledger: Ledger, known: str) -> Iterator[str]:
    wanted = known.strip().rstrip("…").lower()
    if wanted and (len(wanted) < 12 or set(wanted) - set("0123456789abcdef")):
        do = "Give its first 12 characters or more, digits and the letters a to f."
        raise BadInput([Problem("option --hash", f"“{known}” is not a hash.", do)])
    if wanted and not any(line.sha256.startswith(wanted) for line in ledger.lines):
        what = f"No line of {LEDGER} has the hash {wanted[:16]}… that you kept:"
        yield f"{what} it was changed since, or taken out."


def altered(record: Path) -> list[str]:
    """What of one record does not agree with its line of the ledger, or where none is there with its own."""
    home, own = record.resolve().parent, own_entry(record)
    ledger = read_ledger(home)
    if any(entry.record == record.resolve().name for entry in ledger.reports()):
        return [*ledger.faults(), *_altered(home, ledger, record.resolve().name)]
    if own is None or not is_whole(record, own):
        return [f"Record {record.name} was altered: its files are not those that it was made with."]
    return []


def _altered(home: Path, ledger: Ledger, only: str = "") -> Iterator[str]:
    for entry in ledger.reports():
        if only not in ("", entry.record):
            continue
        record, altered = home / entry.record, f"Record {entry.record} was altered:"
        if not record.is_dir():
            yield f"Record {entry.record} is missing: its folder is not there."
            continue
        there, own = files_of(record), record / ENTRY
        for name, value in entry.files.items():
            try:
                if name not in there:
                    yield f"{altered} {name} is missing."
                elif fingerprint(there[name]) != value:
                    yield f"{altered} {name} was changed."
            except OSError as error:
                yield f"{altered} {name} cannot be read ({error.strerror})."
        # a page may be printed long after its record was made; nothing vouches for the print
        later = [name for name in there if name not in entry.files and name != "report.pdf"]
        yield from (f"{altered} {name} was put in later." for name in later)
        if not own.is_file():
            yield f"{altered} {ENTRY} is missing."
        elif own.read_bytes() != line_of(entry) + b"\n":
            differ = f"{ENTRY} and line {entry.entry} of {LEDGER} differ"
            yield f"{altered} {differ}, so one of them was changed."


def _not_entered(home: Path, ledger: Ledger) -> Iterator[str]:
    entered = {entry.record for entry in ledger.reports()}
    for record in record_folders(home):
        if record.name in entered:
            continue
        own = own_entry(record)
        if own is None:
            what = f"its {ENTRY} is missing or damaged, so nothing vouches for it"
        elif own.before != ledger.last:
            what = "it does not follow the last line; lines were taken out, or it is of another ledger"
        elif is_whole(record, own):
            what = "it is whole, but nothing tells how it came there"
        else:
            what = "its files are not those that it was made with"
        yield f"Record {record.name} has no line in {LEDGER}: {what}."


def _strangers(home: Path, ledger: Ledger) -> Iterator[str]:
    known = {LEDGER, STOPPED, *(path.name for path in record_folders(home))}
    for path in sorted(home.iterdir()):
        if path.name not in known and not is_ignored(Path(path.name)):
            yield f"{home.name}/{path.name} is not part of any record."


def _readings(home: Path, ledger: Ledger) -> Iterator[str]:
    from fizzlab.trial.settings import read_settings  # slow to load, and nobody else needs it here

    folder = home.parent
    settings, _ = read_settings(folder)
    known = list(TABLES if settings is None else settings.tables())
    for last in ledger.reports()[-1:]:
        since = f"Readings changed since record {last.record}:"
        for name, value in last.inputs.items():
            path, kept = folder / name, home / last.record / INPUTS / kept_as(name)
            if not path.is_file():
                yield f"{since} {name} is no longer there."
            elif fingerprint(path) != value:
                sound = kept.is_file() and fingerprint(kept) == value
                said = _changes(kept, path, known) if sound else []
                nothing = ", but in nothing that is read" if sound else ""
                yield f"{since} {name}" + (f" ({'; '.join(said)})." if said else f"{nothing}.")
        there = [path.name for path in sorted(folder.glob("*.csv")) if path.stem.casefold() in known]
        there += [WORKBOOK] if (folder / WORKBOOK).is_file() else []
        yield from (f"{since} {name} is new." for name in there if name not in last.inputs)


def _changes(old: Path, new: Path, tables: list[str]) -> list[str]:
    """Rows of a table, or lines of trial.toml, that changed; empty if the files differ in nothing read."""
    before, after = _rows(old, tables), _rows(new, tables)
    was_said, is_said = ([text for _, text in rows] for rows in (before, after))
    found = []
    for kind, i1, i2, j1, j2 in SequenceMatcher(None, was_said, is_said, autojunk=False).get_opcodes():
        pairs = zip_longest(before[i1:i2], after[j1:j2], fillvalue=("", ""))
        for (place, was), (at, now) in pairs if kind != "equal" else ():
            said = f"“{was}”, now “{now}”" if was and now else f"“{was or now}” is {'gone' if was else 'new'}"
            found.append(f"{at or place}: {said}")
    more = len(found) - MOST_LISTED
    return [*found[:MOST_LISTED], f"and {more} more changes"] if more > 0 else found


def _rows(path: Path, tables: list[str]) -> list[tuple[str, str]]:
    """Each row or line in which something stands: its place and its text."""
    from fizzlab.trial.tables import read_csv, read_sheets  # which load pandas

    if path.suffix == ".toml":
        lines = path.read_text(encoding="utf-8-sig", errors="replace").splitlines()
        return [(f"line {number}", text) for number, text in enumerate(lines, start=1) if text.strip()]
    if path.suffix == ".xlsx":
        found = {f"sheet {name}, ": raw for name, raw in read_sheets(path, tables)[0].items()}
    else:
        raw = read_csv(path)[0]
        found = {} if raw is None else {"": raw}
    return [
        (f"{sheet}row {row}", ", ".join(filter(None, cells)))
        for sheet, raw in found.items()
        for row, *cells in raw.cells.itertuples(name=None)
    ]


#: What is checked: the kind of fault, and the function of a records folder and its ledger.
CHECKS: tuple[tuple[str, Callable[[Path, Ledger], Iterable[str]]], ...] = (
    ("ledger", lambda home, ledger: ledger.faults()),
    ("record", _altered),
    ("stranger", _not_entered),
    ("stranger", _strangers),
    ("readings", _readings),
)
