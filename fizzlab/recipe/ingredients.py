"""What goes into a batch, and how factors of a trial change it from run to run."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from types import MappingProxyType
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

ROLES: Mapping[str, Role] = MappingProxyType(
    {
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
)
"""What each known kind is there for; isopropyl alcohol of any strength is "alcohol"."""


@dataclass(frozen=True)
class Price:
    """What a pack costs.

    Parameters
    ----------
    money : float
        Price of the pack, in the maker's currency.
    pack : Quantity
        What is in it.
    """

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
        A kind of `fizzlab.recipe.units.DENSITIES` (or one of its other names) where there is one, else
        any word. Kept in its canonical spelling.
    amount : Quantity
        How much. With `top_up_after`, the total to fill up to.
    role : Role, optional
        What it is there for; from `ROLES` when left out, else "other".
    density, own, drops : optional
        The maker's own density, weighing and drop size; they replace the tables.
    volatile : float, optional
        Share of its mass that dries off; 1 for alcohol and water, else 0.
    max_pct : float, optional
        The most of it that the maker wants in the piece, per cent by mass.
    price : Price, optional
        What a pack costs.
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
        if not self.name.strip():
            raise ValueError("an ingredient needs a name")
        if self.volatile is not None and not 0 <= self.volatile <= 1:
            raise ValueError("volatile is a share between 0 and 1")
        if self.max_pct is not None and not 0 <= self.max_pct <= 100:
            raise ValueError("max_pct is a per cent between 0 and 100")
        if self.job == "acid" and self.kind not in ACIDS:
            raise ValueError(f"{self.kind!r} is not an acid that is known here: {', '.join(ACIDS)}")

    @property
    def job(self) -> Role:
        """The role given, or the one its kind implies."""
        if self.role is not None:
            return self.role
        if self.kind.startswith("isopropyl alcohol"):
            return "alcohol"
        return ROLES.get(self.kind, "other")

    @property
    def dries_off(self) -> float:
        """Share of its mass that is gone once the piece is dry."""
        if self.volatile is not None:
            return self.volatile
        return 1.0 if self.job in ("alcohol", "water") else 0.0


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
        For levels that are words: what each one means. A level may also be written as an amount
        itself, such as ``"1/2 tsp"``.
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
    """A factor whose level brings its own ingredients, e.g. colour = pearl, dye or lake.

    Parameters
    ----------
    factor : str
        Column of the runs.
    options : mapping of str to tuple of Ingredient
        What each level adds; an empty tuple adds nothing.
    """

    factor: str
    options: Mapping[str, tuple[Ingredient, ...]]


@dataclass(frozen=True)
class Multiply:
    """A numeric factor that multiplies the amounts of some ingredients.

    Parameters
    ----------
    factor : str
        Column of the runs.
    ingredients : tuple of str
        Names in the recipe; empty for all of them.
    """

    factor: str
    ingredients: tuple[str, ...] = ()


Rule = SetAmount | Choose | Multiply


@dataclass(frozen=True)
class Recipe:
    """A batch: its ingredients, and the rules by which factors change them.

    Parameters
    ----------
    name : str
        As the maker calls it.
    ingredients : tuple of Ingredient
        Unique names.
    rules : tuple of Rule
        Applied in order by `for_run`.

    Raises
    ------
    ValueError
        If it is empty, a name appears twice, or `top_up_after` names no ingredient.
    """

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
            if ingredient.top_up_after is not None and (
                ingredient.top_up_after not in names or ingredient.top_up_after == ingredient.name
            ):
                raise ValueError(f"{ingredient.name!r} tops up after {ingredient.top_up_after!r}, not in it")

    def ingredient(self, name: str) -> Ingredient:
        """Return the ingredient of that name; KeyError if there is none."""
        for ingredient in self.ingredients:
            if ingredient.name == name:
                return ingredient
        raise KeyError(name)


def for_run(recipe: Recipe, settings: Mapping[str, Level], *, where: str = "trial.toml") -> Recipe:
    """Return the recipe of one run: every rule applied at the run's levels, none left.

    Factors that no rule names (a mould, a room) are ignored.

    Parameters
    ----------
    recipe : Recipe
        With rules.
    settings : mapping of str to str or float
        Level of each factor in this run.
    where : str
        Named in problems.

    Raises
    ------
    BadInput
        If a level is missing, unknown, not a number where one is needed, or a rule names an
        ingredient that is not there.

    Examples
    --------
    >>> soda = Ingredient("soda", "sodium bicarbonate", Quantity(100, "g"))
    >>> mica = Ingredient("blue mica", "mica pigment", Quantity(1, "tsp"))
    >>> base = Recipe("sea blue", (soda,), (Choose("colour", {"pearl": (mica,), "none": ()}),))
    >>> [item.name for item in for_run(base, {"colour": "pearl"}).ingredients]
    ['soda', 'blue mica']
    """
    items = list(recipe.ingredients)
    for rule in recipe.rules:
        if rule.factor not in settings:
            raise _bad(where, rule.factor, "this factor has no level in the run.", "Fill it in.")
        level = settings[rule.factor]
        if isinstance(rule, Choose):
            items.extend(_chosen(rule, level, where))
        elif isinstance(rule, SetAmount):
            amount = _amount_of(rule, level, where)
            items = _change(
                items,
                (rule.ingredient,),
                rule.factor,
                where,
                lambda item, amount=amount: replace(item, amount=amount),  # type: ignore[misc]
            )
        else:
            factor = _number_of(rule.factor, level, where)
            names = rule.ingredients or tuple(item.name for item in items)
            items = _change(
                items,
                names,
                rule.factor,
                where,
                lambda item, factor=factor: replace(item, amount=item.amount * factor),  # type: ignore[misc]
            )
    try:
        return Recipe(recipe.name, tuple(items))
    except ValueError as error:
        raise _bad(where, "recipe", f"{error}.", "Give every ingredient of a run its own name.") from error


def _bad(where: str, column: str, what: str, do: str) -> BadInput:
    return BadInput([Problem(where, what, do, column=column)])


def _chosen(rule: Choose, level: Level, where: str) -> tuple[Ingredient, ...]:
    if str(level) in rule.options:
        return rule.options[str(level)]
    near = nearest(str(level), rule.options)
    hint = f'Did you mean "{near}"? ' if near else ""
    known = ", ".join(rule.options)
    raise _bad(where, rule.factor, f'no ingredients are given for level "{level}".', f"{hint}Known: {known}.")


def _number_of(factor: str, level: Level, where: str) -> float:
    try:
        number = float(level)
    except ValueError:
        number = -1.0
    if not 0 <= number < float("inf"):
        raise _bad(where, factor, f'level "{level}" is not a number of zero or more.', "Write a number.")
    return number


def _amount_of(rule: SetAmount, level: Level, where: str) -> Quantity:
    if str(level) in rule.amounts:
        return rule.amounts[str(level)]
    if rule.unit is not None:
        try:
            float(level)
        except ValueError:
            pass
        else:
            return Quantity(_number_of(rule.factor, level, where), rule.unit)
    return parse_quantity(str(level), measures=rule.measures, where=where, key=rule.factor)


def _change(
    items: list[Ingredient],
    names: tuple[str, ...],
    factor: str,
    where: str,
    change: Callable[[Ingredient], Ingredient],
) -> list[Ingredient]:
    present = [item.name for item in items]
    for name in names:
        if name not in present:
            near = nearest(name, present)
            hint = f'Did you mean "{near}"?' if near else "Check the names in the recipe."
            raise _bad(where, factor, f'it changes "{name}", which is not in the recipe.', hint)
    return [change(item) if item.name in names else item for item in items]
