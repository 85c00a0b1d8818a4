"""Numbers and effects in words: one catalogue for every measure, plain words first, then how much."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from math import isfinite
from typing import Any

import pandas as pd

from fizzlab.errors import capital, count, listed
from fizzlab.measures import CURRENCIES, Measure, Words, number
from fizzlab.models.result import Effect
from fizzlab.models.terms import Category
from fizzlab.report.page import Finding
from fizzlab.trial.settings import TrialSettings

__all__ = ["capital", "count", "listed", "number"]

Label = Callable[[str], str]

#: Levels that are no name of their own.
BARE = frozenset({"yes", "no", "none", "with", "without", "on", "off", "low", "high", "old", "new", "plain"})

_AIR = {"log vpd_kpa": "the room's air", "vpd_kpa": "vapour-pressure deficit"}


def signed(value: float) -> str:
    """A difference, with its sign: ``"+4.0"``."""
    return f"{'+' if value > 0 else '−' if value < 0 else ''}{number(abs(value))}"


def of_hundred(p: float) -> str:
    """A probability in words: ``"4 in 100"``."""
    return "fewer than 1 in 100" if p < 0.01 else f"{p * 100:.0f} in 100"


def percent(share: float) -> str:
    """A share in per cent."""
    return f"{share * 100:.0f} %"


def duration(hours: float) -> str:
    """A time span in the unit a person would use: ``"36 min"``, ``"4.4 h"``, ``"30 h"``, ``"4.2 days"``."""
    if hours < 0.95:
        return f"{round(hours * 60)} min"
    if hours < 23.95:
        return f"{hours:.1f} h"
    return f"{hours:.0f} h" if hours < 72 else f"{number(hours / 24)} days"


def amount(value: float, unit: str) -> str:
    """A number with its unit, times in the unit a person would use: ``"7.2 min"``, ``"62 cm"``."""
    if unit in CURRENCIES:
        return f"under a {CURRENCIES[unit]}" if 0 < abs(value) < 0.01 else f"{value:.2f} {unit}"
    if unit == "h" or (unit == "s" and value >= 7200):
        return duration(value if unit == "h" else value / 3600)
    if unit == "s" and value >= 10:
        return f"{value:.0f} s" if value < 300 else f"{number(value / 60)} min"
    return f"{number(value)} {unit}".strip()


def between(low: float, high: float, unit: str) -> str:
    """From low to high, the unit once; an end that the readings leave open is said to be.

    >>> between(131.2, 154.8, "s"), between(240, 431, "s"), between(0, 70, "cm")
    ('131 to 155 s', '240 s to 7.2 min', 'up to 70 cm')
    """
    if not isfinite(high):
        return f"{amount(low, unit)} or more" if low > 0 else "how sure, the readings do not say"
    last = amount(high, unit)
    if low == high:
        return last
    if low == 0:
        return f"up to {last}"
    _, space, end = last.partition(" ")
    return f"{amount(low, unit).removesuffix(space + end)} to {last}"


def inside(row: Mapping[Any, Any], unit: str = "h") -> str:
    """The interval of a row that has conf_low and conf_high."""
    low = float(row["conf_low"])
    return between(max(low, 0.0) if unit == "%" else low, float(row["conf_high"]), unit)


def estimate(row: Mapping[Any, Any], unit: str) -> str:
    """The number of a row with its interval: ``"62 cm (55 to 70 cm)"``."""
    said = amount(float(row["estimate"]), unit) + (", never tried" if row.get("extrapolated") else "")
    return said if row["conf_low"] == row["conf_high"] else f"{said} ({inside(row, unit)})"


def numbers_of(topic: str, said: str, row: Mapping[Any, Any], unit: str, **more: Any) -> Finding:
    """A finding from a row with an interval; what is open, or never comes, has no number."""
    ends = ("estimate", "conf_low", "conf_high")
    best, low, high = (float(row[end]) if isfinite(row[end]) else None for end in ends)
    beyond = bool(row.get("extrapolated", False))
    return Finding(topic, said, best, low, high, unit, beyond_tried=beyond, **more)


def spoken(text: str, settings: TrialSettings) -> str:
    """A sentence of a model, its columns named as the maker calls them.

    Names are replaced whole and all at once, so that a name that is a word of a label stays a word of it.
    """
    names = {name: settings.label(name) for name in settings.factors} | _AIR
    known = {label: label for label in names.values()} | names
    words = "|".join(re.escape(name) for name in sorted(known, key=len, reverse=True))
    text = re.sub(rf"(?<!\w)(?:{words})(?!\w)", lambda found: known[found[0]], text)
    return re.sub(r"(^|[.:] )the room's air", r"\1The room's air", text)


def words_of(measure: Measure) -> Words:
    """Its words; a maker's own measure is spoken of by its label."""
    if measure.words == Words("have more", "have less"):
        return Words(f"have more {measure.label}", f"have less {measure.label}")
    return measure.words


