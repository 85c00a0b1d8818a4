"""Across trials: those that `[earlier]` names beside this one: the same comparison, the air, and drift."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress
from functools import lru_cache
from itertools import chain, count
from typing import Any, NamedTuple

import numpy as np
import pandas as pd

from fizzlab.errors import CannotAnswer, cannot
from fizzlab.language import listed, say, wording
from fizzlab.measures import MEASURES, worded
from fizzlab.models.air import rh_for_deficit, vapour_pressure_deficit
from fizzlab.models.curing import VPD, CuringFit, study_touch
from fizzlab.models.drift import FEW as FEW_DAYS
from fizzlab.models.drift import DriftChart, Signal
from fizzlab.models.pooling import PooledEffect, SeasonFit, pool_effects
from fizzlab.models.result import Effect
from fizzlab.models.season import SeasonStudy, study_season
from fizzlab.report import phrases as words
from fizzlab.report.analysis import SHOWN_P, Analysis, analyse
from fizzlab.report.figures import drift_days, season_lines
from fizzlab.report.page import Finding, Findings, Grid, Notes, Picture
from fizzlab.report.parts.drying import AIR_STEPS
from fizzlab.report.parts.general import Pieces, caution, standing
from fizzlab.report.phrases import capital, duration, number, percent
from fizzlab.trial.folder import Exclusion, Trial
from fizzlab.trial.settings.sections import DryingSettings

FEW_TRIALS = "two_trials"


class Across(NamedTuple):
    """Trials with a dry-time line, by name in the order of making; `own` is reported on, `passed` are not in."""

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
    return set_beside(beside(done), done.settings.drying, done)


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
            passed.append(Exclusion(say("this_trial") if each is done else name, why))
    asked = float(fits[own].batches[VPD].median()) if own else None
    if point := drying.forecast_air:
        asked = float(vapour_pressure_deficit(point.temp_c, point.rh_pct))
    return Across(study_season(fits, asked=asked) if fits else None, trials, own, drying, passed)


def _name(trial: Trial, taken: Mapping[str, Analysis]) -> str:
    """The trial's code; where another has the same, with its folder."""
    code, folder = trial.settings.code, trial.folder.name
    names = chain([code, f"{code} ({folder})"], (f"{code} ({folder}, {number})" for number in count(3)))
    return next(name for name in names if name not in taken)


def _fit(each: Analysis) -> CuringFit:
    """The dry times of one trial over the vapour-pressure deficit; raises why it cannot be set beside others."""
    if "dry_h" in each.reasons:
        raise each.reasons["dry_h"]
    fit, trial = each.fits.get("dry_h"), each.trial
    if fit is None:
        raise cannot("has_no_touch")
    if not isinstance(fit, CuringFit) or trial.settings.drying.air != "vpd":
        tables = {name: trial.rows(name) for name in ("runs", "touch_checks", "weighings", "room_log")}
        study = study_touch(tables, trial.settings.terms())
        if study.reasons:
            raise study.reasons["dry_h"]
        fit = study.fits["dry_h"]
    if VPD not in fit.batches:
        raise cannot("air_batches")
    return fit


@standing
def season(done: Analysis) -> Pieces:
    """The same comparisons made again, the pooled forecast and the chart of the days, where earlier trials are."""
    trial = done.trial
    if trial.settings.earlier is None:
        return []
    across = across_trials(done)
    if not trial.earlier:
        return [say("across_trials"), say("there_no_earlier"), *not_counted(across)]
    did = what_each_did(beside(done), least=2)
    return [say("across_trials"), *did, *pooled(across), *drift(across), *not_counted(across)]


def not_counted(across: Across) -> Pieces:
    """The trials that are passed over, and why."""
    table = pd.DataFrame([(each.name, each.why) for each in across.passed], columns=["trial", "why"])
    return [say("trials_not"), Grid(table)] if across.passed else []


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
    effect, settings = again.effect, done.settings
    measure, label = settings.measure(effect.response), settings.label
    many = say("both_trials") if len(again.each) == 2 else say("so_many_trials", n=len(again.each))
    said = words.sentence(effect, measure, label, say("together", many=many))
    if disagree(again):
        sizes = ((name, words.directed(one.estimate, one, measure)) for name, one in again.each.items())
        each = listed([say("in_trial", size=size, name=name) for name, size in sizes])
        what = f"{capital(measure.label)}, {words.against(effect, label)}"
        said = say("trials_disagree", what=what, each=each)
    elif again.between is not None and again.between.tau_low > 0:
        apart = again.between.tau if effect.scale == "difference" else np.exp(again.between.tau)
        said += say("trials_differ", size=words.by_how_much(float(apart), effect, measure))
    return words.of_effect(effect, measure, said, f"again.{effect.topic}")


