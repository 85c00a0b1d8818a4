"""Which combination to keep, in sentences: chances as so many of ten new batches, then the per cent."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from math import isfinite
from typing import Protocol

import pandas as pd

from fizzlab.design.plan import Plan
from fizzlab.errors import CannotAnswer
from fizzlab.measures import MEASURES, Measure
from fizzlab.models.choose import Choice, Confirmation, Limit, column
from fizzlab.models.terms import Amount, Category, Term, level_name
from fizzlab.report.findings import Finding
from fizzlab.report.phrases.numbers import capital, count, listed, number, percent

Label = Callable[[str], str]
Measures = Callable[[str], Measure]

#: A combination that keeps to the limits less often than this is said not to.
HALF = 0.5
#: From this chance on it is "nearly every".
NEARLY = 0.985
#: From this chance on the choice counts as settled, as in `fizzlab.design.adding`.
SETTLED = 0.95
#: Level names that say nothing without the name of their factor.
BARE = frozenset({"yes", "no", "none", "with", "without", "on", "off", "low", "high", "old", "new", "plain"})


@dataclass(frozen=True)
class Voice:
    """How the combinations and responses of one trial are spoken of.

    Parameters
    ----------
    terms : tuple of Category or Amount
    label : callable
        From a factor's name to the maker's words.
    measure : callable
        From a response's name to its `Measure`.
    dry_share : float or None
        The share of the pieces of a batch that a dry time is of; None where pieces count as alike.
    """

    terms: tuple[Term, ...]
    label: Label
    measure: Measures
    dry_share: float | None

    def name(self, setting: Mapping[str, object] | pd.Series) -> str:
        """A combination as "gum + lake" or "gum + oil 4 g"."""
        return " + ".join(self._part(term, setting[term.name]) for term in self.terms)

    def _part(self, term: Term, value: object) -> str:
        said = level_name(term, value)
        if isinstance(term, Amount):
            return f"{self.label(term.name)} {said}"
        shared = [t for t in self.terms if isinstance(t, Category) and said in t.levels]
        bare = len(shared) > 1 or said.casefold() in BARE or said.replace(".", "").isdigit()
        return f"{self.label(term.name)} {said}" if bare else said

    def response(self, name: str) -> str:
        """A response in words, saying of a dry time which pieces are meant."""
        if name == "dry_h" and self.dry_share is not None:
            return f"time until {percent(self.dry_share)} of the pieces of a batch are dry"
        return self.measure(name).label

    def titled(self, name: str) -> str:
        """A response with its unit, for a table or a panel."""
        said = self.measure(name).label
        if name == "dry_h" and self.dry_share is not None:
            said = f"{percent(self.dry_share)} of pieces dry"
        return f"{capital(said)}, {self.measure(name).unit}".rstrip(", ")

    def asked(self, limit: Limit) -> str:
        """A limit in words."""
        unit = self.measure(limit.response).unit
        least, most = (None if end is None else f"{end:g}" for end in (limit.at_least, limit.at_most))
        if limit.response == "dry_h" and least is None:
            who = f"{percent(self.dry_share)} of its pieces" if self.dry_share is not None else "its pieces"
            return f"{who} dry within {most} {unit}"
        if least is not None and most is not None:
            ends = f"between {least} and {most} {unit}"
        else:
            ends = f"at least {least} {unit}" if most is None else f"at most {most} {unit}"
        return f"{self.response(limit.response)} {ends}".rstrip()


def of_ten(chance: float) -> str:
    """How many new batches of ten, in words.

    Examples
    --------
    >>> of_ten(0.87), of_ten(0.999), of_ten(0.97), of_ten(0.02), of_ten(0.001)
    ('9 of 10 new batches', 'nearly every new batch', 'more than 9 of 10 new batches', \
'fewer than 1 of 10 new batches', 'hardly any new batch')
    """
    if chance >= NEARLY:
        return "nearly every new batch"
    if chance < 0.015:
        return "hardly any new batch"
    tenths = round(10 * chance)
    if tenths == 10:
        return "more than 9 of 10 new batches"
    return f"{tenths} of 10 new batches" if tenths else "fewer than 1 of 10 new batches"


def chance(value: float) -> str:
    """A chance in per cent that is never rounded to certainty.

    Examples
    --------
    >>> chance(0.873), chance(0.9999), chance(0.0)
    ('87 %', 'over 99 %', 'under 1 %')
    """
    if value >= 0.995:
        return "over 99 %"
    return "under 1 %" if value < 0.005 else percent(value)


def _span(low: float, high: float) -> str:
    return f"{chance(low)} to {chance(high)}"


def _topic(kind: str, row: pd.Series, terms: Sequence[Term]) -> str:
    return f"choice.{kind}." + ",".join(f"{term.name}={level_name(term, row[term.name])}" for term in terms)


def answer(choice: Choice, voice: Voice, unmeasured: Sequence[str], batches: int) -> list[Finding]:
    """Which combination to keep, how sure that is, and what the limits leave."""
    best = choice.best
    return [
        _best(choice, best, voice, unmeasured, batches),
        *_how_sure(choice, best, voice, batches),
        *(_keeping(choice, voice, batches) if choice.limits else []),
        *_excluded(choice, voice, batches),
    ]


def _best(choice: Choice, best: pd.Series, voice: Voice, unmeasured: Sequence[str], batches: int) -> Finding:
    who, many = voice.name(best), len(choice.table)
    topic = _topic("best", best, voice.terms)
    by = " and ".join(word for word, there in (("limits", choice.limits), ("wishes", choice.wishes)) if there)
    of = f"of the {many} combinations that were made" if many > 1 else "the one combination that was made"
    gone = f" but that on {listed([voice.measure(name).label for name in unmeasured])}" if unmeasured else ""
    keep = "Keep" if float(best["best_chance"]) >= SETTLED else "By what is known so far, keep"
    if not choice.limits:
        value = float(best["expected_desirability"])
        text = (
            f"{keep} {who}: {of}, it grants the wishes in trial.toml best, {percent(value)} of them as a new "
            "batch may be expected to."
        )
        return Finding(topic, text, value, unit="share of the wishes", kind="prediction", batches=batches)
    met, low, high = (float(best[name]) for name in ("meets_all", "meets_all_low", "meets_all_high"))
    told = (
        f"{of_ten(met)} of it would keep to every limit{gone} ({chance(met)}; by what the trial leaves open, "
        f"{_span(low, high)}): {listed([voice.asked(limit) for limit in choice.limits])}."
    )
    if met < HALF:
        text = f"No combination can be counted on. The best {of} is {who}, and {told}"
    else:
        text = f"{keep} {who}: {of} it is the best by the {by} in trial.toml. {capital(told)}"
    return Finding(topic, text, met, low, high, "chance", kind="prediction", batches=batches)


def _how_sure(choice: Choice, best: pd.Series, voice: Voice, batches: int) -> list[Finding]:
    if len(choice.table) < 2:
        return []
    sure = float(best["best_chance"])
    here = choice.table["best_chance"].index != best.name
    others = choice.table[here & (choice.table["best_chance"] >= 0.05)].sort_values(
        "best_chance", ascending=False, kind="stable"
    )
    told = [f"{voice.name(row)} ({chance(row['best_chance'])})" for _, row in others.iterrows()]
    whole = sure + float(choice.table.loc[here, "best_chance"].sum())
    if sure >= SETTLED:
        text = f"That {voice.name(best)} is the best of them is as good as settled: the chance is {chance(sure)}."
    else:
        text = f"Which is the best is not settled: it is {voice.name(best)} with a chance of {chance(sure)}"
        text += f"; as well it may be {listed(told, 'or')}." if told else "."
    if whole < 0.95:
        text += f" With a chance of {chance(1 - whole)} none of them is any good."
    rows = [best, *(row for _, row in others.iterrows())]
    return [
        Finding(
            _topic("best_chance", row, voice.terms),
            text,
            float(row["best_chance"]),
            unit="chance",
            batches=batches,
        )
        for row in rows
    ]


def _keeping(choice: Choice, voice: Voice, batches: int) -> list[Finding]:
    """Every combination sorted by how often a new batch keeps to all limits."""
    groups = (
        ("in 9 of 10 new batches or more by", 0.9, 1.01),
        ("in 5 to 9 of 10 by", HALF, 0.9),
        ("in fewer than half by", -1.0, HALF),
    )
    table = choice.table.sort_values("meets_all", ascending=False, kind="stable")
    parts = []
    for words, least, most in groups:
        mine = table[(table["meets_all"] >= least) & (table["meets_all"] < most)]
        if len(mine):
            parts.append(
                f"{words} {listed([f'{voice.name(row)} ({chance(row.meets_all)})' for _, row in mine.iterrows()])}"
            )
    text = f"Every limit is kept: {'; '.join(parts)}."
    return [
        Finding(
            _topic("meets_all", row, voice.terms),
            text,
            float(row["meets_all"]),
            float(row["meets_all_low"]),
            float(row["meets_all_high"]),
            "chance",
            kind="prediction",
            batches=batches,
        )
        for _, row in table.iterrows()
    ]


def _excluded(choice: Choice, voice: Voice, batches: int) -> list[Finding]:
    """What each limit leaves out."""
    found = []
    for limit in choice.limits:
        met = f"{column(limit.response)}_meets"
        out = choice.table[choice.table[met] < HALF].sort_values(met, kind="stable")
        asked = capital(voice.asked(limit).replace("its pieces", "the pieces"))
        if out.empty:
            low = choice.table.iloc[int(choice.table[met].argmin())]
            least = float(low[met])
            text = (
                f"{asked}: this excludes none; least often it is kept by {voice.name(low)} ({chance(least)})."
            )
            if least >= NEARLY:
                text = f"{asked}: nearly every new batch of each combination keeps to it ({chance(least)})."
            rows = [low]
        else:
            told = listed([f"{voice.name(row)} ({chance(row[met])})" for _, row in out.iterrows()])
            verb = "keep" if len(out) > 1 else "keeps"
            text = f"{asked}: {told} {verb} to it in fewer than half of the new batches."
            rows = [row for _, row in out.iterrows()]
        found += [
            Finding(
                _topic(f"meets.{limit.response}", row, voice.terms),
                text,
                float(row[met]),
                unit="chance",
                kind="prediction",
                batches=batches,
            )
            for row in rows
        ]
    return found


def between_tried(grid: Choice, tried: Choice, voice: Voice, steps: int, batches: int) -> Finding:
    """The best of the amounts between those that were tried."""
    best, made = grid.best, tried.best
    gain = float(best["score"]) - float(made["score"])
    told = f"With {steps} steps of each amount between the least and the most tried, the best is {voice.name(best)}"
    if voice.name(best) == voice.name(made):
        told += ", which was made"
    if grid.limits:
        met = float(best["meets_all"])
        told += f": {of_ten(met)} would keep to every limit ({chance(met)}"
        told += f"; by what the trial leaves open, {_span(float(best['meets_all_low']), float(best['meets_all_high']))})"
        numbers = (met, float(best["meets_all_low"]), float(best["meets_all_high"]))
    else:
        value = float(best["expected_desirability"])
        told += f", which grants {percent(value)} of the wishes"
        numbers = (value, None, None)  # type: ignore[assignment]
    if not best["made"]:
        told += "; it was not made yet, so this rests on the model between the batches"
    if gain < 0.02 and voice.name(best) != voice.name(made):
        told += f"; that is hardly better than {voice.name(made)}, which was made"
    topic = _topic("between", best, voice.terms)
    return Finding(topic, f"{told}.", *numbers, "chance", kind="prediction", batches=batches)


def table(choice: Choice, voice: Voice, most: int = 12) -> pd.DataFrame:
    """A row a combination, best first: typical value with interval and chance to keep to the limit."""
    limited = {limit.response for limit in choice.limits}
    rows = []
    view = in_view(choice)
    for place, (_, row) in enumerate(choice.table.head(most).iterrows()):
        cells = {"combination": voice.name(row) + (" (not tried)" if row["beyond_tried"] else "")}
        for name in choice.responses:
            value, low, high = (float(row[f"{column(name)}{end}"]) for end in ("", "_low", "_high"))
            said = number(value) if low == high else f"{number(value)} ({number(low)} to {number(high)})"
            said += f"; {chance(float(row[f'{column(name)}_meets']))}" if name in limited else ""
            cells[voice.titled(name)] = said
        if choice.limits:
            cells["every limit"] = chance(float(row["meets_all"]))
        if choice.wishes:
            cells["wishes granted"] = percent(float(row["expected_desirability"]))
        cells["is the best"] = chance(float(row["best_chance"]))
        cells["in view"] = "yes" if view[place] else "no"
        rows.append(cells)
    return pd.DataFrame(rows)


TABLE_CAPTION = "Every combination that was made, the best first"

HOW_TO_READ = (
    "In the table: the typical batch with its 95 % interval, and after the semicolon the chance that a new batch, made on a "
    "new day, keeps to that limit. “Wishes granted” is what may be expected of a new batch. A chance near a limit of safety, "
    "of the law or of a supplier is no permission: such a limit is kept by recipe, not by odds."
)

#: What a filled mark of the picture, and "in view" in the table, mean.
IN_VIEW = (
    "Filled marks are in view: at least half of their new batches keep to every limit, and no other combination is as good "
    "in everything that was asked and better in something. Which of them to take is a matter of taste."
)


def in_view(choice: Choice) -> list[bool]:
    """Combinations that keep to the limits as a rule, and that no other beats in everything."""
    enough = choice.table["meets_all"] >= HALF if choice.limits else True
    return [bool(each) for each in choice.table["in_front"] & enough]


def confirming(told: Confirmation, voice: Voice, batches: int) -> list[Finding]:
    """What to make, and between which bounds it should lie."""
    who = voice.name(told.setting)
    many = count(told.batches, "batch", "batches")
    where = f"on {told.days} days" if told.days > 1 else "on one day"
    means = "their means should lie" if told.batches > 1 else "it should lie"
    parts = []
    for name, row in told.table.iterrows():
        measure = voice.measure(str(name))
        words = f"{number(row['low'])} and {number(row['high'])} {measure.unit}".rstrip()
        parts.append(f"{measure.label} between {words}")
    text = (
        f"Make {many} of {who}, {where}, and test them as in the trial. If the trial is right, {means} here, "
    )
    text += f"all together with a chance of {percent(told.level)}: {listed(parts)}."
    return [
        Finding(
            f"choice.confirm.{name}",
            text,
            float(row["expected"]),
            float(row["low"]),
            float(row["high"]),
            voice.measure(str(name)).unit,
            told.level,
            "prediction",
            df=float(row["df"]),
            batches=batches,
        )
        for name, row in told.table.iterrows()
    ]


def judging(told: Confirmation, voice: Voice, air: str, folder: str) -> list[str]:
    """How to judge the confirmation batches by hand."""
    names = [str(name) for name in told.table.index]
    logs = [name for name in names if bool(told.table.loc[name, "log"])]
    plain = [name for name in names if name not in logs]
    lines = []
    if told.batches > 1 and logs:
        words = listed([voice.measure(name).label for name in logs])
        lines.append(
            f"{capital(words)}: take the geometric mean, the {told.batches} batches' numbers multiplied and then their "
            f"{_root(told.batches)}."
        )
    if told.batches > 1 and plain:
        words = listed([voice.measure(name).label for name in plain])
        lines.append(f"{capital(words)}: take the ordinary mean of the batches.")
    if "dry_h" in names:
        lines.append(
            "Dry time: this is the mean over all pieces of these batches, not the time of the slow ones. A touch check "
            "gives each piece a last look at which it was wet and a first at which it was dry: take the geometric mean "
            "of the one and of the other. It agrees if any value between these two lies within the bounds."
            + (f" The bounds hold {air}; in other air pieces dry sooner or later." if air else "")
        )
    return [
        *lines,
        "All inside: the recipe came out as forecast. One outside: something differed from the trial, or the trial misses "
        "something there; make it once more beside the control before you trust it.",
        "Count too how many of these batches keep to every limit; so few batches say little by themselves.",
        "fizzlab does these sums for you, if the new batches have a folder of their own beside this one and its trial.toml "
        f'says [confirms] and below it trial = "../{folder}".',
    ]


def _root(batches: int) -> str:
    return {2: "square root", 3: "cube root", 4: "fourth root"}.get(batches, f"root of order {batches}")


def next_batches(plan: Plan, voice: Voice) -> str:
    """Why these batches are to be added."""
    days = plan.runs["day"].nunique()
    return (
        f"The choice is open. These {count(len(plan.runs), 'batch', 'batches')} on {count(days, 'day')} would settle it best; "
        "add them to the tables of this trial and report again."
    )


def none_to_add(choice: Choice) -> str:
    """Said before the reason why no batches are named."""
    return "None are needed." if float(choice.best["best_chance"]) >= SETTLED else "None are named."


def plan_table(plan: Plan, voice: Voice) -> pd.DataFrame:
    """The batches to add, in the order of making."""
    rows = plan.runs
    cells: dict[str, list[str]] = {
        "batch": list(rows["run"].astype(str)),
        "day": list(rows["day"].astype(str)),
    }
    for term in voice.terms:
        cells[voice.label(term.name)] = [level_name(term, value) for value in rows[term.name]]
    return pd.DataFrame(cells)


class Beside(Protocol):
    """A response of some confirmation batches beside its forecast; see `fizzlab.report.parts.confirm.Seen`."""

    @property
    def setting(self) -> pd.Series: ...
    @property
    def response(self) -> str: ...
    @property
    def low(self) -> float: ...
    @property
    def high(self) -> float: ...
    @property
    def seen_low(self) -> float: ...
    @property
    def seen_high(self) -> float: ...
    @property
    def batches(self) -> int: ...
    @property
    def df(self) -> float: ...
    @property
    def kept(self) -> int | None: ...
    @property
    def agrees(self) -> bool: ...


def _mean_seen(seen: Beside, unit: str) -> str:
    """The mean of the batches; between two looks where that is all that was seen."""
    if seen.seen_low == seen.seen_high:
        return f"{number(seen.seen_low)} {unit}".rstrip()
    if seen.seen_low == 0:
        return f"at most {number(seen.seen_high)} {unit}" if isfinite(seen.seen_high) else "not narrowed down"
    if not isfinite(seen.seen_high):
        return f"more than {number(seen.seen_low)} {unit}"
    return f"between {number(seen.seen_low)} and {number(seen.seen_high)} {unit}"


def came_out(seen: Beside, voice: Voice) -> Finding:
    """One response: what was seen, the bounds, and whether they agree."""
    measure = voice.measure(seen.response)
    verdict = "as forecast" if seen.agrees else "not as forecast"
    text = (
        f"{capital(measure.label)} of {voice.name(seen.setting)}: the mean of "
        f"{count(seen.batches, 'batch', 'batches')} is {_mean_seen(seen, measure.unit)}; forecast was between "
        f"{number(seen.low)} and {number(seen.high)} {measure.unit}".rstrip()
        + f": {verdict}."
    )
    exact = seen.seen_low == seen.seen_high
    return Finding(
        f"{_topic('confirmed', seen.setting, voice.terms)}.{seen.response}",
        text,
        seen.seen_low if exact else None,
        seen.low,
        seen.high,
        measure.unit,
        kind="prediction",
        df=seen.df,
        batches=seen.batches,
    )


def verdict(seen: Sequence[Beside], voice: Voice) -> str:
    """Whether the confirmation batches came out as forecast, and what to do if not."""
    wrong = [each for each in seen if not each.agrees]
    if not wrong:
        return (
            "The confirmation batches came out as forecast in everything that was measured "
            f"({listed(list(dict.fromkeys(voice.measure(each.response).label for each in seen)))})."
        )
    names = [f"{voice.measure(each.response).label} of {voice.name(each.setting)}" for each in wrong]
    return (
        f"Not as forecast: {listed(names)}. Something differed from the trial, or the trial misses something there. "
        "Make it once more beside the control before you trust it."
    )


def outcome_table(seen: Sequence[Beside], voice: Voice) -> pd.DataFrame:
    """A row a combination and response: seen, bounds, verdict, batches that kept to the limit."""
    rows = []
    for each in seen:
        unit = voice.measure(each.response).unit
        rows.append(
            {
                "combination": voice.name(each.setting),
                "response": voice.measure(each.response).label,
                "mean of the batches": _mean_seen(each, unit),
                "forecast": f"{number(each.low)} to {number(each.high)} {unit}".rstrip(),
                "as forecast": "yes" if each.agrees else "no",
                "kept to the limit": "–" if each.kept is None else f"{each.kept} of {each.batches}",
            }
        )
    return pd.DataFrame(rows)


def relabelled(line: str, names: Mapping[str, str], measure: Measures) -> str:
    """A note that begins with a response's name, in words."""
    first, _, rest = line.partition(" ")
    bare = first.rstrip(":")
    if bare in names or bare in MEASURES:
        return f"{capital(measure(bare).label)}{first[len(bare) :]} {rest}"
    return line


def not_judged(reasons: Mapping[str, CannotAnswer], voice: Voice) -> list[str]:
    """Responses that have a limit or a wish and no number to judge by."""
    return [
        f"{capital(voice.measure(name).label)} is asked for in trial.toml and not judged here. {reason}"
        for name, reason in reasons.items()
    ]
