"""The same within a margin: the intervals that two one-sided tests stand for."""

from __future__ import annotations

import numpy as np
from scipy import stats
from scipy.optimize import brentq

from fizzlab.models.strata import Array, Fits, contrast


def ratio_limits(
    ratio: float, low: float, high: float, df: float, conf_level: float = 0.95, alpha: float = 0.05
) -> tuple[float, float]:
    """The 1 - 2 alpha limits of a ratio whose interval of another coverage is known, t on its logarithm.

    Two one-sided tests at `alpha` find a ratio within a margin just where these limits lie within it
    (D. J. Schuirmann, J. Pharmacokinetics and Biopharmaceutics 15 (1987) 657-680).

    Examples
    --------
    >>> low, high = ratio_limits(1.0, 0.8, 1.25, df=10)
    >>> round(low, 3), round(high, 3)
    (0.834, 1.199)
    """
    shrink = float(stats.t.isf(alpha, df) / stats.t.ppf(0.5 + conf_level / 2, df))
    middle = np.log(ratio)
    return (
        float(np.exp(middle + shrink * (np.log(low) - middle))),
        float(np.exp(middle + shrink * (np.log(high) - middle))),
    )


def mean_ratio_limits(
    fits: Fits, top: Array, bottom: Array, *, random: bool, alpha: float = 0.05
) -> tuple[float, float]:
    """The 1 - 2 alpha limits of the ratio of two means; infinite where the old one may be zero.

    Without random days the interval is Fieller's, for which the tests are V. Sasabuchi's (D. Hauschke,
    M. Kieser, E. Diletti, M. Burke, Statistics in Medicine 18 (1999) 93-105). With them each ratio has
    degrees of freedom of its own, and the tests are inverted by search.
    """
    beta, covariance = fits.beta[0], fits.covariance[0]
    a, b = float(top @ beta), float(bottom @ beta)
    if random:
        return _inverted(fits, top, bottom, a / b, alpha)
    df = float(contrast(fits, top - bottom)[2][0])
    t2 = float(stats.t.isf(alpha, df)) ** 2
    squared = b**2 - t2 * float(bottom @ covariance @ bottom)
    cross = a * b - t2 * float(top @ covariance @ bottom)
    constant = a**2 - t2 * float(top @ covariance @ top)
    if squared <= 0:
        return -np.inf, np.inf
    root = float(np.sqrt(max(cross**2 - squared * constant, 0.0)))
    return (cross - root) / squared, (cross + root) / squared


def _inverted(fits: Fits, top: Array, bottom: Array, ratio: float, alpha: float) -> tuple[float, float]:
    """The ratios up to which top - ratio × bottom cannot be told from zero, searched for outwards."""

    def past(log_step: float, sign: int) -> float:
        estimate, se, df = (
            float(part[0]) for part in contrast(fits, top - ratio * np.exp(sign * log_step) * bottom)
        )
        return abs(estimate) / se - float(stats.t.isf(alpha, df))

    ends = []
    for sign in (-1, 1):
        inside = 0.0
        for step in np.geomspace(1e-6, np.log(1000), 30):
            if ratio > 0 and past(step, sign) > 0:
                reach = brentq(past, inside, step, args=(sign,)) if inside else step
                ends.append(ratio * float(np.exp(sign * reach)))
                break
            inside = step
        else:
            return -np.inf, np.inf
    return ends[0], ends[1]