def disagree(again: PooledEffect) -> bool:
    """Do two trials contradict each other?"""
    return bool(again.p_differ < SHOWN_P) and again.between is None


def clear(again: PooledEffect) -> bool:
    """Is there more to say than that one can't tell yet?"""
    return again.effect.shown or again.effect.same or again.effect.exact or disagree(again)


def what_each_did(worked_out: Mapping[str, Analysis], least: int = 1) -> Pieces:
    """A table a factor: what it did in each trial, and together, where at least so many trials tried it."""
    changes = dict[str, dict[tuple[str, str], dict[str, list[Effect]]]]()
    for name, done in worked_out.items():
        for effect in done.effects:
            of = changes.setdefault(effect.factor, {}).setdefault((effect.level, effect.control), {})
            of.setdefault(name, []).append(effect)
    told: Pieces = []
    measures = {k: v for done in worked_out.values() for k, v in done.settings.measures().items()}
    for factor, comparisons in changes.items():
        rows, found, pooled, few = list[dict[str, str]](), list[Finding](), list[PooledEffect](), False
        for each in (made for made in comparisons.values() if len(made) >= least):
            done, first = worked_out[list(each)[-1]], next(iter(each))
            unique = {effect.response: effect for effects in each.values() for effect in effects}
            again = list(pooled_effects(worked_out, list(unique.values())))
            pooled += again
            found += [answer_of(one, worked_out[list(one.each)[-1]]) for one in again]
            few |= any(one.between is None for one in again)
            parts = {**each, say("all_together"): [one.effect for one in again]} if again else each
            for name, effects in parts.items():
                both = [(effect, measures[effect.response]) for effect in effects]
                change = words.against(effects[0], done.settings.label, say("instead_of"))
                cells = {capital(measure.label): words.cell(effect, measure) for effect, measure in both}
                rows.append({"change": change if name == first else "", "trial": name, **cells})
        if rows:
            said = [one.sentence for one, of in zip(found, pooled, strict=True) if clear(of)]
            told += [say("trial_trial", label=capital(done.settings.label(factor)))]
            told += [Notes(said, "answer") if said else None, Findings(found, "silent") if found else None]
            told += [Grid(pd.DataFrame(rows).fillna("")), Notes([say(FEW_TRIALS)]) if few else None]
    return told


def pooled(across: Across) -> Pieces:
    """The pooled forecast beside the trial's own, how much trials differ, the picture."""
    study = across.study
    if study is None:
        return []
    fit, point, bands = study.fit, across.drying.forecast_air, ""
    whose = say("this_trials" if across.own else "middle_all")
    where = say("air_deficit", whose=whose, asked=number(study.asked))
    if point is not None:
        where = say("c_humidity", temp_c=point.temp_c, rh_pct=point.rh_pct)
    if fit is None:
        said = say("trials_not_pooled", why=study.reasons["fit"])
        head = Findings([Finding("season.forecast", said, batches=len(study.batches))], "caution")
    else:
        head = Findings(_forecast(across.drying, study, fit, across.own, where))
        bands = say("thick_pooled")
    titles = {name: f"{name}: {each.settings.title}" for name, each in across.trials.items()}
    table = pd.DataFrame({"trial": [titles[line.name] for line in study.lines]})
    table["batches"] = [str(line.n_batches) for line in study.lines]
    temp = float(np.round(np.nan_to_num(study.batches["temp_c"].median(), nan=18)))
    met = (rh_for_deficit(line.tried[::-1], temp) for line in study.lines)
    table[say("humidity_met", temp=temp)] = [say("humidity_from_to", dry=dry, damp=damp) for dry, damp in met]
    alone = (study.alone.loc[line.name].to_dict() for line in study.lines)
    table["half are dry after"] = [words.estimate(row, "h") for row in alone]
    notes = [say("earlier_trials"), say("trial_compared"), *(fit.notes if fit is not None else ())]
    alt = say("alt_half_dry_lines", trials=say("n_trials", n=len(study.lines)))
    picture = Picture("season-lines", season_lines(study), say("point_batch", bands=bands), alt)
    grid = Grid(table, say("what_each_trial", where=where))
    return [say("drying_air"), head, picture, grid, Notes(notes)]


