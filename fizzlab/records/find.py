"""Finding records by words, and summing each up, over one trial folder or a folder of trial folders."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from fizzlab.errors import BadInput, Problem
from fizzlab.records.entries import Correction, Report, SignOff
from fizzlab.records.ledger import LEDGER, Ledger, no_records, read_ledger

HOME = "records"


@dataclass(frozen=True)
class Summary:
    """A record with what was said of it since.

    Parameters
    ----------
    trial_folder : Path
    report : Report
    corrections : tuple of Correction
    sign_offs : tuple of SignOff
        Those after it was made.
    there : bool
        Is its folder there?
    """

    trial_folder: Path
    report: Report
    corrections: tuple[Correction, ...]
    sign_offs: tuple[SignOff, ...]
    there: bool

    @property
    def folder(self) -> Path:
        """The record's folder."""
        return self.trial_folder / HOME / self.report.record

    @property
    def checked_by(self) -> str:
        """Who checked it, the last one first named; empty where nobody did."""
        names = [entry.by for entry in self.sign_offs] + [self.report.checked_by]
        return ", ".join(dict.fromkeys(name for name in reversed(names) if name))

    @property
    def state(self) -> str:
        """In words: checked or not, corrected or not, there or not."""
        if not self.there:
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


@dataclass(frozen=True)
class Found:
    """A record that was found, and where the words stand in it.

    Parameters
    ----------
    summary : Summary
    passages : tuple of (str, str)
        Where, and the text.
    """

    summary: Summary
    passages: tuple[tuple[str, str], ...]


def summaries(folder: Path) -> list[Summary]:
    """Every record under a trial folder, or under each trial folder in it.

    Raises
    ------
    BadInput
        There are none.
    """
    return [summary for trial in trial_folders(folder) for summary in _of(trial, read_ledger(trial / HOME))]


def trial_folders(folder: Path) -> list[Path]:
    """The folder itself if it holds records, otherwise those of its sub-folders that do.

    Raises
    ------
    BadInput
        None does.
    """
    if (folder / HOME / LEDGER).is_file():
        return [folder]
    found = sorted(path.parent.parent for path in folder.glob(f"*/{HOME}/{LEDGER}"))
    if not found:
        raise BadInput([no_records(folder)])
    return found


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
        raise BadInput(
            [Problem("fizzlab records find", "it has nothing to look for.", "Add a word or --lot.")]
        )
    found = []
    for summary in summaries(folder):
        passages = list(_passages(summary))
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
    """The record of a number in a trial folder.

    Raises
    ------
    BadInput
        There is none.
    """
    trial = trial_folders(folder)
    known = list(_of(folder, read_ledger(folder / HOME))) if trial == [folder] else []
    for summary in known:
        if summary.report.number == number:
            return summary
    numbers = ", ".join(str(summary.report.number) for summary in known)
    do = f"The ledger holds: {numbers}." if numbers else "Name the folder of one trial."
    raise BadInput([Problem(str(folder), f"there is no record {number}.", do)])


def findings_of(summary: Summary) -> list[str]:
    """The sentences of a record's findings; none where they cannot be read."""
    found = _json(summary.folder / "findings.json")
    sentences = (
        [item.get("sentence") for item in found if isinstance(item, dict)] if isinstance(found, list) else []
    )
    return [text for text in sentences if isinstance(text, str)]


def question_of(summary: Summary) -> str:
    """The question that the trial asked when the record was made."""
    return str(_parameters(summary).get("question", ""))


def _of(trial: Path, ledger: Ledger) -> Iterator[Summary]:
    for report in ledger.reports():
        since = ledger.about(report.record)
        yield Summary(
            trial,
            report,
            tuple(entry for entry in since if isinstance(entry, Correction)),
            tuple(entry for entry in since if isinstance(entry, SignOff)),
            (trial / HOME / report.record).is_dir(),
        )


def _passages(summary: Summary) -> Iterator[tuple[str, str]]:
    report = summary.report
    yield "title", report.title
    yield "question", question_of(summary)
    factors = _parameters(summary).get("factors")
    for name, factor in factors.items() if isinstance(factors, dict) else ():
        known = factor if isinstance(factor, dict) else {}
        levels = known.get("levels") or known.get("amounts") or []
        named = ", ".join(map(str, levels)) if isinstance(levels, list) else ""
        yield "factor", f"{' '.join(filter(None, [name, known.get('label')]))}: {named}"
    for ingredient, lots in report.lots.items():
        yield "lot", f"{ingredient}: {', '.join(lots)}"
    for sentence in findings_of(summary):
        yield "finding", sentence
    about = _json(summary.folder / "inputs.json")
    notes = about.get("notes") if isinstance(about, dict) else None
    for note in notes if isinstance(notes, list) else ():
        if isinstance(note, dict):
            yield f"note on batch {note.get('run') or '–'}", str(note.get("note", ""))
    for deviation in report.deviations:
        yield "deviation", " ".join(filter(None, [deviation.run, deviation.what, deviation.why]))
    yield "made by", report.by
    yield "checked by", summary.checked_by
    for entry in summary.corrections:
        yield "correction", f"{entry.reason} {entry.says}".strip()


def _parameters(summary: Summary) -> dict[str, Any]:
    about = _json(summary.folder / "inputs.json")
    found = about.get("parameters") if isinstance(about, dict) else None
    return found if isinstance(found, dict) else {}


def _json(path: Path) -> Any:
    try:
        return json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError):
        return None
