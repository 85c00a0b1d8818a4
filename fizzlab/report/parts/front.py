"""The front page: the verdict, what each change did at a glance, the one picture, what to do, what to mind."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from functools import lru_cache
from math import inf, isfinite

import pandas as pd

from fizzlab.errors import CannotAnswer, Unforeseen
from fizzlab.language import listed, say
from fizzlab.models.choose import HALF
from fizzlab.models.curing import CuringFit
from fizzlab.models.result import Effect, FitResult
from fizzlab.models.terms import level_name
from fizzlab.report import phrases as words
from fizzlab.report.analysis import Analysis, possible
from fizzlab.report.deviations import touched
from fizzlab.report.figures import combinations, over_humidity
from fizzlab.report.page import FAILED, Finding, Findings, Notes, Picture, Piece, Prose
from fizzlab.report.parts.again import drift, lost, without_doubtful
from fizzlab.report.parts.choose import (
    Judgement,
    Voice,
    asked_of,
    between_made,
    choosing,
    keep_sentence,
    rivals,
)
from fizzlab.report.parts.confirm import came_out
from fizzlab.report.parts.drying import (
    SAFETY,
    cautions,
    damp,
    damp_waits,
    dried,
    in_air,
    next_steps,
    room_temp,
    waits,
)
from fizzlab.report.parts.following import following
from fizzlab.report.parts.general import Pieces, about, opening, standing
from fizzlab.report.parts.repeat import enough, every_reading, next_repeats, of_repeats
from fizzlab.report.parts.season import answer_of, beside, clear, pooled_effects
from fizzlab.report.phrases import capital, percent, spoken

#: An effect that is not shown leans one way where chance alone would show as much in fewer trials than this.
LEANS = 0.20

#: At most so many things to do, and cautions.
MOST = 3

#: At most so many sentences in the verdict, responses in one of them, and words on the page beside table and picture.
SENTENCES, NAMED, WORDS = 4, 2, 200


@dataclass(frozen=True)
class Verdict(Piece):
    """The answer in a few sentences, the first of them bold, and before it, bold too, what may turn it."""

    lines: Sequence[str]
    doubt: str = ""


@dataclass(frozen=True)
class Cell:
    """One effect at a glance: a sign, its size in words, how sure, and whether it is the way that was wanted."""

    sign: str = ""
    size: str = ""
    sure: str = ""
    good: bool | None = None


@dataclass(frozen=True)
class Glance(Piece):
    """A picture-table: a row a response, a column a change (turned where there are more changes than fit)."""

    changes: Sequence[tuple[str, str]]
    rows: Mapping[str, Sequence[Cell]]


@dataclass(frozen=True)
class Foot(Piece):
    """What to do next and what to mind, side by side; it ends the front page."""

    steps: Sequence[str]
    cautions: Sequence[str]


@standing
def front(done: Analysis) -> Pieces:
    """The front page of a report: title and question, then pieces of which each stands by itself."""
    pieces = [*opening(done.trial), *answered(done), *changes(done), *picture(done), *ending(done)]
    return pieces if any(isinstance(each, Foot) for each in pieces) else [*pieces, Foot([], [say(SAFETY[0])])]


@standing
def answered(done: Analysis) -> Pieces:
    """The verdict."""
    told = _asked(done)
    return [Verdict(verdict(done), without_doubtful(done)), *([Prose(told)] if told else [])]


@standing
def changes(done: Analysis) -> Pieces:
    """What each change did, at a glance."""
    return [say("what_each"), glance(done)] if done.effects else []


@standing
def ending(done: Analysis) -> Pieces:
    """What to do and to mind."""
    return [foot(done), Findings(following(done), kind="silent")]


def wanted(done: Analysis, response: str) -> int:
    """Which way the maker wants a response: 1 more, -1 less, 0 not said."""
    settings = done.settings
    each = settings.responses.get(response)
    if settings.want and response in settings.about:
        return 1 if settings.want == "more" else -1
    if each is None:
        return 0
    limit = (each.at_least is not None) - (each.at_most is not None)
    return {"less": -1, "more": 1}.get(str(each.want), limit)


@lru_cache(maxsize=2)
def verdict(done: Analysis) -> list[str]:
    """Two or three sentences that answer the question."""
    asked, said = about(done), list[str]()
    if done.trial.confirms is not None:
        return came_out(done)
    if of_repeats(done):
        return enough(done)
    if len(asked) == 1:
        effects = sorted(done.fits[asked[0]].effects, key=lambda effect: (not effect.shown, effect.p_value))
        said = [_told(done, effect, first=not place) for place, effect in enumerate(effects)]
    else:
        said = _changes(done, asked)
    keep, fit = _keep(done), dried(done)
    if keep:
        first = done.settings.about or rivals(done)  # else which to keep is the answer
        said = [*said[: SENTENCES - 2], *keep] if first else [*keep, *said]
    if said and len(said) < SENTENCES - 1 and asked == ["dry_h"] and fit is not None and fit.air_matters:
        said += _damp(fit, done)
    if not said and fit is not None:
        open_ = say("cant_tell_air") if fit.air else ""
        said = _damp(fit, done) if fit.air_matters else [open_, capital(waits(fit, {}, done))]
    if not said:
        why = next(iter(done.reasons.values()), None)
        told = spoken(str(why), done.settings) if why else say("nothing_measured")
        said = [say("cant_tell_reason", told=told)]
    effects = [effect for effect in done.effects if effect.response in asked] if done.trial.earlier else []
    again = [each for each in pooled_effects(beside(done), effects) if clear(each)][:1]
    said[1:1] = [answer_of(each, done).sentence for each in again]
    return [line for line in said if line][:SENTENCES]


def _keep(done: Analysis) -> list[str]:
    """Which combination to keep and how long to wait; nothing where nothing was asked or can be judged."""
    chosen = _chosen(done)
    if chosen is None:
        return []
    fit, judged, keep = chosen.choice.fits.get("dry_h"), chosen.choice, keep_sentence(chosen)
    if not isinstance(fit, CuringFit) or (judged.limits and judged.best["meets"] < HALF):
        return [keep]
    best = dict(judged.best[[term.name for term in fit.terms]])
    return [keep, waits(fit, best, done, chosen.voice.name(judged.best))]


def _asked(done: Analysis) -> str:
    """The limits and wishes that "every limit" means."""
    chosen = _chosen(done) if done.trial.confirms is None else None
    return asked_of(chosen) if chosen is not None else ""


def _chosen(done: Analysis) -> Judgement | None:
    with suppress(CannotAnswer):
        return choosing(done)
    return None


def _changes(done: Analysis, asked: Sequence[str]) -> list[str]:
    """What was shown of the responses asked about, and of a named factor that nothing can be told."""
    settings, found = done.settings, dict[str, list[Effect]]()
    effects = [e for e in done.effects if e.response in asked and not e.exact]
    shown = [e for e in effects if e.shown and not e.same]
    for effect in shown:
        found.setdefault(capital(words.against(effect, settings.label)), []).append(effect)
    said = list[tuple[float, str]]()
    for change, each in found.items():
        first = sorted(each, key=lambda effect: asked.index(effect.response))[:NAMED]
        measures = [settings.measure(effect.response) for effect in first]
        told = [f"{m.label} {words.directed(e.estimate, e, m)}" for e, m in zip(first, measures, strict=True)]
        said.append((_named_at(done, each[0]), f"{change}: {listed(told)}."))
    told_of = {effect.factor for effect in effects if effect.shown or effect.same}
    for effect in sorted(effects, key=lambda effect: effect.p_value):
        if effect.factor not in told_of and isfinite(place := _named_at(done, effect)):
            told_of.add(effect.factor)
            measure = settings.measure(effect.response)
            said.append((place, words.sentence(effect, measure, settings.label)))
    return [line for _, line in sorted(said, key=lambda pair: pair[0])] or [say("cant_tell_any_change")]


def _named_at(done: Analysis, effect: Effect) -> float:
    """Where the question first names a change, by its level, its factor or the label; infinity where nowhere."""
    settings = done.settings
    names = (effect.level, effect.factor.replace("_", " "), settings.label(effect.factor))
    found = (
        re.search(rf"(?<!\w){re.escape(name)}(?!\w)", settings.question, re.IGNORECASE) for name in names
    )
    return min((float(each.start()) for each in found if each), default=inf)


def _told(done: Analysis, effect: Effect, *, first: bool) -> str:
    """One effect, in the response's own unit too where nothing else was changed."""
    measure, label = done.settings.measure(effect.response), done.settings.label
    fit, tail = done.fits[effect.response], ""
    with suppress(CannotAnswer):
        if effect.shown and not effect.exact and len(fit.terms) == 1:
            ends = [_typical(done, fit, effect, name) for name in (effect.level, effect.control)]
            to, start = (words.amount(value, measure.unit) for value in ends)
            tail = say("hours_instead", to=to, start=start) if first else f": {to}"
    return words.sentence(effect, measure, label, tail)


