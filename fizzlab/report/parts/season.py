"""Across trials: the trials that `[earlier]` names, pooled with this one, and drift over them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

import numpy as np
import pandas as pd

from fizzlab.errors import CannotAnswer
from fizzlab.measures import MEASURES
from fizzlab.models.air import vapour_pressure_deficit
from fizzlab.models.curing import VPD, CuringFit, study_touch
from fizzlab.models.drift import FEW as FEW_DAYS
from fizzlab.models.drift import DriftChart, Signal
from fizzlab.models.pooling import SeasonFit
from fizzlab.models.season import SeasonStudy, study_season
from fizzlab.report import phrases as words
from fizzlab.report.analysis import Analysis
from fizzlab.report.figures.drying import drift_days, season_lines
from fizzlab.report.page import Finding, Findings, Grid, Notes, Picture
from fizzlab.report.parts.drying import AIR_STEPS, dried
from fizzlab.report.parts.general import Pieces, caution, standing
from fizzlab.report.phrases import capital, count, duration, listed, number, percent
from fizzlab.trial.folder import Exclusion, Trial

#: See docs/methods/season.md.
FALSE_ALARMS = "Of 100 steady workshops 18 would set off a rule too in 15 days, 38 in 32 days."

GUESS = " Such air was not met in any trial: this is the formula's guess."


class Across(NamedTuple):
    """What this trial and the earlier ones say together.

    `trials` are those in it, by the name used for them, in the order of making; `own` is the name of the
    trial that is reported on, empty where it says nothing of dry times; `passed` those not counted, and why.
    """

    study: SeasonStudy | None
    trials: Mapping[str, Trial]
    own: str
    passed: Sequence[Exclusion]


def across_trials(done: Analysis) -> Across:
    """Set a trial beside the earlier ones."""
    trial, own, passed = done.trial, "", list(done.trial.passed)
    trials, fits = dict[str, Trial](), dict[str, CuringFit]()
    for each in _in_order([*trial.earlier, trial]):
        name = _name(each, trials)
        try:
            fits[name] = _fit(each, done)
            trials[name], own = each, name if each is trial else own
        except CannotAnswer as reason:
            why = words.spoken(reason.why, each.settings)
            passed.append(Exclusion("this trial" if each is trial else name, why))
    point = trial.settings.drying.forecast_air
    asked = float(fits[own].batches[VPD].median()) if own else None
    if point is not None:
        asked = float(vapour_pressure_deficit(point.temp_c, point.rh_pct))
    return Across(study_season(fits, asked=asked) if fits else None, trials, own, passed)


def _in_order(trials: list[Trial]) -> list[Trial]:
    """By the first date of making where every trial has one; this trial, the last, stays last if not."""
    first = [trial.rows("runs")["made_at"].min() for trial in trials]
    if any(pd.isna(date) for date in first):
        return trials
    return [trial for _, trial in sorted(zip(first, trials, strict=True), key=lambda pair: pair[0])]


def _name(trial: Trial, taken: Mapping[str, Trial]) -> str:
    """The trial's code; where another has the same, with its folder."""
    code = name = trial.settings.code
    number = 1
    while name in taken:
        number += 1
        name = f"{code} ({trial.folder.name}{'' if number == 2 else f', {number}'})"
    return name


def _fit(each: Trial, done: Analysis) -> CuringFit:
    """The dry times of one trial over the vapour-pressure deficit; raises why it cannot be set beside others."""
    wanted, fit = done.trial.settings.drying, dried(done)
    if each is done.trial and "dry_h" in done.reasons:
        raise done.reasons["dry_h"]
    if each is not done.trial or fit is None or wanted.air != "vpd":
        if not each.has("touch_checks"):
            raise CannotAnswer("It has no touch checks.", "Touch the pieces at set hours.")
        tables = {name: each.rows(name) for name in ("runs", "touch_checks", "weighings", "room_log")}
        study = study_touch(tables, each.settings.terms())
        if study.reasons:
            raise study.reasons["dry_h"]
        fit = study.fits["dry_h"]
    if VPD not in fit.batches:
        raise CannotAnswer("The air of its batches is not known.", "Keep a room log while pieces dry.")
    return fit


@standing
def season(done: Analysis) -> Pieces:
    """The pooled forecast and the chart of the days; nothing where trial.toml names no earlier trials."""
    trial = done.trial
    if trial.settings.earlier is None:
        return []
    across = across_trials(done)
    told: Pieces = ["There is no earlier trial yet that this one can be set beside."]
    if across.study is not None and trial.earlier:
        told = [*_pooled(trial, across, across.study), *_drift(across.study)]
    if across.passed:
        table = pd.DataFrame([(each.name, each.why) for each in across.passed], columns=["trial", "why"])
        told += ["### Trials that are not counted", Grid(table)]
    return ["## Across trials", *told]


def _pooled(trial: Trial, across: Across, study: SeasonStudy) -> Pieces:
    """The pooled forecast beside the trial's own, how much trials differ, the picture."""
    fit, point, bands = study.fit, trial.settings.drying.forecast_air, ""
    whose = "this trial's middle batch" if across.own else "the middle of all trials"
    where = f"in the air of {whose} (a deficit of {number(study.asked)} kPa)"
    if point is not None:
        where = f"at {point.temp_c:g} °C and {point.rh_pct:g} % humidity"
    if fit is None:
        said = f"The trials are not pooled, so how a new trial would dry is not known. {study.reasons['fit']}"
        head = Findings([Finding("season.forecast", said, batches=len(study.batches))], "caution")
    else:
        head = Findings(_forecast(trial, study, fit, across.own, where))
        bands = " Thick: the pooled line with its band (light: a new trial's line; 95 %), dotted in air that no trial met."
    titles = {name: f"{name}: {each.settings.title}" for name, each in across.trials.items()}
    table = pd.DataFrame({"trial": [titles[line.name] for line in study.lines]})
    table["batches"] = [str(line.n_batches) for line in study.lines]
    table["air met, kPa"] = [" to ".join(dict.fromkeys(map(number, line.tried))) for line in study.lines]
    alone = (study.alone.loc[line.name].to_dict() for line in study.lines)
    table["half are dry after"] = [words.estimate(row, "h") for row in alone]
    notes = [
        "Earlier trials are taken to have made the same recipe; all else counts as trials differing.",
        "A trial that compared things stands here for its control, and the middle of its amounts.",
        *(fit.notes if fit is not None else ()),
    ]
    return [
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


def _forecast(trial: Trial, study: SeasonStudy, fit: SeasonFit, own: str, where: str) -> list[Finding]:
    """The pooled line in the air asked for, beside this trial alone; a new trial; how trials differ; the air."""
    share, night_h = max(trial.settings.drying.shares), trial.settings.drying.night_hours
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


def _drift(study: SeasonStudy) -> Pieces:
    """The chart of days in the order of making, and what broke a rule."""
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
    said = f"In air of {number(study.at)} kPa, half the pieces are dry after {duration(chart.centre)} in the middle of "
    said += f"{count(len(study.points), 'day')} of making; a steady workshop stays between {duration(chart.low)} and "
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
