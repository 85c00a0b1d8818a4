"""Grams of each ingredient, shares, soda against acid, cost, the maker's own limits, and doubts."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal

import numpy as np
import pandas as pd

from fizzlab.errors import cannot
from fizzlab.language import listed, say
from fizzlab.measures import number
from fizzlab.recipe.chemistry import Balance, balance
from fizzlab.recipe.ingredients import Ingredient, Recipe
from fizzlab.recipe.steps import stock_into
from fizzlab.recipe.units import COUNTED, Density, Span, density_of, to_grams, to_ml, top_up


@dataclass(frozen=True)
class Portion:
    """One ingredient in grams: from a cup, spoon or dropper, or a scale; was its density guessed?"""

    ingredient: Ingredient
    grams: Span
    from_volume: bool
    guessed: bool

    @property
    def dry(self) -> Span:
        """Grams that are left once the piece is dry."""
        return self.grams * (1 - self.ingredient.dries_off)

    @property
    def written(self) -> str:
        """The amount in the measure that it was given in."""
        item = self.ingredient
        after, amount = item.top_up_after, str(item.amount)
        return say("topped_up", amount=amount, after=after) if after else amount


def weigh_out(recipe: Recipe) -> tuple[Portion, ...]:
    """Every ingredient of a recipe without rules in grams, with bounds where it is measured by volume.

    A volume without a density, or a top-up that does not fit, raises BadInput or CannotAnswer.
    """
    if recipe.rules:
        raise ValueError("apply the rules first, with for_run")
    return tuple(_weigh(item, recipe) for item in recipe.ingredients)


def density_needed(item: Ingredient) -> Density | None:
    """The density by which an ingredient's amount becomes grams; None for a mass or an own weighing."""
    weighed = item.own is not None and item.own.quantity.dimension == item.amount.dimension
    if item.amount.dimension == "mass" or (weighed and item.top_up_after is None):
        return None
    return item.density or density_of(item.kind, key=item.name)


def _weigh(item: Ingredient, recipe: Recipe) -> Portion:
    density = density_needed(item)
    if density is None or item.amount.dimension == "mass":
        volume = item.amount.dimension != "mass"
        return Portion(item, to_grams(item.amount, own=item.own), volume, guessed=False)
    if item.top_up_after is not None:
        first = recipe.ingredient(item.top_up_after)
        if first.amount.dimension == "mass":
            raise cannot("topped_on_mass", item=item.name, first=first.name)
        millilitres = top_up(item.amount, first.amount, first.counted.get(first.amount.dimension))
    else:
        millilitres = to_ml(item.amount, item.counted.get(item.amount.dimension))
    guessed = item.density is None and not density.seen
    return Portion(item, millilitres.times(density.g_per_ml), True, guessed)


def shares(recipe: Recipe) -> dict[str, Span]:
    """Per cent by mass of each ingredient in the dry piece.

    An ingredient's low bound is its own low against everything else at its high, and the reverse. A batch of
    which nothing stays raises CannotAnswer.
    """
    kept = {each.ingredient.name: each.dry for each in weigh_out(recipe)}
    total = sum(kept.values(), Span.exactly(0.0))
    if total.typical <= 0:
        raise cannot("nothing_stays")
    found = {}
    for name, grams in kept.items():
        share = 100 * grams.typical / total.typical
        if total.is_exact:
            found[name] = Span.exactly(share)
            continue
        low, high = grams.low + total.high - grams.high, grams.high + total.low - grams.low
        ends = (
            100 * part / whole if whole else 0.0 for part, whole in ((grams.low, low), (grams.high, high))
        )
        found[name] = Span.around(next(ends), share, next(ends))
    return found


def batch_mass(recipe: Recipe) -> Span:
    """The mass of the whole batch as mixed, in grams."""
    return sum((each.grams for each in weigh_out(recipe)), Span.exactly(0.0))


def fizz_balance(recipe: Recipe) -> Balance:
    """Soda against acid, with bounds; a recipe without one of the two raises CannotAnswer."""
    soda = Span.exactly(0.0)
    acids: dict[str, Span] = {}
    for each in weigh_out(recipe):
        if each.ingredient.job == "soda":
            soda = soda + each.grams
        elif each.ingredient.job == "acid" and each.grams.typical > 0:
            kind = each.ingredient.kind
            acids[kind] = acids.get(kind, Span.exactly(0.0)) + each.grams
    if soda.typical <= 0 or not acids:
        raise cannot("no_fizz")
    return balance(soda, acids)


def scale(recipe: Recipe, factor: float) -> Recipe:
    """The recipe with every amount multiplied by a number above zero."""
    if not factor > 0 or not math.isfinite(factor):
        raise ValueError("a recipe is scaled by a number above zero")
    items = tuple(replace(item, amount=item.amount * factor) for item in recipe.ingredients)
    return replace(recipe, ingredients=items, scaled=recipe.scaled * factor)


@dataclass(frozen=True)
class Cost:
    """What a batch and a piece cost in ingredients, and which ingredients have no price and are not in it."""

    batch: Span
    piece: Span
    unpriced: tuple[str, ...]


def costs(recipe: Recipe) -> Iterator[tuple[Portion, Span | None]]:
    """Each ingredient of a batch, and how much of its pack it takes; None where it has no price.

    An ingredient and its pack in the same sort of measure are compared directly (spoons out of a litre need
    no density); otherwise by grams.
    """
    for each in weigh_out(recipe):
        item, used = each.ingredient, None
        if item.price is not None:
            pack = item.price.pack
            if pack.dimension == item.amount.dimension == "volume" and not item.top_up_after:
                used = to_ml(item.amount) * (1 / to_ml(pack).typical)
            else:
                density = density_needed(replace(item, amount=pack, top_up_after=None))
                one = item.counted.get(pack.dimension)
                used = each.grams * (1 / to_grams(pack, density, own=item.own, one=one).typical)
        yield each, used


