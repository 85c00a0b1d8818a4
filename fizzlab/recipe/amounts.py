"""Grams of each ingredient, shares, scaling to moulds, cost and the maker's own limits."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import pandas as pd

from fizzlab.errors import CannotAnswer
from fizzlab.recipe.chemistry import Balance, balance
from fizzlab.recipe.ingredients import Ingredient, Recipe
from fizzlab.recipe.units import Density, Span, density_of, to_grams, to_ml, top_up


@dataclass(frozen=True)
class Weighed:
    """One ingredient in grams.

    Parameters
    ----------
    ingredient : Ingredient
        What it is.
    grams : Span
        Low, typical, high.
    from_volume : bool
        Whether the grams come from a cup, spoon or dropper rather than a scale.
    source : str
        Where the conversion comes from; empty when the amount is a mass.
    """

    ingredient: Ingredient
    grams: Span
    from_volume: bool
    source: str


def weigh_out(recipe: Recipe) -> tuple[Weighed, ...]:
    """Return every ingredient in grams, with bounds where it is measured by volume.

    Raises
    ------
    ValueError
        If the recipe still has rules; `for_run` applies them.
    BadInput, CannotAnswer
        If a volume has no density, or a top-up does not fit.

    Examples
    --------
    >>> from fizzlab.recipe.units import parse_quantity
    >>> soda = Ingredient("soda", "sodium bicarbonate", parse_quantity("1/2 cup"))
    >>> print(weigh_out(Recipe("plain", (soda,)))[0].grams)
    110 (88.3 to 132)
    """
    if recipe.rules:
        raise ValueError("apply the rules first, with for_run")
    return tuple(_weigh(item, recipe) for item in recipe.ingredients)


def _weigh(item: Ingredient, recipe: Recipe) -> Weighed:
    if item.amount.dimension == "mass":
        return Weighed(item, to_grams(item.amount), from_volume=False, source="")
    if item.top_up_after is not None:
        first = recipe.ingredient(item.top_up_after)
        if first.amount.dimension == "mass":
            raise CannotAnswer(
                f"{item.name} fills up a spoon after {first.name}, which is given as a mass.",
                f"Give {first.name} as a volume or in drops, or {item.name} as an amount of its own.",
            )
        millilitres = top_up(item.amount, first.amount, first.drops)
        density = _density(item)
        return Weighed(item, millilitres.times(density.g_per_ml), from_volume=True, source=density.source)
    own_fits = item.own is not None and item.own.quantity.dimension == item.amount.dimension
    if own_fits:
        return Weighed(item, to_grams(item.amount, own=item.own), from_volume=True, source="own weighing")
    density = _density(item)
    source = density.source
    if item.amount.dimension == "drops":
        source += f"; drops: {item.drops.source}"
    return Weighed(item, to_grams(item.amount, density, drops=item.drops), from_volume=True, source=source)


def _density(item: Ingredient) -> Density:
    return item.density or density_of(item.kind, key=item.name)


def shares(recipe: Recipe, *, after_drying: bool = False) -> dict[str, Span]:
    """Return per cent by mass of each ingredient, bounds included.

    An ingredient's low bound is its own low against everything else at its high, and the reverse.

    Parameters
    ----------
    recipe : Recipe
        Without rules.
    after_drying : bool
        Leave out what dries off (alcohol, water).

    Raises
    ------
    CannotAnswer
        If nothing (or nothing that stays) is in the batch.

    Examples
    --------
    >>> from fizzlab.recipe.units import parse_quantity
    >>> mix = Recipe("half", tuple(Ingredient(n, k, parse_quantity(a)) for n, k, a in [
    ...     ("soda", "sodium bicarbonate", "60 g"), ("acid", "citric acid", "30 g"),
    ...     ("alcohol", "isopropyl alcohol 91 %", "10 g")]))
    >>> print(shares(mix)["soda"], "|", shares(mix, after_drying=True)["soda"])
    60 | 66.7
    """
    kept = {
        weighed.ingredient.name: weighed.grams * (1 - weighed.ingredient.dries_off if after_drying else 1.0)
        for weighed in weigh_out(recipe)
    }
    total = sum(kept.values(), Span.exactly(0.0))
    if total.typical <= 0:
        raise CannotAnswer("There is nothing in the batch that stays.", "Give amounts above zero.")
    result = {}
    for name, grams in kept.items():
        share = 100 * grams.typical / total.typical
        others = [other for key, other in kept.items() if key != name]
        rest_high = math.fsum(other.high for other in others)
        rest_low = math.fsum(other.low for other in others)
        low = 100 * grams.low / (grams.low + rest_high) if grams.low + rest_high else 0.0
        high = 100 * grams.high / (grams.high + rest_low) if grams.high + rest_low else 0.0
        if grams.is_exact and all(other.is_exact for other in others):
            low = high = share
        result[name] = Span(min(low, share), share, max(high, share))
    return result


def batch_mass(recipe: Recipe, *, after_drying: bool = False) -> Span:
    """Return the mass of the whole batch in grams, as mixed or once dry."""
    total = Span.exactly(0.0)
    for weighed in weigh_out(recipe):
        total = total + weighed.grams * (1 - weighed.ingredient.dries_off if after_drying else 1.0)
    return total


def amounts_table(recipe: Recipe) -> pd.DataFrame:
    """Return one row an ingredient, in order: what a bench sheet prints.

    Columns: ingredient, role, as_written, grams, low_g, high_g, pct, pct_dry, from_volume, source.
    """
    wet, dry = shares(recipe), shares(recipe, after_drying=True)
    return pd.DataFrame(
        [
            {
                "ingredient": weighed.ingredient.name,
                "role": weighed.ingredient.job,
                "as_written": _as_written(weighed.ingredient),
                "grams": weighed.grams.typical,
                "low_g": weighed.grams.low,
                "high_g": weighed.grams.high,
                "pct": wet[weighed.ingredient.name].typical,
                "pct_dry": dry[weighed.ingredient.name].typical,
                "from_volume": weighed.from_volume,
                "source": weighed.source,
            }
            for weighed in weigh_out(recipe)
        ]
    )


def _as_written(item: Ingredient) -> str:
    if item.top_up_after is not None:
        return f"up to {item.amount} with {item.top_up_after}"
    return str(item.amount)


def fizz_balance(recipe: Recipe) -> Balance:
    """Return soda against acid for the recipe, with bounds.

    Raises
    ------
    CannotAnswer
        If the recipe has no soda or no acid.

    Examples
    --------
    >>> from fizzlab.recipe.units import parse_quantity
    >>> mix = Recipe("equal cups", (
    ...     Ingredient("soda", "sodium bicarbonate", parse_quantity("1/2 cup")),
    ...     Ingredient("acid", "citric acid", parse_quantity("1/2 cup"))))
    >>> fizz_balance(mix).typical.limiting, fizz_balance(mix).certain
    ('soda', False)
    """
    soda = Span.exactly(0.0)
    acids: dict[str, Span] = {}
    for weighed in weigh_out(recipe):
        if weighed.ingredient.job == "soda":
            soda = soda + weighed.grams
        elif weighed.ingredient.job == "acid" and weighed.grams.typical > 0:
            kind = weighed.ingredient.kind
            acids[kind] = acids.get(kind, Span.exactly(0.0)) + weighed.grams
    if soda.typical <= 0 or not acids:
        raise CannotAnswer(
            "There is no fizz to work out without both soda and acid.",
            "Give sodium bicarbonate and an acid their kinds and amounts.",
        )
    return balance(soda, acids)


def scale(recipe: Recipe, factor: float) -> Recipe:
    """Return the recipe with every amount multiplied.

    Raises
    ------
    ValueError
        If the factor is not above zero.

    Examples
    --------
    >>> from fizzlab.recipe.units import parse_quantity
    >>> one = Recipe("one", (Ingredient("soda", "sodium bicarbonate", parse_quantity("1/2 cup")),))
    >>> print(scale(one, 3).ingredients[0].amount)
    1.5 cup
    """
    if not factor > 0 or not math.isfinite(factor):
        raise ValueError("a recipe is scaled by a number above zero")
    return replace(
        recipe,
        ingredients=tuple(replace(item, amount=item.amount * factor) for item in recipe.ingredients),
    )


def scale_to_mass(recipe: Recipe, grams: float) -> Recipe:
    """Return the recipe scaled so that the batch as mixed typically weighs so many grams."""
    return scale(recipe, grams / batch_mass(recipe).typical)


@dataclass(frozen=True)
class Mould:
    """A mould, by what a piece out of it weighs.

    Parameters
    ----------
    name : str
        As the maker calls it.
    piece_g : float
        Mass of mix that one mould takes, packed.
    """

    name: str
    piece_g: float

    def __post_init__(self) -> None:
        if not self.piece_g > 0 or not math.isfinite(self.piece_g):
            raise ValueError("a piece must weigh something")

    @classmethod
    def of_volume(cls, name: str, ml: float, packed_g_per_ml: float) -> Mould:
        """Return a mould from its volume and the density of the packed mix, both measured.

        Fill it with water on the scale for the volume; weigh one packed piece for the density.

        Examples
        --------
        >>> round(Mould.of_volume("half sphere", sphere_ml(6) / 2, 1.2).piece_g, 1)
        67.9
        """
        return cls(name, ml * packed_g_per_ml)


def sphere_ml(diameter_cm: float) -> float:
    """Return the volume of a whole sphere in millilitres, pi d³ / 6."""
    return math.pi * diameter_cm**3 / 6


def pieces_from(recipe: Recipe, mould: Mould) -> Span:
    """Return how many pieces the batch typically fills, and bounds; not rounded."""
    mass = batch_mass(recipe)
    return mass * (1 / mould.piece_g)


def fit_pieces(recipe: Recipe, mould: Mould, pieces: int, *, spare: float = 0.05) -> Recipe:
    """Return the recipe scaled to fill so many moulds, with a share to spare for what sticks.

    Raises
    ------
    ValueError
        If there is no piece or `spare` is negative.
    """
    if pieces < 1 or spare < 0:
        raise ValueError("at least one piece, and no negative spare")
    return scale_to_mass(recipe, pieces * mould.piece_g * (1 + spare))


@dataclass(frozen=True)
class Cost:
    """What a batch costs in ingredients.

    Parameters
    ----------
    batch, piece : Span
        In the maker's currency; `piece` includes `extras_each`.
    unpriced : tuple of str
        Ingredients without a price, which are not in the sum.
    """

    batch: Span
    piece: Span
    unpriced: tuple[str, ...]


def cost(recipe: Recipe, pieces: int, *, extras_each: float = 0.0) -> Cost:
    """Return ingredient cost a batch and a piece.

    An ingredient and its pack in the same sort of measure are compared directly (spoons out of
    a litre need no density); otherwise by grams.

    Parameters
    ----------
    recipe : Recipe
        Without rules.
    pieces : int
        How many pieces the batch made.
    extras_each : float
        Wrapping and the like, a piece.

    Examples
    --------
    >>> from fizzlab.recipe import Price
    >>> from fizzlab.recipe.units import Quantity
    >>> soda = Ingredient("soda", "sodium bicarbonate", Quantity(200, "g"),
    ...                   price=Price(5.0, Quantity(1, "kg")))
    >>> print(cost(Recipe("plain", (soda,)), pieces=4).piece)
    0.25
    """
    if pieces < 1 or extras_each < 0:
        raise ValueError("at least one piece, and no negative extras")
    total = Span.exactly(0.0)
    unpriced = []
    for weighed in weigh_out(recipe):
        item = weighed.ingredient
        if item.price is None:
            unpriced.append(item.name)
            continue
        pack = item.price.pack
        if pack.dimension == "volume" and item.amount.dimension == "volume" and not item.top_up_after:
            used = to_ml(item.amount) * (1 / to_ml(pack).typical)
        else:
            own_fits = item.own is not None and item.own.quantity.dimension == pack.dimension
            density = None if own_fits or pack.dimension == "mass" else _density(item)
            in_pack = to_grams(pack, density, own=item.own, drops=item.drops)
            used = weighed.grams * (1 / in_pack.typical)
        total = total + used * item.price.money
    each = total * (1 / pieces) + Span.exactly(extras_each)
    return Cost(total, each, tuple(unpriced))


SELLING_NOTE = (
    "Which colours and amounts a bath product may have is set by the cosmetic "
    "rules of the place where it is sold and judged by a qualified safety assessor, not by this sheet."
)

SAFETY_NOTE = f"These limits are your own. {SELLING_NOTE}"


@dataclass(frozen=True)
class OverLimit:
    """An ingredient above the limit that the maker set for it.

    Parameters
    ----------
    ingredient : str
        Its name.
    limit_pct : float
        The maker's limit, per cent by mass.
    pct : Span
        What is in it.
    certain : bool
        Whether even the low bound is above the limit.
    """

    ingredient: str
    limit_pct: float
    pct: Span
    certain: bool

    def __str__(self) -> str:
        verb = "is" if self.pct.typical > self.limit_pct else "could be"
        said = f"{self.ingredient} {verb} above your limit of {self.limit_pct:g} %: {self.pct} % by mass."
        return said if self.certain else said + " It is measured by volume; weigh it to know."


def over_limits(recipe: Recipe, *, after_drying: bool = True) -> tuple[OverLimit, ...]:
    """Return the ingredients above, or possibly above, the limits that the maker stated.

    By default against the dry piece, where a share is highest. No legal verdict: print
    `SAFETY_NOTE` beside it.

    Examples
    --------
    >>> from fizzlab.recipe.units import Quantity
    >>> mix = Recipe("bold", (
    ...     Ingredient("soda", "sodium bicarbonate", Quantity(95, "g")),
    ...     Ingredient("blue lake", "lake pigment", Quantity(5, "g"), max_pct=2)))
    >>> print(over_limits(mix)[0])
    blue lake is above your limit of 2 %: 5 % by mass.
    """
    share = shares(recipe, after_drying=after_drying)
    found = []
    for item in recipe.ingredients:
        if item.max_pct is None:
            continue
        pct = share[item.name]
        if pct.high > item.max_pct:
            found.append(OverLimit(item.name, item.max_pct, pct, certain=pct.low > item.max_pct))
    return tuple(found)


def doubts(recipe: Recipe) -> tuple[str, ...]:
    """Return what a maker should know about the numbers of this recipe, in plain sentences."""
    weighed = weigh_out(recipe)
    said = []
    scooped = [item.ingredient.name for item in weighed if item.from_volume and _is_powder(item)]
    if scooped:
        said.append(
            f"Measured by volume, the mass of {_listed(scooped)} can differ by a fifth or more from scoop to "
            "scoop. Weigh it, or weigh your own level spoon once and give that."
        )
    guessed = [
        item.ingredient.name
        for item in weighed
        if item.from_volume
        and item.ingredient.density is None
        and item.source != "own weighing"
        and density_of(item.ingredient.kind).origin != "seen"
    ]
    if guessed:
        said.append(f"No published density was found for {_listed(guessed)}: those grams are a guess.")
    colours = [item.ingredient for item in weighed if item.ingredient.job == "colour"]
    if colours and not any(item.ingredient.job == "emulsifier" for item in weighed):
        said.append(
            "There is colour but no emulsifier: without one, colour can stain the tub and pigment can float."
        )
    return tuple(said)


def _is_powder(weighed: Weighed) -> bool:
    item = weighed.ingredient
    if item.job in ("soda", "acid", "starch", "salt"):
        return True
    return item.kind in ("mica pigment", "lake pigment")


def _listed(names: Sequence[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"
