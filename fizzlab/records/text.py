"""Records in plain text: as a list, one in full, and where words were found."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

from fizzlab.records.find import Found, Summary
from fizzlab.records.ledger import DeviationEntry, Ledger

WIDTH = 100

#: Of a record's findings, so many are shown in full.
MOST_FINDINGS = 8


def record_list(found: Sequence[Summary]) -> list[str]:
    """One line a record under a header, with a column for the trial where there are several."""
    several = len({summary.folder.parent for summary in found}) > 1
    rows = [["trial"] * several + ["no.", "date", "title", "made by", "checked by", "state"]]
    for summary in found:
        report = summary.report
        names = [_short(name or "–", 24) for name in (report.by, summary.checked_by)]
        row = [str(report.number), report.date, _short(report.title, 40), *names, summary.state]
        rows.append([report.trial] * several + row)
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    return [
        "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip() for row in rows
    ]


def record_in_full(summary: Summary, ledger: Ledger, since: Sequence[str]) -> list[str]:
    """One record: what it found, who made and checked it, what went in, what was said of it since.

    Parameters
    ----------
    since : sequence of str
        How its tables differ from those of the record before, a sentence each.
    """
    report = summary.report
    checks = [f"{report.checked_by}, when it was made"] if report.checked_by else []
    checks += [f"{entry.by}, {entry.date}" for entry in summary.sign_offs]
    answers = summary.findings()
    more = len(answers) - MOST_FINDINGS
    versions = ", ".join(f"{name} {version}" for name, version in report.versions.items())
    own = ledger.lines[report.entry - 1].sha256 if report.entry <= len(ledger.lines) else "unknown"
    return [
        f"Record {report.record}: {_tidy(report.title)}",
        *(_filled(summary.question(), "  ") if summary.question() else []),
        "",
        f"Made by     {_tidy(report.by) or 'nobody named'}, {report.date}",
        f"Checked by  {'; '.join(map(_tidy, checks)) or 'nobody yet'}",
        f"State       {summary.state}",
        *([f"Page        {summary.folder / 'report.html'}"] if summary.folder.is_dir() else []),
        *_part("Corrections", _corrections(summary)),
        # the answers stand first; the page has the rest
        *_part("Findings", answers[:MOST_FINDINGS] + ([f"and {more} more, on the page"] if more > 0 else [])),
        *_part("Lots", [f"{name}: {', '.join(lots)}" for name, lots in report.lots.items()]),
        *_part("Deviations", [_deviation(deviation) for deviation in report.deviations]),
        *_part("Readings against those of the record before", since),
        *_part("Made from", [f"{name} {value[:16]}…" for name, value in report.inputs.items()]),
        *_part("Computed with", [versions]),
        "",
        f"Entry {report.entry} of the ledger, hash {own}",
    ]


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


def _corrections(summary: Summary) -> list[str]:
    said = []
    for entry in summary.corrections:
        reads = f". It should read: {entry.says}" if entry.says else ""
        said.append(f"{entry.at[:10]}, {entry.by}: {entry.reason.rstrip().removesuffix('.')}{reads}")
    return said


def _deviation(deviation: DeviationEntry) -> str:
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
