"""Numbers and effects in words: one catalogue for every measure, plain words first, then how much."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from math import isfinite
from typing import Any

import pandas as pd

from fizzlab.errors import capital
from fizzlab.language import say, wording
from fizzlab.measures import CURRENCIES, Measure, Words, number
from fizzlab.models.result import ENDS, Effect
from fizzlab.models.terms import Category
from fizzlab.report.page import Finding
from fizzlab.trial.settings import TrialSettings

__all__ = ["capital", "number"]

Label = Callable[[str], str]

#: Levels that are no name of their own.
BARE = "bare"

_AIR = {"log vpd_kpa": "rooms_air", "vpd_kpa": "vapour_pressure"}


def signed(value: float) -> str:
    """A difference, with its sign: ``"+4.0"``."""
    return f"{'+' if value > 0 else '−' if value < 0 else ''}{number(abs(value))}"


def of_hundred(p: float) -> str:
    """A probability in words: ``"4 in 100"``."""
    return say("fewer_than") if p < 0.01 else say("in_100", p=p * 100)


def percent(share: float) -> str:
    """A share in per cent."""
    return f"{share * 100:.0f} %"


def duration(hours: float) -> str:
    """A time span in the unit a person would use: ``"36 min"``, ``"4.4 h"``, ``"30 h"``, ``"4.2 days"``."""
    return " ".join(_span_of(hours))


def _span_of(hours: float) -> tuple[str, str]:
    if hours < 0.95:
        return str(round(hours * 60)), wording("min")
    if hours < 72:
        return f"{hours:.{1 if hours < 23.95 else 0}f}", "h"
    return number(hours / 24), wording("days")


def amount(value: float, unit: str) -> str:
    """A number with its unit, times in the unit a person would use: ``"7.2 min"``, ``"62 cm"``."""
    return " ".join(filter(None, _measured(value, unit)))


def _measured(value: float, unit: str) -> tuple[str, str]:
    """The number and the unit of an amount."""
    if unit in CURRENCIES:
        little = 0 < abs(value) < 0.01
        return (say("under_cent", cent=wording(unit)), "") if little else (f"{value:.2f}", unit)
    if unit == "h" or (unit == "s" and value >= 7200):
        return _span_of(value if unit == "h" else value / 3600)
    if unit == "s" and value >= 10:
        return (f"{value:.0f}", "s") if value < 300 else (number(value / 60), wording("min"))
    return number(value), unit


def _together(low: tuple[str, ...], high: tuple[str, ...]) -> str:
    """From one to another, each a number and its unit; a unit that is the same stands once."""
    least, most = (" ".join(filter(None, end)) for end in (low[:1] if low[1:] == high[1:] else low, high))
    return from_to(least, most)


def from_to(low: str, high: str) -> str:
    """``"12 to 14"``."""
    return say("from_to", low=low, high=high)


def between(low: float, high: float, unit: str) -> str:
    """From low to high, the unit once; an end that the readings leave open is said to be.

    >>> between(131.2, 154.8, "s"), between(240, 431, "s"), between(0, 70, "cm")
    ('131 to 155 s', '240 s to 7.2 min', 'up to 70 cm')
    """
    if not isfinite(high):
        return say("or_more", low=amount(low, unit)) if low > 0 else say("how_sure_readings")
    if low == high:
        return amount(high, unit)
    if low == 0:
        return say("up_to", high=amount(high, unit))
    return _together(_measured(low, unit), _measured(high, unit))


def inside(row: Mapping[Any, Any], unit: str = "h") -> str:
    """The interval of a row that has conf_low and conf_high."""
    low = float(row["conf_low"])
    return between(max(low, 0.0) if unit == "%" else low, float(row["conf_high"]), unit)


def estimate(row: Mapping[Any, Any], unit: str) -> str:
    """The number of a row with its interval: ``"62 cm (55 to 70 cm)"``."""
    said = amount(float(row["estimate"]), unit) + (say("never_tried") if row.get("extrapolated") else "")
    return said if row["conf_low"] == row["conf_high"] else f"{said} ({inside(row, unit)})"


def numbers_of(topic: str, said: str, row: Mapping[Any, Any], unit: str, **more: Any) -> Finding:
    """A finding from a row with an interval, and perhaps n_batches and df; what is open has no number."""
    best, low, high = (float(row[end]) if isfinite(row[end]) else None for end in ENDS)
    df, batches = row.get("df"), int(row.get("n_batches", 0))
    about = {"df": None if df is None or not isfinite(df) else df, "batches": batches, **more}
    return Finding(topic, said, best, low, high, unit, beyond_tried=bool(row.get("extrapolated")), **about)


def spoken(text: str, settings: TrialSettings) -> str:
    """A sentence of a model, its columns named, whole and all at once, as the maker calls them."""
    names = {name: settings.label(name) for name in settings.factors}
    names |= {name: say(text) for name, text in _AIR.items()}
    known = {label: label for label in names.values()} | names
    words = "|".join(re.escape(name) for name in sorted(known, key=len, reverse=True))
    text = re.sub(rf"(?<!\w)(?:{words})(?!\w)", lambda found: known[found[0]], text)
    return re.sub(r"(^|[.:] )the room's air", r"\1The room's air", text)


def words_of(measure: Measure) -> Words:
    """Its words; a maker's own measure is spoken of by its label."""
    if measure.words.more:
        return measure.words
    own = {way: wording(f"measure.own.{way}") for way in ("more", "less", "up", "down", "times")}
    return Words(*(text.format(much="{much}", label=measure.label) for text in own.values()))


