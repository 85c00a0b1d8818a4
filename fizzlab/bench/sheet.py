"""The sheet to work from: one HTML page to print, with a card a batch and blind pages for the scorers.

The words of the page stand in ``templates/bench_sheet.html``.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from fractions import Fraction
from typing import NamedTuple

from fizzlab.bench.cards import Cards, in_code_order
from fizzlab.errors import capital
from fizzlab.language import say, translated
from fizzlab.measures import BLIND, NOTE, PIECE, RATER, RUN, Column, number
from fizzlab.recipe.amounts import Portion, on_scale, weigh_out
from fizzlab.recipe.steps import all_steps, bench_steps, cautions
from fizzlab.recipe.units import COUNTED, DENSITIES, UNITS
from fizzlab.trial.settings import PlanSettings, TrialSettings

#: Seconds at which to read the scale while a piece fizzes, and on, so that drying up is told from gas.
FIZZ_SECONDS = (0, 10, 20, 30, 40, 50, 60, 75, 90, 120, 150, 180, 210, 240, 270, 300)

#: Cups of each batch that are weighed as they fizz.
FIZZ_CUPS = 2


class Blanks(NamedTuple):
    """A grid to write the readings of a table in, with a line for each of `rows` of every batch."""

    table: str
    title: str
    heads: tuple[str, ...]
    rows: tuple[str, ...]


def page(template: str, **said: object) -> str:
    """One of this room's templates as a self-contained HTML page."""
    from jinja2 import Environment, PackageLoader, StrictUndefined

    loader = PackageLoader("fizzlab.bench")
    environment = Environment(loader=loader, autoescape=True, undefined=StrictUndefined)
    environment.globals |= {"kitchen": kitchen, "number": number, "on_scale": on_scale, "spoons": spoons}
    return environment.get_template(template).render(said)


def bench_sheet(settings: TrialSettings, plan: PlanSettings, cards: Cards, statements: Sequence[str]) -> str:
    """The sheet as one self-contained HTML page; `statements` are what the plan can and cannot tell."""
    base = settings.made_recipe()
    made = {card.run: card.recipe for card in cards.cards if card.recipe is not None}
    recipes = list(made.values())
    limits = any(item.max_pct is not None for one in recipes for item in one.ingredients)
    tried = {item.job for name in settings.factors if base for item in base.tried(name)}
    steps = all_steps(recipes, tried)
    places = {step.key: place for place, step in enumerate(steps, start=1)}
    weighed = {run: weigh_out(recipe) for run, recipe in made.items()}
    amounts = Counter((each.ingredient.name, each.grams) for some in weighed.values() for each in some)
    at = {
        run: {name: places[step.key] for step in bench_steps(recipe) for name in step.ingredients}
        for run, recipe in made.items()
    }
    return page(
        "bench_sheet.html",
        trial=settings,
        plan=plan,
        statements=statements,
        doubts=cards.doubts,
        factors=[settings.label(name) for name in settings.factors],
        scaled=number(base.scaled, 3) if base and base.scaled != 1 else "",
        cards=cards.cards,
        weighed=weighed,
        alike={name for (name, _), many in amounts.items() if many == len(recipes)},
        at=at,
        set_by={rule.sets for rule in base.rules} if base else (),
        steps=steps,
        cautions={each.say: each for one in recipes for each in cautions(one)}.values(),
        blanks=readings_blanks(settings, plan),
        codes=in_code_order(cards.cards),
        note=say("own_limits" if limits else "selling_note"),
    )


def readings_blanks(settings: TrialSettings, plan: PlanSettings) -> tuple[Blanks, ...]:
    """The grids of one batch, for the tables that are wanted; scores have pages of their own."""
    found: list[Blanks] = []
    pieces = tuple(say("piece_named", piece=piece) for piece in range(1, plan.pieces + 1))
    readers: tuple[str, ...] = (say("batch_column"),)
    if plan.again:
        pieces = readers = tuple(f"{piece}, {who}" for piece, who in plan.readers())
    for name, spec in settings.tables().items():
        named = {column.name for column in spec.columns}
        if name not in plan.tables or RUN.name not in named or BLIND.name in spec.planned:
            continue
        asked = [each for each in spec.columns if each not in (RUN, PIECE, RATER, NOTE)]
        by_piece = PIECE.name in named
        if spec.time == "hours":
            heads, rows = [f"{hour:g} h" for hour in plan.look_hours(name)], (say("holds_zone"), *pieces)
        elif spec.time:
            before = [each for each in asked if each.name in spec.planned and each.name != spec.time]
            heads = [*map(_head, before), *(f"{at} s" for at in FIZZ_SECONDS)]
            rows = pieces if plan.again else pieces[:FIZZ_CUPS]
        else:
            heads = [_head(each) for each in asked if each.required or spec.key]
            again = by_piece and not spec.key  # a piece is tried again and again
            heads = heads * 3 if again else [*heads, say("note_column")]
            rows = pieces if by_piece else readers
        found.append(Blanks(name, capital(translated(spec.meaning)), tuple(heads), rows))
    return tuple(found)


def _head(column: Column) -> str:
    return f"{column.titled}? y/n" if column.kind == "yes_no" else column.titled


def spoons(portion: Portion) -> str:
    """US cups or spoons that hold about as much, in eighths; nothing where no density is known."""
    item = portion.ingredient
    density = item.density or DENSITIES.get(item.kind)
    millilitres = portion.grams.typical / density.g_per_ml.typical if density else 0.0
    unit = "cup" if millilitres > 59 else "tbsp" if millilitres > 14.7 else "tsp"
    eighths = round(8 * millilitres / UNITS[unit].size)
    return kitchen(f"{eighths / 8:g} {unit}") if eighths else ""


def kitchen(text: str) -> str:
    """Write the decimals of a kitchen measure as the fractions on the spoons, where they are such.

    >>> kitchen("0.5 cup"), kitchen("up to 2.25 tsp with dye"), kitchen("1.2367 ml"), kitchen("21.6 drops")
    ('1/2 cup', 'up to 2 1/4 tsp with dye', '1.24 ml', '22 drops')
    """

    def said(found: re.Match[str]) -> str:
        value = float(found[1])
        if f"{found[2]}s" in COUNTED:
            return f"{value:.0f}"
        near = Fraction(value).limit_denominator(8)
        whole, rest = divmod(near.numerator, near.denominator)
        if near.denominator not in (2, 3, 4, 8) or abs(near - value) > 1e-3 * value:
            return f"{value:.3g}"
        return f"{whole or ''} {rest}/{near.denominator}".strip()

    return re.sub(r"(\d+\.\d+)(?= (cup|tbsp|tsp|ml|drop|spray))", said, text)
