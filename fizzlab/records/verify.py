"""Does everything still agree: the chain, the records with their lines, the readings with the last record?"""

from __future__ import annotations

import re
from collections.abc import Iterator
from difflib import SequenceMatcher
from itertools import chain, zip_longest
from pathlib import Path
from typing import NamedTuple

from fizzlab.errors import BadInput, Problem, count
from fizzlab.records import seals
from fizzlab.records.ledger import HEAD, LEDGER, PRINT, Adoption, Ledger, is_plain, line_of, read_ledger
from fizzlab.records.store import (
    ENTRY,
    INPUTS,
    STOPPED,
    adoptable,
    bench_log,
    files_of,
    fingerprint,
    is_ignored,
    is_whole,
    kept_as,
    own_entry,
    record_folders,
)
from fizzlab.trial.journal import JOURNAL
from fizzlab.trial.placing import RECORDS, WORKBOOK, folder_there

#: Of a report that failed.
_NOTEBOOK = re.compile(r"[\w-]+-\d{8}-\d{6}\.ipynb")

#: More single changes of a file than this are counted, not listed.
MOST_LISTED = 6


class Fault(NamedTuple):
    """One thing that does not agree: ledger, record, readings, stranger, link or seal, and a sentence."""

    kind: str
    sentence: str


class Verification(NamedTuple):
    """What `verify` found, the ledger, and what was accepted, is sealed, and cannot be known."""

    faults: tuple[Fault, ...]
    ledger: Ledger
    notes: tuple[str, ...]


def verify(folder: Path, *, known: str = "", trust: Path | None = None) -> Verification:
    """Check the records of a trial folder, or one record, which may be a copy elsewhere; nothing is written.

    `known` is a hash that was kept elsewhere, of a line or as a page prints it, or its first 12 characters or
    more: whoever keeps one can tell whether the ledger was written anew. `trust` is a folder with the
    allowed_signers and authority.pem that one knows. BadInput is raised where `known` is no hash, or there
    are no records.
    """
    one = (folder / ENTRY).is_file()
    alone = one and (folder / LEDGER).is_file()
    home = records_home(folder) if not one else folder.resolve() if alone else folder.resolve().parent
    ledger = read_ledger(home)
    seal = list(seals.check(home, ledger, trust))
    found = {"ledger": [*_known(ledger, known), *ledger.faults(), *([] if alone else ledger.cut())]}
    if one:
        found["record"] = _of_one(folder.resolve(), ledger)
    else:
        found |= {"record": [*_altered(home, ledger)], "readings": [*_readings(home, ledger)]}
        found["stranger"] = [*_not_entered(home, ledger), *_strangers(home)]
    place = folder.resolve() if one else home
    found["link"] = [*_no_files(place)]
    found["seal"] = [said for kind, said in seal if kind != "note"]
    faults = tuple(Fault(kind, sentence) for kind, sentences in found.items() for sentence in sentences)
    notes = [said for kind, said in seal if kind == "note"]
    return Verification(faults, ledger, tuple(_notes(home, ledger, notes, place)))


def _notes(home: Path, ledger: Ledger, sealed: list[str], place: Path) -> Iterator[str]:
    for entry in ledger.entries():
        if isinstance(entry, Adoption):
            yield f"{' '.join(entry.adopted())} Adopted by {entry.by or 'nobody named'}: {entry.reason}"
    if stopped := len(list((home / STOPPED).glob("*"))):
        yield f"{STOPPED} holds {count(stopped, 'file')} of reports that failed; nothing vouches for that."
    if linked := [path for path in sorted(place.rglob("*")) if is_plain(path) and path.stat().st_nlink > 1]:
        name = f"{linked[0].relative_to(place.parent).as_posix()}, one of {len(linked)} such files,"
        yield f"{name} is a hard link, as some backups make: who writes into its other name changes it here."
    yield from sealed
    last = ledger.entries()[-1].at[:16].replace("T", " ") if ledger.entries() else "never"
    anew = f"{HEAD}, nor whether all was written anew: seal it, or keep the last hash elsewhere"
    with_it = "the seal" if sealed else anew
    yield f"Cannot be known: whether lines after the last, of {last}, were cut off with {with_it}."


def records_home(folder: Path) -> Path:
    """The folder of a trial's records (BadInput where there is none)."""
    folder_there(folder)
    if not (folder / RECORDS).is_dir():
        do = "Make one with: fizzlab report FOLDER."
        raise BadInput([Problem(str(folder), "it holds no records.", do)])
    return folder / RECORDS


