"""Dates and times as loggers and scales write them, and which of the numbers is the day."""

from __future__ import annotations

import datetime as dt
import math
import re
from collections.abc import Sequence
from functools import lru_cache
from itertools import pairwise
from typing import Literal, NamedTuple, get_args

Order = Literal[
    "year first",
    "day first",
    "month first",
    "month in words",
    "unix seconds",
    "unix milliseconds",
    "spreadsheet days",
]

ORDERS: tuple[Order, ...] = get_args(Order)

#: Orders that count from a fixed moment, so that no date stands in the cell.
COUNTED: frozenset[Order] = frozenset({"unix seconds", "unix milliseconds", "spreadsheet days"})

#: Orders whose numbers are seconds of world time.
UNIX: frozenset[Order] = frozenset({"unix seconds", "unix milliseconds"})


class Moment(NamedTuple):
    """A date and time as written, and its offset from UTC in minutes where that is written too."""

    clock: dt.datetime
    offset: int | None


def moment(text: str, order: Order) -> Moment | None:
    """Read one cell, or a date and a time with a space between them.

    Parameters
    ----------
    text : str
    order : Order
        Which number is which. Two-digit years are those of 2000 to 2099. A date with dots and a year of
        four digits at its end is never month first.

    Returns
    -------
    Moment or None
        None where the text is no date *and* time in this order, or its year is not 2000 to 2099.

    Examples
    --------
    >>> moment("25.10.26 2:30", "day first").clock
    datetime.datetime(2026, 10, 25, 2, 30)
    >>> moment("10/25/2026 2:30:05 PM", "month first").clock
    datetime.datetime(2026, 10, 25, 14, 30, 5)
    >>> moment("2026-10-25T02:30+02:00", "year first").offset
    120
    >>> moment("1792888200", "unix seconds")
    Moment(clock=datetime.datetime(2026, 10, 25, 0, 30), offset=0)
    """
    if order in COUNTED:
        return _counted(text, order)
    date, rest = _date(text, order)
    if date is None or not rest:
        return None
    return _with_clock(date, rest)


def day(text: str, order: Order) -> dt.date | None:
    """Read a cell that holds a date alone; midnight after it is passed over.

    Examples
    --------
    >>> day("2026/1/5", "year first")
    datetime.date(2026, 1, 5)
    >>> day("5.1.2026 00:00:00", "day first")
    datetime.date(2026, 1, 5)
    """
    if order in COUNTED:
        return None
    date, rest = _date(text, order)
    return date if date is not None and _MIDNIGHT.fullmatch(rest) else None


def is_clock(text: str) -> bool:
    """Is it a time of day alone?

    Examples
    --------
    >>> is_clock("8:30 PM"), is_clock("08.30"), is_clock("21.5"), is_clock("61.20")
    (True, True, False, False)
    """
    return _with_clock(dt.date(2000, 1, 2), text) is not None


@lru_cache(maxsize=4096)
def is_stamp(text: str) -> bool:
    """Is it a date with or without a time, or seconds counted as computers do?"""
    if len(text) < 6 or len(text) > 60:
        return False
    if text.isdigit() and len(text) == 5:  # days counted without a time of day are just a number
        return False
    return any(moment(text, order) or day(text, order) for order in ORDERS)


def possible_orders(texts: Sequence[str]) -> list[Order]:
    """The orders in which every text is a date and time.

    Examples
    --------
    >>> possible_orders(["03/04/2026 08:00", "13/04/2026 08:00"])
    ['day first']
    >>> possible_orders(["03/04/2026 08:00", "03/04/2026 09:00"])
    ['day first', 'month first']
    """
    found: list[Order] = list(ORDERS)
    for text in texts:
        found = [order for order in found if moment(text, order) is not None]
        if not found:
            break
    return found


def by_sequence(texts: Sequence[str], orders: Sequence[Order]) -> Order | None:
    """The one order in which every change of date is a step to the next day, or None.

    Examples
    --------
    >>> by_sequence(["03/04/2026 23:30", "04/04/2026 00:00"], ["day first", "month first"])
    'day first'
    """
    fits = []
    for order in orders:
        read = [moment(text, order) for text in texts]
        days = [found.clock.date().toordinal() for found in read if found is not None]
        steps = {later - earlier for earlier, later in pairwise(days)} - {0}
        if steps in ({1}, {-1}):
            fits.append(order)
    return fits[0] if len(fits) == 1 else None


