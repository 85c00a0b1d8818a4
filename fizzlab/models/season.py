"""Several trials of one workshop as one result: their lines pooled, and their batches charted in order."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from fizzlab.errors import CannotAnswer
from fizzlab.language import listed, say
from fizzlab.models.curing_fit import VPD, CuringFit
from fizzlab.models.drift import DriftChart, drift_chart
from fizzlab.models.pooling import SeasonFit, TrialLine, line_of, middle_air, pool_trials
from fizzlab.models.result import noted


@dataclass(frozen=True)
class SeasonStudy:
    """What several trials of one workshop say together; made by `study_season`.

    Batches are compared in air of `at` kPa; `asked` is forecast for, `alone` what each trial says by itself
    there. `batches` have hours, low and high, the same moved to air of `at` (adjusted, ...), and the place of
    their point; `points` has one row a day of a trial. `dated`: in order of making.
    """

    lines: tuple[TrialLine, ...]
    fit: SeasonFit | None
    at: float
    asked: float
    alone: pd.DataFrame
    batches: pd.DataFrame
    points: pd.DataFrame
    drift: DriftChart | None
    dated: bool
    reasons: Mapping[str, CannotAnswer]


def study_season(fits: Mapping[str, CuringFit], *, asked: float | None = None) -> SeasonStudy:
    """Pool the lines of several trials and chart their batches, moved to the middle air, in their order."""
    lines = tuple(line_of(name, each) for name, each in fits.items())
    reasons: dict[str, CannotAnswer] = {}
    fit, drift, at = None, None, middle_air(lines)
    asked = at if asked is None else asked
    slopes = {line.name: line.slope or 0.0 for line in lines}
    with noted(reasons, "fit"):
        fit = pool_trials(lines)
        slopes = dict.fromkeys(slopes, float(fit.coefficients["estimate"]["slope"]))
    batches = pd.concat([_batches(*each) for each in fits.items()], ignore_index=True)
    moved = np.exp(-batches["trial"].map(slopes) * np.log(batches[VPD] / at))
    for name, source in (("adjusted", "hours"), ("adjusted_low", "low"), ("adjusted_high", "high")):
        batches[name] = batches[source] * moved
    dated = bool(batches["made_at"].notna().all())
    points, batches = _points(batches, dated)
    with noted(reasons, "drift"):
        drift = drift_chart(list(points["hours"]), list(points["label"]), log=True)
    alone = pd.DataFrame([_alone(each, asked) for each in fits.values()], index=pd.Index(fits, name="trial"))
    return SeasonStudy(lines, fit, at, asked, alone, batches, points, drift, dated, reasons)


def _alone(fit: CuringFit, asked: float) -> dict[str, object]:
    """What a trial by itself says of half the pieces in the air that is asked for."""
    low, high = fit.tried(VPD)
    row = fit.predict({**fit.typical, VPD: asked} if fit.air else fit.typical).to_dict("records")[0]
    return {**row, "extrapolated": not low * (1 - 1e-9) <= asked <= high * (1 + 1e-9)}  # type: ignore[dict-item]


def _batches(name: str, fit: CuringFit) -> pd.DataFrame:
    """The batches of one trial as its standard recipe would have dried, in their own air."""
    made, recipe = fit.batches, fit.to_typical(VPD, standard=True)
    ends = fit.brackets.groupby("run")[["lower", "upper"]].median().loc[made.index].mul(recipe, axis=0)
    notes = made["note"].fillna("").astype(str) if "note" in made else ""
    return made.reindex(columns=["day", "made_at", "temp_c", VPD]).assign(
        trial=name,
        run=made.index,
        note=notes,
        hours=fit.points(VPD, standard=True),
        low=ends["lower"],
        high=ends["upper"],
    )


def _points(batches: pd.DataFrame, dated: bool) -> tuple[pd.DataFrame, pd.DataFrame]:
    """One point a day of a trial, in the order of making, and the batches with the place of their point."""
    rows = batches.groupby(["trial", "day"], sort=False, as_index=False).agg(
        first=("made_at", "min"),
        runs=("run", list),
        note=("note", lambda notes: "; ".join(dict.fromkeys(note for note in notes if note))),
        hours=("adjusted", lambda hours: float(np.exp(np.log(hours).mean()))),
    )
    if dated:
        rows = rows.sort_values("first", kind="stable").reset_index(drop=True)
    named = [(say("from_to", low=r[0], high=r[-1]) if len(r) > 2 else listed(r)) for r in rows["runs"]]
    rows["label"] = [say("runs_of_trial", runs=r, trial=t) for r, t in zip(named, rows["trial"], strict=True)]
    places = rows[["trial", "day"]].assign(place=range(len(rows)))
    placed = batches.merge(places, on=["trial", "day"], how="left", validate="many_to_one")
    return rows, placed.sort_values("place", kind="stable").reset_index(drop=True)
