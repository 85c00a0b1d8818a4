"""What is made in each batch of a plan: its amounts, steps and cautions, ready to be printed or looked at."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import pandas as pd

from fizzlab.errors import BadInput, CannotAnswer, Problem, listed
from fizzlab.measures import number
from fizzlab.recipe import amounts as made_of
from fizzlab.recipe.chemistry import gas_litres
from fizzlab.recipe.ingredients import Ingredient, Recipe, for_run
from fizzlab.recipe.units import Quantity
from fizzlab.trial.settings import FILE, TrialSettings


@dataclass(frozen=True)
class RunCard:
    """One batch to make: its name, day, the code under which it is scored, and what goes into it.

    `levels` are each factor in plain words and its level with the unit; `recipe` is without rules, and None
    where trial.toml has none; `notes` say what to know: limits, soda against acid, how many pieces it fills.
    """

    run: str
    day: str
    blind: str
    levels: tuple[tuple[str, str], ...]
    recipe: Recipe | None = None
    notes: tuple[str, ...] = ()
    made: str = ""  # when that is, and when its looks are, where days are dates
    looks: str = ""

    @property
    def amounts(self) -> pd.DataFrame | None:
        """Grams of each ingredient, as `fizzlab.recipe.amounts_table` has them."""
        return None if self.recipe is None else made_of.amounts_table(self.recipe)


@dataclass(frozen=True)
class Cards:
    """The cards of a plan in the order of making, and what holds for several of them.

    Each batch is `scaled` times the recipe as written; `doubts` are what to know before making it.
    """

    cards: tuple[RunCard, ...]
    scaled: float = 1.0
    doubts: tuple[str, ...] = ()


def in_code_order(cards: Sequence[RunCard]) -> list[RunCard]:
    """The cards of each day in the order of their codes, which says nothing of the recipe."""
    days = list(dict.fromkeys(card.day for card in cards))
    return sorted(cards, key=lambda card: (days.index(card.day), card.blind))


def make_cards(settings: TrialSettings, runs: pd.DataFrame) -> Cards:
    """A card for each run (run, day, blind and the factors), in the order of making.

    BadInput is raised with every amount that does not work out, named by the levels of the first such run.
    """
    base = settings.made_recipe()
    cards: list[RunCard] = []
    recipes: list[Recipe] = []
    problems: list[Problem] = []
    for _, record in runs.iterrows():
        run, day, blind = (str(record[name]) for name in ("run", "day", "blind"))
        levels = {name: record[name] for name in settings.factors}
        said = []
        for name, factor in settings.factors.items():
            level = f"{levels[name]:.4g} {factor.unit}".rstrip() if factor.numeric else levels[name]
            said.append((settings.label(name), level))
        cards.append(RunCard(run, day, blind, tuple(said)))
        try:
            if base is not None:
                recipes.append(for_run(base, levels))
                made_of.weigh_out(recipes[-1])
        except BadInput as error:
            problems += error.problems
        except CannotAnswer as error:
            what = f"for {listed([f'{label} {level}' for label, level in said])}: {error.why}"
            problems.append(Problem(FILE, what, error.would_help, column="key recipe"))
    if problems:
        raise BadInput({str(problem): problem for problem in problems}.values())
    if base is None:
        return Cards(tuple(cards))
    scaled = _scale(settings, recipes)
    recipes = [made_of.scale(one, scaled) if scaled != 1 else one for one in recipes]
    pairs = zip(cards, recipes, strict=True)
    full = tuple(replace(card, recipe=one, notes=_notes(settings, one)) for card, one in pairs)
    return Cards(full, scaled, _doubts(recipes))


def _scale(settings: TrialSettings, recipes: Sequence[Recipe]) -> float:
    """One number for every batch, so that the lightest still fills the moulds and ratios stay as planned."""
    wanted = settings.recipe
    piece_g = wanted.mould_g() if wanted else None
    if wanted is None or not wanted.scale_to_moulds or piece_g is None or wanted.pieces is None:
        return 1.0
    lightest = min(made_of.batch_mass(one).typical for one in recipes)
    return wanted.pieces * piece_g * (1 + wanted.spare) / lightest


def _notes(settings: TrialSettings, recipe: Recipe) -> tuple[str, ...]:
    said = made_of.over_limits(recipe)
    try:
        fizz = made_of.fizz_balance(recipe)
    except CannotAnswer:
        pass
    else:
        gas = gas_litres(fizz.typical.co2_g)
        said.append(f"{fizz} At most {number(gas)} L of gas at bath warmth from the whole batch.")
    wanted = settings.recipe
    piece_g = wanted.mould_g() if wanted else None
    if wanted is not None and wanted.pieces is not None and piece_g is not None:
        fills = made_of.batch_mass(recipe).typical / piece_g
        if fills < wanted.pieces:
            moulds = f"{number(fills)} moulds of {number(piece_g)} g"
            said.append(f"The batch fills about {moulds}, not {wanted.pieces}.")
    return tuple(said)


def _doubts(recipes: Sequence[Recipe]) -> tuple[str, ...]:
    """Doubts about measures once for all batches, then those about what is in some of them."""
    every: dict[str, Ingredient] = {}
    alone: list[str] = []
    for recipe in recipes:
        items = [item for item in recipe.ingredients if item.amount.amount > 0]
        for item in items:
            every.setdefault(item.name, item)
        # each on the scale, so that only doubts about what is in it are left
        weighed = tuple(replace(item, amount=Quantity(1, "g"), top_up_after=None) for item in items)
        alone += made_of.doubts(Recipe("weighed", weighed))
    return tuple(dict.fromkeys([*made_of.doubts(Recipe("all batches", tuple(every.values()))), *alone]))
