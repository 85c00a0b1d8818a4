"""What changed, in sentences: a factor and a response, the number with its interval, and how sure it is."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from math import isfinite

import pandas as pd

from fizzlab.measures import Measure
from fizzlab.models.changes import SHOWN_P, Changed
from fizzlab.models.effects import (
    Analysis,
    Change,
    Comparisons,
    OddBatches,
    PowerAdvice,
    against_control,
    all_pairs,
)
from fizzlab.models.terms import Category, level_name
from fizzlab.report.findings import Finding
from fizzlab.report.phrases.numbers import capital, listed, number, of_hundred, percent, ratio, signed

Label = Callable[[str], str]
Measures = Callable[[str], Measure]


@dataclass(frozen=True)
class Voice:
    """How one response is spoken of.

    Parameters
    ----------
    more, less : str
        What pieces did where the number is greater, and where it is smaller.
    up, down : str
        The same in one word, for the table.
    times : str
        After a ratio: "1.5 times as long".
    """

    more: str
    less: str
    up: str = "more"
    down: str = "less"
    times: str = "times as much"


VOICES: Mapping[str, Voice] = {
    "dry_h": Voice("took longer to dry", "dried sooner", "longer", "sooner", "times as long"),
    "weighed_dry_h": Voice("took longer to dry", "dried sooner", "longer", "sooner", "times as long"),
    "tumble_loss_pct": Voice("lost more in the tumble", "lost less in the tumble"),
    "drop_cm": Voice("broke from higher up", "broke from lower down", "higher", "lower", "times as high"),
    "score": Voice("scored worse", "scored better", "worse", "better", "times the odds of a worse score"),
    "fizz_s": Voice("fizzed longer", "fizzed for less time", "longer", "shorter", "times as long"),
    "colour_s": Voice("showed colour later", "showed colour sooner", "later", "sooner", "times as long"),
    "half_out_s": Voice("took longer to it", "took less time to it", "later", "sooner", "times as long"),
    "gas_pct": Voice("gave more of their gas", "gave less of their gas"),
    "cost": Voice("cost more", "cost less"),
}

TABLE_CAPTION = (
    "What each change did: how many times as much (or, with a sign, how much more or less), and the 95 % interval. "
    "“Not shown” is not “the same”: the readings fit anything in the interval. Each cell is judged by itself"
)


def voice_of(response: str, measure: Measure) -> Voice:
    """How a response is spoken of; a maker's own by its label."""
    return VOICES.get(response) or Voice(f"had more {measure.label}", f"had less {measure.label}")


def size(change: Change, measure: Measure, brief: bool = False) -> str:
    """The estimate with its interval, in words; in brief without the words that were said just before."""
    start = "" if brief else f"{percent(change.coverage)} interval "
    if change.sure:
        return _signed(change.estimate, measure.unit)
    if change.scale == "difference":
        ends = f"{signed(change.low)} to {_signed(change.high, measure.unit)}"
        return f"{_signed(change.estimate, measure.unit)} ({start}{ends})"
    times = "times" if brief else voice_of(change.response, measure).times
    return f"{ratio(change.estimate)} {times} ({start}{_ratio_ends(change)})"


def _signed(value: float, unit: str) -> str:
    return f"{signed(value)} {unit}".strip()


def _ratio_ends(change: Change) -> str:
    """The interval of a ratio; an end that the readings leave open is said to be."""
    if isfinite(change.high) and change.low > 0:
        return f"{ratio(change.low)} to {ratio(change.high)}"
    if isfinite(change.high):
        return f"up to {ratio(change.high)}, with no lower end"
    if change.low > 0:
        return f"from {ratio(change.low)} up, with no upper end"
    return "without ends"


def finding(change: Change, measure: Measure, said: str) -> Finding:
    """One change with its numbers, and the sentence that tells it, perhaps with others."""
    column = f"{change.factor}[{change.level}]" if isinstance(change.term, Category) else change.factor
    unit = change.scale if change.scale != "difference" else measure.unit or "money"
    low, high = (value if isfinite(value) else None for value in (change.low, change.high))
    return Finding(
        f"changed.{change.response}.{column}",
        said,
        change.estimate,
        low,
        high,
        unit,
        change.coverage,
        df=change.df if isfinite(change.df) else None,
        batches=change.batches,
    )


