"""The sections of a report: a trial or a study in, the pieces that a notebook shows out.

Each function gives the pieces of one section in reading order; a notebook cell shows them. Nothing is
computed here that a study does not already hold.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import pandas as pd

from fizzlab import records
from fizzlab.cure import DryingStudy, level_name, study_touch
from fizzlab.findings import Finding
from fizzlab.page import Findings, Grid, Notes, Picture
from fizzlab.plots import drying as drawn
from fizzlab.problems import CannotAnswer
from fizzlab.tables import SPECS
from fizzlab.trial import Trial
from fizzlab.wording import count, duration, listed, number, percent
from fizzlab.wording import drying as worded

Pieces = list[object]

#: Said in every report, where the trial is read: what can hurt.
SAFETY = (
    "Acid and pigment dust hurt eyes and lungs; alcohol burns; oil makes a tub slippery.",
    "Use only colours allowed on skin where you live. Local cosmetic rules and a qualified safety assessor "
    "decide what may be sold; this report does not.",
)


def opening(trial: Trial) -> Pieces:
    """Title, question, and what was made when."""
    settings, runs = trial.settings, trial.rows("runs")
    made = runs["made_at"].dropna()
    when = f", made {made.min():%d %b %Y} to {made.max():%d %b %Y}" if len(made) else ""
    who = f" by {settings.made_by}" if settings.made_by else ""
    days = runs["day"].nunique()
    line = f"{count(len(runs), 'batch', 'batches')} on {count(days, 'day')}{when}{who}."
    return [f"# {_plain(settings.title)}\n\n> {_plain(settings.question)}\n\n{_plain(line)}"]


def touch_study(trial: Trial) -> DryingStudy | CannotAnswer | None:
    """The study of the touch checks; the reason where they carry no numbers; None where there are none."""
    if not trial.has("touch_checks"):
        return None
    drying = trial.settings.drying
    try:
        return study_touch(
            trial.rows("runs"),
            trial.rows("touch_checks"),
            trial.rows("weighings"),
            trial.rows("room_log"),
            trial.settings.terms(),
            air_model=drying.air,
            distribution=drying.distribution,
            forecast_air=_forecast_air(trial),
        )
    except CannotAnswer as reason:
        return reason


def _forecast_air(trial: Trial) -> tuple[float, float] | None:
    point = trial.settings.drying.forecast_air
    return None if point is None else (point.temp_c, point.rh_pct)


@dataclass(frozen=True)
class DryAnswer:
    """The findings on dry time, made once and shown in several places."""

    effects: list[Finding]
    forecast: pd.DataFrame
    forecasts: list[Finding]
    needed: list[Finding]


def dry_answer(trial: Trial, study: DryingStudy) -> DryAnswer:
    """Every finding of the touch checks."""
    drying = trial.settings.drying
    forecast = study.forecast(drying.shares)
    where = worded.air_words(study, _forecast_air(trial))
    return DryAnswer(
        worded.effect_findings(study, trial.settings.label),
        forecast,
        worded.forecast_findings(study, forecast, where),
        _needed(trial, study),
    )


def _needed(trial: Trial, study: DryingStudy) -> list[Finding]:
    if not study.has_vpd:
        return []
    drying = trial.settings.drying
    point = _forecast_air(trial)
    temp = point[0] if point else round(float(study.batches["temp_c"].median()))
    try:
        found = study.needed(max(drying.shares), drying.night_hours)
    except CannotAnswer as reason:
        return [Finding("dry_time.needed", str(reason), batches=study.fit.n_batches)]
    return worded.needed_findings(study, found, temp)


def answer(trial: Trial, study: DryingStudy | CannotAnswer | None) -> Pieces:
    """The answer in a few sentences, and the figure that shows it."""
    pieces: Pieces = ["## The answer"]
    if study is None:
        return [*pieces, "There are no touch checks, so this report says nothing about dry times."]
    if isinstance(study, CannotAnswer):
        return [*pieces, Notes([f"No dry times can be given. {study}"], "caution")]
    found = dry_answer(trial, study)
    where = worded.air_words(study, _forecast_air(trial))
    soon = found.forecasts
    if study.grouped_by is not None:
        soon = [worded.forecast_summary(study, found.forecast, where)]
    pieces.append(Findings([*found.effects, *soon]))
    pieces.append(_dry_curves(trial, study) if study.grouped_by is not None else _by_air(trial, study))
    return pieces


def next_steps(trial: Trial, study: DryingStudy | CannotAnswer | None) -> Pieces:
    """What to do next."""
    if study is None:
        lines = ["Touch the pieces of the next batches at set hours, and write down which are dry."]
    elif isinstance(study, CannotAnswer):
        lines = [study.would_help]
    else:
        lines = worded.next_steps(study, worded.effect_findings(study, trial.settings.label))
    return ["## What to do next", Notes(lines, "next")]


def cautions(trial: Trial, study: DryingStudy | CannotAnswer | None) -> Pieces:
    """What limits the answer, and what can hurt."""
    lines = worded.cautions(study) if isinstance(study, DryingStudy) else []
    if trial.doubts:
        lines.append(f"The readings raise {count(len(trial.doubts), 'doubt')}, listed below.")
    if not trial.left_out().empty:
        lines.append("Some rows were left out, listed below with the reason.")
    return ["## Cautions", Notes([*lines, *SAFETY], "caution")]


def dry_times(trial: Trial, study: DryingStudy | CannotAnswer | None) -> Pieces:
    """Dry times in full: the other figures, the forecasts, the chart for the wall."""
    if not isinstance(study, DryingStudy):
        return []
    found = dry_answer(trial, study)
    drying = trial.settings.drying
    pieces: Pieces = ["## Dry time in detail"]
    if study.grouped_by is not None and study.has_vpd:
        pieces.append(_by_air(trial, study))
    elif study.grouped_by is None:
        pieces.append(_dry_curves(trial, study))
    pieces.append(Grid(worded.effect_table(study), "How much longer or shorter drying takes"))
    where = worded.air_words(study, _forecast_air(trial))
    pieces.append(Grid(worded.forecast_table(study, found.forecast), f"Hours until dry {where}".strip()))
    if study.grouped_by is not None:
        pieces.append(Findings(found.forecasts, kind="plain"))
    if found.needed:
        pieces += [
            f"### Ready after a night of {drying.night_hours:g} h?",
            Findings(found.needed, kind="plain"),
        ]
    if study.has_vpd:
        pieces += ["### For the wall", _chart(trial, study)]
    return pieces


def methods(trial: Trial, study: DryingStudy | CannotAnswer | None) -> Pieces:
    """How it was worked out, and whether the readings look as the method assumes."""
    if not isinstance(study, DryingStudy):
        return []
    return [
        "## How it was worked out",
        worded.methods(study, trial.settings.label),
        "### Does the model fit?",
        _residuals(study),
    ]


def _dry_curves(trial: Trial, study: DryingStudy) -> Picture:
    curves = study.curves()
    label = _group_label(trial, study)
    middle = curves[curves["share"].round(2) == 0.5]
    ends = listed([f"{row['level']} {duration(row['hours'])}" for row in middle.to_dict("records")])
    where = worded.air_words(study, _forecast_air(trial))
    return Picture(
        "dry-curves",
        drawn.dry_curves(study.brackets, curves, label),
        f"Above, the share of pieces that is dry {where}, as fitted. Below, every piece: the line runs from its last "
        "wet look to its first dry one (marked); an arrow was never seen dry.",
        f"Curves of the share of dry pieces against hours, and the bracket of each piece. Half are dry at: {ends}.",
    )


def _by_air(trial: Trial, study: DryingStudy) -> Picture | None:
    if not study.has_vpd:
        return _dry_curves(trial, study)
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
    drying = trial.settings.drying
    share = max(drying.shares)
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
        drawn.dry_chart(chart, share, drying.night_hours),
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


def _plain(text: str) -> str:
    """A maker's text inside Markdown, with the signs that Markdown obeys put out of force."""
    escaped = "".join(f"\\{sign}" if sign in r"\`*_{}[]()#+!|<>~" else sign for sign in text)
    return " ".join(escaped.split())


