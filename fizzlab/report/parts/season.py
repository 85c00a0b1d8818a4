"""Across trials: those that `[earlier]` names beside this one: the same comparison, the air, and drift."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress
from functools import lru_cache
from typing import Any, NamedTuple

import numpy as np
import pandas as pd

from fizzlab.errors import CannotAnswer
from fizzlab.measures import MEASURES
from fizzlab.models.air import rh_for_deficit, vapour_pressure_deficit
from fizzlab.models.curing import VPD, CuringFit, study_touch
from fizzlab.models.drift import FEW as FEW_DAYS
from fizzlab.models.drift import DriftChart, Signal
from fizzlab.models.pooling import PooledEffect, SeasonFit, pool_effects
from fizzlab.models.result import Effect
from fizzlab.models.season import SeasonStudy, study_season
from fizzlab.report import phrases as words
from fizzlab.report.analysis import SHOWN_P, Analysis, analyse
from fizzlab.report.figures.drying import drift_days, season_lines
from fizzlab.report.page import Finding, Findings, Grid, Notes, Picture
from fizzlab.report.parts.drying import AIR_STEPS
from fizzlab.report.parts.general import Pieces, caution, standing
from fizzlab.report.phrases import capital, count, duration, listed, number, percent
from fizzlab.trial.folder import Exclusion, Trial
from fizzlab.trial.settings.sections import DryingSettings

#: See docs/methods/season.md.
FALSE_ALARMS = "Of 100 steady workshops 18 would set off a rule too in 15 days, 38 in 32 days."

FEW_TRIALS = "Two trials cannot say how much trials differ: of two, “together” is their own average."

GUESS = " Such air was not met in any trial: this is the formula's guess."


class Across(NamedTuple):
    """What several trials say together.

    `trials` are those with a dry-time line, by name, in the order of making; `own` is the name of the one that
    is reported on, empty where it has none. `drying` says what to forecast, `passed` who is not counted.
    """

    study: SeasonStudy | None
    trials: Mapping[str, Trial]
    own: str
    drying: DryingSettings
    passed: Sequence[Exclusion]


@lru_cache(maxsize=2)
def beside(done: Analysis) -> Mapping[str, Analysis]:
    """This trial and the earlier ones, worked out as far as they can be set beside it, in the order of making."""
    measured, found = {effect.response for effect in done.effects if not effect.exact}, [done]
    for each in done.trial.earlier:
        shared = set(each.settings.factors) & {term.name for term in done.terms}
        found.append(analyse(each, ["dry_h", *(measured if shared else ())]))
    return in_order(found)


def in_order(trials: Sequence[Analysis]) -> dict[str, Analysis]:
    """By the name used for each, and the first date of making; as they are where one has none, the first last."""
    found = dict[str, Analysis]()
    first = [each.trial.rows("runs")["made_at"].min() for each in trials]
    ordered = [*trials[1:], *trials[:1]]
    if not any(pd.isna(date) for date in first):
        ordered = [each for _, each in sorted(zip(first, trials, strict=True), key=lambda pair: pair[0])]
    for each in ordered:
        found[_name(each.trial, found)] = each
    return found


@lru_cache(maxsize=2)
def across_trials(done: Analysis) -> Across:
    """Set a trial beside the earlier ones."""
    return set_beside(beside(done), done.trial.settings.drying, done)


def set_beside(
    worked_out: Mapping[str, Analysis], drying: DryingSettings, done: Analysis | None = None
) -> Across:
    """The dry-time lines of several trials; `done` is the one that is reported on, if one is."""
    own, passed = "", [] if done is None else list(done.trial.passed)
    trials, fits = dict[str, Trial](), dict[str, CuringFit]()
    for name, each in worked_out.items():
        try:
            fits[name] = _fit(each)
            trials[name], own = each.trial, name if each is done else own
        except CannotAnswer as reason:
            why = words.spoken(reason.why, each.trial.settings)
            passed.append(Exclusion("this trial" if each is done else name, why))
    point = drying.forecast_air
    asked = float(fits[own].batches[VPD].median()) if own else None
    if point is not None:
        asked = float(vapour_pressure_deficit(point.temp_c, point.rh_pct))
    return Across(study_season(fits, asked=asked) if fits else None, trials, own, drying, passed)


def _name(trial: Trial, taken: Mapping[str, Analysis]) -> str:
    """The trial's code; where another has the same, with its folder."""
    code = name = trial.settings.code
    number = 1
    while name in taken:
        number += 1
        name = f"{code} ({trial.folder.name}{'' if number == 2 else f', {number}'})"
    return name


