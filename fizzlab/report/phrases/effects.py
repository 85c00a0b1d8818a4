"""What changed, in sentences: made of an effect and of the words of its measure, whatever was measured."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from math import isfinite, isinf

import pandas as pd

from fizzlab.measures import Measure, Words
from fizzlab.models.comparisons import compare
from fizzlab.models.effects import ResponseFit
from fizzlab.models.result import Effect
from fizzlab.models.terms import Category
from fizzlab.report.analysis import SHOWN_P, Analysed
from fizzlab.report.findings import Finding
from fizzlab.report.phrases.numbers import capital, listed, number, of_hundred, percent

Label = Callable[[str], str]

TABLE_CAPTION = "Every change and every response, with 95 % intervals, each judged by itself. “Can't tell” is not “the same”"


def words_of(measure: Measure) -> Words:
    """Its words; a maker's own measure is spoken of by its label."""
    if measure.words == Words("have more", "have less"):
        return Words(f"have more {measure.label}", f"have less {measure.label}")
    return measure.words


# --- sizes ------------------------------------------------------------------------------------


def by_how_much(value: float, effect: Effect, measure: Measure) -> str:
    """How far a value of an effect lies from no difference, without its direction.

    Examples
    --------
    >>> from fizzlab.measures import MEASURES
    >>> from fizzlab.models.terms import Amount
    >>> effect = Effect("dry_h", Amount("oil_g", "g"), "4 g", "2 g", "ratio", 1.38, 1.2, 1.59, 8, 0.01)
    >>> [by_how_much(value, effect, MEASURES["dry_h"]) for value in (1.38, 0.85, 2.4, 0.2)]
    ['38 %', '15 %', '2.4 times', '80 %']
    """
    if effect.scale == "difference":
        unit = "points" if measure.unit == "%" else measure.unit
        return f"{number(abs(value))} {unit}".strip()
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
    words = words_of(measure)
    size = by_how_much(value, effect, measure)
    if size == "twice" or size.endswith("times"):
        return f"{size} {words.times}"
    return f"{size} {words.up if value > effect.null else words.down}"


def possible(effect: Effect, measure: Measure) -> str:
    """What an effect that was not shown leaves open."""
    ends = (effect.conf_low, effect.conf_high)
    open_low = not isfinite(ends[0]) or (effect.scale != "difference" and ends[0] <= 0)
    if open_low and not isfinite(ends[1]):
        return "anything is possible"
    if open_low:
        return f"anything up to {directed(ends[1], effect, measure)} is possible"
    if not isfinite(ends[1]):
        return f"anything from {directed(ends[0], effect, measure)} upwards is possible"
    low, high = (directed(end, effect, measure) for end in ends)
    return f"anything from {low} to {high} is possible"


# --- sentences --------------------------------------------------------------------------------


def sentence(effect: Effect, measure: Measure, label: Label) -> str:
    """Tell one effect: how much, as good as equal, or what is still possible.

    Examples
    --------
    >>> from fizzlab.measures import MEASURES
    >>> colour = Category("colour", ("dye", "lake"), "dye")
    >>> shown = Effect("dry_h", colour, "lake", "dye", "ratio", 1.38, 1.2, 1.59, 8, 0.01)
    >>> sentence(shown, MEASURES["dry_h"], str)
    'Pieces with lake dry 38 % slower than with dye (20 to 59 %).'
    >>> open_ = Effect("dry_h", colour, "lake", "dye", "ratio", 1.1, 0.83, 1.47, 8, 0.5)
    >>> sentence(open_, MEASURES["dry_h"], str)
    "Dry time, lake against dye: can't tell yet; anything from 17 % faster to 47 % slower is possible."
    """
    both, what = against(effect, label, " and "), capital(measure.label)
    if effect.shown:
        return _shown(effect, measure, label)
    if effect.exact:
        return f"{what}: no difference between {both}."
    if effect.same:
        apart, margin = max(effect.same_high, 1 / effect.same_low) - 1, (effect.margin or 1) - 1
        equal = f"are as good as equal, at most {percent(apart)} apart (you set {percent(margin)})"
        return f"{what}: {both} {equal}."
    return f"{what}, {against(effect, label)}: can't tell yet; {possible(effect, measure)}."


