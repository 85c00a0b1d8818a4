"""Days as dates: when batches are made and looked at, by the clock of the workshop (this computer's)."""

from __future__ import annotations

import datetime as dt
from itertools import count
from typing import NamedTuple

import pandas as pd

from fizzlab.trial.settings import PlanSettings, TrialSettings
from fizzlab.trial.settings.sections import WEEKDAYS

#: From one batch of a day to the next, where they all fit in.
_APART, _DAY, _HOUR = dt.timedelta(minutes=30), dt.timedelta(days=1), dt.timedelta(hours=1)


class Look(NamedTuple):
    """A look, hours after making: as planned, and out of the night; `lost` if a nearer one stands there."""

    planned: float
    hours: float
    at: dt.datetime
    lost: bool = False


def looks(plan: PlanSettings, table: str, made: dt.datetime) -> list[Look]:
    """The looks at a batch for a table; where days are dates, those by night are moved to waking hours."""
    found, since = [], made.astimezone(dt.UTC)  # so that hours pass where the clocks are changed
    for planned in plan.look_hours(table):
        due = (since + planned * _HOUR).astimezone().replace(tzinfo=None)
        at = _awake(due, made, *plan.awake) if planned and plan.start else due
        hours = planned if at == due else round((at.astimezone(dt.UTC) - since) / _HOUR, 2)
        found.append(Look(planned, hours, at))
    nearest = {look.at: look for look in sorted(found, key=lambda look: -abs(look.hours - look.planned))}
    return [look._replace(lost=nearest[look.at] != look) for look in found]


def _awake(due: dt.datetime, made: dt.datetime, wake: dt.time, sleep: dt.time) -> dt.datetime:
    """The waking time nearest to it, after the batch was made."""
    night = due.date() - _DAY * (due.time() < wake)
    bed, up = dt.datetime.combine(night, sleep), dt.datetime.combine(night + _DAY, wake)
    nearest = bed if made < bed and due - bed <= up - due else up
    return due if wake <= due.time() <= sleep else nearest


def times(settings: TrialSettings, runs: pd.DataFrame) -> pd.DataFrame:
    """When to make each batch (table runs) and to look at it: run, table, `Look`; no row without a start.

    `runs` has run and day in the order of making, and made_at where one was made: its looks count from then,
    and days still to come follow.
    """
    plan, found, date = settings.plan, list[tuple[object, ...]](), dt.date.min
    if plan is not None and plan.start is not None:
        every, (wake, sleep) = (plan.start + n * _DAY for n in count()), plan.awake
        days = (day for day in every if WEEKDAYS[day.weekday()] in plan.weekdays)
        timed = [name for name, spec in settings.tables().items() if "hours" in spec.planned]
        for _, batches in runs.reindex(columns=["run", "day", "made_at"]).groupby("day", sort=False):
            stamps = pd.to_datetime(batches["made_at"])
            date = next(day for day in days if day > date)
            date = date if stamps.isna().all() else stamps.min().date()
            clock = dt.datetime.combine(date, wake)
            apart = min(_APART, (dt.datetime.combine(date, sleep) - clock) / len(batches))
            for run, stamp in zip(batches["run"], stamps, strict=True):
                made = clock if pd.isna(stamp) else stamp.to_pydatetime()
                clock = max(clock, made) + apart
                found.append((run, "runs", *Look(0.0, 0.0, made)))
                for table in (name for name in timed if name in plan.tables):
                    found += [(run, table, *look) for look in looks(plan, table, made)]
    frame = pd.DataFrame(found, columns=["run", "table", *Look._fields])
    return frame.astype({"at": "datetime64[s]", "lost": bool})