def sentence(changes: Sequence[Change], measure: Measure, label: Label) -> str:
    """One factor and one response in one sentence: what was shown first, what was not after it."""
    voice = voice_of(changes[0].response, measure)
    parts = []
    for way, more in ((voice.more, True), (voice.less, False)):
        shown = [change for change in changes if change.shown and change.greater == more]
        if shown:
            parts.append(_shown(shown, way, measure, label))
    same = [change for change in changes if change.same and not change.shown]
    if same:
        parts.append(_same(same, measure))
    no_change = [change for change in changes if change.sure and not change.shown]
    if no_change:
        parts.append(f"no difference to {no_change[0].control} with {listed([c.level for c in no_change])}")
    open_ = [change for change in changes if not (change.shown or change.same or change.sure)]
    if open_:
        parts.append(_open(open_, measure, label))
    return f"{capital(measure.label)}: {'; '.join(parts)}."


def _shown(changes: Sequence[Change], way: str, measure: Measure, label: Label) -> str:
    first = changes[0]
    prices = " (in the money of the prices in trial.toml)" if first.sure else ""
    if not isinstance(first.term, Category):
        who = f"with more {label(first.factor)}, {first.control} to {first.level}, pieces {way}"
        return f"{who}{prices}: {size(first, measure)}{_yet(first)}"
    sizes = [
        f"with {change.level} {size(change, measure, brief=place > 0)}{_yet(change)}"
        for place, change in enumerate(changes)
    ]
    return f"pieces {way} than those with {first.control}{prices}: {listed(sizes)}"


def _same(changes: Sequence[Change], measure: Measure) -> str:
    first = changes[0]
    margin = first.margin or 1.0
    of = f"with {first.control}" if isinstance(first.term, Category) else f"at {first.control}"
    start = "with" if isinstance(first.term, Category) else "at"
    sizes = [f"{start} {change.level} {ratio(change.estimate)} times{_yet(change)}" for change in changes]
    return (
        f"the same as {of}, within the margin that you stated ({ratio(1 / margin)} to {ratio(margin)} times): "
        f"{listed(sizes)}"
    )


def _open(changes: Sequence[Change], measure: Measure, label: Label) -> str:
    first = changes[0]
    neither = (
        "" if first.margin is None else f", nor that they are the same within {ratio(first.margin)} times"
    )
    fits = "that interval" if len(changes) == 1 else "those intervals"
    if not isinstance(first.term, Category):
        between = f"between {first.control} and {first.level} of {label(first.factor)}"
        return (
            f"no difference could be shown {between}{neither}: {size(first, measure)}, and the readings fit anything in "
            f"{fits}"
        )
    sizes = [
        f"with {change.level} {size(change, measure, brief=place > 0)}"
        for place, change in enumerate(changes)
    ]
    return (
        f"no difference to {first.control} could be shown{neither}: {listed(sizes)}, and the readings fit anything in "
        f"{fits}"
    )


def _yet(change: Change) -> str:
    """The interval that sameness rests on, where it was shown."""
    if not change.same:
        return ""
    ends = f"90 % interval {ratio(change.same_low)} to {ratio(change.same_high)}"
    return f", small enough to count as the same ({ends})," if change.shown else f" ({ends})"


def judged(changed: Changed, label: Label) -> list[str]:
    """What was set for whole days, and what that means."""
    return [
        f"{capital(label(name))} was the same for all batches of a day, so it is judged by how much days differ: more batches "
        "a day would tell little more about it, more days would."
        for name in changed.whole_day
        if any(change.judged_by == "days" for change in changed.of(name))
    ]


def whole_day_note(name: str) -> str:
    """What to mind of a factor that was set for whole days, where a test counts batches only."""
    return (
        f"{capital(name.replace('_', ' '))} was the same for all batches of a day. The numbers here count batches, so those of its "
        "levels look surer than they are; where it is compared by days, that stands under “What changed”."
    )


def by_chance(changed: Changed) -> str:
    """How many of the comparisons chance alone would show; empty where there are too few to mislead."""
    measured = [change for change in changed.changes if not change.sure]
    if len(measured) < FEW_LINES:
        return ""
    shown = sum(change.shown for change in measured)
    expected = sum(1 - change.coverage for change in measured)
    return (
        f"Of {len(measured)} comparisons {shown} {'shows' if shown == 1 else 'show'} a difference. Each is judged by itself: "
        f"if nothing made any difference at all, chance alone would still show about {max(round(expected), 1)}. So a difference that you did "
        "not look for, or that only just shows, is one to try again before you build on it."
    )


#: From so many comparisons on, chance is likelier than 1 in 3 to show one.
FEW_LINES = 8