def still_open(effects: Sequence[Effect], measures: Mapping[str, Measure], label: Label) -> list[str]:
    """What cannot be told yet of the effects of a factor, a sentence a level; the table has how much."""
    found: dict[str, list[str]] = {}
    for effect in effects:
        if not (effect.shown or effect.same or effect.exact):
            found.setdefault(against(effect, label, " and "), []).append(measures[effect.response].label)
    return [f"Can't tell yet how {both} differ in {listed(names)}." for both, names in found.items()]


def _shown(effect: Effect, measure: Measure, label: Label) -> str:
    words = words_of(measure)
    way, up = (words.more, words.up) if effect.greater else (words.less, words.down)
    size = by_how_much(effect.estimate, effect, measure)
    times = size.endswith("times") or size == "twice"
    told = way if times else way.replace(up, f"{size} {up}", 1) if up in way else f"{way}, {size},"
    start = f"Pieces with {_with(effect, effect.level, label)} {told} than with {effect.control}"
    if effect.exact:
        return f"{start}."
    ends = span(effect, measure)
    told = f"{start}: {size} {words.times} ({ends})" if times else f"{start} ({ends})"
    return f"{told}; you count that as equal." if effect.same else f"{told}."


def _with(effect: Effect, level: str, label: Label) -> str:
    return level if isinstance(effect.term, Category) else f"{level} of {label(effect.factor)}"


def against(effect: Effect, label: Label, between: str = " against ") -> str:
    """The two levels: ``"lake against dye"``, ``"4 g against 2 g of oil"``."""
    return f"{effect.level}{between}{_with(effect, effect.control, label)}"


def finding(effect: Effect, measure: Measure, said: str) -> Finding:
    """One effect with its numbers, and the sentence that tells it."""
    low, high = (value if isfinite(value) else None for value in (effect.conf_low, effect.conf_high))
    return Finding(
        f"changed.{effect.topic}",
        said,
        effect.estimate,
        low,
        high,
        effect.scale if effect.scale != "difference" else measure.unit or "money",
        effect.conf_level,
        df=None if isinf(effect.df) else effect.df,
        batches=effect.n_batches,
    )


# --- the table of all of it, and what is not in it ---------------------------------------------


def table(done: Analysed, label: Label) -> pd.DataFrame:
    """Response by change: how much, in which direction, and how sure."""
    columns: dict[str, dict[str, str]] = {}
    for effect in done.effects:
        measure = done.trial.settings.measure(effect.response)
        columns.setdefault(capital(measure.label), {})[against(effect, label)] = cell(effect, measure)
    rows = list(dict.fromkeys(key for cells in columns.values() for key in cells))
    found = pd.DataFrame(columns).reindex(rows).fillna("")
    if len(found.columns) > 4 and len(found.columns) > len(found):
        return found.T.reset_index().rename(columns={"index": "response"})
    return found.reset_index().rename(columns={"index": "change"})


def cell(effect: Effect, measure: Measure) -> str:
    """One effect for a table."""
    if effect.exact:
        return f"{directed(effect.estimate, effect, measure)}" if effect.shown else "no change"
    if effect.shown:
        size = f"{directed(effect.estimate, effect, measure)} ({span(effect, measure)})"
        return f"{size}, as good as equal" if effect.same else size
    told = (
        possible(effect, measure).removeprefix("anything ").removesuffix(" is possible").removeprefix("from ")
    )
    return f"{'as good as equal' if effect.same else 'can’t tell'}: {told}"


def judged(done: Analysed, label: Label) -> list[str]:
    """What was set for whole days, and what that means."""
    return [
        f"{capital(label(name))} was the same for all batches of a day: days judge it, so more days tell more, and more batches "
        "a day do not."
        for name in done.whole_day
        if any(effect.judged_by == "days" for effect in done.of(name))
    ]


def by_chance(done: Analysed) -> str:
    """How many of the comparisons chance alone would show; empty where there are too few to mislead."""
    measured = [effect for effect in done.effects if not effect.exact]
    if len(measured) < FEW_LINES:
        return ""
    shown = sum(effect.shown for effect in measured)
    expected = max(round(sum(1 - effect.conf_level for effect in measured)), 1)
    return (
        f"{shown} of {len(measured)} comparisons show a difference; chance alone would show about {expected}. Make one again "
        "that you did not look for."
    )


#: From so many comparisons on, chance is likelier than 1 in 3 to show one.
FEW_LINES = 8


def not_compared(done: Analysed, label: Label) -> list[str]:
    """What was measured and could not be compared, and what would help."""
    said = []
    for key, reason in done.reasons.items():
        name, _, factor = key.partition(", ")
        if factor or name not in done.responses:
            what = capital(done.trial.settings.measure(name).label) + (
                f" by {label(factor)}" if factor else ""
            )
            said.append(f"{what} is not compared. {reason}")
    return said