def _typical(done: Analysis, fit: FitResult, effect: Effect, name: str) -> float:
    """The typical batch at a level, by the name that it is shown with; dry times as the picture shows them."""
    values = {level_name(effect.term, value): value for value in fit.batches[effect.factor]}
    share = done.share if isinstance(fit, CuringFit) else 0.5
    return float(fit.predict({effect.factor: values[name]}, share=share)["estimate"].iloc[0])


def _damp(fit: CuringFit, done: Analysis) -> list[str]:
    """What the air does to the usual recipe, which is named where there are others, and how long to wait."""
    each = {term.name: fit.typical[term.name] for term in fit.terms}
    name = Voice(fit.terms, done.settings).name(each)
    return [damp(fit, done, each, name), damp_waits(fit, done, each, name)]


def glance(done: Analysis) -> Glance:
    """Every change and every response that was measured."""
    label, changes = done.settings.label, dict[tuple[str, str], tuple[str, str]]()
    rows: dict[str, dict[tuple[str, str], Cell]] = {}
    for effect in done.effects:
        key = (effect.factor, effect.level)
        changes[key] = (words.with_name(effect, effect.level, label), say("instead", control=effect.control))
        measure = done.settings.measure(effect.response)
        rows.setdefault(capital(measure.label), {})[key] = _cell(done, effect)
    told = {name: [row.get(key, Cell()) for key in changes] for name, row in rows.items()}
    return Glance(list(changes.values()), told)


