"""The dates and clock times of a plan, and the calendar file (RFC 5545) that reminds of them."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from zoneinfo import ZoneInfo

import pandas as pd

from fizzlab.bench.planning import TrialPlan
from fizzlab.bench.sheet import look_hours
from fizzlab.trial.settings.sections import WEEKDAYS, PlanSettings

CALENDAR = "calendar.ics"

#: From one batch of a day to the next.
APART = dt.timedelta(minutes=30)


def times(planned: TrialPlan, made: Mapping[str, dt.datetime] | None = None) -> pd.DataFrame:
    """When to make and look: run, what, at, table, pieces, and `due`, the time before it was moved.

    Looks count from `made`, where a batch was made. Without a start the frame is empty.
    """
    wishes, found = planned.wishes, []
    names = ["run", "what", "at", "table", "pieces", "due"]
    if wishes.start is None:
        return pd.DataFrame(columns=names)
    dates = _dates(wishes, planned.runs["day"].nunique())
    day_of = dict(zip(planned.runs["day"].unique(), dates, strict=True))
    begun: dict[str, int] = {}
    for run, day in planned.runs[["run", "day"]].itertuples(index=False):
        place = begun[day] = begun.get(day, -1) + 1
        at = dt.datetime.combine(day_of[day], wishes.waking()[0]) + place * APART
        at = (made or {}).get(run, at)
        found.append((run, "make", at, "runs", wishes.pieces, at))
        for name, spec in planned.settings.tables().items():
            if name in wishes.tables and "hours" in spec.planned:
                for hours in look_hours(wishes, name):
                    due = at + dt.timedelta(hours=hours)
                    found.append((run, "look", _awake(due, wishes, at), name, wishes.pieces, due))
    return pd.DataFrame(found, columns=names).sort_values("at", kind="stable", ignore_index=True)


def _dates(wishes: PlanSettings, days: int) -> list[dt.date]:
    assert wishes.start is not None
    allowed = {WEEKDAYS.index(name) for name in wishes.weekdays or WEEKDAYS}
    dates: list[dt.date] = []
    each = wishes.start
    while len(dates) < days:
        dates += [each] if each.weekday() in allowed else []
        each += dt.timedelta(days=1)
    return dates


def _awake(due: dt.datetime, wishes: PlanSettings, made: dt.datetime) -> dt.datetime:
    """The waking time nearest to it, after the batch was made."""
    wake, sleep = wishes.waking()
    if wake <= due.time() <= sleep:
        return due
    ends = [
        dt.datetime.combine(due.date() + dt.timedelta(days=n), t) for n in (-1, 0, 1) for t in (wake, sleep)
    ]
    return min((end for end in ends if end > made), key=lambda end: abs(end - due))


def lost(when: pd.DataFrame) -> tuple[str, ...]:
    """What the nights cost, in one sentence at most."""
    looks = when[when["what"] == "look"]
    moved = int((looks["at"] != looks["due"]).sum())
    same = int(looks.duplicated(["run", "table", "at"]).sum())
    if not moved:
        return ()
    gone = f"; {same} of them fall together with another and tell nothing more" if same else ""
    return (f"{moved} of {len(looks)} looks would fall into the night and were moved to waking hours{gone}.",)


def write(planned: TrialPlan, when: pd.DataFrame) -> bytes:
    """The calendar file, an alarm with each entry; times float where trial.toml names no time zone."""
    from icalendar import Alarm, Calendar, Event

    zone = ZoneInfo(planned.wishes.timezone) if planned.wishes.timezone else None
    calendar = Calendar()
    calendar.add("prodid", "-//fizzlab//calendar//EN")
    calendar.add("version", "2.0")
    blind = dict(zip(planned.runs["run"], planned.runs["blind"], strict=True))
    for (at, run, what), rows in when.groupby(["at", "run", "what"], sort=False):
        event, alarm = Event(), Alarm()
        tables = ", ".join(rows["table"].unique()).replace("_", " ")
        said = f"Make batch {run}" if what == "make" else f"Tray {blind[run]}: {tables}"
        begins = pd.Timestamp(str(at)).to_pydatetime().replace(tzinfo=zone)
        event.add("uid", f"{planned.settings.code}-{run}-{what}-{rows.index[0]}@fizzlab")
        event.add("dtstamp", dt.datetime.now(dt.UTC))
        event.add("dtstart", begins)
        event.add("dtend", begins + dt.timedelta(minutes=10))
        event.add("summary", said)
        for key, value in (
            ("action", "DISPLAY"),
            ("description", said),
            ("trigger", dt.timedelta(minutes=-5)),
        ):
            alarm.add(key, value)
        event.add_component(alarm)
        calendar.add_component(event)
    if zone is not None:
        calendar.add_missing_timezones()
    data: bytes = calendar.to_ical()
    return data
