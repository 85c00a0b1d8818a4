"""The section [recipe] of `trial.toml`, and the `Recipe` that it describes."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from pydantic import Field

from fizzlab.errors import BadInput, CannotAnswer, nearest
from fizzlab.language import say
from fizzlab.measures import CURRENCIES
from fizzlab.recipe import units
from fizzlab.recipe.amounts import batch_mass, density_needed, scale
from fizzlab.recipe.chemistry import ACIDS
from fizzlab.recipe.ingredients import ROLES, Ingredient, Price, Recipe, Role, Rule, for_run
from fizzlab.trial.settings.sections import Complaints, FactorSettings, Name, Positive, Section, Text


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
    sprays_per_ml: float | None = Field(default=None, gt=0, le=500)
    volatile: float | None = Field(default=None, ge=0, le=1)
    max_pct: float | None = Field(default=None, ge=0, le=100)
    price: float | None = Field(default=None, ge=0)
    pack: Text | None = None
    top_up_after: Name | None = None

    def faults(self) -> Iterator[str]:
        if (self.price is None) != (self.pack is None):
            yield say("price_and_pack")


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

    def faults(self) -> Iterator[str]:
        if sum(way is not None for way in (self.sets, self.brings, self.multiplies)) != 1:
            yield say("one_rule")
        if self.sets is None and (self.unit is not None or self.amounts is not None):
            yield say("sets_only")


class RecipeSettings(Section):
    """The whole section [recipe]: one batch as it is made, and how factors change it."""

    name: str = ""
    measures: units.Measures = "us"
    ingredients: list[IngredientSettings] = Field(min_length=1, max_length=60)
    by_factor: dict[str, RuleSettings] = Field(default_factory=dict)
    pieces: int | None = Field(default=None, ge=1, le=1000)
    piece_g: float | None = Field(default=None, gt=0, le=5000)
    mould: MouldSettings | None = None
    scale_to_moulds: bool = False
    spare: float = Field(default=0.05, ge=0, le=1)
    currency: str = ""

    def faults(self) -> Iterator[str]:
        if self.piece_g is not None and self.mould is not None:
            yield say("piece_or_mould")
        if self.scale_to_moulds and (self.pieces is None or self.mould_g() is None):
            yield say("moulds_need")
        if self.currency not in ("", *CURRENCIES):
            yield say("currency_unknown", currency=self.currency, known=", ".join(sorted(CURRENCIES)))

    def mould_g(self) -> float | None:
        """Grams of mix that a mould takes, where that is known."""
        return self.mould.ml * self.mould.packed_g_per_ml if self.mould is not None else self.piece_g


def make_recipe(settings: RecipeSettings, factors: Mapping[str, FactorSettings]) -> Recipe:
    """The recipe with its rules, which name the trial's factors; BadInput with every problem."""
    maker = _Maker(settings.measures, [item.name for item in settings.ingredients])
    items = maker.ingredients("recipe.ingredients", settings.ingredients, maker.names)
    for name in sorted({name for name in maker.names if maker.names.count(name) > 1}):
        maker.add("ingredient_twice", "recipe.ingredients", name=name)
    rules = []
    for name, rule in settings.by_factor.items():
        key = f"recipe.by_factor.{name}"
        maker.unknown("rule_of_no_factor", key, name, factors)
        if name in factors:
            rules.append(maker.rule(key, rule, name, factors[name]))
    if not maker:
        recipe = Recipe(settings.name or say("the_batch"), items, tuple(rules))
        wanted = (settings.pieces or 0) * (settings.mould_g() or 0.0) * (1 + settings.spare)
        return maker.to_moulds(recipe, wanted, factors) if settings.scale_to_moulds else recipe
    raise BadInput(maker)


