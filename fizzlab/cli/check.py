"""The command `fizzlab check`."""

from __future__ import annotations

from pathlib import Path

import click

from fizzlab.cli.saying import FOLDER, in_sentences, say_doubts


@click.command(short_help="What is wrong or odd in a trial; changes nothing.")
@FOLDER
def check(folder: Path) -> None:
    """Check the trial in FOLDER and say everything that is wrong or odd."""
    with in_sentences():
        from fizzlab.trial.folder import load

        trial = load(folder)
        for name, table in trial.tables.items():
            left = len(table.left_out)
            click.echo(f"{name}: {len(table.rows)} rows" + (f", {left} left out" if left else ""))
        click.echo("No problems.")
        say_doubts(list(trial.doubts))
