"""The command `fizzlab chart`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from fizzlab.cli.saying import FOLDER, PAPER

if TYPE_CHECKING:
    from fizzlab.report.pdf import Paper


@click.command(short_help="A chart for the wall: how long to wait.")
@FOLDER
@click.option("--for", "recipe", default="", help='Which recipe, as "gum, lake"; else the one to keep.')
@click.option("--paper", type=PAPER, help="Paper of the PDF; else that of trial.toml, or A4.")
def chart(folder: Path, recipe: str, paper: Paper | None) -> None:
    """Print how long to wait, by humidity and temperature, for the recipe of FOLDER that is kept."""
    from fizzlab.report.chart import write_chart

    for path in write_chart(folder, recipe, paper=paper):
        click.echo(path)
