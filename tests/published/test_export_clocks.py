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

from fizzlab.trial.loggers import guess, lay_out
from fizzlab.trial.readings import Readings, read


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
    found = guess(layout, "room_log", told)
    assert found.mapping is not None
    return read(layout, found.mapping)


def _gone_by(readings: Readings) -> list[float]:
    """Hours that really went by since the first reading."""
    rows = readings.rows
    clock = (rows["time"] - rows["time"].iloc[0]).dt.total_seconds() / 3600
    return [round(h, 6) for h in clock - (rows["ahead_h"] - rows["ahead_h"].iloc[0])]


@pytest.mark.parametrize("change", CHANGES, ids=lambda c: f"{c.zone} {c.at.date()}")
@pytest.mark.parametrize("written", ["clock", "unix", "offsets", "world"])
def test_clock_and_hours_gone_by_are_right_across_a_change(change: Change, written: str) -> None:
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
    gone = [round(i / 6, 6) for i in range(len(world))]
    same(f"{change_told}: hours gone by", _gone_by(readings), gone, TZ, "60 readings")


@pytest.mark.parametrize("change", AUTUMN, ids=lambda c: f"{c.zone} {c.at.date()}")
def test_without_a_zone_the_steps_of_the_log_show_the_change(change: Change) -> None:
    readings = _read([f"{t:%Y-%m-%dT%H:%M}" for t in _clock(change)], {})
    (said,) = [said for said in readings.said if "summer time" in said]
    told = f"{change.zone}, {change.at.date()}, no zone told"
    row = 2 + _world(change).index(change.at)
    holds(told, "one change of clocks", said.startswith(f"Row {row}: "), TZ, "one, where it is")
    assert len(readings.rows) == len(_clock(change))


@pytest.mark.parametrize("change", AUTUMN, ids=lambda c: c.zone)
def test_the_same_jump_in_another_zone_is_a_clock_that_was_set(change: Change) -> None:
    other = next(c.zone for c in AUTUMN if c != change)
    said = _read([f"{t:%Y-%m-%dT%H:%M}" for t in _clock(change)], {"zone": other}).said
    backwards = any("Times run backwards once" in sentence for sentence in said)
    holds(
        f"{change.zone}, told as {other}", "no change of clocks there", backwards, TZ, "a clock that was set"
    )
