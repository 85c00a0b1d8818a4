"""Which combination to keep: the limits and wishes of trial.toml, judged by all responses at once."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import lru_cache
from typing import TYPE_CHECKING, Any, NamedTuple

import pandas as pd

from fizzlab.errors import CannotAnswer
from fizzlab.models.choose import HALF, Choice, Limit, between, choose
from fizzlab.models.curing import CuringFit
from fizzlab.models.effects import ResponseFit
from fizzlab.models.result import FitResult
from fizzlab.models.terms import Amount, Category, Term, level_name
from fizzlab.report import phrases as words
from fizzlab.report.analysis import Analysis
from fizzlab.report.figures.panels import MOST, trade_off
from fizzlab.report.page import Finding, Findings, Grid, Notes, Picture, parted
from fizzlab.report.parts.drying import air_words
from fizzlab.report.parts.general import Pieces, caution, is_blend, standing
from fizzlab.report.phrases import bare, capital, count, listed, number, percent, spoken
from fizzlab.trial.folder import Trial
from fizzlab.trial.settings import TrialSettings

if TYPE_CHECKING:
    from fizzlab.design.plans import Plan

TITLE = "## Which to keep"

BY_RECIPE = "A limit of safety, of the law or of a supplier is kept by recipe, never by odds."

#: So many combinations are named in a sentence, and stand in the table.
NAMED, ROWS = 3, 24

Row = Mapping[str, Any] | pd.Series


class Voice(NamedTuple):
    """How the combinations and responses of one trial are spoken of.

    `shares` are of the pieces of a batch, which a response is asked of; it all rests on so many `batches`.
    """

    terms: Sequence[Term]
    settings: TrialSettings
    shares: Mapping[str, float]
    batches: int

    def name(self, setting: Row) -> str:
        """A combination as "gum + lake" or "gum + oil 4 g"."""
        return " + ".join(self.part(term, setting[term.name]) for term in self.terms)

    def part(self, term: Term, value: object) -> str:
        """The level of one factor, with its name where the level alone says too little."""
        said = level_name(term, value)
        shared = [t for t in self.terms if isinstance(t, Category) and said in t.levels]
        unclear = len(shared) > 1 or bare(said)
        return f"{self.settings.label(term.name)} {said}" if unclear or isinstance(term, Amount) else said

    def response(self, name: str) -> str:
        """A response in words, with the share of the pieces that it is asked of."""
        of = f" of {percent(self.shares[name])} of the pieces" if name in self.shares else ""
        return self.settings.measure(name).label + of

    def titled(self, name: str) -> str:
        """A response with its unit, for a table or a panel."""
        return capital(f"{self.response(name)}, {self.settings.measure(name).unit}".rstrip(", "))

    def asked(self, limit: Limit) -> str:
        """A limit in words."""
        ends = [("at least", limit.at_least), ("at most", limit.at_most)]
        told = " and ".join(f"{word} {end:g}" for word, end in ends if end is not None)
        return f"{self.response(limit.response)} {told} {self.settings.measure(limit.response).unit}".rstrip()

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


def chance(value: float) -> str:
    """A chance in per cent that is never rounded to certainty: ``"over 99 %"``."""
    if 0.005 <= value < 0.995:
        return percent(value)
    return "over 99 %" if value > HALF else "under 1 %"


class Judgement(NamedTuple):
    """The combinations that were made, judged; `reasons` why a response that was asked for is not."""

    choice: Choice
    voice: Voice
    reasons: Mapping[str, CannotAnswer]
    notes: Sequence[str]


@lru_cache(maxsize=2)
def choosing(done: Analysis) -> Judgement | None:
    """Judge every combination; None where trial.toml states no limit and no wish, or no factor changed.

    Raises CannotAnswer where nothing that is asked for can be judged.
    """
    settings = done.trial.settings
    limits = {name: limit for name, each in settings.responses.items() if (limit := each.limit(name))}
    wishes = {name: wish for name, each in settings.responses.items() if (wish := each.wish(name))}
    if not (limits or wishes) or not done.terms:
        return None
    fits, reasons, notes = dict[str, FitResult](), dict[str, CannotAnswer](), list[str]()
    for name in (name for name in settings.responses if name in limits | wishes):
        try:
            fits[name] = _fit(done, name)
        except CannotAnswer as reason:
            reasons[name] = reason
            continue
        if done.depends(name):
            what = settings.measure(name).label
            notes.append(f"In {what} one change depends on another, or bends, which is counted in.")
    if not fits:
        why = " ".join(str(reason) for reason in reasons.values())
        raise CannotAnswer(f"No response that trial.toml asks for can be judged. {why}", "Measure them.")
    asked = ([each for name, each in some.items() if name in fits] for some in (limits, wishes))
    choice = _judge(done.trial, fits, _made(done, fits, notes), *asked)
    voice = Voice(choice.terms, settings, choice.shares, max(fit.n_batches for fit in fits.values()))
    return Judgement(choice, voice, reasons, list(dict.fromkeys([*notes, *choice.notes])))


def _judge(
    trial: Trial, fits: Mapping[str, FitResult], made: pd.DataFrame, limits: Any, wishes: Any
) -> Choice:
    """Some combinations, judged as trial.toml says."""
    share, seed = max(trial.settings.drying.shares), trial.settings.seed
    return choose(fits, made, limits=limits, wishes=wishes, share=share, seed=seed)


def _fit(done: Analysis, name: str) -> FitResult:
    """The fit that a response is judged by."""
    fit = done.forecasting(name)
    if fit is None or not fit.terms:
        unmeasured = CannotAnswer("It was not measured.", "Measure it on each batch.")
        if not done.trial.settings.measure(name).table:
            unmeasured = CannotAnswer("It is worked out from [recipe].", "Give its prices and pieces.")
        raise done.reasons.get(name) or unmeasured
    lacking = {term.name for term in done.terms} - {term.name for term in fit.terms}
    if lacking:
        which = " and ".join(done.trial.settings.label(factor) for factor in sorted(lacking))
        raise CannotAnswer(f"All batches with a number had the same {which}.", "Measure the others too.")
    fit.forecast(fit.made().head(1))  # raises where it has none
    return fit


def _made(done: Analysis, fits: Mapping[str, FitResult], notes: list[str]) -> pd.DataFrame:
    """The combinations that were made and that every response knows."""
    made = done.trial.rows("runs")[[term.name for term in done.terms]].drop_duplicates()
    for response, fit in fits.items():
        label = done.trial.settings.measure(response).label
        for factor in (term for term in fit.terms if isinstance(term, Category)):
            known = made[factor.name].isin(factor.levels)
            for level in dict.fromkeys(made.loc[~known, factor.name]):
                notes.append(f"Combinations with {level} are not judged: none of them has a {label}.")
            made = made[known]
    if made.empty:
        raise CannotAnswer("No combination was measured in every response.", "Measure the same batches.")
    return made


@standing
def choice(done: Analysis) -> Pieces:
    """Which combination to keep: the answer, the trade-off, what to confirm and what to add."""
    trial, settings = done.trial, done.trial.settings
    if trial.confirms is not None:
        return []
    try:
        chosen = choosing(done)
    except CannotAnswer as reason:
        return [TITLE, caution([f"No combination can be chosen. {spoken(str(reason), settings)}"])]
    if chosen is None:
        return []
    judged, voice, reasons = chosen.choice, chosen.voice, chosen.reasons
    keep = keep_sentence(chosen)  # stands on the front page
    found = answer(judged, voice, keep)
    said_here = list(dict.fromkeys(each.sentence for each in found if each.sentence != keep))
    said = [f"{capital(settings.measure(n).label)} is not judged here. {why}" for n, why in reasons.items()]
    air = [air_words(fit, trial) for fit in judged.fits.values() if isinstance(fit, CuringFit)]
    pieces: Pieces = [
        TITLE,
        Notes(said_here, "answer"),
        Findings(found, kind="silent"),
        _picture(judged, voice),
        BY_RECIPE,
        Notes([f"Dry times are forecast {each}." for each in air if each], method=True) if any(air) else None,
        Grid(
            table(judged, voice, ROWS),
            "The combinations, best first: the typical batch; the chance that a new one keeps the limit",
            method=True,
        ),
    ]
    for title, work in (
        ("### Between the amounts that were made", _between),
        ("### Confirm it", _confirm),
        ("### Batches to add", _add),
    ):
        try:
            told = work(trial, chosen)
        except CannotAnswer as reason:
            told = [Notes([spoken(str(reason), settings)], "plain")]
        pieces += [title, *told] if told else []
    return parted([*pieces, caution([spoken(line, settings) for line in (*said, *chosen.notes)])])


def answer(judged: Choice, voice: Voice, text: str) -> list[Finding]:
    """Which combination to keep (`text` says it), how sure that is, and what the limits leave."""
    best = judged.best
    unit = "chance" if judged.limits else "share of the wishes"
    found = [voice.found("best", best, text, *_numbers(judged, best), unit=unit)]
    if len(judged.table) > 1:
        rows, sure = [best, *(row for _, row in judged.contenders().iterrows())], _how_sure(judged, voice)
        found += [voice.found("best_chance", r, sure, r["best_chance"], kind="confidence") for r in rows]
    if judged.limits:
        ordered = judged.table.sort_values("meets", ascending=False, kind="stable")
        found += [voice.found("meets_all", r, text, *_numbers(judged, r)) for _, r in ordered.iterrows()]
    return found + _excluded(judged, voice)


def keep_sentence(chosen: Judgement) -> str:
    """Which combination to keep, in one sentence."""
    settings = chosen.voice.settings
    return _keep(chosen.choice, chosen.voice, [n for n in chosen.reasons if settings.responses[n].limit(n)])


def _numbers(judged: Choice, row: Row) -> list[float]:
    """The chance to keep every limit with its interval, or how far the wishes are granted."""
    return [row[name] for name in (("meets", "meets_low", "meets_high") if judged.limits else ("granted",))]


def _keep(judged: Choice, voice: Voice, unmeasured: Sequence[str]) -> str:
    """The first sentence of the answer, with how many new batches of ten or of twenty pass."""
    best, name = judged.best, voice.name(judged.best)
    keep = f"Keep {name}{'' if judged.settled else ' for now'}"
    rivals = judged.contenders()
    rivals = rivals[rivals["best_chance"] >= best["best_chance"] / 2]
    if len(rivals) and not judged.settled:
        alike = f"{voice.many(rivals)} {'is' if len(rivals) == 1 else 'are'} about as good"
        keep += f" ({alike if len(rivals) < 3 else 'others are about as good'})"
    if not judged.limits:
        return f"{keep}: it grants {percent(best['granted'])} of your wishes."
    of = listed([voice.settings.measure(each).label for each in unmeasured])
    ten = round(20 * best["meets"])
    many = f"{ten} of 20 new batches keep" if ten % 2 else f"{ten // 2} of 10 new batches keep"
    many = {0: "hardly any new batch keeps", 20: "nearly every new batch keeps"}.get(ten, many)
    told = f"{many} every limit{f' but that on {of}' if of else ''} (at worst {chance(best['meets_low'])})"
    if best["meets"] < HALF:
        return f"No combination can be counted on: with the best, {name}, {told}."
    return f"{keep}: {told}."


def _how_sure(judged: Choice, voice: Voice) -> str:
    """How surely it is the best, and which others could be."""
    sure, others = chance(judged.best["best_chance"]), judged.contenders()
    none = 1 - float(judged.table["best_chance"].sum())
    text = f"It is the best with a chance of {sure}."
    if judged.settled:
        text = f"That it is the best is as good as settled ({sure})."
    elif len(others):
        text += f" {capital(voice.many(others, 'best_chance', 'or'))} could also be best."
    return text + (f" With a chance of {chance(none)} none is good enough." if none > 0.05 else "")


def _excluded(judged: Choice, voice: Voice) -> list[Finding]:
    """What each limit rules out, and those that rule out nothing in one sentence."""
    met = {limit: judged.responses[limit.response]["meets"].sort_values() for limit in judged.limits}
    idle = [voice.asked(limit) for limit, chances in met.items() if chances.min() >= HALF]
    none = f"{capital(listed(idle))} {'rules' if len(idle) == 1 else 'rule'} out none."
    found = []
    for limit, chances in met.items():
        out = judged.table.loc[chances.index[chances < HALF]]
        text = f"{capital(voice.asked(limit))} rules out {voice.many(out)}." if len(out) else none
        rows = out if len(out) else judged.table.loc[[chances.idxmin()]]
        each = zip((row for _, row in rows.iterrows()), chances[rows.index], strict=True)
        found += [voice.found(f"meets.{limit.response}", row, text, meets) for row, meets in each]
    return found


def _picture(judged: Choice, voice: Voice) -> Picture:
    names = [voice.name(row) for _, row in judged.table.head(MOST).iterrows()]
    titles = {name: voice.titled(name) for name in judged.responses}
    more = f" The best {MOST} of {len(judged.table)} are drawn." if len(judged.table) > MOST else ""
    rows = [each.head(MOST) for each in judged.responses.values() if "meets" in each]
    broken = any((each["meets"] < HALF).any() for each in rows)
    framed = " Framed: likelier beyond your limit than within." if broken else ""
    caption = f"Best first. The darker a tile, the surer a new batch is as you asked.{framed}{more}"
    alt = (
        f"A row for each combination and a tile for each of {listed(list(titles.values()))}, as in the table."
    )
    return Picture("choice", trade_off(judged, names, titles), caption, alt)


def table(judged: Choice, voice: Voice, most: int) -> pd.DataFrame:
    """A row a combination, best first: the typical batch, and its chance to keep the limit."""
    rows = judged.table.head(most)
    beyond = rows["extrapolated"].map({True: " (not tried)", False: ""})
    cells = {"combination": [voice.name(row) for _, row in rows.iterrows()] + beyond}
    for name, each in judged.responses.items():
        cells[voice.titled(name)] = each.head(most).apply(_cell, axis=1)
    if judged.limits:
        cells["every limit"] = rows["meets"].map(chance)
    if judged.wishes:
        cells["wishes granted"] = rows["granted"].map(percent)
    return pd.DataFrame({**cells, "is the best": rows["best_chance"].map(chance)})


def _cell(row: pd.Series) -> str:
    return number(float(row["estimate"])) + (f"; {chance(row['meets'])}" if "meets" in row else "")


def _between(trial: Trial, chosen: Judgement) -> Pieces:
    """The best of the amounts between those that were made, where trial.toml asks for steps."""
    steps, tried, voice = trial.settings.choose.steps, chosen.choice, chosen.voice
    if steps is None or not any(isinstance(term, Amount) for term in tried.terms):
        return []
    if is_blend(trial):
        raise CannotAnswer("Parts of a blend cannot be stepped alone.", "Plan blends between those made.")
    grid = _judge(trial, tried.fits, between(tried.fits, steps), tried.limits, tried.wishes)
    best, name = grid.best, voice.name(grid.best)
    numbers = _numbers(grid, best)
    what = "of new batches keep every limit" if grid.limits else "of the wishes granted"
    text = f"In {steps} steps from the least to the most, {name} is best: {chance(numbers[0])} {what}."
    if name != voice.name(tried.best) and best["score"] - tried.best["score"] < 0.02:
        text += f" That is hardly better than {voice.name(tried.best)}."
    if name not in {voice.name(row) for _, row in tried.table.iterrows()}:
        text += " It was not made yet, so try it first."
    found = voice.found("between", best, text, *numbers)
    return [Findings([found], kind="plain"), Grid(table(grid, voice, 8), "The best of them")]


def _confirm(trial: Trial, chosen: Judgement) -> Pieces:
    """What to make once more, and between which bounds the mean of each response should lie."""
    many, voice, found = trial.settings.choose.confirm_batches, chosen.voice, list[Finding]()
    bounds = chosen.choice.confirm(many)
    vague = [voice.settings.measure(str(name)).label for name in bounds.index[~bounds["confirms"]]]
    for response, row in bounds.iterrows():
        measure, low, high = voice.settings.measure(str(response)), row["conf_low"], row["conf_high"]
        mean = "" if many == 1 else ", geometric mean" if row["log"] else ", mean"
        text = f"{capital(measure.label)}{mean}: {words.between(low, high, measure.unit)}."
        more: dict[str, Any] = {"kind": "prediction", "df": float(row["df"]), "batches": voice.batches}
        numbers = (float(row["estimate"]), low, high, measure.unit)
        found.append(Finding(f"choice.confirm.{response}", text, *numbers, **more))
    who = f"{count(many, 'batch', 'batches')} of {voice.name(chosen.choice.best)}{f' on {many} days' * (many > 1)}"
    return [
        f"Make {who} and test as before. If the trial is right, all of this holds in 19 of 20 such tries:",
        Findings(found, kind="next"),
        caution([nothing_confirmed(vague, _enough(chosen.choice, many))] if vague else []),
        Notes(["fizzlab next makes a folder for them beside this one, where a report judges them."]),
    ]


def nothing_confirmed(labels: Sequence[str], enough: int | None = None) -> str:
    """What a confirmation cannot tell whose bounds reach past a limit, and how many batches could."""
    more = f"{enough} batches could" if enough else "first add batches to the trial"
    which = f"{capital(listed(labels))}: these bounds reach past the limit"
    return f"{which}, so batches within them confirm nothing; {more}."


def _enough(judged: Choice, many: int) -> int | None:
    """The fewest batches, up to four times as many, that could confirm every limit."""
    return next((n for n in range(many + 1, 4 * many + 1) if judged.confirm(n)["confirms"].all()), None)


def _add(trial: Trial, chosen: Judgement) -> Pieces:
    """The batches that would tell most."""
    plan = further(trial, chosen.choice)
    runs, voice = plan.runs, chosen.voice
    cells = {"batch": list(runs["run"].astype(str)), "day": list(runs["day"].astype(str))}
    for term in voice.terms:
        cells[voice.settings.label(term.name)] = [level_name(term, value) for value in runs[term.name]]
    many = f"{count(len(runs), 'batch', 'batches')} on {count(runs['day'].nunique(), 'day')}"
    return [
        Notes([f"These {many} would tell most; fizzlab next adds them to this trial's tables."], "next"),
        Grid(pd.DataFrame(cells), "In this order"),
        Notes([spoken(line, trial.settings) for line in plan.warnings]) if plan.warnings else None,
    ]


def further(trial: Trial, judged: Choice | None) -> Plan:
    """The batches to add where a choice, or without one a change, is open; CannotAnswer where none can be named."""
    from fizzlab.design.adding import next_batches
    from fizzlab.design.factors import as_factor

    settings, plan, runs = trial.settings, trial.settings.plan, trial.rows("runs")
    if judged and judged.settled:
        raise CannotAnswer("None are needed: the choice is as good as settled.", "Confirm it.")
    if is_blend(trial):
        raise CannotAnswer("Blends to add cannot be named here yet.", "Plan a further trial of blends.")
    if judged and len(judged.table) < 2:
        raise CannotAnswer("Only one combination was judged.", "Make others beside it.")
    fits = [fit for fit in judged.fits.values() if isinstance(fit, ResponseFit)] if judged else []
    terms = judged.terms if judged else settings.terms()
    factors = [term.name for term in terms]
    hard = (plan.hard_to_change if plan else None) or ()
    planned = {name: settings.factors[name].model_dump() for name in factors}
    return next_batches(
        judged,
        [as_factor(t.name, planned[t.name] if isinstance(t, Amount) else t) for t in terms],
        runs[["run", "day", *factors]],
        settings.choose.next_batches,
        settings.seed,
        model=list(dict.fromkeys(term for fit in fits for term in fit.basis.terms)) or "main",
        forbidden=(plan.forbidden if plan else None) or (),
        per_day=(plan.batches_per_day if plan else None) or int(runs.groupby("day").size().max()),
        hard_to_change=[name for name in hard if name in factors],
    )
