"""The commands `fizzlab next` and `fizzlab shopping`."""

from __future__ import annotations

from pathlib import Path

import click

from fizzlab.cli.saying import FOLDER, named
from fizzlab.errors import refuse
from fizzlab.language import listed, say


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
        raise refuse("no_recipe", "trial.toml")
    table, money = bought(card.recipe for card in planned.cards.cards if card.recipe), recipe.currency
    click.echo(say("for_batches", batches=say("n_batches", n=len(planned.runs))))
    for _, row in table.iterrows():
        many = f": {row['packs']:.0f} × {row['pack']}, {row['price']:.2f} {money}" if row["pack"] else ""
        click.echo(f"  {row['grams']:8.1f} g  {row['ingredient']}{many}".rstrip())
    sums, free = table[["price", "used"]].sum(), list(table.loc[table["pack"] == "", "ingredient"])
    if len(free) < len(table):
        price = f"{sums['price']:.2f} {money}".rstrip()
        click.echo(f"\n{say('full_packs', price=price, used=sums['used'])}")
    if free:
        click.echo(say("not_priced", names=listed(free)))
