"""The entries of the ledger, and the one way in which each is written as a line.

A line is JSON with its keys in alphabetical order, no space between its parts, text as UTF-8 and not as
escapes: the same entry is always the same bytes, so its hash is stable.
"""

from __future__ import annotations

import hashlib
import json
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, TypeAdapter, ValidationError

#: What the first entry carries where later ones carry the hash of the line before.
FIRST = "0" * 64

#: The form of the lines; a change of meaning raises it.
FORMAT = 1

Hash = Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]
Hashes = dict[str, Hash]
RecordName = Annotated[str, Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9_-]{0,39}-[1-9][0-9]{0,8}$")]


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, allow_inf_nan=False)


class DeviationEntry(_Part):
    """One thing that went otherwise than planned; `seen` in the tables, or else written by the maker."""

    run: str = ""
    what: str
    why: str = ""
    seen: bool = False


class _Entry(_Part):
    """What every entry has.

    Parameters
    ----------
    format : int
    entry : int
        Its place in the ledger, from 1.
    before : str
        SHA-256 of the line before, or zeros.
    at : str
        Date and time of writing, with the offset from UTC.
    by : str
        Who planned, made, corrected or checked.
    """

    format: Literal[1] = 1
    entry: int = Field(ge=1)
    before: Hash
    at: str
    by: str = ""


class PlanEntry(_Entry):
    """Batches were planned: `runs` holds run, day, blind code and the factors, in the order of making."""

    kind: Literal["plan"] = "plan"
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

    kind: Literal["report"] = "report"
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


class Correction(_OfRecord):
    """Something in a record is wrong: why, and how it should read."""

    kind: Literal["correction"] = "correction"
    reason: str = Field(min_length=1)
    says: str = ""


class SignOff(_OfRecord):
    """A record was checked after it was made; `by` is who checked it, `date` when."""

    kind: Literal["sign-off"] = "sign-off"
    date: str


Entry = PlanEntry | Report | Correction | SignOff

_ANY: TypeAdapter[Entry] = TypeAdapter(Annotated[Entry, Field(discriminator="kind")])


def canonical(value: Any) -> bytes:
    """JSON in its one stable form.

    Examples
    --------
    >>> canonical({"b": [1, 2.5], "a": "drücken"}).decode()
    '{"a":"drücken","b":[1,2.5]}'
    """
    text = json.dumps(value, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False)
    return text.encode("utf-8")


def line_of(entry: Entry) -> bytes:
    """The line of an entry, without its end."""
    return canonical(entry.model_dump(mode="json"))


def sha256(data: bytes) -> str:
    """SHA-256 of some bytes, in hexadecimal."""
    return hashlib.sha256(data).hexdigest()


def parse_line(line: bytes) -> tuple[Entry | None, str]:
    """The entry of a line, or None with what is wrong with the line."""
    try:
        raw = json.loads(line.decode("utf-8"))
    except (UnicodeDecodeError, ValueError, RecursionError):
        return None, "it is damaged and cannot be read"
    if isinstance(raw, dict) and isinstance(raw.get("format"), int) and raw["format"] > FORMAT:
        return None, "it was written by a newer fizzlab, which this one cannot read"
    try:
        entry = _ANY.validate_json(line)
    except ValidationError as error:
        place = ".".join(str(part) for part in error.errors()[0]["loc"]) or "all of it"
        return None, f"it is no entry of a ledger (see “{place}”)"
    if line_of(entry) != line:
        return None, "it is not in the form in which fizzlab writes, so something else wrote it"
    return entry, ""
