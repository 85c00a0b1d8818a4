"""Several trials of one workshop in sentences: the pooled forecast, how trials differ, and drift."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from fizzlab.errors import CannotAnswer
from fizzlab.models.cure.pooling import FEW, Pooled
from fizzlab.models.cure.season import SeasonLine
from fizzlab.models.cure.season_study import SeasonStudy
from fizzlab.models.drift import DriftChart, Signal
from fizzlab.report.findings import Finding
from fizzlab.report.phrases.numbers import (
    capital,
    count,
    duration,
    listed,
    number,
    percent,
    ratio,
    ratio_interval,
)

Row = dict[str, Any]

#: Of 100 steady workshops, how many set off a rule, by the points of their chart; docs/methods/season.md.
FALSE_ALARMS = ((15, 18), (21, 22), (32, 38))

_GUESS = " Such air was not met in any trial: this is the formula's guess."
_ALIKE = 0.05  # intervals within a twentieth of each other are not told apart in words


def forecast_findings(study: SeasonStudy, own: str, where: str) -> list[Finding]:
    """What the pooled line says of the air that is asked for, beside what this trial says alone.

    Parameters
    ----------
    study : SeasonStudy
        Of trials that could be pooled.
    own : str
        Name of the trial reported on; empty where it says nothing of dry times.
    where : str
        The air in words.
    """
    season = _pooled(study)
    row = _first(season.forecast([study.asked]))
    beyond = bool(row["beyond_tried"])
    batches = int(season.trials["batches"].sum())
    trials = len(season.trials)
    said = (
        f"{capital(where)}, half the pieces of a typical batch are dry after {duration(row['typical'])} "
        f"in the average of these {trials} trials {_hours(row['low'], row['high'], season.level)}."
    )
    found = [
        Finding(
            "season.forecast",
            said + (_GUESS if beyond else ""),
            float(row["typical"]),
            float(row["low"]),
            float(row["high"]),
            "h",
            season.level,
            df=float(season.table["df"]["level"]),
            batches=batches,
            beyond_tried=beyond,
        )
    ]
    if own in study.alone.index:
        found += _beside(study, season, own, float(np.log(row["high"] / row["low"])))
    return found


def new_batch_findings(study: SeasonStudy, share: float, night_hours: float) -> list[Finding]:
    """What to expect of a new batch of a new trial: when a share of its pieces is dry, how many after a night."""
    season = _pooled(study)
    row = _first(season.forecast([study.asked]))
    by = season.dry_by(study.asked, share)
    chance = season.chance_dry(study.asked, night_hours)
    base = Finding(
        "",
        "",
        level=season.level,
        kind="prediction",
        batches=int(season.trials["batches"].sum()),
        beyond_tried=bool(row["beyond_tried"]),
    )
    return [
        replace(
            base,
            topic="season.next_trial",
            sentence=f"A new batch of a new trial, in that air, strays further: its pieces are dry between "
            f"{duration(row['piece_low'])} and {duration(row['piece_high'])} ({percent(season.level)} of such pieces).",
            estimate=float(row["typical"]),
            low=float(row["piece_low"]),
            high=float(row["piece_high"]),
            unit="h",
        ),
        replace(
            base,
            topic="season.allow",
            sentence=f"Allow {duration(by)} for {percent(share)} of them to be dry.",
            estimate=by,
            unit="h",
        ),
        replace(
            base,
            topic="season.night",
            sentence=f"A night of {night_hours:g} h is enough for {_chance(chance)} of them.",
            estimate=chance,
            unit="share",
        ),
    ]


def _first(table: pd.DataFrame) -> Row:
    return {str(name): table[name].iloc[0] for name in table.columns}


def _pooled(study: SeasonStudy) -> SeasonLine:
    if isinstance(study.pooled, CannotAnswer):
        raise ValueError("the trials were not pooled")
    return study.pooled


def _beside(study: SeasonStudy, season: SeasonLine, own: str, pooled_width: float) -> list[Finding]:
    """This trial alone, and helped by the others."""
    alone = _first(study.alone.loc[[own]])
    helped = _first(season.helped(own, [study.asked]))
    batches = int(season.trials["batches"][own])
    width = float(np.log(alone["high"] / alone["low"]))
    beyond = bool(alone["beyond_tried"])
    against = pooled_width / width
    if against > 1 + _ALIKE:
        pooled = (
            f"The pooled interval is {ratio(against)} times as wide, because it holds how much trials differ: it tells "
            "of trials of this workshop, this one's of itself only."
        )
    elif against < 1 - _ALIKE:
        pooled = f"The pooled interval is only {ratio(against)} times as wide."
    else:
        pooled = "The pooled interval is about as wide."
    first = Finding(
        "season.this_trial",
        f"This trial alone says {duration(alone['hours'])} {_hours(alone['low'], alone['high'], season.level)}"
        f"{', in air that it did not meet' if beyond else ''}. {pooled}",
        float(alone["hours"]),
        float(alone["low"]),
        float(alone["high"]),
        "h",
        season.level,
        batches=batches,
        beyond_tried=beyond,
    )
    gain = float(np.log(helped["high"] / helped["low"])) / width
    much = (
        f"{ratio(gain)} times as wide as alone"
        if gain < 1 - _ALIKE
        else "about as wide as alone, since trials differ too much, or this one is known too well, to gain by it"
        if gain < 1 + _ALIKE
        else f"{ratio(gain)} times as wide as alone"
    )
    second = Finding(
        "season.this_trial_helped",
        f"With the others to lean on as far as trials are alike, this trial's own line says "
        f"{duration(helped['hours'])} {_hours(helped['low'], helped['high'], season.level)}: {much}.",
        float(helped["hours"]),
        float(helped["low"]),
        float(helped["high"]),
        "h",
        season.level,
        batches=int(season.trials["batches"].sum()),
        beyond_tried=beyond,
    )
    return [first, second]


def _hours(low: float, high: float, level: float) -> str:
    return f"({percent(level)} interval {duration(low)} to {duration(high)})"


def _chance(chance: float) -> str:
    if chance > 0.99:
        return "more than 99 %"
    return "less than 1 %" if chance < 0.01 else percent(chance)


def air_finding(study: SeasonStudy) -> Finding:
    """How drying follows the air, pooled."""
    season = _pooled(study)
    row = _first(season.table.loc[["slope"]])
    estimate, low, high = (float(2 ** -row[name]) for name in ("estimate", "high", "low"))
    between = ratio_interval(low, high, season.level)
    said = (
        f"In air half as thirsty (half the vapour-pressure deficit), drying takes {ratio(estimate)} times as long, by "
        f"all trials together {between}."
        if low > 1
        else "That thirstier air dries sooner could not be shown, not even by all trials together: in air half as "
        f"thirsty drying took {ratio(estimate)} times as long {between}."
    )
    return Finding(
        "season.air",
        said,
        estimate,
        low,
        high,
        "ratio",
        season.level,
        df=float(row["df"]),
        batches=int(season.trials["batches"].sum()),
    )


def between_finding(study: SeasonStudy) -> Finding:
    """How much trials differ beyond what their batches explain."""
    found = study.between
    if isinstance(found, CannotAnswer):
        return Finding("season.between", str(found))
    trials = len(found.weights)
    middle, low, high = (float(np.exp(tau)) for tau in (found.tau, found.tau_low, found.tau_high))
    span = ratio_interval(low, high, found.level)
    if low > 1.0005:
        said = (
            f"In the same air, the {trials} trials differ by more than their batches explain: by a factor of about "
            f"{ratio(middle)} {span}, within which two trials of three lie from the average. Something that "
            "nobody wrote down, or the recipe, changed between them."
        )
    else:
        said = (
            f"It could not be shown that the {trials} trials differ by more than their batches explain; a factor of "
            f"about {ratio(middle)} from trial to trial {span} fits, so they need not be alike either."
        )
    if trials < FEW:
        said += f" With {trials} trials this is hardly known, and it makes the pooled intervals wide."
    return Finding(
        "season.between",
        said,
        middle,
        low,
        high,
        "factor",
        found.level,
        df=float(found.df),
        batches=_all(study),
    )


def _all(study: SeasonStudy) -> int:
    return sum(line.batches for line in study.lines)


def not_pooled(study: SeasonStudy, reason: CannotAnswer) -> Finding:
    """Why there is no pooled line, and what cannot be known without one."""
    said = (
        f"The trials are not pooled. {reason.why} So it cannot be told whether a new trial would dry like these. "
        f"{reason.would_help}"
    )
    return Finding("season.forecast", said, batches=_all(study))


def assumptions(study: SeasonStudy, standard: Mapping[str, str]) -> list[str]:
    """What is taken for granted, as sentences.

    Parameters
    ----------
    study : SeasonStudy
    standard : mapping of str to str
        Trial to the setting at which its line is taken, in words; empty where it has no factors.
    """
    held = [f"{trial} with {words}" for trial, words in standard.items() if words]
    said = [
        "Earlier trials are taken to have made the same recipe; whatever else changed counts as trials differing."
    ]
    if held:
        said.append(f"A trial that compared things stands here for its standard: {listed(held)}.")
    if isinstance(study.pooled, SeasonLine):
        said += study.pooled.notes
    flat = [line.name for line in study.lines if line.slope is None]
    if flat:
        said.append(f"{listed(flat)} met one air only and says nothing of how drying follows it.")
    return said


def trial_table(study: SeasonStudy, titles: Mapping[str, str]) -> pd.DataFrame:
    """One row a trial with what it says alone, with text cells."""
    rows = []
    for line in study.lines:
        alone = _first(study.alone.loc[[line.name]])
        low, high = line.tried
        row = {
            "trial": f"{line.name}: {titles[line.name]}",
            "batches": str(line.batches),
            "air met, kPa": number(low)
            if number(low) == number(high)
            else f"{number(low)} to {number(high)}",
            "half are dry after": duration(alone["hours"]),
            "95 % interval": f"{duration(alone['low'])} to {duration(alone['high'])}",
            "": "such air not met" if alone["beyond_tried"] else "",
        }
        rows.append(row)
    table = pd.DataFrame(rows)
    return table if table[""].any() else table.drop(columns="")


def drift_findings(study: SeasonStudy, chart: DriftChart) -> list[Finding]:
    """Whether any rule was broken, and where: one finding a signal."""
    points = study.points
    where = f"in air of {number(study.at)} kPa"
    days = count(len(points), "day")
    centre = (
        f"Moved to one air ({number(study.at)} kPa), half the pieces are dry after {duration(chart.centre)} in the middle "
        f"of {days} of making, and a steady workshop would stay between {duration(chart.low)} and "
        f"{duration(chart.high)}."
    )
    if chart.steady:
        centre += f" No day strayed further and no other rule was broken: no drift could be shown in {days}."
    found = [
        Finding(
            "season.drift",
            centre,
            chart.centre,
            chart.low,
            chart.high,
            "h",
            0.997,
            "prediction",
            batches=_all(study),
        )
    ]
    return found + [_signal(signal, points, chart, where) for signal in chart.signals]


def _signal(signal: Signal, points: pd.DataFrame, chart: DriftChart, where: str) -> Finding:
    labels = list(points["label"])
    end, start = labels.index(signal.label), labels.index(signal.since)
    last, first = points.iloc[end], points.iloc[start]
    way = {"above": "slower", "below": "faster", "both": ""}[signal.side]
    if signal.rule == "jump":
        said = (
            f"From {signal.since} to {signal.label}, the dry time {where} jumped from {duration(first['hours'])} to "
            f"{duration(last['hours'])}, further than neighbours differ by chance."
        )
    elif signal.rule == "beyond":
        said = (
            f"{signal.label} dried {way} than the limits allow: {duration(last['hours'])} {where} (limits "
            f"{duration(chart.low)} to {duration(chart.high)})."
        )
    else:
        said = (
            f"From {signal.since} to {signal.label}, every day dried {way} than the middle "
            f"({duration(chart.centre)} {where}): eight or more in a row."
        )
    return Finding(
        f"season.drift[{signal.rule}: {signal.label}]",
        f"{said} {_look_first(signal, points, start, end)}",
        float(last["hours"]),
        chart.low,
        chart.high,
        "h",
        0.997,
        "prediction",
        batches=len(last["runs"]),
    )


def _look_first(signal: Signal, points: pd.DataFrame, start: int, end: int) -> str:
    """What to look at first, from what is known of those days."""
    at = points.iloc[start if signal.rule not in ("beyond", "jump") else end]
    before = points.iloc[end - 1] if signal.rule == "jump" else at
    notes = dict.fromkeys(note for note in (before["note"], at["note"]) if note)
    said = [f"Its notes say: {listed([f'“{note}”' for note in notes])}."] if notes else []
    if signal.rule == "jump" and before["trial"] != at["trial"]:
        said.append(
            f"{at['trial']} and {before['trial']} are different trials: look first at what one had and the other had "
            "not (recipe, sack, mould, shelf, who looked)."
        )
    elif signal.rule == "beyond":
        said.append("Look first at that day's looks and at where the hygrometer stood.")
    elif signal.rule == "jump":
        said.append("Look first at what was new on the later of the two days: a sack, a mould, a shelf.")
    else:
        said.append(
            f"Look first for something that changed about {at['label']} and stayed: a sack, a shelf, the hygrometer's "
            "place, or another trial's recipe."
        )
    return " ".join(said)


def drift_notes(study: SeasonStudy, chart: DriftChart) -> list[str]:
    """What the chart shows and what it cannot."""
    alarms = next(
        (rate for points, rate in FALSE_ALARMS if len(study.points) <= points + 3), FALSE_ALARMS[-1][1]
    )
    said = [
        "A touch check gives a bracket, not a time: the bars are the brackets of each batch's middle piece. The points were "
        "not measured: they are where the model of the trial places the batch's pieces inside their brackets, given all "
        "its other batches. A piece that was never seen dry is placed later than its last look.",
        "The air is taken out by the pooled line and the factors by each trial's own; batches of one day share their day "
        "and make one point.",
        f"A chart says that something changed, never what; with so many points about {alarms} of 100 steady workshops "
        "would set off a rule too.",
    ]
    if isinstance(study.pooled, CannotAnswer):
        said[1] = (
            "The air and the factors are taken out by each trial's own line; batches of one day share their day and make "
            "one point."
        )
    if not study.ordered_by_date:
        said.append(
            "Not every batch has its made_at, so the trials stand one after another, as trial.toml names them."
        )
    return [*said, *chart.warnings]


def methods(study: SeasonStudy) -> str:
    """How the trials were pooled, as a paragraph of Markdown."""
    if isinstance(study.pooled, CannotAnswer) or isinstance(study.between, CannotAnswer):
        return ""
    season = study.pooled
    return (
        "Pooled are the trials' lines of log dry time on log vapour-pressure deficit, weighted by how surely each is known "
        "and by how much trials differ (random effects by restricted maximum likelihood; intervals by t with trials less "
        "one degrees of freedom after Hartung and Knapp, never narrower than the trials' own errors allow). "
        f"{_share(study.between)} For a new trial, and for a trial that leans on the others, every size of "
        f"difference between trials is weighed by how well it fits. Levels are compared at {number(season.at)} kPa."
    )


def _share(found: Pooled) -> str:
    return (
        f"Of the variance between the trials' levels, {percent(found.i2)} is not their own uncertainty (I²)."
    )
