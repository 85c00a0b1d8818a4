"""Corrections and later sign-offs: new entries of the ledger; the record itself is never touched."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

from fizzlab.errors import BadInput, Problem
from fizzlab.records.entries import Correction, Report, SignOff
from fizzlab.records.ledger import Ledger, add, read_ledger
from fizzlab.records.store import Signed, ledger_to_add_to, now

E = TypeVar("E", Correction, SignOff)


def correct(home: Path, number: int, *, reason: str, by: str, says: str = "") -> Correction:
    """Add a correction to a record.

    Parameters
    ----------
    home : Path
        The folder ``records`` of the trial.
    number : int
        Of the record.
    reason : str
        What is wrong and why.
    by : str
        Who says so.
    says : str
        How it should read instead.

    Raises
    ------
    BadInput
        No such record, or the reason or the name is empty. Nothing is written.
    """
    reason, by, says = _tidy(reason), _tidy(by), _tidy(says)
    _refuse_empty({"--reason": reason, "--by": by})
    return _enter(home, number, lambda head: Correction(**head, by=by, reason=reason, says=says))


def sign(home: Path, number: int, *, checked_by: str, date: dt.date | None = None) -> SignOff:
    """Say that a record was checked, after it was made.

    Parameters
    ----------
    home : Path
        The folder ``records`` of the trial.
    number : int
        Of the record.
    checked_by : str
    date : date, optional
        When it was checked; today if not given.

    Raises
    ------
    BadInput
        No such record, or the name is empty. Nothing is written.
    """
    by = _tidy(checked_by)
    _refuse_empty({"--checked-by": by})
    day = (date or dt.date.today()).isoformat()
    return _enter(home, number, lambda head: SignOff(**head, by=by, date=day))


def day_of(text: str) -> dt.date:
    """The day that a sign-off names; today where it names none.

    Raises
    ------
    BadInput
        It is not a date such as 2026-01-31.
    """
    if not text.strip():
        return dt.date.today()
    try:
        return dt.date.fromisoformat(text.strip())
    except ValueError:
        do = "Write it as 2026-01-31."
        raise BadInput([Problem("option --date", f"“{text}” is not a date.", do)]) from None


def signed(made_by: str, checked_by: str, date: str) -> Signed:
    """Who signs a report that is about to be made, from what was typed.

    Raises
    ------
    BadInput
        `date` is not a date such as 2026-01-31.
    """
    return Signed(_tidy(made_by), _tidy(checked_by), day_of(date))


def report_numbered(ledger: Ledger, number: int) -> Report:
    """The record of a number.

    Raises
    ------
    BadInput
        The ledger knows none.
    """
    found = [entry for entry in ledger.reports() if entry.number == number]
    if not found:
        numbers = ", ".join(str(entry.number) for entry in ledger.reports())
        do = f"The ledger holds: {numbers}." if numbers else "Make one with: fizzlab report FOLDER."
        raise BadInput([Problem(str(ledger.path), f"there is no record {number}.", do)])
    return found[-1]


def _enter(home: Path, number: int, make: Callable[[dict[str, Any]], E]) -> E:
    """Add an entry about a record; `make` is given what every such entry has."""
    report_numbered(read_ledger(home), number)
    with ledger_to_add_to(home) as ledger:
        head = {
            "entry": len(ledger.lines) + 1,
            "before": ledger.last,
            "at": now(),
            "record": report_numbered(ledger, number).record,
            "number": number,
        }
        entry = make(head)
        add(ledger, entry)
    return entry


def _tidy(text: str) -> str:
    readable = text.encode("utf-8", errors="replace").decode("utf-8")
    return " ".join(readable.split())


def _refuse_empty(options: dict[str, str]) -> None:
    empty = [name for name, text in options.items() if not text]
    if empty:
        raise BadInput([Problem(f"option {name}", "it is empty.", "Say it in words.") for name in empty])
