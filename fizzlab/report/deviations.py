"""What went otherwise than planned: what the tables show, and what the maker wrote down."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence

import pandas as pd

from fizzlab.language import listed, say, speaking
from fizzlab.records import DeviationEntry, read_ledger
from fizzlab.trial.folder import RECORDS, Trial

TrialPlan = Sequence[Mapping[str, str | float]]


def deviations(trial: Trial) -> list[DeviationEntry]:
    """What went otherwise than the plan that the ledger keeps: as the maker wrote, then by the tables."""
    said, plan = trial.settings.deviations, read_ledger(trial.folder / RECORDS).plan()
    planned: TrialPlan = plan.runs if plan is not None else ()
    written = [DeviationEntry(run=each.run or "", what=each.what, why=each.why or "") for each in said]
    with speaking(trial.settings.language):
        return [*written, *_against_plan(trial, planned), *_of_making(trial), *_of_readings(trial)]


def touched(trial: Trial) -> list[str]:
    """What of it touched the very things that are tried, as one caution; none where nothing did.

    A deviation touches a factor if it names it, or an ingredient that it changes; sprays, if that is alcohol.
    """
    runs, recipe, found = trial.rows("runs"), trial.settings.made_recipe(), list[str]()
    befell = deviations(trial)
    sprayed = runs.loc[runs["sprays"].fillna(0) > 0, "run"]
    for name in trial.settings.factors:
        items, label = recipe.tried(name) if recipe else [], trial.settings.label(name)
        words = "|".join(re.escape(word) for word in (label, *(item.name for item in items)))
        named = re.compile(rf"(?<!\w)({words})(?!\w)", re.IGNORECASE)
        hit = [each.run for each in befell if named.search(each.what)]
        hit += list(sprayed) if any(item.job == "alcohol" for item in items) else []
        where = listed(list(dict.fromkeys(filter(None, hit))))
        found += [say("touched_in", label=label, runs=where) if where else label] if hit else []
    return [say("touched", found=listed(found))] if found else []


def _seen(run: object, what: str, why: object = "") -> DeviationEntry:
    return DeviationEntry(run=str(run), what=what, why=str(why), seen=True)


def _of_making(trial: Trial) -> Iterator[DeviationEntry]:
    """Batches out of their order or off their day by `made_at`, and extra sprays."""
    runs = trial.rows("runs").set_index("run", drop=False)
    made = runs["made_at"].dropna()
    latest = made.cummax()
    for run in made.index[made < latest]:
        before = made.index[made == latest[run]][0]
        yield _seen(run, say("made_before", made=made[run], before=before))

    for day, rows in runs.dropna(subset=["day", "made_at"]).groupby("day", sort=False):
        made_on = rows["made_at"].dt.date
        date = pd.to_datetime(str(day).strip(), format="%Y-%m-%d", errors="coerce")
        if pd.notna(date):
            for run, other in zip(rows["run"], made_on, strict=True):
                if other != date.date():
                    yield _seen(run, say("made_on_not", other=other, date=date))
        elif made_on.nunique() > 1:
            dates = ", ".join(str(other) for other in sorted(set(made_on)))
            yield _seen("", say("batches_day", day=day, dates=dates))
    for run, sprays in runs["sprays"].dropna().items():
        if sprays > 0:
            yield _seen(run, say("sprays_of_alcohol", extra_sprays=say("n_extra_sprays", n=int(sprays))))


def _of_readings(trial: Trial) -> Iterator[DeviationEntry]:
    """What was left out (readings by their batch where that was left out too), and what was not read."""
    gone = trial.left_out()
    batches = set(gone.loc[gone["table"] == "runs", "run"])
    for (table, run, reason), rows in gone.groupby(["table", "run", "reason"], sort=False):
        if table == "runs":
            yield _seen(run, say("dev_left_out"), reason)
        elif run not in batches:
            yield _seen(run, say("dev_rows_left_out", rows=say("n_rows", n=len(rows)), table=table), reason)
    read = {name: set(table.rows["run"]) for name, table in trial.tables.items() if "run" in table.rows}
    tables = [name for name, runs in read.items() if name != "runs" and runs]
    for run in trial.rows("runs")["run"]:
        absent = [name for name in tables if run not in read[name]]
        if absent:
            where = say("any_table") if absent == tables else ", ".join(absent)
            yield _seen(run, say("no_reading", where=where))


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
            yield _seen(run, say("planned_but"))
    for run in made.index:
        if run not in wanted:
            yield _seen(run, say("not_plan"))
            continue
        for name, factor in trial.settings.factors.items():
            was, meant = made.loc[run, name], wanted[run].get(name)
            told = [f"{_plain(value)} {factor.unit}".strip() for value in (was, meant)]
            if meant is not None and told[0].casefold() != told[1].casefold():
                was, meant = told
                label = trial.settings.label(name)
                yield _seen(run, say("factor_otherwise", label=label, was=was, meant=meant))
    both = [run for run in made.index if run in wanted]
    if both != [run for run in wanted if run in both]:
        yield _seen("", say("batches_stand"))
    days, planned_for = made.loc[both, "day"], pd.Series({run: str(wanted[run]["day"]) for run in both})
    called = {day: each.mode().iloc[0] for day, each in days.groupby(planned_for, sort=False)}
    for run, day in days.items():  # whatever the maker calls the days
        if day != called[planned_for[run]]:
            yield _seen(run, say("made_on_day", day=day, planned_for=planned_for[run]))


def _plain(value: object) -> str:
    return f"{value:.9g}" if isinstance(value, float | int) else str(value)
