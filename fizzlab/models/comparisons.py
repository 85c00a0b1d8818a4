"""Levels of a factor compared so that all intervals hold together: with the control, or every pair."""

from __future__ import annotations

from collections.abc import Mapping
from itertools import combinations
from typing import Any, Literal

import numpy as np
import pandas as pd
from scipy import stats
from scipy.optimize import brentq

from fizzlab.models.basis import FactorBasis
from fizzlab.models.effects import ResponseFit
from fizzlab.models.strata import Array
from fizzlab.models.terms import Category

Kind = Literal["control", "pairs"]

_SEED = 20


def compare(
    fit: ResponseFit, factor: str, kind: Kind = "control", *, at: Mapping[str, Any] | None = None
) -> pd.DataFrame:
    """Compare the levels of a factor, judged together.

    Parameters
    ----------
    factor : str
        One with named levels.
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
    C. W. Dunnett, JASA 50 (1955) 1096-1121, with the correlations that the data have, equal or not. C. Y.
    Kramer, Biometrics 12 (1956) 307-310; with unequal numbers those intervals are a little too wide
    (A. J. Hayter, Annals of Statistics 12 (1984) 61-75).

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
    if kind == "control":
        start = levels.index(term.control)
        pairs = [(place, start) for place in range(len(levels)) if place != start]
    else:
        pairs = [(later, former) for former, later in combinations(range(len(levels)), 2)]
    steps = np.array([weights[to] - weights[start] for to, start in pairs])
    covariance = steps @ fit.fits.covariance[0] @ steps.T
    size = np.sqrt(np.diag(covariance))
    correlation = covariance / np.outer(size, size)
    limits: dict[float, float] = {}
    rows = []
    for (to, start), step in zip(pairs, steps, strict=True):
        one = fit.interval(step)
        df = round(one["df"], 6)
        if kind == "control":
            p = adjusted_p(one["t"], correlation, one["df"])
        else:
            p = float(stats.studentized_range.sf(abs(one["t"]) * np.sqrt(2), len(levels), df))
        if df not in limits:
            limits[df] = (
                critical(correlation, df, fit.conf_level)
                if kind == "control"
                else float(stats.studentized_range.ppf(fit.conf_level, len(levels), df)) / np.sqrt(2)
            )
        ends = one["estimate"] + one["se"] * limits[df] * np.array([0, -1, 1])
        ends = np.exp(ends) if fit.log else ends
        rows.append((levels[to], levels[start], *ends, one["df"], p))
    names = ["level", "control", "estimate", "conf_low", "conf_high", "df", "p_value"]
    found = pd.DataFrame(rows, columns=names)
    found.insert(0, "term", factor)
    found.insert(3, "scale", "ratio" if fit.log else "difference")
    return found


def within(limit: float, correlation: Array, df: float) -> float:
    """P(all |T_i| <= limit) for multivariate t of any correlation, as batches need not be equally many.

    By quasi-random integration (A. Genz, F. Bretz, J. Comput. Graph. Statist. 11 (2002) 950-971) of a fixed
    seed, so that the same arguments always give the same value, to about four decimals.

    Examples
    --------
    >>> round(within(2.0, np.eye(2), 1e6), 3)
    0.911
    """
    k = len(correlation)
    if k == 1:
        return 1 - 2 * float(stats.t.sf(limit, df))
    ends = np.full(k, limit)
    found = stats.multivariate_t.cdf(
        ends, shape=correlation, df=df, lower_limit=-ends, random_state=_SEED, maxpts=20_000
    )
    return float(found)


def critical(correlation: Array, df: float, conf_level: float = 0.95) -> float:
    """The common limit that all |t| stay within with probability `conf_level`.

    Examples
    --------
    >>> half = np.full((3, 3), 0.5) + 0.5 * np.eye(3)
    >>> round(critical(half, 20), 2)
    2.54
    """
    k = len(correlation)
    low, high = (float(stats.t.isf((1 - conf_level) / 2 / many, df)) for many in (1, k))
    if k == 1:
        return low

    def gap(limit: float) -> float:
        return within(limit, correlation, df) - conf_level

    return float(brentq(gap, low * 0.98, high * 1.02, xtol=1e-5))


def adjusted_p(t: float, correlation: Array, df: float) -> float:
    """Chance that the largest of the |T_i| reaches |t| when nothing differs."""
    alone = float(2 * stats.t.sf(abs(t), df))
    joint = 1 - within(abs(t), correlation, df)
    return float(np.clip(joint, alone, min(1.0, len(correlation) * alone)))
