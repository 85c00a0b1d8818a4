"""The sheet to work from: one HTML page to print, with a card a batch and blind pages for the scorers.

The words of the page stand in ``templates/bench_sheet.html``.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from fractions import Fraction
from typing import Any, NamedTuple

from fizzlab.bench.cards import Cards, RunCard, in_code_order
from fizzlab.errors import capital, listed
from fizzlab.measures import BLIND, NOTE, PIECE, RATER, RUN, Column, number
from fizzlab.recipe.amounts import SAFETY_NOTE, SELLING_NOTE
from fizzlab.recipe.steps import bench_steps, cautions
from fizzlab.trial.settings import PlanSettings, TrialSettings

#: Columns of one grid of blanks that still leave room to write on a sheet of A4 or US Letter.
BLANKS_ACROSS = 10

#: Seconds at which to read the scale while a piece fizzes, and on, so that drying up is told from gas.
FIZZ_SECONDS = (0, 10, 20, 30, 40, 50, 60, 75, 90, 120, 150, 180, 210, 240, 270, 300)

#: Cups of each batch that are weighed as they fizz.
FIZZ_CUPS = 2


class Blanks(NamedTuple):
    """A grid to write the readings of a table in; the first column holds `rows`."""

    table: str
    title: str
    heads: tuple[str, ...]
    rows: tuple[str, ...]


def bench_sheet(settings: TrialSettings, plan: PlanSettings, cards: Cards, statements: Sequence[str]) -> str:
    """The sheet as one self-contained HTML page; `statements` are what the plan can and cannot tell."""
    from jinja2 import Environment, PackageLoader, StrictUndefined

    environment = Environment(
        loader=PackageLoader("fizzlab.bench"), autoescape=True, undefined=StrictUndefined
    )
    recipes = [card.recipe for card in cards.cards if card.recipe is not None]
    limits = any(item.max_pct is not None for one in recipes for item in one.ingredients)
    return environment.get_template("bench_sheet.html").render(
        trial=settings,
        plan=plan,
        statements=statements,
        doubts=cards.doubts,
        factors=[settings.label(name) for name in settings.factors],
        scaled=number(cards.scaled, 3) if cards.scaled != 1 else "",
        cards=cards.cards,
        amounts={card.run: list(_amounts(card)) for card in cards.cards},
        steps={card.run: list(_steps(card)) for card in cards.cards},
        blanks=readings_blanks(settings, plan),
        codes=in_code_order(cards.cards),
        recipes=recipes,
        note=SAFETY_NOTE if limits else SELLING_NOTE,
    )


def readings_blanks(settings: TrialSettings, plan: PlanSettings) -> tuple[Blanks, ...]:
    """The grids of one batch, for the tables that are wanted; scores have pages of their own."""
    found: list[Blanks] = []
    pieces = tuple(f"piece {piece}" for piece in range(1, plan.pieces + 1))
    readers: tuple[str, ...] = ("batch",)
    if plan.again:
        pieces = readers = tuple(f"{piece}, {who}" for piece, who in plan.readers())
    for name, spec in settings.tables().items():
        named = {column.name for column in spec.columns}
        if name not in plan.tables or RUN.name not in named or BLIND.name in spec.planned:
            continue
        asked = [each for each in spec.columns if each not in (RUN, PIECE, RATER, NOTE)]
        title, by_piece = capital(spec.meaning), PIECE.name in named
        if spec.time:
            clock = spec.time == "hours"
            before = [each for each in asked if each.name in spec.planned and each.name != spec.time]
            times = (
                [f"{hour:g} h" for hour in plan.look_hours(name)]
                if clock
                else [f"{at} s" for at in FIZZ_SECONDS]
            )
            rows = ("clock", *pieces) if clock else pieces if plan.again else pieces[:FIZZ_CUPS]
            found += _in_time(name, title, [] if clock else [_head(each) for each in before], times, rows)
        else:
            heads = [_head(each) for each in asked if each.required or spec.key]
            again = by_piece and not spec.key  # a piece is tried again and again
            heads = heads * 3 if again else [*heads, "note"]
            found.append(Blanks(name, title, ("", *heads), pieces if by_piece else readers))
    return tuple(found)


def _head(column: Column) -> str:
    return f"{column.titled}? y/n" if column.kind == "yes_no" else column.titled


def _in_time(
    table: str, title: str, before: Sequence[str], times: Sequence[str], rows: tuple[str, ...]
) -> Iterator[Blanks]:
    """Grids of at most `BLANKS_ACROSS` times, as even as can be."""
    grids = -(-(len(before) + len(times)) // BLANKS_ACROSS)
    each = -(-len(times) // grids)
    for first in range(0, len(times), each):
        heads = ("", *(() if first else before), *times[first : first + each])
        yield Blanks(table, f"{title} (later)" if first else title, heads, rows)


def _amounts(card: RunCard) -> Iterator[dict[str, str]]:
    amounts = card.amounts
    for row in [] if amounts is None else amounts.to_dict("records"):
        spread = row["from_volume"] and row["high_g"] > row["low_g"]
        yield {
            "name": row["ingredient"],
            "grams": number(row["grams"], 3),
            "measure": kitchen(row["as_written"]) if row["from_volume"] else "",
            "bounds": f"{number(row['low_g'], 3)} to {number(row['high_g'], 3)}" if spread else "",
        }


def _steps(card: RunCard) -> Iterator[dict[str, Any]]:
    """The steps, each with its cautions; one that stood before is only called to mind."""
    grams = {row["name"]: row["grams"] for row in _amounts(card)}
    told: dict[str, int] = {}
    warned = cautions(card.recipe) if card.recipe else ()
    for place, step in enumerate(bench_steps(card.recipe) if card.recipe else (), start=1):
        beside: list[str] = []
        again: dict[int, list[str]] = {}
        for caution in warned:
            if step.key in caution.steps and (caution.because_of or caution.key == "damp store"):
                if caution.key in told:
                    again.setdefault(told[caution.key], []).append(caution.key)
                else:
                    beside.append(caution.say)
                    told[caution.key] = place
        yield {
            "do": step.do,
            "why": step.why,
            "what": ", ".join(f"{name} {grams[name]} g" for name in step.ingredients),
            "cautions": beside,
            "again": "; ".join(f"{listed(keys)} (see step {first})" for first, keys in again.items()),
        }


def kitchen(text: str) -> str:
    """Write the decimals of a kitchen measure as the fractions on the spoons, where they are such.

    >>> kitchen("0.5 cup"), kitchen("up to 2.25 tsp with dye"), kitchen("1.236733 cup")
    ('1/2 cup', 'up to 2 1/4 tsp with dye', '1.24 cup')
    """

    def said(found: re.Match[str]) -> str:
        value = float(found[0])
        near = Fraction(value).limit_denominator(8)
        whole, rest = divmod(near.numerator, near.denominator)
        if near.denominator not in (2, 3, 4, 8) or abs(near - value) > 1e-3 * value:
            return number(value, 3)
        return f"{whole or ''} {rest}/{near.denominator}".strip()

    return re.sub(r"\d+\.\d+(?= (cup|tbsp|tsp))", said, text)
