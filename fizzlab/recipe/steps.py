"""The order of making and what can hurt, as data for a bench sheet; the sentences stand in steps.toml."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

from fizzlab.recipe.ingredients import Ingredient, Recipe


@dataclass(frozen=True)
class Step:
    """One step: its short name, what to do, why or how to tell that it is right, and what goes in."""

    key: str
    do: str
    why: str = ""
    ingredients: tuple[str, ...] = ()


@dataclass(frozen=True)
class Caution:
    """A warning: its short name, what it says, the ingredients that bring it, and the steps it is beside."""

    key: str
    say: str
    because_of: tuple[str, ...]
    steps: tuple[str, ...]


@cache
def _said() -> dict[str, list[dict[str, Any]]]:
    return tomllib.loads(Path(__file__).with_name("steps.toml").read_text(encoding="utf-8"))


def _by_role(recipe: Recipe) -> dict[str, list[Ingredient]]:
    """What goes in, by role; colours also by whether they are stirred into liquid first, or a powder."""
    found: dict[str, list[Ingredient]] = {}
    used = [item for item in recipe.ingredients if item.amount.amount > 0]
    liquid = any(item.job in ("alcohol", "water") for item in used)
    for item in used:
        roles: list[str] = [item.job]
        if item.job == "colour":
            stirred = item.kind == "liquid dye" or (item.kind == "lake pigment" and liquid)
            roles.append("wet colour" if stirred else "dry colour")
            roles += [] if item.kind == "liquid dye" else ["powder colour"]
        for role in roles:
            found.setdefault(role, []).append(item)
    return found


def bench_steps(recipe: Recipe) -> tuple[Step, ...]:
    """The steps in order for a recipe without rules, the acid last."""
    if recipe.rules:
        raise ValueError("apply the rules first, with for_run")
    items, steps, added = _by_role(recipe), [], set[str]()
    for step in _said()["step"]:
        asked = step.get("for", step.get("roles", ()))
        going = [item for role in step.get("roles", ()) for item in items.get(role, ())]
        names = tuple(item.name for item in going)
        if (asked and not any(role in items for role in asked)) or (names and added >= set(names)):
            continue
        added |= set(names)
        why = step.get("why", "")
        if "why_if" in step and not any(step["why_if"] in (item.job, item.kind) for item in going):
            why = ""
        steps.append(Step(step["key"], step["do"], why, names))
    return tuple(steps)


def cautions(recipe: Recipe) -> tuple[Caution, ...]:
    """The cautions that a recipe's ingredients bring, with the steps they belong to."""
    items, found = _by_role(recipe), dict[str, Caution]()
    for each in _said()["caution"]:
        brought = items.get(each.get("role", ""), [])
        fits = any(item.kind == each.get("kind", item.kind) for item in brought)
        if (fits or each.get("always", False)) and each["key"] not in found:
            names = tuple(item.name for item in brought)
            found[each["key"]] = Caution(each["key"], each["say"], names, tuple(each["steps"]))
    return tuple(found.values())