def _cell(done: Analysis, effect: Effect) -> Cell:
    measure, want = done.settings.measure(effect.response), wanted(done, effect.response)
    sign, size = "▲" if effect.greater else "▼", words.directed(effect.estimate, effect, measure)
    good = effect.greater == (want > 0) if want else None
    way = "" if good is None else say("better") if good else say("worse")
    if effect.exact:
        sure = say("sure_exact", way=way if effect.shown else "")
        return Cell(sign, size, sure, good) if effect.shown else Cell("=", say("no_change"), sure)
    if effect.same:
        margin = percent((effect.margin or 1) - 1)
        return Cell("=", say("as_good_as_equal"), say("within_your", percent=margin))
    if effect.shown or effect.p_value < LEANS:
        return Cell(sign, size, say("sure_clear" if effect.shown else "sure_leaning", way=way), good)
    return Cell("?", say("cant_tell"), words.possible(effect, measure) or say("anything_possible"))


def pictured(done: Analysis) -> str:
    """The response that the one picture shows."""
    return next(iter(about(done)), "")


@standing
def picture(done: Analysis) -> Pieces:
    """How long every combination takes, or dry time over humidity where nothing was changed."""
    if of_repeats(done):
        return every_reading(done)
    fit = done.forecasting(pictured(done))
    if isinstance(fit, CuringFit) and fit.air and not fit.terms:
        temp = room_temp(fit, done)
        figure, ends = over_humidity(fit, done.share, temp)
        title = say("title_hours_at", share=percent(done.share), temp=temp)
        alt = say("alt_by_humidity", title=title, ends=ends)
        return [f"## {title}", Picture("front", figure, say("band_where"), alt)]
    with suppress(CannotAnswer):
        if fit is not None:
            return _of_combinations(done, fit)
    return []


def _of_combinations(done: Analysis, fit: FitResult) -> Pieces:
    settings, measure = done.settings, done.settings.measure(fit.response)
    made = fit.made() if fit.terms else pd.DataFrame(index=[0])
    if isinstance(fit, CuringFit):
        title = say("title_hours", share=percent(done.share), in_air=in_air(fit, done))
        rows, seen = fit.predict(made, share=done.share), _in_typical_air(fit, done.share)
    else:
        title, rows = capital(measure.titled), possible(fit.predict(made), measure)
        # a fit of single pieces has no number a batch
        seen = fit.batches.get(fit.response, pd.Series(float("nan"), fit.batches.index))
    voice = Voice(fit.terms, settings)
    names, mine = ([voice.name(row) for _, row in some.iterrows()] for some in (rows, fit.batches))
    table = pd.DataFrame({"name": mine, "value": seen.to_numpy(float)}).dropna()
    asked = settings.responses.get(fit.response)
    limit = None if asked is None else asked.limit(fit.response)
    limits = [end for end in (limit.at_least, limit.at_most) if end is not None] if limit else []
    axis = say("hours") if measure.unit == "h" else measure.titled
    figure = combinations(rows.assign(name=names), table, limits, axis)
    caption = say("large_mark", rings=say("rings_batches") if len(table) else "")
    numbers = (words.estimate(row, measure.unit) for row in rows.to_dict("records"))
    told = map(" ".join, zip(names, numbers, strict=True))
    line = say("upright_line", limit=voice.ends(limit)) if limit else ""
    return [f"## {title}", Picture("front", figure, caption + line, f"{title}: {'; '.join(told)}.")]


