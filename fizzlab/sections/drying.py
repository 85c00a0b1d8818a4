"""The drying part of a report: a trial in, the pieces that a notebook shows out.

Nothing is computed here that a study does not already hold.
"""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from fizzlab.cure import DryingStudy, level_name, study_touch
from fizzlab.findings import Finding
from fizzlab.page import Findings, Grid, Notes, Picture
from fizzlab.plots import drying as drawn
from fizzlab.problems import CannotAnswer
from fizzlab.sections.general import SAFETY, Pieces
from fizzlab.trial import Trial
from fizzlab.wording import count, duration, listed, number, percent
from fizzlab.wording import drying as worded


@dataclass(frozen=True)
class Drying:
    """What the touch checks say, with every finding made once and shown in several places."""

    study: DryingStudy
    effects: list[Finding]
    forecast: pd.DataFrame
    forecasts: list[Finding]
    needed: list[Finding]


Dried = Drying | CannotAnswer | None


def drying(trial: Trial) -> Dried:
    """Analyse the touch checks; the reason where they carry no numbers; None where there are none."""
    if not trial.has("touch_checks"):
        return None
    wanted = trial.settings.drying
    try:
        study = study_touch(
            trial.rows("runs"),
            trial.rows("touch_checks"),
            trial.rows("weighings"),
            trial.rows("room_log"),
            trial.settings.terms(),
            air_model=wanted.air,
            distribution=wanted.distribution,
            forecast_air=_forecast_air(trial),
        )
    except CannotAnswer as reason:
        return reason
    forecast = study.forecast(wanted.shares)
    return Drying(
        study,
        worded.effect_findings(study, trial.settings.label),
        forecast,
        worded.forecast_findings(study, forecast, worded.air_words(study, _forecast_air(trial))),
        _needed(trial, study),
    )


def _forecast_air(trial: Trial) -> tuple[float, float] | None:
    point = trial.settings.drying.forecast_air
    return None if point is None else (point.temp_c, point.rh_pct)


def _needed(trial: Trial, study: DryingStudy) -> list[Finding]:
    if not study.has_vpd:
        return []
    wanted = trial.settings.drying
    point = _forecast_air(trial)
    temp = point[0] if point else round(float(study.batches["temp_c"].median()))
    try:
        found = study.needed(max(wanted.shares), wanted.night_hours)
    except CannotAnswer as reason:
        return [Finding("dry_time.needed", str(reason), batches=study.fit.n_batches)]
    return worded.needed_findings(study, found, temp)


def answer(trial: Trial, dried: Dried) -> Pieces:
    """The answer in a few sentences, and the figure that shows it."""
    pieces: Pieces = ["## The answer"]
    if dried is None:
        return [*pieces, "There are no touch checks, so this report says nothing about dry times."]
    if isinstance(dried, CannotAnswer):
        return [*pieces, Notes([f"No dry times can be given. {dried}"], "caution")]
    study = dried.study
    soon = dried.forecasts
    if study.grouped_by is not None:
        where = worded.air_words(study, _forecast_air(trial))
        soon = [worded.forecast_summary(study, dried.forecast, where)]
    pieces.append(Findings([*dried.effects, *soon]))
    pieces.append(
        _by_air(trial, study) if study.grouped_by is None and study.has_vpd else _dry_curves(trial, study)
    )
    return pieces


def next_steps(dried: Dried) -> Pieces:
    """What to do next."""
    if dried is None:
        lines = ["Touch the pieces of the next batches at set hours, and write down which are dry."]
    elif isinstance(dried, CannotAnswer):
        lines = [dried.would_help]
    else:
        lines = worded.next_steps(dried.study, dried.effects)
    return ["## What to do next", Notes(lines, "next")]


def cautions(trial: Trial, dried: Dried) -> Pieces:
    """What limits the answer, and what can hurt."""
    lines = worded.cautions(dried.study) if isinstance(dried, Drying) else []
    if trial.doubts:
        lines.append(f"The readings raise {count(len(trial.doubts), 'doubt')}, listed below.")
    if not trial.left_out().empty:
        lines.append("Some rows were left out, listed below with the reason.")
    return ["## Cautions", Notes([*lines, *SAFETY], "caution")]


