"""What the residuals advise: another scale, or a second look at a batch. Nothing is dropped."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import stats

from fizzlab.errors import CannotAnswer
from fizzlab.models.effects.analysis import Analysis, analyse_basis, interval_of
from fizzlab.models.effects.structure import group_codes
from fizzlab.models.effects.variance import Array, NotEstimable, fit_many, prepare

POWERS = {
    -1.0: "its reciprocal",
    -0.5: "one over its square root",
    0.0: "its logarithm",
    0.5: "its square root",
}
_ODD = 1.8
"""Standardised residuals beyond this are fitted anew; one with a joint p below 0.05 lies well beyond it."""
_GRID = np.linspace(-2.0, 2.0, 401)


@dataclass(frozen=True)
class PowerAdvice:
    """On which power of the response the model fits best.

    Parameters
    ----------
    best, low, high : float
        The power, with its 95 % interval; 0 stands for the logarithm, 1 for the response as it is.
    used : float
        The power that was analysed.
    suggested : float
        `used` if the interval holds it, else the plain power (-1, -1/2, 0, 1/2, 1) in the interval that is
        nearest to `best`; else `best` rounded to a quarter.
    powers, loglik : arrays
        The profile, for a picture.
    """

    best: float
    low: float
    high: float
    used: float
    suggested: float
    powers: Array
    loglik: Array

    @property
    def change(self) -> bool:
        """Is another scale advised?"""
        return self.suggested != self.used

    def __str__(self) -> str:
        numbers = f"best power {self.best:.2g}, 95 % interval {self.low:.2g} to {self.high:.2g}"
        if not self.change:
            return f"The scale that was analysed fits ({numbers})."
        word = POWERS.get(self.suggested, f"its power {self.suggested:g}")
        if self.suggested == 1.0:
            word = "it as it is"
        return f"Analyse {word} instead ({numbers})."


@dataclass(frozen=True)
class OddBatches:
    """How far each batch lies from what all the others say of it.

    Parameters
    ----------
    table : DataFrame
        One row a batch: residual (from the fit to the others), t (externally studentised), df, p,
        p_joint (Bonferroni). nan where the others say nothing of the batch.
    suspicious : tuple of str
        Batches with p_joint below 0.05.
    without : mapping of str to DataFrame
        For each suspicious batch, the effects with it and without it: estimate, p, estimate_without,
        p_without (ratio and ratio_without on the log scale).
    """

    table: pd.DataFrame
    suspicious: tuple[str, ...]
    without: Mapping[str, pd.DataFrame]

    def __str__(self) -> str:
        if not self.suspicious:
            return "No batch lies further from the others than chance would put it."
        lines = []
        for run in self.suspicious:
            row = self.table.loc[run]
            lines.append(
                f"{run} lies far from what the others say (t = {row['t']:.2f}, p = {row['p_joint']:.2g} for "
                "the oddest of all). Look up what happened to it; it stays in unless there is a reason."
            )
            lines.append(self.without[run].to_string(float_format="{:.3g}".format))
        return "\n".join(lines)


def power_advice(analysis: Analysis) -> PowerAdvice:
    """Profile the power of the response on which the model fits best.

    Raises
    ------
    CannotAnswer
        A response that is zero or less somewhere.

    Notes
    -----
    z = (y^a - 1) / (a g^(a-1)), with g the geometric mean (G. E. P. Box, D. R. Cox, JRSS B 26 (1964)
    211-252); the interval holds the powers whose log-likelihood lies within 1.92 of the best. With days
    or batches in the model the restricted likelihood takes the place of the likelihood (M. J. Gurka et al.,
    JRSS A 169 (2006) 273-288).
    """
    y = analysis.table[analysis.response].to_numpy(float)
    if not (y > 0).all():
        raise CannotAnswer(
            f"Some {analysis.response} is zero or less, so it has no powers.", "Keep the scale as it is."
        )
    logs = np.log(y)
    centred = logs - logs.mean()
    grid = _GRID[::5] if analysis.structure.groups else _GRID
    powers = grid[:, None]
    safe = np.where(np.abs(powers) < 1e-9, 1.0, powers)
    scaled = np.where(np.abs(powers) < 1e-9, centred, np.expm1(safe * centred) / safe)
    if analysis.structure.groups:
        fits = fit_many(analysis.layout, scaled)
        loglik = np.where(fits.converged, fits.loglik, -np.inf)
    else:
        left = ((scaled @ analysis.layout.outside) ** 2).sum(axis=1)
        # days as blocks cost more than the likelihood knows: it would advise in 10 to 16 of 100 sound trials
        size = analysis.layout.spare if analysis.structure.fixed else len(y)
        loglik = -0.5 * size * np.log(left)
    top = int(np.argmax(loglik))
    inside = grid[loglik > loglik[top] - stats.chi2.ppf(0.95, 1) / 2]
    used = 0.0 if analysis.log else 1.0
    best, low, high = float(grid[top]), float(inside.min()), float(inside.max())
    if low <= used <= high:
        suggested = used
    else:
        plain = [power for power in (*POWERS, 1.0) if low <= power <= high]
        suggested = min(plain, key=lambda p: abs(p - best)) if plain else round(best * 4) / 4
    return PowerAdvice(best, low, high, used, suggested, grid, loglik)


def odd_batches(analysis: Analysis) -> OddBatches:
    """Compare each batch with what all the others say of it.

    Notes
    -----
    The t of a column that is 1 for the batch and 0 elsewhere, added to the model: without random groups
    the externally studentised residual (R. D. Cook, S. Weisberg, Residuals and Influence in Regression,
    1982, section 2.2.2), with them its counterpart with Kenward and Roger's degrees of freedom. With random
    groups only batches that may be odd are fitted so; the others have their residual with the components as
    they are.
    """
    table = analysis.table
    runs = (
        table["run"].astype(str) if "run" in table else pd.Series(table.index.astype(str), index=table.index)
    )
    names = list(pd.unique(runs))
    marks = (runs.to_numpy()[:, None] == np.array(names)[None, :]).astype(float)
    estimate, rough = _residuals(analysis, marks)
    # only what may be odd is worth a fit of its own: in the spread of all batches, an odd one looks less so
    anew = np.abs(rough) > _ODD if analysis.structure.groups else np.zeros(len(names), bool)
    df = float(analysis.layout.spare) - 1
    rows: dict[str, dict[str, float]] = {}
    for place, run in enumerate(names):
        if np.isnan(rough[place]):
            rows[run] = dict.fromkeys(("estimate", "t", "df", "p"), np.nan)
        elif anew[place]:
            rows[run] = _anew(analysis, marks[:, place])
        else:
            t = rough[place]
            if not analysis.structure.groups:
                t = t * np.sqrt(df / max(df + 1 - t**2, 1e-12))
            p = float(2 * stats.t.sf(abs(t), df))
            rows[run] = {"estimate": estimate[place], "t": t, "df": df, "p": p}
    found = pd.DataFrame.from_dict(rows, orient="index").rename(columns={"estimate": "residual"})
    found.index.name = "run"
    found["p_joint"] = np.minimum(1.0, found["p"] * found["p"].notna().sum())
    suspicious = tuple(str(run) for run in found.index[found["p_joint"] < 0.05])
    return OddBatches(found, suspicious, {run: _without(analysis, runs, run) for run in suspicious})


def _residuals(analysis: Analysis, marks: Array) -> tuple[Array, Array]:
    """Each batch's residual from the others, and the same standardised, the components taken as they are.

    nan where the others say nothing of the batch.
    """
    x = analysis.layout.x
    component = np.maximum(analysis.fits.components[0], 0.0)
    component[-1] = max(component[-1], 1e-12 * max(float(component.max()), 1e-300))
    inverse = np.linalg.inv(np.tensordot(component, analysis.layout.full, axes=1))
    project = inverse - inverse @ x @ np.linalg.solve(x.T @ inverse @ x, x.T @ inverse)
    own = ((project @ marks) * marks).sum(axis=0)
    free = ((analysis.layout.outside.T @ marks) ** 2).sum(axis=0)
    told = (free > 1e-9) & (analysis.layout.spare > 1)
    pulled = marks.T @ project @ analysis.y
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(told, pulled / own, np.nan), np.where(told, pulled / np.sqrt(own), np.nan)


def _anew(analysis: Analysis, mark: Array) -> dict[str, float]:
    nothing = dict.fromkeys(("estimate", "t", "df", "p"), float("nan"))
    x = np.column_stack([analysis.layout.x, mark])
    try:
        if np.linalg.matrix_rank(x) < x.shape[1] or len(x) <= x.shape[1]:
            return nothing
        fits = fit_many(prepare(x, group_codes(analysis.table, analysis.structure.groups)), analysis.y)
    except NotEstimable:
        return nothing
    if not fits.converged[0]:
        return nothing
    one = interval_of(fits, np.eye(x.shape[1])[-1], analysis.method, analysis.level)
    return {key: one[key] for key in nothing}


def _without(analysis: Analysis, runs: pd.Series, run: str) -> pd.DataFrame:
    shown = ["ratio", "p"] if analysis.log else ["estimate", "p"]
    table = analysis.effects[shown].copy()
    try:
        other = analyse_basis(
            analysis.table[runs != run].reset_index(drop=True),
            analysis.response,
            analysis.basis,
            log=analysis.log,
            days="fixed"
            if analysis.structure.fixed
            else ("random" if "day" in analysis.structure.groups else "ignore"),
            level=analysis.level,
            method=analysis.method,
            lost=(*analysis.lost, run),
        )
    except CannotAnswer:
        return table.assign(**{f"{name}_without": np.nan for name in shown})
    return table.assign(**{f"{name}_without": other.effects[name] for name in shown})
