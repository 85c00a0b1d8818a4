"""What goes into a batch, and how factors of a trial change it from run to run."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Literal

from fizzlab.errors import BadInput, Problem, nearest
from fizzlab.recipe.chemistry import ACIDS
from fizzlab.recipe.units import (
    DENSITIES,
    UNKNOWN_DROPPER,
    Density,
    DropSize,
    Measures,
    OwnWeighing,
    Quantity,
    canonical_kind,
    parse_quantity,
)

Role = Literal[
    "soda", "acid", "starch", "salt", "oil", "emulsifier", "alcohol", "water", "colour", "scent", "other"
]
Level = str | float

#: What each known kind is there for; isopropyl alcohol of any strength is "alcohol".
ROLES: Mapping[str, Role] = {
    "sodium bicarbonate": "soda",
    **dict.fromkeys(ACIDS, "acid"),
    "corn starch": "starch",
    "table salt": "salt",
    "epsom salt": "salt",
    **{kind: "oil" for kind in DENSITIES if kind.endswith(" oil") and kind != "fragrance oil"},
    "cocoa butter": "oil",
    "polysorbate 20": "emulsifier",
    "polysorbate 80": "emulsifier",
    "water": "water",
    "mica pigment": "colour",
    "lake pigment": "colour",
    "liquid dye": "colour",
    "fragrance oil": "scent",
}


@dataclass(frozen=True)
class Price:
    """The price of a pack in the maker's currency, and what is in it."""

    money: float
    pack: Quantity

    def __post_init__(self) -> None:
        if self.money < 0 or self.pack.amount <= 0:
            raise ValueError("a price must not be negative and a pack must hold something")


@dataclass(frozen=True)
class Ingredient:
    """One ingredient with its amount for one batch.

    Parameters
    ----------
    name : str
        As the maker calls it; unique within a recipe.
    kind : str
        A kind of `fizzlab.recipe.units.DENSITIES` or another name of one; else any word. Kept in its
        canonical spelling.
    amount : Quantity
        How much. With `top_up_after`, the total to fill up to.
    role : Role, optional
        From `ROLES` when left out, else "other".
    density, own, drops : optional
        The maker's own density, weighing and drop size; they replace the tables.
    volatile : float, optional
        Share of its mass that dries off; 1 for alcohol and water, else 0.
    max_pct : float, optional
        The most of it that the maker wants in the piece, per cent by mass.
    price : Price, optional
    top_up_after : str, optional
        Name of an ingredient: this one fills up to `amount` after that one is in the spoon.
    """

    name: str
    kind: str
    amount: Quantity
    role: Role | None = None
    density: Density | None = None
    own: OwnWeighing | None = None
    drops: DropSize = UNKNOWN_DROPPER
    volatile: float | None = None
    max_pct: float | None = None
    price: Price | None = None
    top_up_after: str | None = None

    def __post_init__(self) -> None:
        object.__setattr__(self, "kind", canonical_kind(self.kind))
        if self.job == "acid" and self.kind not in ACIDS:
            raise ValueError(f"{self.kind!r} is not an acid that is known here: {', '.join(ACIDS)}")

    @property
    def job(self) -> Role:
        """The role given, or the one its kind implies."""
        if self.role is None and self.kind.startswith("isopropyl alcohol"):
            return "alcohol"
        return self.role or ROLES.get(self.kind, "other")

    @property
    def dries_off(self) -> float:
        """Share of its mass that is gone once the piece is dry."""
        return float(self.job in ("alcohol", "water")) if self.volatile is None else self.volatile


@dataclass(frozen=True)
class SetAmount:
    """A factor that is the amount of an ingredient.

    Parameters
    ----------
    factor, ingredient : str
        Column of the runs, name in the recipe.
    unit : str, optional
        For levels that are plain numbers.
    amounts : mapping of str to Quantity
        For levels that are words. A level may also be written as an amount itself, such as ``"1/2 tsp"``.
    measures : {"us", "metric", "label"}
        Which cup and spoons a level written as an amount means.
    """

    factor: str
    ingredient: str
    unit: str | None = None
    amounts: Mapping[str, Quantity] = field(default_factory=dict)
    measures: Measures = "us"


@dataclass(frozen=True)
class Choose:
    """A factor whose level brings its own ingredients, such as colour = pearl, dye or lake; () is none."""

    factor: str
    options: Mapping[str, tuple[Ingredient, ...]]


