"""The calendar of a plan: on cards and in words, and as a file (RFC 5545) that reminds of it."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from pathlib import Path

import pandas as pd

from fizzlab.bench.cards import Cards
from fizzlab.errors import BadInput, Problem
from fizzlab.measures import number
from fizzlab.trial.dates import times
from fizzlab.trial.folder import load, refuse_records
from fizzlab.trial.placing import write_whole
from fizzlab.trial.settings import FILE, TrialSettings

CALENDAR, _PRODID = "calendar.ics", "-//fizzlab//calendar//EN"


def dated(cards: Cards, when: pd.DataFrame) -> Cards:
    """The cards with the date and clock time of making, and of the looks."""
    said = {}
    for run, rows in when[~when["lost"]].groupby("run"):
        made, looks = rows["at"].iloc[0], rows["at"].iloc[1:].drop_duplicates().sort_values()
        days = looks.dt.strftime("%H:%M").groupby(looks.map(_day), sort=False).agg(", ".join)
        said[run] = {"made": f"{_day(made)} {made:%H:%M}", "looks": "; ".join(days.index + " " + days)}
    return replace(cards, cards=tuple(replace(card, **said.get(card.run, {})) for card in cards.cards))


def _day(at: dt.date) -> str:
    return f"{at:%a} {at.day} {at:%b}"


def nights(settings: TrialSettings, when: pd.DataFrame) -> list[str]:
    """What the nights cost; nothing where no look is moved."""
    moved = when[when["hours"] != when["planned"]]
    if moved.empty or settings.plan is None:
        return []
    gone, far = moved["lost"].sum(), number((moved["hours"] - moved["planned"]).abs().max())
    what = f"{len(moved)} of {(when['table'] != 'runs').sum()} looks would fall into the night"
    dropped = f", {gone} are dropped as another is made then" if gone else ""
    between = "What happens from {1:%H:%M} to {0:%H:%M} is known to that night only.".format(
        *settings.plan.awake
    )
    return [f"{what}: {len(moved) - gone} are moved, by up to {far} h{dropped}. {between}"]


def ics(settings: TrialSettings, runs: pd.DataFrame) -> bytes:
    """The calendar: an event with an alarm for each batch and look, which takes the place of its last one."""
    from icalendar import Alarm, Calendar, Event

    now, calendar = dt.datetime.now(dt.UTC), Calendar.new(prodid=_PRODID, name=settings.title)
    codes = dict(zip(runs["run"], runs["blind"], strict=True))
    for (run, hours), rows in times(settings, runs).groupby(["run", "planned"], sort=False):
        what = ", ".join(rows.loc[~rows["lost"], "table"]).replace("_", " ")
        said = f"Tray {codes[run] or run}: {what or 'no look'}"
        said = what.replace("runs", f"Make batch {run}", 1) if what.startswith("runs") else said
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
    return [] if ours else [Problem(CALENDAR, "fizzlab did not write it.", "Give it another name.")]


def renew(folder: Path) -> list[str]:
    """Write the calendar of a planned trial anew, by when batches were really made; returns what to say."""
    refuse_records(folder)
    trial, problems = load(folder), foreign(folder)
    runs, when = trial.rows("runs"), times(trial.settings, trial.rows("runs"))
    if when.empty:
        do = "Add start = 2026-03-06, say, to [plan]."
        problems.append(Problem(FILE, "the plan has no dates.", do, column="key plan.start"))
    if problems:
        raise BadInput(problems)
    write_whole(folder / CALENDAR, ics(trial.settings, runs))
    made = f"{runs['made_at'].notna().sum()} of {len(runs)} batches are made; their looks count from then."
    return [made, *nights(trial.settings, when), str(folder / CALENDAR)]
