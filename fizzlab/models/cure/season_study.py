"""Several trials of one workshop as one result: their lines pooled, and their batches charted in order."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from fizzlab.errors import CannotAnswer
from fizzlab.models.censored.likelihood import quantile
from fizzlab.models.cure.forecast import forecast_dry, typical_hours
from fizzlab.models.cure.pooling import Pooled, pool
from fizzlab.models.cure.season import VPD, SeasonLine, TrialLine, line_of, pool_lines
from fizzlab.models.cure.study import DryingStudy
from fizzlab.models.drift import DriftChart, drift_chart


@dataclass(frozen=True)
class SeasonStudy:
    """What several trials of one workshop say together; made by `study_season`.

    Attributes
    ----------
    lines : tuple of TrialLine
        One a trial, for its standard recipe: every category at its control, every amount at its middle.
    pooled : SeasonLine or CannotAnswer
    between : Pooled or CannotAnswer
        The trials' levels at `at` pooled: how much trials differ beyond their batches.
    at : float
        VPD in kPa at which levels are told and batches are compared.
    asked : float
        VPD in kPa that is forecast for.
    alone : DataFrame
        What each trial says by itself of half the pieces of a typical batch in `asked` air: hours, low, high,
        beyond_tried; indexed by trial.
    batches : DataFrame
        One row a batch: trial, run, day, made_at, note, vpd_kpa, hours (when its pieces dried, in its own
        air, as the model of its trial places them inside their brackets), low and high (bracket of its middle
        piece); all for the standard recipe; place (from 0, in the order of days), adjusted, adjusted_low,
        adjusted_high (the same moved to air of `at`).
    points : DataFrame
        One row a day of a trial: trial, day, runs, note, label, hours (mean of `adjusted` on the log scale).
    drift : DriftChart or CannotAnswer
        Of `points`.
    ordered_by_date : bool
        Whether every batch has its date of making; if not, trials stand in the order they were given.
    """

    lines: tuple[TrialLine, ...]
    pooled: SeasonLine | CannotAnswer
    between: Pooled | CannotAnswer
    at: float
    asked: float
    alone: pd.DataFrame
    batches: pd.DataFrame
    points: pd.DataFrame
    drift: DriftChart | CannotAnswer
    ordered_by_date: bool

    @property
    def tried(self) -> tuple[float, float]:
        """Least and greatest VPD met in any trial, in kPa."""
        return min(line.tried[0] for line in self.lines), max(line.tried[1] for line in self.lines)

    def own_lines(self) -> pd.DataFrame:
        """Ends of each trial's own line: trial, vpd_kpa, hours."""
        rows = [
            (line.name, air, float(np.exp(line.level + (line.slope or 0.0) * np.log(air / line.at))))
            for line in self.lines
            for air in line.tried
        ]
        return pd.DataFrame(rows, columns=["trial", VPD, "hours"])

    def line(self, points: int = 60) -> pd.DataFrame:
        """The pooled line over the air, a little past what was tried; see `SeasonLine.forecast`.

        Raises
        ------
        ValueError
            The trials were not pooled.
        """
        if isinstance(self.pooled, CannotAnswer):
            raise ValueError("the trials were not pooled")
        low, high = min(self.tried[0], self.asked), max(self.tried[1], self.asked)
        reach = max((high / low) ** 0.08, 1.03)
        grid = np.append(np.geomspace(low / reach, high * reach, points), self.tried)
        return self.pooled.forecast(np.sort(grid))


def study_season(studies: Mapping[str, DryingStudy], *, asked: float | None = None) -> SeasonStudy:
    """Pool the dry-time lines of several trials, and chart their batches in the order of making.

    Parameters
    ----------
    studies : mapping of str to DryingStudy
        By the trial's name, in the order of making; each with the room's air as VPD, or with batches of one
        air only.
    asked : float, optional
        VPD in kPa to forecast for; the middle of the trials' air if left out.

    Returns
    -------
    SeasonStudy

    Raises
    ------
    CannotAnswer
        There is no trial.
    ValueError
        A trial whose batches have no known air.

    Notes
    -----
    A batch is charted as the mean, over its pieces, of the median log dry time that the model of its trial
    leaves possible inside the piece's bracket, given the predicted effects of batch and day. That is never
    the middle of a bracket, and lies inside it. The factors are taken out by the trial's own model, and the
    value is moved to the middle air with the pooled slope (its trial's own where trials cannot be pooled).
    Batches of one day are not independent: the mean of their logarithms is one point.
    """
    if not studies:
        raise CannotAnswer("No trial carries dry times.", "Touch the pieces of more batches at set hours.")
    lines = tuple(
        line_of(study.fit, name, study.typical, tried=_met(study)) for name, study in studies.items()
    )
    pooled: SeasonLine | CannotAnswer
    between: Pooled | CannotAnswer
    try:
        pooled = pool_lines(lines)
        between = _between(lines, pooled)
    except CannotAnswer as reason:
        pooled = between = reason
    at = (
        float(np.exp(np.mean([np.log(line.at) for line in lines])))
        if isinstance(pooled, CannotAnswer)
        else pooled.at
    )
    asked = at if asked is None else asked
    batches = pd.concat(
        [_batches(name, study) for name, study in studies.items()], ignore_index=True, sort=False
    )
    dated = bool(batches["made_at"].notna().all())
    shared = None if isinstance(pooled, CannotAnswer) else float(pooled.table["estimate"]["slope"])
    slopes = {line.name: (line.slope or 0.0) if shared is None else shared for line in lines}
    moved = np.exp(-batches["trial"].map(slopes) * np.log(batches[VPD] / at))
    for name, source in (("adjusted", "hours"), ("adjusted_low", "low"), ("adjusted_high", "high")):
        batches[name] = batches[source] * moved
    points, batches = _points(batches, dated)
    drift: DriftChart | CannotAnswer
    try:
        drift = drift_chart(points["hours"], list(points["label"]), log=True)
    except CannotAnswer as reason:
        drift = reason
    return SeasonStudy(
        lines, pooled, between, at, asked, _alone(studies, asked), batches, points, drift, dated
    )