def table(changed: Changed, measures: Measures, label: Label) -> pd.DataFrame:
    """Response by change: what happened, with interval and verdict."""
    columns: dict[str, dict[str, str]] = {}
    for change in changed.changes:
        row = measures(change.response)
        name = capital(row.label) + (f", {row.unit}" if row.unit and change.scale == "difference" else "")
        columns.setdefault(name, {})[_against(change, label)] = _cell(change, voice_of(change.response, row))
    rows = list(dict.fromkeys(key for cells in columns.values() for key in cells))
    found = pd.DataFrame(columns).reindex(rows).fillna("")
    if len(found.columns) > 4 and len(found.columns) > len(found):
        found = found.T
        return found.reset_index().rename(columns={"index": "response"})
    return found.reset_index().rename(columns={"index": "change"})


def _against(change: Change, label: Label) -> str:
    if isinstance(change.term, Category):
        return f"{change.level} against {change.control}"
    return f"{label(change.factor)}: {change.level} against {change.control}"


def _cell(change: Change, voice: Voice) -> str:
    word = voice.up if change.greater else voice.down
    if not change.shown:
        word = "no change" if change.sure else "same" if change.same else "not shown"
    elif change.same:
        word = f"{word}, within the margin"
    if change.sure:
        return f"{word}: {signed(change.estimate)}"
    if change.scale == "difference":
        return f"{word}: {signed(change.estimate)} ({signed(change.low)} to {signed(change.high)})"
    ends = [ratio(value) if isfinite(value) and value > 0 else "?" for value in (change.low, change.high)]
    return f"{word}: {ratio(change.estimate)} ({ends[0]} to {ends[1]})"


def batch_table(changed: Changed, measures: Measures, label: Label) -> pd.DataFrame:
    """One row a batch: run, day, its factors, and its number for each response."""
    batches = changed.measured.batches
    shown = pd.DataFrame({"batch": batches["run"], "day": batches["day"]})
    for term in changed.terms:
        shown[label(term.name)] = [level_name(term, value) for value in batches[term.name]]
    for name in changed.measured.measured:
        measure = measures(name)
        values = [number(value, 3) if isfinite(value) else "none" for value in batches[name]]
        shown[f"{measure.label}, {measure.unit}".rstrip(", ")] = values
    return shown


def not_compared(changed: Changed, measures: Measures, label: Label) -> list[str]:
    """What was measured and could not be compared, and what would help."""
    said = []
    for key, reason in changed.reasons.items():
        name, _, factor = key.partition(", ")
        what = capital(measures(name).label) + (f" by {label(factor)}" if factor else "")
        if factor or not any(change.response == name for change in changed.changes):
            said.append(f"{what} is not compared. {reason}")
    return said


@dataclass(frozen=True)
class Joint:
    """A joint effect of two factors, or the bend of an amount; was it shown?"""

    shown: bool
    finding: Finding


def joint_effects(analysis: Analysis, measure: Measure, label: Label) -> list[Joint]:
    """Whether what one factor does depends on another, and whether an amount bends."""
    found = []
    for term, row in analysis.tests.iterrows():
        name, shown = str(term), bool(row["p"] < SHOWN_P)
        if ":" in name:
            one, two = name.split(":")[:2]
            said = (
                f"What {label(one)} does to {measure.label} depends on {label(two)}"
                if shown
                else f"That what {label(one)} does to {measure.label} depends on {label(two)} was not shown"
            )
        elif name.endswith("^2"):
            one, two = name.removesuffix("^2"), ""
            said = (
                f"{capital(measure.label)} bends with {label(one)}"
                if shown
                else f"A bend of {measure.label} with {label(one)} was not shown"
            )
        else:
            continue
        test = f"chance alone shows as much in {of_hundred(float(analysis.tests['p'][name]))} trials"
        each = _apart(analysis, one, two, measure) if shown and two else ""
        told = Finding(
            f"joint.{analysis.response}.{name}",
            f"{said} ({test}).{each}",
            df=float(row["df_den"]),
            batches=analysis.batches,
        )
        found.append(Joint(shown, told))
    return found


def _apart(analysis: Analysis, one: str, two: str, measure: Measure) -> str:
    """What the first factor does at each level of the second."""
    first, second = (next(f for f in analysis.basis.factors if f.name == name) for name in (one, two))
    if not (isinstance(first, Category) and isinstance(second, Category)):
        return ""
    parts = []
    for level in second.levels:
        for name, row in against_control(analysis, one, {two: level}).table.iterrows():
            keys = ("ratio", "ratio_low", "ratio_high") if analysis.log else ("estimate", "low", "high")
            value, low, high = (ratio(row[key]) if analysis.log else signed(row[key]) for key in keys)
            unit = " times" if analysis.log else f" {measure.unit}".rstrip()
            parts.append(f"with {level}, {name}: {value}{unit} ({low} to {high})")
    return f" {capital('; '.join(parts))}. One in twenty such lines says so by chance: make it again before you build on it."


