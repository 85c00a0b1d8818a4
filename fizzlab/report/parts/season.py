"""Across trials: the trials that `[earlier]` names, pooled with this one, and drift over them.

What is needed for it is imported where it is used: most trials stand alone.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import pandas as pd

from fizzlab.errors import CannotAnswer
from fizzlab.models import air
from fizzlab.models.cure import DryingStudy, study_touch
from fizzlab.models.terms import level_name
from fizzlab.report.page import Findings, Grid, Notes, Picture
from fizzlab.report.parts.drying import Dried, Drying, spoken
from fizzlab.report.parts.general import Pieces, plain
from fizzlab.report.phrases import count, duration, listed, number
from fizzlab.trial.folder import Passed, Trial

if TYPE_CHECKING:
    from fizzlab.models.cure.season_study import SeasonStudy
    from fizzlab.models.drift import DriftChart

VPD = "vpd_kpa"


@dataclass(frozen=True)
class Across:
    """What this trial and the earlier ones say together.

    Attributes
    ----------
    study : SeasonStudy or CannotAnswer
    trials : mapping of str to Trial
        Those in it, by the name used for them, in the order of making.
    own : str
        The name of the trial that is reported on; empty where it says nothing of dry times.
    standard : mapping of str to str
        The setting of the factors that each trial's line is for, in words.
    passed : tuple of Passed
        Trials that are not counted, and why.
    earlier : bool
        Is there any earlier trial at all?
    """

    study: SeasonStudy | CannotAnswer
    trials: Mapping[str, Trial]
    own: str
    standard: Mapping[str, str]
    passed: tuple[Passed, ...]
    earlier: bool


def across_trials(trial: Trial, dried: Dried) -> Across | None:
    """Set a trial beside the earlier ones; None where trial.toml names none."""
    if trial.settings.earlier is None:
        return None
    from fizzlab.models.cure.season_study import study_season

    passed = list(trial.passed)
    trials: dict[str, Trial] = {}
    studies: dict[str, DryingStudy] = {}
    own = ""
    for each in _in_order([*trial.earlier, trial]):
        name = _name(each, trials)
        found = _studied(each, dried if each is trial else None, trial)
        if isinstance(found, CannotAnswer):
            passed.append(Passed(name if each is not trial else "this trial", spoken(found.why, each)))
            continue
        trials[name], studies[name] = each, found
        own = name if each is trial else own
    standard = {name: _standard(trials[name], study) for name, study in studies.items()}
    asked = _asked(trial, studies.get(own))
    study: SeasonStudy | CannotAnswer
    try:
        study = study_season(studies, asked=asked)
    except CannotAnswer as reason:
        study = reason
    return Across(study, trials, own, standard, tuple(passed), bool(trial.earlier))


def _in_order(trials: list[Trial]) -> list[Trial]:
    """By the first date of making where every trial has one; this trial, the last, stays last if not."""
    first = [trial.rows("runs")["made_at"].min() for trial in trials]
    if any(pd.isna(date) for date in first):
        return trials
    return [trial for _, trial in sorted(zip(first, trials, strict=True), key=lambda pair: pair[0])]


def _name(trial: Trial, taken: Mapping[str, Trial]) -> str:
    """The trial's code; where another has the same, with its folder."""
    code = trial.settings.code
    name, number = code, 1
    while name in taken:
        number += 1
        name = f"{code} ({trial.folder.name}{'' if number == 2 else f', {number}'})"
    return name


def _studied(each: Trial, dried: Dried, asker: Trial) -> DryingStudy | CannotAnswer:
    """The drying of one trial over the vapour-pressure deficit, or why it cannot be set beside others."""
    if isinstance(dried, CannotAnswer):
        return dried
    if isinstance(dried, Drying) and each.settings.drying.air == "vpd":
        study = dried.study
    elif not each.has("touch_checks"):
        return CannotAnswer("It has no touch checks.", "Touch the pieces at set hours.")
    else:
        try:
            study = study_touch(
                each.rows("runs"),
                each.rows("touch_checks"),
                each.rows("weighings"),
                each.rows("room_log"),
                each.settings.terms(),
                distribution=asker.settings.drying.distribution,
            )
        except CannotAnswer as reason:
            return reason
    if VPD not in study.batches:
        return CannotAnswer(
            "The air of its batches is not known, so it cannot be set beside the others.",
            "Keep a room log while pieces dry.",
        )
    return study


def _standard(trial: Trial, study: DryingStudy) -> str:
    """The setting that a trial's line is for, in words."""
    terms = [term for term in study.fit.terms if term not in study.air]
    said = []
    for term in terms:
        level = level_name(term, study.typical[term.name])
        said.append(f"{trial.settings.label(term.name)} {level}")
    return listed(said)


def _asked(trial: Trial, study: DryingStudy | None) -> float | None:
    point = trial.settings.drying.forecast_air
    if point is not None:
        return float(air.vapour_pressure_deficit_kpa(point.temp_c, point.rh_pct))
    return None if study is None else float(study.batches[VPD].median())


def _where(trial: Trial, across: Across) -> str:
    """The air that is forecast for, in words."""
    point = trial.settings.drying.forecast_air
    if point is not None:
        return f"at {point.temp_c:g} °C and {point.rh_pct:g} % humidity"
    if isinstance(across.study, CannotAnswer):
        return ""
    if not across.own:
        return f"in the middle air of all trials (a deficit of {number(across.study.asked)} kPa)"
    return f"in the air of this trial's middle batch (a deficit of {number(across.study.asked)} kPa)"


