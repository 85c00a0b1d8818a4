"""Where the clock of a log jumps: an hour twice in autumn, an hour not at all in spring."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import Literal
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

_HOUR = 3600.0

#: Clocks are changed at night; a jump at another time of day is something else.
_NIGHT = range(5)


@dataclass(frozen=True)
class Jump:
    """A place where the clock jumps.

    Parameters
    ----------
    kind : {"back an hour", "forward an hour", "backwards"}
    row : int
        The first row after it.
    place : int
        Its place in the log, from 0.
    at : Timestamp
        The clock before the jump.
    to : Timestamp
        The clock after it.
    sure : bool
        Does the time zone say so? Otherwise the steps of the log look like it.
    """

    kind: Literal["back an hour", "forward an hour", "backwards"]
    row: int
    place: int
    at: pd.Timestamp
    to: pd.Timestamp
    sure: bool


def jumps(times: pd.Series, zone: str | None = None) -> list[Jump]:
    """Find the jumps of a log that stands in the order of its readings.

    Without a time zone, a step back whose hour added makes it an ordinary step is the repeated hour of
    autumn, and a gap that is an hour longer than an ordinary step is the skipped hour of spring, both only
    between midnight and five. With one, they must also lie where the tz database has a change of clocks.

    Parameters
    ----------
    times : Series of datetime64
        Clock times, indexed by row.
    zone : str, optional
        Name of the tz database.

    Returns
    -------
    list of Jump

    Examples
    --------
    >>> night = pd.Series(pd.to_datetime(["2025-10-26T02:30", "2025-10-26T02:50", "2025-10-26T02:10"]))
    >>> [(jump.kind, jump.row, jump.sure) for jump in jumps(night, "Europe/Berlin")]
    [('back an hour', 2, True)]
    >>> [jump.kind for jump in jumps(night, "America/New_York")]  # whose clocks change a week later
    ['backwards']
    """
    seconds = times.astype("datetime64[s]").astype("int64").to_numpy()
    steps = np.diff(seconds).astype(float)
    forward = steps[steps > 0]
    usual = float(np.median(forward)) if len(forward) else 600.0
    most = max(1.5 * usual, 600.0)
    found = []
    for i in np.flatnonzero((steps < 0) | ((steps >= _HOUR) & (usual < _HOUR))).tolist():
        at, to = times.iloc[i], times.iloc[i + 1]
        night = at.hour in _NIGHT or to.hour in _NIGHT
        row = int(times.index[i + 1])
        change = None if zone is None else _change(at, to, zone)
        if steps[i] < 0:
            autumn = steps[i] >= -_HOUR and steps[i] + _HOUR <= most and night
            if autumn and (zone is None or change == -1):
                found.append(Jump("back an hour", row, i + 1, at, to, zone is not None))
            else:
                found.append(Jump("backwards", row, i + 1, at, to, True))
        elif change == 1 or (zone is None and night and 0 < steps[i] - _HOUR <= 1.5 * usual):
            found.append(Jump("forward an hour", row, i + 1, at, to, zone is not None))
    return found


def _change(at: pd.Timestamp, to: pd.Timestamp, zone: str) -> int:
    """+1 where the clocks go forward between two stamps, -1 where they go back, else 0."""
    info = ZoneInfo(zone)
    earlier, later = min(at, to), max(at, to)
    before = (earlier - dt.timedelta(hours=3)).to_pydatetime().replace(tzinfo=info).utcoffset()
    after = (later + dt.timedelta(hours=3)).to_pydatetime().replace(tzinfo=info).utcoffset()
    if before is None or after is None:
        return 0
    return int(np.sign((after - before).total_seconds()))


def ahead_of_world_h(times: pd.Series, zone: str, second_pass: pd.Series | None = None) -> pd.Series:
    """Hours by which a zone's clock is ahead of world time (UTC) at its clock times.

    Parameters
    ----------
    times : Series of datetime64
    zone : str
    second_pass : Series of bool, optional
        Which readings are of the second pass through a repeated hour.

    Examples
    --------
    >>> times = pd.Series(pd.to_datetime(["2026-01-05T09:00", "2026-07-05T09:00"]))
    >>> ahead_of_world_h(times, "Europe/Berlin").tolist()
    [1.0, 2.0]
    """
    late = pd.Series(False, index=times.index) if second_pass is None else second_pass
    local = times.dt.tz_localize(zone, ambiguous=~late.to_numpy(dtype=bool), nonexistent="shift_forward")
    world = local.dt.tz_convert("UTC").dt.tz_localize(None)
    ahead: pd.Series = (local.dt.tz_localize(None) - world).dt.total_seconds() / _HOUR
    return ahead


def skipped(times: pd.Series, zone: str) -> pd.Series:
    """Which clock times never were in a zone, since its clocks went forward over them?

    Examples
    --------
    >>> skipped(pd.Series(pd.to_datetime(["2026-03-29T01:59", "2026-03-29T02:30"])), "Europe/Berlin").tolist()
    [False, True]
    """
    never: pd.Series = times.dt.tz_localize(zone, ambiguous=True, nonexistent="NaT").isna() & times.notna()
    return never


def to_zone(world: pd.Series, zone: str) -> pd.Series:
    """World times (UTC) on the clock of a zone.

    Examples
    --------
    >>> to_zone(pd.Series(pd.to_datetime(["2025-10-26T00:30", "2025-10-26T01:30"])), "Europe/Berlin").tolist()
    [Timestamp('2025-10-26 02:30:00'), Timestamp('2025-10-26 02:30:00')]
    """
    clock: pd.Series = world.dt.tz_localize("UTC").dt.tz_convert(zone).dt.tz_localize(None)
    return clock
