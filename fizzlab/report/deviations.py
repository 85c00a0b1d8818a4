"""What went otherwise than planned: what the tables show, and what the maker wrote down."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

import pandas as pd

from fizzlab.errors import count
from fizzlab.records import DeviationEntry
from fizzlab.trial.folder import Trial

TrialPlan = Sequence[Mapping[str, str | float]]


def deviations(trial: Trial, planned: TrialPlan = ()) -> list[DeviationEntry]:
    """What went otherwise than `planned` (run, day, factors): as the maker wrote, then by the tables."""
    said = trial.settings.deviations
    written = [DeviationEntry(run=each.run or "", what=each.what, why=each.why or "") for each in said]
    seen = [*_against_plan(trial, planned), *_of_making(trial), *_of_readings(trial)]
    return [*written, *seen]


def _seen(run: object, what: str, why: object = "") -> DeviationEntry:
    return DeviationEntry(run=str(run), what=what, why=str(why), seen=True)


def _of_making(trial: Trial) -> Iterator[DeviationEntry]:
    """Batches out of their order or off their day by `made_at`, and extra sprays."""
    runs = trial.rows("runs").set_index("run", drop=False)
    made = runs["made_at"].dropna()
    latest = made.cummax()
    for run in made.index[made < latest]:
        before = made.index[made == latest[run]][0]
        what = f"made at {made[run]:%Y-%m-%d %H:%M}, before batch {before}, which stands above it in runs"
        yield _seen(run, what)

    for day, rows in runs.dropna(subset=["day", "made_at"]).groupby("day", sort=False):
        made_on = rows["made_at"].dt.date
        date = pd.to_datetime(str(day).strip(), format="%Y-%m-%d", errors="coerce")
        if pd.notna(date):
            for run, other in zip(rows["run"], made_on, strict=True):
                if other != date.date():
                    yield _seen(run, f"made on {other}, not on its day {date:%Y-%m-%d}")
        elif made_on.nunique() > 1:
            dates = ", ".join(str(other) for other in sorted(set(made_on)))
            yield _seen("", f"the batches of day {day} were made on several dates ({dates})")
    for run, sprays in runs["sprays"].dropna().items():
        if sprays > 0:
            yield _seen(run, f"{count(int(sprays), 'extra spray')} of alcohol")


def _of_readings(trial: Trial) -> Iterator[DeviationEntry]:
    """What was left out (readings by their batch where that was left out too), and what was not read."""
    gone = trial.left_out()
    batches = set(gone.loc[gone["table"] == "runs", "run"])
    for (table, run, reason), rows in gone.groupby(["table", "run", "reason"], sort=False):
        if table == "runs":
            yield _seen(run, "left out", reason)
        elif run not in batches:
            yield _seen(run, f"{count(len(rows), 'row')} of {table} left out", reason)
    read = {name: set(table.rows["run"]) for name, table in trial.tables.items() if "run" in table.rows}
    tables = [name for name, runs in read.items() if name != "runs" and runs]
    for run in trial.rows("runs")["run"]:
        absent = [name for name in tables if run not in read[name]]
        if absent:
            yield _seen(run, f"no reading in {'any table' if absent == tables else ', '.join(absent)}")


def _against_plan(trial: Trial, planned: TrialPlan) -> Iterator[DeviationEntry]:
    """Levels, days, batches and their order, against the plan that was kept."""
    if not planned:
        return
    runs = trial.tables["runs"]
    gone = set(runs.left_out["run"].str.strip()) if "run" in runs.left_out else set[str]()
    made = runs.rows.set_index("run", drop=False)
    wanted = {str(row["run"]): row for row in planned}
    for run in wanted:
        if run not in made.index and run not in gone:
            yield _seen(run, "planned, but not in runs")
    for run in made.index:
        if run not in wanted:
            yield _seen(run, "not in the plan")
            continue
        for name, factor in trial.settings.factors.items():
            was, meant = made.loc[run, name], wanted[run].get(name)
            told = [f"{_plain(value)} {factor.unit}".strip() for value in (was, meant)]
            if meant is not None and told[0].casefold() != told[1].casefold():
                was, meant = told
                yield _seen(run, f"{trial.settings.label(name)} {was}, planned {meant}")
    both = [run for run in made.index if run in wanted]
    if both != [run for run in wanted if run in both]:
        yield _seen("", "the batches stand in runs in another order than planned")
    days, planned_for = made.loc[both, "day"], pd.Series({run: str(wanted[run]["day"]) for run in both})
    called = {day: each.mode().iloc[0] for day, each in days.groupby(planned_for, sort=False)}
    for run, day in days.items():  # whatever the maker calls the days
        if day != called[planned_for[run]]:
            yield _seen(run, f"made on day {day}, not with the others of planned day {planned_for[run]}")


def _plain(value: object) -> str:
    return f"{value:.9g}" if isinstance(value, float | int) else str(value)
