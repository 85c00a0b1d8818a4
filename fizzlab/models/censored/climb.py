"""Finding the top of a likelihood of bracketed times, or why it has none."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy.linalg import solve_triangular
from scipy.optimize import linprog, minimize

from fizzlab.models.censored.likelihood import Array, Brackets, Level, Model, cumulative


class NotFitted(Exception):
    """The likelihood has no top that was reached; `kind` says which way it failed."""

    def __init__(
        self, kind: Literal["not converged", "satisfied", "separated", "vague"], columns: list[int]
    ) -> None:
        self.kind = kind
        self.columns = columns
        super().__init__(kind)


@dataclass
class _Climb:
    """Keeps the last evaluation, since the optimiser asks for value, slope and curvature apart."""

    model: Model
    key: bytes = b""
    level: Level | None = None

    def __call__(self, theta: Array) -> Level:
        key = theta.tobytes()
        if self.level is None or key != self.key:
            self.key, self.level = key, self.model.at(theta)
        return self.level


def climb(model: Model, start: Array) -> tuple[Array, Level, bool]:
    """Maximise the log-likelihood by a trust region with exact slopes; finish with Newton steps."""
    last = _Climb(model)
    if _height(last(start)) > 1e299:
        return start, last(start), False
    with np.errstate(all="ignore"):  # far trial points may overflow; the trust region draws back from them
        try:
            found = minimize(
                lambda t: _height(last(t)),
                start,
                jac=lambda t: -last(t).score,
                hess=lambda t: -last(t).hessian,
                method="trust-exact",
                options={"gtol": 1e-5, "maxiter": 100, "initial_trust_radius": 1.0, "max_trust_radius": 20.0},
            )
        except (ValueError, OverflowError, np.linalg.LinAlgError):  # a step that is not a number
            return start, last(start), False
        theta = np.asarray(found.x)
        level = last(theta)
        good = _height(level) < 1e299
        for _ in range(3):
            if not good:
                break
            try:
                np.linalg.cholesky(-level.hessian)
            except np.linalg.LinAlgError:
                good = False
                break
            step = _newton(level)
            if abs(step @ level.score) < 1e-14:
                break
            further = theta + step
            good = bool(np.isfinite(further).all()) and _height(last(further)) < _height(level) + 1e-6
            if good:
                theta, level = further, last(further)
        if good:
            good = bool(abs(level.score @ _newton(level)) < 1e-8)
    return theta, level, good


def _newton(level: Level) -> Array:
    """The Newton step, or no numbers where the curvature is singular."""
    try:
        return np.asarray(np.linalg.solve(-level.hessian, level.score))
    except np.linalg.LinAlgError:
        return np.full_like(level.score, np.nan)


def _height(level: Level) -> float:
    """Minus the log-likelihood, or a wall where it or its slopes cannot be computed."""
    usable = np.isfinite(level.loglik) and np.isfinite(level.score).all() and np.isfinite(level.hessian).all()
    return -level.loglik if usable else 1e300


def start_values(data: Brackets) -> Array:
    """Start values: least squares on the middles of the brackets."""
    a, b = data.lower, data.upper
    middle = np.where(np.isneginf(a), b - 0.4, np.where(np.isposinf(b), a + 0.4, 0.5 * (a + b)))
    q = data.q[data.batch]
    root = np.sqrt(data.count)
    beta = np.linalg.lstsq(q * root[:, None], middle * root, rcond=None)[0]
    sd = float(np.sqrt(np.average((middle - q @ beta) ** 2, weights=data.count)))
    alpha = 1.0 / max(sd, 0.15)
    return np.append(beta * alpha, np.log(alpha))


def why_not(data: Brackets) -> NotFitted | None:
    """Look for a direction in which the likelihood never stops rising (a linear programme).

    Along (g, h), h >= 0, no bracket's probability ever falls if h b - x'g >= 0 at every finite upper end
    and h a - x'g <= 0 at every finite lower end. With h > 0 some line satisfies every bracket; with h = 0
    only batches censored on one side move (separation).
    """
    x, a, b = data.q[data.batch], data.lower, data.upper
    low, high = np.isfinite(a), np.isfinite(b)
    width = x.shape[1]
    rise = np.vstack(
        [np.column_stack([-x[high], b[high]]), np.column_stack([x[low], -a[low]])],
    )
    for top, kind in ((0.0, "separated"), (1.0, "satisfied")):
        bounds = [(-1.0, 1.0)] * width + [(0.0, top)]
        found = linprog(
            -rise.sum(axis=0), A_ub=-rise, b_ub=np.zeros(len(rise)), bounds=bounds, method="highs"
        )
        if found.status == 0 and -found.fun > 1e-7:
            direction = solve_triangular(data.r, found.x[:width])
            size = np.abs(direction) * data.x.std(axis=0)
            columns = [int(i) for i in np.flatnonzero(size > 1e-6 * max(size.max(), 1e-12))]
            return NotFitted(kind, columns)  # type: ignore[arg-type]
    return None


def all_likely(model: Model, theta: Array) -> bool:
    """Whether no bracket contradicts the plain fit, as when some line lies in or on the edge of each."""
    data = model.data
    gamma, alpha, _, _ = model.split(theta)
    middle = (data.q @ gamma)[data.batch]
    open_ended = ~data.exact
    with np.errstate(all="ignore"):
        below = cumulative(model.shape, alpha * data.lower - middle)
        above = cumulative(model.shape, alpha * data.upper - middle)
    return bool(open_ended.any() and ((above - below)[open_ended] > 0.3).all())


def is_flat(level: Level) -> bool:
    """Whether the top is so flat that it may be no top at all."""
    curvature = np.linalg.eigvalsh(-level.hessian)
    return bool(curvature[0] < 0.02)