def by_how_much(value: float, effect: Effect, measure: Measure) -> str:
    """How far a value of an effect lies from no difference: ``"38 %"``, ``"2.4 times"``, ``"0.50 mm"``."""
    if effect.scale == "difference":
        unit = "points" if measure.unit == "%" else measure.unit
        return amount(abs(value), unit) if unit in CURRENCIES else f"{number(abs(value))} {unit}".strip()
    if value >= 1.995:
        return "twice" if value < 2.05 else f"{number(value)} times"
    return percent(abs(value - 1))


def span(effect: Effect, measure: Measure) -> str:
    """The interval of an effect that was shown, in the direction that the sentence gave."""
    ends = sorted((effect.conf_low, effect.conf_high), key=lambda end: abs(end - effect.null))
    if not all(isfinite(end) for end in ends):
        return f"at least {by_how_much(ends[0], effect, measure)}"
    if effect.scale != "difference" and effect.estimate >= 1.995:
        return f"{number(ends[0])} to {number(ends[1])} times"
    least, most = (by_how_much(end, effect, measure) for end in ends)
    unit = least.rpartition(" ")[2]
    same = unit and most.endswith(f" {unit}")
    return f"{least.removesuffix(f' {unit}') if same else least} to {most}"


def directed(value: float, effect: Effect, measure: Measure) -> str:
    """A value of an effect with its direction: ``"17 % faster"``."""
    words, size = words_of(measure), by_how_much(value, effect, measure)
    if size == "twice" or size.endswith("times"):
        return f"{size} {words.times}"
    return f"{size} {words.up if value > effect.null else words.down}"


def possible(effect: Effect, measure: Measure) -> str:
    """What an effect that was not shown leaves open: ``"17 % faster to 47 % slower"``."""
    low, high = effect.conf_low, effect.conf_high
    open_low = not isfinite(low) or (effect.scale != "difference" and low <= 0)
    if open_low:
        return f"up to {directed(high, effect, measure)}" if isfinite(high) else ""
    if not isfinite(high):
        return f"{directed(low, effect, measure)} upwards"
    return f"{directed(low, effect, measure)} to {directed(high, effect, measure)}"


def open_still(effect: Effect, measure: Measure) -> str:
    """What is still possible, as it ends a sentence."""
    told = possible(effect, measure)
    if not told:
        return "anything is possible"
    return f"anything {'' if told.startswith('up to') else 'from '}{told} is possible"


def sentence(effect: Effect, measure: Measure, label: Label) -> str:
    """Tell one effect: how much, as good as equal, or what is still possible."""
    both, what = against(effect, label, " and "), capital(measure.label)
    if effect.shown:
        return _shown(effect, measure, label)
    if effect.exact:
        return f"{what}: no difference between {both}."
    if effect.same:
        apart, margin = max(effect.same_high, 1 / effect.same_low) - 1, (effect.margin or 1) - 1
        equal = f"are as good as equal, at most {percent(apart)} apart (you set {percent(margin)})"
        return f"{what}: {both} {equal}."
    return f"{what}, {against(effect, label)}: can't tell yet; {open_still(effect, measure)}."


