"""The section [recipe] of `trial.toml`, and the `Recipe` that it describes."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated

from pydantic import Field, model_validator

from fizzlab.errors import BadInput, CannotAnswer, Problem, did_you_mean, nearest
from fizzlab.recipe.amounts import density_needed
from fizzlab.recipe.chemistry import ACIDS
from fizzlab.recipe.ingredients import ROLES, Ingredient, Price, Recipe, Role, Rule
from fizzlab.recipe.units import (
    ALIASES,
    DENSITIES,
    UNKNOWN_DROPPER,
    Density,
    Measures,
    OwnWeighing,
    Quantity,
    Span,
    canonical_kind,
    count_drops,
    parse_quantity,
    scatter_of,
)
from fizzlab.trial.settings.base import FILE, FactorSettings, Name, Section, Text

Positive = Annotated[float, Field(gt=0)]


class OwnWeighingSettings(Section):
    """What the maker's own spoon or dropper held: ``{ measure = "1 tsp", grams = [4.4, 4.6] }``."""

    measure: Text
    grams: list[Positive] = Field(min_length=1, max_length=100)


class MouldSettings(Section):
    """A mould, by the water that it holds and what a millilitre of packed mix weighs."""

    name: str = ""
    ml: float = Field(gt=0, le=5000)
    packed_g_per_ml: float = Field(gt=0, le=5)


class IngredientSettings(Section):
    """One ingredient; see `fizzlab.recipe.ingredients.Ingredient`."""

    name: Name
    kind: Name
    amount: Text
    role: Role | None = None
    g_per_ml: float | None = Field(default=None, gt=0, le=5)
    own_weighing: OwnWeighingSettings | None = None
    drops_per_ml: float | None = Field(default=None, gt=0, le=500)
    volatile: float | None = Field(default=None, ge=0, le=1)
    max_pct: float | None = Field(default=None, ge=0, le=100)
    price: float | None = Field(default=None, ge=0)
    pack: Text | None = None
    top_up_after: Name | None = None


class RuleSettings(Section):
    """What a factor does to the recipe: one of `sets`, `brings` or `multiplies`.

    `sets` names the ingredient whose amount the factor is, in the factor's unit or in `unit`, or as
    `amounts` say for each level; `brings` lists what each level adds; `multiplies` names the ingredients
    whose amounts are multiplied by the factor.
    """

    sets: Name | None = None
    unit: Name | None = None
    amounts: dict[str, Text] | None = None
    brings: dict[str, list[IngredientSettings]] | None = None
    multiplies: list[Name] | None = Field(default=None, min_length=1)

    @model_validator(mode="after")
    def _one_of_three(self) -> RuleSettings:
        if sum(way is not None for way in (self.sets, self.brings, self.multiplies)) != 1:
            raise ValueError("give exactly one of sets, brings or multiplies")
        if self.sets is None and (self.unit is not None or self.amounts is not None):
            raise ValueError("unit and amounts belong to sets only")
        return self


class RecipeSettings(Section):
    """The whole section [recipe]: one batch as it is made, and how factors change it."""

    name: str = ""
    measures: Measures = "us"
    ingredients: list[IngredientSettings] = Field(min_length=1, max_length=60)
    by_factor: dict[str, RuleSettings] = Field(default_factory=dict)
    pieces: int | None = Field(default=None, ge=1, le=1000)
    piece_g: float | None = Field(default=None, gt=0, le=5000)
    mould: MouldSettings | None = None
    scale_to_moulds: bool = False
    spare: float = Field(default=0.05, ge=0, le=1)

    @model_validator(mode="after")
    def _one_mould(self) -> RecipeSettings:
        if self.piece_g is not None and self.mould is not None:
            raise ValueError("give either piece_g or mould")
        if self.scale_to_moulds and (self.pieces is None or self.mould_g() is None):
            raise ValueError("scale_to_moulds needs pieces, and piece_g or mould")
        return self

    def mould_g(self) -> float | None:
        """Grams of mix that a mould takes, where that is known."""
        return self.mould.ml * self.mould.packed_g_per_ml if self.mould is not None else self.piece_g

    def items(self) -> list[IngredientSettings]:
        """Every ingredient, those that a level brings too."""
        brought = [items for rule in self.by_factor.values() for items in (rule.brings or {}).values()]
        return [item for items in (self.ingredients, *brought) for item in items]


