"""What is made in each batch of a plan: its amounts, steps and cautions, ready to be printed or looked at."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import pandas as pd

from fizzlab.errors import BadInput, CannotAnswer, Problem, listed
from fizzlab.measures import number
from fizzlab.recipe import amounts as made_of
from fizzlab.recipe.chemistry import gas_litres
from fizzlab.recipe.ingredients import Ingredient, Recipe, for_run
from fizzlab.recipe.steps import Caution, Step, bench_steps, cautions
from fizzlab.recipe.units import Quantity, Span
from fizzlab.trial.settings import TrialSettings


@dataclass(frozen=True)
class RunCard:
    """One batch to make: its name, its day, the code under which it is scored, and what goes into it.

    `levels` are each factor in plain words and its level with the unit; `recipe` is without rules, and None
    where trial.toml has none; `amounts` are as `fizzlab.recipe.amounts` has them; `notes` say what to
    know about this batch: limits, soda against acid, how many pieces it fills.
    """

    run: str
    day: str
    blind: str
    levels: tuple[tuple[str, str], ...]
    recipe: Recipe | None
    amounts: pd.DataFrame | None
    steps: tuple[Step, ...]
    cautions: tuple[Caution, ...]
    notes: tuple[str, ...]


@dataclass(frozen=True)
class Cards:
    """The cards of a plan in the order of making, and what holds for several of them.

    Each batch is `scaled` times the recipe as written; `doubts` are what to know before making it;
    `cost_each` is what the ingredients of one piece cost over all batches, None where it is not known.
    """

    cards: tuple[RunCard, ...]
    scaled: float
    doubts: tuple[str, ...]
    cost_each: Span | None


def level_words(settings: TrialSettings, name: str, level: object) -> str:
    """A level as it stands on a card: a name as it is, a number with its unit."""
    factor = settings.factors[name]
    if not factor.numeric:
        return str(level)
    return f"{float(level):.4g} {factor.unit}".rstrip()  # type: ignore[arg-type]


def in_code_order(cards: Sequence[RunCard]) -> list[RunCard]:
    """The cards of each day in the order of their codes, which says nothing of the recipe."""
    days = list(dict.fromkeys(card.day for card in cards))
    return sorted(cards, key=lambda card: (days.index(card.day), card.blind))


def make_cards(settings: TrialSettings, runs: pd.DataFrame) -> Cards:
    """A card for each run (run, day, blind and the factors), in the order of making.

    Raises
    ------
    BadInput
        With every amount that does not work out, named by the first run that has it.
    """
    base = settings.made_recipe()
    planned = [{str(name): value for name, value in row.items()} for row in runs.to_dict("records")]
    levels = [_levels(settings, record) for record in planned]
    if base is None or settings.recipe is None:
        cards = [_card(record, words, None, ()) for record, words in zip(planned, levels, strict=True)]
        return Cards(tuple(cards), 1.0, (), None)
    recipes, problems = _recipes(settings, base, planned)
    if problems:
        raise BadInput(problems)
    scaled = _scale(settings, recipes)
    recipes = [made_of.scale(one, scaled) if scaled != 1 else one for one in recipes]
    cards = [
        _card(record, words, one, _notes(settings, one))
        for record, words, one in zip(planned, levels, recipes, strict=True)
    ]
    return Cards(
        tuple(cards), scaled, _doubts(recipes, [card.run for card in cards]), _cost(settings, recipes)
    )


def _levels(settings: TrialSettings, record: Mapping[str, object]) -> tuple[tuple[str, str], ...]:
    return tuple(
        (settings.label(name), level_words(settings, name, record[name])) for name in settings.factors
    )


def _recipes(
    settings: TrialSettings, base: Recipe, planned: Sequence[Mapping[str, object]]
) -> tuple[list[Recipe], list[Problem]]:
    found: list[Recipe] = []
    problems: list[Problem] = []
    for record in planned:
        levels = {name: _plain_level(record[name]) for name in settings.factors}
        try:
            one = for_run(base, levels)
            made_of.weigh_out(one)
            found.append(one)
        except BadInput as error:
            problems += error.problems
        except CannotAnswer as error:
            words = listed([f"{label} {level}" for label, level in _levels(settings, record)])
            problems.append(
                Problem("trial.toml", f"for {words}: {error.why}", error.would_help, column="key recipe")
            )
    return found, list({str(problem): problem for problem in problems}.values())


def _plain_level(level: object) -> str | float:
    return level if isinstance(level, str) else float(level)  # type: ignore[arg-type]


def _scale(settings: TrialSettings, recipes: Sequence[Recipe]) -> float:
    """One number for every batch, so that the lightest still fills the moulds and ratios stay as planned."""
    wanted = settings.recipe
    piece_g = wanted.mould_g() if wanted else None
    if wanted is None or not wanted.scale_to_moulds or piece_g is None or wanted.pieces is None:
        return 1.0
    lightest = min(made_of.batch_mass(one).typical for one in recipes)
    return wanted.pieces * piece_g * (1 + wanted.spare) / lightest


def _card(
    record: Mapping[str, object],
    levels: tuple[tuple[str, str], ...],
    recipe: Recipe | None,
    notes: tuple[str, ...],
) -> RunCard:
    return RunCard(
        run=str(record["run"]),
        day=str(record["day"]),
        blind=str(record.get("blind", "")),
        levels=levels,
        recipe=recipe,
        amounts=None if recipe is None else made_of.amounts_table(recipe),
        steps=() if recipe is None else bench_steps(recipe),
        cautions=() if recipe is None else cautions(recipe),
        notes=notes,
    )


def _notes(settings: TrialSettings, recipe: Recipe) -> tuple[str, ...]:
    said = made_of.over_limits(recipe)
    try:
        fizz = made_of.fizz_balance(recipe)
    except CannotAnswer:
        pass
    else:
        gas = gas_litres(fizz.typical.co2_g)
        said.append(f"{fizz} At most {number(gas)} L of gas at bath warmth from the whole batch.")
    piece_g = settings.recipe.mould_g() if settings.recipe else None
    if piece_g is not None:
        pieces = made_of.batch_mass(recipe) * (1 / piece_g)
        wanted = settings.recipe.pieces if settings.recipe else None
        if wanted is not None and pieces.typical < wanted:
            said.append(
                f"The batch fills about {number(pieces.typical)} moulds of {number(piece_g)} g, not {wanted}."
            )
    return tuple(said)


def _doubts(recipes: Sequence[Recipe], runs: Sequence[str]) -> tuple[str, ...]:
    """Doubts about measures once for all batches; those about what is in a batch with its batches."""
    everything: dict[str, Ingredient] = {}
    for recipe in recipes:
        for item in recipe.ingredients:
            if item.amount.amount > 0:
                everything.setdefault(item.name, item)
    together = Recipe("all batches", tuple(everything.values()))
    said = [doubt for doubt in made_of.doubts(together) if doubt not in made_of.doubts(_weighed(together))]
    where: dict[str, list[str]] = {}
    for run, recipe in zip(runs, recipes, strict=True):
        for doubt in made_of.doubts(_weighed(recipe)):
            where.setdefault(doubt, []).append(run)
    for doubt, some in where.items():
        named = f"{listed(some[:6])}{' and others' if len(some) > 6 else ''}"
        said.append(doubt if len(some) == len(runs) else f"{doubt} (Batches: {named}.)")
    return tuple(said)


def _weighed(recipe: Recipe) -> Recipe:
    """The same ingredients, each on the scale, so that only doubts about what is in it are left."""
    gram = Quantity(1, "g")
    items = [
        replace(item, amount=gram, top_up_after=None) for item in recipe.ingredients if item.amount.amount > 0
    ]
    return replace(recipe, ingredients=tuple(items))


def _cost(settings: TrialSettings, recipes: Sequence[Recipe]) -> Span | None:
    """Least, mean and most cost of a piece; None unless every ingredient has a price and pieces are known."""
    pieces = settings.recipe.pieces if settings.recipe else None
    if pieces is None:
        return None
    costs = [made_of.cost(one, pieces) for one in recipes]
    if any(one.unpriced for one in costs):
        return None
    return Span(
        min(one.piece.low for one in costs),
        sum(one.piece.typical for one in costs) / len(costs),
        max(one.piece.high for one in costs),
    )
