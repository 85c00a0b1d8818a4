"""The chance that several t ratios, which share an error and a control, all stay within their limits."""

from __future__ import annotations

import numpy as np
from scipy import stats
from scipy.optimize import brentq
from scipy.special import ndtr, ndtri

from fizzlab.models.effects.variance import Array

_POINTS = 13
_SEED = 20


def within(limits: Array, correlation: Array, df: float, two_sided: bool = True) -> float:
    """P(|T_1| <= limits_1, ..., |T_k| <= limits_k) for multivariate t; P(T_i <= limits_i) if one-sided.

    Parameters
    ----------
    limits : array, shape (k,)
        Positive where two-sided.
    correlation : array, shape (k, k)
        Positive definite; any pattern, as batches need not be equally many.
    df : float
        May be infinite.
    two_sided : bool

    Returns
    -------
    float
        To about four decimals; the same arguments always give the same value.

    Notes
    -----
    Separation of variables (A. Genz, F. Bretz, J. Comput. Graph. Statist. 11 (2002) 950-971) over 8192
    scrambled Sobol points of fixed seed.

    Examples
    --------
    >>> round(within(np.array([2.0, 2.0]), np.eye(2), np.inf), 3)
    0.911
    """
    limits = np.asarray(limits, float)
    k = len(limits)
    if k == 1:
        tail = float(stats.t.sf(limits[0], df))
        return 1 - 2 * tail if two_sided else 1 - tail
    factor = np.linalg.cholesky(correlation)
    points = stats.qmc.Sobol(k, rng=_SEED).random_base2(_POINTS)
    scale = np.sqrt(stats.chi2.ppf(points[:, -1], df) / df) if np.isfinite(df) else np.ones(len(points))
    drawn = np.zeros((len(points), k))
    weight = np.ones(len(points))
    for i in range(k):
        shift = drawn[:, :i] @ factor[i, :i]
        top = ndtr((limits[i] * scale - shift) / factor[i, i])
        bottom = ndtr((-limits[i] * scale - shift) / factor[i, i]) if two_sided else np.zeros_like(top)
        weight = weight * (top - bottom)
        if i < k - 1:
            drawn[:, i] = ndtri(np.clip(bottom + points[:, i] * (top - bottom), 1e-15, 1 - 1e-15))
    return float(weight.mean())


def critical(correlation: Array, df: float, level: float = 0.95, two_sided: bool = True) -> float:
    """The common limit that all t ratios stay within with probability `level`.

    Examples
    --------
    >>> half = np.full((3, 3), 0.5) + 0.5 * np.eye(3)
    >>> round(critical(half, 20, two_sided=False), 2)
    2.19
    """

    def gap(limit: float) -> float:
        return within(np.full(len(correlation), limit), correlation, df, two_sided) - level

    tail = (1 - level) / (2 if two_sided else 1)
    low, high = (float(stats.t.isf(a, df)) for a in (tail, tail / len(correlation)))
    if len(correlation) == 1:
        return low
    return float(brentq(gap, low * 0.98, high * 1.02, xtol=1e-5))


def adjusted_p(t: float, correlation: Array, df: float) -> float:
    """Chance that the largest of the |T_i| reaches |t| when nothing differs."""
    alone = float(2 * stats.t.sf(abs(t), df))
    joint = 1 - within(np.full(len(correlation), abs(t)), correlation, df)
    return float(np.clip(joint, alone, min(1.0, len(correlation) * alone)))