def by_how_much(value: float, effect: Effect, measure: Measure) -> str:
    """How far a value of an effect lies from no difference: ``"38 %"``, ``"2.4 times"``, ``"0.50 mm"``."""
    return " ".join(filter(None, _size(value, effect, measure)))


def _size(value: float, effect: Effect, measure: Measure) -> tuple[str, str]:
    if effect.scale == "difference":
        unit = unit_of(measure)
        return _measured(abs(value), unit) if unit in CURRENCIES else (number(abs(value)), unit)
    if _many_times(value, effect):
        return (wording("twice"), "") if value < 2.05 else (number(value), wording("times"))
    return f"{abs(value - 1) * 100:.0f}", "%"


def _many_times(value: float, effect: Effect) -> bool:
    """Is a ratio so large that it is told as twice, or 3 times?"""
    return effect.scale != "difference" and value >= 1.995


def unit_of(measure: Measure) -> str:
    """The unit of a difference; that of per cent is points."""
    return wording("points") if measure.unit == "%" else measure.unit


def span(effect: Effect, measure: Measure) -> str:
    """The interval of an effect that was shown, in the direction that the sentence gave."""
    ends = sorted((effect.conf_low, effect.conf_high), key=lambda end: abs(end - effect.null))
    if not all(isfinite(end) for end in ends):
        return say("at_least", by_how_much=by_how_much(ends[0], effect, measure))
    if _many_times(effect.estimate, effect):
        return _together((number(ends[0]), wording("times")), (number(ends[1]), wording("times")))
    least, most = (_size(end, effect, measure) for end in ends)
    return _together(least, most)


def directed(value: float, effect: Effect, measure: Measure) -> str:
    """A value of an effect with its direction: ``"17 % faster"``."""
    words, size = words_of(measure), by_how_much(value, effect, measure)
    if _many_times(value, effect):
        return f"{size} {words.times}"
    return f"{size} {words.up if value > effect.null else words.down}"


def possible(effect: Effect, measure: Measure) -> str:
    """What an effect that was not shown leaves open: ``"17 % faster to 47 % slower"``."""
    low, high = effect.conf_low, effect.conf_high
    open_low = not isfinite(low) or (effect.scale != "difference" and low <= 0)
    if open_low:
        return say("up_to", high=directed(high, effect, measure)) if isfinite(high) else ""
    if not isfinite(high):
        return say("upwards", directed=directed(low, effect, measure))
    return from_to(directed(low, effect, measure), directed(high, effect, measure))


def open_still(effect: Effect, measure: Measure) -> str:
    """What is still possible, as it ends a sentence."""
    said = possible(effect, measure)
    if not said:
        return say("anything_possible")
    if not isfinite(effect.conf_low) or (effect.scale != "difference" and effect.conf_low <= 0):
        return say("anything_up_to", said=said)
    return say("anything_from", said=said)