def trials_with_records(folder: Path) -> list[Path]:
    """The folder itself if it holds records or is one, else its sub-folders that hold some (or BadInput)."""
    found = [path.parent for path in sorted(folder.glob(f"*/{RECORDS}")) if path.is_dir()]
    if found and not (folder / RECORDS).is_dir():
        return found
    return [folder] if (folder / ENTRY).is_file() else [records_home(folder).parent]


def _known(ledger: Ledger, known: str) -> Iterator[str]:
    wanted = known.strip().rstrip("…").lower()
    if wanted and (len(wanted) < 12 or set(wanted) - set("0123456789abcdef")):
        do = "Give its first 12 characters or more, digits and the letters a to f."
        raise BadInput([Problem("option --hash", f"“{known}” is not a hash.", do)])
    hashes = chain((line.sha256 for line in ledger.lines), (each.printed for each in ledger.reports()))
    if wanted and not any(each.startswith(wanted) for each in hashes):
        what = f"No line of {LEDGER} has the hash {wanted[:16]}… that you kept:"
        yield f"{what} it was changed since, or taken out."


def _of_one(record: Path, ledger: Ledger) -> list[str]:
    """What of one record does not agree with its line of the ledger, or where none is there with its own."""
    if any(entry.record == record.name for entry in ledger.reports()):
        return [*_altered(record.parent, ledger, record.name)]
    whole = (own := own_entry(record)) is not None and is_whole(record, own)
    altered = f"Record {record.name} was altered: its files are not those that it was made with."
    return [] if whole else [altered]


def _altered(home: Path, ledger: Ledger, only: str = "") -> Iterator[str]:
    for line, entry in ledger.entered():
        if only not in ("", entry.record):
            continue
        record, altered = home / entry.record, f"Record {entry.record} was altered:"
        if not record.is_dir() or record.is_symlink():
            yield f"Record {entry.record} is missing: its folder is not there."
            continue
        there, own = files_of(record), record / ENTRY
        for name, value in entry.files.items():
            try:
                if name not in there:
                    yield f"{altered} {name} is missing."
                elif not is_plain(there[name]) or fingerprint(there[name]) != value:
                    yield f"{altered} {name} was changed."
            except OSError as error:
                yield f"{altered} {name} cannot be read ({error.strerror})."
        # a page may be printed long after its record was made; nothing vouches for the print
        more = (LEDGER, seals.SEALS) if ledger.path.parent == record else ()  # of a copy
        found = [name for name in there if name.partition("/")[0] not in (PRINT, *more)]
        yield from (f"{altered} {name} was put in later." for name in found if name not in entry.files)
        if not is_plain(own):
            yield f"{altered} {ENTRY} is missing."
        elif own.read_bytes() != line_of(entry) + b"\n":
            differ = f"{ENTRY} and line {line} of {LEDGER} differ"
            yield f"{altered} {differ}, so one of them was changed."


def _not_entered(home: Path, ledger: Ledger) -> Iterator[str]:
    entered = {entry.record for entry in ledger.reports()}
    for record in record_folders(home):
        if record.name in entered:
            continue
        own = own_entry(record)
        if own is None:
            what = f"its {ENTRY} is missing or damaged, so nothing vouches for it"
        elif adoptable(home, ledger, own):
            what = "it is whole; if you know where it comes from, enter it with fizzlab records adopt"
        else:
            what = "its files are not those that it was made with, or its number is another record's"
        yield f"Record {record.name} has no line in {LEDGER}: {what}."


def _strangers(home: Path) -> Iterator[str]:
    known = {LEDGER, STOPPED, seals.SEALS, *(path.name for path in record_folders(home))}
    found = [path for path in home.iterdir() if path.name not in known]
    found += [path for path in home.glob(f"{STOPPED}/*") if not _NOTEBOOK.fullmatch(path.name)]
    found += [path for path in home.glob(f"{seals.SEALS}/*") if not seals.NAMES.fullmatch(path.name)]
    for path in sorted(found):
        if not is_ignored(Path(path.name)):
            yield f"{path.relative_to(home.parent).as_posix()} is not part of any record."


def _no_files(home: Path) -> Iterator[str]:
    for path in [home, *sorted(home.rglob("*"))]:
        if path.is_symlink() or not (path.is_dir() or is_plain(path)):
            name = path.relative_to(home.parent).as_posix()
            yield f"{name} is a link, a pipe or the like: what it shows can change elsewhere."


def _readings(home: Path, ledger: Ledger) -> Iterator[str]:
    from fizzlab.measures import TABLES  # slow to load, as the next, and nobody else needs them here
    from fizzlab.trial.settings import read_settings

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
        for lines in last.journal:
            if bench_log(folder, int(lines)) != last.journal:
                yield f"{since} {JOURNAL}, of which lines 1 to {lines} should never change."
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