def _fit(each: Analysis) -> CuringFit:
    """The dry times of one trial over the vapour-pressure deficit; raises why it cannot be set beside others."""
    if "dry_h" in each.reasons:
        raise each.reasons["dry_h"]
    fit, trial = each.fits.get("dry_h"), each.trial
    if fit is None:
        raise CannotAnswer("It has no touch checks.", "Touch the pieces at set hours.")
    if not isinstance(fit, CuringFit) or trial.settings.drying.air != "vpd":
        tables = {name: trial.rows(name) for name in ("runs", "touch_checks", "weighings", "room_log")}
        study = study_touch(tables, trial.settings.terms())
        if study.reasons:
            raise study.reasons["dry_h"]
        fit = study.fits["dry_h"]
    if VPD not in fit.batches:
        raise CannotAnswer("The air of its batches is not known.", "Keep a room log while pieces dry.")
    return fit


@standing
def season(done: Analysis) -> Pieces:
    """The same comparisons made again, the pooled forecast and the chart of the days, where earlier trials are."""
    trial = done.trial
    if trial.settings.earlier is None:
        return []
    told: Pieces = ["There is no earlier trial yet that this one can be set beside."]
    across = across_trials(done)
    if trial.earlier:
        told = [*what_each_did(beside(done), least=2), *pooled(across), *drift(across)]
    return ["## Across trials", *told, *not_counted(across)]


def not_counted(across: Across) -> Pieces:
    """The trials that are passed over, and why."""
    table = pd.DataFrame([(each.name, each.why) for each in across.passed], columns=["trial", "why"])
    return ["### Trials that are not counted", Grid(table)] if across.passed else []


# --- the same comparison, made again ----------------------------------------------------------


def pooled_effects(worked_out: Mapping[str, Analysis], effects: Sequence[Effect]) -> Iterator[PooledEffect]:
    """Each of some comparisons, of the same response and with the same levels, over the trials that made it."""
    for one in effects:
        same = {
            name: each
            for name, analysis in worked_out.items()
            for each in analysis.of(one.factor, one.response)
            if (each.level, each.control, each.scale) == (one.level, one.control, one.scale)
            and not each.exact
        }
        with suppress(CannotAnswer):
            yield pool_effects(same)


def answer_of(again: PooledEffect, done: Analysis) -> Finding:
    """What all trials together say of one comparison, or that two of them disagree."""
    effect, settings = again.effect, done.trial.settings
    measure, label = settings.measure(effect.response), settings.label
    many = "both trials" if len(again.each) == 2 else f"{len(again.each)} trials"
    said = f"{words.sentence(effect, measure, label).removesuffix('.')}, {many} together."
    if again.p_differ < SHOWN_P and again.between is None:
        each = (f"{words.directed(one.estimate, one, measure)} in {name}" for name, one in again.each.items())
        what = f"{capital(measure.label)}, {words.against(effect, label)}"
        said = f"{what}: the trials disagree, {listed(list(each))}. Look for what else changed between them."
    elif again.between is not None and again.between.tau_low > 0:
        apart = again.between.tau if effect.scale == "difference" else np.exp(again.between.tau)
        size = words.by_how_much(float(apart), effect, measure)
        said += f" Trials differ in it: two of three lie within {size} of the average."
    return words.of_effect(effect, measure, said, f"again.{effect.topic}")


def clear(found: Finding) -> bool:
    """Does it say more than that one can't tell yet?"""
    return "can't tell yet" not in found.sentence


def what_each_did(worked_out: Mapping[str, Analysis], least: int = 1) -> Pieces:
    """A table a factor: what it did in each trial, and together, where at least so many trials tried it."""
    changes = dict[str, dict[tuple[str, str], dict[str, list[Effect]]]]()
    for name, done in worked_out.items():
        for effect in done.effects:
            of = changes.setdefault(effect.factor, {}).setdefault((effect.level, effect.control), {})
            of.setdefault(name, []).append(effect)
    told: Pieces = []
    measures = {k: v for done in worked_out.values() for k, v in done.trial.settings.measures().items()}
    for factor, comparisons in changes.items():
        rows, found, few = list[dict[str, str]](), list[Finding](), False
        for each in (made for made in comparisons.values() if len(made) >= least):
            done, first = worked_out[list(each)[-1]], next(iter(each))
            unique = {effect.response: effect for effects in each.values() for effect in effects}
            again = list(pooled_effects(worked_out, list(unique.values())))
            found += [answer_of(one, worked_out[list(one.each)[-1]]) for one in again]
            few |= any(one.between is None for one in again)
            parts = {**each, "together": [one.effect for one in again]} if again else each
            for name, effects in parts.items():
                both = [(effect, measures[effect.response]) for effect in effects]
                change = words.against(effects[0], done.trial.settings.label, " instead of ")
                cells = {capital(measure.label): words.cell(effect, measure) for effect, measure in both}
                rows.append({"change": change if name == first else "", "trial": name, **cells})
        if rows:
            said = [one.sentence for one in found if clear(one)]
            told += [f"### {capital(done.trial.settings.label(factor))}, trial by trial"]
            told += [Notes(said, "answer") if said else None, Findings(found, "silent") if found else None]
            told += [Grid(pd.DataFrame(rows).fillna("")), Notes([FEW_TRIALS]) if few else None]
    return told


