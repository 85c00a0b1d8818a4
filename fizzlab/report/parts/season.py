"""Across trials: the trials that `[earlier]` names, pooled with this one, and drift over them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import pandas as pd

from fizzlab.errors import CannotAnswer
from fizzlab.models.air import vapour_pressure_deficit
from fizzlab.models.curing import VPD, CuringFit, study_touch
from fizzlab.models.season import SeasonStudy, study_season
from fizzlab.models.terms import level_name
from fizzlab.report.analysis import Analysed
from fizzlab.report.figures.season import drift_days, season_lines
from fizzlab.report.page import Findings, Grid, Notes, Picture
from fizzlab.report.parts.drying import dried, spoken
from fizzlab.report.parts.general import Pieces, plain
from fizzlab.report.phrases import count, duration, listed
from fizzlab.report.phrases import season as worded
from fizzlab.trial.folder import Passed, Trial


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
            passed.append(Passed("this trial" if each is trial else name, spoken(reason.why, each)))
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
    study = study_season(fits, asked=asked) if fits else None
    return Across(study, trials, own, standard, tuple(passed))


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


def _fit(each: Trial, done: Analysed) -> CuringFit:
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


def season(done: Analysed) -> Pieces:
    """The pooled forecast and the chart of the days; nothing where trial.toml names no earlier trials."""
    trial = done.trial
    if trial.settings.earlier is None:
        return []
    across = across_trials(done)
    study, pieces = across.study, ["## Across trials"]
    if study is None or not trial.earlier:
        told: Pieces = ["There is no earlier trial yet that this one can be set beside."]
    else:
        told = [*_pooled(trial, across, study), *_drift(study)]
    if across.passed:
        names, reasons = ([getattr(each, part) for each in across.passed] for part in ("name", "why"))
        table = pd.DataFrame({"trial": names, "why": reasons})
        told += ["### Trials that are not counted", Grid(table)]
    return [*pieces, *told]


def _pooled(trial: Trial, across: Across, study: SeasonStudy) -> Pieces:
    """The pooled forecast beside the trial's own, how much trials differ, the picture, and how it was done."""
    fit, wanted = study.fit, trial.settings.drying
    where = worded.where(study, trial, bool(across.own))
    titles = {name: each.settings.title for name, each in across.trials.items()}
    trials, bands, ends = count(len(study.lines), "trial"), "", ""
    if fit is None:
        head: Pieces = [Findings([worded.not_pooled(study, study.reasons["fit"])], "caution")]
    else:
        told = worded.forecast_findings(study, fit, across.own, where, max(wanted.shares), wanted.night_hours)
        head = [Findings([*told, worded.between_finding(fit), worded.air_finding(fit)])]
        bands = " Thick: the pooled line with its band (light: a new trial's line; 95 %), dotted in air that no trial met."
        hours = fit.predict({VPD: list(fit.tried)})["estimate"]
        ends = f" The pooled line runs from {duration(hours[0])} to {duration(hours[1])}."
    return [
        *head,
        Picture(
            "season-lines",
            season_lines(study),
            f"A point a batch, for the standard recipe; thin, its trial's own line.{bands} Upright: the air asked for.",
            f"Hours until half the pieces are dry against the vapour-pressure deficit, for {trials}.{ends}",
        ),
        Grid(
            worded.trial_table(study, titles),
            f"What each trial says by itself of half the pieces of a typical batch, {where}",
        ),
        Notes(worded.assumptions(study, across.standard)),
        None if fit is None else f"*{plain(worded.methods(fit))}*",
    ]


def _drift(study: SeasonStudy) -> Pieces:
    """The chart of days in the order of making, and what broke a rule."""
    pieces: Pieces = ["### Does the workshop drift?"]
    if study.drift is None:
        return [*pieces, Notes([f"There is no chart of the days. {study.reasons['drift']}"], "caution")]
    broken = listed(list(dict.fromkeys(str(signal.label) for signal in study.drift.signals))) or "none"
    picture = Picture(
        "drift-days",
        drift_days(study),
        "Above: a point a day, a bar a batch (the bracket of its middle piece; an arrow was never seen dry), the middle and the "
        "limits. Below: each day against the one before. A red ring: a rule was broken.",
        f"Control chart of {count(len(study.points), 'day')} of making; rules broken at: {broken}.",
    )
    told = Findings(worded.drift_findings(study, study.drift), "plain")
    return [*pieces, told, picture, Notes(worded.drift_notes(study))]
