"""Days as dates: when to make batches and look at them by this computer's clock, and a file that reminds."""

from __future__ import annotations

import datetime as dt
from itertools import count
from pathlib import Path
from typing import NamedTuple

import pandas as pd

from fizzlab.errors import Problem, problem
from fizzlab.language import say
from fizzlab.measures import number
from fizzlab.trial.settings import PlanSettings, TrialSettings
from fizzlab.trial.settings.sections import WEEKDAYS

CALENDAR, _PRODID = "calendar.ics", "-//fizzlab//calendar//EN"

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
    found, since, (wake, sleep) = [], made.astimezone(dt.UTC), plan.awake
    for planned in plan.look_hours(table):
        due = (since + planned * _HOUR).astimezone().replace(tzinfo=None)  # also where the clocks are changed
        night = due.date() - _DAY * (due.time() < wake)
        bed, up = dt.datetime.combine(night, sleep), dt.datetime.combine(night + _DAY, wake)
        nearest = bed if made < bed and due - bed <= up - due else up
        at = nearest if planned and plan.start and not wake <= due.time() <= sleep else due
        hours = planned if at == due else round((at.astimezone(dt.UTC) - since) / _HOUR, 2)
        found.append(Look(planned, hours, at))
    kept = {look.at: look for look in sorted(found, key=lambda look: -abs(look.hours - look.planned))}
    return [look._replace(lost=kept[look.at] != look) for look in found]


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


def nights(settings: TrialSettings, when: pd.DataFrame) -> list[str]:
    """What the nights cost; nothing where no look is moved."""
    moved = when[when["hours"] != when["planned"]]
    if moved.empty or settings.plan is None:
        return []
    kept, every = moved[~moved["lost"]], (when["table"] != "runs").sum()
    far, gone = (kept["hours"] - kept["planned"]).abs().max(), len(moved) - len(kept)
    said = [say("looks_moved", n=len(kept), hours=number(far))] if len(kept) else []
    said += [say("looks_dropped", n=gone)] if gone else []
    wake, sleep = settings.plan.awake
    told = {"n": len(moved), "of": every, "said": "; ".join(said), "wake": wake, "sleep": sleep}
    return [say("looks_by_night", **told)]


def ics(settings: TrialSettings, runs: pd.DataFrame) -> bytes:
    """The calendar (RFC 5545): an event with an alarm for each batch and look, in place of its last one."""
    from icalendar import Alarm, Calendar, Event, vText

    now, title = dt.datetime.now(dt.UTC), vText(settings.title)  # a text by itself would not be escaped
    calendar = Calendar.new(prodid=_PRODID, uid=f"{settings.code}@fizzlab", name=title)
    codes = dict(zip(runs["run"], runs["blind"], strict=True))
    for (run, hours), rows in times(settings, runs).groupby(["run", "planned"], sort=False):
        what = ", ".join(rows.loc[~rows["lost"], "table"]).replace("_", " ")
        said = say("tray_looks", tray=codes[run] or run, tables=what or say("no_look"))
        said = what.replace("runs", say("make_batch", run=run), 1) if what.startswith("runs") else said
        begins, uid = rows["at"].iloc[0].to_pydatetime(), f"{settings.code}-{run}-{hours:g}h@fizzlab"
        event = Event.new(uid=uid, stamp=now, start=begins.astimezone(dt.UTC), summary=said)
        event.add("sequence", int(now.timestamp()) // 60)
        event.add("duration", dt.timedelta(minutes=10))
        event.add("status", "CONFIRMED" if what else "CANCELLED")
        alarm = Alarm.new(description=said)
        alarm.add("action", "DISPLAY")
        alarm.add("trigger", dt.timedelta(minutes=-5))
        event.subcomponents += [alarm] * bool(what)
        calendar.add_component(event)
    return bytes(calendar.to_ical())


def foreign(folder: Path) -> list[Problem]:
    """Refuse to write over a calendar that is none of fizzlab's."""
    path = folder / CALENDAR
    ours = not path.exists() or _PRODID.encode() in path.read_bytes()
    return [] if ours else [problem("calendar_not_ours", CALENDAR)]