def cost(recipe: Recipe, pieces: int) -> Cost:
    """Ingredient cost in the maker's currency of a batch that made so many pieces."""
    if pieces < 1:
        raise ValueError("at least one piece")
    total, unpriced = Span.exactly(0.0), []
    for each, used in costs(recipe):
        if each.ingredient.price is None or used is None:
            unpriced.append(each.ingredient.name)
        else:
            total = total + used * each.ingredient.price.money
    return Cost(total, total * (1 / pieces), tuple(unpriced))


def shopping(recipes: Iterable[Recipe]) -> pd.DataFrame:
    """What some batches take: a row an ingredient, with grams at most, and packs, their price and money used.

    Those three are missing, and `pack` is empty, where no price is stated.
    """
    rows = [
        (each.ingredient, each.grams.high, *((used.high, used.typical) if used else (math.nan,) * 2))
        for recipe in recipes
        for each, used in costs(recipe)
    ]
    table = pd.DataFrame(rows, columns=["item", "grams", "most", "used"])
    table["ingredient"] = [item.name for item in table["item"]]
    table["pack"] = [str(item.price.pack) if item.price else "" for item in table["item"]]
    table["price"] = [item.price.money if item.price else math.nan for item in table["item"]]
    found = table.groupby(["ingredient", "pack"], sort=False).agg(
        grams=("grams", "sum"), most=("most", "sum"), used=("used", "sum"), price=("price", "first")
    )
    packs = np.ceil(found["most"] - 0.01)  # a hundredth of a pack more is not bought
    found = found.assign(packs=packs, used=found["used"] * found["price"], price=packs * found["price"])
    return found[found["grams"] > 0].drop(columns="most").reset_index()


def over_limits(recipe: Recipe) -> list[str]:
    """What is above, or possibly above, the limits that the maker stated, in the dry piece, a sentence each.

    No legal verdict: print the text `own_limits` beside it.
    """
    said = []
    for name, pct in shares(recipe).items():
        limit = recipe.ingredient(name).max_pct
        if limit is not None and pct.high > limit:
            sure = "maybe" if pct.typical <= limit else "likely" if pct.low <= limit else "sure"
            said.append(say(f"limit_{sure}", name=name, limit=limit, pct=pct))
    return said


def doubts(recipes: Sequence[Recipe]) -> tuple[str, ...]:
    """What a maker should know about the numbers of these batches, in plain sentences."""
    batches = [[each for each in weigh_out(one) if each.ingredient.amount.amount > 0] for one in recipes]
    every = {each.ingredient.name: each for batch in batches for each in batch}
    said = []
    scooped = [
        item.name
        for item in (each.ingredient for each in every.values() if each.from_volume)
        if item.job in ("soda", "acid", "starch", "salt") or item.kind in ("mica pigment", "lake pigment")
    ]
    if scooped:
        said.append(say("scooped", names=listed(scooped)))
    for what, one in COUNTED.items():
        items = [each.ingredient for each in every.values() if each.ingredient.amount.dimension == what]
        unknown = [item.name for item in items if item.own is None and what not in item.counted]
        if unknown:
            said.append(say(f"{what}_assumed", names=listed(unknown), ml=one))
    kinds = {name: each.ingredient.kind for name, each in every.items() if each.guessed}
    if kinds:
        named = listed([name if kind in name else f"{kind} ({name})" for name, kind in kinds.items()])
        said.append(say("density_guessed", names=named))
    jobs = [{each.ingredient.job for each in batch} for batch in batches]
    if any("colour" in some and "emulsifier" not in some for some in jobs):
        said.append(say("no_emulsifier"))
    return tuple(said)


def on_scale(grams: float, step_g: float) -> str:
    """Grams as a scale shows them; what is less than half a step in two digits.

    >>> on_scale(12.4567, 0.1), on_scale(611.27, 1), on_scale(0.02, 0.1), on_scale(3.3, 0.25)
    ('12.5', '611', '0.020', '3.25')
    """
    steps = round(grams / step_g)
    return f"{steps * Decimal(f'{step_g:g}'):f}" if steps else number(grams)


def too_little(recipes: Sequence[Recipe], step_g: float) -> list[str]:
    """What is under ten steps of the scale, so that rounding can miss by a twentieth, and what to do."""
    batches = [{each.ingredient.name: each.grams.typical for each in weigh_out(recipe)} for recipe in recipes]
    items = {item.name: item for recipe in recipes for item in recipe.ingredients}
    said = []
    for name, item in items.items():
        few = [batch for batch in batches if 0 < batch.get(name, 0) < 9.999 * step_g]
        if not few or item.amount.dimension in COUNTED:  # drops and sprays are counted, not weighed
            continue
        least = min(batch[name] for batch in few)
        times = math.ceil(10 * step_g / least - 1e-6)
        parts = 10 ** math.ceil(math.log10(times))
        stock = [
            other
            for other in items
            if other != name and items[other].job in stock_into(item)
            if all(batch.get(other, 0) > parts * batch[name] for batch in few)
        ]
        told = {"grams": number(least), "name": name, "step": step_g, "times": times, "parts": parts}
        says, other = ("too_little_stock", stock[0]) if stock else ("too_little", "")
        said.append(say(says, **told, rest=parts - 1, other=other))
    return said
