"""Grams of each ingredient, shares, soda against acid, cost, the maker's own limits, and doubts."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import pandas as pd

from fizzlab.errors import CannotAnswer, listed
from fizzlab.recipe.chemistry import Balance, balance
from fizzlab.recipe.ingredients import Ingredient, Recipe
from fizzlab.recipe.units import Density, Span, density_of, to_grams, to_ml, top_up

SELLING_NOTE = (
    "Which colours and amounts a bath product may have is set by the cosmetic "
    "rules of the place where it is sold and judged by a qualified safety assessor, not by this sheet."
)

SAFETY_NOTE = f"These limits are your own. {SELLING_NOTE}"


@dataclass(frozen=True)
class Weighed:
    """One ingredient in grams: from a cup, spoon or dropper, or a scale, and where the conversion is from."""

    ingredient: Ingredient
    grams: Span
    from_volume: bool
    source: str

    @property
    def dry(self) -> Span:
        """Grams that are left once the piece is dry."""
        return self.grams * (1 - self.ingredient.dries_off)


def weigh_out(recipe: Recipe) -> tuple[Weighed, ...]:
    """Every ingredient of a recipe without rules in grams, with bounds where it is measured by volume.

    A volume without a density, or a top-up that does not fit, raises BadInput or CannotAnswer.

    Examples
    --------
    >>> from fizzlab.recipe.units import Quantity
    >>> soda = Ingredient("soda", "sodium bicarbonate", Quantity(0.5, "cup"))
    >>> print(weigh_out(Recipe("plain", (soda,)))[0].grams)
    110 (88.3 to 132)
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


def _weigh(item: Ingredient, recipe: Recipe) -> Weighed:
    density = density_needed(item)
    if density is None or item.amount.dimension == "mass":
        volume = item.amount.dimension != "mass"
        return Weighed(item, to_grams(item.amount, own=item.own), volume, "own weighing" if volume else "")
    source = density.source
    if item.top_up_after is not None:
        first = recipe.ingredient(item.top_up_after)
        if first.amount.dimension == "mass":
            raise CannotAnswer(
                f"{item.name} fills up a spoon after {first.name}, which is given as a mass.",
                f"Give {first.name} as a volume or in drops, or {item.name} as an amount of its own.",
            )
        millilitres = top_up(item.amount, first.amount, first.drops)
    else:
        millilitres = to_ml(item.amount, item.drops)
        if item.amount.dimension == "drops":
            source += f"; drops: {item.drops.source}"
    return Weighed(item, millilitres.times(density.g_per_ml), True, source)


def shares(recipe: Recipe, *, after_drying: bool = False) -> dict[str, Span]:
    """Per cent by mass of each ingredient; `after_drying`, without what dries off.

    An ingredient's low bound is its own low against everything else at its high, and the reverse. A batch of
    which nothing stays raises CannotAnswer.
    """
    kept = {each.ingredient.name: each.dry if after_drying else each.grams for each in weigh_out(recipe)}
    total = math.fsum(grams.typical for grams in kept.values())
    if total <= 0:
        raise CannotAnswer("There is nothing in the batch that stays.", "Give amounts above zero.")
    found = {}
    for name, grams in kept.items():
        share = 100 * grams.typical / total
        others = [other for key, other in kept.items() if key != name]
        if grams.is_exact and all(other.is_exact for other in others):
            found[name] = Span.exactly(share)
            continue
        low = _percent(grams.low, math.fsum(other.high for other in others))
        high = _percent(grams.high, math.fsum(other.low for other in others))
        found[name] = Span(min(low, share), share, max(high, share))
    return found


def _percent(part: float, rest: float) -> float:
    return 100 * part / (part + rest) if part + rest else 0.0


def batch_mass(recipe: Recipe) -> Span:
    """The mass of the whole batch as mixed, in grams."""
    return sum((each.grams for each in weigh_out(recipe)), Span.exactly(0.0))


def amounts_table(recipe: Recipe) -> pd.DataFrame:
    """One row an ingredient, in order: what a bench sheet prints.

    Columns: ingredient, role, as_written, grams, low_g, high_g, pct, pct_dry, from_volume, source.
    """
    wet, dry = shares(recipe), shares(recipe, after_drying=True)
    rows = []
    for each in weigh_out(recipe):
        item, grams = each.ingredient, each.grams
        written = str(item.amount)
        if item.top_up_after is not None:
            written = f"up to {written} with {item.top_up_after}"
        rows.append(
            {
                "ingredient": item.name,
                "role": item.job,
                "as_written": written,
                "grams": grams.typical,
                "low_g": grams.low,
                "high_g": grams.high,
                "pct": wet[item.name].typical,
                "pct_dry": dry[item.name].typical,
                "from_volume": each.from_volume,
                "source": each.source,
            }
        )
    return pd.DataFrame(rows)


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
        raise CannotAnswer(
            "There is no fizz to work out without both soda and acid.",
            "Give sodium bicarbonate and an acid their kinds and amounts.",
        )
    return balance(soda, acids)


