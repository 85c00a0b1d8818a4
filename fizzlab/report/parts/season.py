"""Across trials: the trials that `[earlier]` names, pooled with this one, and drift over them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from fizzlab.errors import CannotAnswer
from fizzlab.measures import MEASURES
from fizzlab.models.air import vapour_pressure_deficit
from fizzlab.models.curing import VPD, CuringFit, study_touch
from fizzlab.models.drift import FEW as FEW_DAYS
from fizzlab.models.drift import DriftChart, Signal
from fizzlab.models.pooling import FEW, SeasonFit
from fizzlab.models.season import SeasonStudy, study_season
from fizzlab.models.terms import level_name
from fizzlab.report import phrases as words
from fizzlab.report.analysis import Analysed
from fizzlab.report.figures.season import drift_days, season_lines
from fizzlab.report.page import Finding, Findings, Grid, Notes, Picture
from fizzlab.report.parts.drying import AIR_STEPS, dried
from fizzlab.report.parts.general import Pieces, caution
from fizzlab.report.phrases import capital, count, duration, listed, number, percent
from fizzlab.trial.folder import Passed, Trial

#: See docs/methods/season.md.
FALSE_ALARMS = "Of 100 steady workshops 18 would set off a rule too in 15 days, 38 in 32 days."

_GUESS = " Such air was not met in any trial: this is the formula's guess."


@dataclass(frozen=True)
class Across:
    """What this trial and the earlier ones say together.

    `trials` are those in it, by the name used for them, in the order of making; `own` is the name of the
    trial that is reported on, empty where it says nothing of dry times; `standard` the setting of the factors
    that each trial's line is for, in words; `passed` the trials that are not counted, and why.
    """

    study: SeasonStudy | None
    trials: Mapping[str, Trial]
    own: str
    standard: Mapping[str, str]
    passed: tuple[Passed, ...]


def across_trials(done: Analysed) -> Across:
    """Set a trial beside the earlier ones."""
    trial, own = done.trial, ""
    trials, fits, passed = dict[str, Trial](), dict[str, CuringFit](), list(trial.passed)
    for each in _in_order([*trial.earlier, trial]):
        name = _name(each, trials)
        try:
            fits[name] = _fit(each, done)
        except CannotAnswer as reason:
            why = words.spoken(reason.why, each.settings)
            passed.append(Passed("this trial" if each is trial else name, why))
            continue
        trials[name], own = each, name if each is trial else own
    point = trial.settings.drying.forecast_air
    asked = float(fits[own].batches[VPD].median()) if own else None
    if point is not None:
        asked = float(vapour_pressure_deficit(point.temp_c, point.rh_pct))
    standard = {
        name: listed(
            [f"{trials[name].settings.label(t.name)} {level_name(t, fit.typical[t.name])}" for t in fit.terms]
        )
        for name, fit in fits.items()
    }
    return Across(study_season(fits, asked=asked) if fits else None, trials, own, standard, tuple(passed))


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


def _fit(each: Trial, done: Analysed) -> CuringFit:
    """The dry times of one trial over the vapour-pressure deficit; raises why it cannot be set beside others."""
    wanted, fit = done.trial.settings.drying, dried(done)
    if each is done.trial and "dry_h" in done.reasons:
        raise done.reasons["dry_h"]
    if each is not done.trial or fit is None or wanted.air != "vpd":
        if not each.has("touch_checks"):
            raise CannotAnswer("It has no touch checks.", "Touch the pieces at set hours.")
        tables = {name: each.rows(name) for name in ("runs", "touch_checks", "weighings", "room_log")}
        study = study_touch(tables, each.settings.terms(), distribution=wanted.distribution)
        if study.reasons:
            raise study.reasons["dry_h"]
        fit = study.fits["dry_h"]
    if VPD not in fit.batches:
        raise CannotAnswer("The air of its batches is not known.", "Keep a room log while pieces dry.")
    return fit


def season(done: Analysed) -> Pieces:
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
    fit, point, bands, ends = study.fit, trial.settings.drying.forecast_air, "", ""
    whose = "this trial's middle batch" if across.own else "the middle of all trials"
    where = f"in the air of {whose} (a deficit of {number(study.asked)} kPa)"
    if point is not None:
        where = f"at {point.temp_c:g} °C and {point.rh_pct:g} % humidity"
    if fit is None:
        said = f"The trials are not pooled, so how a new trial would dry is not known. {study.reasons['fit']}"
        head = Findings([Finding("season.forecast", said, batches=len(study.batches))], "caution")
    else:
        effect = fit.effects[0]
        said = f"{AIR_STEPS[VPD]}, by all trials: {words.told(effect, MEASURES['dry_h'])}."
        air = words.of_effect(effect, MEASURES["dry_h"], said, "season.air")
        head = Findings([*_forecast(trial, study, fit, across.own, where), _between(fit), air])
        bands = " Thick: the pooled line with its band (light: a new trial's line; 95 %), dotted in air that no trial met."
        hours = fit.predict({VPD: list(fit.tried)})["estimate"]
        ends = f" The pooled line runs from {duration(hours[0])} to {duration(hours[1])}."
    return [
        head,
        Picture(
            "season-lines",
            season_lines(study),
            f"A point a batch, for the standard recipe; thin, its trial's own line.{bands} Upright: the air asked for.",
            f"Hours until half the pieces are dry against the air, for {count(len(study.lines), 'trial')}.{ends}",
        ),
        Grid(
            _alone(study, across),
            f"What each trial says by itself of half the pieces of a typical batch, {where}",
        ),
        Notes(_assumptions(study, across.standard)),
    ]


def _forecast(trial: Trial, study: SeasonStudy, fit: SeasonFit, own: str, where: str) -> list[Finding]:
    """The pooled line in the air asked for, beside this trial alone and a new batch of a new trial."""
    share, night_h = max(trial.settings.drying.shares), trial.settings.drying.night_hours
    row = fit.predict({VPD: study.asked}).to_dict("records")[0]
    said = f"{capital(where)}, half the pieces of a typical batch are dry after {words.estimate(row | {'extrapolated': 0}, 'h')}"
    said += f" in the average of {count(len(fit.lines), 'trial')}.{_GUESS * bool(row['extrapolated'])}"
    more: dict[str, Any] = {"batches": fit.n_batches}
    df = float(fit.coefficients["df"]["level"])
    found = [words.numbers_of("season.forecast", said, row, "h", df=df, **more)]
    if own in study.alone.index:
        alone: dict[Any, Any] = study.alone.loc[[own]].to_dict("records")[0]
        mine = next(line.n_batches for line in study.lines if line.name == own)
        said = f"This trial alone says {words.estimate(alone, 'h')}."
        found.append(words.numbers_of("season.this_trial", said, alone, "h", batches=mine))
    low, high, by = (fit.dry_by(study.asked, chance) for chance in (0.025, 0.975, share))
    night = fit.chance_dry(study.asked, night_h)
    many = "more than 99 %" if night > 0.99 else "less than 1 %" if night < 0.01 else percent(night)
    more |= {"kind": "prediction", "beyond_tried": bool(row["extrapolated"])}
    said = (
        f"Pieces of a new batch of a new trial are dry after {words.between(low, high, 'h')} (95 % of them)."
    )
    waits = f"Wait {duration(by)}: {percent(share)} of them are dry by then."
    nights = f"A night of {night_h:g} h is enough for {many} of them."
    return [
        *found,
        Finding("season.next_trial", said, float(row["estimate"]), low, high, "h", **more),
        Finding("season.allow", waits, by, unit="h", **more),
        Finding("season.night", nights, night, unit="share", **more),
    ]


def _between(fit: SeasonFit) -> Finding:
    """How much trials differ beyond what their batches explain."""
    found = fit.between
    middle, low, high = np.exp([found.tau, found.tau_low, found.tau_high]).tolist()
    size = f"two trials of three lie within {percent(middle - 1)} of the average ({percent(low - 1)} to {percent(high - 1)})"
    said = f"No sign that trials differ by more than their batches explain: {size}."
    if low > 1.0005:
        said = f"In the same air, trials differ by more than their batches explain: {size}. Something changed unseen."
    if found.n_trials < FEW:
        said += f" {found.n_trials} trials hardly tell."
    return Finding("season.between", said, middle, low, high, "factor", df=found.df, batches=fit.n_batches)


def _alone(study: SeasonStudy, across: Across) -> pd.DataFrame:
    """One row a trial with what it says alone, with text cells."""
    alone: list[Any] = study.alone.loc[[line.name for line in study.lines]].to_dict("records")
    return pd.DataFrame(
        {
            "trial": [f"{line.name}: {across.trials[line.name].settings.title}" for line in study.lines],
            "batches": [str(line.n_batches) for line in study.lines],
            "air met, kPa": [" to ".join(dict.fromkeys(map(number, line.tried))) for line in study.lines],
            "half are dry after": [words.estimate(row, "h") for row in alone],
        }
    )


def _assumptions(study: SeasonStudy, standard: Mapping[str, str]) -> list[str]:
    """What is taken for granted, and what a trial cannot add."""
    said = ["Earlier trials are taken to have made the same recipe; all else counts as trials differing."]
    held = [f"{trial} with {what}" for trial, what in standard.items() if what]
    if held:
        said.append(f"A trial that compared things stands here for its standard: {listed(held)}.")
    said += study.fit.notes if study.fit is not None else ()
    flat = [line.name for line in study.lines if line.slope is None]
    if flat:
        said.append(f"{listed(flat)} met one air only and says nothing of how drying follows it.")
    return said


def _drift(study: SeasonStudy) -> Pieces:
    """The chart of days in the order of making, and what broke a rule."""
    pieces: Pieces = ["### Does the workshop drift?"]
    if study.drift is None:
        return [*pieces, caution([f"There is no chart of the days. {study.reasons['drift']}"])]
    broken = listed(list(dict.fromkeys(str(signal.label) for signal in study.drift.signals))) or "none"
    notes = ["A chart says that something changed, never what. " + FALSE_ALARMS]
    if not study.dated:
        notes.append("Not every batch has its made_at, so the trials stand as trial.toml names them.")
    if len(study.points) < FEW_DAYS:
        notes.append(
            f"Limits from {len(study.points)} days are rough: a signal is a reason to look, not a proof."
        )
    return [
        *pieces,
        Findings(drift_findings(study, study.drift), "plain"),
        Picture(
            "drift-days",
            drift_days(study),
            "Above: a point a day, a bar a batch (the bracket of its middle piece; an arrow was never seen dry), the middle "
            "and the limits. Below: each day against the one before. A red ring: a rule was broken.",
            f"Control chart of {count(len(study.points), 'day')} of making; rules broken at: {broken}.",
        ),
        Notes(notes),
    ]


def drift_findings(study: SeasonStudy, chart: DriftChart) -> list[Finding]:
    """Whether any rule was broken, and where: one finding a signal."""
    ends, many = (chart.centre, chart.low, chart.high), count(len(study.points), "day")
    said = f"In air of {number(study.at)} kPa, half the pieces are dry after {duration(chart.centre)} in the middle of {many} "
    said += f"of making; a steady workshop stays between {duration(chart.low)} and {duration(chart.high)}."
    said += "" if chart.signals else " No sign of drift."
    first = Finding("season.drift", said, *ends, "h", 0.997, "prediction", batches=len(study.batches))
    return [first, *(_signal(signal, study.points, chart) for signal in chart.signals)]


def _signal(signal: Signal, points: pd.DataFrame, chart: DriftChart) -> Finding:
    """What broke a rule, and what to look at first, from what is known of those days."""
    labels = list(points["label"])
    start, end = (points.iloc[labels.index(label)] for label in (signal.since, signal.label))
    way, hours = "slower" if signal.side == "above" else "faster", duration(end["hours"])
    since, noted = f"From {signal.since} to {signal.label}", [start["note"], end["note"]]
    if signal.rule == "jump":
        told = f"{since}, dry time jumped from {duration(start['hours'])} to {hours}."
        look = "at what was new that day: a sack, a mould, a shelf"
        if start["trial"] != end["trial"]:
            look = f"at what {end['trial']} had and {start['trial']} had not: recipe, sack, mould, shelf"
    elif signal.rule == "beyond":
        told = f"{signal.label} dried {way} than the limits allow: {hours}."
        look = "at that day's looks and at where the hygrometer stood"
    else:
        told, noted = f"{since}, every day dried {way} than the middle.", noted[:1]
        look = f"for what changed about {signal.since} and stayed: a sack, a shelf, the hygrometer, a recipe"
    quoted = listed([f"“{note}”" for note in dict.fromkeys(noted) if note])
    says = f"Its notes say: {quoted}. " if quoted else ""
    return Finding(
        f"season.drift[{signal.rule}: {signal.label}]",
        f"{told} {says}Look first {look}.",
        *(float(end["hours"]), chart.low, chart.high),
        "h",
        0.997,
        "prediction",
        batches=len(end["runs"]),
    )
