"""What a plan can detect, in sentences."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from fizzlab.design.power import Chance, Effect, Schedule, Smallest, Spreads
from fizzlab.report.phrases.numbers import count, duration, listed, number, percent

Label = Callable[[str], str]


@dataclass(frozen=True)
class Thing:
    """What is measured, in the words that a comparison needs: "a dry time", "long", "dry times"."""

    noun: str
    adjective: str
    ratio_of: str


DRY_TIME = Thing("a dry time", "long", "dry times")


def comparison(effect: Effect, ratio: float, thing: Thing, label: Label) -> str:
    """An effect of one size in words.

    Examples
    --------
    >>> import numpy as np
    >>> dye = Effect("colour", "dye", "pearl", True, np.ones(1), np.ones(1), np.ones(1))
    >>> comparison(dye, 1.25, DRY_TIME, str)
    'a dry time 1.25 times as long with dye as with pearl'
    """
    times = f"{_ratio(ratio)} times as {thing.adjective}"
    return f"{thing.noun} {times} with {first_of(effect, label)} as with {effect.second}"


def first_of(effect: Effect, label: Label) -> str:
    """What is compared, in words: a level, or an amount of something.

    Examples
    --------
    >>> import numpy as np
    >>> gum = Effect("gum_g", "1.2 g", "0.6 g", False, np.ones(1), np.ones(1), np.ones(1))
    >>> first_of(gum, lambda name: name.replace("_", " "))
    '1.2 g of gum'
    """
    if effect.named:
        return effect.first
    unit = effect.first.partition(" ")[2]
    return f"{effect.first} of {label(effect.factor).removesuffix(f' {unit}')}"


def chance_sentence(
    chance: Chance, effect: Effect, batches: int, days: int, thing: Thing, label: Label
) -> str:
    """How often an effect of one size would be seen."""
    plan = f"{count(batches, 'batch', 'batches')} on {count(days, 'day')}"
    return (
        f"With {plan} you would see {comparison(effect, chance.ratio, thing, label)} in {_of_100(chance.chance)} "
        f"of 100 such trials ({_of_100(chance.low)} to {_of_100(chance.high)}, the error of simulating "
        f"{chance.trials} of them)."
    )


def smallest_sentence(smallest: Smallest, effect: Effect, label: Label) -> str:
    """The smallest effect that is seen often enough."""
    if math.isfinite(smallest.high):
        span = f"{_ratio(smallest.low)} to {_ratio(smallest.high)}"
    else:
        span = f"{_ratio(smallest.low)} or more"
    error = f" ({span} by the error of the simulation)"
    return (
        f"The smallest ratio of {first_of(effect, label)} to {effect.second} seen in {_of_100(smallest.target)} of 100 is about "
        f"{_ratio(smallest.ratio)}{error}."
    )


def unanswered_sentence(chance: Chance) -> str:
    """How often the looks would give no answer at all; empty where that is rare."""
    if chance.unanswered < 0.03:
        return ""
    return (
        f"In {_of_100(chance.unanswered)} of 100 such trials the looks would be too far apart, too early or too late "
        "to give any answer: look more often around the time of drying."
    )


def hardest_sentence(effect: Effect, effects: int, label: Label) -> str:
    """That the others are easier to see."""
    return (
        f"Of the {effects} effects this plan asks for, that of {first_of(effect, label)} against {effect.second} is "
        "the hardest to see; the others are seen at smaller ratios."
    )


def spreads_sentence(spreads: Spreads, typical_h: float | None) -> str:
    """What these chances rest on."""
    parts = [
        f"pieces of a batch differ by about {percent(spreads.pieces)}",
        f"batches of a day by {percent(spreads.batches)}",
        f"days by {percent(spreads.days)}",
    ]
    usual = f" and pieces usually dry after {duration(typical_h)}" if typical_h is not None else ""
    return f"This takes it that {listed(parts)} (one standard deviation){usual}. The spreads are {spreads.origin}."


def looks_sentence(kept: float, better: Schedule, low_h: float, high_h: float) -> str:
    """What the looks keep, and when to look instead; empty where little is to be gained."""
    if better.kept < kept + 0.05:
        return ""
    hours = listed([f"{hour:.4g}" for hour in better.looks_h])
    return (
        f"If pieces usually dry after {number(low_h)} to {number(high_h)} h, the looks of this plan keep "
        f"{percent(kept)} of what exactly known dry times would tell; as many looks at {hours} h would keep "
        f"{percent(better.kept)}."
    )


def not_worked_out(why: str) -> str:
    """Why nothing is said of the size of a difference."""
    return f"How small a difference this plan would see is not worked out. {why}"


def in_words(table: Sequence[tuple[float, float]], what: str) -> str:
    """A power curve as one text, for those who cannot see the picture."""
    points = [f"{_ratio(ratio)} times: {_of_100(chance)} of 100" for ratio, chance in table]
    return f"{what}: how often it would be seen. {'; '.join(points)}."


def _ratio(value: float) -> str:
    return number(value, 3 if value < 10 else 2)


def _of_100(share: float) -> str:
    return f"{100 * share:.0f}"
