"""Drying by weight, as the report shows it."""

from __future__ import annotations

from typing import Any

import pandas as pd

from fizzlab.models.curing import CuringFit
from fizzlab.models.terms import Category
from fizzlab.models.weighing import RESPONSE, WeighingStudy
from fizzlab.report.analysis import Analysed
from fizzlab.report.figures.drying import drying_curves
from fizzlab.report.findings import Finding
from fizzlab.report.page import Findings, Grid, Notes, Picture
from fizzlab.report.parts.general import Pieces
from fizzlab.report.phrases import count, duration, number, percent
from fizzlab.report.phrases.drying import air_findings, room_temp


def by_weight(done: Analysed) -> Pieces:
    """Dry times by weight: the range, the air's effect, the curves, the pieces, and how it was worked out."""
    study, trial = done.study(RESPONSE), done.trial
    if not isinstance(study, WeighingStudy):
        why = done.reasons.get(RESPONSE)
        return [] if why is None else ["## Drying by weight", Notes([str(why)], "caution")]
    fit, wanted = done.fits.get(RESPONSE), trial.settings.drying
    share = wanted.remaining_share
    label = trial.settings.label(study.grouped_by.name) if study.grouped_by is not None else ""
    hours = study.pieces["hours"].dropna()
    least, middle, most = hours.quantile([0, 0.5, 1]).tolist()
    between = f"{duration(least)} to {duration(most)}"
    dry = f"{count(len(hours), 'piece')} had {percent(share)} of their moisture left after {between}"
    found = Finding(
        "weighed_dry_time.range",
        f"By weight, {dry} (middle {duration(middle)}).",
        middle,
        least,
        most,
        "h",
        kind="range",
    )
    pieces: Pieces = ["## Drying by weight", Findings([found]), _curves(study, label, between)]
    if isinstance(fit, CuringFit) and fit.air:
        temp = room_temp(fit, trial)
        pieces.append(Findings(air_findings(fit, temp, "weighed_dry_time", "By weight: "), "plain"))
    noted = study.pieces[study.pieces["note"] != ""].to_dict("records")
    said = [*(f"Piece {row['piece']} of batch {row['run']}: {row['note']}" for row in noted), *study.notes]
    return [
        *pieces,
        Notes(list(dict.fromkeys(said)), "caution") if said else None,
        Grid(_table(study, label), "The weighed pieces, with 95 % intervals"),
        "Each piece was fitted with Page's drying curve in grams: the mass it is heading for, the moisture it loses, rate and "
        f"shape, all together. It is dry when {percent(share)} of its moisture is left (profile-likelihood intervals). "
        "A batch has the mean log time of its pieces.",
    ]


def _curves(study: WeighingStudy, label: str, between: str) -> Picture:
    made = list(dict.fromkeys(study.pieces["level"]))
    level = study.pieces.set_index(["run", "piece"])["level"]
    factor = study.grouped_by
    if isinstance(factor, Category):
        made = [level for level in factor.levels if level in made]
    elif factor is not None:
        made.sort(key=lambda name: float(name.split()[0]))
    return Picture(
        "drying-curves",
        drying_curves(level, study.curves, made, label),
        "Mass of each weighed piece as a share of its first weighing, with its fitted curve.",
        f"Falling curves of the mass of {len(study.curves)} pieces; they are dry by weight after {between}.",
    )


def _table(study: WeighingStudy, label: str) -> pd.DataFrame:
    """One row a weighed piece, with text cells; `label` names the column of the level."""
    rows = []
    for row in study.pieces.to_dict("records"):
        cells = {"batch": str(row["run"]), "piece": str(row["piece"])}
        cells |= {label: row["level"]} if label else {}
        cells["moisture"] = f"{number(row['moisture_g'])} g" if pd.notna(row["moisture_g"]) else "?"
        rows.append(cells | {"dry after": _time(row)})
    return pd.DataFrame(rows)


def _time(row: dict[Any, Any]) -> str:
    hours, low, high = (row[name] for name in ("hours", "conf_low", "conf_high"))
    if pd.isna(hours):
        return "not known"
    guessed = ", guessed" if row["extrapolated"] else ""
    return f"{duration(hours)} ({duration(low)} to {duration(high)}{guessed})"