@dataclass(frozen=True)
class Multiply:
    """A numeric factor that multiplies the amounts of some ingredients."""

    factor: str
    ingredients: tuple[str, ...]


Rule = SetAmount | Choose | Multiply


@dataclass(frozen=True)
class Recipe:
    """A batch: its ingredients by unique names, and the rules by which factors change them, in order."""

    name: str
    ingredients: tuple[Ingredient, ...]
    rules: tuple[Rule, ...] = ()

    def __post_init__(self) -> None:
        names = [ingredient.name for ingredient in self.ingredients]
        if not names:
            raise ValueError("a recipe needs an ingredient")
        twice = {name for name in names if names.count(name) > 1}
        if twice:
            raise ValueError(f"{sorted(twice)[0]!r} appears twice")
        for ingredient in self.ingredients:
            after = ingredient.top_up_after
            if after is not None and (after not in names or after == ingredient.name):
                raise ValueError(f"{ingredient.name!r} tops up after {after!r}, not in it")

    def ingredient(self, name: str) -> Ingredient:
        """The ingredient of that name; KeyError if there is none."""
        return {ingredient.name: ingredient for ingredient in self.ingredients}[name]


def for_run(recipe: Recipe, settings: Mapping[str, Level], *, where: str = "trial.toml") -> Recipe:
    """The recipe of one run: every rule applied at the run's levels, none left.

    Parameters
    ----------
    recipe : Recipe
    settings : mapping of str to str or float
        Level of each factor in this run; factors that no rule names are ignored.
    where : str
        Named in problems.

    Raises
    ------
    BadInput
        A level is missing, unknown or no number where one is needed, or a rule names no ingredient.

    Examples
    --------
    >>> soda = Ingredient("soda", "sodium bicarbonate", Quantity(100, "g"))
    >>> mica = Ingredient("blue mica", "mica pigment", Quantity(1, "tsp"))
    >>> base = Recipe("sea blue", (soda,), (Choose("colour", {"pearl": (mica,), "none": ()}),))
    >>> [item.name for item in for_run(base, {"colour": "pearl"}).ingredients]
    ['soda', 'blue mica']
    """
    items = {item.name: item for item in recipe.ingredients}

    def bad(column: str, what: str, do: str) -> BadInput:
        return BadInput([Problem(where, what, do, column=column)])

    for rule in recipe.rules:
        if rule.factor not in settings:
            raise bad(rule.factor, "this factor has no level in the run.", "Fill it in.")
        level = settings[rule.factor]
        if isinstance(rule, Choose):
            if str(level) not in rule.options:
                near = nearest(str(level), rule.options)
                do = (f'Did you mean "{near}"? ' if near else "") + f"Known: {', '.join(rule.options)}."
                raise bad(rule.factor, f'no ingredients are given for level "{level}".', do)
            for item in rule.options[str(level)]:
                if item.name in items:
                    do = "Give every ingredient of a run its own name."
                    raise bad("recipe", f"{item.name!r} appears twice.", do)
                items[item.name] = item
            continue
        for name in [rule.ingredient] if isinstance(rule, SetAmount) else rule.ingredients:
            if name not in items:
                near = nearest(name, items)
                do = f'Did you mean "{near}"?' if near else "Check the names in the recipe."
                raise bad(rule.factor, f'it changes "{name}", which is not in the recipe.', do)
            if isinstance(rule, SetAmount):
                amount = _set_amount(rule, level, where)
            else:
                amount = items[name].amount * _number(rule.factor, level, where)
            items[name] = replace(items[name], amount=amount)
    return Recipe(recipe.name, tuple(items.values()))


def _number(factor: str, level: Level, where: str) -> float:
    try:
        number = float(level)
    except ValueError:
        number = -1.0
    if not 0 <= number < float("inf"):
        what = f'level "{level}" is not a number of zero or more.'
        raise BadInput([Problem(where, what, "Write a number.", column=factor)])
    return number


def _set_amount(rule: SetAmount, level: Level, where: str) -> Quantity:
    if str(level) in rule.amounts:
        return rule.amounts[str(level)]
    if rule.unit is not None:
        try:
            float(level)
        except ValueError:
            pass
        else:
            return Quantity(_number(rule.factor, level, where), rule.unit)
    return parse_quantity(str(level), measures=rule.measures, where=where, key=rule.factor)
