"""What goes into a batch, and how factors of a trial change it from run to run."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Literal

from fizzlab.errors import refuse
from fizzlab.recipe.chemistry import ACIDS
from fizzlab.recipe.units import KINDS, Density, OwnWeighing, Quantity, Span, canonical_kind

Role = Literal[
    "soda", "acid", "starch", "salt", "oil", "emulsifier", "alcohol", "water", "colour", "scent", "other"
]

#: What each known kind is there for; isopropyl alcohol of any strength is "alcohol".
ROLES: Mapping[str, Role] = {kind: said["role"] for kind, said in KINDS.items()}


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

    `kind` implies the `role`; `density`, `own` weighing and `counted` (mL of a drop or spray) are the maker's
    and replace the tables. `volatile` is the share of its mass that dries off, `max_pct` the most that the
    maker wants in the piece, per cent by mass. With `top_up_after`, it fills up to `amount` after that
    ingredient is in the spoon.
    """

    name: str
    kind: str
    amount: Quantity
    role: Role | None = None
    density: Density | None = None
    own: OwnWeighing | None = None
    counted: Mapping[str, Span] = field(default_factory=dict)
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
class Rule:
    """What a factor does: it sets an amount (a number in `unit`, or by level), multiplies some, or brings."""

    factor: str
    sets: str = ""
    unit: str = ""
    amounts: Mapping[str, Quantity] = field(default_factory=dict)
    multiplies: tuple[str, ...] = ()
    brings: Mapping[str, tuple[Ingredient, ...]] = field(default_factory=dict)


@dataclass(frozen=True)
class Recipe:
    """A batch: its ingredients by unique names, and the rules by which factors change them, in order.

    The ingredients are `scaled` times as written; what a rule sets or brings is as written.
    """

    name: str
    ingredients: tuple[Ingredient, ...]
    rules: tuple[Rule, ...] = ()
    scaled: float = 1.0

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

    def tried(self, factor: str) -> list[Ingredient]:
        """The ingredients of which a factor changes how much goes in, or that it brings."""
        rules = [rule for rule in self.rules if rule.factor == factor]
        named = {name for rule in rules for name in (rule.sets, *rule.multiplies)}
        brought = [item for rule in rules for items in rule.brings.values() for item in items]
        return [*(item for item in self.ingredients if item.name in named), *brought]


def for_run(recipe: Recipe, settings: Mapping[str, str | float]) -> Recipe:
    """The recipe of one run: every rule applied at the run's level of each factor, none left."""
    items = {item.name: item for item in recipe.ingredients}
    for rule in recipe.rules:
        level = settings[rule.factor]
        for name in (rule.sets,) if rule.sets else rule.multiplies:
            if isinstance(level, str):
                amount = rule.amounts[level]
            elif level < 0:
                raise refuse("amount_below_zero", "runs", rule.factor, amount=level)
            else:
                amount = Quantity(level, rule.unit) if rule.sets else items[name].amount * level
            items[name] = replace(items[name], amount=amount)
        for item in rule.brings.get(str(level), ()):
            if item.name in items:
                raise refuse("ingredient_of_run_twice", "trial.toml", "recipe", name=item.name)
            items[item.name] = item
    return Recipe(recipe.name, tuple(items.values()))