def season(trial: Trial, dried: Dried) -> Pieces:
    """The whole section; nothing where trial.toml names no earlier trials."""
    across = across_trials(trial, dried)
    if across is None:
        return []
    return [*pooled(trial, across), *drift(across), *not_counted(across), *season_methods(across)]


def pooled(trial: Trial, across: Across | None) -> Pieces:
    """The pooled forecast beside the trial's own, how much trials differ, and the picture."""
    from fizzlab.report.phrases import season as worded

    pieces: Pieces = ["## Across trials"]
    if across is None:
        return [*pieces, "This trial names no earlier ones. Name them in trial.toml, under \\[earlier\\]."]
    if not across.earlier:
        return [*pieces, "There is no earlier trial yet that this one could be set beside."]
    study = across.study
    if isinstance(study, CannotAnswer):
        return [*pieces, Notes([f"No trial can be set beside another. {study}"], "caution")]
    where, wanted = _where(trial, across), trial.settings.drying
    if isinstance(study.pooled, CannotAnswer):
        pieces.append(Findings([worded.not_pooled(study, study.pooled)], "caution"))
    else:
        share = max(wanted.shares)
        told = worded.forecast_findings(study, across.own, where)
        expected = worded.new_batch_findings(study, share, wanted.night_hours)
        pieces.append(Findings([*told, worded.between_finding(study), *expected, worded.air_finding(study)]))
    titles = {name: each.settings.title for name, each in across.trials.items()}
    caption = f"What each trial says by itself of half the pieces of a typical batch, {where}"
    return [
        *pieces,
        _lines(study),
        Grid(worded.trial_table(study, titles), caption),
        Notes(worded.assumptions(study, across.standard)),
    ]


def _lines(study: SeasonStudy) -> Picture:
    from fizzlab.report.figures.season import season_lines

    joined = not isinstance(study.pooled, CannotAnswer)
    bands = (
        " Thick: the pooled line, dotted where no trial met such air; dark band: where it lies; light band: where the line "
        "of a new trial will lie (95 %)."
        if joined
        else ""
    )
    line = study.line() if joined else None
    low, high = study.tried
    ends = "" if line is None else f" The pooled line runs {_ends(line)}."
    return Picture(
        "season-lines",
        season_lines(study.batches, study.own_lines(), line, study.asked),
        "Each point is a batch as the model of its trial sees it, for the standard recipe; thin, its trial's own line."
        f"{bands} The upright line marks the air that is forecast for.",
        f"Hours until half the pieces are dry against the vapour-pressure deficit, {number(low)} to {number(high)} kPa, "
        f"with a line for each of {count(len(study.lines), 'trial')}.{ends}",
    )


def _ends(line: pd.DataFrame) -> str:
    tried = line[~line["beyond_tried"]]
    return f"from {duration(tried['typical'].iloc[0])} to {duration(tried['typical'].iloc[-1])}"


def drift(across: Across | None) -> Pieces:
    """The chart of days in the order of making, and what broke a rule."""
    from fizzlab.report.phrases import season as worded

    if across is None or not across.earlier or isinstance(across.study, CannotAnswer):
        return []
    study = across.study
    pieces: Pieces = ["### Does the workshop drift?"]
    if isinstance(study.drift, CannotAnswer):
        return [*pieces, Notes([f"There is no chart of the days. {study.drift}"], "caution")]
    return [
        *pieces,
        Findings(worded.drift_findings(study, study.drift), "plain"),
        _days(study, study.drift),
        Notes(worded.drift_notes(study, study.drift)),
    ]


def _days(study: SeasonStudy, chart: DriftChart) -> Picture:
    from fizzlab.report.figures.season import drift_days

    days = count(len(study.points), "day")
    broken = listed(list(dict.fromkeys(str(signal.label) for signal in chart.signals))) or "none"
    arrow = " An arrow was never seen dry." if (study.batches["adjusted_high"] == float("inf")).any() else ""
    return Picture(
        "drift-days",
        drift_days(chart, study.points, study.batches, _ticks(study)),
        f"Above: a point a day (the model's value), a bar a batch (the bracket of its middle piece), the middle and the "
        f"limits.{arrow} Below: each day against the one before, the longer over the shorter. A red ring: a rule was broken.",
        f"Control chart of {days} of making; rules broken at: {broken}.",
    )


def _ticks(study: SeasonStudy) -> list[str]:
    """A date under every few points, or their numbers where dates are not known."""
    step = -(-len(study.points) // 7)
    texts = (
        [f"{date.day} {date:%b}" for date in study.points["first"]]
        if study.ordered_by_date
        else [str(i + 1) for i in range(len(study.points))]
    )
    return [text if i % step == 0 else "" for i, text in enumerate(texts)]


def not_counted(across: Across | None) -> Pieces:
    """The trials that are not in it, and why."""
    if across is None or not across.passed:
        return []
    rows = pd.DataFrame({"trial": [p.name for p in across.passed], "why": [p.why for p in across.passed]})
    return ["### Trials that are not counted", Grid(rows)]


def season_methods(across: Across | None) -> Pieces:
    """How it was worked out, in a paragraph."""
    from fizzlab.report.phrases import season as worded

    if across is None or isinstance(across.study, CannotAnswer):
        return []
    said = worded.methods(across.study)
    return [f"*{plain(said)}*"] if said else []
