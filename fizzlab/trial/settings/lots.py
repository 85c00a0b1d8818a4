"""The sections [lots] and [[deviations]] of `trial.toml`: what went in, and what went another way."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from typing import Annotated, Any

from pydantic import BeforeValidator, Field

from fizzlab.errors import Problem, nearest
from fizzlab.trial.settings.base import FILE, Name, Section, Text
from fizzlab.trial.settings.recipe import RecipeSettings


def _as_list(value: Any) -> Any:
    return [value] if isinstance(value, str) else value


#: The lots of one ingredient; a single one may be given without brackets.
Lots = Annotated[list[Name], Field(min_length=1, max_length=50), BeforeValidator(_as_list)]


class DeviationSettings(Section):
    """Something that went otherwise than planned, in the maker's words; `run` where it befell one batch."""

    run: Name | None = None
    what: Text
    why: Text | None = None


def lot_doubts(lots: Mapping[str, Sequence[str]], recipe: RecipeSettings | None) -> list[Problem]:
    """Lots of an ingredient that the recipe does not name are probably misspelt."""
    if recipe is None:
        return []
    items = list(recipe.ingredients)
    for rule in recipe.by_factor.values():
        items += [item for brought in (rule.brings or {}).values() for item in brought]
    names = [name for item in items for name in (item.name, item.kind)]
    known = {_folded(name) for name in names}
    doubts = []
    for name in lots:
        if _folded(name) not in known:
            guess = nearest(name, names)
            do = f"Did you mean {guess}?" if guess else "Correct it, or leave it if it is meant so."
            what = f"the recipe has no ingredient “{name}”."
            doubts.append(Problem(FILE, what, do, column=f"key lots.{name}", weight="doubt"))
    return doubts


def deviation_problems(deviations: Sequence[DeviationSettings], runs: Collection[str]) -> list[Problem]:
    """Deviations of a batch that runs does not name."""
    problems = []
    for number, deviation in enumerate(deviations, start=1):
        if deviation.run is not None and deviation.run not in runs:
            guess = nearest(deviation.run, runs)
            do = f"Did you mean {guess}?" if guess else "Correct it, or take the key run out."
            what = f"“{deviation.run}” is not a batch that runs names."
            problems.append(Problem(FILE, what, do, column=f"key deviations ({number}).run"))
    return problems


def _folded(name: str) -> str:
    return name.casefold().replace("_", " ")
