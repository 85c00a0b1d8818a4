"""What went otherwise than planned: what the tables show, and what the maker wrote down."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import pandas as pd

from fizzlab.errors import count
from fizzlab.trial.folder import Trial
from fizzlab.trial.settings import TrialSettings


@dataclass(frozen=True)
class Deviation:
    """One thing that went otherwise than planned: the batch (empty for the whole trial), what, why if known.

    `seen` says that it follows from the tables; otherwise the maker wrote it.
    """

    run: str
    what: str
    why: str = ""
    seen: bool = True


def deviations(trial: Trial, planned: Sequence[Mapping[str, str | float]] = ()) -> list[Deviation]:
    """Everything that went otherwise than planned: what the maker wrote, then what the tables show.

    `planned` has the batches as `fizzlab plan` laid them out, in the order of making: run, day and the
    factors; empty where no plan was kept.
    """
    written = [
        Deviation(entry.run or "", entry.what, entry.why or "", seen=False)
        for entry in trial.settings.deviations
    ]
    seen = [*_against_plan(trial, planned), *_order(trial), *_days(trial), *_sprays(trial)]
    return [*written, *seen, *_left_out(trial), *_without_readings(trial)]


def _order(trial: Trial) -> list[Deviation]:
    """Runs stand in the order of making; `made_at` may say otherwise."""
    made = trial.rows("runs")[["run", "made_at"]].dropna()
    latest = made["made_at"].cummax()
    found = []
    for row in made.index[made["made_at"] < latest]:
        after = made["run"][made.index[made["made_at"] == latest[row]][0]]
        at = f"{made['made_at'][row]:%Y-%m-%d %H:%M}"
        what = f"made at {at}, before batch {after}, which stands above it in runs"
        found.append(Deviation(made["run"][row], what))
    return found


def _days(trial: Trial) -> list[Deviation]:
    """A day that is a date and not that of `made_at`; a day by any other name that was spread over dates."""
    made = trial.rows("runs")[["run", "day", "made_at"]].dropna()
    found = []
    for day, rows in made.groupby("day", sort=False):
        made_on = rows["made_at"].dt.date
        try:
            date = dt.date.fromisoformat(str(day).strip())
        except ValueError:
            if made_on.nunique() > 1:
                dates = ", ".join(str(other) for other in sorted(set(made_on)))
                found.append(Deviation("", f"the batches of day {day} were made on several dates ({dates})"))
            continue
        other = rows.assign(date=made_on)[made_on != date]
        found += [
            Deviation(run, f"made on {on}, not on its day {date}")
            for run, on in zip(other["run"], other["date"], strict=True)
        ]
    return found


def _sprays(trial: Trial) -> list[Deviation]:
    rows = trial.rows("runs")[["run", "sprays"]].dropna()
    return [
        Deviation(run, f"{count(int(sprays), 'extra spray')} of alcohol")
        for run, sprays in rows.itertuples(index=False)
        if sprays > 0
    ]


def _left_out(trial: Trial) -> list[Deviation]:
    """Batches and rows left out; the readings of a batch that was left out are told by the batch."""
    gone = trial.left_out()
    batches = set(gone.loc[gone["table"] == "runs", "run"])
    found = []
    for (table, run, reason), rows in gone.groupby(["table", "run", "reason"], sort=False):
        if table == "runs":
            found.append(Deviation(str(run), "left out", str(reason)))
        elif run not in batches:
            found.append(Deviation(str(run), f"{count(len(rows), 'row')} of {table} left out", str(reason)))
    return found


def _without_readings(trial: Trial) -> list[Deviation]:
    tables = [name for name in trial.tables if name not in ("runs", "room_log") and trial.has(name)]
    found = []
    for run in trial.rows("runs")["run"] if tables else ():
        absent = [name for name in tables if run not in set(trial.rows(name)["run"])]
        if absent:
            where = "any table" if absent == tables else ", ".join(absent)
            found.append(Deviation(run, f"no reading in {where}"))
    return found


def _against_plan(trial: Trial, planned: Sequence[Mapping[str, str | float]]) -> list[Deviation]:
    """Levels, days, batches and their order, against the plan that was kept."""
    if not planned:
        return []
    runs, settings = trial.tables["runs"], trial.settings
    gone = {run.strip() for run in runs.left_out["run"]} if "run" in runs.left_out else set[str]()
    made = runs.rows.set_index("run", drop=False)
    wanted = {str(row["run"]): row for row in planned}
    absent = [run for run in wanted if run not in made.index and run not in gone]
    found = [Deviation(run, "planned, but not in runs") for run in absent]
    for run in made.index:
        if run not in wanted:
            found.append(Deviation(run, "not in the plan"))
            continue
        for name in [name for name in settings.factors if name in wanted[run]]:
            was, meant = (_level(settings, name, value) for value in (made.loc[run, name], wanted[run][name]))
            if was.casefold() != meant.casefold():
                found.append(Deviation(run, f"{settings.label(name)} {was}, planned {meant}"))
    both = [run for run in made.index if run in wanted]
    if both != [run for run in wanted if run in both]:
        found.append(Deviation("", "the batches stand in runs in another order than planned"))
    days = pd.Series({run: str(wanted[run]["day"]) for run in both})
    called = made.loc[both, "day"].groupby(days, sort=False).agg(lambda day: day.mode().iloc[0])
    return found + [
        Deviation(str(run), f"made on day {made['day'][run]}, not with the others of planned day {days[run]}")
        for run in both  # whatever the maker calls the days
        if made["day"][run] != called[days[run]]
    ]


def _level(settings: TrialSettings, name: str, value: object) -> str:
    return f"{f'{value:g}' if isinstance(value, float) else value} {settings.factors[name].unit}".strip()
