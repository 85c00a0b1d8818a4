"""Does everything still agree: the chain, the records with their lines, the readings with the last record?"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from fizzlab.errors import BadInput, Problem
from fizzlab.measures import TABLES
from fizzlab.records.compare import changes
from fizzlab.records.entries import Report, line_of
from fizzlab.records.fingerprints import fingerprint, kept_as
from fizzlab.records.ledger import COMING, LEDGER, Ledger, no_records, read_ledger
from fizzlab.records.store import (
    ENTRY,
    INPUTS,
    LEDGER_LOCK,
    MAKING,
    STOPPED,
    files_of,
    is_ignored,
    is_whole,
    own_entry,
    record_folders,
)

#: A page may be printed long after its record was made; nothing vouches for the print.
PRINTED_LATER = ("report.pdf",)

Kind = Literal["ledger", "record", "readings", "stranger"]


@dataclass(frozen=True)
class Fault:
    """One thing that does not agree.

    Parameters
    ----------
    kind : {"ledger", "record", "readings", "stranger"}
        The chain is broken; a record was altered; the readings changed since the last record, which is
        itself as it was; something lies there that no entry names.
    about : str
        The record, or the file.
    sentence : str
    """

    kind: Kind
    about: str
    sentence: str

    def __str__(self) -> str:
        return self.sentence


@dataclass(frozen=True)
class Verified:
    """What `verify` found.

    Parameters
    ----------
    faults : tuple of Fault
    notes : tuple of str
        What is no fault but worth a line, such as what a killed report left behind.
    records, entries : int
        How many the ledger holds.
    last : str
        SHA-256 of its last line: whoever keeps it elsewhere can tell whether the ledger was written anew.
    """

    faults: tuple[Fault, ...]
    notes: tuple[str, ...]
    records: int
    entries: int
    last: str


def verify(folder: Path, *, known: str = "") -> Verified:
    """Check the records of a trial folder; nothing is written.

    Parameters
    ----------
    folder : Path
        The trial folder.
    known : str
        A hash of the ledger that was kept elsewhere, or its first 12 signs or more.

    Returns
    -------
    Verified

    Raises
    ------
    BadInput
        There are no records, or `known` is not a hash.
    """
    home = records_home(folder)
    ledger = read_ledger(home)
    faults = [Fault("ledger", LEDGER, sentence) for sentence in ledger.faults()]
    faults += _known(ledger, known)
    for entry in ledger.reports():
        faults += _record(home, entry)
    faults += _not_entered(home, ledger)
    faults += _strangers(home)
    if ledger.reports():
        faults += _readings(folder, home, ledger.reports()[-1])
    left = [path.name for path in home.iterdir() if path.name.startswith(MAKING) and path.is_dir()]
    notes = [
        f"{home.name}/{name} belongs to a report that is being made, or that was killed; then the next "
        "report takes it away."
        for name in sorted(left)
    ]
    return Verified(tuple(faults), tuple(notes), len(ledger.reports()), len(ledger.lines), ledger.last)


def records_home(folder: Path) -> Path:
    """The folder of a trial's records.

    Raises
    ------
    BadInput
        There is none.
    """
    home = folder / "records"
    if not home.is_dir():
        raise BadInput([no_records(folder)])
    return home


def trials_with_records(folder: Path) -> list[Path]:
    """The folder itself if it holds records, with a ledger or without, otherwise its sub-folders that do.

    Raises
    ------
    BadInput
        None does.
    """
    found = [path.parent for path in sorted(folder.glob("*/records")) if path.is_dir()]
    if found and not (folder / "records").is_dir():
        return found
    return [records_home(folder).parent]


def is_sound(folder: Path) -> bool:
    """Do the chain and the folders beside it agree? Quick, since no file of a record is read."""
    home = records_home(folder)
    ledger = read_ledger(home)
    return not (ledger.faults() or {path.name for path in record_folders(home)} ^ _names(ledger))


def _names(ledger: Ledger) -> set[str]:
    return {entry.record for entry in ledger.reports()}


def since_the_one_before(folder: Path, number: int) -> list[str]:
    """How the tables of a record differ from those of the record before it, as both kept them.

    Parameters
    ----------
    folder : Path
        The trial folder.
    number : int
        Of the record.
    """
    home = records_home(folder)
    reports = read_ledger(home).reports()
    place = next((place for place, entry in enumerate(reports) if entry.number == number), 0)
    if place == 0:
        return []
    before, entry = reports[place - 1], reports[place]
    found = []
    for name in sorted({*before.inputs, *entry.inputs}):
        if name not in entry.inputs:
            found.append(f"{name} is gone")
        elif name not in before.inputs:
            found.append(f"{name} is new")
        elif before.inputs[name] != entry.inputs[name]:
            old, new = (home / report.record / INPUTS / kept_as(name) for report in (before, entry))
            said = changes(old, new) if old.is_file() and new.is_file() else []
            found.append(f"{name}: {'; '.join(said) or 'changed'}")
    return found


def _known(ledger: Ledger, known: str) -> list[Fault]:
    wanted = known.strip().rstrip("…").lower()
    if not wanted:
        return []
    if len(wanted) < 12 or set(wanted) - set("0123456789abcdef"):
        do = "Give the first 12 signs of it or more, digits and the letters a to f."
        raise BadInput([Problem("option --hash", f"“{known}” is not a hash.", do)])
    if any(line.sha256.startswith(wanted) for line in ledger.lines):
        return []
    what = (
        f"No line of {LEDGER} has the hash {wanted[:16]}… that you kept: the line was changed or taken out "
        "after you noted it."
    )
    return [Fault("ledger", LEDGER, what)]


def _record(home: Path, entry: Report) -> list[Fault]:
    record = home / entry.record

    def fault(what: str) -> Fault:
        return Fault("record", entry.record, f"Record {entry.record} was altered: {what}.")

    if not record.is_dir():
        return [Fault("record", entry.record, f"Record {entry.record} is missing: its folder is not there.")]
    there = files_of(record)
    found = []
    for name, value in entry.files.items():
        if name not in there:
            found.append(fault(f"{name} is missing"))
            continue
        try:
            same = fingerprint(there[name]) == value
        except OSError as error:
            found.append(fault(f"{name} cannot be read ({error.strerror})"))
        else:
            if not same:
                found.append(fault(f"{name} was changed"))
    later = [name for name in there if name not in entry.files and name not in PRINTED_LATER]
    found += [fault(f"{name} was put in later") for name in later]
    own = record / ENTRY
    if not own.is_file():
        found.append(fault(f"{ENTRY} is missing"))
    elif own.read_bytes() != line_of(entry) + b"\n":
        found.append(fault(f"{ENTRY} and line {entry.entry} of {LEDGER} differ, so one of them was changed"))
    return found


def _not_entered(home: Path, ledger: Ledger) -> list[Fault]:
    entered = _names(ledger)
    found = []
    for record in record_folders(home):
        if record.name in entered:
            continue
        own = own_entry(record)
        if own is None:
            what = f"its {ENTRY} is missing or damaged, so nothing vouches for it"
        elif own.before == ledger.last and is_whole(record, own):
            what = "it is whole, and the next report, correction or sign-off enters it"
        elif own.before == ledger.last:
            what = "and its files are not those that it was made with"
        else:
            what = (
                "and it does not follow the last line: lines were taken out, or it belongs to another ledger"
            )
        found.append(Fault("stranger", record.name, f"Record {record.name} has no line in {LEDGER}: {what}."))
    return found


def _strangers(home: Path) -> list[Fault]:
    known = {LEDGER, LEDGER_LOCK, COMING, STOPPED, *(path.name for path in record_folders(home))}
    return [
        Fault("stranger", path.name, f"{home.name}/{path.name} is not part of any record.")
        for path in sorted(home.iterdir())
        if path.name not in known and not path.name.startswith(MAKING) and not is_ignored(Path(path.name))
    ]


def _readings(folder: Path, home: Path, last: Report) -> list[Fault]:
    """What changed in the trial folder since the newest record; that record itself is judged elsewhere."""
    found = []
    for name, value in last.inputs.items():
        path, kept = folder / name, home / last.record / INPUTS / kept_as(name)
        if not path.is_file():
            what = f"{name} is no longer there."
        elif fingerprint(path) == value:
            continue
        elif kept.is_file() and fingerprint(kept) == value:
            said = changes(kept, path)
            what = f"{name} ({'; '.join(said)})." if said else f"{name}, but in nothing that is read."
        else:
            what = f"{name}."
        found.append(Fault("readings", name, f"Readings changed since record {last.record}: {what}"))
    tables = [path.name for path in sorted(folder.glob("*.csv")) if path.stem.casefold() in TABLES]
    found += [
        Fault("readings", name, f"Readings changed since record {last.record}: {name} is new.")
        for name in [*tables, *(["readings.xlsx"] if (folder / "readings.xlsx").is_file() else [])]
        if name not in last.inputs
    ]
    return found
