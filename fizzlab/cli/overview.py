"""The command `fizzlab overview`."""

from __future__ import annotations

from pathlib import Path

import click

from fizzlab.cli.saying import FOLDER


@click.command(short_help="One page over all trials of a folder.")
@FOLDER
def overview(folder: Path) -> None:
    """Write overview.html in FOLDER: what each trial asked and answered, its state, and what all say."""
    from fizzlab.report.overview import write_overview

    click.echo(write_overview(folder))
