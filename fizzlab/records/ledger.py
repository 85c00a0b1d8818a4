"""The ledger: its entries, reading them with their faults, and adding one line.

A line is JSON with its keys in alphabetical order, no space between its parts, text as UTF-8 and not as
escapes: the same entry is always the same bytes, so its hash is stable. A line is added by writing the whole
ledger anew beside the old one and renaming it: whoever reads sees the old ledger or the new one, never half
a line. Lines that stand there are copied byte for byte, sound or not.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import json
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, TypeAdapter, ValidationError
from pydantic_core import from_json

from fizzlab.errors import BadInput, Problem
from fizzlab.trial.opening import bytes_of
from fizzlab.trial.placing import recover

#: The ledger, and beside the folder of the records its head: number and hash of the last line.
LEDGER, HEAD = "ledger.jsonl", "records-head.txt"

#: In a record: the page, and its print. They tell the hash of its line, which so cannot tell theirs.
PAGE, PRINT = "report.html", "report.pdf"

#: Clocks of two computers may be that far apart.
CLOCKS_APART = dt.timedelta(minutes=5)

#: What the first entry carries where later ones carry the hash of the line before.
FIRST = "0" * 64

Hash = Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]
Hashes = dict[str, Hash]
Lines = Annotated[str, Field(pattern=r"^[1-9][0-9]{0,8}$")]
RecordName = Annotated[str, Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9_-]{0,39}-[1-9][0-9]{0,8}$")]


def _moment(text: str) -> str:
    if dt.datetime.fromisoformat(text).tzinfo is None:
        raise ValueError("it has no offset from UTC")
    return text


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, allow_inf_nan=False, defer_build=True)


class DeviationEntry(_Part):
    """One thing that went otherwise than planned; `seen` in the tables, or else written by the maker."""

    run: str = ""
    what: str
    why: str = ""
    seen: bool = False

    def __str__(self) -> str:
        run, why = f"batch {self.run}: " if self.run else "", f" ({self.why})" if self.why else ""
        return f"{run}{self.what}{why}, {'seen in the tables' if self.seen else 'as the maker wrote'}"


class _Entry(_Part):
    """What every entry has: place from 1, SHA-256 of the line before (or zeros), when and by whom."""

    format: Literal[1]  # a change of meaning raises it
    entry: int = Field(ge=1)
    before: Hash
    at: Annotated[str, AfterValidator(_moment)]
    by: str = ""


class PlanEntry(_Entry):
    """Batches were planned: `runs` holds run, day, blind code and the factors, in the order of making."""

    kind: Literal["plan"]
    trial: str
    title: str
    plan: str
    seed: int
    runs: list[dict[str, str | float]]


class _OfRecord(_Entry):
    """An entry about a record: the name of its folder, and its number, unique in the trial folder."""

    record: RecordName
    number: int = Field(ge=1)


class Report(_OfRecord):
    """A record was made: what went in, what came out."""

    kind: Literal["report"]
    trial: str
    title: str
    checked_by: str = ""
    date: str
    notebook: dict[str, str]
    parameters_sha256: Hash
    inputs: Hashes
    files: Hashes
    versions: dict[str, str]
    lots: dict[str, list[str]] = Field(default_factory=dict)
    deviations: list[DeviationEntry] = Field(default_factory=list)
    batches: int = Field(default=0, ge=0)  # that were analysed; 0 in entries of before version 0.2
    journal: dict[Lines, Hash] = Field(default_factory=dict)  # of the bench: how many lines, and their hash

    @property
    def printed(self) -> str:
        """The hash that its page prints: of its line, but for the page and its print."""
        files = {name: value for name, value in self.files.items() if name not in (PAGE, PRINT)}
        return sha256(line_of(self.model_copy(update={"files": files})))


class Correction(_OfRecord):
    """Something in a record is wrong: why, and how it should read."""

    kind: Literal["correction"]
    reason: str = Field(min_length=1)
    says: str = ""


class SignOff(_OfRecord):
    """A record was checked after it was made; `by` is who checked it, `date` when."""

    kind: Literal["sign-off"]
    date: str


class Adoption(_Entry):
    """What did not agree was accepted; `stands` is a hash of all lines before it, as they were then."""

    kind: Literal["adoption"]
    reason: str = Field(min_length=1)
    accepts: list[str]
    records: list[Report]
    stands: Hash

    def adopted(self) -> list[str]:
        """What it accepted and entered, a sentence each."""
        return [*self.accepts, *(f"Record {report.record} had no line." for report in self.records)]


Entry = PlanEntry | Report | Correction | SignOff | Adoption

_STABLE = json.JSONEncoder(sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False)

_ANY: TypeAdapter[Entry] = TypeAdapter(Annotated[Entry, Field(discriminator="kind")])


@dataclass(frozen=True)
class Line:
    """One line as it stands in the file: its place from 1, its hash and, once asked for, its entry."""

    place: int
    sha256: str
    data: bytes

    @cached_property
    def read(self) -> tuple[Entry | None, str]:
        """Its entry, or None with what is wrong."""
        return parse_line(self.data)

    @property
    def head(self) -> bytes:
        """What is kept elsewhere, sealed and stamped of it while it is the last."""
        return f"{self.place} {self.sha256}\n".encode()


@dataclass(frozen=True)
class Ledger:
    """The ledger of one trial folder, as it stands; `data` is empty where there is none."""

    path: Path
    data: bytes
    lines: tuple[Line, ...]

    @property
    def last(self) -> str:
        """The hash of the last line, or zeros: what the next entry carries."""
        return self.lines[-1].sha256 if self.lines else FIRST

    def entries(self) -> list[Entry]:
        """The entries that can be read."""
        return [entry for line in self.lines if (entry := line.read[0]) is not None]

    def entered(self) -> list[tuple[int, Report]]:
        """The records in the order in which they were entered, and by which line: its own, or an adoption."""
        return [(line.place, report) for line in self.lines for report in _reports(line.read[0])]

    def reports(self) -> list[Report]:
        """The records, in the order in which they were entered."""
        return [report for _, report in self.entered()]

    def holding(self, name: str, value: object) -> Ledger:
        """The lines in which a name has a value, or one that begins so; the others are not even read."""
        said = canonical({name: value})[1:-1]
        return replace(self, lines=tuple(line for line in self.lines if said in line.data))

    def report(self, number: int) -> Report:
        """The record of that number (BadInput where there is none)."""
        found = [each for each in self.holding("number", number).reports() if each.number == number]
        if not found:
            numbers = ", ".join(str(each.number) for each in self.reports())
            do = f"The ledger holds: {numbers}." if numbers else "Make one with: fizzlab report FOLDER."
            raise BadInput([Problem(str(self.path.parent.parent), f"there is no record {number}.", do)])
        return found[-1]

    def plan(self) -> PlanEntry | None:
        """The last plan that was made."""
        plans = [entry for entry in self.entries() if isinstance(entry, PlanEntry)]
        return plans[-1] if plans else None

    def faults(self) -> list[str]:
        """What is wrong with the chain, a sentence each, but for what an adoption accepted.

        A line that was changed shows in the line after it, which carries the hash of the old one.
        """
        found, before, records, latest = list[str](), FIRST, set[str](), None
        for place, line in enumerate(self.lines, start=1):
            here, (entry, fault) = f"Line {place} of {LEDGER}:", line.read
            if entry is None:
                found.append(f"{here} {fault}.")
            elif entry.before != before:
                found.append(self._broken(place, entry))
            elif entry.entry != place:
                found.append(f"{here} it says that it is line {entry.entry}.")
            if entry is not None:
                names, at = [report.record for report in _reports(entry)], dt.datetime.fromisoformat(entry.at)
                found += [f"{here} record {name} stands there twice." for name in names if name in records]
                records.update(names)
                if isinstance(entry, Correction | SignOff) and entry.record not in records:
                    found.append(f"{here} no line before it is about record {entry.record}.")
                if latest is not None and latest - at > CLOCKS_APART:
                    found.append(f"{here} it is dated {entry.at}, before the line that it follows.")
                latest = at
                if isinstance(entry, Adoption) and entry.stands == self.standing(place - 1):
                    found.clear()
            before = line.sha256
        last = f"Line {len(self.lines)} of {LEDGER}:"
        if latest is not None and latest - dt.datetime.now().astimezone() > CLOCKS_APART:
            found.append(f"{last} it is dated {latest}, which is still to come by this computer's clock.")
        if self.data and not self.data.endswith(b"\n"):
            found.append(f"{last} its end is missing.")
        return found

    def standing(self, lines: int) -> str:
        """One hash of its first lines, sound or not."""
        return sha256(canonical([line.sha256 for line in self.lines[:lines]]))

    def cut(self) -> list[str]:
        """Does the head that is kept outside the records tell of a line that is no longer there?"""
        path = self.path.parent.with_name(HEAD)
        said = bytes_of(path) if path.exists() else b""
        if any(said == line.head for line in self.lines[::-1]) or not (said or self.lines):
            return []
        cut = f"tells of a line that {LEDGER} does not hold: lines at its end were cut off, or written anew"
        return [f"{HEAD} {cut if said else 'is missing: a cut at the end of the ledger would not show'}."]

    def _broken(self, place: int, entry: Entry) -> str:
        earlier = [line.place for line in self.lines[: place - 1] if line.sha256 == entry.before]
        if earlier:
            what = f"it follows line {earlier[-1]}, so what stands between was put in later"
        elif place == 1 or entry.entry > place:
            what = "one or more lines before it were taken out"
        else:
            what = f"line {place - 1} was changed after it was written"
        return f"The chain is broken at line {place} of {LEDGER}: {what}."

    def coming(self) -> dict[str, Any]:
        """What every entry has, for the next one."""
        return {"format": 1, "entry": len(self.lines) + 1, "before": self.last, "at": now()}

    def with_entry(self, entry: Entry) -> Ledger:
        """The ledger with one more line; nothing is written. A cut line stays, as a damaged one."""
        cut = b"\n" if self.data and not self.data.endswith(b"\n") else b""
        return _parsed(self.path, self.data + cut + line_of(entry) + b"\n")


def _reports(entry: Entry | None) -> list[Report]:
    return [entry] if isinstance(entry, Report) else entry.records if isinstance(entry, Adoption) else []


def now() -> str:
    """Date and time with the offset from UTC, to the second."""
    return dt.datetime.now().astimezone().isoformat(timespec="seconds")


def canonical(value: Any) -> bytes:
    """JSON in its one stable form.

    >>> canonical({"b": [1, 2.5], "a": "drücken"}).decode()
    '{"a":"drücken","b":[1,2.5]}'
    """
    return _STABLE.encode(value).encode("utf-8")


def sha256(data: bytes) -> str:
    """SHA-256 of some bytes, in hexadecimal."""
    return hashlib.sha256(data).hexdigest()


def line_of(entry: Entry) -> bytes:
    """The line of an entry, without its end: what was left out when it was made stays so."""
    return canonical(entry.model_dump(mode="json", exclude_unset=True))


def parse_line(line: bytes) -> tuple[Entry | None, str]:
    """The entry of a line, or None with what is wrong with the line."""
    try:
        said = from_json(line)
    except ValueError:
        return None, "it is damaged and cannot be read"
    try:
        entry = _ANY.validate_python(said)
    except ValidationError as error:
        if isinstance(said, dict) and isinstance(said.get("format"), int) and said["format"] > 1:
            return None, "it was written by a newer fizzlab, which this one cannot read"
        place = ".".join(str(part) for part in error.errors()[0]["loc"]) or "all of it"
        return None, f"it is no entry of a ledger (see “{place}”)"
    # a model is slow to write down, but turns the whole amounts of a plan into decimals
    if (line_of(entry) if isinstance(entry, PlanEntry) else canonical(said)) != line:
        return None, "it is not in the form in which fizzlab writes, so something else wrote it"
    return entry, ""


def is_plain(path: Path) -> bool:
    """Is this a file, and no link, pipe or device? What a link shows may change elsewhere."""
    return path.is_file() and not path.is_symlink()


def read_ledger(home: Path) -> Ledger:
    """Read the ledger of a records folder; a missing one is empty."""
    path = home / LEDGER
    recover(home.parent)
    try:
        return _parsed(path, bytes_of(path))
    except (FileNotFoundError, NotADirectoryError):
        return Ledger(path, b"", ())


def _parsed(path: Path, data: bytes) -> Ledger:
    texts = data.removesuffix(b"\n").split(b"\n") if data else []
    return Ledger(path, data, tuple(Line(place, sha256(text), text) for place, text in enumerate(texts, 1)))
