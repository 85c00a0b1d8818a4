"""Dry times from weighings: the drying curve of every piece, then its batch, then what shortens drying.

    m(t) = end_g + moisture_g exp(-(rate_per_h t)^shape)

is Page's thin-layer drying curve (G. E. Page, M.S. thesis, Purdue University (1949); from memory). The end in
this air is estimated too: a piece that was not weighed long enough is not dry at its last weighing.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.stats import f as fisher

from fizzlab.errors import CannotAnswer, cannot
from fizzlab.language import say
from fizzlab.models.air import AirModel
from fizzlab.models.curing import fit_planned, levels_of, with_air
from fizzlab.models.curves import (
    STEPS_G,
    CurveFit,
    CurveModel,
    Parameter,
    fit_curve,
    profile_interval,
    scale_step,
)
from fizzlab.models.result import ENDS, Study, noted
from fizzlab.models.terms import Term, grouping, need_columns

Array = NDArray[np.float64]

RESPONSE = "weighed_dry_h"

_LEAST = 6  # weighings of a piece
_TRUST = 0.05  # share of the moisture left at the last weighing above which the end is a guess
_TOO_WIDE = 10.0  # an interval whose ends are further apart than this factor answers nothing


def _mass(hours: Array, p: Array) -> Array:
    return np.asarray(p[0] + p[1] * np.exp(-((p[2] * hours) ** p[3])))


def _slopes(hours: Array, p: Array) -> list[Array]:
    scaled = p[2] * hours
    power = scaled ** p[3]
    left = np.exp(-power)
    log = np.log(np.where(scaled > 0, scaled, 1.0))
    return [np.ones_like(left), left, -p[1] * left * power * p[3] / p[2], -p[1] * left * power * log]


def _starts(hours: Array, mass_g: Array) -> list[list[float]]:
    order = np.argsort(hours, kind="stable")
    t, m = hours[order], mass_g[order]
    fall = max(float(np.ptp(m)), 1e-9)
    end = float(m.min()) - 0.02 * fall
    below = np.flatnonzero(np.minimum.accumulate((m - end) / (m.max() - end)) <= np.exp(-1))
    rate = 1.0 / max(float(t[below[0]] if len(below) else t[-1]), 1e-3)
    tried = ((1.0, 1.0), (1.0, 0.7), (1.0, 1.5), (0.35, 1.0), (3.0, 1.0))
    return [[end, fall, factor * rate, shape] for factor, shape in tried]


PAGE = CurveModel(
    "Page",
    (
        Parameter("end_g", "g", lower=0.0),  # what the piece is heading for in this air
        Parameter("moisture_g", "g", lower=0.0),
        Parameter("rate_per_h", "1/h", lower=1e-5),
        Parameter("shape", lower=0.2, upper=5.0),  # below 1 fast first and slow later
    ),
    f=_mass,
    jacobian=_slopes,
    starts=_starts,
)


def fit_drying_curve(weighings: pd.DataFrame, *, resolution_g: float | None = None) -> CurveFit:
    """Fit the drying curve of one piece to its weighings, at least 6 at different hours.

    m(t) = end_g + moisture_g exp(-(rate_per_h t)^shape): G. E. Page, M.S. thesis, Purdue University (1949);
    from memory.

    Parameters
    ----------
    weighings : DataFrame
        Columns hours and mass_g, one row a weighing.
    resolution_g : float, optional
        Step of the scale; by default as the weighings show it. The scatter is never taken to be below that of
        rounding, step / sqrt(12).

    Examples
    --------
    >>> piece = pd.DataFrame({"hours": [0, 1, 2, 4, 8, 16, 30],
    ...                       "mass_g": [86.12, 85.24, 84.7, 84.3, 84.13, 84.1, 84.1]})
    >>> fit_drying_curve(piece).table[["term", "estimate"]].round(2).values.tolist()
    [['end_g', 84.11], ['moisture_g', 2.02], ['rate_per_h', 0.59], ['shape', 1.02]]
    """
    need_columns(weighings, ["hours", "mass_g"], "weighings")
    t, m = weighings["hours"].to_numpy(float), weighings["mass_g"].to_numpy(float)
    if not (np.isfinite([t, m]).all() and (t >= 0).all() and (m > 0).all()):
        raise ValueError("hours must be 0 or more and masses positive, with none missing")
    different = len(np.unique(t))
    if different < _LEAST:
        raise cannot("weighings_few", n=different, least=_LEAST)
    step = (scale_step(m) or STEPS_G[-1]) if resolution_g is None else resolution_g
    order, ends = np.argsort(t, kind="stable"), max(1, len(m) // 4)
    if m[order[:ends]].mean() - m[order[-ends:]].mean() <= 2 * step:
        raise cannot("no_fall")
    fit = fit_curve(PAGE, t, m, resolution=step)
    gained = (float(np.sum((m - m.mean()) ** 2)) - fit.rss) / 3
    if gained / fit.sigma**2 <= float(fisher.ppf(0.99, 3, fit.dof)):
        raise cannot("no_drying")
    last = float(t.max())
    left = float(np.exp(-((fit["rate_per_h"] * last) ** fit["shape"])))
    notes = []
    if left > _TRUST:
        later = max(_settled(fit), 1.5 * last)
        notes.append(say("note_still_to_go", left=100 * left, last=last, later=later))
    if fit.at_bound:
        notes.append(say("note_on_bound", names=", ".join(fit.at_bound)))
    return replace(fit, response="mass_g", notes=tuple(notes))


def _settled(fit: CurveFit) -> float:
    """Hours after which a twentieth of the moisture is left."""
    return float(3.0 ** (1 / fit["shape"]) / fit["rate_per_h"])


def time_to_share(fit: CurveFit, remaining_share: float, conf_level: float = 0.95) -> dict[str, float | bool]:
    """Hours until only that share of the moisture is left, (-ln share)^(1/shape) / rate, and interval.

    Refused where the mass had not levelled off: the interval has no end or spans more than a factor of ten.
    """
    if not 0 < remaining_share < 1:
        raise ValueError("the remaining share must lie between 0 and 1")
    goal, last = float(np.log(-np.log(remaining_share))), float(fit.x.max())
    found = profile_interval(fit, lambda p: goal / float(p[3]) - float(np.log(p[2])), conf_level)
    if found["conf_high"] - found["conf_low"] > np.log(_TOO_WIDE):
        raise cannot("not_levelled", last=last, again=min(max(_settled(fit), 1.5 * last), 4 * last))
    hours, low, high = np.exp([found[end] for end in ENDS]).tolist()
    return {"hours": hours, "conf_low": low, "conf_high": high, "extrapolated": hours > last}


@dataclass(frozen=True, kw_only=True)
class WeighingStudy(Study):
    """What the weighings of a trial say, a row a piece; `note` is why there is no number, or a doubt."""

    pieces: pd.DataFrame
    curves: Mapping[tuple[str, str], CurveFit]
    grouped_by: Term | None


def study_weighings(
    tables: Mapping[str, pd.DataFrame],
    terms: Sequence[Term],
    *,
    air: AirModel = "vpd",
    model: str | Sequence[str] = "main",
    remaining_share: float = 0.05,
    forecast_air: tuple[float, float] | None = None,
    margins: Mapping[str, float | None] | None = None,
    conf_level: float = 0.95,
) -> WeighingStudy:
    """Fit the drying curve of every weighed piece, and regress the batches' mean log dry times."""
    weighings, runs = tables["weighings"], with_air(tables, air)
    grouped = grouping(terms)
    pieces, curves = _pieces(weighings, remaining_share)
    pieces["level"] = levels_of(pieces["run"], runs, grouped)
    if pieces["hours"].isna().all():
        raise cannot("no_dry_time", n=len(pieces), first=pieces["note"].iloc[0])
    groups = np.log(pieces["hours"]).groupby(pieces["run"], sort=False)
    hours = np.exp(groups.mean()).dropna().rename_axis("run")
    notes = [
        say("note_no_dry_time", run=run, missing=missing)
        for run, missing in (groups.size() - groups.count()).items()
        if missing and run in hours
    ]
    known = pd.DataFrame({"piece": 1, "lower": hours, "upper": hours}).reset_index()
    found: dict[str, Any] = {"reasons": {}}
    asked: dict[str, Any] = {"air": air, "forecast_air": forecast_air, "response": RESPONSE, "runs": runs}
    asked |= {"conf_level": conf_level, "margin": (margins or {}).get(RESPONSE)}
    with noted(found["reasons"], RESPONSE):
        fit = fit_planned(known, terms, model, **asked)
        found["fits"], notes = {RESPONSE: fit}, [*fit.notes, *notes]
    each = pieces.assign(lower=pieces["hours"], upper=pieces["hours"])[["run", "piece", "lower", "upper"]]
    found |= {"numbers": {RESPONSE: hours}, "readings": {RESPONSE: each.dropna()}, "notes": tuple(notes)}
    return WeighingStudy(pieces=pieces, curves=curves, grouped_by=grouped, **found)


def _pieces(
    weighings: pd.DataFrame, remaining_share: float
) -> tuple[pd.DataFrame, dict[tuple[str, str], CurveFit]]:
    """Fit every piece and read off when it was dry; one that gives no answer stops none of the others."""
    step = scale_step(weighings["mass_g"]) or STEPS_G[-1]
    rows, curves = [], dict[tuple[str, str], CurveFit]()
    for (run, piece), part in weighings.groupby(["run", "piece"], sort=False, observed=True):
        row: dict[str, object] = {"run": run, "piece": piece, "note": ""}
        rows.append(row)
        try:
            fit = fit_drying_curve(part, resolution_g=step)
            curves[run, piece] = fit  # type: ignore[index]
            row |= {"moisture_g": fit["moisture_g"], "note": " ".join(fit.notes)}
            row |= time_to_share(fit, remaining_share)
        except CannotAnswer as problem:
            row["note"] = str(problem)
    numbers = ["moisture_g", "hours", "conf_low", "conf_high"]
    table = pd.DataFrame(rows).reindex(columns=["run", "piece", *numbers, "extrapolated", "note"])
    return table.assign(extrapolated=table["extrapolated"].eq(True), **table[numbers].astype(float)), curves
