"""Drying by weight, as the report shows it."""

from __future__ import annotations

from fizzlab.models.curing import CuringFit
from fizzlab.models.terms import Category
from fizzlab.models.weighing import RESPONSE, WeighingStudy
from fizzlab.report.analysis import Analysed
from fizzlab.report.figures.drying import drying_curves
from fizzlab.report.page import Findings, Grid, Notes, Picture
from fizzlab.report.parts.general import Pieces
from fizzlab.report.phrases import duration
from fizzlab.report.phrases import weighing as worded
from fizzlab.report.phrases.drying import air_findings, room_temp


def by_weight(done: Analysed) -> Pieces:
    """Dry times by weight: the range, the air's effect, the curves, the pieces, and how it was worked out."""
    study, trial = done.study(RESPONSE), done.trial
    if not isinstance(study, WeighingStudy):
        why = done.reasons.get(RESPONSE)
        return [] if why is None else ["## Drying by weight", Notes([str(why)], "caution")]
    wanted, fit = trial.settings.drying, done.fits.get(RESPONSE)
    label = trial.settings.label(study.grouped_by.name) if study.grouped_by is not None else ""
    found = [worded.range_finding(study, wanted.remaining_share)]
    pieces: Pieces = ["## Drying by weight", Findings(found), _curves(study, label)]
    if isinstance(fit, CuringFit) and fit.air:
        temp = room_temp(fit, trial)
        pieces.append(Findings(air_findings(fit, temp, "weighed_dry_time", "By weight: "), "plain"))
    said = worded.doubts(study)
    return [
        *pieces,
        Notes(said, "caution") if said else None,
        Grid(worded.piece_table(study, label), "The weighed pieces, with 95 % intervals"),
        worded.methods(wanted.remaining_share, wanted.constant_loss_g_per_h),
    ]


def _curves(study: WeighingStudy, label: str) -> Picture:
    made = list(dict.fromkeys(study.pieces["level"]))
    factor = study.grouped_by
    if isinstance(factor, Category):
        made = [level for level in factor.levels if level in made]
    elif factor is not None:
        made.sort(key=lambda name: float(name.split()[0]))
    hours = study.pieces["hours"].dropna()
    return Picture(
        "drying-curves",
        drying_curves(study.pieces, study.curves, made, label),
        "Mass of each weighed piece as a share of its first weighing, with its fitted curve.",
        f"Falling curves of the mass of {len(study.curves)} pieces; they are dry by weight after "
        f"{duration(float(hours.min()))} to {duration(float(hours.max()))}.",
    )
