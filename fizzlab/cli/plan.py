"""The command `fizzlab plan`."""

from __future__ import annotations

from pathlib import Path

import click

from fizzlab.cli.saying import FOLDER, in_sentences


@click.command(short_help="Which batches to make, in which order.")
@FOLDER
@click.option(
    "--earlier",
    type=click.Path(path_type=Path),
    help="Folder of an earlier trial of yours: how much its pieces, batches and days differed.",
)
def plan(folder: Path, earlier: Path | None) -> None:
    """Plan the batches of the trial in FOLDER: write runs, the workbook for readings and a bench sheet."""
    with in_sentences():
        from fizzlab.bench.planfiles import write_plan
        from fizzlab.bench.planning import earlier_spreads, plan_power

        spreads = None if earlier is None else earlier_spreads(earlier)
        written = write_plan(folder, detects=lambda planned: plan_power(planned, spreads).sentences)
        for sentence in written.statements:
            click.echo(sentence)
        if written.planned.cards.doubts:
            click.echo("\nBefore the first batch:")
            for doubt in written.planned.cards.doubts:
                click.echo(f"  {doubt}")
        click.echo("")
        for name in written.replaced:
            click.echo(f"{name}: an earlier plan without readings was replaced.")
        for name in written.taken_away:
            click.echo(f"{name}: it held no row and was taken away; the table now stands in the workbook.")
        for path in written.paths:
            click.echo(path)
