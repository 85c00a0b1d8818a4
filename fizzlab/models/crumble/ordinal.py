"""Cumulative-logit regression of ordered scores by maximum likelihood, proportional odds or not."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

from fizzlab.errors import CannotAnswer
from fizzlab.models.crumble.clusters import Array, cluster_covariance, joint_design_effect

#: Log odds that no small trial can tell from "always": past it an estimate is running off to infinity.
RUNAWAY = 12.0

_MORE = "Score more pieces, or leave out the level whose scores are all alike."


@dataclass(frozen=True)
class OrdinalFit:
    """A converged fit of P(score <= j) = logistic(design[:, j] @ coefficients).

    Parameters
    ----------
    coefficients : array, shape (p,)
        Thresholds first.
    covariance : array, shape (p, p)
        Inverse of the observed information.
    loglik : float
    scores : array, shape (rows, p)
        Gradient of the log likelihood of each row.
    information : array, shape (rows, p, p)
        Observed information of each row.
    """

    coefficients: Array
    covariance: Array
    loglik: float
    scores: Array
    information: Array


def proportional_design(columns: Array, steps: int, free: NDArray[np.intp] | None = None) -> Array:
    """Return the design of a proportional-odds model, with some columns released from proportionality.

    Parameters
    ----------
    columns : array, shape (rows, k)
    steps : int
        Thresholds: score categories less one.
    free : array of int, optional
        Columns that get a coefficient of their own at every threshold.

    Returns
    -------
    array, shape (rows, steps, p)
        ``p = steps + k`` and, for each released column, `steps` - 1 departures after them.

    Examples
    --------
    >>> proportional_design(np.array([[2.0]]), steps=2)[0]
    array([[ 1.,  0., -2.],
           [ 0.,  1., -2.]])
    """
    rows, width = columns.shape
    released = np.zeros(0, int) if free is None else np.asarray(free, int)
    design = np.zeros((rows, steps, steps + width + len(released) * (steps - 1)))
    for j in range(steps):
        design[:, j, j] = 1.0
        design[:, j, steps : steps + width] = -columns
        if j > 0:
            first = steps + width + (j - 1) * len(released)
            design[:, j, first : first + len(released)] = -columns[:, released]
    return design


def _evaluate(
    at: Array, design: Array, category: NDArray[np.intp]
) -> tuple[float, Array, Array, NDArray[np.bool_]]:
    """Log likelihood, row gradients and row informations; which rows have a positive probability."""
    eta = design @ at
    rows, steps = eta.shape
    index = np.arange(rows)
    above = np.where(category < steps, eta[index, np.minimum(category, steps - 1)], np.inf)
    below = np.where(category > 0, eta[index, np.maximum(category - 1, 0)], -np.inf)
    upper = np.where((category < steps)[:, None], design[index, np.minimum(category, steps - 1)], 0.0)
    lower = np.where((category > 0)[:, None], design[index, np.maximum(category - 1, 0)], 0.0)
    # both tails, so that a difference of two numbers near 1 keeps its figures
    chance = np.where(
        above + below > 0,
        special.expit(-below) - special.expit(-above),
        special.expit(above) - special.expit(below),
    )
    fine = chance > 1e-300
    safe = np.where(fine, chance, 1.0)
    tall, short = special.expit(above), special.expit(below)
    f_up, f_low = tall * special.expit(-above), short * special.expit(-below)
    g_up, g_low = f_up * (1 - 2 * tall), f_low * (1 - 2 * short)
    slope = (upper * f_up[:, None] - lower * f_low[:, None]) / safe[:, None]
    outer = slope[:, :, None] * slope[:, None, :]
    curve = (
        (g_up / safe)[:, None, None] * upper[:, :, None] * upper[:, None, :]
        - (g_low / safe)[:, None, None] * lower[:, :, None] * lower[:, None, :]
    )  # fmt: skip
    return float(np.log(safe).sum()), slope, outer - curve, fine


def climb(design: Array, category: NDArray[np.intp], start: Array) -> tuple[Array, float, Array, Array]:
    """Newton's method with step halving: coefficients, log likelihood, row gradients, row informations.

    Where estimates run off to infinity the log likelihood still tends to its limit, and that is what comes
    back; `fit_ordinal` refuses such a fit, a likelihood-ratio test may use it.
    """
    at, width = np.asarray(start, float), design.shape[2]
    loglik, slope, information, fine = _evaluate(at, design, category)
    if not fine.all():
        raise CannotAnswer("The scores could not be fitted.", _MORE)
    for _ in range(100):
        gradient, total = slope.sum(axis=0), information.sum(axis=0)
        try:
            root = np.linalg.cholesky(total)
            step = np.linalg.solve(root.T, np.linalg.solve(root, gradient))
        except np.linalg.LinAlgError:
            step = np.linalg.lstsq(total + np.eye(width), gradient, rcond=None)[0]
        if float(gradient @ step) < 1e-11:
            return at, loglik, slope, information
        for _halving in range(30):
            trial = _evaluate(at + step, design, category)
            if trial[3].all() and trial[0] >= loglik - 1e-12:
                break
            step = step / 2
        else:
            break
        at = at + step
        loglik, slope, information, fine = trial
    raise CannotAnswer("The fit of the scores did not converge.", _MORE)


def fit_ordinal(design: Array, category: NDArray[np.intp], start: Array | None = None) -> OrdinalFit:
    """Maximise the likelihood by Newton's method with the analytic gradient and Hessian.

    Parameters
    ----------
    design : array, shape (rows, steps, p)
        See `proportional_design`; the first `steps` coefficients are the thresholds.
    category : array of int, shape (rows,)
        0 to `steps`; every value must occur.
    start : array, shape (p,), optional

    Raises
    ------
    CannotAnswer
        No convergence, or an estimate that runs off to infinity (separation).

    References
    ----------
    P. McCullagh (1980), J. R. Stat. Soc. B 42, 109 (from memory, not seen).

    Examples
    --------
    >>> columns = np.repeat([[0.0], [1.0]], 4, axis=0)
    >>> fit = fit_ordinal(proportional_design(columns, 2), np.array([0, 0, 1, 2, 0, 1, 2, 2]))
    >>> round(float(fit.coefficients[2]), 1)
    1.1
    """
    rows, steps, width = design.shape
    if start is None:
        counts = np.bincount(category, minlength=steps + 1)
        start = np.zeros(width)
        start[:steps] = special.logit(np.cumsum(counts)[:-1] / rows)
    at, loglik, slope, information = climb(design, category, start)
    reach = np.ptp(design[:, :, steps:], axis=(0, 1)) if width > steps else np.zeros(0)
    if (np.abs(at[steps:]) * reach > RUNAWAY).any():
        raise CannotAnswer("One level always scores apart from another, so no odds can be given.", _MORE)
    try:
        np.linalg.cholesky(information.sum(axis=0))
    except np.linalg.LinAlgError as error:
        raise CannotAnswer("The scores do not settle the fit.", _MORE) from error
    return OrdinalFit(at, np.linalg.inv(information.sum(axis=0)), loglik, slope, information)


def departure_test(
    columns: Array,
    category: NDArray[np.intp],
    fit: OrdinalFit,
    free: NDArray[np.intp],
    codes: NDArray[np.intp],
    count: int,
) -> tuple[float, int, float]:
    """Return the likelihood ratio against released columns, its degrees of freedom and design effect.

    The ratio stands even where a released coefficient runs off to infinity (a score that one level never
    gets), for its limit is finite. The design effect is worked out at the proportional fit.

    Parameters
    ----------
    columns : array, shape (rows, k)
    category : array of int, shape (rows,)
    fit : OrdinalFit
        The proportional fit.
    free : array of int
        Columns to release.
    codes, count
        Batch of each row, and their number.
    """
    steps = int(category.max())
    design = proportional_design(columns, steps, free)
    added = np.arange(len(fit.coefficients), design.shape[2])
    null = np.concatenate([fit.coefficients, np.zeros(len(added))])
    _, slope, information, _ = _evaluate(null, design, category)
    try:
        robust = cluster_covariance(slope, information, codes, count)
        effect = joint_design_effect(added, np.linalg.inv(information.sum(axis=0)), robust)
    except np.linalg.LinAlgError as error:
        raise CannotAnswer("The scores are too few to test it.", _MORE) from error
    wider = climb(design, category, null)[1]
    return max(0.0, 2 * (wider - fit.loglik)), len(added), effect


def category_chances(coefficients: Array, design: Array) -> tuple[Array, Array]:
    """Return the chance of every category and its gradient.

    Parameters
    ----------
    coefficients : array, shape (p,)
    design : array, shape (rows, steps, p)

    Returns
    -------
    chances : array, shape (rows, steps + 1)
    gradients : array, shape (rows, steps + 1, p)
    """
    rows, _, width = design.shape
    cumulated = special.expit(design @ coefficients)
    density = (cumulated * (1 - cumulated))[:, :, None] * design
    chances = np.diff(cumulated, axis=1, prepend=0.0, append=1.0)
    nothing = np.zeros((rows, 1, width))
    gradients = np.diff(np.concatenate([nothing, density, nothing], axis=1), axis=1)
    return chances, gradients