def _in_typical_air(fit: CuringFit, share: float) -> pd.Series:
    """Hours until a share of each batch is dry, as if it had dried in the air of the forecast."""
    factors = [term.name for term in fit.terms]
    own = fit.batches[[*factors, *(term.name for term in fit.air)]]
    here, there = fit.predict(own)["estimate"], fit.predict(fit.batches[factors], share=share)["estimate"]
    return fit.placed.loc[fit.batches.index].mul((there / here).to_numpy())


@lru_cache(maxsize=2)
def foot(done: Analysis) -> Foot:
    """What to do and what to mind, the gravest first, as far as the words go; what can hurt, always."""
    told = [*map(str, opening(done.trial)), *verdict(done), without_doubtful(done), _asked(done)]
    told += map(say, (SAFETY[0], "what_each_change", "next", "cautions"))
    left = WORDS - len(" ".join(told).split()) - 18  # of the picture's title
    steps, minded = _steps_and_cautions(done)
    kept: dict[bool, list[str]] = {True: [], False: []}
    ranked = [*((step, False) for step in steps[:1]), *((line, True) for line in minded[:1])]
    ranked += [(step, False) for step in steps[1:]]
    for line, caution in [*ranked, *((line, True) for line in minded[1:])]:
        size = len(line.split())
        if (size <= left or line is ranked[0][0]) and len(kept[caution]) < MOST - caution:
            kept[caution].append(line)
            left -= size
    return Foot(kept[False], [*kept[True], say(SAFETY[0])])


@standing
def more(done: Analysis) -> Pieces:
    """What else there is to do and to mind."""
    shown, (steps, minded) = foot(done), _steps_and_cautions(done)
    lines = [line for line in [*steps, *minded] if line not in (*shown.steps, *shown.cautions)]
    return [say("also_mind"), *mistakes(done), Notes([*lines, *map(say, SAFETY[1:])], "caution")]


def mistakes(done: Analysis) -> Pieces:
    """What of the readings could not be worked out for a mistake of ours; the record says so."""
    lost = ((name, str(why)) for name, why in done.reasons.items() if isinstance(why, Unforeseen))
    told = [Finding(FAILED + name, why) for name, why in lost]
    return [Findings(told, "caution")] if told else []


def _steps_and_cautions(done: Analysis) -> tuple[list[str], list[str]]:
    out = done.trial.left_out()
    gone = out[out["table"] == "runs"]["run"].tolist()
    minded, planned = [], done.settings.plan and done.settings.plan.looks
    if planned and done.looks[-1] <= planned[-1]:
        minded = [say("looks_planned", many=listed([str(batches) for batches in planned]))]
    elif len(done.looks) > 1:
        minded = [say("also_reported", before=listed([str(batches) for batches in done.looks[:-1]]))]
    turned = (*drift(done)[1], *lost(done))
    minded += touched(done.trial)
    minded += [each.said for each in turned if each.clear and each.response in about(done)][:1]
    why = out.loc[out["table"] == "runs", "reason"].unique()
    because = f" ({why[0]})" if len(why) == 1 else ""
    runs = listed([str(run) for run in gone])
    minded += [say("batches_left_out", runs=runs, because=because)] if gone else []
    steps = next_repeats(done) if of_repeats(done) else [*between_made(done), *next_steps(done)]
    steps = [*(each.sentence for each in following(done)), *steps] or [say("keep_record")]
    if without_doubtful(done):
        steps = [say("mend_first", code=done.trial.folder.resolve().name)]
    return steps, [*minded, *cautions(done, about(done)), *_doubts(done)]


def _doubts(done: Analysis) -> list[str]:
    doubts, said = done.trial.doubts, ""
    if any(doubt.reading for doubt in doubts) and not without_doubtful(done):
        said = say("without_doubtful")
    return [say("readings_raise", doubts=say("n_doubts", n=len(doubts)), said=said)] if doubts else []
