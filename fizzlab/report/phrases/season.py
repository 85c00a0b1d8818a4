"""Several trials of one workshop in sentences: the pooled forecast, how trials differ, and drift."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from fizzlab.errors import CannotAnswer
from fizzlab.measures import MEASURES
from fizzlab.models.curing import VPD
from fizzlab.models.drift import FEW as FEW_DAYS
from fizzlab.models.drift import DriftChart, Signal
from fizzlab.models.pooling import FEW, SeasonFit
from fizzlab.models.season import SeasonStudy
from fizzlab.report.findings import Finding
from fizzlab.report.phrases.drying import AIR_STEPS, hours_finding, span
from fizzlab.report.phrases.effects import cell
from fizzlab.report.phrases.effects import finding as of_effect
from fizzlab.report.phrases.numbers import capital, count, duration, listed, number, percent
from fizzlab.trial.folder import Trial

#: Of 100 steady workshops, how many set off a rule, by the points of their chart; docs/methods/season.md.
FALSE_ALARMS = ((15, 18), (21, 22), (32, 38))

_GUESS = " Such air was not met in any trial: this is the formula's guess."


def where(study: SeasonStudy, trial: Trial, own: bool) -> str:
    """The air that is forecast for, in words; `own`: does the trial reported on tell of dry times?"""
    point = trial.settings.drying.forecast_air
    if point is not None:
        return f"at {point.temp_c:g} °C and {point.rh_pct:g} % humidity"
    whose = "this trial's middle batch" if own else "the middle of all trials"
    return f"in the air of {whose} (a deficit of {number(study.asked)} kPa)"


def forecast_findings(
    study: SeasonStudy, fit: SeasonFit, own: str, where: str, share: float, night_hours: float
) -> list[Finding]:
    """The pooled line in the air asked for, beside this trial alone, and a new batch of a new trial.

    `own` is the trial reported on, empty where it says nothing of dry times; `where` the air in words; `share` of
    the pieces of a new batch of a new trial are dry by the hours to wait.
    """
    row = fit.predict({VPD: study.asked}).to_dict("records")[0]
    beyond, batches = bool(row["extrapolated"]), fit.n_batches
    said = (
        f"{capital(where)}, half the pieces of a typical batch are dry after {duration(row['estimate'])} in the average of "
        f"{count(len(fit.lines), 'trial')} ({span(row)}).{_GUESS * beyond}"
    )
    found = [hours_finding("season.forecast", said, row, batches, df=float(fit.coefficients["df"]["level"]))]
    if own in study.alone.index:
        alone = study.alone.loc[[own]].to_dict("records")[0]
        unmet = ", in air that it did not meet" if alone["extrapolated"] else ""
        said = f"This trial alone says {duration(alone['estimate'])} ({span(alone)}){unmet}."
        mine = next(line.n_batches for line in study.lines if line.name == own)
        found.append(hours_finding("season.this_trial", said, alone, mine))
    low, high, by = (fit.dry_by(study.asked, chance) for chance in (0.025, 0.975, share))
    night = fit.chance_dry(study.asked, night_hours)
    many = "more than 99 %" if night > 0.99 else "less than 1 %" if night < 0.01 else percent(night)
    common: dict[str, Any] = {"kind": "prediction", "batches": batches, "beyond_tried": beyond}
    said = f"Pieces of a new batch of a new trial are dry between {duration(low)} and {duration(high)} (95 % of them)."
    waits = f"Wait {duration(by)}: {percent(share)} of them are dry by then."
    nights = f"A night of {night_hours:g} h is enough for {many} of them."
    return [
        *found,
        Finding("season.next_trial", said, float(row["estimate"]), low, high, "h", **common),
        Finding("season.allow", waits, by, unit="h", **common),
        Finding("season.night", nights, night, unit="share", **common),
    ]


def air_finding(fit: SeasonFit) -> Finding:
    """How drying follows the air, pooled."""
    said = f"{AIR_STEPS[VPD]}, by all trials: {cell(fit.effects[0], MEASURES['dry_h'])}."
    return replace(of_effect(fit.effects[0], MEASURES["dry_h"], said), topic="season.air")


def between_finding(fit: SeasonFit) -> Finding:
    """How much trials differ beyond what their batches explain."""
    found = fit.between
    middle, low, high = np.exp([found.tau, found.tau_low, found.tau_high]).tolist()
    size = f"two trials of three lie within {percent(middle - 1)} of the average ({percent(low - 1)} to {percent(high - 1)})"
    said = (
        f"In the same air, trials differ by more than their batches explain: {size}. Something that nobody wrote down changed."
        if low > 1.0005
        else f"Trials need not be alike, but no sign that they differ by more than their batches explain: {size}."
    )
    if found.n_trials < FEW:
        said += f" {found.n_trials} trials hardly tell."
    return Finding("season.between", said, middle, low, high, "factor", df=found.df, batches=fit.n_batches)


def not_pooled(study: SeasonStudy, reason: CannotAnswer) -> Finding:
    """Why there is no pooled line, and what cannot be known without one."""
    said = f"The trials are not pooled, so how a new trial would dry is not known. {reason}"
    return Finding("season.forecast", said, batches=len(study.batches))


def assumptions(study: SeasonStudy, standard: Mapping[str, str]) -> list[str]:
    """What is taken for granted; `standard` has the setting of each trial's line in words, if any."""
    said = ["Earlier trials are taken to have made the same recipe; all else counts as trials differing."]
    held = [f"{trial} with {words}" for trial, words in standard.items() if words]
    if held:
        said.append(f"A trial that compared things stands here for its standard: {listed(held)}.")
    said += study.fit.notes if study.fit is not None else ()
    flat = [line.name for line in study.lines if line.slope is None]
    if flat:
        said.append(f"{listed(flat)} met one air only and says nothing of how drying follows it.")
    return said


