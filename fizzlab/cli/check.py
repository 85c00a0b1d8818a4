"""The command `fizzlab check`."""

from __future__ import annotations

from pathlib import Path

import click

from fizzlab.cli.saying import FOLDER, say_doubts


@click.command(short_help="What is wrong or odd in a trial; changes nothing.")
@FOLDER
def check(folder: Path) -> None:
    """Check the trial in FOLDER and say everything that is wrong or odd."""
    from fizzlab.trial.folder import load

    trial = load(folder)
    for name, table in trial.tables.items():
        left = f", {len(table.left_out)} left out" if len(table.left_out) else ""
        click.echo(f"{name}: {len(table.rows)} rows{left}")
    click.echo("No problems.")
    say_doubts(trial.doubts)