def _met(study: DryingStudy) -> tuple[float, float]:
    if VPD not in study.batches:
        raise ValueError("the air of the batches is not known")
    return float(study.batches[VPD].min()), float(study.batches[VPD].max())


def _between(lines: tuple[TrialLine, ...], season: SeasonLine) -> Pooled:
    """Pool the levels at one air, each moved there by its trial's slope, or by the pooled one."""
    slope, slope_se = season.table["estimate"]["slope"], season.table["se"]["slope"]
    levels, errors = [], []
    for line in lines:
        u = float(np.log(season.at / line.at))
        if line.slope is None:
            levels.append(line.level + u * float(slope))
            variance = float(line.covariance[0, 0]) + (u * float(slope_se)) ** 2
        else:
            row = np.array([1.0, u])
            levels.append(line.level + u * line.slope)
            variance = float(row @ line.covariance @ row)
        errors.append(float(np.sqrt(variance)))
    return pool(levels, errors, level=season.level)


def _alone(studies: Mapping[str, DryingStudy], asked: float) -> pd.DataFrame:
    """What each trial by itself says of half the pieces in the air that is asked for."""
    rows = {}
    for name, study in studies.items():
        conditions = pd.DataFrame([{**study.typical, VPD: asked}])
        row = forecast_dry(study.fit, conditions, (0.5,)).iloc[0]
        met = _met(study)
        rows[name] = {
            "hours": float(row["hours"]),
            "low": float(row["typical_low"]),
            "high": float(row["typical_high"]),
            "beyond_tried": not met[0] * (1 - 1e-9) <= asked <= met[1] * (1 + 1e-9),
        }
    return pd.DataFrame.from_dict(rows, orient="index").rename_axis("trial")


def _batches(name: str, study: DryingStudy) -> pd.DataFrame:
    """The batches of one trial as its standard recipe would have dried, in their own air."""
    fit, made = study.fit, study.batches
    held = {key: value for key, value in study.typical.items() if key != VPD}
    standard = made.assign(**held) if held else made  # type: ignore[arg-type]
    recipe = (typical_hours(fit, standard, (0.5,))["hours"] / typical_hours(fit, made, (0.5,))["hours"]).loc[
        made.index
    ]
    pieces = fit.residuals
    inside = np.clip((pieces["p_low"] + pieces["p_high"]).to_numpy(float) / 2, 1e-12, 1 - 1e-12)
    off = quantile(fit.distribution, inside) - float(quantile(fit.distribution, 0.5))
    logs = np.log(pieces["expected"]) + fit.found.sigma * off
    hours = np.exp(logs.groupby(pieces["run"]).mean()).loc[made.index]
    ends = study.brackets.set_index("run")[["lower", "upper"]].groupby(level=0).median().loc[made.index]
    return pd.DataFrame(
        {
            "trial": name,
            "run": made.index,
            "day": made["day"],
            "made_at": made["made_at"],
            "note": made["note"].fillna("").astype(str) if "note" in made else "",
            VPD: made[VPD],
            "hours": hours * recipe,
            "low": ends["lower"] * recipe,
            "high": ends["upper"] * recipe,
        }
    ).reset_index(drop=True)


def _points(batches: pd.DataFrame, dated: bool) -> tuple[pd.DataFrame, pd.DataFrame]:
    """One point a day of a trial, in the order of making, and the batches with the place of their point."""
    grouped = batches.groupby(["trial", "day"], sort=False)
    rows = grouped.agg(
        first=("made_at", "min"),
        runs=("run", list),
        note=("note", lambda notes: "; ".join(dict.fromkeys(note for note in notes if note))),
        hours=("adjusted", lambda hours: float(np.exp(np.log(hours).mean()))),
    ).reset_index()
    if dated:
        rows = rows.sort_values("first", kind="stable").reset_index(drop=True)
    rows["label"] = [
        f"{_span(runs)} of {trial}" for runs, trial in zip(rows["runs"], rows["trial"], strict=True)
    ]
    place = {(trial, day): i for i, (trial, day) in enumerate(zip(rows["trial"], rows["day"], strict=True))}
    at = [place[key] for key in zip(batches["trial"], batches["day"], strict=True)]
    return rows, batches.assign(place=at).sort_values("place", kind="stable").reset_index(drop=True)


def _span(runs: list[str]) -> str:
    return (
        str(runs[0])
        if len(runs) == 1
        else f"{runs[0]} to {runs[-1]}"
        if len(runs) > 2
        else " and ".join(runs)
    )
