"""The command `fizzlab upgrade`."""

from __future__ import annotations

from pathlib import Path

import click

from fizzlab.cli.saying import FOLDER
from fizzlab.language import say


@click.command(short_help="Bring the trial.toml of an older version up to date.")
@FOLDER
def upgrade(folder: Path) -> None:
    """Take out of trial.toml in FOLDER what this version no longer knows, and say what follows."""
    from fizzlab.trial.upgrading import upgrade

    for line in upgrade(folder) or [say("nothing_to_change")]:
        click.echo(line)
