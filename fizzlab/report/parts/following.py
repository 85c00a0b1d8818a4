"""What the report would make next, in a form that `fizzlab next` reads from the record: no sentence is parsed."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any

import pandas as pd

from fizzlab.errors import CannotAnswer
from fizzlab.language import say
from fizzlab.models.choose import HALF
from fizzlab.models.terms import Amount
from fizzlab.report.analysis import Analysis
from fizzlab.report.page import Finding
from fizzlab.report.parts.choose import Judgement, choosing, further
from fizzlab.report.parts.drying import dried
from fizzlab.report.parts.general import about, is_blend
from fizzlab.report.parts.repeat import of_repeats

#: More combinations than this are not all made again.
MOST_AGAIN = 8

#: With so many batches of each, none needs to be made again.
ENOUGH = 8


@dataclass(frozen=True)
class Recommended(Finding):
    """A step; `next` is its `kind` (move, add, confirm, again) and what that needs: factor and amounts, or batches."""

    next: dict[str, Any] = field(default_factory=dict)


@lru_cache(maxsize=2)
def following(done: Analysis) -> tuple[Recommended, ...]:
    """The steps that `fizzlab next` can take, the one that it takes unasked first."""
    if of_repeats(done) or done.trial.confirms is not None or not done.terms:
        return ()
    try:
        chosen = choosing(done)
    except CannotAnswer:
        chosen = None
    name = done.trial.folder.resolve().name
    command = f'fizzlab next "{name}"' if " " in name else f"fizzlab next {name}"
    found = list(_of_choice(done, chosen) if chosen else _of_changes(done))
    commands = [command, *(f"{command} --do {kind}" for kind, _, _ in found[1:])]
    return tuple(
        Recommended(f"next.{kind}", say("next_step", said=said, command=typed), next={"kind": kind} | more)
        for typed, (kind, said, more) in zip(commands, found, strict=False)
    )


_Step = tuple[str, str, dict[str, Any]]


def _of_choice(done: Analysis, chosen: Judgement) -> Iterator[_Step]:
    """Beyond the end where the best lies, if there is something to gain; then add, and confirm."""
    judged, many = chosen.choice, done.settings.choose.confirm_batches
    best = judged.best
    lacking = best["meets"] < HALF if judged.limits else best["granted"] < 0.99
    for term in judged.terms if lacking and not is_blend(done.trial) else ():
        if isinstance(term, Amount) and any(e.shown for e in done.effects if e.factor == term.name):
            moved = beyond(done.trial.rows("runs")[term.name], float(best[term.name]))
            if moved:
                ends = {"low": moved[0], "high": f"{moved[-1]:g} {term.unit}".rstrip()}
                said = say("next_move", label=done.settings.label(term.name), **ends)
                yield "move", said, {"factor": term.name, "amounts": moved}
    asked = about(done)
    if not judged.settled and not all(e.same for e in done.effects if e.response in asked):
        yield from _adding(done, chosen)
    if not judged.limits or best["meets"] >= HALF:
        made = {term.name: _plain(best[term.name]) for term in judged.terms}
        said = say("next_confirm", name=chosen.voice.name(best), batches=say("n_batches", n=many))
        yield "confirm", said, {"combinations": [made], "repeats": many}


def _of_changes(done: Analysis) -> Iterator[_Step]:
    """Where nothing is asked of a batch: add while a change is open, make what changed something again."""
    fit = dried(done) or next(iter(done.fits.values()), None)
    effects = fit.effects if fit is not None else ()
    if any(not (effect.shown or effect.same) for effect in effects):
        yield from _adding(done, None)
    made = done.trial.rows("runs")[[term.name for term in done.terms]].drop_duplicates()
    many = len(done.batches) / max(len(made), 1)
    if any(effect.shown for effect in effects) and len(made) <= MOST_AGAIN and many < ENOUGH:
        again = [{str(name): _plain(level) for name, level in row.items()} for row in made.to_dict("records")]
        yield "again", say("next_again"), {"combinations": again, "repeats": 2}


def _adding(done: Analysis, chosen: Judgement | None) -> Iterator[_Step]:
    try:
        runs = further(done.trial, chosen.choice if chosen else None).runs
    except CannotAnswer:
        return
    days = pd.factorize(runs["day"])[0] + 1
    rows = runs[[term.name for term in done.terms]].map(_plain).assign(day=days).to_dict("records")
    yield "add", say("next_add", batches=say("n_batches", n=len(rows))), {"batches": rows}


def beyond(tried: pd.Series, best: float) -> list[float]:
    """The amounts moved so that the best, one of their ends, is their middle; none where that ends at zero.

    >>> beyond(pd.Series([0.6, 1.2, 1.8]), 1.8), beyond(pd.Series([1.0, 5.0]), 1.0)
    ([1.2, 1.8, 2.4], [0.0, 1.0, 3.0])
    """
    amounts = sorted({float(amount) for amount in tried})
    if best not in (amounts[0], amounts[-1]) or best == 0:
        return []
    half = (amounts[-1] - amounts[0]) / 2
    low = best - half if amounts[0] < 0 else max(best - half, 0.0)
    return [round(each, 6) for each in (low, best, best + half)]


def _plain(value: object) -> object:
    return float(value) if isinstance(value, (int, float)) and not isinstance(value, bool) else str(value)
