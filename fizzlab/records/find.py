"""Finding records by words, and summing each up, over one trial folder or a folder of trial folders."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any, NamedTuple

from pydantic_core import from_json

from fizzlab.errors import BadInput, Problem
from fizzlab.records.ledger import Correction, Ledger, Report, SignOff, read_ledger
from fizzlab.records.verify import records_home, trials_with_records
from fizzlab.trial.opening import bytes_of


@dataclass(frozen=True)
class Summary:
    """A record, the line that entered it, and what was said of it since; its folder may be missing."""

    folder: Path
    line: int
    report: Report
    corrections: Sequence[Correction]
    sign_offs: Sequence[SignOff]

    @property
    def checked_by(self) -> str:
        """Who checked it, the last one first named; empty where nobody did."""
        names = [self.report.checked_by, *(entry.by for entry in self.sign_offs)]
        return ", ".join(dict.fromkeys(name for name in reversed(names) if name))

    @property
    def state(self) -> str:
        """In words: checked or not, corrected or not, there or not."""
        if not self.folder.is_dir():
            return "its folder is missing"
        checked = max([0, *(entry.entry for entry in self.sign_offs)])  # as it was made, or later
        said = "checked" if self.checked_by else "not checked"
        if self.corrections:
            since = " since" if self.checked_by and self.corrections[-1].entry > checked else ""
            said += f", corrected{since}"
        return said

    @cached_property
    def inputs(self) -> dict[str, Any]:
        """What ``inputs.json`` of the record says: its settings under `parameters`, and its notes."""
        return _dict(_json(f"{self.folder}/inputs.json"))

    def findings(self) -> list[str]:
        """The sentences of its findings; none where they cannot be read."""
        found = _list(_json(f"{self.folder}/findings.json"))
        told = [item.get("sentence") for item in found if isinstance(item, dict)]
        return [text for text in told if isinstance(text, str)]

    def question(self) -> str:
        """The question that the trial asked when the record was made."""
        return str(_dict(self.inputs.get("parameters")).get("question", ""))

    def passages(self) -> Iterator[tuple[str, str]]:
        """Everything that a search looks at: where it stands, and the text."""
        report = self.report
        yield "title", report.title
        yield "question", self.question()
        factors = _dict(_dict(self.inputs.get("parameters")).get("factors"))
        for name, factor in factors.items():
            known = _dict(factor)
            levels = ", ".join(map(str, _list(known.get("levels") or known.get("amounts"))))
            yield "factor", f"{' '.join(filter(None, [name, known.get('label')]))}: {levels}"
        yield from (("lot", f"{name}: {', '.join(lots)}") for name, lots in report.lots.items())
        yield from (("finding", sentence) for sentence in self.findings())
        for note in map(_dict, _list(self.inputs.get("notes"))):
            yield f"note on batch {note.get('run') or '–'}", str(note.get("note", ""))
        yield from (("deviation", str(deviation)) for deviation in report.deviations)
        yield "made by", report.by
        yield "checked by", self.checked_by
        yield from (("correction", f"{entry.reason} {entry.says}".strip()) for entry in self.corrections)


class RecordMatch(NamedTuple):
    """A record that was found, and where the words stand in it: place and text."""

    summary: Summary
    passages: tuple[tuple[str, str], ...]


def summaries(folder: Path) -> list[Summary]:
    """Every record under a trial folder, or under each trial folder in it."""
    ledgers = [read_ledger(records_home(trial)) for trial in trials_with_records(folder)]
    return [summary for ledger in ledgers for summary in _summaries(ledger)]


def one(folder: Path, number: int) -> Summary:
    """The record of a number in a trial folder (BadInput where there is none)."""
    ledger = read_ledger(records_home(folder))
    report = ledger.report(number)
    about = _summaries(ledger.holding("record", report.record))
    return next(summary for summary in about if summary.report is report)


def _summaries(ledger: Ledger) -> list[Summary]:
    since: dict[str, tuple[list[Correction], list[SignOff]]] = {}
    for entry in ledger.entries():
        if isinstance(entry, Correction):
            since.setdefault(entry.record, ([], []))[0].append(entry)
        elif isinstance(entry, SignOff):
            since.setdefault(entry.record, ([], []))[1].append(entry)
    home = ledger.path.parent
    told = [(line, each, since.get(each.record, ([], []))) for line, each in ledger.entered()]
    return [Summary(home / each.record, line, each, *said) for line, each, said in told]


def find(folder: Path, words: Sequence[str] = (), *, lot: str = "") -> list[RecordMatch]:
    """Records in which every word stands (capitals do not matter), and a lot by its whole name, if asked for.

    BadInput is raised where there are no records, or nothing to look for.
    """
    wanted, lot = [word.casefold() for text in words for word in text.split()], lot.strip().casefold()
    if not wanted and not lot:
        what = "it has nothing to look for."
        raise BadInput([Problem("fizzlab records find", what, "Add a word or --lot.")])
    found = []
    for summary in summaries(folder):
        lots = [(f"lot of {of}", name) for of, names in summary.report.lots.items() for name in names]
        used = [(of, name) for of, name in lots if name.casefold() == lot]
        passages = [*summary.passages()] if used or not lot else []
        folded = [text.casefold() for _, text in passages]
        hits = [[place for place, text in enumerate(folded) if word in text] for word in wanted]
        if passages and all(hits):
            places = sorted(set().union(*hits))
            found.append(
                RecordMatch(summary, tuple(dict.fromkeys([*used, *map(passages.__getitem__, places)])))
            )
    return found


def _json(path: str) -> Any:
    try:
        return from_json(bytes_of(path))
    except (OSError, ValueError, BadInput):
        return None


def _dict(found: Any) -> dict[str, Any]:
    return found if isinstance(found, dict) else {}


def _list(found: Any) -> list[Any]:
    return found if isinstance(found, list) else []
