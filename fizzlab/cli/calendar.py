"""The command `fizzlab calendar`."""

from __future__ import annotations

from pathlib import Path

import click

from fizzlab.cli.saying import FOLDER


@click.command(short_help="When to make and to look, for your own calendar.")
@FOLDER
def calendar(folder: Path) -> None:
    """Write calendar.ics of the trial in FOLDER anew, by when its batches were really made."""
    from fizzlab.bench.planfiles import renew

    click.echo("\n".join(renew(folder)))