def _shown(effect: Effect, measure: Measure, label: Label) -> str:
    words = words_of(measure)
    way, up = (words.more, words.up) if effect.greater else (words.less, words.down)
    size = by_how_much(effect.estimate, effect, measure)
    times = size.endswith("times") or size == "twice"
    told = way if times else way.replace(up, f"{size} {up}", 1) if up in way else f"{way}, {size},"
    named = isinstance(effect.term, Category)  # "fan off", but "than with 2 g" of what was just named
    control = with_name(effect, effect.control, label) if named else effect.control
    start = f"Pieces with {with_name(effect, effect.level, label)} {told} than with {control}"
    if effect.exact:
        return f"{start}."
    ends = span(effect, measure)
    told = f"{start}: {size} {words.times} ({ends})" if times else f"{start} ({ends})"
    return f"{told}; you count that as equal." if effect.same else f"{told}."


def with_name(effect: Effect, level: str, label: Label) -> str:
    """A level as it is spoken of: ``"lake"``, ``"4 g of oil"``, ``"fan on"``."""
    if not isinstance(effect.term, Category):
        return f"{level} of {label(effect.factor)}"
    return f"{label(effect.factor)} {level}" if bare(level) else level


def bare(level: str) -> bool:
    """Does a level say nothing without the name of its factor?"""
    return level.casefold() in BARE or level.replace(".", "").isdigit()


def against(effect: Effect, label: Label, middle: str = " against ") -> str:
    """The two levels: ``"lake against dye"``, ``"4 g against 2 g of oil"``."""
    level = effect.level if bare(effect.control) else with_name(effect, effect.level, label)
    if not isinstance(effect.term, Category):
        level = effect.level
    return f"{level}{middle}{with_name(effect, effect.control, label)}"


def cell(effect: Effect, measure: Measure) -> str:
    """One effect for a table."""
    if effect.exact:
        return directed(effect.estimate, effect, measure) if effect.shown else "no change"
    if effect.shown:
        size = f"{directed(effect.estimate, effect, measure)} ({span(effect, measure)})"
        return f"{size}, as good as equal" if effect.same else size
    told = possible(effect, measure) or "anything"
    return f"{'as good as equal' if effect.same else 'can’t tell'}: {told}"


def cell_in_short(effect: Effect, measure: Measure) -> str:
    """The same without what the front page says is still possible."""
    if effect.exact or effect.shown:
        return cell(effect, measure)
    return "as good as equal" if effect.same else "can’t tell"


def told(effect: Effect, measure: Measure) -> str:
    """How much with its interval, or what is still possible, as it ends a sentence."""
    return (
        cell(effect, measure) if effect.shown else f"can't tell yet. {capital(open_still(effect, measure))}"
    )


def row_cell(row: Mapping[Any, Any], response: str, term: Category, measure: Measure) -> str:
    """One row of a comparison for a table."""
    ends = (row["estimate"], row["conf_low"], row["conf_high"])
    told = (row["level"], row["control"], row["scale"], *ends, row["df"], 0)
    return cell(Effect(response, term, *told), measure)


def of_effect(effect: Effect, measure: Measure, said: str, topic: str = "") -> Finding:
    """One effect with its numbers, and the sentence that tells it."""
    row = {name: getattr(effect, name) for name in ("estimate", "conf_low", "conf_high")}
    unit = effect.scale if effect.scale != "difference" else measure.unit or "money"
    more: dict[str, Any] = {"level": effect.conf_level, "batches": effect.n_batches}
    more["df"] = effect.df if isfinite(effect.df) else None
    return numbers_of(topic or f"changed.{effect.topic}", said, row, unit, **more)


def wide(cells: Mapping[str, Mapping[str, str]], row: str, column: str) -> pd.DataFrame:
    """A table of texts by column and row; turned where it would be wider than long."""
    rows = list(dict.fromkeys(key for each in cells.values() for key in each))
    found = pd.DataFrame(cells).reindex(rows).fillna("")
    if len(found.columns) > 4 and len(found.columns) > len(found):
        return found.T.reset_index().rename(columns={"index": column})
    return found.reset_index().rename(columns={"index": row})