def dry_times(trial: Trial, dried: Dried) -> Pieces:
    """Dry times in full: the other figures, the forecasts, the chart for the wall."""
    if not isinstance(dried, Drying):
        return []
    study, wanted = dried.study, trial.settings.drying
    pieces: Pieces = ["## Dry time in detail"]
    if study.has_vpd:
        pieces.append(_dry_curves(trial, study) if study.grouped_by is None else _by_air(trial, study))
    if len(study.fit.estimates) > 1:
        pieces.append(Grid(worded.effect_table(study), "How much longer or shorter drying takes"))
    where = worded.air_words(study, _forecast_air(trial))
    pieces.append(Grid(worded.forecast_table(study, dried.forecast), f"Hours until dry {where}".strip()))
    if study.grouped_by is not None:
        pieces.append(Findings(dried.forecasts, kind="plain"))
    if dried.needed:
        pieces += [
            f"### Ready after a night of {wanted.night_hours:g} h?",
            Findings(dried.needed, kind="plain"),
        ]
    if study.has_vpd:
        pieces += ["### For the wall", _chart(trial, study)]
    return pieces


def methods(trial: Trial, dried: Dried) -> Pieces:
    """How it was worked out, and whether the readings look as the method assumes."""
    if not isinstance(dried, Drying):
        return []
    return [
        "## How it was worked out",
        worded.methods(dried.study, trial.settings.label),
        "### Does the model fit?",
        _residuals(dried.study),
    ]


def readings(dried: Dried) -> Pieces:
    """The batches with their air, and how their pieces dried, as a table."""
    if not isinstance(dried, Drying):
        return []
    return [
        Grid(
            worded.batch_table(dried.study), "The batches, the air they dried in, and when their pieces dried"
        )
    ]


def _dry_curves(trial: Trial, study: DryingStudy) -> Picture:
    curves = study.curves()
    label = _group_label(trial, study)
    middle = curves[curves["share"] == 0.5]
    ends = listed([f"{row['level']} {duration(row['hours'])}" for row in middle.to_dict("records")])
    where = worded.air_words(study, _forecast_air(trial))
    return Picture(
        "dry-curves",
        drawn.dry_curves(study.brackets, curves, label),
        f"Above, the share of pieces that is dry {where}, as fitted. Below, every piece: the line runs from its last "
        "wet look to its first dry one (marked); an arrow was never seen dry.",
        f"Curves of the share of dry pieces against hours, and the bracket of each piece. Half are dry at: {ends}.",
    )


def _by_air(trial: Trial, study: DryingStudy) -> Picture:
    line = study.line()
    label = _group_label(trial, study)
    band = "dark band: where the typical batch lies" + (
        "; light band: where a new batch will lie" if study.grouped_by is None else ""
    )
    ends = study.batches["vpd_kpa"]
    return Picture(
        "dry-time-by-air",
        drawn.dry_time_by_air(study.brackets, line, label),
        f"Dry time against how thirsty the air was. Upright lines are the brackets of the pieces; {band} (95 %).",
        "Hours until half the pieces are dry fall as the vapour-pressure deficit rises from "
        f"{number(ends.min())} to {number(ends.max())} kPa: {_ends_in_words(line)}.",
    )


def _ends_in_words(line: pd.DataFrame) -> str:
    parts = []
    for level, part in line[line["tried"]].groupby("level", sort=False):
        parts.append(f"{level} from {duration(part['hours'].iloc[0])} to {duration(part['hours'].iloc[-1])}")
    return listed(parts)


def _chart(trial: Trial, study: DryingStudy) -> Picture:
    wanted = trial.settings.drying
    share = max(wanted.shares)
    chart = study.chart(share)
    group = study.grouped_by
    with_level = f" with {level_name(group, study.typical[group.name])}" if group is not None else ""
    tried = chart[chart["tried"]]
    span = (
        f"In the air that was tried they run from {duration(tried['hours'].min())} to "
        f"{duration(tried['hours'].max())}."
        if len(tried)
        else "None of it was tried."
    )
    return Picture(
        "dry-time-chart",
        drawn.dry_chart(chart, share, wanted.night_hours),
        f"Find the room's temperature below and its humidity on the left; the lines give the hours until "
        f"{percent(share)} of the pieces of a typical batch{with_level} are dry. Where it is hatched, no batch was "
        "tried.",
        f"Chart of hours until {percent(share)} of the pieces are dry over room temperature and relative humidity. "
        + span,
    )


def _residuals(study: DryingStudy) -> Picture:
    table = study.residuals()
    return Picture(
        "residual-check",
        drawn.residual_check(table),
        "Each point is a batch: how far it dried from what the model expects, against how far chance alone would "
        "put it. Points near the line are as they should be; a named one is worth a look at the notes.",
        f"Residuals of {len(table)} batches against the line expected by chance; the farthest lies "
        f"{number((table['observed'] - table['expected']).abs().max())} standard deviations off it.",
    )


def _group_label(trial: Trial, study: DryingStudy) -> str:
    return "" if study.grouped_by is None else trial.settings.label(study.grouped_by.name)
