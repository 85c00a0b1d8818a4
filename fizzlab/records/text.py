"""Records in plain text: as a list, one in full, and where words were found."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

from fizzlab.records.find import RecordMatch, Summary

WIDTH = 100


def record_list(found: Sequence[Summary]) -> list[str]:
    """One line a record under a header."""
    rows = [["trial", "no.", "date", "title", "made by", "checked by", "state"]]
    for summary in found:
        report = summary.report
        names = [_short(name or "–", 24) for name in (report.by, summary.checked_by)]
        title = _short(report.title, 40)
        rows.append([report.trial, str(report.number), report.date, title, *names, summary.state])
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    return [
        "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip() for row in rows
    ]


def record_in_full(summary: Summary) -> list[str]:
    """One record: what it found, who made and checked it, what went in, what was said of it since."""
    report = summary.report
    checks = [f"{report.checked_by}, when it was made"] if report.checked_by else []
    checks += [f"{entry.by}, {entry.date}" for entry in summary.sign_offs]
    corrections = [
        f"{entry.at[:10]}, {entry.by}: {entry.reason.removesuffix('.')}"
        + (f". It should read: {entry.says}" if entry.says else "")
        for entry in summary.corrections
    ]
    parts = {
        "Corrections": corrections,
        "Findings": summary.findings(),
        "Lots": [f"{name}: {', '.join(lots)}" for name, lots in report.lots.items()],
        "Deviations": list(map(str, report.deviations)),
        "Made from": [f"{name} {value[:16]}…" for name, value in report.inputs.items()],
        "Computed with": [", ".join(f"{name} {version}" for name, version in report.versions.items())],
    }
    return [
        f"Record {report.record}: {_tidy(report.title)}",
        *textwrap.wrap(_tidy(summary.question()), WIDTH, initial_indent="  ", subsequent_indent="  "),
        "",
        f"Made by     {_tidy(report.by) or 'nobody named'}, {report.date}",
        f"Checked by  {'; '.join(map(_tidy, checks)) or 'nobody yet'}",
        f"State       {summary.state}",
        *([f"Page        {summary.folder / 'report.html'}"] if summary.folder.is_dir() else []),
        *(line for title, items in parts.items() if items for line in ["", title, *_listed(items)]),
        "",
        f"Entry {summary.line} of the ledger",
    ]


def found_lines(found: Sequence[RecordMatch]) -> list[str]:
    """Each record that was found, and where."""
    lines = []
    for summary, passages in found:
        report = summary.report
        lines.append(f"{summary.folder}  {report.date}  {_short(report.title, 60)} ({summary.state})")
        lines += [f"    {place}: {_short(text, WIDTH - 8 - len(place))}" for place, text in passages[:5]]
        if len(passages) > 5:
            lines.append(f"    and in {len(passages) - 5} more places")
    return lines


def _listed(items: Sequence[str]) -> list[str]:
    wrap = textwrap.TextWrapper(WIDTH, initial_indent="  - ", subsequent_indent="    ")
    return [line for item in items for line in wrap.wrap(_tidy(item))]


def _tidy(text: str) -> str:
    """On one line, and with no sign that would command a terminal."""
    if not text.isprintable():
        text = "".join(letter if letter.isprintable() else " " for letter in text)
    return " ".join(text.split())


def _short(text: str, width: int) -> str:
    tidy = _tidy(text)
    return tidy if len(tidy) <= width else tidy[: max(width - 1, 1)].rstrip() + "…"
