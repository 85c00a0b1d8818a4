"""The shape of a response: does it bend, where is the best amount, and what do the shares of a blend do?"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from scipy import stats
from scipy.optimize import minimize

from fizzlab.errors import cannot
from fizzlab.language import say
from fizzlab.models.basis import Blending, FactorBasis, MixtureBasis, in_hull, refuse_inseparable, shares
from fizzlab.models.curing import fit_curing_time
from fizzlab.models.curing_fit import CuringFit
from fizzlab.models.days import Days
from fizzlab.models.effects import ResponseFit, fit_basis, fit_one, measured
from fizzlab.models.strata import interval
from fizzlab.models.terms import Amount, Array


def bend(fit: ResponseFit | CuringFit) -> dict[str, float]:
    """How far the middle of the amounts lies above a straight line between their ends, as fitted."""
    basis = _amounts(fit)
    squares = (_coded(fit, basis) ** 2).mean(axis=1)
    if any("^" in term for term in basis.terms):
        raise ValueError("the model holds bends already; see its tests")
    if np.ptp(squares) < 1e-6:
        raise cannot("no_middle")
    if isinstance(fit, CuringFit):
        terms, runs = (*fit.terms, Amount("bend")), fit.batches.assign(bend=-squares)
        more = fit_curing_time(
            fit.brackets, terms, runs=runs, air="vpd" if fit.air else "none", conf_level=fit.conf_level
        )
        row: dict[str, float] = more.coefficients.T.to_dict()["bend"]
        return {**row, "estimate": row["coef"], "t": row["coef"] / row["se"]}
    x = np.column_stack([fit.strata.x, -squares])
    refuse_inseparable(x, [*[say("other_effects")] * fit.strata.x.shape[1], say("the_bend")])
    _, fits = fit_one(x, None if fit.strata.day is None else fit.batches["day"], fit.y, fit.response)
    return interval(fits, np.eye(x.shape[1])[-1], fit.conf_level)


@dataclass(frozen=True)
class Best:
    """Where a curved response is `greatest` or least within what was tried, in the maker's units.

    `ends` are the amounts between which the best of each lies, the others at `point`, as far as they were
    tried. Not `inside`: at the edge of what was tried. The response there is on the scale fitted.
    """

    greatest: bool
    inside: bool
    point: dict[str, float]
    ends: dict[str, tuple[float, float]]
    estimate: float
    conf_low: float
    conf_high: float


def best(fit: ResponseFit | CuringFit, *, greatest: bool | None = None) -> Best:
    """Find the best amounts within what was tried, by a bend for each; left out, `greatest` as they turn.

    `Best.ends`: where the slope along an amount, a contrast (p + s q)'b, cannot be told from zero (E. C.
    Fieller, JRSS B 16 (1954) 175-185).
    """
    basis = _amounts(fit)
    names = [factor.name for factor in basis.amounts]
    missing = [name for name in names if f"{name}^2" not in basis.terms]
    if missing:
        raise ValueError(f"the model has no bend of {missing[0]}; use model='quadratic'")

    def rows(coded: Array) -> Array:
        return fit.weights(pd.DataFrame([basis.decoded(row) for row in coded]))

    # y = c + linear'x + x'square x; differences are exact, the model being quadratic
    size, unit = len(names), np.eye(len(names))
    if isinstance(fit, CuringFit):
        beta, covariance = fit.inner.found.beta, fit.inner.found.covariance[:-1, :-1]
    else:
        beta, covariance = fit.fits.beta[0], fit.fits.covariance[0]
    middle, up = rows(np.zeros((1, size)))[0], rows(unit)
    pairs = rows((unit[:, None] + unit[None]).reshape(-1, size)).reshape(size, size, -1)
    square = (pairs - up[:, None] - up[None] + middle) / 2
    linear = up - middle - np.einsum("iik->ik", square)
    b, big = linear @ beta, square @ beta
    greatest = bool(np.trace(big) < 0) if greatest is None else greatest
    sign = -1.0 if greatest else 1.0
    tried = np.unique(_coded(fit, basis), axis=0)
    x, inside = np.zeros(size), bool(np.linalg.eigvalsh(sign * big)[0] > 1e-10)
    if inside:
        x = -0.5 * np.linalg.solve(big, b)
        inside = in_hull(tried, x)
    if not inside:  # a weighted mean of the settings tried

        def value(share: Array) -> float:
            point = share @ tried
            return sign * float(b @ point + point @ big @ point)

        start = np.eye(len(tried))[np.argmin([value(each) for each in np.eye(len(tried))])]
        whole = {"type": "eq", "fun": lambda share: share.sum() - 1}
        x = minimize(value, start, bounds=[(0, 1)] * len(start), constraints=whole).x @ tried
    ends = {}
    for i, name in enumerate(names):
        q, p = 2 * square[i, i], linear[i] + 2 * np.delete(x, i) @ np.delete(square[i], i, axis=0)
        t2 = float(stats.t.ppf(0.5 + fit.conf_level / 2, fit.interval(p + x[i] * q)["df"])) ** 2
        a, h, c = ((u @ beta) * (v @ beta) - t2 * (u @ covariance @ v) for u, v in ((q, q), (p, q), (p, p)))
        reach = np.sqrt(max(h**2 - a * c, 0.0))
        sides = np.clip([(-h - reach) / a, (-h + reach) / a], -1, 1) if a > 0 else (-1.0, 1.0)
        low, high = (basis.decoded(np.where(np.arange(size) == i, side, x))[name] for side in sides)
        ends[name] = (low, high)
    one = fit.interval(rows(x[None])[0])
    return Best(greatest, inside, basis.decoded(x), ends, one["estimate"], one["conf_low"], one["conf_high"])


def _amounts(fit: ResponseFit | CuringFit) -> FactorBasis:
    basis = fit.basis
    if isinstance(fit, CuringFit):  # the air is no amount of the maker's
        basis = replace(fit.basis, factors=fit.terms)
    if not isinstance(basis, FactorBasis) or not basis.amounts:
        raise ValueError("only a model with amounts has a shape")
    return basis


def _coded(fit: ResponseFit | CuringFit, basis: FactorBasis) -> Array:
    """The amounts of the batches, -1 to +1 over what was tried."""
    return np.hstack([basis.coded(each, fit.batches[each.name]) for each in basis.amounts])


def fit_mixture(
    batches: pd.DataFrame,
    response: str,
    parts: Sequence[Amount],
    *,
    blending: Blending = "quadratic",
    log: bool | None = None,
    days: Days = "auto",
    conf_level: float = 0.95,
) -> ResponseFit:
    """Say what the shares of a mixture do to one number a batch; otherwise as `fit_response`.

    `parts` is every part of the mixture, in one unit; only their shares count. y = sum b_i x_i + sum b_ij x_i
    x_j + sum b_ijk x_i x_j x_k (H. Scheffé, JRSS B 20 (1958) 344-360); effects along D. R. Cox's line
    (Biometrika 58 (1971) 155-159).
    """
    if len(parts) < 2:
        raise ValueError("a mixture has at least two parts")
    table, lost, log = measured(batches, response, [part.name for part in parts], log)
    made = shares(table, parts)
    for part, spread in zip(parts, np.ptp(made, axis=0), strict=True):
        if spread < 1e-9:
            raise cannot("same_share", part=part.name)
    basis = MixtureBasis(tuple(parts), blending, made)
    return fit_basis(
        table, response, basis, log=log, days=days, margin=None, conf_level=conf_level, lost=lost
    )
