"""How much batches and days may differ: all that the readings leave possible, not the best guess alone.

A new batch brings its own batch (and day) effect, so what is forecast for it must hold that variation and the
doubt about how great it is: a mixture over the values that the readings leave possible for the spreads tau
and delta, each weighted by its restricted likelihood. The weights use, for days and for batches alike, equal
chances for equal ratios of the mean square of the stratum, cut off where a variance would be negative (G. C.
Tiao and W. Y. Tan, "Bayesian analysis of random-effect models in the analysis of variance", Biometrika 52,
1965, 37-53); for exactly known log-normal times and a large tau that is the usual t interval for a new batch.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr

from fizzlab.models.censored.estimation import INFORMATION
from fizzlab.models.censored.likelihood import Array
from fizzlab.models.cure.touch import DryTimeFit

#: Mean and standard deviation of the standard error terms of each distribution.
MEAN = {"lognormal": 0.0, "weibull": -float(np.euler_gamma), "loglogistic": 0.0}
SD = {"lognormal": 1.0, "weibull": float(np.pi / np.sqrt(6)), "loglogistic": float(np.pi / np.sqrt(3))}
_LINE = 31  # nodes for the spread between batches without days
_PLANE = 15  # nodes each way with days


@dataclass(frozen=True)
class Spreads:
    """Possible spreads of batches and days; made by `possible_spreads`.

    Parameters
    ----------
    weight : array, shape (nodes,)
    beta : array, shape (nodes, columns)
        The coefficients that go with each.
    covariance : array, shape (nodes, columns, columns)
    batch, day : array, shape (nodes,)
        Variance of log dry time between batches of a day, and between days.
    """

    weight: Array
    beta: Array
    covariance: Array
    batch: Array
    day: Array

    @property
    def new(self) -> Array:
        """Variance of a new batch on a new day about its typical location, shape (nodes,)."""
        return np.asarray(self.batch + self.day)


def possible_spreads(fit: DryTimeFit) -> Spreads:
    """Weigh the spreads by restricted likelihood, on batch summaries linearised at the estimates.

    Each batch's pieces are summed up by a location y_i and its variance v_i, such that a normal likelihood
    with these has the slope and the curvature that the bracketed one has at the estimates.
    """
    found = fit.found
    if fit.strata is None:
        raise ValueError("a forecast for a new batch needs a fit with a batch effect")
    x = fit.model_matrix.to_numpy(float)
    batches, columns = x.shape
    y, own, spread = batch_summaries(fit)
    floor = max(float(np.median(own)), 1e-3 * spread**2, 1e-8)
    own = np.maximum(own, 1e-3 * floor)
    left = max(batches - columns, 1)
    if not fit.day_effect:
        within = _between(np.log(floor), np.log(spread**2 + floor), left, _LINE)
        tau2, delta2 = np.exp(within) - floor, np.zeros(_LINE)
        step = np.full(_LINE, 1.0)
        which = np.zeros((batches, 1))
    else:
        day = found.model.data.day[np.argsort(found.model.data.order)]
        which = (day[:, None] == np.unique(day)[None, :]).astype(float)
        each = float(which.sum(axis=0).mean())
        within_df = max(left - fit.strata.spare_days, 1.0)
        lines = _between(np.log(floor), np.log(spread**2 + floor), within_df, _PLANE)
        square_w = np.repeat(np.exp(lines), _PLANE)
        day_df = max(fit.strata.spare_days, 1.0)
        top = spread**2 + floor + each * found.delta**2
        planes = [_between(np.log(s), np.log(max(top, s)), day_df, _PLANE) for s in np.exp(lines)]
        square_b = np.exp(np.concatenate(planes))
        step = np.repeat([plane[1] - plane[0] for plane in planes], _PLANE)
        tau2, delta2 = square_w - floor, (square_b - square_w) / each
    variance = delta2[:, None, None] * (which @ which.T)
    diagonal = np.arange(batches)
    variance[:, diagonal, diagonal] += tau2[:, None] + own
    half = np.linalg.inv(np.linalg.cholesky(variance))
    white_x, white_y = half @ x, half @ y
    information = np.swapaxes(white_x, 1, 2) @ white_x
    covariance = np.linalg.inv(information)
    beta = (covariance @ np.swapaxes(white_x, 1, 2) @ white_y[..., None])[..., 0]
    rest = white_y - (white_x @ beta[..., None])[..., 0]
    log_weight = (
        np.log(half[:, diagonal, diagonal]).sum(axis=1)
        - 0.5 * np.linalg.slogdet(information)[1]
        - 0.5 * (rest**2).sum(axis=1)
        + np.log(step)
    )
    weight = np.exp(log_weight - log_weight.max())
    weight /= weight.sum()
    keep = weight > 1e-7
    weight = weight[keep] / weight[keep].sum()
    # centred on the estimates: the mixture is there for the spread, not to move them
    beta = found.beta + beta[keep] - weight @ beta[keep]
    return Spreads(weight, beta, covariance[keep], tau2[keep], delta2[keep])


def _between(low: float, middle: float, df: float, count: int) -> Array:
    """Equally spaced logs of a mean square, from its least value until its weight is negligible."""
    high = max(middle, low) + min(40.0 / df, 8.0)
    return np.linspace(max(low, middle - 4.0), high, count)


def batch_summaries(fit: DryTimeFit) -> tuple[Array, Array, float]:
    """Sum up each batch's pieces: a normal likelihood of the slope and curvature of the bracketed one.

    Returns
    -------
    y : array, shape (batches,)
        Location of each batch, in log hours.
    own : array, shape (batches,)
        Variance of y about the batch's true location, from its pieces and brackets alone.
    spread : float
        Standard deviation between batches of a day, as estimated.
    """
    found = fit.found
    bend = np.maximum(found.bend, 1e-6)
    y = fit.model_matrix.to_numpy(float) @ found.beta + found.day_mean + found.sigma * found.pull / bend
    if fit.pieces_alike:  # the fitted scale is then the batches' own spread
        scale = found.sigma**2
        return y, scale / bend - scale / INFORMATION[fit.distribution], found.sigma * SD[fit.distribution]
    return y, found.sigma**2 / bend - found.tau**2, found.tau


def mixed_quantile(centre: Array, sd: Array, weight: Array, chance: float) -> Array:
    """Below what value a mixture of normals lies with a given chance.

    Parameters
    ----------
    centre, sd : array, shape (rows, nodes)
    weight : array, shape (nodes,)
    chance : float

    Returns
    -------
    array, shape (rows,)
    """
    low, high = (centre - 9 * sd).min(axis=1), (centre + 9 * sd).max(axis=1)
    for _ in range(45):
        middle = 0.5 * (low + high)
        below = ndtr((middle[:, None] - centre) / sd) @ weight < chance
        low, high = np.where(below, middle, low), np.where(below, high, middle)
    return np.asarray(0.5 * (low + high))
