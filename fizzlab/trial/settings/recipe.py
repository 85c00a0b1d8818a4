"""The section [recipe] of `trial.toml`, and the `Recipe` that it describes."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Annotated, TypeVar

from pydantic import Field, model_validator

from fizzlab.errors import BadInput, CannotAnswer, Problem, nearest
from fizzlab.recipe import (
    ACIDS,
    ROLES,
    Choose,
    Ingredient,
    Mould,
    Multiply,
    Price,
    Recipe,
    Role,
    Rule,
    SetAmount,
    weigh_out,
)
from fizzlab.recipe.units import (
    ALIASES,
    DENSITIES,
    LIQUID_SCATTER,
    SCOOP_SCATTER,
    UNKNOWN_DROPPER,
    Density,
    Measures,
    OwnWeighing,
    Quantity,
    Span,
    canonical_kind,
    count_drops,
    parse_quantity,
)
from fizzlab.trial.settings.base import FILE, Name, Section, Text
from fizzlab.trial.settings.factors import FactorSettings

T = TypeVar("T")
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
    """One ingredient; see `fizzlab.recipe.Ingredient`."""

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
        if self.scale_to_moulds and (self.pieces is None or self.filled() is None):
            raise ValueError("scale_to_moulds needs pieces, and piece_g or mould")
        return self

    def filled(self) -> Mould | None:
        """The mould by the mass of a piece, where that is known."""
        if self.piece_g is not None:
            return Mould("the mould", self.piece_g)
        if self.mould is not None:
            return Mould.of_volume(self.mould.name or "the mould", self.mould.ml, self.mould.packed_g_per_ml)
        return None


def make_recipe(settings: RecipeSettings, factors: Mapping[str, FactorSettings]) -> Recipe:
    """Return the recipe with its rules.

    Parameters
    ----------
    settings : RecipeSettings
    factors : mapping of str to FactorSettings
        Those of the trial, which the rules name.

    Raises
    ------
    BadInput
        With every problem: an unknown kind without a role, an amount that cannot be read, a volume
        whose grams are not known, a rule that names no factor, level or ingredient of the trial.
    """
    problems: list[Problem] = []
    names = [item.name for item in settings.ingredients]
    items = [
        _collect(problems, lambda item=item: _ingredient(item, "recipe.ingredients", settings.measures))  # type: ignore[misc]
        for item in settings.ingredients
    ]
    for name in sorted({name for name in names if names.count(name) > 1}):
        problems.append(
            _problem("recipe.ingredients", f"“{name}” stands there twice.", "Name one otherwise.")
        )
    rules: list[Rule] = []
    for factor, rule in settings.by_factor.items():
        key = f"recipe.by_factor.{factor}"
        if factor not in factors:
            guess = nearest(factor, factors)
            do = f"Did you mean {guess}?" if guess else "Add it to the factors, or take the rule out."
            problems.append(_problem(key, "the trial has no such factor.", do))
            continue
        made = _collect(
            problems,
            lambda key=key, rule=rule, factor=factor: _rule(  # type: ignore[misc]
                key, rule, factor, factors[factor], names, settings.measures
            ),
        )
        if made is not None:
            rules.append(made)
    problems += _top_ups("recipe.ingredients", settings.ingredients, names)
    for factor, rule in settings.by_factor.items():
        for level, brought in (rule.brings or {}).items():
            key = f"recipe.by_factor.{factor}.brings.{level}"
            problems += _top_ups(key, brought, [*names, *(item.name for item in brought)])
    if problems:
        raise BadInput(problems)
    return Recipe(settings.name or "the batch", tuple(item for item in items if item), tuple(rules))


def _top_ups(place: str, items: list[IngredientSettings], names: list[str]) -> list[Problem]:
    """An ingredient can fill up only after another one of the same batch."""
    return [
        _no_ingredient(
            f"{place} ({item.name}).top_up_after",
            item.top_up_after,
            [name for name in names if name != item.name],
        )
        for item in items
        if item.top_up_after is not None
        and (item.top_up_after == item.name or item.top_up_after not in names)
    ]


def _ingredient(item: IngredientSettings, place: str, measures: Measures) -> Ingredient:
    """Turn one entry into an ingredient whose grams are known."""
    key = f"{place} ({item.name})"
    problems: list[Problem] = []

    def read(text: str, end: str) -> Quantity | None:
        return _collect(
            problems, lambda: parse_quantity(text, measures=measures, where=FILE, key=f"key {key}.{end}")
        )

    problems += _kind_problems(item, key)
    amount = read(item.amount, "amount")
    own = read(item.own_weighing.measure, "own_weighing.measure") if item.own_weighing else None
    if own is not None and (own.dimension == "mass" or own.amount == 0):
        what = "what was weighed is not a spoon, cup or number of drops."
        problems.append(_problem(f"{key}.own_weighing.measure", what, 'Write it as "1 tsp" or "30 drops".'))
    pack = read(item.pack, "pack") if item.pack is not None else None
    if pack is not None and pack.amount == 0:
        problems.append(_problem(f"{key}.pack", "the pack is empty.", "Say how much is in it."))
    if (item.price is None) != (item.pack is None):
        what = "price and pack belong together."
        problems.append(_problem(key, what, "Give the price of a pack and what is in it, or neither."))
    if problems or amount is None:
        raise BadInput(problems)
    made = Ingredient(
        item.name,
        item.kind,
        amount,
        role=item.role,
        density=_own_density(item),
        own=OwnWeighing(own, tuple(item.own_weighing.grams)) if own and item.own_weighing else None,
        drops=count_drops(item.drops_per_ml, 1) if item.drops_per_ml else UNKNOWN_DROPPER,
        volatile=item.volatile,
        max_pct=item.max_pct,
        price=Price(item.price, pack) if item.price is not None and pack is not None else None,
        top_up_after=item.top_up_after,
    )
    alone = Recipe("alone", (replace(made, top_up_after=None),))
    try:
        weigh_out(alone)
    except BadInput as error:
        raise BadInput(
            [_problem(f"{key}.amount", problem.what, problem.do) for problem in error.problems]
        ) from None
    except CannotAnswer as error:
        raise BadInput([_problem(f"{key}.kind", error.why, error.would_help)]) from None
    return made


def _kind_problems(item: IngredientSettings, key: str) -> list[Problem]:
    """An unknown kind needs a role: an acid that is misspelt must not go in with the dry powders."""
    kind = canonical_kind(item.kind)
    known = kind in DENSITIES or kind in ROLES or kind.startswith("isopropyl alcohol")
    if item.role == "acid" and kind not in ACIDS:
        guess = nearest(item.kind, ACIDS)
        do = f"Did you mean “{guess}”?" if guess else f"Known acids: {', '.join(ACIDS)}."
        return [_problem(f"{key}.kind", f"“{item.kind}” is not an acid that fizzlab knows.", do)]
    if known or item.role is not None:
        return []
    guess = nearest(item.kind, [*DENSITIES, *ROLES, *ALIASES, "isopropyl alcohol 91 %"])
    do = (f"Did you mean “{guess}”? If not, give" if guess else "Give") + " its role as well."
    return [_problem(f"{key}.kind", f"fizzlab does not know the kind “{item.kind}”.", do)]


def _own_density(item: IngredientSettings) -> Density | None:
    if item.g_per_ml is None:
        return None
    role = item.role or ROLES.get(canonical_kind(item.kind), "other")
    scatter = LIQUID_SCATTER if role in ("oil", "emulsifier", "alcohol", "water") else SCOOP_SCATTER
    span = Span(item.g_per_ml * (1 - scatter), item.g_per_ml, item.g_per_ml * (1 + scatter))
    return Density(canonical_kind(item.kind), span, "common practice, no source", "your own, in trial.toml")


def _rule(
    key: str, rule: RuleSettings, name: str, factor: FactorSettings, names: list[str], measures: Measures
) -> Rule:
    if rule.brings is not None:
        return _choose(key, rule.brings, name, factor, measures)
    if rule.multiplies is not None:
        problems = [
            _no_ingredient(f"{key}.multiplies", item, names) for item in rule.multiplies if item not in names
        ]
        if factor.levels is not None:
            what = "only a factor with numbers can multiply."
            problems.append(_problem(key, what, "Use brings, or give the factor amounts."))
        problems += _below_zero(key, factor)
        if problems:
            raise BadInput(problems)
        return Multiply(name, tuple(rule.multiplies))
    assert rule.sets is not None
    problems = [] if rule.sets in names else [_no_ingredient(f"{key}.sets", rule.sets, names)]
    problems += _below_zero(key, factor)
    unit, amounts = None, {}
    if factor.levels is None:
        if rule.amounts is not None:
            what = "amounts are for named levels; this factor has numbers."
            problems.append(_problem(f"{key}.amounts", what, "Give unit instead, or nothing."))
        unit = _collect(problems, lambda: _unit(key, rule, name, factor, measures))
    else:
        problems += _levels_match(f"{key}.amounts", factor.levels, rule.amounts)
        for level in factor.levels:
            written, end = (rule.amounts or {}).get(level, level), f"key {key}.amounts.{level}"
            parsed = _collect(
                problems,
                lambda written=written, end=end: parse_quantity(  # type: ignore[misc]
                    written, measures=measures, where=FILE, key=end
                ),
            )
            if parsed is not None:
                amounts[level] = parsed
    if problems:
        raise BadInput(problems)
    return SetAmount(name, rule.sets, unit, amounts, measures)


def _unit(key: str, rule: RuleSettings, name: str, factor: FactorSettings, measures: Measures) -> str:
    written = rule.unit or factor.unit
    try:
        return parse_quantity(f"1 {written}", measures=measures).unit
    except BadInput:
        end = f"{key}.unit" if rule.unit is not None else f"factors.{name}.unit"
        what = f"“{written}” is not a unit that an ingredient is measured in."
        do = "Write g, ml, tsp, cup, drop or the like."
        raise BadInput([_problem(end, what, do)]) from None


def _choose(
    key: str,
    brings: Mapping[str, list[IngredientSettings]],
    name: str,
    factor: FactorSettings,
    measures: Measures,
) -> Choose:
    if factor.levels is None:
        do = "Use sets or multiplies, or give the factor levels."
        raise BadInput([_problem(key, "only a factor with named levels can bring ingredients.", do)])
    problems = _levels_match(f"{key}.brings", factor.levels, brings)
    options: dict[str, tuple[Ingredient, ...]] = {}
    for level, items in brings.items():
        made = [
            _collect(
                problems,
                lambda item=item, level=level: _ingredient(item, f"{key}.brings.{level}", measures),  # type: ignore[misc]
            )
            for item in items
        ]
        options[level] = tuple(item for item in made if item is not None)
    if problems:
        raise BadInput(problems)
    return Choose(name, options)


def _levels_match(key: str, levels: list[str], given: Mapping[str, object] | None) -> list[Problem]:
    """Every level must be given, and nothing else; nothing given at all is the caller's affair."""
    if given is None:
        return []
    problems = []
    for level in given:
        if level not in levels:
            guess = nearest(level, levels)
            do = f"Did you mean {guess}?" if guess else f"Its levels are: {', '.join(levels)}."
            problems.append(_problem(f"{key}.{level}", "the factor has no such level.", do))
    for level in levels:
        if level not in given:
            what = f"nothing is said for the level “{level}”."
            problems.append(_problem(key, what, "Add it; an empty list [] brings nothing."))
    return problems


def _below_zero(key: str, factor: FactorSettings) -> list[Problem]:
    if factor.levels is None and factor.range()[0] < 0:
        return [_problem(key, "the factor goes below zero, which no amount can.", "Change its numbers.")]
    return []


def _no_ingredient(key: str, name: str, names: list[str]) -> Problem:
    guess = nearest(name, names)
    do = f"Did you mean “{guess}”?" if guess else f"Its ingredients are: {', '.join(names)}."
    return _problem(key, f"the recipe has no ingredient “{name}”.", do)


def _collect(problems: list[Problem], make: Callable[[], T]) -> T | None:
    try:
        return make()
    except BadInput as error:
        problems.extend(error.problems)
        return None


def _problem(key: str, what: str, do: str) -> Problem:
    return Problem(FILE, what, do, column=f"key {key}")
