"""Batches that might come: drawn from all that a trial leaves open, not from its best guess alone."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import stats

from fizzlab.effects import Analysis
from fizzlab.effects.analysis import analyse_basis
from fizzlab.problems import CannotAnswer

Array = NDArray[np.float64]

COMMON = 4
"""Fewest common batches from which a correlation between two responses is taken."""


@dataclass(frozen=True)
class Draws:
    """Possible truths of a trial, and a batch of each; made by `simulate`.

    Parameters
    ----------
    responses : tuple of str
    typical : array, shape (draws, settings, responses)
        The typical batch (mean, or median where the logarithm was analysed), in the response's unit.
    batch : array, shape (draws, settings, responses)
        One new batch, made on a new day. Chance hits all settings of a draw alike.
    spread : array, shape (draws, responses)
        Standard deviation of a new batch, on the scale analysed.
    correlation : DataFrame
        Between the responses of a batch, from residuals of the batches.
    notes : tuple of str
    """

    responses: tuple[str, ...]
    typical: Array
    batch: Array
    spread: Array
    correlation: pd.DataFrame
    notes: tuple[str, ...]


def for_new_days(analysis: Analysis) -> tuple[Analysis, tuple[str, ...]]:
    """The analysis with days at random, so that a day still to come has its share of chance.

    Days taken out as blocks are right for comparing recipes; a forecast must hold for a day that was not
    among them.
    """
    if not analysis.structure.fixed:
        if analysis.days == 1:
            return analysis, (
                "All batches count as made on one day, so how much days differ is not in the chances.",
            )
        return analysis, ()
    try:
        found = analyse_basis(
            analysis.table,
            analysis.response,
            analysis.basis,
            log=analysis.log,
            days="random",
            level=analysis.level,
            method=analysis.method,
            lost=analysis.lost,
        )
    except CannotAnswer as problem:
        return analysis, (f"How much days differ in {analysis.response} is not counted in: {problem.why}",)
    return replace(found, warnings=analysis.warnings), ()


def pieces_a_batch(analysis: Analysis) -> float:
    """Rows for each batch, on average."""
    return len(analysis.table) / analysis.batches


def shares(analysis: Analysis, batches: float = 1.0, days: float = 1.0) -> Array:
    """Share of each variance component in that of the mean of new batches on new days."""
    found = []
    for name in analysis.structure.groups:
        found.append(1 / batches if name == "run" else 1 / days)
    pieces = pieces_a_batch(analysis) if analysis.structure.unit == "piece" else 1.0
    return np.array([*found, 1 / (batches * pieces)])


def new_variance(analysis: Analysis, weights: Array, share: Array, known: bool = True) -> tuple[float, float]:
    """Variance and degrees of freedom of new batches around a forecast, its own error included if `known`.

    df = 2 v^2 / (g'Wg) (F. E. Satterthwaite, Biometrics Bulletin 2 (1946) 110-114), with g the slopes of v
    by the variance components and W their covariance.
    """
    fits = analysis.fits
    component = np.maximum(fits.components[0], 0.0)
    value = float(share @ component)
    # a component that came out as nothing is still in doubt, so that its slope stays in
    slope = share
    if known:
        value += float(weights @ fits.covariance[0] @ weights)
        slope = slope + np.einsum("a,jab,b->j", weights, fits.slopes[0], weights)
    moved = float(slope @ fits.uncertainty[0] @ slope)
    spare = float(analysis.layout.spare)
    df = min(2 * value**2 / moved, spare) if moved > 0 else spare
    return value, max(df, float(fits.least_df[0]), 1.0)


def simulate(
    analyses: Sequence[Analysis], settings: pd.DataFrame, *, draws: int = 4000, seed: int = 1
) -> Draws:
    """Draw what the typical batch of each setting may truly be, and a new batch of it.

    Parameters
    ----------
    analyses : sequence of Analysis
        One a response.
    settings : DataFrame
        One row a setting, with a column for each factor.
    draws : int
    seed : int

    Returns
    -------
    Draws

    Notes
    -----
    For each response the mean at a setting is its estimate + se t, with the standard error and degrees of
    freedom of the analysis, and errors at several settings hang together as the batches that they rest on.
    A new batch adds the sum of the variance components, drawn as s^2 df / chi2. For one response without
    random groups that is the multivariate t predictive distribution; for several, compare J. J. Peterson,
    J. Quality Technology 36 (2004) 139-153. Responses hang together through the correlation of their
    residuals, and their variances through its square, as in a Wishart distribution.
    """
    if draws < 100:
        raise ValueError("draws must be 100 or more")
    names = tuple(analysis.response for analysis in analyses)
    if not names or len(set(names)) < len(names):
        raise ValueError("there must be one analysis for each response")
    prepared = [for_new_days(analysis) for analysis in analyses]
    used = [analysis for analysis, _ in prepared]
    correlation, notes = _correlation(used)
    chance = np.random.default_rng(seed)
    root = _root(correlation)
    keys = pd.Index(sorted({key for analysis in used for key in _keys(analysis)}))
    common = chance.standard_normal((draws, len(keys), len(used))) @ root.T
    noise = chance.standard_normal((draws, len(used))) @ root.T
    level = stats.norm.cdf(chance.standard_normal((draws, len(used))) @ _root(correlation**2).T)
    typical = np.empty((draws, len(settings), len(used)))
    batch = np.empty_like(typical)
    spread = np.empty((draws, len(used)))
    for r, analysis in enumerate(used):
        rows_here = keys.get_indexer(pd.Index(_keys(analysis)))
        middle, error = _errors(analysis, settings, common[:, :, r][:, rows_here])
        rows = [analysis.interval(row) for row in analysis.weights(settings)]
        df = np.array([row["df"] for row in rows])
        mean = middle + error * np.array([row["se"] for row in rows]) * _scale(level[:, r], df)
        share = shares(analysis)
        variance, spread_df = new_variance(analysis, np.zeros(analysis.layout.x.shape[1]), share, known=False)
        spread[:, r] = np.sqrt(variance) * _scale(level[:, r], np.array([spread_df]))[:, 0]
        new = mean + (spread[:, r] * noise[:, r])[:, None]
        typical[:, :, r] = np.exp(mean) if analysis.log else mean
        batch[:, :, r] = np.exp(new) if analysis.log else new
    said = tuple(dict.fromkeys([*(note for _, more in prepared for note in more), *notes]))
    table = pd.DataFrame(correlation, index=list(names), columns=list(names))
    return Draws(names, typical, batch, spread, table, said)


def _scale(level: Array, df: Array) -> Array:
    """sqrt(df / chi2_df), one row a draw, one column a number of degrees of freedom."""
    unique, place = np.unique(df.round(6), return_inverse=True)
    found = np.stack([np.sqrt(each / stats.chi2.ppf(level, each)) for each in unique], axis=1)
    return np.asarray(found[:, place])


def _keys(analysis: Analysis) -> list[str]:
    """A name for each row that is the same in every response."""
    table = analysis.table
    run = table["run"].astype(str) if "run" in table else pd.Series(table.index.astype(str), table.index)
    piece = run.groupby(run).cumcount()
    return [f"{name}\n{number}" for name, number in zip(run, piece, strict=True)]


def _errors(analysis: Analysis, settings: pd.DataFrame, normal: Array) -> tuple[Array, Array]:
    """Estimates at the settings, and standard normal errors of them that hang together as they should."""
    component = np.maximum(analysis.fits.components[0], 0.0)
    if component[-1] == 0:
        component = component + np.where(np.arange(len(component)) == len(component) - 1, 1e-12, 0)
    total = np.einsum("j,jab->ab", component, analysis.layout.full)
    size, turn = np.linalg.eigh(total)
    half = turn * np.sqrt(np.maximum(size, 0)) @ turn.T
    x = analysis.layout.x
    back = np.linalg.solve(total, x)
    weights = analysis.weights(settings)
    line = weights @ np.linalg.solve(x.T @ back, back.T) @ half
    length = np.linalg.norm(line, axis=1)
    return weights @ analysis.fits.beta[0], normal @ (line / length[:, None]).T


def _correlation(analyses: Sequence[Analysis]) -> tuple[Array, tuple[str, ...]]:
    residuals = []
    for analysis in analyses:
        runs = [key.split("\n")[0] for key in _keys(analysis)]
        residuals.append(pd.Series(analysis.y - analysis.fitted, index=runs).groupby(level=0).mean())
    found = np.eye(len(analyses))
    notes = []
    for i in range(len(analyses)):
        for j in range(i):
            both = pd.concat([residuals[i], residuals[j]], axis=1, join="inner").to_numpy(float)
            size = np.sqrt((both**2).sum(axis=0))
            if len(both) < COMMON or not (size > 0).all():
                notes.append(
                    f"{analyses[j].response} and {analyses[i].response} have few batches in common, so they "
                    "are taken to vary independently."
                )
                continue
            found[i, j] = found[j, i] = float(both[:, 0] @ both[:, 1] / size.prod())
    value, turn = np.linalg.eigh(found)
    if value.min() < 1e-8:  # responses measured on different batches need not fit together
        found = turn * np.maximum(value, 1e-6) @ turn.T
        size = np.sqrt(np.diag(found))
        found = found / np.outer(size, size)
    return found, tuple(notes)


def _root(correlation: Array) -> Array:
    value, turn = np.linalg.eigh(correlation)
    return np.asarray(turn * np.sqrt(np.maximum(value, 0)))