def sentence(effect: Effect, measure: Measure, label: Label, more: str = "") -> str:
    """Tell one effect: how much, as good as equal, or what is still possible; `more` ends the sentence."""
    both, what = against(effect, label, say("both")), capital(measure.label)
    if effect.shown:
        return _shown(effect, measure, label, more)
    if effect.exact:
        return say("no_difference", what=what, both=both, more=more)
    if effect.same:
        apart = percent(max(effect.same_high, 1 / effect.same_low) - 1)
        margin = percent((effect.margin or 1) - 1)
        return say("same_within", what=what, both=both, apart=apart, margin=margin, more=more)
    pair, still = against(effect, label), open_still(effect, measure)
    return say("cant_tell_effect", what=what, against=pair, open_still=still, more=more)


def _shown(effect: Effect, measure: Measure, label: Label, more: str) -> str:
    words, size = words_of(measure), by_how_much(effect.estimate, effect, measure)
    times = _many_times(effect.estimate, effect)
    did = (words.more if effect.greater else words.less).format(much="" if times else f"{size} ")
    named = isinstance(effect.term, Category)  # "fan off", but "than with 2 g" of what was just named
    control = with_name(effect, effect.control, label) if named else effect.control
    start = say("pieces_than", with_name=with_name(effect, effect.level, label), did=did, control=control)
    if effect.exact:
        return f"{start}{more}."
    ends = span(effect, measure)
    start = f"{start}: {size} {words.times} ({ends})" if times else f"{start} ({ends})"
    return say("you_count", start=start, more=more) if effect.same else f"{start}{more}."


def with_name(effect: Effect, level: str, label: Label) -> str:
    """A level as it is spoken of: ``"lake"``, ``"4 g of oil"``, ``"fan on"``."""
    if not isinstance(effect.term, Category):
        return say("amount_of", level=level, label=label(effect.factor))
    return f"{label(effect.factor)} {level}" if bare(level) or bare(effect.control) else level


def bare(level: str) -> bool:
    """Does a level say nothing without the name of its factor?"""
    return level.casefold() in wording(BARE) or level.replace(".", "").isdigit()


def against(effect: Effect, label: Label, middle: str = "") -> str:
    """The two levels: ``"lake against dye"``, ``"4 g against 2 g of oil"``."""
    middle, level, control = middle or say("against"), effect.level, effect.control
    if isinstance(effect.term, Category):  # "fan on against off", but "4 g against 2 g of oil"
        return f"{with_name(effect, level, label)}{middle}{control}"
    return f"{level}{middle}{with_name(effect, control, label)}"


def cell(effect: Effect, measure: Measure) -> str:
    """One effect for a table."""
    if effect.exact:
        return directed(effect.estimate, effect, measure) if effect.shown else say("no_change")
    if effect.shown:
        size = f"{directed(effect.estimate, effect, measure)} ({span(effect, measure)})"
        return say("cell_same_sized", size=size) if effect.same else size
    still = possible(effect, measure) or say("anything")
    return say("cell_same_still", still=still) if effect.same else say("cell_open_still", still=still)


def cell_in_short(effect: Effect, measure: Measure) -> str:
    """The same without what the front page says is still possible."""
    if effect.exact or effect.shown:
        return cell(effect, measure)
    return say("as_good_as_equal") if effect.same else say("cant_tell")


def told(effect: Effect, measure: Measure) -> str:
    """How much with its interval, or what is still possible, as it ends a sentence."""
    still = capital(open_still(effect, measure))
    return cell(effect, measure) if effect.shown else say("told_open", open_still=still)


def row_cell(row: Mapping[Any, Any], response: str, term: Category, measure: Measure) -> str:
    """One row of a comparison for a table."""
    ends = (row["estimate"], row["conf_low"], row["conf_high"])
    told = (row["level"], row["control"], row["scale"], *ends, row["df"], 0)
    return cell(Effect(response, term, *told), measure)


def of_effect(effect: Effect, measure: Measure, said: str, topic: str = "") -> Finding:
    """One effect with its numbers, and the sentence that tells it."""
    unit = effect.scale if effect.scale != "difference" else measure.unit or "money"
    return numbers_of(topic or f"changed.{effect.topic}", said, vars(effect), unit, level=effect.conf_level)


def wide(cells: Mapping[str, Mapping[str, str]], row: str, column: str) -> pd.DataFrame:
    """A table of texts by column and row; turned where it would be wider than long."""
    rows = list(dict.fromkeys(key for each in cells.values() for key in each))
    found = pd.DataFrame(cells).reindex(rows).fillna("")
    if len(found.columns) > 4 and len(found.columns) > len(found):
        return found.T.reset_index().rename(columns={"index": column})
    return found.reset_index().rename(columns={"index": row})