def _p(value: float) -> str:
    return "below 0.001" if value < 0.001 else f"{value:.3f}" if value < 0.1 else f"{value:.2f}"


def compared(analysis: Analysis, factor: str, measure: Measure) -> tuple[pd.DataFrame, str] | None:
    """All pairs of three levels or more, judged together; None where there are none."""
    term = next((f for f in analysis.basis.factors if f.name == factor), None)
    if not isinstance(term, Category) or len(term.levels) < 3:
        return None
    both: list[Comparisons] = [against_control(analysis, factor), all_pairs(analysis, factor)]
    rows = []
    seen: set[frozenset[str]] = set()
    for each in both:
        for name, row in each.table.iterrows():
            pair = frozenset(str(name).split(" against "))
            if pair in seen:
                continue
            seen.add(pair)
            keys = ("ratio", "ratio_low", "ratio_high") if each.log else ("estimate", "low", "high")
            value, low, high = (float(row[key]) for key in keys)
            rows.append(
                (
                    str(name),
                    ratio(value) if each.log else signed(value),
                    f"{ratio(low)} to {ratio(high)}" if each.log else f"{signed(low)} to {signed(high)}",
                    _p(float(row["p"])),
                    "with the control (Dunnett)"
                    if each.kind == "against control"
                    else "all pairs (Tukey, Kramer)",
                )
            )
    how = "times as much" if both[0].log else f"difference, {measure.unit}".rstrip(", ")
    table = pd.DataFrame(rows, columns=["compared", how, "95 % interval", "p", "judged together"])
    return table, f"{capital(measure.label)}: every way against every other"


def methods(changed: Changed, measures: Measures) -> tuple[str, pd.DataFrame]:
    """How the comparisons were worked out, as a paragraph of Markdown, and what each rests on."""
    rows, reasons = [], []
    for name, analysis in changed.analyses.items():
        reasons.append(analysis.structure.reason)
        row = {
            "response": capital(measures(name).label),
            "batches": str(analysis.batches),
            "days": str(analysis.days),
            "analysed as": "logarithm" if analysis.log else "it is",
        }
        for source, part in analysis.spread.iterrows():
            row[str(source)] = number(part["sd"]) if part["variance"] > 0 else "none seen"
        rows.append(row)
    said = (
        "Each response with one number a batch is compared by restricted maximum likelihood, with Kenward and Roger's "
        "degrees of freedom. " + " ".join(dict.fromkeys(reasons))
    )
    return said, pd.DataFrame(rows).fillna("")


def advice(analysis: Analysis, measure: Measure, odd: OddBatches, power: PowerAdvice | None) -> list[str]:
    """What the residuals advise: a batch to look at, another scale. Nothing is dropped."""
    said = []
    for run in odd.suspicious:
        row = odd.table.loc[run]
        way = "above" if row["residual"] > 0 else "below"
        said.append(
            f"{capital(measure.label)} of batch {run} lies far {way} what the others say of it (chance would do so in "
            f"{of_hundred(float(odd.table['p_joint'][run]))} trials). Look up what happened to it. It stays in; without it: "
            f"{_without(odd.without[run], analysis.log)}."
        )
    if power is not None and power.change and power.suggested in _POWERS:
        said.append(
            f"{capital(measure.label)}: its scatter would look more even with {_POWERS[power.suggested]} analysed in place of "
            f"{'its logarithm' if analysis.log else 'the number itself'}; take the intervals with care."
        )
    return said


_POWERS = {
    -1.0: "its reciprocal",
    -0.5: "one over its square root",
    0.0: "its logarithm",
    0.5: "its square root",
    1.0: "the number itself",
}


def _without(effects: pd.DataFrame, log: bool) -> str:
    key = "ratio" if log else "estimate"
    parts = []
    for name, row in effects.iterrows():
        if row[f"{key}_without"] == row[f"{key}_without"]:
            now, then = (ratio(row[k]) if log else signed(row[k]) for k in (key, f"{key}_without"))
            parts.append(f"{str(name).split(': ', 1)[-1]} {then} instead of {now}")
    return listed(parts) if parts else "too few batches are left to say"
