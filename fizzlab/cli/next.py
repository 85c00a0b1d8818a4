"""The commands `fizzlab next` and `fizzlab shopping`."""

from __future__ import annotations

from pathlib import Path

import click

from fizzlab.cli.saying import FOLDER, named
from fizzlab.errors import BadInput, Problem, listed


@click.command("next", short_help="Set up what the report recommends.")
@FOLDER
@click.option("--do", "kind", help="Which of its steps: move, add, confirm or again; else the first.")
@click.option("--to", type=click.Path(path_type=Path), callback=named, help="Folder to make.")
def next_(folder: Path, kind: str | None, to: Path | None) -> None:
    """Set up what the newest report on FOLDER recommends: a trial beside it, or batches added to it."""
    from fizzlab.bench.following import follow

    click.echo("\n".join(follow(folder, kind, to)))


@click.command(short_help="What to buy for a planned trial.")
@FOLDER
def shopping(folder: Path) -> None:
    """List what the planned batches of the trial in FOLDER take, and what that costs."""
    from fizzlab.bench.planning import read_plan
    from fizzlab.recipe.amounts import shopping as bought

    planned = read_plan(folder)
    recipe = planned.settings.recipe
    if recipe is None:
        do = "Add one, so that fizzlab knows what to buy."
        raise BadInput([Problem("trial.toml", "there is no section [recipe].", do)])
    table, money = bought(card.recipe for card in planned.cards.cards if card.recipe), recipe.currency
    click.echo(f"For {len(planned.runs)} batches:")
    for _, row in table.iterrows():
        many = f": {row['packs']:.0f} × {row['pack']}, {row['price']:.2f} {money}" if row["pack"] else ""
        click.echo(f"  {row['grams']:8.1f} g  {row['ingredient']}{many}".rstrip())
    sums, free = table[["price", "used"]].sum(), list(table.loc[table["pack"] == "", "ingredient"])
    if len(free) < len(table):
        said = f"{sums['price']:.2f} {money}".rstrip()
        click.echo(f"\n{said} for full packs, of which {sums['used']:.2f} is used up.")
    if free:
        click.echo(f"Not counted, for want of a price in trial.toml: {listed(free)}.")