# --- joint effects, and comparisons judged together --------------------------------------------


def joint_findings(done: Analysed, label: Label) -> list[tuple[bool, Finding]]:
    """Whether what one factor does depends on another, and whether an amount bends; was it shown?"""
    found = []
    for response, plain in done.fits.items():
        fit = done.joint.get(response, plain)
        if not isinstance(fit, ResponseFit):
            continue
        measure = done.trial.settings.measure(response)
        for name, row in fit.tests.iterrows():
            one, _, two = str(name).removesuffix("^2").partition(":")
            if not two and not str(name).endswith("^2"):
                continue
            shown = bool(row["p_value"] < SHOWN_P)
            chance = f"chance alone shows as much in {of_hundred(float(row['p_value']))} trials"
            if two:
                told = f"{label(one)}'s effect on {measure.label} depends on {label(two)}"
                said = f"{capital(told)} ({chance})." if shown else f"No sign that {told}."
                said += _apart(fit, one, two, measure) if shown else ""
            else:
                told = f"bend of {measure.label} with {label(one)}"
                said = f"There is a {told} ({chance})." if shown else f"No sign of a {told}."
            topic = f"joint.{response}.{name}"
            found.append((shown, Finding(topic, said, df=float(row["df_den"]), batches=fit.n_batches)))
    return found


def _apart(fit: ResponseFit, one: str, two: str, measure: Measure) -> str:
    """What the first factor does at each level of the second."""
    terms = {term.name: term for term in fit.terms}
    first, second = terms[one], terms[two]
    if not (isinstance(first, Category) and isinstance(second, Category)):
        return ""
    parts = []
    for level in second.levels:
        for row in compare(fit, one, at={two: level}).to_dict("records"):
            ends = (row["estimate"], row["conf_low"], row["conf_high"])
            effect = Effect(
                fit.response, first, row["level"], row["control"], row["scale"], *ends, row["df"], 0
            )
            parts.append(f"with {level}, {row['level']} against {row['control']}: {cell(effect, measure)}")
    return f" {capital('; '.join(parts))}."


def compared(fit: ResponseFit, factor: str, measure: Measure) -> tuple[pd.DataFrame, str] | None:
    """All pairs of three levels or more, judged together; None where there are none."""
    term = next((each for each in fit.terms if each.name == factor), None)
    if not isinstance(term, Category) or len(term.levels) < 3:
        return None
    control = compare(fit, factor).assign(together="with the control (Dunnett)")
    pairs = compare(fit, factor, "pairs").assign(together="all pairs (Tukey, Kramer)")
    pairs = pairs[(pairs["level"] != term.control) & (pairs["control"] != term.control)]
    rows = []
    for row in pd.concat([control, pairs]).to_dict("records"):
        ends = (row["estimate"], row["conf_low"], row["conf_high"])
        effect = Effect(fit.response, term, row["level"], row["control"], row["scale"], *ends, row["df"], 0)
        told = (f"{row['level']} against {row['control']}", cell(effect, measure), _p(row["p_value"]))
        rows.append((*told, row["together"]))
    table = pd.DataFrame(rows, columns=["compared", "how much, 95 % interval", "p", "judged together"])
    return table, f"{capital(measure.label)}: every way against every other"


def _p(value: float) -> str:
    return "below 0.001" if value < 0.001 else f"{value:.3f}" if value < 0.1 else f"{value:.2f}"


def methods(done: Analysed) -> tuple[str, pd.DataFrame]:
    """How the comparisons were worked out, as a paragraph of Markdown, and what each rests on."""
    rows, reasons = [], []
    for name, fit in done.fits.items():
        if isinstance(fit, ResponseFit):
            reasons.append(fit.structure.reason)
            row = {
                "response": capital(done.trial.settings.measure(name).label),
                "batches": str(fit.n_batches),
                "days": str(fit.n_days),
                "analysed as": "logarithm" if fit.log else "it is",
            }
            for source, part in fit.spread.iterrows():
                row[str(source)] = number(part["sd"]) if part["variance"] > 0 else "none seen"
            rows.append(row)
    said = (
        "Each response with one number a batch is fitted by restricted maximum likelihood, with Kenward and Roger's "
        "degrees of freedom. " + " ".join(dict.fromkeys(reasons))
    )
    return said, pd.DataFrame(rows).fillna("")
