"""Does everything still agree: the chain, the records with their lines, the readings with the last record?"""

from __future__ import annotations

import tomllib
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from difflib import SequenceMatcher
from pathlib import Path
from typing import Any, Literal

from fizzlab.errors import BadInput, Problem
from fizzlab.measures import TABLES
from fizzlab.records.ledger import LEDGER, Ledger, Report, line_of, no_records, read_ledger
from fizzlab.records.store import (
    COMING,
    ENTRY,
    INPUTS,
    LEDGER_LOCK,
    MAKING,
    STOPPED,
    files_of,
    fingerprint,
    is_ignored,
    is_whole,
    kept_as,
    own_entry,
    record_folders,
)
from fizzlab.trial.folder import RECORDS, WORKBOOK
from fizzlab.trial.settings import read_settings
from fizzlab.trial.tables import RawTable, read_csv, read_sheets

#: A page may be printed long after its record was made; nothing vouches for the print.
PRINTED_LATER = ("report.pdf",)

#: More single changes of a file than this are counted, not listed.
MOST_LISTED = 6


@dataclass(frozen=True)
class Fault:
    """One thing that does not agree, in a sentence.

    The chain is broken ("ledger"); a record was altered; the readings changed since the last record, which
    is itself as it was; something lies there that no entry names ("stranger").
    """

    kind: Literal["ledger", "record", "readings", "stranger"]
    sentence: str


@dataclass(frozen=True)
class Verified:
    """What `verify` found: faults, what else is worth a line, and the ledger itself."""

    faults: tuple[Fault, ...]
    notes: tuple[str, ...]
    ledger: Ledger


def verify(folder: Path, *, known: str = "") -> Verified:
    """Check the records of a trial folder; nothing is written.

    Parameters
    ----------
    folder : Path
        The trial folder.
    known : str
        A hash of the ledger that was kept elsewhere, or its first 12 characters or more: whoever keeps one
        can tell whether the ledger was written anew.

    Raises
    ------
    BadInput
        There are no records, or `known` is not a hash.
    """
    home = records_home(folder)
    ledger = read_ledger(home)
    faults = [Fault("ledger", sentence) for sentence in ledger.faults()]
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
    return Verified(tuple(faults), tuple(notes), ledger)


def records_home(folder: Path) -> Path:
    """The folder of a trial's records (BadInput where there is none)."""
    home = folder / RECORDS
    if not home.is_dir():
        raise BadInput([no_records(folder)])
    return home


def trials_with_records(folder: Path) -> list[Path]:
    """The folder itself if it holds records, else its sub-folders that do (BadInput where none does)."""
    found = [path.parent for path in sorted(folder.glob(f"*/{RECORDS}")) if path.is_dir()]
    if found and not (folder / RECORDS).is_dir():
        return found
    return [records_home(folder).parent]


def is_sound(folder: Path) -> bool:
    """Do the chain and the folders beside it agree? Quick, since no file of a record is read."""
    home = records_home(folder)
    ledger = read_ledger(home)
    return not (ledger.faults() or {path.name for path in record_folders(home)} ^ _names(ledger))


def since_the_one_before(folder: Path, number: int) -> list[str]:
    """How the tables of a record differ from those of the record before it, as both kept them."""
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
            said = _changes(old, new, _tables_of(folder)) if old.is_file() and new.is_file() else []
            found.append(f"{name}: {'; '.join(said) or 'changed'}")
    return found


def _names(ledger: Ledger) -> set[str]:
    return {entry.record for entry in ledger.reports()}


def _known(ledger: Ledger, known: str) -> list[Fault]:
    wanted = known.strip().rstrip("…").lower()
    if not wanted:
        return []
    if len(wanted) < 12 or set(wanted) - set("0123456789abcdef"):
        do = "Give its first 12 characters or more, digits and the letters a to f."
        raise BadInput([Problem("option --hash", f"“{known}” is not a hash.", do)])
    if any(line.sha256.startswith(wanted) for line in ledger.lines):
        return []
    what = (
        f"No line of {LEDGER} has the hash {wanted[:16]}… that you kept: it was changed since, or taken out."
    )
    return [Fault("ledger", what)]


def _record(home: Path, entry: Report) -> list[Fault]:
    record = home / entry.record

    def fault(what: str) -> Fault:
        return Fault("record", f"Record {entry.record} was altered: {what}.")

    if not record.is_dir():
        return [Fault("record", f"Record {entry.record} is missing: its folder is not there.")]
    there = files_of(record)
    found = []
    for name, value in entry.files.items():
        if name not in there:
            found.append(fault(f"{name} is missing"))
            continue
        try:
            if fingerprint(there[name]) != value:
                found.append(fault(f"{name} was changed"))
        except OSError as error:
            found.append(fault(f"{name} cannot be read ({error.strerror})"))
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
        elif own.before != ledger.last:
            what = "it does not follow the last line; lines were taken out, or it is of another ledger"
        elif is_whole(record, own):
            what = "it is whole, and the next report, correction or sign-off enters it"
        else:
            what = "its files are not those that it was made with"
        found.append(Fault("stranger", f"Record {record.name} has no line in {LEDGER}: {what}."))
    return found


