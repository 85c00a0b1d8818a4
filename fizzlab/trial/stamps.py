"""Dates and times as loggers write them. Ours: libraries take 03.04.2026 for March or April as they like."""

from __future__ import annotations

import datetime as dt
import re
import tomllib
from functools import lru_cache
from pathlib import Path
from typing import Literal, NamedTuple, get_args

#: Unix seconds, or thousandths of them, count from 1970 in world time.
Order = Literal["year first", "day first", "month first", "month in words", "unix seconds"]

ORDERS: tuple[Order, ...] = get_args(Order)


class Moment(NamedTuple):
    """A date and time as written, and its offset from UTC in minutes where that is written too."""

    clock: dt.datetime
    offset: int | None


def moment(text: str, order: Order) -> Moment | None:
    """Read one cell, or a date and a time with a space between them; None where it is not both.

    Two-digit years are those of 2000 to 2099, and no other year is read. A date with dots and a year of four
    digits at its end is never month first.

    >>> moment("25.10.26 2:30", "day first").clock, moment("2026-10-25T02:30+02:00", "year first").offset
    (datetime.datetime(2026, 10, 25, 2, 30), 120)
    >>> moment("10/25/2026 2:30:05 PM", "month first").clock
    datetime.datetime(2026, 10, 25, 14, 30, 5)
    >>> moment("1792888200", "unix seconds")
    Moment(clock=datetime.datetime(2026, 10, 25, 0, 30), offset=0)
    """
    if order == "unix seconds":
        if not re.fullmatch(r"\d{10}(?:[.,]\d{1,9})?|\d{13}", text):
            return None
        clock = dt.datetime(1970, 1, 1) + dt.timedelta(seconds=int(text[:10]))
        return Moment(clock, 0) if 2000 <= clock.year < 2100 else None
    date, rest = _date(text, order)
    return _with_clock(date, rest) if date is not None and rest else None


def is_day(text: str) -> bool:
    """Is it a date alone, but for midnight after it?"""
    read = [_date(text, order) for order in ORDERS if order != "unix seconds"]
    return any(date is not None and _MIDNIGHT.fullmatch(rest) for date, rest in read)


def is_clock(text: str) -> bool:
    """Is it a time of day alone, as 8:30 PM or 08.30?"""
    return _with_clock(dt.date(2000, 1, 2), text) is not None


@lru_cache(maxsize=4096)
def is_stamp(text: str) -> bool:
    """Is it a date with or without a time, or seconds counted as computers do?"""
    return 6 <= len(text) <= 60 and (is_day(text) or any(moment(text, order) for order in ORDERS))


#: What loggers write: patterns of `dates`, `months` by their first letters, words of columns, units.
WRITTEN = tomllib.loads(Path(__file__).with_name("loggers.toml").read_text(encoding="utf-8"))

_PATTERNS = {
    order: [re.compile(date + r"(?:[T\s,;_]+|$)") for date in dates]
    for order, dates in WRITTEN["dates"].items()
}

_MIDNIGHT = re.compile(r"|0?0:00(:00([.,]0+)?)?|12:00(:00)? ?[aA][mM]")

_CLOCK = re.compile(
    r"(?P<h>\d{1,2})(?P<sep>[:.])(?P<min>\d\d)(?:(?P=sep)(?P<s>\d\d)(?:[.,]\d{1,9})?)?"
    r"(?:\s*(?P<half>[ap])\.?\s?m\.?)?"
    r"\s*(?P<zone>z|(?:utc|gmt)?\s*[+\-−]\d{1,2}(?::?\d\d)?|utc|gmt)?",
    re.IGNORECASE,
)


@lru_cache(maxsize=4096)
def _split_date(head: str, order: Order) -> tuple[dt.date, int] | None:
    """The date that a text begins with, and where it ends."""
    for pattern in _PATTERNS[order]:
        found = pattern.match(head)
        if found is None:
            continue
        written = found["m"].casefold()
        month = int(written) if written.isdigit() else WRITTEN["months"].get(written[:3], 0)
        year = int(found["y"]) + (2000 if len(found["y"]) == 2 else 0)
        try:
            date = dt.date(year, month, int(found["d"]))
        except ValueError:
            continue
        if 2000 <= year < 2100:
            return date, found.end()
    return None


def _date(text: str, order: Order) -> tuple[dt.date | None, str]:
    # the date alone is looked up, so that a long log costs one search a day and not one a row
    cut = text.find(":") - 2
    for head in (text[: max(cut, 0)], text) if cut >= 0 else (text,):
        found = _split_date(head, order)
        if found is not None:
            return found[0], text[found[1] :].strip()
    return None, ""


def _with_clock(date: dt.date, text: str) -> Moment | None:
    found = _CLOCK.fullmatch(text)
    if found is None:
        return None
    hour, minute, second = int(found["h"]), int(found["min"]), int(found["s"] or 0)
    if found["half"]:
        if not 1 <= hour <= 12:
            return None
        hour = hour % 12 + (12 if found["half"] in "pP" else 0)
    if minute > 59 or second > 59 or (hour, minute, second) > (24, 0, 0):
        return None
    clock = dt.datetime(date.year, date.month, date.day)
    clock += dt.timedelta(hours=hour, minutes=minute, seconds=second)
    return Moment(clock, _offset_minutes(found["zone"]) if found["zone"] else None)


def _offset_minutes(text: str) -> int | None:
    """Minutes ahead of UTC, from `Z`, `UTC`, `+02:00`, `-0500` or `GMT+1`; None where they cannot be."""
    found = re.search(r"([+\-−])(\d{1,2}):?(\d\d)?$", text)
    if found is None:
        return 0
    minutes = int(found[2]) * 60 + int(found[3] or 0)
    sound = minutes <= 14 * 60 and int(found[3] or 0) <= 59
    return None if not sound else minutes if found[1] == "+" else -minutes
