"""Levels of a factor compared: intervals that hold together, and the same within a margin."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import lru_cache
from itertools import combinations
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
import pandas as pd
from scipy import stats
from scipy.optimize import brentq
from scipy.special import ndtr, ndtri

from fizzlab.models.basis import FactorBasis
from fizzlab.models.result import outward
from fizzlab.models.strata import Fits, contrast
from fizzlab.models.terms import Array, Category

if TYPE_CHECKING:
    from fizzlab.models.effects import ResponseFit

Kind = Literal["control", "pairs"]

_SEED, _POINTS = 20, 12  # of Sobol's points, and of their number the logarithm to base 2


def compare(
    fit: ResponseFit, factor: str, kind: Kind = "control", *, at: Mapping[str, Any] | None = None
) -> pd.DataFrame:
    """Compare the levels of a factor, judged together.

    Parameters
    ----------
    kind : {"control", "pairs"}
        Each level with the control (Dunnett), or every pair (Tukey, Kramer).
    at : mapping, optional
        Values at which to hold other factors: ``{"binder": "gum"}``.

    Returns
    -------
    DataFrame
        One row a comparison: term, level, control, scale, estimate, conf_low, conf_high, df, p_value. With
        probability `fit.conf_level` every interval holds its truth; p_value is adjusted likewise.

    Notes
    -----
    C. W. Dunnett, JASA 50 (1955) 1096-1121, with the correlations that the data have. C. Y. Kramer,
    Biometrics 12 (1956) 307-310; with unequal numbers those intervals are a little too wide.

    Examples
    --------
    >>> from fizzlab.models.effects import fit_response
    >>> trial = pd.DataFrame({"run": list("ABCDEF"), "colour": ["dye", "lake", "mica"] * 2,
    ...                       "hours": [4.0, 6.1, 4.4, 4.2, 6.5, 4.3]})
    >>> compare(fit_response(trial, "hours", "colour"), "colour")[["level", "estimate", "p_value"]].round(3)
      level  estimate  p_value
    0  lake     1.536    0.002
    1  mica     1.061    0.279
    """
    if not isinstance(fit.basis, FactorBasis):
        raise ValueError("the parts of a mixture cannot vary alone, so they have no levels to compare")
    term = fit.basis.factor(factor)
    if not isinstance(term, Category):
        raise ValueError(f"{factor} is an amount; its effect stands in the fit's table")
    levels = list(term.levels)
    held = {fit.basis.factor(name).name: value for name, value in (at or {}).items() if name != factor}
    weights = fit.weights(pd.DataFrame({factor: levels}).assign(**held))
    start = levels.index(term.control)
    pairs = [(place, start) for place in range(len(levels)) if place != start]
    if kind == "pairs":
        pairs = [(later, former) for former, later in combinations(range(len(levels)), 2)]
    steps = np.array([weights[to] - weights[start] for to, start in pairs])
    covariance = steps @ fit.fits.covariance[0] @ steps.T
    size = np.sqrt(np.diag(covariance))
    correlation = covariance / np.outer(size, size)
    limits: dict[float, float] = {}
    rows = []
    for (to, start), step in zip(pairs, steps, strict=True):
        one = fit.interval(step)
        t, df = abs(one["t"]), round(one["df"], 6)
        if kind == "control":
            limits[df] = limits.get(df) or critical(correlation, df, fit.conf_level)
            p = any_beyond(t, correlation, one["df"])
        else:
            limits[df] = pairs_limit(fit.conf_level, len(levels), df)
            p = float(stats.studentized_range.sf(t * np.sqrt(2), len(levels), df))
        ends = one["estimate"] + one["se"] * limits[df] * np.array([0, -1, 1])
        rows.append((levels[to], levels[start], *(np.exp(ends) if fit.log else ends), one["df"], min(p, 1.0)))
    names = ["level", "control", "estimate", "conf_low", "conf_high", "df", "p_value"]
    found = pd.DataFrame(rows, columns=names)
    found.insert(0, "term", factor)
    found.insert(3, "scale", "ratio" if fit.log else "difference")
    return found


def any_beyond(limit: float, correlation: Array, df: float) -> float:
    """P(some |T_i| > limit) for multivariate t of any correlation, to four digits however small it is.

    The sum over i of P(|T_i| > limit, |T_j| <= limit for j < i): T_i is drawn from its own tail, so that no
    digits are lost; given T_i and the spread, the others follow each other (A. Genz, F. Bretz, J. Comput.
    Graph. Statist. 11 (2002) 950-971), at seeded points.
    """
    tail = float(stats.t.sf(limit, df))
    if len(correlation) == 1:
        return 2 * tail
    points = stats.qmc.Sobol(len(correlation), seed=_SEED).random_base2(_POINTS)
    first = stats.t.isf(points[:, 0] * tail, df)
    spread = np.sqrt((df + first**2) / stats.chi2.isf(points[:, 1], df + 1))
    found = 2 * tail
    for i, row in enumerate(correlation[1:], 1):
        root = np.linalg.cholesky(correlation[:i, :i] - np.outer(row[:i], row[:i]))
        share, z = np.ones(len(points)), np.zeros((len(points), i))
        for j in range(i):
            shift = z @ root[j]
            low, high = (
                ndtr(((end - row[j] * first) / spread - shift) / root[j, j]) for end in (-limit, limit)
            )
            share *= high - low
            if j + 1 < i:
                z[:, j] = ndtri(np.clip(low + points[:, j + 2] * (high - low), 1e-300, 1 - 1e-16))
        found += 2 * tail * float(share.mean())
    return found


def critical(correlation: Array, df: float, conf_level: float = 0.95) -> float:
    """The common limit that all |t| stay within with probability `conf_level`.

    >>> round(critical(np.full((3, 3), 0.5) + 0.5 * np.eye(3), 20), 4)
    2.5404
    """
    return _limit(lambda limit: any_beyond(limit, correlation, df), len(correlation), df, conf_level)


def _limit(beyond: Callable[[float], float], many: float, df: float, conf_level: float) -> float:
    """What some of `many` t is beyond with 1 - `conf_level`: between the limits of one and Bonferroni's."""
    low, high = (float(stats.t.isf((1 - conf_level) / 2 / count, df)) for count in (1, many))

    def past(log_limit: float) -> float:  # a tail is nearly a power, and this then a straight line
        return float(np.log(beyond(np.exp(log_limit)) / (1 - conf_level)))

    ends = np.log([low * 0.999, high * 1.001])
    return low if many == 1 else float(np.exp(brentq(past, *ends, xtol=1e-8)))