def _forecast(
    drying: DryingSettings, study: SeasonStudy, fit: SeasonFit, own: str, where: str
) -> list[Finding]:
    """The pooled line in the air asked for, beside this trial alone; a new trial; how trials differ; the air."""
    share, night_h = max(drying.shares), drying.night_hours
    more: dict[str, Any] = {"batches": fit.n_batches}
    row, dry = fit.predict({VPD: study.asked}).to_dict("records")[0], worded(MEASURES["dry_h"])
    many, hours = say("n_trials", n=len(fit.lines)), duration(row["estimate"])
    said = say("half_pieces", where=capital(where), hours=hours, ends=words.inside(row), trials=many)
    said += say("such_air_not") if row["extrapolated"] else ""
    df = float(fit.coefficients["df"]["level"])
    found = [words.numbers_of("season.forecast", said, row, "h", df=df, **more)]
    if own in study.alone.index:
        alone, mine = study.alone.loc[own].to_dict(), next(e.n_batches for e in study.lines if e.name == own)
        said = say("this_trial_alone", hours=words.estimate(alone, "h"))
        found.append(words.numbers_of("season.this_trial", said, alone, "h", batches=mine))
    low, high, by = (fit.dry_by(study.asked, chance) for chance in (0.025, 0.975, share))
    night = fit.chance_dry(study.asked, night_h)
    many = say("more_than") if night > 0.99 else say("less_than") if night < 0.01 else percent(night)
    said = say("pieces_new", ends=words.between(low, high, "h"))
    waits = say("wait_them", hours=duration(by), share=percent(share))
    nights = say("night_h_enough", night=night_h, many=many)
    new = more | {"kind": "prediction", "beyond_tried": bool(row["extrapolated"])}
    found.append(Finding("season.next_trial", said, float(row["estimate"]), low, high, "h", **new))
    found.append(Finding("season.allow", waits, by, unit="h", **new))
    found.append(Finding("season.night", nights, night, unit="share", **new))
    trials, effect = fit.between, fit.effects[0]
    middle, low, high = np.exp([trials.tau, trials.tau_low, trials.tau_high]).tolist()
    size = say("two_trials_three", middle=percent(middle - 1), low=percent(low - 1), high=percent(high - 1))
    said = say("same_air_trials" if low > 1.0005 else "no_sign_trials", size=size)
    found.append(Finding("season.between", said, middle, low, high, "factor", df=trials.df, **more))
    said = say("all_trials", air=say(AIR_STEPS[VPD]), told=words.told(effect, dry))
    return [*found, words.of_effect(effect, dry, said, "season.air")]


def drift(across: Across) -> Pieces:
    """The chart of days in the order of making, and what broke a rule."""
    study = across.study
    if study is None:
        return []
    title, chart, days = say("does_workshop"), study.drift, say("n_days", n=len(study.points))
    if chart is None:
        return [title, caution([say("there_no_chart", why=study.reasons["drift"])])]
    broken = listed(list(dict.fromkeys(str(signal.label) for signal in chart.signals))) or say("none")
    notes = [say("chart_says")] if study.dated else [say("chart_says"), say("not_every")]
    notes += [say("limits_from", days=days)] if len(study.points) < FEW_DAYS else []
    alt = say("control_chart", days=days, broken=broken)
    picture = Picture("drift-days", drift_days(study), say("point_day"), alt)
    return [title, Findings(drift_findings(study, chart), "plain"), picture, Notes(notes)]


def drift_findings(study: SeasonStudy, chart: DriftChart) -> list[Finding]:
    """Whether any rule was broken, and where: one finding a signal."""
    ends, many = map(duration, (chart.centre, chart.low, chart.high)), say("n_days", n=len(study.points))
    said = say("one_air_half", days=many, **dict(zip(("centre", "low", "high"), ends, strict=True)))
    said += "" if chart.signals else say("no_sign_drift")
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
    hours, since = duration(end["hours"]), signal.since
    way = wording(f"measure.dry_h.{'up' if signal.side == 'above' else 'down'}")
    about = {"since": since, "label": signal.label, "way": way, "hours": hours}
    told, look = say("from_every", **about), say("what_changed_about", since=since)
    if signal.rule == "jump":
        told = say("from_dry_time", **about, before=duration(start["hours"]))
        one, two = start["trial"], end["trial"]
        look = say("what_new_day" if one == two else "what_had_had", trial=two, before=one)
    elif signal.rule == "beyond":
        told, look = say("dried_than", **about), say("days_looks")
    notes = listed([f"“{note}”" for note in dict.fromkeys((start["note"], end["note"])) if note])
    return say("look_first", told=told, notes=say("notes_say", notes=notes) if notes else "", look=look)
