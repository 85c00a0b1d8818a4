"""Finding records by words, and summing each up, over one trial folder or a folder of trial folders."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from fizzlab.errors import BadInput, Problem
from fizzlab.records.ledger import Correction, Report, SignOff, read_ledger
from fizzlab.records.verify import records_home, trials_with_records


@dataclass(frozen=True)
class Summary:
    """A record with what was said of it since; its folder may be missing."""

    folder: Path
    report: Report
    corrections: tuple[Correction, ...]
    sign_offs: tuple[SignOff, ...]

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
        said = "checked" if self.checked_by else "not checked"
        many = len(self.corrections)
        if many:
            since = ""
            if self.checked_by:
                last = max((entry.entry for entry in self.sign_offs), default=self.report.entry)
                since = " since" if self.corrections[-1].entry > last else " before"
            said += f", corrected{since}" + (f" ({many} times)" if many > 1 else "")
        return said

    def findings(self) -> list[str]:
        """The sentences of its findings; none where they cannot be read."""
        found = _json(self.folder / "findings.json")
        items = [item.get("sentence") for item in _list(found) if isinstance(item, dict)]
        return [text for text in items if isinstance(text, str)]

    def question(self) -> str:
        """The question that the trial asked when the record was made."""
        return str(self._parameters().get("question", ""))

    def passages(self) -> Iterator[tuple[str, str]]:
        """Everything that a search looks at: where it stands, and the text."""
        report = self.report
        yield "title", report.title
        yield "question", self.question()
        for name, factor in _dict(self._parameters().get("factors")).items():
            known = _dict(factor)
            levels = ", ".join(map(str, _list(known.get("levels") or known.get("amounts"))))
            yield "factor", f"{' '.join(filter(None, [name, known.get('label')]))}: {levels}"
        for ingredient, lots in report.lots.items():
            yield "lot", f"{ingredient}: {', '.join(lots)}"
        for sentence in self.findings():
            yield "finding", sentence
        for note in map(_dict, _list(_dict(_json(self.folder / "inputs.json")).get("notes"))):
            yield f"note on batch {note.get('run') or '–'}", str(note.get("note", ""))
        for deviation in report.deviations:
            yield "deviation", " ".join(filter(None, [deviation.run, deviation.what, deviation.why]))
        yield "made by", report.by
        yield "checked by", self.checked_by
        for entry in self.corrections:
            yield "correction", f"{entry.reason} {entry.says}".strip()

    def _parameters(self) -> dict[str, Any]:
        return _dict(_dict(_json(self.folder / "inputs.json")).get("parameters"))


@dataclass(frozen=True)
class Found:
    """A record that was found, and where the words stand in it: place and text."""

    summary: Summary
    passages: tuple[tuple[str, str], ...]


def summaries(folder: Path) -> list[Summary]:
    """Every record under a trial folder, or under each trial folder in it."""
    return [summary for trial in trials_with_records(folder) for summary in _of(records_home(trial))]


def find(folder: Path, words: Sequence[str] = (), *, lot: str = "") -> list[Found]:
    """Records in which every word stands, and a lot if one is asked for.

    Parameters
    ----------
    folder : Path
        A trial folder, or a folder of trial folders.
    words : sequence of str
        Each must stand in the title, the question, the factors and their levels, the findings, the notes, the
        lots, the deviations, the names, or a correction; capitals do not matter.
    lot : str
        The whole name of a lot.

    Raises
    ------
    BadInput
        There are no records, or nothing to look for.
    """
    wanted = [word.casefold() for text in words for word in text.split()]
    if not wanted and not lot.strip():
        what = "it has nothing to look for."
        raise BadInput([Problem("fizzlab records find", what, "Add a word or --lot.")])
    found = []
    for summary in summaries(folder):
        passages = list(summary.passages())
        hits = [passage for passage in passages if any(word in passage[1].casefold() for word in wanted)]
        everything = "\n".join(text for _, text in passages).casefold()
        used = [
            (f"lot of {ingredient}", name)
            for ingredient, names in summary.report.lots.items()
            for name in names
            if name.casefold() == lot.strip().casefold()
        ]
        if all(word in everything for word in wanted) and (used or not lot.strip()):
            found.append(Found(summary, tuple(dict.fromkeys([*used, *hits]))))
    return found


def one(folder: Path, number: int) -> Summary:
    """The record of a number in a trial folder (BadInput where there is none)."""
    known = {summary.report.number: summary for summary in _of(records_home(folder))}
    if number in known:
        return known[number]
    do = f"The ledger holds: {', '.join(map(str, known))}." if known else "Name the folder of one trial."
    raise BadInput([Problem(str(folder), f"there is no record {number}.", do)])


def _of(home: Path) -> Iterator[Summary]:
    ledger = read_ledger(home)
    for report in ledger.reports():
        since = ledger.about(report.record)
        yield Summary(
            home / report.record,
            report,
            tuple(entry for entry in since if isinstance(entry, Correction)),
            tuple(entry for entry in since if isinstance(entry, SignOff)),
        )


def _json(path: Path) -> Any:
    try:
        return json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError):
        return None


def _dict(found: Any) -> dict[str, Any]:
    return found if isinstance(found, dict) else {}


def _list(found: Any) -> list[Any]:
    return found if isinstance(found, list) else []
