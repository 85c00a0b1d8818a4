"""Looking again at a trial that grew: intervals that hold for all the looks together.

Planned looks spend the error as K. K. G. Lan and D. L. DeMets proposed (Biometrika 70, 1983, 659-663); where
none were planned, each has the critical value of S. J. Pocock (Biometrika 64, 1977, 191-199).
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from itertools import pairwise

import numpy as np
from scipy import stats
from scipy.optimize import brentq

#: The random start of SciPy's integration, fixed so that the same looks always get the same level.
_SEED = 1977

#: A very early look would need more than this, which no t table has.
_FARTHEST = 6.0


def _held(bounds: Sequence[float], batches: Sequence[float]) -> float:
    """Chance that no look of a trial without effect passes its bound, on either side."""
    size = np.asarray(batches, float)
    linked = np.sqrt(np.minimum.outer(size, size) / np.maximum.outer(size, size))
    ends = np.asarray(bounds, float)
    normal = stats.multivariate_normal(cov=linked, seed=_SEED, maxpts=200_000, abseps=1e-6, releps=1e-6)
    return float(normal.cdf(ends, lower_limit=-ends))


def constant_level(batches: Sequence[int], conf_level: float = 0.95) -> float:
    """The confidence level of each look, `batches` at each, at which the intervals of all hold together.

    That of the constant c with P(|Z_1| <= c, ..., |Z_k| <= c) = `conf_level`; the correlation of two looks is
    the root of the ratio of their batches. With few degrees of freedom a t interval of this level stands in.

    >>> round(constant_level([12, 24]), 4)
    0.9706
    """
    if any(later <= earlier for earlier, later in pairwise(batches)):
        raise ValueError("each look must have more batches than the one before")
    if len(batches) == 1:
        return conf_level
    most = float(stats.norm.isf((1 - conf_level) / (2 * len(batches))))
    least = float(stats.norm.isf((1 - conf_level) / 2))
    found = brentq(lambda c: _held([c] * len(batches), batches) - conf_level, least, most, xtol=1e-6)
    return float(1 - 2 * stats.norm.sf(found))


def planned_level(batches: Sequence[int], last: int, conf_level: float = 0.95) -> float:
    """The confidence level of the newest look, where the looks up to the `last` batch were planned.

    With t the share of the last look's batches, either side has spent 2 - 2 Phi(Phi^-1(1 - a / 2) / sqrt(t))
    of its error a = (1 - `conf_level`) / 2. A look beyond was not planned: `constant_level`.

    >>> [round(planned_level(looks, 24), 4) for looks in ([12], [12, 18], [12, 18, 24])]
    [0.9969, 0.9817, 0.956]
    """
    if batches[-1] > last:
        return constant_level(batches, conf_level)
    shares = np.asarray(batches) / last
    spent = 4 * stats.norm.sf(stats.norm.isf((1 - conf_level) / 4) / np.sqrt(shares))
    bounds: tuple[float, ...] = ()
    for look, error in enumerate(spent.tolist(), start=1):
        bounds += (_next_bound(bounds, tuple(batches[:look]), error),)
    return float(1 - 2 * stats.norm.sf(min(bounds[-1], _FARTHEST)))


@lru_cache(maxsize=64)
def _next_bound(bounds: tuple[float, ...], batches: tuple[float, ...], spent: float) -> float:
    return float(brentq(lambda c: _held([*bounds, c], batches) - (1 - spent), 1.0, 40.0, xtol=1e-6))
