"""The command `fizzlab check`."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from fizzlab.cli.saying import FOLDER
from fizzlab.language import dayed, listed, say

if TYPE_CHECKING:
    from fizzlab.trial.folder import Trial

#: What is still to come is named so many times.
SHOWN = 8


@click.command(short_help="What is due, missing or odd in a trial.")
@FOLDER
def check(folder: Path) -> None:
    """Check the trial in FOLDER: what is wrong; else what is due, missing and odd, and what to do next."""
    from fizzlab.trial.folder import load

    now = dt.datetime.now()
    click.echo("\n".join(said(load(folder, now), now)))


def said(trial: Trial, now: dt.datetime) -> Iterator[str]:
    """What `check` says of a sound trial at a time of the workshop's clock."""
    import pandas as pd

    from fizzlab.trial.due import made_at, waits

    for name, table in trial.tables.items():
        out, rows = len(table.left_out), say("n_rows", n=len(table.rows))
        yield f"{name}: {say('rows_left_out', rows=rows, n=out) if out else rows}"
    yield say("no_problems")
    blind: dict[str, str] = dict(trial.rows("runs")[["run", "blind"]].itertuples(index=False))
    named = {run: "tray_of_batch" if code else "who_batch" for run, code in blind.items()}
    trays = {run: say(named[run], code=code, run=run) for run, code in blind.items()}
    due, later = list[str](), list[str]()
    for at, name, run, pieces in waits(trial.tables, trial.settings.tables(), trial.settings.plan, now):
        told = {"tray": trays[run], "table": name, "n": len(pieces), "pieces": listed(pieces)}
        what = say("look_at_pieces" if pieces else "look_at_tray", **told)
        says, lines = ("since", due) if at <= now else ("from_when", later)
        lines.append(say(says, what=what, at=dayed(at, "weekday_clock")))
    runs = trial.rows("runs").set_index("run")["planned_at"].drop(made_at(trial.tables).index)
    dated = {run: "" if pd.isna(at) else dayed(at, "weekday_clock") for run, at in runs.items()}
    make = [say("from_when", what=trays[str(r)], at=at) if at else trays[str(r)] for r, at in dated.items()]
    missing, odd = ([f"{each}" for each in trial.doubts if each.missing is gone] for gone in (True, False))
    sections = {"due_now": due, "due_later": _few(later), "to_be_made": _few(make)}
    sections |= {"missing": missing, "odd_to_look_at": odd}
    for title, lines in sections.items():
        yield from [f"\n{say(title)}", *(f"  {line}" for line in lines)] if lines else ()
    if due or (later and not make):
        yield f"\n{say('next_look', what=[*due, *later][0], folder=trial.folder)}"
    elif make:
        then = say("and_then", what=later[0]) if later else ""
        yield f"\n{say('next_make', what=make[0], then=then, folder=trial.folder)}"
    elif len(trial.tables) == 1:
        yield f"\n{say('next_readings', folder=trial.folder)}"
    else:
        mend = [say("mend_missing")] * bool(missing) + [say("mend_odd")] * bool(odd)
        yield f"\n{say('next_mend' if mend else 'next_report', mend=''.join(mend), folder=trial.folder)}"


def _few(lines: Sequence[str]) -> list[str]:
    return [*lines[:SHOWN], *[say("and_so_many", n=len(lines) - SHOWN)] * (len(lines) > SHOWN)]