# --- the line on air --------------------------------------------------------------------------


def pooled(across: Across) -> Pieces:
    """The pooled forecast beside the trial's own, how much trials differ, the picture."""
    study = across.study
    if study is None:
        return []
    fit, point, bands = study.fit, across.drying.forecast_air, ""
    whose = "this trial's middle batch" if across.own else "the middle of all trials"
    where = f"in the air of {whose} (a deficit of {number(study.asked)} kPa)"
    if point is not None:
        where = f"at {point.temp_c:g} °C and {point.rh_pct:g} % humidity"
    if fit is None:
        said = f"The trials are not pooled, so how a new trial would dry is not known. {study.reasons['fit']}"
        head = Findings([Finding("season.forecast", said, batches=len(study.batches))], "caution")
    else:
        head = Findings(_forecast(across.drying, study, fit, across.own, where))
        bands = " Thick: the pooled line with its band (light: a new trial's line; 95 %), dotted in air that no trial met."
    titles = {name: f"{name}: {each.settings.title}" for name, each in across.trials.items()}
    table = pd.DataFrame({"trial": [titles[line.name] for line in study.lines]})
    table["batches"] = [str(line.n_batches) for line in study.lines]
    temp = float(np.round(np.nan_to_num(study.batches["temp_c"].median(), nan=18)))
    met = (rh_for_deficit(line.tried[::-1], temp) for line in study.lines)
    table[f"humidity met, at {temp:g} °C"] = [f"{dry:.0f} to {damp:.0f} %" for dry, damp in met]
    alone = (study.alone.loc[line.name].to_dict() for line in study.lines)
    table["half are dry after"] = [words.estimate(row, "h") for row in alone]
    notes = [
        "Earlier trials are taken to have made the same recipe; all else counts as trials differing.",
        "A trial that compared things stands here for its control, and the middle of its amounts.",
        *(fit.notes if fit is not None else ()),
    ]
    return [
        "### Drying and the air",
        head,
        Picture(
            "season-lines",
            season_lines(study),
            f"A point a batch, for the standard recipe; thin, its trial's own line.{bands} Upright: the air asked for.",
            f"Hours until half the pieces are dry against the air, for {count(len(study.lines), 'trial')}.",
        ),
        Grid(table, f"What each trial says by itself of half the pieces of a typical batch, {where}"),
        Notes(notes),
    ]


def _forecast(
    drying: DryingSettings, study: SeasonStudy, fit: SeasonFit, own: str, where: str
) -> list[Finding]:
    """The pooled line in the air asked for, beside this trial alone; a new trial; how trials differ; the air."""
    share, night_h = max(drying.shares), drying.night_hours
    more: dict[str, Any] = {"batches": fit.n_batches}
    row, dry = fit.predict({VPD: study.asked}).to_dict("records")[0], MEASURES["dry_h"]
    said = f"{capital(where)}, half the pieces of a typical batch are dry after {duration(row['estimate'])}"
    said += f" ({words.inside(row)}) in the average of {count(len(fit.lines), 'trial')}.{GUESS * row['extrapolated']}"
    df = float(fit.coefficients["df"]["level"])
    found = [words.numbers_of("season.forecast", said, row, "h", df=df, **more)]
    if own in study.alone.index:
        alone, mine = study.alone.loc[own].to_dict(), next(e.n_batches for e in study.lines if e.name == own)
        said = f"This trial alone says {words.estimate(alone, 'h')}."
        found.append(words.numbers_of("season.this_trial", said, alone, "h", batches=mine))
    low, high, by = (fit.dry_by(study.asked, chance) for chance in (0.025, 0.975, share))
    night = fit.chance_dry(study.asked, night_h)
    many = "more than 99 %" if night > 0.99 else "less than 1 %" if night < 0.01 else percent(night)
    said = f"Pieces of a new batch of a new trial: 95 % are dry after {words.between(low, high, 'h')}."
    waits = f"Wait {duration(by)}: {percent(share)} of them are dry by then."
    nights = f"A night of {night_h:g} h is enough for {many} of them."
    new = more | {"kind": "prediction", "beyond_tried": bool(row["extrapolated"])}
    found.append(Finding("season.next_trial", said, float(row["estimate"]), low, high, "h", **new))
    found.append(Finding("season.allow", waits, by, unit="h", **new))
    found.append(Finding("season.night", nights, night, unit="share", **new))
    trials, effect = fit.between, fit.effects[0]
    middle, low, high = np.exp([trials.tau, trials.tau_low, trials.tau_high]).tolist()
    size = f"two trials of three lie within {percent(middle - 1)} of the average ({percent(low - 1)} to {percent(high - 1)})"
    said = f"No sign that trials differ by more than their batches explain: {size}."
    if low > 1.0005:
        said = f"In the same air, trials differ by more than their batches explain: {size}. Something changed unseen."
    found.append(Finding("season.between", said, middle, low, high, "factor", df=trials.df, **more))
    said = f"{AIR_STEPS[VPD]}, by all trials: {words.told(effect, dry)}."
    return [*found, words.of_effect(effect, dry, said, "season.air")]


