"""What a trial waits for: readings that are due, and those that are missing."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Mapping
from itertools import pairwise
from typing import Any, NamedTuple

import pandas as pd

from fizzlab.errors import Problem
from fizzlab.measures import TableSpec
from fizzlab.trial.settings import PlanSettings
from fizzlab.trial.tables import Table

#: A look was missed when it is late by this share of its hours, and by so many hours at least.
LATE, LEAST = 0.25, 0.25

#: The columns that say when a prepared row is to be read, in hours.
_IN_HOURS = {"hours": 1.0, "weeks": 168.0}

Tables = Mapping[str, Table]
Specs = Mapping[str, TableSpec]


class Wait(NamedTuple):
    """A reading to be taken `at` a moment: of some pieces, or of the whole batch where none is named."""

    at: pd.Timestamp
    table: str
    run: str
    pieces: tuple[str, ...]


def made_at(tables: Tables) -> pd.Series:
    """When each batch was made, of those that were (NaT: not known); the others are still to be made.

    A batch without a time was made if something was read of it, or of another without a time.
    """
    made: pd.Series = tables["runs"].rows.drop_duplicates("run").set_index("run")["made_at"]
    read = {run for name, each in tables.items() if name != "runs" for run in each.rows.get("run", ())}
    return made if (made.isna() & made.index.isin(read)).any() else made.dropna()


def _hours(plan: PlanSettings | None, spec: TableSpec) -> list[float]:
    """When a table is to be read: at its planned hours, else after the last look; without a plan at once."""
    if plan is None or spec.name not in plan.tables:
        return [0.0]
    if "hours" in spec.planned:
        return plan.look_hours(spec.name)
    return [168.0 if "weeks" in spec.planned else max(*plan.checks_h, *(plan.weighings_h or [0.0]))]


def _passed(made: Any, hours: float, spec: TableSpec, now: dt.datetime) -> bool:
    """Is it too late for a reading so many hours after making, or is that not known?"""
    late = max(LATE * hours, LEAST) if "hours" in spec.planned else hours
    return not now <= made + pd.Timedelta(hours=hours + late)


def waits(tables: Tables, specs: Specs, plan: PlanSettings | None, now: dt.datetime) -> list[Wait]:
    """The planned readings that were not taken yet and still can be, the soonest first.

    A look is over once a reading was nearer to it than to the one before.
    """
    found: dict[tuple[pd.Timestamp, str, str], list[str]] = {}
    made_of = made_at(tables).dropna()
    for spec in [specs[name] for name in (plan.tables if plan else ()) if "run" in specs[name].planned]:
        rows = tables[spec.name].rows if spec.name in tables else pd.DataFrame(columns=["run"])
        ends = [column.name for column in spec.columns if column.ends]
        hours, timed = _hours(plan, spec), "hours" in spec.planned
        for run, made in made_of.items():
            own = rows[rows["run"] == run]
            if not timed and len(own):
                continue
            last = own.groupby("piece")["hours"].max().to_dict() if len(own) else {}
            over = {each for name in ends for each in own.get("piece", own[:0])[own[name].fillna(False)]}
            named = [str(n + 1) for n in range(plan.pieces)] if plan and timed else [""]
            pieces = named if {*last} <= {*named} else [*last]  # the maker may have names of their own
            for piece in [piece for piece in pieces if piece not in over]:
                for before, at in pairwise([0.0, *hours]):
                    if (before + at) / 2 > last.get(piece, -1.0) and not _passed(made, at, spec, now):
                        key = (made + pd.Timedelta(hours=at), spec.name, str(run))
                        found.setdefault(key, []).append(piece)
    return [Wait(*key, tuple(filter(None, pieces))) for key, pieces in sorted(found.items())]


def missing(tables: Tables, specs: Specs, plan: PlanSettings | None, now: dt.datetime) -> Iterator[Problem]:
    """Doubts about readings that should have been taken by now."""
    made = made_at(tables)
    for name, spec in specs.items():
        table, hours = tables.get(name, Table(name, pd.DataFrame())), _hours(plan, spec)
        late = [str(run) for run, at in made.items() if _passed(at, hours[0], spec, now)]
        what, do = "", "Add the readings if there are any; the answer rests on the others."
        if table.rows.empty and plan is not None and name in plan.tables and late:
            what = "it is planned in trial.toml, but holds no readings."
            do = "Fill it in, as a sheet of readings.xlsx or a CSV file; if you did, check the file's name."
        elif name != "runs" and "run" in table.rows and len(table.rows):
            late = [run for run in late if run not in set(table.rows["run"])]
            what = f"it has no reading of batch{'es' * (len(late) > 1)} {', '.join(late)}." if late else ""
        if what:
            yield Problem(table.where, what, do, weight="doubt", missing=True)
        rows = _blank_rows(table, spec, hours[-1], tables["runs"], made.drop(late if what else []), now)
        if rows:
            named = ", ".join(rows[:8]) + (f" and {len(rows) - 8} more" if len(rows) > 8 else "")
            what = f"row{'s' * (len(rows) > 1)} {named}: no reading, passed over."
            yield Problem(table.where, what, "Fill it in if it was read.", weight="doubt", missing=True)


def _blank_rows(
    table: Table, spec: TableSpec, hours: float, runs: Table, made: pd.Series, now: dt.datetime
) -> list[str]:
    """The prepared rows of batches that were made in which a reading should stand by now."""
    batches = runs.rows["run"]
    names = dict(
        zip([*runs.rows["blind"].str.casefold(), *batches.str.casefold()], [*batches] * 2, strict=True)
    )
    cells, found = table.unread, []
    times = pd.Series(hours, cells.index, dtype=float)
    for column, each in _IN_HOURS.items():
        if column in cells:
            written = pd.to_numeric(cells[column].str.replace(",", "."), errors="coerce")
            times = written.mul(each).fillna(times)
    timed = {"piece", "hours"} <= {*table.rows}
    last = table.rows.groupby(["run", "piece"])["hours"].max().to_dict() if timed else {}
    for row, cell in cells.to_dict("index").items():
        run = names.get((cell.get("run", "").strip() or cell.get("blind", "").strip()).casefold())
        over = last.get((run, cell.get("piece", "").strip()), -1.0) > times[row]
        if run in made.index and (over or _passed(made[run], times[row], spec, now)):
            found.append(str(row))
    return found
