"""Which combination to keep, what to confirm and what to add, in sentences."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from math import isfinite
from typing import Any

import pandas as pd

from fizzlab.measures import Measure
from fizzlab.models.choose import Choice, Limit
from fizzlab.models.terms import Amount, Category, Term, level_name
from fizzlab.report.findings import Finding
from fizzlab.report.phrases.numbers import capital, count, listed, number, percent

#: A combination that keeps the limits less often than this is said to fail.
HALF = 0.5
#: Level names that say nothing without the name of their factor.
BARE = frozenset({"yes", "no", "none", "with", "without", "on", "off", "low", "high", "old", "new", "plain"})
#: So many combinations are named in a sentence; the table has all.
NAMED = 3

Row = Mapping[str, Any] | pd.Series


@dataclass(frozen=True)
class Voice:
    """How the combinations and responses of one trial are spoken of.

    `label` gives the maker's words for a factor, `measure` the `Measure` of a response; `shares` are of the
    pieces of a batch, which a response is asked of; it all rests on so many `batches`.
    """

    terms: tuple[Term, ...]
    label: Callable[[str], str]
    measure: Callable[[str], Measure]
    shares: Mapping[str, float]
    batches: int

    def name(self, setting: Row) -> str:
        """A combination as "gum + lake" or "gum + oil 4 g"."""
        return " + ".join(self._part(term, setting[term.name]) for term in self.terms)

    def _part(self, term: Term, value: object) -> str:
        said = level_name(term, value)
        shared = [t for t in self.terms if isinstance(t, Category) and said in t.levels]
        bare = len(shared) > 1 or said.casefold() in BARE or said.replace(".", "").isdigit()
        return f"{self.label(term.name)} {said}" if bare or isinstance(term, Amount) else said

    def response(self, name: str) -> str:
        """A response in words, with the share of the pieces that it is asked of."""
        of = f" of {percent(self.shares[name])} of the pieces" if name in self.shares else ""
        return self.measure(name).label + of

    def titled(self, name: str) -> str:
        """A response with its unit, for a table or a panel."""
        return capital(f"{self.response(name)}, {self.measure(name).unit}".rstrip(", "))

    def asked(self, limit: Limit) -> str:
        """A limit in words."""
        ends = [("at least", limit.at_least), ("at most", limit.at_most)]
        told = " and ".join(f"{word} {end:g}" for word, end in ends if end is not None)
        return f"{self.response(limit.response)} {told} {self.measure(limit.response).unit}".rstrip()

    def many(self, rows: pd.DataFrame, column: str = "", last: str = "and") -> str:
        """Combinations, a few of them by name, each with a chance where a column holds it."""
        few = [row for _, row in rows.head(NAMED).iterrows()]
        told = [self.name(row) + (f" ({chance(row[column])})" if column else "") for row in few]
        return listed([*told, f"{len(rows) - NAMED} more"] if len(rows) > NAMED else told, last)

    def found(self, topic: str, row: Row, text: str, *numbers: float, **more: Any) -> Finding:
        """What is said of a combination: estimate, low and high as far as there are."""
        levels = ",".join(f"{term.name}={level_name(term, row[term.name])}" for term in self.terms)
        told = dict(zip(("estimate", "low", "high"), map(float, numbers), strict=False))
        about: dict[str, Any] = {"unit": "chance", "kind": "prediction", "batches": self.batches}
        return Finding(f"choice.{topic}.{levels}", text, **{**about, **told, **more})


def new_batches(value: float) -> str:
    """How many new batches, of ten or of twenty.

    Examples
    --------
    >>> new_batches(0.9), new_batches(0.94), new_batches(0.999), new_batches(0.02)
    ('9 of 10 new batches', '19 of 20 new batches', 'nearly every new batch', 'hardly any new batch')
    """
    many = round(20 * value)
    if many in (0, 20):
        return "nearly every new batch" if many else "hardly any new batch"
    return f"{many} of 20 new batches" if many % 2 else f"{many // 2} of 10 new batches"


def chance(value: float) -> str:
    """A chance in per cent that is never rounded to certainty.

    Examples
    --------
    >>> chance(0.873), chance(0.9999), chance(0.0)
    ('87 %', 'over 99 %', 'under 1 %')
    """
    if 0.005 <= value < 0.995:
        return percent(value)
    return "over 99 %" if value > HALF else "under 1 %"


def answer(choice: Choice, voice: Voice, unmeasured: Sequence[str] = ()) -> list[Finding]:
    """Which combination to keep, how sure that is, and what the limits leave."""
    best, several = choice.best, len(choice.table) > 1
    unit = "chance" if choice.limits else "share of the wishes"
    found = [voice.found("best", best, _keep(choice, voice, unmeasured), *_numbers(choice, best), unit=unit)]
    if several:
        text = how_sure(choice, voice)
        rows = [best, *(row for _, row in choice.contenders().iterrows())]
        found += [voice.found("best_chance", r, text, r["best_chance"], kind="confidence") for r in rows]
    if choice.limits:
        text = passing(choice, voice) if several else found[0].sentence
        table = choice.table.sort_values("meets", ascending=False, kind="stable")
        found += [voice.found("meets_all", r, text, *_numbers(choice, r)) for _, r in table.iterrows()]
    return found + excluded(choice, voice)


def _numbers(choice: Choice, row: Row) -> list[float]:
    """The chance to keep every limit with its interval, or how far the wishes are granted."""
    return [row[name] for name in (("meets", "meets_low", "meets_high") if choice.limits else ("granted",))]


def _keep(choice: Choice, voice: Voice, unmeasured: Sequence[str]) -> str:
    """The first sentence of the answer."""
    best, name = choice.best, voice.name(choice.best)
    keep = f"Keep {name}{'' if choice.settled else ' for now'}"
    if not choice.limits:
        return f"{keep}: it grants {percent(best['granted'])} of your wishes."
    gone = f" but that on {listed([voice.measure(each).label for each in unmeasured])}" if unmeasured else ""
    many = new_batches(best["meets"])
    verb = "keeps" if many.endswith("batch") else "keep"
    told = f"{many} {verb} every limit{gone} (at worst {chance(best['meets_low'])})"
    if best["meets"] < HALF:
        return f"No combination can be counted on: with the best, {name}, {told}."
    return f"{keep}: {told}."


def how_sure(choice: Choice, voice: Voice) -> str:
    """How surely it is the best, and which others could be."""
    sure = chance(choice.best["best_chance"])
    text = f"It is the best with a chance of {sure}."
    if choice.settled:
        text = f"That it is the best is as good as settled ({sure})."
    elif len(choice.contenders()):
        text += f" {capital(voice.many(choice.contenders(), 'best_chance', 'or'))} could also be best."
    none = 1 - float(choice.table["best_chance"].sum())
    return text + (f" With a chance of {chance(none)} none is good enough." if none > 0.05 else "")


def passing(choice: Choice, voice: Voice) -> str:
    """Which combinations fail, and which of the others is the weakest."""
    table = choice.table.sort_values("meets", kind="stable")
    fails, passes = table[table["meets"] < HALF], table[table["meets"] >= HALF]
    if passes.empty:
        return "Each of them fails more often than it passes."
    weakest = voice.many(passes.head(1), "meets")
    if fails.empty:
        return f"All combinations pass; {weakest} is weakest."
    verb = "fails" if len(fails) == 1 else "fail"
    rest = f"; of the others, {weakest} is weakest" if len(passes) > 1 else ""
    return f"{capital(voice.many(fails, 'meets'))} {verb} in most new batches{rest}."


def excluded(choice: Choice, voice: Voice) -> list[Finding]:
    """What each limit rules out, and those that rule out nothing in one sentence."""
    met = {limit: choice.responses[limit.response]["meets"].sort_values() for limit in choice.limits}
    idle = [voice.asked(limit) for limit, chances in met.items() if chances.min() >= HALF]
    none = f"{capital(listed(idle))} {'rules' if len(idle) == 1 else 'rule'} out none."
    found = []
    for limit, chances in met.items():
        out = choice.table.loc[chances.index[chances < HALF]]
        text = f"{capital(voice.asked(limit))} rules out {voice.many(out)}." if len(out) else none
        rows = (out if len(out) else choice.table.loc[[chances.idxmin()]]).iterrows()
        found += [voice.found(f"meets.{limit.response}", r, text, chances[i]) for i, r in rows]  # type: ignore[call-overload]
    return found


def between(grid: Choice, tried: Choice, voice: Voice, steps: int) -> Finding:
    """The best of the amounts between those that were made."""
    best, name = grid.best, voice.name(grid.best)
    numbers = _numbers(grid, best)
    what = "of new batches keep every limit" if grid.limits else "of the wishes granted"
    text = f"In {steps} steps from the least to the most, {name} is best: {chance(numbers[0])} {what}."
    if name != voice.name(tried.best) and best["score"] - tried.best["score"] < 0.02:
        text += f" That is hardly better than {voice.name(tried.best)}."
    if name not in {voice.name(row) for _, row in tried.table.iterrows()}:
        text += " It was not made yet, so try it first."
    return voice.found("between", best, text, *numbers)


def table(choice: Choice, voice: Voice, most: int) -> pd.DataFrame:
    """A row a combination, best first: typical batch with interval and chance to keep the limit."""
    rows = choice.table.head(most)
    beyond = rows["extrapolated"].map({True: " (not tried)", False: ""})
    cells = {"combination": [voice.name(row) for _, row in rows.iterrows()] + beyond}
    for name, each in choice.responses.items():
        cells[voice.titled(name)] = each.head(most).apply(_cell, axis=1)
    if choice.limits:
        cells["every limit"] = rows["meets"].map(chance)
    if choice.wishes:
        cells["wishes granted"] = rows["granted"].map(percent)
    return pd.DataFrame({**cells, "is the best": rows["best_chance"].map(chance)})


def _cell(row: pd.Series) -> str:
    value, low, high = (float(row[end]) for end in ("estimate", "conf_low", "conf_high"))
    said = number(value) if low == high else f"{number(value)} ({number(low)} to {number(high)})"
    return said + (f"; {chance(row['meets'])}" if "meets" in row else "")


HOW_TO_READ = (
    "In the table: the typical batch with its 95 % interval; then the chance that a new batch, made on a new day, keeps "
    "that limit. A limit of safety, of the law or of a supplier is kept by recipe, never by odds."
)

#: What a filled mark of the picture means.
FILLED = "Filled: it may be the best, with a chance of 5 % or more."


def confirming(bounds: pd.DataFrame, who: str, voice: Voice, batches: int) -> tuple[str, list[Finding]]:
    """What to make, and a finding a response: between which bounds its mean should lie."""
    days = f" on {batches} days" if batches > 1 else ""
    found = []
    for name, row in bounds.iterrows():
        measure, low, high = voice.measure(str(name)), float(row["conf_low"]), float(row["conf_high"])
        mean = "" if batches == 1 else ", geometric mean" if row["log"] else ", mean"
        text = f"{capital(measure.label)}{mean}: {_span(low, high, measure.unit)}."
        more: dict[str, Any] = {"kind": "prediction", "df": float(row["df"]), "batches": voice.batches}
        topic, unit = f"choice.confirm.{name}", measure.unit
        found.append(Finding(topic, text, float(row["estimate"]), low, high, unit, **more))
    return (
        f"Make {count(batches, 'batch', 'batches')} of {who}{days} and test as before. "
        "If the trial is right, all of this holds in 19 of 20 such tries:"
    ), found


def _span(low: float, high: float, unit: str) -> str:
    """From low to high; between two looks, as far as they tell."""
    if low == high:
        return f"{number(low)} {unit}".rstrip()
    if not isfinite(high):
        return f"over {number(low)} {unit}".rstrip()
    return f"{f'{number(low)} to' if low else 'at most'} {number(high)} {unit}".rstrip()


def judging(folder: str) -> list[str]:
    """How confirmation batches are judged."""
    return [
        "All inside: the recipe holds. One outside: make it once more beside the control before you trust it.",
        "fizzlab judges the new batches if they have a folder beside this one, whose trial.toml says [confirms] "
        f'and below it trial = "../{folder}".',
    ]


def next_batches(runs: pd.DataFrame) -> str:
    """What the batches to add are for."""
    many = f"{count(len(runs), 'batch', 'batches')} on {count(runs['day'].nunique(), 'day')}"
    return f"These {many} would tell most. Add them to this trial's tables and report again."


def plan_table(runs: pd.DataFrame, voice: Voice) -> pd.DataFrame:
    """The batches to add, in the order of making."""
    cells = {"batch": list(runs["run"].astype(str)), "day": list(runs["day"].astype(str))}
    for term in voice.terms:
        cells[voice.label(term.name)] = [level_name(term, value) for value in runs[term.name]]
    return pd.DataFrame(cells)


def came_out(row: Row, voice: Voice) -> Finding:
    """One response of confirmation batches: what was seen, the bounds, and whether they agree."""
    measure, low, high = voice.measure(row["response"]), float(row["seen_low"]), float(row["seen_high"])
    kept = "" if row["kept"] is None else f" {row['kept']} of {row['batches']} kept the limit."
    text = (
        f"{capital(measure.label)} of {voice.name(row)}, mean of {count(row['batches'], 'batch', 'batches')}: "
        f"{_span(low, high, measure.unit)}, {'as' if row['agrees'] else 'not as'} forecast "
        f"({_span(row['conf_low'], row['conf_high'], measure.unit)}).{kept}"
    )
    found = voice.found("confirmed", row, text, low, row["conf_low"], row["conf_high"], unit=measure.unit)
    exact = low if low == high else None
    more: dict[str, Any] = {"df": float(row["df"]), "batches": int(row["batches"]), "estimate": exact}
    return replace(found, topic=f"{found.topic}.{row['response']}", **more)


def verdict(seen: Sequence[Row], voice: Voice) -> str:
    """Whether the confirmation batches came out as forecast, and what to do if not."""
    wrong = [f"{voice.measure(s['response']).label} of {voice.name(s)}" for s in seen if not s["agrees"]]
    if not wrong:
        return "Yes: the confirmation batches came out as forecast."
    return f"No: {listed(wrong)} did not. Make it once more beside the control before you trust it."