@lru_cache(maxsize=256)
def pairs_limit(conf_level: float, levels: int, df: float) -> float:
    """What |t| of every pair of levels stays within with that probability (Tukey)."""
    many = levels * (levels - 1) / 2
    spread = stats.studentized_range
    return _limit(lambda limit: float(spread.sf(limit * np.sqrt(2), levels, df)), many, df, conf_level)


def mean_ratio_limits(fits: Fits, top: Array, bottom: Array, alpha: float = 0.05) -> tuple[float, float]:
    """The 1 - 2 alpha limits of the ratio of two means; infinite where the old one may be zero.

    Ratios up to which top - ratio × bottom cannot be told from zero (D. Hauschke et al., Statistics in
    Medicine 18 (1999) 93-105); Fieller's interval without random days.
    """
    ratio = float(top @ fits.beta[0]) / float(bottom @ fits.beta[0])

    def past(reach: float) -> float:
        estimate, se, df = (float(part[0]) for part in contrast(fits, top - ratio * np.exp(reach) * bottom))
        return abs(estimate) / se - float(stats.t.isf(alpha, df))

    ends = [outward(past, 0.0, step, 1e-9) for step in (-1e-3, 1e-3)] if ratio > 0 else [np.inf]
    if not np.isfinite(ends).all():
        return -np.inf, np.inf
    low, high = (ratio * np.exp(ends)).tolist()
    return low, high