_SPACE = r"(?:[T\s,;_]+|$)"
_PATTERNS: dict[str, tuple[re.Pattern[str], ...]] = {
    "year first": tuple(
        re.compile(pattern + _SPACE)
        for pattern in (
            r"(?P<y>\d{4})([-/.])(?P<m>\d{1,2})\2(?P<d>\d{1,2})\.?",
            r"(?P<y>\d{4})(?P<m>\d{2})(?P<d>\d{2})",
            r"(?P<y>\d{2})([-/.])(?P<m>\d{2})\2(?P<d>\d{2})",
        )
    ),
    "day first": (re.compile(r"(?P<d>\d{1,2})([-/.])(?P<m>\d{1,2})\2(?P<y>\d{4}|\d{2})\.?" + _SPACE),),
    "month first": (
        re.compile(r"(?P<m>\d{1,2})([-/])(?P<d>\d{1,2})\2(?P<y>\d{4}|\d{2})" + _SPACE),
        re.compile(r"(?P<m>\d{1,2})\.(?P<d>\d{1,2})\.(?P<y>\d{2})" + _SPACE),
    ),
    "month in words": tuple(
        re.compile(pattern + _SPACE)
        for pattern in (
            r"(?:[^\W\d_]{2,10}\.?,?\s+)?(?P<d>\d{1,2})[-\s.]+(?P<m>[^\W\d_]{3,10})\.?[-\s,]+(?P<y>\d{4})",
            r"(?:[^\W\d_]{2,10}\.?,?\s+)?(?P<m>[^\W\d_]{3,10})\.?\s+(?P<d>\d{1,2}),?\s+(?P<y>\d{4})",
        )
    ),
}

_ENGLISH = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")

#: The first letters of the months' names in English and German.
_MONTHS = {
    **dict(zip(_ENGLISH, range(1, 13), strict=True)),
    "mär": 3,
    "mrz": 3,
    "mai": 5,
    "okt": 10,
    "dez": 12,
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
        month = _month(found["m"])
        year = int(found["y"]) + (2000 if len(found["y"]) == 2 else 0)
        if month is None or not 2000 <= year < 2100:
            continue
        try:
            return dt.date(year, month, int(found["d"])), found.end()
        except ValueError:
            continue
    return None


def _date(text: str, order: Order) -> tuple[dt.date | None, str]:
    # the date alone is looked up, so that a long log costs one search a day and not one a row
    cut = text.find(":") - 2
    head = text if cut < 0 else text[: max(cut, 0)]
    found = _split_date(head, order)
    if found is None and head != text:
        head, found = text, _split_date(text, order)
    if found is None:
        return None, ""
    return found[0], (head[found[1] :] + text[len(head) :]).strip()


def _month(text: str) -> int | None:
    return int(text) if text.isdigit() else _MONTHS.get(text.casefold()[:3])


def _with_clock(date: dt.date, text: str) -> Moment | None:
    found = _CLOCK.fullmatch(text)
    if found is None:
        return None
    hour, minute, second = int(found["h"]), int(found["min"]), int(found["s"] or 0)
    if found["half"]:
        if not 1 <= hour <= 12:
            return None
        hour = hour % 12 + (12 if found["half"] in "pP" else 0)
    if minute > 59 or second > 59 or hour > 24 or (hour == 24 and (minute or second)):
        return None
    clock = dt.datetime(date.year, date.month, date.day) + dt.timedelta(
        hours=hour, minutes=minute, seconds=second
    )
    return Moment(clock, offset_minutes(found["zone"])) if found["zone"] else Moment(clock, None)


def offset_minutes(text: str) -> int | None:
    """Minutes ahead of UTC, from `Z`, `UTC`, `+02:00`, `-0500` or `GMT+1`; None where it is none of these.

    Examples
    --------
    >>> offset_minutes("+05:30"), offset_minutes("Z"), offset_minutes("UTC-4"), offset_minutes("CET")
    (330, 0, -240, None)
    """
    found = re.fullmatch(r"\s*(?:utc|gmt|z)?\s*(?:([+\-−])(\d{1,2})(?::?(\d\d))?)?\s*", text, re.IGNORECASE)
    if found is None or not text.strip():
        return None
    minutes = int(found[2] or 0) * 60 + int(found[3] or 0)
    if minutes > 14 * 60 or int(found[3] or 0) > 59:
        return None
    return minutes if found[1] in ("+", None) else -minutes


def _counted(text: str, order: Order) -> Moment | None:
    if not re.fullmatch(r"\d{5}(?:[.,]\d{1,17})?|\d{10}(?:[.,]\d{1,9})?|\d{13}", text):
        return None
    number = float(text.replace(",", "."))
    if order == "spreadsheet days":
        if not 36526 <= number < 73050:  # the days of 2000 to 2099
            return None
        seconds = round((number - 36526) * 86400)
        return Moment(dt.datetime(2000, 1, 1) + dt.timedelta(seconds=seconds), None)
    if order == "unix milliseconds":
        number /= 1000
    elif len(text) == 13 and text.isdigit():
        return None
    if not 946684800 <= number < 4102444800:
        return None
    return Moment(dt.datetime(1970, 1, 1) + dt.timedelta(seconds=math.floor(number)), 0)
