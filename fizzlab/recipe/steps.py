"""The order of making and what can hurt, as data for a bench sheet; the sentences stand in steps.toml."""

from __future__ import annotations

import tomllib
from collections.abc import Container, Sequence
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any

from fizzlab.language import translated
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
    """A warning: its short name, what it says, and the steps it is beside."""

    key: str
    say: str
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


def bench_steps(recipe: Recipe, tried: Container[str] = ()) -> tuple[Step, ...]:
    """The steps in order for a recipe without rules, the acid last; the trial changes the roles `tried`."""
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
        do = step["do_tried"] if step.get("adds") in tried else step["do"]
        steps.append(Step(step["key"], translated(do), translated(why), names))
    return tuple(steps)


def all_steps(recipes: Sequence[Recipe], tried: Container[str] = ()) -> tuple[Step, ...]:
    """The steps of several recipes told once, with everything that goes in at a step in any of them."""
    every, found = [step for recipe in recipes for step in bench_steps(recipe, tried)], list[Step]()
    for key in (step["key"] for step in _said()["step"]):
        here = [step for step in every if step.key == key]
        names = tuple(dict.fromkeys(name for step in here for name in step.ingredients))
        found += [replace(step, why=max(each.why for each in here), ingredients=names) for step in here[:1]]
    return tuple(found)


def cautions(recipe: Recipe) -> tuple[Caution, ...]:
    """The cautions that a recipe's ingredients bring, with the steps they belong to."""
    items, found = _by_role(recipe), dict[str, Caution]()
    for each in _said()["caution"]:
        brought = items.get(each.get("role", ""), [])
        fits = any(item.kind == each.get("kind", item.kind) for item in brought)
        if (fits or each.get("always", False)) and each["key"] not in found:
            found[each["key"]] = Caution(each["key"], translated(each["say"]), tuple(each["steps"]))
    return tuple(found.values())


def stock_into(item: Ingredient) -> list[str]:
    """The roles of what a little of it can be stirred into to be weighed out together."""
    fits = (each["into"] for each in _said()["stock"] if {item.job, item.kind} & {*each["of"]})
    return [role for into in [*fits][-1:] for role in into]
