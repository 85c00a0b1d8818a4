"""The drying part of a report: a trial in, the pieces that a notebook shows out.

Nothing is computed here that a study does not already hold.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np
import pandas as pd

from fizzlab.errors import CannotAnswer
from fizzlab.models.cure import DryingStudy, brackets, seen_order, study_touch
from fizzlab.models.terms import ALL, Category, Term, grouping, level_name
from fizzlab.report.analysis import Analysed
from fizzlab.report.figures import drying as drawn
from fizzlab.report.findings import Finding
from fizzlab.report.page import Findings, Grid, Notes, Picture
from fizzlab.report.parts.general import SAFETY, Pieces
from fizzlab.report.phrases import count, duration, listed, number, percent
from fizzlab.report.phrases import drying as worded
from fizzlab.trial.folder import Trial


@dataclass(frozen=True)
class Drying:
    """What the touch checks say, with every finding made once and shown in several places."""

    study: DryingStudy
    effects: list[Finding]
    forecast: pd.DataFrame
    forecasts: list[Finding]
    needed: list[Finding]


Dried = Drying | CannotAnswer | None

HOW_TO_READ = (
    "*A 95 % interval holds the values that fit the readings; in the long run 95 of 100 such intervals hold the truth. "
    "A typical batch is the middle one; the next may stray from it.*"
)

EFFECT_CAPTION = (
    "How much longer or shorter drying takes. Degrees of freedom: how many batches, in effect, the interval rests on. "
    "p: how often chance alone would show so great a difference. Each line is judged by itself"
)


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
        worded.forecast_findings(study, forecast),
        _needed(trial, study),
    )


def _forecast_air(trial: Trial) -> tuple[float, float] | None:
    point = trial.settings.drying.forecast_air
    return None if point is None else (point.temp_c, point.rh_pct)


def _needed(trial: Trial, study: DryingStudy) -> list[Finding]:
    if not study.air_matters:
        return []
    wanted = trial.settings.drying
    temp = _temp(trial, study)
    try:
        found = study.needed(max(wanted.shares), wanted.night_hours)
    except CannotAnswer as reason:
        return [Finding("dry_time.needed", spoken(str(reason), trial), batches=study.fit.n_batches)]
    return worded.needed_findings(study, found, temp)


def answer(trial: Trial, dried: Dried, changed: Analysed | None = None) -> Pieces:
    """The answer in a few sentences, and the figure that shows it.

    Where `changed` has told what the factors did, this is about dry times, and does not tell it again.
    """
    told = changed is not None and bool(changed.effects)
    if told and dried is None:
        return []
    pieces: Pieces = ["## How soon pieces dry" if told else "## The answer"]
    if dried is None:
        return [*pieces, "There are no touch checks, so this report says nothing about dry times."]
    if isinstance(dried, CannotAnswer):
        why = spoken(dried.why, trial)
        return [
            *pieces,
            Notes([f"No dry times can be given. {why}", *_what_was_seen(trial)], "caution"),
            _brackets(trial),
        ]
    study = dried.study
    where = worded.air_words(study, _forecast_air(trial))
    first = worded.soonest(study)
    shown = [
        *([first] if first else []),
        *(worded.air_findings(study) if told else dried.effects),
        worded.forecast_summary(study, dried.forecast, where),
    ]
    pieces += [Findings(shown), Findings(dried.forecasts, kind="silent"), HOW_TO_READ]
    pieces.append(
        _by_air(trial, study) if study.grouped_by is None and study.has_vpd else _dry_curves(trial, study)
    )
    return pieces


def _looked_at(trial: Trial) -> tuple[pd.DataFrame, Term | None]:
    """The brackets of the trial with the level of each batch, whether or not they carry a fit."""
    factor = grouping(trial.settings.terms())
    pieces = brackets(trial.rows("touch_checks"))
    if factor is None:
        return pieces.assign(level=ALL), None
    levels = trial.batches()[factor.name].map(lambda value: level_name(factor, value))
    return pieces.assign(level=pieces["run"].map(levels)), factor


def _what_was_seen(trial: Trial) -> list[str]:
    """The plain count of what the looks showed, where nothing can be fitted."""
    pieces, factor = _looked_at(trial)
    named = list(factor.levels) if isinstance(factor, Category) else []
    seen = [str(level) for level in pieces["level"].unique()]
    said = []
    for level in sorted(seen, key=lambda level: named.index(level) if level in named else len(named)):
        part = pieces[pieces["level"] == level]
        dry = part[np.isfinite(part["upper"])]
        wet = part[~np.isfinite(part["upper"])]
        name = "" if level == ALL else f"{level}: "
        words = []
        if len(dry):
            words.append(
                f"{len(dry)} of {count(len(part), 'piece')} were seen to become dry, between "
                f"{duration(float(dry['lower'].min()))} and {duration(float(dry['upper'].max()))}"
            )
        if len(wet):
            latest = duration(float(wet["lower"].max()))
            words.append(
                f"{len(wet)} of {count(len(part), 'piece')} were still wet at the last look ({latest})"
            )
        said.append(f"{name}{listed(words)}.")
    if isinstance(factor, Category):
        said += [worded.order_words(each) for each in seen_order(pieces, trial.batches(), factor)]
    return said


def _brackets(trial: Trial) -> Picture:
    pieces, factor = _looked_at(trial)
    label = trial.settings.label(factor.name) if factor is not None else ""
    return Picture(
        "dry-brackets",
        drawn.bracket_chart(pieces, label),
        "Every piece: the line runs from its last wet look to its first dry one (marked); an arrow was never seen dry.",
        f"The brackets of {count(len(pieces), 'piece')}: " + " ".join(_what_was_seen(trial)),
    )


def spoken(text: str, trial: Trial) -> str:
    """A sentence with the names of columns replaced by what the maker calls them."""
    for name in trial.settings.factors:
        text = text.replace(name, trial.settings.label(name))
    text = text.replace("log vpd_kpa", "the room's air").replace("vpd_kpa", "vapour-pressure deficit")
    return re.sub(r"(^|[.:] )the room's air", r"\1The room's air", text)


def next_steps(trial: Trial, dried: Dried) -> Pieces:
    """What to do next."""
    if dried is None:
        lines = ["Touch the pieces of the next batches at set hours, and write down which are dry."]
    elif isinstance(dried, CannotAnswer):
        lines = [spoken(dried.would_help, trial) + _when_they_dried(trial)]
    else:
        lines = worded.next_steps(dried.study, dried.effects, trial.settings.label)
    return ["## What to do next", Notes(lines, "next")]


def _when_they_dried(trial: Trial) -> str:
    """The hours to look in, where the looks so far tell them."""
    pieces, _ = _looked_at(trial)
    seen = pieces[np.isfinite(pieces["upper"]) & (pieces["lower"] > 0)]
    if seen.empty:
        return ""
    first, last = float(seen["lower"].min()), float(seen["upper"].max())
    return f" So far they became dry between {duration(first)} and {duration(last)}."


def cautions(trial: Trial, dried: Dried) -> Pieces:
    """What limits the answer, and what can hurt."""
    lines = (
        [spoken(line, trial) for line in worded.cautions(dried.study, trial.settings.label)]
        if isinstance(dried, Drying)
        else []
    )
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
        pieces.append(Grid(worded.effect_table(study, trial.settings.label), EFFECT_CAPTION))
    where = worded.air_words(study, _forecast_air(trial))
    if study.least_df >= worded.FEW_DF:
        table = worded.forecast_table(study, dried.forecast, trial.settings.label)
        pieces.append(Grid(table, f"Hours until dry {where}".strip()))
    if not study.has_vpd:
        return pieces
    if not study.air_matters:
        unknown = (
            "These batches do not show how the air matters, so no limit of humidity and no chart are given."
        )
        return [*pieces, "### Humidity", unknown]
    share, temp = max(wanted.shares), _temp(trial, study)
    damp = study.at_humidities(temp, (50.0, 60.0, 70.0, 80.0, 90.0), share)
    pieces += [
        "### As the room gets damper",
        Grid(worded.humidity_table(study, damp), _damp_caption(study, share, temp)),
    ]
    if dried.needed:
        pieces += [
            f"### Ready after a night of {wanted.night_hours:g} h?",
            Findings(dried.needed, kind="plain"),
        ]
    return [*pieces, "### For the wall", _chart(trial, study)]


def _temp(trial: Trial, study: DryingStudy) -> float:
    point = _forecast_air(trial)
    return point[0] if point else float(round(float(study.batches["temp_c"].median())))


def _damp_caption(study: DryingStudy, share: float, temp_c: float) -> str:
    group = study.grouped_by
    level = f" with {level_name(group, study.typical[group.name])}" if group is not None else ""
    return f"Hours until {percent(share)} of the pieces{level} are dry, at {temp_c:g} °C"


def methods(trial: Trial, dried: Dried) -> Pieces:
    """How it was worked out, and whether the readings look as the method assumes."""
    if not isinstance(dried, Drying):
        return []
    return [
        "## How it was worked out, for the curious",
        worded.methods(dried.study, trial.settings.label),
        "### Does the model fit?",
        _residuals(dried.study),
    ]


def readings(trial: Trial, dried: Dried) -> Pieces:
    """The batches with their air, and how their pieces dried, as a table."""
    if not isinstance(dried, Drying):
        return []
    return [
        Grid(
            worded.batch_table(dried.study, trial.settings.label),
            "The batches, the air they dried in, and when their pieces dried",
        )
    ]


def _dry_curves(trial: Trial, study: DryingStudy) -> Picture:
    curves = study.curves()
    label = _group_label(trial, study)
    middle = curves[curves["share"] == 0.5]
    ends = listed([f"{row['level']} {duration(row['hours'])}" for row in middle.to_dict("records")])
    where = worded.air_words(study, _forecast_air(trial))
    arrow = "; an arrow was never seen dry" if np.isinf(study.brackets["upper"]).any() else ""
    return Picture(
        "dry-curves",
        drawn.dry_curves(study.brackets, curves, label),
        f"Above, the fitted share of pieces that is dry{' ' if where else ''}{where}. Below, every piece: the line runs "
        f"from its last wet look to its first dry one (marked){arrow}.",
        f"Curves of the share of dry pieces against hours, and the bracket of each piece. Half are dry at: {ends}.",
    )


def _by_air(trial: Trial, study: DryingStudy) -> Picture:
    line = study.line()
    label = _group_label(trial, study)
    band = (
        "dark band: where the typical batch lies; light band: where a new batch will lie"
        if study.grouped_by is None
        else "bands: where the typical batch of each lies"
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
        drawn.dry_chart(chart, share, wanted.night_hours, with_level),
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
