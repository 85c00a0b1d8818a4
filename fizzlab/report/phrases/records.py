"""Records in plain text: as a list, one in full, and where words were found."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

from fizzlab.records.entries import Report
from fizzlab.records.find import Found, Summary, findings_of, question_of
from fizzlab.records.ledger import Ledger

WIDTH = 100

#: Of a record's findings, so many are shown in full.
MOST_FINDINGS = 8


def record_list(found: Sequence[Summary]) -> list[str]:
    """One line a record under a header, with a column for the trial where there are several."""
    several = len({summary.trial_folder for summary in found}) > 1
    rows = [["trial"] * several + ["no.", "date", "title", "made by", "checked by", "state"]]
    for summary in found:
        report = summary.report
        rows.append(
            [report.trial] * several
            + [
                str(report.number),
                report.date,
                _short(report.title, 40),
                _short(report.by or "–", 24),
                _short(summary.checked_by or "–", 24),
                summary.state,
            ]
        )
    widths = [max(len(row[place]) for row in rows) for place in range(len(rows[0]))]
    return [
        "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip() for row in rows
    ]


def record_in_full(summary: Summary, ledger: Ledger, since: Sequence[str]) -> list[str]:
    """One record: what it found, who made and checked it, what went in, what was said of it since.

    Parameters
    ----------
    summary : Summary
    ledger : Ledger
    since : sequence of str
        How its tables differ from those of the record before, a sentence each.
    """
    report = summary.report
    lines = [f"Record {report.record}: {_tidy(report.title)}"]
    question = question_of(summary)
    if question:
        lines += _filled(question, "  ")
    lines += ["", f"Made by     {report.by or 'nobody named'}, {report.date}"]
    checks = [f"{report.checked_by}, when it was made"] if report.checked_by else []
    checks += [f"{entry.by}, {entry.date}" for entry in summary.sign_offs]
    lines += [f"Checked by  {'; '.join(map(_tidy, checks)) or 'nobody yet'}"]
    lines += [f"State       {summary.state}"]
    if summary.there:
        lines += [f"Page        {summary.folder / 'report.html'}"]
    lines += _corrections(summary)
    lines += _part("Findings", _first(findings_of(summary)))
    lines += _part("Lots", [f"{name}: {', '.join(lots)}" for name, lots in report.lots.items()])
    lines += _part("Deviations", [_deviation(report, place) for place in range(len(report.deviations))])
    lines += _part("Readings against those of the record before", since)
    lines += _part("Made from", [f"{name} {value[:16]}…" for name, value in report.inputs.items()])
    versions = ", ".join(f"{name} {version}" for name, version in report.versions.items())
    lines += _part("Computed with", [versions])
    own = ledger.lines[report.entry - 1].sha256 if report.entry <= len(ledger.lines) else "unknown"
    lines += ["", f"Entry {report.entry} of the ledger, hash {own}"]
    return lines


def found_lines(found: Sequence[Found]) -> list[str]:
    """Each record that was found, and where."""
    lines = []
    for hit in found:
        report = hit.summary.report
        lines.append(f"{hit.summary.folder}  {report.date}  {_short(report.title, 60)} ({hit.summary.state})")
        for place, text in hit.passages[:5]:
            lines.append(f"    {place}: {_short(text, WIDTH - 8 - len(place))}")
        if len(hit.passages) > 5:
            lines.append(f"    and in {len(hit.passages) - 5} more places")
    return lines


def _first(findings: Sequence[str]) -> list[str]:
    """The answers, which stand first; the page has the rest."""
    more = len(findings) - MOST_FINDINGS
    return [*findings[:MOST_FINDINGS], *([f"and {more} more, on the page"] if more > 0 else [])]


def _corrections(summary: Summary) -> list[str]:
    said = []
    for entry in summary.corrections:
        reads = f". It should read: {entry.says}" if entry.says else ""
        said.append(f"{entry.at[:10]}, {entry.by}: {_unended(entry.reason)}{reads}")
    return _part("Corrections", said)


def _unended(text: str) -> str:
    return text.rstrip().removesuffix(".")


def _deviation(report: Report, place: int) -> str:
    deviation = report.deviations[place]
    run = f"batch {deviation.run}: " if deviation.run else ""
    why = f" ({deviation.why})" if deviation.why else ""
    return f"{run}{deviation.what}{why}, {'seen in the tables' if deviation.seen else 'as the maker wrote'}"


def _part(title: str, items: Sequence[str]) -> list[str]:
    if not items:
        return []
    return ["", title, *(line for item in items for line in _filled(item, "  - ", "    "))]


def _filled(text: str, first: str, rest: str | None = None) -> list[str]:
    return textwrap.wrap(_tidy(text), WIDTH, initial_indent=first, subsequent_indent=rest or first) or [first]


def _tidy(text: str) -> str:
    """On one line, and with no sign that would command a terminal."""
    return " ".join("".join(letter if letter.isprintable() else " " for letter in text).split())


def _short(text: str, width: int) -> str:
    tidy = _tidy(text)
    return tidy if len(tidy) <= width else tidy[: max(width - 1, 1)].rstrip() + "…"