def make_recipe(settings: RecipeSettings, factors: Mapping[str, FactorSettings]) -> Recipe:
    """The recipe with its rules.

    Parameters
    ----------
    factors : mapping of str to FactorSettings
        Those of the trial, which the rules name.

    Raises
    ------
    BadInput
        With every problem: an unknown kind without a role, an amount that cannot be read, a volume
        whose grams are not known, a rule that names no factor, level or ingredient of the trial.
    """
    maker = _Maker(settings.measures, [item.name for item in settings.ingredients])
    items = maker.ingredients("recipe.ingredients", settings.ingredients, maker.names)
    for name in sorted({name for name in maker.names if maker.names.count(name) > 1}):
        maker.wrong("recipe.ingredients", f"“{name}” stands there twice.", "Name one otherwise.")
    rules = []
    for name, rule in settings.by_factor.items():
        key = f"recipe.by_factor.{name}"
        if name in factors:
            rules.append(maker.rule(key, rule, name, factors[name]))
        else:
            do = did_you_mean(name, factors, "Add it to the factors, or take the rule out.")
            maker.wrong(key, "the trial has no such factor.", do)
    if maker.problems:
        raise BadInput(maker.problems)
    return Recipe(settings.name or "the batch", items, tuple(rule for rule in rules if rule))


