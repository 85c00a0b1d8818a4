"""Drying by weight: a trial in, the pieces that a notebook shows out."""

from __future__ import annotations

from fizzlab.errors import CannotAnswer
from fizzlab.models.cure import DryingStudy, WeighedStudy, study_weighings
from fizzlab.models.terms import Category, Term, grouping
from fizzlab.report.analysis import Analysed
from fizzlab.report.figures.drying import drying_curves
from fizzlab.report.page import Findings, Grid, Notes, Picture
from fizzlab.report.parts.general import Pieces
from fizzlab.report.phrases import duration
from fizzlab.report.phrases import weighing as worded
from fizzlab.report.phrases.drying import effect_findings, effect_table
from fizzlab.trial.folder import Trial

Weighed = WeighedStudy | CannotAnswer | None


def weighing(trial: Trial) -> Weighed:
    """Analyse the weighings; the reason where they carry no numbers; None where there are none."""
    if not trial.has("weighings"):
        return None
    wanted = trial.settings.drying
    point = wanted.forecast_air
    try:
        return study_weighings(
            trial.rows("runs"),
            trial.rows("touch_checks"),
            trial.rows("weighings"),
            trial.rows("room_log"),
            trial.settings.terms(),
            air_model=wanted.air,
            remaining_share=wanted.remaining_share,
            loss_g_per_h=wanted.constant_loss_g_per_h,
            forecast_air=None if point is None else (point.temp_c, point.rh_pct),
        )
    except CannotAnswer as reason:
        return reason


def by_weight(trial: Trial, weighed: Weighed, changed: Analysed | None = None) -> Pieces:
    """Dry times by weight: the findings, the curves, the table of pieces, and how it was worked out.

    What `changed` has told of the factors is not told again in sentences.
    """
    if weighed is None:
        return []
    pieces: Pieces = ["## Drying by weight"]
    if isinstance(weighed, CannotAnswer):
        return [*pieces, Notes([f"The weighings give no dry times. {weighed}"], "caution")]
    wanted = trial.settings.drying
    found = worded.piece_findings(weighed, wanted.remaining_share)
    model = weighed.model if isinstance(weighed.model, DryingStudy) else None
    told = changed is not None and "weighed_dry_h" in changed.responses
    if model is not None and not told:
        found += effect_findings(model, trial.settings.label, "weighed_dry_time", "By weight,")
    pieces += [Findings(found), _curves(trial, weighed)]
    if model is not None and len(model.fit.estimates) > 1:
        pieces.append(
            Grid(
                effect_table(model, trial.settings.label),
                "How much longer or shorter drying takes, by weight",
            )
        )
    said = worded.doubts(weighed)
    if said:
        pieces.append(Notes(said, "caution"))
    pieces.append(Grid(worded.piece_table(weighed, _group_label(trial)), "The weighed pieces"))
    pieces.append(worded.methods(weighed, wanted.remaining_share, wanted.constant_loss_g_per_h))
    return pieces


def _curves(trial: Trial, weighed: WeighedStudy) -> Picture:
    readings, lines = weighed.dried.readings(), weighed.dried.lines()
    factor = grouping(trial.settings.terms())
    hours = weighed.dried.table["hours"].dropna()
    return Picture(
        "drying-curves",
        drying_curves(
            readings.assign(level=readings["run"].map(weighed.levels)),
            lines.assign(level=lines["run"].map(weighed.levels)),
            _group_label(trial),
            _order(weighed, factor),
        ),
        "Mass of each weighed piece as a share of its first weighing, with its fitted curve.",
        f"Falling curves of the mass of {len(weighed.dried.pieces)} pieces; they are dry by weight after "
        f"{duration(float(hours.min()))} to {duration(float(hours.max()))}.",
    )


def _order(weighed: WeighedStudy, factor: Term | None) -> list[str]:
    """The levels in the order of the other figures."""
    if isinstance(factor, Category):
        return list(factor.levels)
    return sorted(set(weighed.levels), key=lambda name: float(name.split()[0])) if factor is not None else []


def _group_label(trial: Trial) -> str:
    factor = grouping(trial.settings.terms())
    return trial.settings.label(factor.name) if factor is not None else ""
