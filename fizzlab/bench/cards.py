"""What is made in each batch of a plan: its amounts, steps and cautions, ready to be printed or looked at."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from functools import partial

import pandas as pd

from fizzlab.errors import BadInput, CannotAnswer, Problem, problem
from fizzlab.language import listed, say
from fizzlab.measures import number
from fizzlab.recipe import amounts as made_of
from fizzlab.recipe.chemistry import gas_litres
from fizzlab.recipe.ingredients import Recipe, for_run
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


@dataclass(frozen=True)
class Cards:
    """The cards of a plan in the order of making, and `doubts`: what to know before the first."""

    cards: tuple[RunCard, ...]
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
    problems: list[Problem] = []
    for _, record in runs.iterrows():
        levels = {name: record[name] for name in settings.factors}
        said = []
        for name, factor in settings.factors.items():
            level = f"{levels[name]:.4g} {factor.unit}".rstrip() if factor.numeric else levels[name]
            said.append((settings.label(name), level))
        run, day, blind = (str(record[name]) for name in ("run", "day", "blind"))
        cards.append(RunCard(run, day, blind, tuple(said)))
        try:
            if base is not None:
                recipe = for_run(base, levels)
                cards[-1] = replace(cards[-1], recipe=recipe, notes=_notes(settings, recipe))
        except BadInput as error:
            problems += error.problems
        except CannotAnswer as error:
            who, key = listed([f"{label} {level}" for label, level in said]), say("at_key", key="recipe")
            refused = partial(problem, "card_refused", FILE, column=key, do=error.would_help)
            problems.append(refused(levels=who, why=error.why))
    if problems:
        raise BadInput({str(problem): problem for problem in problems}.values())
    recipes = [card.recipe for card in cards if card.recipe is not None]
    minded = (*made_of.doubts(recipes), *made_of.too_little(recipes, settings.bench.scale_g))
    return Cards(tuple(cards), minded)


def _notes(settings: TrialSettings, recipe: Recipe) -> tuple[str, ...]:
    said = made_of.over_limits(recipe)
    with suppress(CannotAnswer):
        fizz = made_of.fizz_balance(recipe)
        gas = gas_litres(fizz.typical.co2_g)
        said.append(say("gas_at_most", fizz=fizz, litres=number(gas)))
    wanted = settings.recipe
    piece_g = wanted.mould_g() if wanted else None
    if wanted is not None and wanted.pieces is not None and piece_g is not None:
        fills = made_of.batch_mass(recipe).typical / piece_g
        if fills < wanted.pieces:
            told = {"fills": number(fills), "grams": number(piece_g), "wanted": wanted.pieces}
            said.append(say("batch_fills", **told))
    return tuple(said)
