"""Jumps of a logger's clock against the changes of clocks in the tz database.

`zdump` prints::

    Europe/Berlin     Sun Oct 26 00:59:59 2025 UT = Sun Oct 26 02:59:59 2025 CEST gmtoff=7200
    Europe/Berlin     Sun Oct 26 01:00:00 2025 UT = Sun Oct 26 02:00:00 2025 CET  gmtoff=3600
    Europe/Berlin     Sun Mar 29 00:59:59 2026 UT = Sun Mar 29 01:59:59 2026 CET  gmtoff=3600
    Europe/Berlin     Sun Mar 29 01:00:00 2026 UT = Sun Mar 29 03:00:00 2026 CEST gmtoff=7200
    America/New_York  Sun Nov  2 05:59:59 2025 UT = Sun Nov  2 01:59:59 2025 EDT  gmtoff=-14400
    America/New_York  Sun Nov  2 06:00:00 2025 UT = Sun Nov  2 01:00:00 2025 EST  gmtoff=-18000
    America/New_York  Sun Mar  8 06:59:59 2026 UT = Sun Mar  8 01:59:59 2026 EST  gmtoff=-18000
    America/New_York  Sun Mar  8 07:00:00 2026 UT = Sun Mar  8 03:00:00 2026 EDT  gmtoff=-14400

The logs are made from world time with the offsets above, so nothing of `zoneinfo` stands in them.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

import pandas as pd
import pytest
from outside import Source, holds, same

from fizzlab.trial.importing import Readings, read
from fizzlab.trial.loggers import guess, lay_out


@dataclass(frozen=True)
class Change:
    """A change of clocks: the first second of world time after it, and the offsets in hours."""

    zone: str
    at: dt.datetime
    before: int
    after: int


CHANGES = [
    Change("Europe/Berlin", dt.datetime(2025, 10, 26, 1), 2, 1),
    Change("America/New_York", dt.datetime(2025, 11, 2, 6), -4, -5),
    Change("Europe/Berlin", dt.datetime(2026, 3, 29, 1), 1, 2),
    Change("America/New_York", dt.datetime(2026, 3, 8, 7), -5, -4),
]
TZ = Source(
    "standard",
    "tz database, release 2025b: changes of clocks in Berlin and New York, 2025 to 2026",
    "run for this check (GNU C Library 2.36)",
    "zdump -v Europe/Berlin -c 2025,2027; zdump -v America/New_York -c 2025,2027",
)
AUTUMN = CHANGES[:2]


def _world(change: Change, hours: int = 5) -> list[dt.datetime]:
    """Every ten minutes, five hours either side."""
    return [change.at + dt.timedelta(minutes=m) for m in range(-60 * hours, 60 * hours, 10)]


def _clock(change: Change) -> list[dt.datetime]:
    return [t + dt.timedelta(hours=change.before if t < change.at else change.after) for t in _world(change)]


def _read(stamps: list[str], told: dict[str, str], name: str = "Time") -> Readings:
    text = f"{name},Temp (°C),Humidity\n"
    text += "".join(f"{s},{15 + i / 10:.1f},60\n" for i, s in enumerate(stamps))
    layout = lay_out("log.csv", text.encode())
    return read(layout, guess(layout, told).mapping)


@pytest.mark.parametrize("change", CHANGES, ids=lambda c: f"{c.zone} {c.at.date()}")
@pytest.mark.parametrize("written", ["unix", "offsets", "world"])
def test_clock_is_right_across_a_change(change: Change, written: str) -> None:
    world, clock = _world(change), _clock(change)
    stamps, name = [f"{t:%Y-%m-%dT%H:%M}" for t in clock], "Time"
    if written == "unix":
        stamps, name = [str(int(t.replace(tzinfo=dt.UTC).timestamp())) for t in world], "Unix time"
    elif written == "offsets":
        offsets = [change.before if t < change.at else change.after for t in world]
        stamps = [f"{s}:00{h:+03d}:00" for s, h in zip(stamps, offsets, strict=True)]
    elif written == "world":
        stamps = [f"{t:%Y-%m-%dT%H:%M:00}Z" for t in world]
    readings = _read(stamps, {"zone": change.zone}, name)
    change_told = f"{change.zone}, {change.at.date()}, written as {written}"
    times = [pd.Timestamp(t) for t in clock]
    same(f"{change_told}: clock", readings.rows["time"].tolist(), times, TZ, "60 readings")


@pytest.mark.parametrize("change", AUTUMN, ids=lambda c: f"{c.zone} {c.at.date()}")
def test_without_a_zone_the_hour_that_comes_twice_is_kept_as_shown_and_said(change: Change) -> None:
    readings = _read([f"{t:%Y-%m-%dT%H:%M}" for t in _clock(change)], {})
    row = 2 + _world(change).index(change.at)
    (said,) = [said for said in readings.said if "backwards" in said]
    told = f"{change.zone}, {change.at.date()}, no zone told"
    holds(told, "one step back, where it is", f"once, first at row {row}," in said, TZ, "one, where it is")
    times = [pd.Timestamp(t) for t in sorted(_clock(change))]
    same(f"{told}: clock", readings.rows["time"].tolist(), times, TZ, "60 readings")