def left_out(trial: Trial) -> Pieces:
    """What was left out and why, what is doubtful, and which tables are not there."""
    pieces: Pieces = ["## Left out, and why"]
    gone = trial.left_out()
    if gone.empty:
        pieces.append("Nothing was left out.")
    else:
        many = gone.groupby(["table", "run", "reason"], sort=False)["row"]
        rows = many.agg(rows=lambda values: _row_span(list(values))).reset_index()
        pieces.append(Grid(rows[["table", "rows", "run", "reason"]]))
    if trial.doubts:
        pieces += ["## Doubts", Notes([str(doubt) for doubt in trial.doubts], "caution")]
    absent = trial.absent()
    if absent:
        words = [f"{name} ({SPECS[name].meaning})" for name in absent]
        pieces.append(_plain("Tables that this trial does not hold: " + listed(words) + "."))
    return pieces


def _row_span(rows: Sequence[int]) -> str:
    if len(rows) > 2 and rows[-1] - rows[0] == len(rows) - 1:
        return f"{rows[0]} to {rows[-1]}"
    return listed([str(row) for row in rows])


def record_block(trial: Trial) -> Pieces:
    """What the report was made from: files with their fingerprints, and versions."""
    prints = records.fingerprints(trial.folder, trial.inputs)
    files = pd.DataFrame({"file": list(prints), "SHA-256": [f"{value[:16]}…" for value in prints.values()]})
    versions = ", ".join(f"{name} {version}" for name, version in records.versions().items())
    return [
        "## Record",
        Grid(files, "The files this report was made from, with the first signs of their fingerprints"),
        _plain(f"Computed with {versions}. Random numbers started from seed {trial.settings.seed}."),
    ]


def readings(study: DryingStudy | CannotAnswer | None) -> Pieces:
    """The batches with their air, and how their pieces dried, as a table."""
    if not isinstance(study, DryingStudy):
        return []
    return [
        Grid(worded.batch_table(study), "The batches, the air they dried in, and when their pieces dried")
    ]