class _Maker(Complaints):
    """Makes ingredients and rules, and gathers what is wrong with any."""

    def __init__(self, measures: units.Measures, names: list[str]) -> None:
        super().__init__()
        self.measures, self.names = measures, names

    def quantity(self, key: str, text: str | None) -> units.Quantity | None:
        try:
            return None if text is None else units.parse_quantity(text, measures=self.measures)
        except BadInput as error:
            self.take(key, error)
            return None

    def ingredient_known(self, key: str, name: str, names: Sequence[str]) -> None:
        self.unknown("ingredient_unknown", key, name, names)

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
        before, weighed = len(self), item.own_weighing
        self.kind_known(f"{key}.kind", item)
        amount = self.quantity(f"{key}.amount", item.amount)
        own = self.quantity(f"{key}.own_weighing.measure", weighed.measure if weighed else None)
        pack = self.quantity(f"{key}.pack", item.pack)
        if own is not None and (own.dimension == "mass" or own.amount == 0):
            self.add("weighed_no_spoon", f"{key}.own_weighing.measure")
        if pack is not None and pack.amount == 0:
            self.add("pack_empty", f"{key}.pack")
        if len(self) > before or amount is None:
            return None
        density = None
        if item.g_per_ml is not None:
            kind = units.canonical_kind(item.kind)
            span = units.Span.about(item.g_per_ml, units.scatter_of(item.role or ROLES.get(kind, "other")))
            density = units.Density(span, seen=False)
        made = Ingredient(
            item.name,
            item.kind,
            amount,
            role=item.role,
            density=density,
            own=units.OwnWeighing(own, tuple(weighed.grams)) if own and weighed else None,
            counted={
                name: units.count_drops(per_ml)
                for name, per_ml in (("drops", item.drops_per_ml), ("sprays", item.sprays_per_ml))
                if per_ml
            },
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
            self.take(f"{key}.kind", error)
        return made

    def kind_known(self, key: str, item: IngredientSettings) -> None:
        """An unknown kind needs a role: an acid that is misspelt must not go in with the dry powders."""
        kind, known = units.canonical_kind(item.kind), [*units.DENSITIES, *ROLES]
        if item.role == "acid":
            self.unknown("acid_unknown", key, kind, ACIDS, written=item.kind)
        elif item.role is None and kind not in known and not kind.startswith("isopropyl alcohol"):
            guess = nearest(item.kind, [*known, *units.ALIASES, "isopropyl alcohol 91 %"])
            self.add("kind_like" if guess else "kind_unknown", key, kind=item.kind, guess=guess)

    def rule(self, key: str, rule: RuleSettings, name: str, factor: FactorSettings) -> Rule:
        if rule.brings is not None:
            self.levels_match(f"{key}.brings", factor.levels, rule.brings)
            options = {}
            for level, items in rule.brings.items():
                names = [*self.names, *(item.name for item in items)]
                options[level] = self.ingredients(f"{key}.brings.{level}", items, names)
            return Rule(name, brings=options)
        for item in [rule.sets] if rule.sets else rule.multiplies or []:
            self.ingredient_known(f"{key}.{'sets' if rule.sets else 'multiplies'}", item, self.names)
        sets, given = rule.sets or "", rule.amounts or {}
        if rule.amounts is not None:
            self.levels_match(f"{key}.amounts", factor.levels, given)
        if factor.levels is None:
            if factor.range()[0] < 0:
                self.add("factor_below_zero", key)
            unit = self.unit(f"{key}.unit", rule.unit, name, factor) if sets else ""
            return Rule(name, sets, unit, multiplies=tuple(rule.multiplies or ()))
        if rule.multiplies:
            self.add("multiply_by_names", key)
            return Rule(name)
        read = {each: self.quantity(f"{key}.amounts.{each}", given.get(each, each)) for each in factor.levels}
        return Rule(name, sets, amounts={level: amount for level, amount in read.items() if amount})

    def unit(self, key: str, asked: str | None, name: str, factor: FactorSettings) -> str:
        """The unit of the amounts that a factor sets."""
        try:
            return units.parse_quantity(f"1 {asked or factor.unit}", measures=self.measures).unit
        except BadInput:
            self.add("unit_of_none", key if asked else f"factors.{name}.unit", unit=asked or factor.unit)
            return ""

    def to_moulds(self, recipe: Recipe, wanted: float, factors: Mapping[str, FactorSettings]) -> Recipe:
        """The recipe so many times as written that the lightest batch weighs so many grams as are wanted.

        At f times a batch weighs a f + b, where b is what factors set or bring, which stays as it is. f comes
        from the ends of the factors, not from the batches planned, so that a later one is made alike.
        """
        at: dict[str, str | float] = {name: (f.levels or f.range())[0] for name, f in factors.items()}

        def mass(times: float, at: Mapping[str, str | float]) -> float:
            return batch_mass(for_run(scale(recipe, times), at)).typical

        try:
            for name, factor in factors.items():
                ends = factor.levels or factor.range()
                at |= min(({name: end} for end in ends), key=lambda one: mass(1, {**at, **one}))
            once, twice = mass(1, at), mass(2, at)
        except CannotAnswer as error:
            self.take("recipe.scale_to_moulds", error)
        else:
            grows, fixed = twice - once, 2 * once - twice
            if fixed < wanted and grows > 0:
                return scale(recipe, (wanted - fixed) / grows)
            self.add("moulds_too_small", "recipe.scale_to_moulds", fixed=fixed, wanted=wanted)
        raise BadInput(self)

    def levels_match(self, key: str, levels: list[str] | None, given: Mapping[str, object]) -> None:
        """Every level must be given, and nothing else."""
        if levels is None:
            self.add("numbers_no_levels", key)
            return
        for level in given:
            self.unknown("no_such_level", f"{key}.{level}", level, levels)
        for level in levels:
            if level not in given:
                self.add("level_unsaid", key, level=level)
