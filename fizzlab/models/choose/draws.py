"""Batches that might come: drawn from all that a trial leaves open, not from its best guess alone."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import stats

from fizzlab.models.choose.forecasters import Array, Forecaster, Given, forecasters, scale

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


def simulate(analyses: Sequence[Given], settings: pd.DataFrame, *, draws: int = 4000, seed: int = 1) -> Draws:
    """Draw what the typical batch of each setting may truly be, and a new batch of it.

    Parameters
    ----------
    analyses : sequence of ResponseFit or Forecaster
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
    names = tuple(each.response for each in forecasters(analyses))
    if not names or len(set(names)) < len(names):
        raise ValueError("there must be one analysis for each response")
    used = forecasters(analyses)
    correlation, notes = _correlation(used)
    chance = np.random.default_rng(seed)
    root = _root(correlation)
    keys = pd.Index(sorted({key for each in used for key in each.keys}))
    common = chance.standard_normal((draws, len(keys), len(used))) @ root.T
    noise = chance.standard_normal((draws, len(used))) @ root.T
    level = stats.norm.cdf(chance.standard_normal((draws, len(used))) @ _root(correlation**2).T)
    typical = np.empty((draws, len(settings), len(used)))
    batch = np.empty_like(typical)
    spread = np.empty((draws, len(used)))
    for r, each in enumerate(used):
        error = each.errors(settings, common[:, :, r][:, keys.get_indexer(pd.Index(each.keys))])
        told = each.typical(settings)
        middle, se, df = (told[name].to_numpy(float) for name in ("estimate", "se", "df"))
        mean = middle + error * se * scale(level[:, r], df)
        spread[:, r] = each.spread(level[:, r])
        new = mean + (spread[:, r] * noise[:, r])[:, None]
        typical[:, :, r] = np.exp(mean) if each.log else mean
        batch[:, :, r] = np.exp(new) if each.log else new
    said = tuple(dict.fromkeys([*(note for each in used for note in each.notes), *notes]))
    table = pd.DataFrame(correlation, index=list(names), columns=list(names))
    return Draws(names, typical, batch, spread, table, said)


def _correlation(used: Sequence[Forecaster]) -> tuple[Array, tuple[str, ...]]:
    residuals = [each.residuals() for each in used]
    found = np.eye(len(used))
    notes = []
    for i in range(len(used)):
        for j in range(i):
            if not (used[i].chance and used[j].chance):
                continue
            both = pd.concat([residuals[i], residuals[j]], axis=1, join="inner").to_numpy(float)
            size = np.sqrt((both**2).sum(axis=0))
            if len(both) < COMMON or not (size > 0).all():
                notes.append(
                    f"{used[j].response} and {used[i].response} have few batches in common, so they "
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