def _strangers(home: Path) -> list[Fault]:
    known = {LEDGER, LEDGER_LOCK, COMING, STOPPED, *(path.name for path in record_folders(home))}
    return [
        Fault("stranger", f"{home.name}/{path.name} is not part of any record.")
        for path in sorted(home.iterdir())
        if path.name not in known and not path.name.startswith(MAKING) and not is_ignored(Path(path.name))
    ]


def _readings(folder: Path, home: Path, last: Report) -> list[Fault]:
    """What changed in the trial folder since the newest record; that record itself is judged elsewhere."""
    known = _tables_of(folder)
    found = []
    for name, value in last.inputs.items():
        path, kept = folder / name, home / last.record / INPUTS / kept_as(name)
        if not path.is_file():
            found.append(f"{name} is no longer there.")
        elif fingerprint(path) == value:
            continue
        elif kept.is_file() and fingerprint(kept) == value:
            said = _changes(kept, path, known)
            found.append(f"{name} ({'; '.join(said)})." if said else f"{name}, but in nothing that is read.")
        else:
            found.append(f"{name}.")
    there = [path.name for path in sorted(folder.glob("*.csv")) if path.stem.casefold() in known]
    there += [WORKBOOK] if (folder / WORKBOOK).is_file() else []
    found += [f"{name} is new." for name in there if name not in last.inputs]
    return [Fault("readings", f"Readings changed since record {last.record}: {what}") for what in found]


def _tables_of(folder: Path) -> Collection[str]:
    """Names of the tables that the trial may have, its own ones too where trial.toml can be read."""
    settings, _ = read_settings(folder)
    return list(TABLES if settings is None else settings.tables())


def _changes(old: Path, new: Path, known: Collection[str]) -> list[str]:
    """What changed from one file to another of its kind, in short parts of a sentence.

    Empty where they differ in nothing that is read.
    """
    if new.suffix == ".toml":
        return _shortened(_changed_keys(_toml(old), _toml(new)))
    before, after = _tables(old, known), _tables(new, known)
    if before is None or after is None:
        return ["it can no longer be read as a table"]
    found = []
    for name in sorted(before.keys() | after.keys()):
        said = f"sheet {name}, " if new.suffix == ".xlsx" else ""
        if name not in after:
            found.append(f"sheet {name} is gone")
        elif name not in before:
            found.append(f"sheet {name} is new")
        else:
            found += [said + change for change in _changed_rows(before[name], after[name])]
    return _shortened(found)


def _tables(path: Path, known: Collection[str]) -> dict[str, RawTable] | None:
    if path.suffix == ".xlsx":
        sheets, _, problems = read_sheets(path, list(known))
        return None if problems and not sheets else sheets
    raw, _ = read_csv(path)
    return None if raw is None else {path.stem: raw}


def _changed_rows(before: RawTable, after: RawTable) -> list[str]:
    old_names, new_names = list(before.cells.columns), list(after.cells.columns)
    found = [f"column {name} is gone" for name in old_names if name not in new_names]
    found += [f"column {name} is new" for name in new_names if name not in old_names]
    shared = [name for name in old_names if name in new_names]
    old, new = before.cells[shared], after.cells[shared]
    old_rows = [tuple(row) for row in old.itertuples(index=False, name=None)]
    new_rows = [tuple(row) for row in new.itertuples(index=False, name=None)]
    added = 0
    for kind, i1, i2, j1, j2 in SequenceMatcher(None, old_rows, new_rows, autojunk=False).get_opcodes():
        if kind == "equal":
            continue
        paired = min(i2 - i1, j2 - j1)
        for step in range(paired):
            row = new.index[j1 + step]
            for name, was, now in zip(shared, old_rows[i1 + step], new_rows[j1 + step], strict=True):
                if was != now:
                    found.append(f"row {row}, {name}: “{was}”, now “{now}”")
        found += [
            f"what was row {old.index[i]} is gone ({', '.join(filter(None, old_rows[i]))})"
            for i in range(i1 + paired, i2)
        ]
        added += (j2 - j1) - paired
    if added:
        found.append("1 row was added" if added == 1 else f"{added} rows were added")
    return found


def _toml(path: Path) -> dict[str, Any]:
    try:
        return tomllib.loads(path.read_bytes().decode("utf-8-sig"))
    except (UnicodeDecodeError, tomllib.TOMLDecodeError):
        return {}


def _changed_keys(before: Mapping[str, Any], after: Mapping[str, Any], place: str = "") -> list[str]:
    found = []
    for key in dict.fromkeys([*before, *after]):
        here = f"{place}{key}"
        if key not in after:
            found.append(f"{here} is gone")
        elif key not in before:
            found.append(f"{here} is new")
        elif isinstance(before[key], dict) and isinstance(after[key], dict):
            found += _changed_keys(before[key], after[key], f"{here}.")
        elif before[key] != after[key]:
            found.append(f"{here}: {before[key]!r}, now {after[key]!r}")
    return found


def _shortened(found: list[str]) -> list[str]:
    if len(found) <= MOST_LISTED:
        return found
    return [*found[:MOST_LISTED], f"and {len(found) - MOST_LISTED} more changes"]
