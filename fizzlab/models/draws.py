"""Batches that might come: drawn from all that a trial leaves open, not from its best guess alone.

`FitResult.forecast` says of some settings what a batch of them may be; `simulate` draws from the forecasts
of several responses at once, so that what befalls a batch befalls it in all of them.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

Array = NDArray[np.float64]

#: Fewest common batches from which a correlation between two responses is taken.
COMMON = 4

ONE_DAY = "All batches count as made on one day, so how much days differ is not in the chances."


@dataclass(frozen=True, kw_only=True)
class Forecast:
    """What a fit says of new batches of some settings, each on a new day.

    Parameters
    ----------
    typical : DataFrame
        One row a setting, in the unit of the response: estimate, conf_low, conf_high of the typical batch.
    log : bool
        Are all the following of the natural logarithm?
    estimate, se, df : array, shape (settings,)
        Of the typical batch on a day still to come.
    keys : tuple of str
        The independent chances that the estimates rest on; that of a batch bears its name in every fit.
        Empty for a number that is worked out and not measured.
    lean : array, shape (settings, keys)
        How the error of each setting leans on them, in rows of length 1.
    spread : callable
        Possible standard deviations of a new batch: from shares, those that such shares of them exceed.
    mean : callable
        From a number of new batches, of new days and a conf_level: estimate, low, high and df of the mean of
        those batches, an array of shape (4, settings).
    residuals : Series
        How far each batch lies off, by run.
    share : float or None
        Of the pieces of a batch, where it is of such a share.
    notes : tuple of str
        What the forecast leaves out.
    """

    typical: pd.DataFrame
    log: bool
    estimate: Array
    se: Array
    df: Array
    keys: tuple[str, ...]
    lean: Array
    spread: Callable[[Array], Array]
    mean: Callable[[int, int, float], Array]
    residuals: pd.Series = field(default_factory=lambda: pd.Series(dtype=float))
    share: float | None = None
    notes: tuple[str, ...] = ()

    @property
    def chance(self) -> bool:
        """Does it vary by chance?"""
        return bool(self.keys)


def exact(values: Array) -> Forecast:
    """The forecast of a number that is worked out and not measured, such as the cost of a piece."""
    return Forecast(
        typical=pd.DataFrame({"estimate": values, "conf_low": values, "conf_high": values}),
        log=False,
        estimate=values,
        se=np.zeros(len(values)),
        df=np.ones(len(values)),
        keys=(),
        lean=np.empty((len(values), 0)),
        spread=lambda share: np.zeros(len(share)),
        mean=lambda batches, days, conf_level: np.stack([*[values] * 3, np.full(len(values), np.inf)]),
    )


def scale(share: Array, df: Array) -> Array:
    """sqrt(df / chi2), one row a share, one column a number of degrees of freedom; a share exceeds it."""
    from scipy import stats

    unique, place = np.unique(df.round(6), return_inverse=True)
    found = np.stack([np.sqrt(each / stats.chi2.ppf(share, each)) for each in unique], axis=1)
    return np.asarray(found[:, place])


def leaning(weights: Array, x: Array, variance: Array) -> Array:
    """How estimates of generalised least squares lean on the batches: `Forecast.lean`.

    The error of w'b is w'(X'V^-1 X)^-1 X'V^-1 e, with e of the variance V.
    """
    size, turn = np.linalg.eigh(variance)
    half = turn * np.sqrt(np.maximum(size, 0)) @ turn.T
    back = np.linalg.solve(variance, x)
    line = weights @ np.linalg.solve(x.T @ back, back.T) @ half
    return np.asarray(line / np.linalg.norm(line, axis=1)[:, None])


class Draws(NamedTuple):
    """Possible truths of a trial, and a batch of each, by response.

    `typical` batch (mean, or median where the logarithm was fitted) and one new `batch` on a new day, each of
    shape (draws, settings) and in the response's unit; chance hits all settings of a draw alike. `spread`,
    shape (draws,), is the standard deviation of a new batch on the scale that was fitted.
    """

    typical: Mapping[str, Array]
    batch: Mapping[str, Array]
    spread: Mapping[str, Array]
    notes: tuple[str, ...]


def simulate(forecasts: Mapping[str, Forecast], *, draws: int = 4000, seed: int = 1) -> Draws:
    """Draw what the typical batch of each setting may truly be, and a new batch of it.

    For each response the mean at a setting is its estimate + se t, with the standard error and degrees of
    freedom of the fit, and errors at several settings hang together as the batches that they rest on. A new
    batch adds the sum of the variance components, drawn as s^2 df / chi2. For one response without random
    groups that is the multivariate t predictive distribution; for several, compare J. J. Peterson, J. Quality
    Technology 36 (2004) 139-153. Responses hang together through the correlation of their residuals, and
    their variances through its square, as in a Wishart distribution.
    """
    from scipy.special import ndtr

    if draws < 100:
        raise ValueError("draws must be 100 or more")
    correlation, notes = _correlation(forecasts)
    width, chance, root = len(forecasts), np.random.default_rng(seed), _root(correlation)
    keys = pd.Index(sorted({key for each in forecasts.values() for key in each.keys}))
    common = chance.standard_normal((draws, len(keys), width)) @ root.T
    noise = chance.standard_normal((draws, width)) @ root.T
    share = ndtr(chance.standard_normal((draws, width)) @ _root(correlation**2).T)
    typical, batch, spread = {}, {}, {}
    for r, (name, each) in enumerate(forecasts.items()):
        error = common[:, keys.get_indexer(pd.Index(each.keys)), r] @ each.lean.T
        mean = each.estimate + error * each.se * scale(share[:, r], each.df)
        spread[name] = each.spread(share[:, r])
        new = mean + (spread[name] * noise[:, r])[:, None]
        typical[name], batch[name] = (np.exp(mean), np.exp(new)) if each.log else (mean, new)
    said = [note for each in forecasts.values() for note in each.notes]
    return Draws(typical, batch, spread, tuple(dict.fromkeys([*said, *notes])))


def _correlation(forecasts: Mapping[str, Forecast]) -> tuple[Array, list[str]]:
    used = list(forecasts.items())
    found, notes = np.eye(len(used)), []
    for i, (name, one) in enumerate(used):
        for j, (other, two) in enumerate(used[:i]):
            if not (one.chance and two.chance):
                continue
            both = pd.concat([one.residuals, two.residuals], axis=1, join="inner").to_numpy(float)
            size = np.sqrt((both**2).sum(axis=0))
            if len(both) < COMMON or not (size > 0).all():
                notes.append(f"{other} and {name} have few batches in common, so they count as independent.")
            else:
                found[i, j] = found[j, i] = float(both[:, 0] @ both[:, 1] / size.prod())
    value, turn = np.linalg.eigh(found)
    if value.min() < 1e-8:  # responses measured on different batches need not fit together
        found = turn * np.maximum(value, 1e-6) @ turn.T
        size = np.sqrt(np.diag(found))
        found = found / np.outer(size, size)
    return found, notes


def _root(correlation: Array) -> Array:
    value, turn = np.linalg.eigh(correlation)
    return np.asarray(turn * np.sqrt(np.maximum(value, 0)))