def drift(across: Across) -> Pieces:
    """The chart of days in the order of making, and what broke a rule."""
    study = across.study
    if study is None:
        return []
    title, chart, days = "### Does the workshop drift?", study.drift, count(len(study.points), "day")
    if chart is None:
        return [title, caution([f"There is no chart of the days. {study.reasons['drift']}"])]
    broken = listed(list(dict.fromkeys(str(signal.label) for signal in chart.signals))) or "none"
    notes = ["A chart says that something changed, never what. " + FALSE_ALARMS]
    if not study.dated:
        notes.append("Not every batch has its made_at, so the trials stand as trial.toml names them.")
    if len(study.points) < FEW_DAYS:
        notes.append(f"Limits from {days} are rough: a signal is a reason to look, not a proof.")
    picture = Picture(
        "drift-days",
        drift_days(study),
        "A point a day, a bar a batch (the bracket of its middle piece; an arrow was never seen dry), the middle and the "
        "limits. A red ring: a rule was broken.",
        f"Control chart of {days} of making; rules broken at: {broken}.",
    )
    return [title, Findings(drift_findings(study, chart), "plain"), picture, Notes(notes)]


def drift_findings(study: SeasonStudy, chart: DriftChart) -> list[Finding]:
    """Whether any rule was broken, and where: one finding a signal."""
    said = f"In one air, half the pieces are dry after {duration(chart.centre)} in the middle of "
    said += f"{count(len(study.points), 'day')} of making. A steady workshop stays between {duration(chart.low)} and "
    said += f"{duration(chart.high)}.{'' if chart.signals else ' No sign of drift.'}"
    about: dict[str, Any] = {"low": chart.low, "high": chart.high, "unit": "h"}
    about |= {"level": 0.997, "kind": "prediction"}
    found = [Finding("season.drift", said, chart.centre, batches=len(study.batches), **about)]
    days = {row["label"]: row for _, row in study.points.iterrows()}
    for signal in chart.signals:
        start, end = (days[label] for label in (signal.since, signal.label))
        more = about | {"estimate": float(end["hours"]), "batches": len(end["runs"])}
        topic = f"season.drift[{signal.rule}: {signal.label}]"
        found.append(Finding(topic, _signal(signal, start, end), **more))
    return found


def _signal(signal: Signal, start: pd.Series, end: pd.Series) -> str:
    """What broke a rule, and what to look at first, from what is known of those days."""
    way, hours, since = "slower" if signal.side == "above" else "faster", duration(end["hours"]), signal.since
    told = f"From {since} to {signal.label}, every day dried {way} than the middle."
    look = f"for what changed about {since} and stayed: a sack, a shelf, the hygrometer, a recipe"
    if signal.rule == "jump":
        told = f"From {since} to {signal.label}, dry time jumped from {duration(start['hours'])} to {hours}."
        look = "at what was new that day: a sack, a mould, a shelf"
        if start["trial"] != end["trial"]:
            look = f"at what {end['trial']} had and {start['trial']} had not: recipe, sack, mould, shelf"
    elif signal.rule == "beyond":
        told = f"{signal.label} dried {way} than the limits allow: {hours}."
        look = "at that day's looks and at where the hygrometer stood"
    notes = listed([f"“{note}”" for note in dict.fromkeys((start["note"], end["note"])) if note])
    return f"{told} {f'Its notes say: {notes}. ' if notes else ''}Look first {look}."