def scale(recipe: Recipe, factor: float) -> Recipe:
    """The recipe with every amount multiplied by a number above zero."""
    if not factor > 0 or not math.isfinite(factor):
        raise ValueError("a recipe is scaled by a number above zero")
    items = tuple(replace(item, amount=item.amount * factor) for item in recipe.ingredients)
    return replace(recipe, ingredients=items)


@dataclass(frozen=True)
class Cost:
    """What a batch and a piece cost in ingredients, and which ingredients have no price and are not in it."""

    batch: Span
    piece: Span
    unpriced: tuple[str, ...]


def cost(recipe: Recipe, pieces: int) -> Cost:
    """Ingredient cost in the maker's currency of a batch that made so many pieces.

    An ingredient and its pack in the same sort of measure are compared directly (spoons out of a litre need
    no density); otherwise by grams.

    Examples
    --------
    >>> from fizzlab.recipe import Price
    >>> from fizzlab.recipe.units import Quantity
    >>> price = Price(5.0, Quantity(1, "kg"))
    >>> soda = Ingredient("soda", "sodium bicarbonate", Quantity(200, "g"), price=price)
    >>> print(cost(Recipe("plain", (soda,)), pieces=4).piece)
    0.25
    """
    if pieces < 1:
        raise ValueError("at least one piece")
    total, unpriced = Span.exactly(0.0), []
    for each in weigh_out(recipe):
        item = each.ingredient
        if item.price is None:
            unpriced.append(item.name)
            continue
        pack = item.price.pack
        if pack.dimension == item.amount.dimension == "volume" and not item.top_up_after:
            used = to_ml(item.amount) * (1 / to_ml(pack).typical)
        else:
            density = density_needed(replace(item, amount=pack, top_up_after=None))
            used = each.grams * (1 / to_grams(pack, density, own=item.own, drops=item.drops).typical)
        total = total + used * item.price.money
    return Cost(total, total * (1 / pieces), tuple(unpriced))


@dataclass(frozen=True)
class OverLimit:
    """An ingredient above the maker's own limit; `certain` where even its low bound is."""

    ingredient: str
    limit_pct: float
    pct: Span
    certain: bool

    def __str__(self) -> str:
        verb = "is" if self.pct.typical > self.limit_pct else "could be"
        said = f"{self.ingredient} {verb} above your limit of {self.limit_pct:g} %: {self.pct} % by mass."
        return said if self.certain else said + " It is measured by volume; weigh it to know."


def over_limits(recipe: Recipe) -> tuple[OverLimit, ...]:
    """The ingredients above, or possibly above, the limits that the maker stated, in the dry piece.

    No legal verdict: print `SAFETY_NOTE` beside it.
    """
    share = shares(recipe, after_drying=True)
    return tuple(
        OverLimit(item.name, item.max_pct, share[item.name], certain=share[item.name].low > item.max_pct)
        for item in recipe.ingredients
        if item.max_pct is not None and share[item.name].high > item.max_pct
    )


def doubts(recipe: Recipe) -> tuple[str, ...]:
    """What a maker should know about the numbers of this recipe, in plain sentences."""
    weighed = weigh_out(recipe)
    said = []
    scooped = [each.ingredient.name for each in weighed if each.from_volume and _is_powder(each.ingredient)]
    if scooped:
        said.append(
            f"Measured by volume, the mass of {listed(scooped)} can differ by a fifth or more from scoop to "
            "scoop. Weigh it, or weigh your own level spoon once and give that."
        )
    guessed = [each.ingredient.name for each in weighed if _is_guess(each)]
    if guessed:
        said.append(f"No published density was found for {listed(guessed)}: those grams are a guess.")
    jobs = {each.ingredient.job for each in weighed}
    if "colour" in jobs and "emulsifier" not in jobs:
        said.append(
            "There is colour but no emulsifier: without one, colour can stain the tub and pigment can float."
        )
    return tuple(said)


def _is_powder(item: Ingredient) -> bool:
    return item.job in ("soda", "acid", "starch", "salt") or item.kind in ("mica pigment", "lake pigment")


def _is_guess(weighed: Weighed) -> bool:
    item = weighed.ingredient
    if not weighed.from_volume or item.density is not None or weighed.source == "own weighing":
        return False
    return density_of(item.kind).origin != "seen"
