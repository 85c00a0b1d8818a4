"""What a trial waits for: readings that are due, and those that are missing."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterator, Mapping, Sequence
from functools import partial
from typing import Any, NamedTuple

import numpy as np
import pandas as pd

from fizzlab.errors import Problem, problem
from fizzlab.language import say
from fizzlab.measures import RUN, TableSpec
from fizzlab.trial.calendar import looks
from fizzlab.trial.settings import PlanSettings
from fizzlab.trial.tables import Table

#: The last look was missed when it is late by this share of its hours, and by so many hours at least.
LATE, LEAST = 0.5, 0.25

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


def still(
    plan: PlanSettings, table: str, made: dt.datetime, age: float, seen: Callable[[], Mapping[str, float]]
) -> list[tuple[float, list[str]]]:
    """The planned looks at a batch that can still be made at its `age` in hours, and at which pieces.

    `seen` gives the hour at which each piece was last read, inf where its readings ended. A look is over once
    a reading was nearer to it than to the one before, and missed once the next is nearer, the last by `LATE`.
    Pieces that have names of the maker's own stand for as many planned ones.
    """
    hours = [look.hours for look in looks(plan, table, made) if not look.lost]
    ends = [*hours[1:], *(h + 2 * max(LATE * h, LEAST) for h in hours[-1:])]
    steps = zip([0.0, *hours], hours, ends, strict=False)
    ahead = [(before, at) for before, at, after in steps if age <= (at + after) / 2]
    last = seen() if ahead else {}
    planned = [str(n + 1) for n in range(plan.pieces)]
    new = [piece for piece in planned if piece not in last][: max(plan.pieces - len(last), 0)]
    pieces = sorted({*last, *new}, key=[*planned, *last].index)
    found = [(at, [p for p in pieces if (before + at) / 2 > last.get(p, -1.0)]) for before, at in ahead]
    return [(at, some) for at, some in found if some]


def waits(tables: Tables, specs: Specs, plan: PlanSettings | None, now: dt.datetime) -> list[Wait]:
    """The planned readings that were not taken yet and can be still, the soonest first.

    What has no hours is due after the last look (storage: after a week), and until twice that time.
    """
    found: list[Wait] = []
    if plan is None:
        return found
    for spec in [specs[name] for name in plan.tables]:
        rows = tables[spec.name].rows if spec.name in tables else pd.DataFrame(columns=["run"])
        ends = [column.name for column in spec.columns if column.ends and column.name in rows]
        timed = "hours" in spec.planned
        after = 168.0 if "weeks" in spec.planned else max(*plan.checks_h, *(plan.weighings_h or [0]))
        for run, made in made_at(tables).dropna().items() if RUN in spec.columns else ():
            own = rows[rows["run"] == run]
            age = (now - made) / pd.Timedelta(hours=1)
            left = [(after, list[str]())] * (not len(own) and age <= 2 * after)
            if timed:
                last: dict[Any, float] = own.groupby("piece")["hours"].max().to_dict() if len(own) else {}
                last |= {each: np.inf for name in ends for each in own["piece"][own[name].fillna(False)]}
                left = still(plan, spec.name, made.to_pydatetime(), age, last.copy)
            found += [Wait(made + pd.Timedelta(hours=at), spec.name, str(run), (*who,)) for at, who in left]
    return sorted(found)


def missing(tables: Tables, specs: Specs, plan: PlanSettings | None, now: dt.datetime) -> Iterator[Problem]:
    """Doubts about readings of batches that were made for which nobody need wait any more."""
    made, waiting = made_at(tables), waits(tables, specs, plan, now)
    for name, spec in specs.items():
        table = tables.get(name, Table(name, pd.DataFrame()))
        wait = {each.run for each in waiting if each.table == name or RUN not in spec.columns}
        late = [str(run) for run in made.index if run not in wait]
        says, odd = "", partial(problem, weight="doubt", missing=True)
        if table.rows.empty and plan is not None and name in plan.tables and late:
            says = "table_not_read"
        elif name != "runs" and "run" in table.rows and len(table.rows):
            late = [run for run in late if run not in set(table.rows["run"])]
            says = "batches_not_read" if late else ""
        if says:
            yield odd(says, table.where, n=len(late), runs=", ".join(late))
        own = [each for each in waiting if each.table == name]
        rows = _blank_rows(table.unread, tables["runs"].rows, made.drop(late if says else []), own)
        if rows:
            named = ", ".join(rows[:8])
            named = say("and_more", named=named, n=len(rows) - 8) if len(rows) > 8 else named
            yield odd("rows_not_read", table.where, n=len(rows), rows=named)


def _blank_rows(
    cells: pd.DataFrame, runs: pd.DataFrame, made: pd.Series, waiting: Sequence[Wait]
) -> list[str]:
    """The prepared rows of batches that were made, without those from the first on that is waited for."""
    folded = [*runs["blind"].str.casefold(), *runs["run"].str.casefold()]
    names: dict[str, Any] = dict(zip(folded, [*runs["run"]] * 2, strict=True))
    soonest: dict[Any, pd.Timestamp] = {
        (each.run, piece): each.at for each in reversed(waiting) for piece in each.pieces or ("",)
    }
    found = []
    for row, cell in cells.map(str.strip).to_dict("index").items():
        run: Any = names.get((cell.get("run") or cell.get("blind", "")).casefold())
        hours = pd.to_numeric(cell.get("hours", "").replace(",", "."), errors="coerce")
        first = soonest.get((run, cell.get("piece", ""))) or soonest.get((run, ""))
        if run in made.index and (first is None or made[run] + pd.to_timedelta(hours, unit="h") < first):
            found.append(str(row))
    return found