def trial_table(study: SeasonStudy, titles: Mapping[str, str]) -> pd.DataFrame:
    """One row a trial with what it says alone, with text cells."""
    alone: list[Any] = study.alone.loc[[line.name for line in study.lines]].to_dict("records")
    table = pd.DataFrame(
        {
            "trial": [f"{line.name}: {titles[line.name]}" for line in study.lines],
            "batches": [str(line.n_batches) for line in study.lines],
            "air met, kPa": [" to ".join(dict.fromkeys(map(number, line.tried))) for line in study.lines],
            "half are dry after": [duration(row["estimate"]) for row in alone],
            "95 % interval": [span(row) for row in alone],
            "": ["such air not met" if row["extrapolated"] else "" for row in alone],
        }
    )
    return table if table[""].any() else table.drop(columns="")


def drift_findings(study: SeasonStudy, chart: DriftChart) -> list[Finding]:
    """Whether any rule was broken, and where: one finding a signal."""
    said = (
        f"In air of {number(study.at)} kPa, half the pieces are dry after {duration(chart.centre)} in the middle of "
        f"{count(len(study.points), 'day')} of making; a steady workshop stays between {duration(chart.low)} and "
        f"{duration(chart.high)}.{'' if chart.signals else ' No sign of drift.'}"
    )
    ends = (chart.centre, chart.low, chart.high)
    first = Finding("season.drift", said, *ends, "h", 0.997, "prediction", batches=len(study.batches))
    return [first, *(_signal(signal, study.points, chart) for signal in chart.signals)]


def _signal(signal: Signal, points: pd.DataFrame, chart: DriftChart) -> Finding:
    """What broke a rule, and what to look at first, from what is known of those days."""
    labels = list(points["label"])
    start, end = (points.iloc[labels.index(label)] for label in (signal.since, signal.label))
    way = "slower" if signal.side == "above" else "faster"
    hours, since = duration(end["hours"]), f"From {signal.since} to {signal.label}"
    notes = dict.fromkeys(note for note in (start["note"], end["note"]) if note)
    if signal.rule == "jump":
        told = f"{since}, dry time jumped from {duration(start['hours'])} to {hours}."
        look = "at what was new that day: a sack, a mould, a shelf"
        if start["trial"] != end["trial"]:
            look = f"at what {end['trial']} had and {start['trial']} had not: recipe, sack, mould, shelf"
    elif signal.rule == "beyond":
        told = f"{signal.label} dried {way} than the limits allow: {hours}."
        look = "at that day's looks and at where the hygrometer stood"
    else:
        told = f"{since}, every day dried {way} than the middle."
        look = f"for what changed about {signal.since} and stayed: a sack, a shelf, the hygrometer, a recipe"
        notes = dict.fromkeys(note for note in [start["note"]] if note)
    noted = f"Its notes say: {listed([f'“{note}”' for note in notes])}. " if notes else ""
    return Finding(
        f"season.drift[{signal.rule}: {signal.label}]",
        f"{told} {noted}Look first {look}.",
        *(float(end["hours"]), chart.low, chart.high),
        "h",
        0.997,
        "prediction",
        batches=len(end["runs"]),
    )


def drift_notes(study: SeasonStudy) -> list[str]:
    """What the chart shows and what it cannot."""
    days = len(study.points)
    alarms = next((rate for points, rate in FALSE_ALARMS if days <= points + 3), FALSE_ALARMS[-1][1])
    line = "each trial's own line" if study.fit is None else "the pooled line"
    said = [
        f"A point is where the trial's model places that day's pieces inside their brackets; the air is taken out by {line}.",
        f"A chart says that something changed, never what; {alarms} of 100 steady workshops would set off a rule too.",
    ]
    if not study.dated:
        said.append("Not every batch has its made_at, so the trials stand as trial.toml names them.")
    if days < FEW_DAYS:
        said.append(f"Limits from {days} days are rough: a signal is a reason to look, not a proof.")
    return said


def methods(fit: SeasonFit) -> str:
    """How the trials were pooled, as a paragraph of Markdown."""
    return (
        "Pooled are the trials' lines of log dry time on log vapour-pressure deficit: random effects by restricted likelihood, "
        "t intervals after Hartung and Knapp, never narrower than the trials' own errors allow. Levels are compared at "
        f"{number(fit.at)} kPa; I² of the levels is {percent(fit.between.i2)}."
    )
