"""The command `fizzlab check`."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from fizzlab.cli.saying import FOLDER
from fizzlab.errors import count, listed

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
        left = f", {len(table.left_out)} left out" if len(table.left_out) else ""
        yield f"{name}: {count(len(table.rows), 'row')}{left}"
    yield "No problems."
    blind: dict[str, str] = dict(trial.rows("runs")[["run", "blind"]].itertuples(index=False))
    trays = {run: f"tray {code} (batch {run})" if code else f"batch {run}" for run, code in blind.items()}
    due, later = list[str](), list[str]()
    for at, name, run, pieces in waits(trial.tables, trial.settings.tables(), trial.settings.plan, now):
        which = f", piece{'s' * (len(pieces) > 1)} {listed(pieces)}" if pieces else ""
        since = "since" if at <= now else "from"
        (due if at <= now else later).append(f"{trays[run]}, {name}{which}, {since} {at:%a %d %b %H:%M}")
    runs = trial.rows("runs").set_index("run")["planned_at"].drop(made_at(trial.tables).index)
    make = [
        f"{trays[str(run)]}{'' if pd.isna(at) else f', from {at:%a %d %b %H:%M}'}" for run, at in runs.items()
    ]
    missing, odd = ([f"{each}" for each in trial.doubts if each.missing is gone] for gone in (True, False))
    sections = {"Due now": due, "Due later": _few(later), "To be made": _few(make)}
    sections |= {"Missing": missing, "Odd, for you to look at": odd}
    for title, lines in sections.items():
        yield from [f"\n{title}:", *(f"  {line}" for line in lines)] if lines else ()
    log = f". Log it with: fizzlab bench {trial.folder}"
    if due or (later and not make):
        yield f"\nNext: {[*due, *later][0]}{log}"
    elif make:
        yield f"\nNext: make {make[0]}{f'; then {later[0]}' if later else ''}{log}"
    elif len(trial.tables) == 1:
        yield f"\nNext: take readings{log}"
    else:
        mend = ["fill in what is missing, if you have it; "] * bool(missing)
        mend += ["look at what is odd; "] * bool(odd)
        yield f"\nNext: {''.join(mend)}{'then ' * bool(mend)}fizzlab report {trial.folder}"


def _few(lines: Sequence[str]) -> list[str]:
    return [*lines[:SHOWN], *[f"and {len(lines) - SHOWN} more"] * (len(lines) > SHOWN)]
