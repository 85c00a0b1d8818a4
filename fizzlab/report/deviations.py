"""What went otherwise than planned: what the tables show, and what the maker wrote down."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import pandas as pd

from fizzlab.measures import TABLES
from fizzlab.trial.folder import Trial


@dataclass(frozen=True)
class Deviation:
    """One thing that went otherwise than planned.

    Parameters
    ----------
    run : str
        The batch; empty where it is about the whole trial.
    what, why : str
        In words; `why` may be empty.
    seen : bool
        It follows from the tables; otherwise the maker wrote it.
    """

    run: str
    what: str
    why: str = ""
    seen: bool = True


def deviations(trial: Trial, planned: Sequence[Mapping[str, str | float]] = ()) -> list[Deviation]:
    """Everything that went otherwise than planned.

    Parameters
    ----------
    trial : Trial
    planned : sequence of mapping
        The batches as `fizzlab plan` laid them out, in the order of making: run, day and the factors; empty
        where no plan was kept.

    Returns
    -------
    list of Deviation
        First what the maker wrote, then what the tables show.
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
    found, latest, latest_run = [], None, ""
    for run, at in made.itertuples(index=False):
        if latest is not None and at < latest:
            what = f"made at {at:%Y-%m-%d %H:%M}, before batch {latest_run}, which stands above it in runs"
            found.append(Deviation(run, what))
        else:
            latest, latest_run = at, run
    return found


def _days(trial: Trial) -> list[Deviation]:
    """A day that is a date and not that of `made_at`; a day by any other name that was spread over dates."""
    made = trial.rows("runs")[["run", "day", "made_at"]].dropna()
    found = []
    for day, rows in made.groupby("day", sort=False):
        date = _date(str(day))
        made_on = rows["made_at"].dt.date
        if date is not None:
            for run, other in zip(rows["run"], made_on, strict=True):
                if other != date:
                    found.append(Deviation(run, f"made on {other}, not on its day {date}"))
        elif made_on.nunique() > 1:
            dates = ", ".join(str(other) for other in sorted(set(made_on)))
            found.append(Deviation("", f"the batches of day {day} were made on several dates ({dates})"))
    return found


def _date(text: str) -> dt.date | None:
    try:
        return dt.date.fromisoformat(text.strip())
    except ValueError:
        return None


def _sprays(trial: Trial) -> list[Deviation]:
    rows = trial.rows("runs")[["run", "sprays"]].dropna()
    return [
        Deviation(run, "1 extra spray of alcohol" if sprays == 1 else f"{sprays:.0f} extra sprays of alcohol")
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
            many = "1 row" if len(rows) == 1 else f"{len(rows)} rows"
            found.append(Deviation(str(run), f"{many} of {table} left out", str(reason)))
    return found


def _without_readings(trial: Trial) -> list[Deviation]:
    runs = list(trial.rows("runs")["run"])
    tables = [name for name in TABLES if name not in ("runs", "room_log") and trial.has(name)]
    found = []
    for run in runs:
        absent = [name for name in tables if run not in set(trial.rows(name)["run"])]
        if tables and absent == tables:
            found.append(Deviation(run, "no reading in any table"))
        elif absent:
            found.append(Deviation(run, f"no reading in {', '.join(absent)}"))
    return found


def _against_plan(trial: Trial, planned: Sequence[Mapping[str, str | float]]) -> list[Deviation]:
    """Levels, days, batches and their order, against the plan that was kept."""
    if not planned:
        return []
    runs = trial.tables["runs"]
    gone = {run.strip() for run in runs.left_out["run"]} if "run" in runs.left_out else set[str]()
    made = runs.rows.set_index("run", drop=False)
    wanted = {str(row["run"]): row for row in planned}
    found = [
        Deviation(run, "planned, but not in runs")
        for run in wanted
        if run not in made.index and run not in gone
    ]
    for run in made.index:
        plan = wanted.get(run)
        if plan is None:
            found.append(Deviation(run, "not in the plan"))
            continue
        for name in trial.settings.factors:
            if name in plan and not _same(plan[name], made.loc[run, name]):
                label, unit = trial.settings.label(name), trial.settings.factors[name].unit
                was, meant = (
                    f"{_plain(value)} {unit}".strip() for value in (made.loc[run, name], plan[name])
                )
                found.append(Deviation(run, f"{label} {was}, planned {meant}"))
    both = [run for run in made.index if run in wanted]
    if both != [run for run in wanted if run in both]:
        found.append(Deviation("", "the batches stand in runs in another order than planned"))
    found += _moved(made.loc[both, "day"], pd.Series({run: str(wanted[run]["day"]) for run in both}))
    return found


def _moved(made: pd.Series, planned: pd.Series) -> list[Deviation]:
    """Batches whose day is not the one they were planned for, whatever the maker calls the days."""
    called = {day: days.mode().iloc[0] for day, days in made.groupby(planned, sort=False)}
    return [
        Deviation(str(run), f"made on day {day}, not with the others of planned day {wanted}")
        for run, day, wanted in zip(made.index, made, planned, strict=True)
        if day != called[wanted]
    ]


def _same(planned: object, made: object) -> bool:
    if isinstance(planned, str) or isinstance(made, str):
        return str(planned).casefold() == str(made).casefold()
    return bool(abs(float(planned) - float(made)) < 1e-9)  # type: ignore[arg-type]


def _plain(value: object) -> str:
    return f"{value:g}" if isinstance(value, float) else str(value)
