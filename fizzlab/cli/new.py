"""The command `fizzlab new`."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import click

from fizzlab.cli.saying import FOLDER


@click.command(short_help="Start a trial.")
@FOLDER
@click.option("--title", prompt="Title of the trial", help="A short title.")
@click.option("--question", prompt="What do you want to know?", help="The question, in one sentence.")
@click.option("--levels", multiple=True, metavar="NAME=A,B,C", help="A factor with named levels.")
@click.option("--amounts", multiple=True, metavar="NAME=1,2,3:UNIT", help="A factor with numeric amounts.")
@click.option("--kind", help="Kind of plan: compare, factorial, mixture and others.")
@click.option("--days", type=click.IntRange(1, 200), help="Days of making.")
@click.option("--per-day", type=click.IntRange(1, 50), help="Batches that fit in a day.")
def new(folder: Path, **told: Any) -> None:
    """Start a trial in FOLDER: a commented trial.toml and empty tables to fill in."""
    from fizzlab.trial.new import start

    if sys.stdin.isatty() and not told["amounts"]:
        if not told["levels"]:
            asked = "What do you change between batches (such as colour=pearl,dye; empty to say later)?"
            told["levels"] = tuple(filter(None, [click.prompt(asked, default="", show_default=False)]))
        if len(told["levels"]) == 1 and told["kind"] is None:
            for key, asked in (
                ("days", "On how many days will you make batches?"),
                ("per_day", "How many batches fit in a day?"),
            ):
                told[key] = told[key] or click.prompt(asked, default=4)
    written = start(folder, **told)
    for path in written:
        click.echo(path)
    named = f'"{folder}"' if " " in str(folder) else str(folder)
    click.echo(f"\nEdit {written[0]}, then plan the batches with: fizzlab plan {named}")
