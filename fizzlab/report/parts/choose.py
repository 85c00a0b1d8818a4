"""Which combination to keep: the limits and wishes of trial.toml, judged by all responses at once."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from contextlib import suppress
from functools import lru_cache
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import pandas as pd

from fizzlab.errors import CannotAnswer, cannot
from fizzlab.language import listed, say
from fizzlab.models.choose import HALF, Choice, Limit, between, choose
from fizzlab.models.curing import CuringFit
from fizzlab.models.effects import ResponseFit
from fizzlab.models.result import FitResult
from fizzlab.models.terms import Amount, Category, Term, level_name
from fizzlab.report import phrases as words
from fizzlab.report.analysis import Analysis
from fizzlab.report.figures import MOST, trade_off
from fizzlab.report.page import Finding, Findings, Grid, Notes, Picture, parted
from fizzlab.report.parts.drying import air_words
from fizzlab.report.parts.general import Pieces, caution, is_blend, standing
from fizzlab.report.phrases import bare, capital, number, percent, spoken
from fizzlab.trial.folder import Trial
from fizzlab.trial.settings import TrialSettings

if TYPE_CHECKING:
    from fizzlab.design.plans import Plan

TITLE = "which_keep"

BY_RECIPE = "limit_safety"

#: A combination whose score is higher by less than this is hardly better.
HARDLY = 0.02

#: So many combinations are named in a sentence, and stand in the table.
NAMED, ROWS = 3, 24

Row = Mapping[str, Any] | pd.Series


class Voice(NamedTuple):
    """How combinations are spoken of, and responses, with the shares of pieces that are asked for."""

    terms: Sequence[Term]
    settings: TrialSettings
    shares: Mapping[str, float] = MappingProxyType({})
    batches: int = 0

    def name(self, setting: Row, between: str = " + ") -> str:
        """A combination as "gum + lake" or "gum + oil 4 g"."""
        return between.join(self.part(term, setting[term.name]) for term in self.terms)

    def part(self, term: Term, value: object) -> str:
        """The level of one factor, with its name where the level alone says too little."""
        said = level_name(term, value)
        shared = [t for t in self.terms if isinstance(t, Category) and said in t.levels]
        unclear = len(shared) > 1 or bare(said) or (isinstance(term, Category) and bare(term.control))
        return f"{self.settings.label(term.name)} {said}" if unclear or isinstance(term, Amount) else said

    def response(self, name: str) -> str:
        """A response in words, with the share of the pieces that it is asked of."""
        of = say("of_share_of_pieces", share=percent(self.shares[name])) if name in self.shares else ""
        return self.settings.measure(name).label + of

    def titled(self, name: str) -> str:
        """A response with its unit, for a table or a panel."""
        return capital(f"{self.response(name)}, {self.settings.measure(name).unit}".rstrip(", "))

    def asked(self, limit: Limit) -> str:
        """A limit in words."""
        return f"{self.response(limit.response)} {self.ends(limit)}"

    def ends(self, limit: Limit) -> str:
        """The ends of a limit in words."""
        ends = [(say("least"), limit.at_least), (say("at_most"), limit.at_most)]
        told = say("both_ends").join(f"{word} {end:g}" for word, end in ends if end is not None)
        return f"{told} {self.settings.measure(limit.response).unit}".rstrip()

    def many(self, rows: pd.DataFrame, column: str = "", last: str = "and") -> str:
        """Combinations, a few of them by name, each with a chance where a column holds it."""
        few = [row for _, row in rows.head(NAMED).iterrows()]
        told = [self.name(row) + (f" ({chance(row[column])})" if column else "") for row in few]
        more = [say("so_many_more", n=len(rows) - NAMED)] if len(rows) > NAMED else []
        return listed([*told, *more], last)

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
    return say("over_99") if value > HALF else say("under_1")


class Judgement(NamedTuple):
    """The combinations that were made, judged; `reasons` why a response that was asked for is not."""

    choice: Choice
    voice: Voice
    reasons: Mapping[str, CannotAnswer]
    notes: Sequence[str]


@lru_cache(maxsize=2)
def choosing(done: Analysis) -> Judgement | None:
    """Judge every combination; None where nothing is asked for, or no factor changed."""
    settings = done.settings
    limits = {name: limit for name, each in settings.responses.items() if (limit := each.limit(name))}
    wishes = {name: wish for name, each in settings.responses.items() if (wish := each.wish(name))}
    if not (limits or wishes) or not done.terms:
        return None
    fits, reasons, notes = dict[str, FitResult](), dict[str, CannotAnswer](), list[str]()
    for name in (name for name in settings.responses if name in limits | wishes):
        try:
            fits[name] = _fit(done, name)
            if done.depends(name):
                notes.append(say("one_change", what=settings.measure(name).label))
        except CannotAnswer as reason:
            reasons[name] = reason
    if not fits:
        raise cannot("no_response", why=" ".join(map(str, reasons.values())))
    choice = choose(
        fits,
        _made(done, fits, notes),
        limits=[limit for name, limit in limits.items() if name in fits],
        wishes=[wish for name, wish in wishes.items() if name in fits],
        share=done.share,
        seed=settings.seed,
    )
    voice = Voice(choice.terms, settings, choice.shares, max(fit.n_batches for fit in fits.values()))
    return Judgement(choice, voice, reasons, list(dict.fromkeys([*notes, *choice.notes])))


def _fit(done: Analysis, name: str) -> FitResult:
    """The fit that a response is judged by."""
    fit = done.forecasting(name)
    if fit is None or not fit.terms:
        why = "not_measured" if done.settings.measure(name).table else "worked_out"
        raise done.reasons.get(name) or cannot(why)
    lacking = {term.name for term in done.terms} - {term.name for term in fit.terms}
    if lacking:
        which = say("both_ends").join(done.settings.label(factor) for factor in sorted(lacking))
        raise cannot("all_batches", which=which)
    fit.forecast(fit.made().head(1))  # raises where it has none
    return fit


def _made(done: Analysis, fits: Mapping[str, FitResult], notes: list[str]) -> pd.DataFrame:
    """The combinations that were made and that every response knows."""
    made = done.trial.rows("runs")[[term.name for term in done.terms]].drop_duplicates()
    for response, fit in fits.items():
        label = done.settings.measure(response).label
        for factor in (term for term in fit.terms if isinstance(term, Category)):
            known = made[factor.name].isin(factor.levels)
            unknown = made.loc[~known, factor.name].unique()
            notes += [say("combinations_not", level=level, label=label) for level in unknown]
            made = made[known]
    if made.empty:
        raise cannot("no_combination")
    return made


@standing
def choice(done: Analysis) -> Pieces:
    """Which combination to keep: the answer, the trade-off, what to confirm and what to add."""
    settings = done.settings
    if done.trial.confirms is not None:
        return []
    try:
        chosen = choosing(done)
    except CannotAnswer as reason:
        return [say(TITLE), caution([say("no_combination_can", why=spoken(str(reason), settings))])]
    if chosen is None:
        return []
    judged, voice, reasons = chosen.choice, chosen.voice, chosen.reasons
    keep = keep_sentence(chosen)  # stands on the front page
    found = answer(judged, voice, keep)
    said_here = list(dict.fromkeys(each.sentence for each in found if each.sentence != keep))
    labels = {name: capital(settings.measure(name).label) for name in reasons}
    said = [say("not_judged", label=labels[name], why=why) for name, why in reasons.items()]
    air = [air_words(fit, done) for fit in judged.fits.values() if isinstance(fit, CuringFit)]
    pieces: Pieces = [
        say(TITLE),
        Notes(said_here, "answer"),
        Findings(found, kind="silent"),
        _picture(judged, voice),
        say(BY_RECIPE),
        Notes([say("dry_times", each=each) for each in air if each], method=True) if any(air) else None,
        Grid(table(judged, voice, ROWS), say("combinations_best"), method=True),
    ]
    steps = {"between_amounts": _between, "title_confirm": _confirm, "batches_add": _add}
    for title, work in steps.items():
        try:
            told = work(done, chosen)
        except CannotAnswer as reason:
            told = [Notes([spoken(str(reason), settings)], "plain")]
        pieces += [say(title), *told] if told else []
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


def rivals(done: Analysis) -> bool:
    """Are others about as good as the combination that is chosen?"""
    with suppress(CannotAnswer):
        chosen = choosing(done)
        return chosen is not None and len(_rivals(chosen.choice)) > 0
    return False


def _rivals(judged: Choice) -> pd.DataFrame:
    """Those that are about as good as the best: they are best at least half as often."""
    others = judged.contenders()
    near = others["best_chance"] >= judged.best["best_chance"] / 2
    return others[near] if not judged.settled else others.head(0)


def _numbers(judged: Choice, row: Row) -> list[float]:
    """The chance to keep every limit with its interval, or how far the wishes are granted."""
    return [row[name] for name in (("meets", "meets_low", "meets_high") if judged.limits else ("granted",))]


def keep_sentence(chosen: Judgement) -> str:
    """The first sentence of the answer, with how many new batches of ten or of twenty pass."""
    judged, voice = chosen.choice, chosen.voice
    best, name, settings = judged.best, voice.name(judged.best), voice.settings
    sure = judged.settled and not (judged.limits and best["meets_low"] < HALF)
    keep = say("keep", name=name, now="" if sure else say("for_now")) + _reason(judged, voice)
    others = _rivals(judged)
    if len(others):
        few = len(others) < 3
        keep += say("about_good", n=len(others), many=voice.many(others)) if few else say("others_about")
    if not judged.limits:
        return say("grants_your", keep=keep, granted=percent(best["granted"]))
    of = listed([settings.measure(n).label for n in chosen.reasons if settings.responses[n].limit(n)])
    ten = round(20 * best["meets"])
    of_all = 20 if ten % 2 or ten in (0, 20) else 10
    many = say("of_all_keep", ten=ten * of_all // 20, of_all=of_all)
    many = {0: say("hardly_any"), 20: say("nearly_every")}.get(ten, many)
    worst = say("of_all", ten=int(of_all * best["meets_low"]), of_all=of_all)
    told = say("every_limit", many=many, but=say("but_on", of=of) if of else "", worst=worst)
    if best["meets"] < HALF:
        return say("no_combination_can_be", name=name, told=told)
    return f"{keep}: {told}."


def _reason(judged: Choice, voice: Voice) -> str:
    """In which response the best has most over the others, of what is asked of it."""
    found = dict[str, float]()
    for name, each in judged.responses.items() if len(judged.table) > 1 else ():
        worth = each["meets"].to_numpy(float) if "meets" in each else np.ones(len(each))
        for wish in (wish for wish in judged.wishes if wish.response == name):
            worth = worth * wish.granted(each["estimate"].to_numpy(float))
        found[name] = float(worth[0] - worth[1:].mean())
    name = max(found, key=lambda name: found[name], default="")
    label = voice.settings.measure(name).label if name and found[name] > HARDLY else ""
    return say("kept_for", label=label) if label else ""


def asked_of(chosen: Judgement) -> str:
    """What the limits are, or else the wishes, as a line."""
    judged, voice = chosen.choice, chosen.voice._replace(shares={})
    limits = [*map(voice.asked, judged.limits)]
    told = limits or [*dict.fromkeys(voice.response(each.response) for each in judged.wishes)]
    return say("your_limits" if limits else "your_wishes", n=len(told), told=listed(told))


def _how_sure(judged: Choice, voice: Voice) -> str:
    """How surely it is the best, and which others could be."""
    sure, others = chance(judged.best["best_chance"]), judged.contenders()
    none = 1 - float(judged.table["best_chance"].sum())
    text = say("best_good" if judged.settled else "best_chance", sure=sure)
    if len(others) and not judged.settled:
        text += say("could_also", many=capital(voice.many(others, "best_chance", "or")))
    return text + (say("chance_none", none=chance(none)) if none > 0.05 else "")


def _excluded(judged: Choice, voice: Voice) -> list[Finding]:
    """What each limit rules out, and those that rule out nothing in one sentence."""
    met = {limit: judged.responses[limit.response]["meets"].sort_values() for limit in judged.limits}
    idle = [voice.asked(limit) for limit, chances in met.items() if chances.min() >= HALF]
    none = say("out_none", n=len(idle), idle=capital(listed(idle)))
    found = []
    for limit, chances in met.items():
        out = judged.table.loc[chances.index[chances < HALF]]
        text = say("rules_out", asked=capital(voice.asked(limit)), many=voice.many(out)) if len(out) else none
        rows = out if len(out) else judged.table.loc[[chances.idxmin()]]
        each = zip((row for _, row in rows.iterrows()), chances[rows.index], strict=True)
        found += [voice.found(f"meets.{limit.response}", row, text, meets) for row, meets in each]
    return found


def _picture(judged: Choice, voice: Voice) -> Picture:
    names = [voice.name(row) for _, row in judged.table.head(MOST).iterrows()]
    titles = {name: voice.titled(name) for name in judged.responses}
    more = say("best_drawn", most=MOST, all=len(judged.table)) if len(judged.table) > MOST else ""
    rows = [each.head(MOST) for each in judged.responses.values() if "meets" in each]
    broken = any((each["meets"] < HALF).any() for each in rows)
    framed = say("framed_likelier") if broken else ""
    caption = say("best_first", framed=framed, more=more)
    alt = say("row_each_combination", responses=listed(list(titles.values())))
    return Picture("choice", trade_off(judged, names, titles), caption, alt)


def table(judged: Choice, voice: Voice, most: int) -> pd.DataFrame:
    """A row a combination, best first: the typical batch, and its chance to keep the limit."""
    rows = judged.table.head(most)
    beyond = rows["extrapolated"].map({True: say("mark_not_tried"), False: ""})
    cells = {"combination": rows.apply(voice.name, axis=1) + beyond}
    for name, each in judged.responses.items():
        cells[voice.titled(name)] = each.head(most).apply(_cell, axis=1)
    if judged.limits:
        cells["every limit"] = rows["meets"].map(chance)
    if judged.wishes:
        cells["wishes granted"] = rows["granted"].map(percent)
    return pd.DataFrame({**cells, "is the best": rows["best_chance"].map(chance)})


def _cell(row: pd.Series) -> str:
    return number(float(row["estimate"])) + (f"; {chance(row['meets'])}" if "meets" in row else "")


@lru_cache(maxsize=2)
def between_made(done: Analysis) -> list[str]:
    """What amounts between those that were made promise, where the best is none of these."""
    with suppress(CannotAnswer):
        chosen = choosing(done)
        if chosen is not None and (grid := _stepped(done, chosen)) is not None:
            name, made = chosen.voice.name(grid.best), chosen.choice.table
            better = grid.best["score"] - chosen.choice.best["score"] >= HARDLY
            if name not in {chosen.voice.name(row) for _, row in made.iterrows()}:
                return [say("try_between" if better else "hardly_more_between", name=name)]
    return []


def _stepped(done: Analysis, chosen: Judgement) -> Choice | None:
    """The amounts between those that were made, judged, where trial.toml asks for steps."""
    steps, tried = done.settings.choose.steps, chosen.choice
    if steps is None or not any(isinstance(term, Amount) for term in tried.terms):
        return None
    if is_blend(done.trial):
        raise cannot("parts_blend")
    asked: dict[str, Any] = {"limits": tried.limits, "wishes": tried.wishes, "share": done.share}
    return choose(tried.fits, between(tried.fits, steps), **asked, seed=done.settings.seed)


def _between(done: Analysis, chosen: Judgement) -> Pieces:
    """The best of the amounts between those that were made."""
    steps, tried, voice = done.settings.choose.steps, chosen.choice, chosen.voice
    if (grid := _stepped(done, chosen)) is None:
        return []
    best, name = grid.best, voice.name(grid.best)
    numbers = _numbers(grid, best)
    what = say("new_batches" if grid.limits else "of_wishes_granted")
    text = say("steps_from", steps=steps, name=name, chance=chance(numbers[0]), what=what)
    if name != voice.name(tried.best) and best["score"] - tried.best["score"] < HARDLY:
        text += say("hardly_better", name=voice.name(tried.best))
    if name not in {voice.name(row) for _, row in tried.table.iterrows()}:
        text += say("not_made_yet")
    found = voice.found("between", best, text, *numbers)
    return [Findings([found], kind="plain"), Grid(table(grid, voice, 8), say("best_them"))]


def _confirm(done: Analysis, chosen: Judgement) -> Pieces:
    """What to make once more, and between which bounds the mean of each response should lie."""
    many, voice, found = done.settings.choose.confirm_batches, chosen.voice, list[Finding]()
    bounds = chosen.choice.confirm(many)
    vague = [voice.settings.measure(str(name)).label for name in bounds.index[~bounds["confirms"]]]
    for response, row in bounds.iterrows():
        measure, low, high = voice.settings.measure(str(response)), row["conf_low"], row["conf_high"]
        mean = "" if many == 1 else say("geometric_mean") if row["log"] else say("mean")
        text = f"{capital(measure.label)}{mean}: {words.between(low, high, measure.unit)}."
        more: dict[str, Any] = {"kind": "prediction", "batches": voice.batches}
        topic = f"choice.confirm.{response}"
        found.append(words.numbers_of(topic, text, row.to_dict(), measure.unit, **more))
    days, best = say("on_days", many=many) if many > 1 else "", voice.name(chosen.choice.best)
    return [
        say("make_test", batches=say("n_batches", n=many), name=best, days=days),
        Findings(found, kind="next"),
        say("geometric") if many > 1 and bounds["log"].any() else None,
        caution([nothing_confirmed(vague, _enough(chosen.choice, many))] if vague else []),
        Notes([say("next_makes_folder")]),
    ]


def nothing_confirmed(labels: Sequence[str], enough: int | None = None) -> str:
    """What a confirmation cannot tell whose bounds reach past a limit, and how many batches could."""
    more = say("batches_could", enough=enough) if enough else say("first_add")
    return say("these_bounds", labels=capital(listed(labels)), more=more)


def _enough(judged: Choice, many: int) -> int | None:
    """The fewest batches, up to four times as many, that could confirm every limit."""
    return next((n for n in range(many + 1, 4 * many + 1) if judged.confirm(n)["confirms"].all()), None)


def _add(done: Analysis, chosen: Judgement) -> Pieces:
    """The batches that would tell most."""
    plan, label = further(done.trial, chosen.choice), done.settings.label
    runs, terms = plan.runs, chosen.voice.terms
    cells = {"batch": [*runs["run"].astype(str)], "day": [*runs["day"].astype(str)]}
    cells |= {label(term.name): [level_name(term, value) for value in runs[term.name]] for term in terms}
    days, many = say("n_days", n=runs["day"].nunique()), say("n_batches", n=len(runs))
    return [
        Notes([say("these_would", batches=many, days=days)], "next"),
        Grid(pd.DataFrame(cells), say("this_order")),
        Notes([spoken(line, done.settings) for line in plan.warnings]) if plan.warnings else None,
    ]


def further(trial: Trial, judged: Choice | None) -> Plan:
    """The batches to add where a choice, or without one a change, is open; CannotAnswer where none can be named."""
    from fizzlab.design.adding import next_batches
    from fizzlab.design.factors import as_factor

    settings, plan, runs = trial.settings, trial.settings.plan, trial.rows("runs")
    if judged and judged.settled:
        raise cannot("none_needed")
    if is_blend(trial):
        raise cannot("blends_add")
    if judged and len(judged.table) < 2:
        raise cannot("only_one_combination")
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