class _Maker:
    """Makes ingredients and rules, and gathers the problems of all."""

    def __init__(self, measures: Measures, names: list[str]) -> None:
        self.measures = measures
        self.names = names
        self.problems: list[Problem] = []

    def wrong(self, key: str, what: str, do: str) -> None:
        self.problems.append(Problem(FILE, what, do, column=f"key {key}"))

    def take(self, key: str, error: BadInput) -> None:
        """Take down what went wrong, as problems of this key."""
        for problem in error.problems:
            self.wrong(key, problem.what, problem.do)

    def quantity(self, key: str, text: str) -> Quantity | None:
        try:
            return parse_quantity(text, measures=self.measures)
        except BadInput as error:
            self.take(key, error)
            return None

    def ingredients(
        self, place: str, items: list[IngredientSettings], names: list[str]
    ) -> tuple[Ingredient, ...]:
        """Entries of one list; those that fill up a spoon name another of `names`."""
        made = []
        for item in items:
            key = f"{place} ({item.name})"
            if item.top_up_after is not None:
                others = [name for name in names if name != item.name]
                self.ingredient_known(f"{key}.top_up_after", item.top_up_after, others)
            made.append(self.ingredient(key, item))
        return tuple(item for item in made if item)

    def ingredient(self, key: str, item: IngredientSettings) -> Ingredient | None:
        """One entry as an ingredient whose grams are known."""
        before = len(self.problems)
        self.kind(f"{key}.kind", item)
        amount = self.quantity(f"{key}.amount", item.amount)
        weighed, own = item.own_weighing, None
        if weighed is not None:
            own = self.quantity(f"{key}.own_weighing.measure", weighed.measure)
        if own is not None and (own.dimension == "mass" or own.amount == 0):
            what = "what was weighed is not a spoon, cup or number of drops."
            self.wrong(f"{key}.own_weighing.measure", what, 'Write it as "1 tsp" or "30 drops".')
        pack = self.quantity(f"{key}.pack", item.pack) if item.pack is not None else None
        if pack is not None and pack.amount == 0:
            self.wrong(f"{key}.pack", "the pack is empty.", "Say how much is in it.")
        if (item.price is None) != (item.pack is None):
            do = "Give the price of a pack and what is in it, or neither."
            self.wrong(key, "price and pack belong together.", do)
        if len(self.problems) > before or amount is None:
            return None
        made = Ingredient(
            item.name,
            item.kind,
            amount,
            role=item.role,
            density=_own_density(item),
            own=OwnWeighing(own, tuple(weighed.grams)) if own and weighed else None,
            drops=count_drops(item.drops_per_ml) if item.drops_per_ml else UNKNOWN_DROPPER,
            volatile=item.volatile,
            max_pct=item.max_pct,
            price=Price(item.price, pack) if item.price is not None and pack is not None else None,
            top_up_after=item.top_up_after,
        )
        try:
            density_needed(made)
        except BadInput as error:
            self.take(f"{key}.amount", error)
        except CannotAnswer as error:
            self.wrong(f"{key}.kind", error.why, error.would_help)
        return made

    def kind(self, key: str, item: IngredientSettings) -> None:
        """An unknown kind needs a role: an acid that is misspelt must not go in with the dry powders."""
        kind = canonical_kind(item.kind)
        known = kind in DENSITIES or kind in ROLES or kind.startswith("isopropyl alcohol")
        if item.role == "acid" and kind not in ACIDS:
            do = did_you_mean(item.kind, ACIDS, f"Known acids: {', '.join(ACIDS)}.")
            self.wrong(key, f"“{item.kind}” is not an acid that fizzlab knows.", do)
        elif not known and item.role is None:
            guess = nearest(item.kind, [*DENSITIES, *ROLES, *ALIASES, "isopropyl alcohol 91 %"])
            do = (f"Did you mean “{guess}”? If not, give" if guess else "Give") + " its role as well."
            self.wrong(key, f"fizzlab does not know the kind “{item.kind}”.", do)

    def ingredient_known(self, key: str, name: str, names: list[str]) -> None:
        if name not in names:
            do = did_you_mean(name, names, f"Its ingredients are: {', '.join(names)}.")
            self.wrong(key, f"the recipe has no ingredient “{name}”.", do)

    def rule(self, key: str, rule: RuleSettings, name: str, factor: FactorSettings) -> Rule | None:
        if rule.brings is not None:
            return self.brings(key, rule.brings, name, factor)
        if factor.levels is None and factor.range()[0] < 0:
            self.wrong(key, "the factor goes below zero, which no amount can.", "Change its numbers.")
        if rule.sets is not None:
            return self.sets(key, rule, rule.sets, name, factor)
        for item in rule.multiplies or ():
            self.ingredient_known(f"{key}.multiplies", item, self.names)
        if factor.levels is not None:
            do = "Use brings, or give the factor amounts."
            self.wrong(key, "only a factor with numbers can multiply.", do)
        return Rule(name, multiplies=tuple(rule.multiplies or ()))

    def brings(
        self, key: str, brings: Mapping[str, list[IngredientSettings]], name: str, factor: FactorSettings
    ) -> Rule | None:
        if factor.levels is None:
            do = "Use sets or multiplies, or give the factor levels."
            self.wrong(key, "only a factor with named levels can bring ingredients.", do)
            return None
        self.levels_match(f"{key}.brings", factor.levels, brings)
        options = {}
        for level, items in brings.items():
            names = [*self.names, *(item.name for item in items)]
            options[level] = self.ingredients(f"{key}.brings.{level}", items, names)
        return Rule(name, brings=options)

    def sets(self, key: str, rule: RuleSettings, sets: str, name: str, factor: FactorSettings) -> Rule:
        self.ingredient_known(f"{key}.sets", sets, self.names)
        given = rule.amounts or {}
        if factor.levels is None:
            if rule.amounts is not None:
                what = "amounts are for named levels; this factor has numbers."
                self.wrong(f"{key}.amounts", what, "Give unit instead, or nothing.")
            written, unit = rule.unit or factor.unit, ""
            try:
                unit = parse_quantity(f"1 {written}", measures=self.measures).unit
            except BadInput:
                end = f"factors.{name}.unit" if rule.unit is None else f"{key}.unit"
                what = f"“{written}” is not a unit that an ingredient is measured in."
                self.wrong(end, what, "Write g, ml, tsp, cup, drop or the like.")
            return Rule(name, sets, unit)
        if rule.amounts is not None:
            self.levels_match(f"{key}.amounts", factor.levels, given)
        read = {
            level: self.quantity(f"{key}.amounts.{level}", given.get(level, level)) for level in factor.levels
        }
        return Rule(name, sets, amounts={level: amount for level, amount in read.items() if amount})

    def levels_match(self, key: str, levels: list[str], given: Mapping[str, object]) -> None:
        """Every level must be given, and nothing else."""
        for level in given:
            if level not in levels:
                do = did_you_mean(level, levels, f"Its levels are: {', '.join(levels)}.")
                self.wrong(f"{key}.{level}", "the factor has no such level.", do)
        for level in levels:
            if level not in given:
                do = "Add it; an empty list [] brings nothing."
                self.wrong(key, f"nothing is said for the level “{level}”.", do)


def _own_density(item: IngredientSettings) -> Density | None:
    if item.g_per_ml is None:
        return None
    kind = canonical_kind(item.kind)
    span = Span.about(item.g_per_ml, scatter_of(item.role or ROLES.get(kind, "other")))
    return Density(span, seen=False)
