"""Yes-or-no regression with Jeffreys' penalty, and profile intervals for any restriction of it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy import optimize, special

from fizzlab.errors import CannotAnswer
from fizzlab.models.crumble.clusters import Array

Link = Literal["logit", "probit"]

_LOG_ROOT_2PI = 0.5 * np.log(2 * np.pi)
_DECREMENT = 1e-14  # of the objective, in units of log likelihood
_MORE = "Add pieces at heights where some break and some hold."


@dataclass(frozen=True)
class Restriction:
    """The coefficients written as ``origin + span @ free``, so that one combination of them is held.

    Parameters
    ----------
    origin : array, shape (p,)
    span : array, shape (p, q)
    """

    origin: Array
    span: Array


@dataclass(frozen=True)
class BinaryFit:
    """A converged fit.

    Parameters
    ----------
    coefficients : array, shape (p,)
    covariance : array, shape (p, p)
        Inverse of the expected information.
    objective : float
        Log likelihood, with the penalty where there is one.
    scores : array, shape (rows, p)
        Gradient of the unpenalised log likelihood, row by row.
    information : array, shape (rows, p, p)
        Expected information, row by row.
    """

    coefficients: Array
    covariance: Array
    objective: float
    scores: Array
    information: Array


def _pieces(eta: Array, outcome: Array, link: Link) -> tuple[Array, Array, Array, Array]:
    """Log likelihood, its derivative, the working weight and the derivative of its logarithm."""
    if link == "logit":
        chance = special.expit(eta)
        value = outcome * eta - np.logaddexp(0.0, eta)
        return value, outcome - chance, chance * special.expit(-eta), 1.0 - 2.0 * chance
    density = -0.5 * eta**2 - _LOG_ROOT_2PI
    below, above = special.log_ndtr(eta), special.log_ndtr(-eta)
    up, down = np.exp(density - below), np.exp(density - above)
    value = np.where(outcome > 0, below, above)
    slope = np.where(outcome > 0, up, -down)
    return value, slope, up * down, -2.0 * eta - up + down


def jeffreys_penalty(matrix: Array, eta: Array, link: Link) -> tuple[float, Array]:
    """Return 0.5 log det of the information at linear predictor `eta`, and its gradient; -inf if singular."""
    _, _, weight, curve = _pieces(eta, np.zeros_like(eta), link)
    try:
        root = np.linalg.cholesky((matrix * weight[:, None]).T @ matrix)
    except np.linalg.LinAlgError:
        return -np.inf, np.zeros(matrix.shape[1])
    leverage = weight * (np.linalg.solve(root, matrix.T) ** 2).sum(axis=0)
    gradient: Array = 0.5 * matrix.T @ (leverage * curve)
    return float(np.log(np.diag(root)).sum()), gradient


def fit_binary(
    matrix: Array,
    outcome: Array,
    link: Link = "logit",
    jeffreys: bool = True,
    restriction: Restriction | None = None,
    start: Array | None = None,
) -> BinaryFit:
    """Maximise the likelihood of a yes-or-no regression, with Jeffreys' penalty unless switched off.

    With the penalty the function is l(b) + 0.5 log det I(b). For the logit link its maximum removes the
    first-order bias of the estimate; for both links it is finite even when yes and no separate perfectly.

    Parameters
    ----------
    matrix : array, shape (rows, p)
    outcome : array of 0 and 1, shape (rows,)
    link : {"logit", "probit"}
    jeffreys : bool
    restriction : Restriction or None
        Fit only within it; the penalty stays that of the whole model.
    start : array, shape (p,) or (q,), optional
        Where to start from (the free coefficients where restricted).

    Raises
    ------
    CannotAnswer
        The fit did not converge.

    References
    ----------
    D. Firth (1993), Biometrika 80, 27; G. Heinze and M. Schemper (2002), Stat. Med. 21, 2409; for other
    links than the logit, the estimator "MPL_Jeffreys" of the R package brglm2.

    Examples
    --------
    >>> low_holds_high_breaks = np.column_stack([np.ones(4), [10.0, 20.0, 30.0, 40.0]])
    >>> fit = fit_binary(low_holds_high_breaks, np.array([0.0, 0.0, 1.0, 1.0]))
    >>> bool(fit.coefficients[1] > 0), bool(np.isfinite(fit.coefficients).all())
    (True, True)
    """
    width = matrix.shape[1]
    origin = np.zeros(width) if restriction is None else restriction.origin
    span = np.eye(width) if restriction is None else restriction.span
    free = np.zeros(span.shape[1]) if start is None else np.asarray(start, float).copy()

    def evaluate(at: Array) -> tuple[float, Array, Array, Array, Array]:
        eta = matrix @ (origin + span @ at)
        value, slope, weight, _ = _pieces(eta, outcome, link)
        information = (matrix * weight[:, None]).T @ matrix
        total, gradient = float(value.sum()), matrix.T @ slope
        if jeffreys:
            penalty, push = jeffreys_penalty(matrix, eta, link)
            total, gradient = total + penalty, gradient + push
        return total, gradient, information, slope, weight

    free = _climb(lambda at: evaluate(at)[:3], matrix @ span, span, free)
    total, _, information, slope, weight = evaluate(free)
    return BinaryFit(
        origin + span @ free,
        np.asarray(np.linalg.pinv(information), dtype=np.float64),
        total,
        matrix * slope[:, None],
        weight[:, None, None] * matrix[:, :, None] * matrix[:, None, :],
    )


def _climb(
    evaluate: Callable[[Array], tuple[float, Array, Array]], design: Array, span: Array, free: Array
) -> Array:
    """Fisher scoring with step halving; where that creeps, a quasi-Newton search takes over."""
    total, gradient, information = evaluate(free)
    for _ in range(100):
        push = span.T @ gradient
        try:
            step = np.linalg.solve(span.T @ information @ span, push)
        except np.linalg.LinAlgError:
            break
        if float(push @ step) < _DECREMENT:
            return free
        step *= min(1.0, 5.0 / np.abs(design @ step).max())
        for _halving in range(20):
            trial = evaluate(free + step)
            if trial[0] >= total:
                break
            step = step / 2
        else:
            break
        free = free + step
        total, gradient, information = trial
    if not np.isfinite(total):
        raise CannotAnswer("The fit did not converge.", _MORE)
    scale = np.abs(design).max(axis=0)

    def downhill(at: Array) -> tuple[float, Array]:
        value, push, _ = evaluate(at / scale)
        return (-value, -(span.T @ push) / scale) if np.isfinite(value) else (1e10, np.zeros_like(at))

    found = optimize.minimize(downhill, free * scale, jac=True, method="BFGS", options={"gtol": 1e-7})
    free = found.x / scale
    _, gradient, information = evaluate(free)
    push = span.T @ gradient
    try:
        left = float(push @ np.linalg.solve(span.T @ information @ span, push))
    except np.linalg.LinAlgError:
        left = np.inf
    if not left < 1e-7:
        raise CannotAnswer("The fit did not converge.", _MORE)
    return free


def is_separated(matrix: Array, outcome: Array) -> bool:
    """Can some combination of the columns tell yes from no without a mistake?

    Then plain maximum likelihood has no finite answer. Solved as a linear programme.

    Examples
    --------
    >>> matrix = np.column_stack([np.ones(4), [10.0, 20.0, 30.0, 40.0]])
    >>> is_separated(matrix, np.array([0, 0, 1, 1])), is_separated(matrix, np.array([0, 1, 0, 1]))
    (True, False)
    """
    signed = matrix / np.abs(matrix).max(axis=0) * (2.0 * outcome - 1.0)[:, None]
    found = optimize.linprog(
        -signed.sum(axis=0), A_ub=-signed, b_ub=np.zeros(len(signed)), bounds=(-1.0, 1.0), method="highs"
    )
    return bool(found.status == 0 and -found.fun > 1e-7)


def hold(vector: Array, value: float) -> Restriction:
    """Return the restriction ``vector @ coefficients == value``.

    Examples
    --------
    >>> held = hold(np.array([1.0, 2.0]), 4.0)
    >>> float(np.array([1.0, 2.0]) @ held.origin), bool(np.allclose(np.array([1.0, 2.0]) @ held.span, 0))
    (4.0, True)
    """
    origin = vector * value / (vector @ vector)
    span = np.linalg.svd(vector[None, :])[2][1:].T
    return Restriction(origin, span)


def profile_interval(
    drop: Callable[[float], float], estimate: float, error: float, allowed: float
) -> tuple[float, float]:
    """Return where the profile has dropped by `allowed`; infinite where it never does.

    An end is also infinite, that is left open, where the profile cannot be followed so far out: with very
    few batches that is beyond any effect of interest.

    Parameters
    ----------
    drop : callable
        Twice the fall of the maximised objective when the quantity is held at a value.
    estimate : float
        Where the fall is zero.
    error : float
        A standard error, for the first step outward.
    allowed : float
        The fall that ends the interval.
    """

    target = float(np.sqrt(allowed))

    def height(at: float) -> float:
        return float(np.sqrt(max(0.0, drop(at)))) - target  # the root of the fall is nearly a straight line

    def end(sign: float) -> float:
        inner, reach = estimate, error
        for tries in range(12):
            outer = estimate + sign * reach
            above = height(outer)
            if above >= 0:
                return float(optimize.brentq(height, inner, outer, xtol=1e-4 * error, rtol=1e-8))
            inner = outer
            wanted = 1.1 * target / max(above + target, 1e-3 * target)
            reach *= 8.0 if tries > 4 else min(max(wanted, 1.3), 8.0)
        return sign * np.inf

    def end_or_open(sign: float) -> float:
        try:
            return end(sign)
        except CannotAnswer:
            return sign * np.inf

    return end_or_open(-1.0), end_or_open(1.0)
