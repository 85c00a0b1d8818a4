"""The command `fizzlab new`."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from fizzlab.cli.saying import FOLDER, in_sentences


@click.command(short_help="Start a trial.")
@FOLDER
@click.option("--title", prompt="Title of the trial", help="A short title.")
@click.option("--question", prompt="What do you want to know?", help="The question, in one sentence.")
@click.option("--levels", multiple=True, metavar="NAME=A,B,C", help="A factor with named levels.")
@click.option("--amounts", multiple=True, metavar="NAME=1,2,3:UNIT", help="A factor with numeric amounts.")
@click.option("--kind", help="Kind of plan: compare, factorial, mixture and others.")
@click.option("--days", type=click.IntRange(1, 200), help="Days of making.")
@click.option("--per-day", type=click.IntRange(1, 50), help="Batches that fit in a day.")
def new(
    folder: Path,
    title: str,
    question: str,
    levels: tuple[str, ...],
    amounts: tuple[str, ...],
    kind: str | None,
    days: int | None,
    per_day: int | None,
) -> None:
    """Start a trial in FOLDER: a commented trial.toml and empty tables to fill in."""
    with in_sentences():
        from fizzlab.trial.new import start

        if sys.stdin.isatty() and not levels and not amounts:
            asked = "What do you change between batches (such as colour=pearl,dye; empty to say later)?"
            levels = tuple(filter(None, [click.prompt(asked, default="", show_default=False)]))
        if sys.stdin.isatty() and len(levels) == 1 and not amounts and kind is None:
            days = days or click.prompt("On how many days will you make batches?", default=4)
            per_day = per_day or click.prompt("How many batches fit in a day?", default=4)
        written = start(
            folder,
            title=title,
            question=question,
            levels=levels,
            amounts=amounts,
            kind=kind,
            days=days,
            per_day=per_day,
        )
        for path in written:
            click.echo(path)
        named = f'"{folder}"' if " " in str(folder) else str(folder)
        click.echo(f"\nEdit {written[0]}, then plan the batches with: fizzlab plan {named}")
