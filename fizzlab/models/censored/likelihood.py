"""The likelihood of bracketed times in batches and days, on plain arrays.

The model, for piece j of batch i made on day k, is

    log T_ij = x_i' beta + d_k + b_i + sigma * e_ij,   b_i ~ N(0, tau^2),   d_k ~ N(0, delta^2),

with e of a stated shape. It is worked in the coordinates gamma = beta/sigma, alpha = 1/sigma,
rho = tau/sigma, phi = delta/sigma. In (gamma, alpha) the log-likelihood of bracketed data is concave
for the three shapes (J. Burridge, "A note on maximum likelihood estimation for regression models
using grouped data", JRSS B 43, 1981, 41-45), so the plain fit cannot stop at a false top.

The integrals over b and d are sums over equally spaced nodes (the trapezium rule converges
geometrically for such integrands). Gradient and Hessian of the integrated likelihood are exact for
that sum: the score by Fisher's identity, the Hessian by Louis's (T. A. Louis, JRSS B 44, 1982,
226-233), once for the batches and once more for the days.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, log1p, log_expit, log_ndtr, logit, ndtr, ndtri

Array = NDArray[np.float64]
Ints = NDArray[np.int64]
Shape = Literal["lognormal", "weibull", "loglogistic"]
SHAPES: tuple[Shape, ...] = ("lognormal", "weibull", "loglogistic")

_FAR = 1e8  # stands for an infinite end: every density is 0 there and products with it stay 0
_REACH = 7.5  # nodes run over +-7.5 standard deviations, so that an odd batch or day is not cut off
# spacing of the nodes, in posterior standard deviations; the extreme-value shape has a steeper side
STEP: dict[str, float] = {"lognormal": 0.8, "weibull": 0.55, "loglogistic": 0.8}
_MOST_NODES = 1500  # without days; with them the nodes of both integrals multiply
_MOST_NODES_WITH_DAYS = 400
HALF_LOG_2PI = 0.5 * float(np.log(2 * np.pi))


# --- the three shapes -----------------------------------------------------------------------


def _log_density(shape: Shape, u: Array) -> tuple[Array, Array, Array]:
    """Return log f(u) and its first two derivatives."""
    if shape == "lognormal":
        return -0.5 * u * u - HALF_LOG_2PI, -u, np.full_like(u, -1.0)
    if shape == "weibull":
        grown = np.exp(np.minimum(u, 700.0))
        return u - grown, 1.0 - grown, -grown
    below = expit(u)
    return log_expit(u) + log_expit(-u), 1.0 - 2.0 * below, -2.0 * below * (1.0 - below)


def _log_between(shape: Shape, u: Array, v: Array) -> Array:
    """Return log(F(v) - F(u)) for u < v without losing digits in either tail."""
    if shape == "lognormal":
        flip = u + v > 0
        high = log_ndtr(np.where(flip, -u, v))
        low = log_ndtr(np.where(flip, -v, u))
        return np.asarray(high + np.log(-np.expm1(low - high)))
    if shape == "weibull":
        start = np.exp(np.minimum(u, 700.0))
        gain = np.exp(np.minimum(v, 700.0)) * -np.expm1(u - v)
        return np.asarray(np.log(-np.expm1(-gain)) - start)
    return np.asarray(log_expit(v) + log_expit(-u) + np.log(-np.expm1(u - v)))


def quantile(shape: Shape, share: Array | float) -> Array:
    """Return the standard quantile F^-1(share) of a shape."""
    share = np.asarray(share, float)
    if shape == "lognormal":
        return np.asarray(ndtri(share))
    return np.asarray(np.log(-log1p(-share)) if shape == "weibull" else logit(share))


def cumulative(shape: Shape, u: Array) -> Array:
    """Return F(u) of a shape."""
    if shape == "lognormal":
        return np.asarray(ndtr(u))
    if shape == "weibull":
        return np.asarray(-np.expm1(-np.exp(np.minimum(u, 700.0))))
    return np.asarray(expit(u))


# --- the data, once sorted ------------------------------------------------------------------


@dataclass(frozen=True)
class Brackets:
    """Brackets sorted by day and batch, equal ones of a batch counted once; made by `sort`.

    Attributes
    ----------
    lower, upper : arrays, one entry a different bracket of a batch
        Logarithms of the ends, centred by `centre`; -inf and inf where open.
    count : array
        How many pieces share the bracket.
    batch : array of int
        Row of `x` that each bracket belongs to.
    starts : array of int
        First bracket of each batch.
    x : array, shape (batches, columns)
        Model matrix in sorted order; its first column is the intercept.
    order : array of int
        Rows of the caller's model matrix, in sorted order.
    day, day_starts : arrays of int
        Day of each sorted batch, and first batch of each day.
    centre : float
        What was taken from the logarithms.
    log_times : float
        Sum of log T over exactly known times (the Jacobian of the density on the time scale).
    q, r : arrays
        x = q r with the columns of q orthogonal and of mean square 1.
    """

    lower: Array
    upper: Array
    count: Array
    batch: Ints
    starts: Ints
    x: Array
    order: Ints
    day: Ints
    day_starts: Ints
    centre: float
    log_times: float
    q: Array
    r: Array

    @property
    def most_pieces(self) -> float:
        """Most pieces in a batch."""
        return float(np.add.reduceat(self.count, self.starts).max())

    @property
    def exact(self) -> NDArray[np.bool_]:
        """Which brackets are a single known time."""
        return np.asarray(self.lower == self.upper)


def sort(lower: Array, upper: Array, batch: Ints, x: Array, day: Ints | None = None) -> Brackets:
    """Sort brackets for the engine.

    Parameters
    ----------
    lower, upper : arrays of hours, one entry a piece
        0 <= lower <= upper; upper may be inf.
    batch : array of int
        Row of `x` of each piece; every row must have a piece.
    x : array, shape (batches, columns)
        Model matrix of full rank with an intercept in its first column.
    day : array of int, optional
        Day of each row of `x`.
    """
    rows = len(x)
    days = np.arange(rows) if day is None else np.unique(day, return_inverse=True)[1]
    order = np.argsort(days, kind="stable")
    place = np.empty(rows, dtype=np.int64)
    place[order] = np.arange(rows)
    where = place[batch]
    by = np.lexsort((upper, lower, where))
    low, high, where = lower[by], upper[by], where[by]
    new = np.ones(len(by), dtype=bool)
    new[1:] = (low[1:] != low[:-1]) | (high[1:] != high[:-1]) | (where[1:] != where[:-1])
    first = np.flatnonzero(new)
    count = np.diff(np.append(first, len(by))).astype(float)
    low, high, where = low[first], high[first], where[first]
    with np.errstate(divide="ignore"):
        log_low, log_high = np.log(low), np.log(high)
    ends = np.concatenate([log_low[np.isfinite(log_low)], log_high[np.isfinite(log_high)]])
    centre = float(ends.mean()) if len(ends) else 0.0
    exact = log_low == log_high
    sorted_x = np.ascontiguousarray(x[order], dtype=float)
    q, r = np.linalg.qr(sorted_x)
    scale = np.sqrt(rows)
    return Brackets(
        lower=log_low - centre,
        upper=log_high - centre,
        count=count,
        batch=where,
        starts=np.searchsorted(where, np.arange(rows)),
        x=sorted_x,
        order=order,
        day=days[order],
        day_starts=np.searchsorted(days[order], np.arange(days.max() + 1)),
        centre=centre,
        log_times=float((count * log_low)[exact].sum()),
        q=q * scale,
        r=r / scale,
    )


# --- the likelihood -------------------------------------------------------------------------


@dataclass(frozen=True)
class Nodes:
    """Nodes of the two integrals, and where their sums rho z + phi d stand in one shared list."""

    shift: Array  # (shifts,)
    at: Ints  # (day nodes, batch nodes)
    z: Array
    log_weight_z: Array
    d: Array
    log_weight_d: Array


def _line(step: float) -> tuple[Array, Array]:
    half = int(np.ceil(_REACH / step))
    points = step * np.arange(-half, half + 1, dtype=float)
    return points, float(np.log(step)) - HALF_LOG_2PI - 0.5 * points**2


def nodes_for(data: Brackets, rho: float | None, phi: float | None, step: float = 0.8) -> Nodes:
    """Choose nodes dense enough for the narrowest posterior of b/tau and d/delta.

    Where both integrals are wanted, the spacings are made commensurable (the day's a whole multiple of
    the batch's), so that the brackets need evaluating on one line of shifts and not on a plane of them.
    """
    pieces = data.most_pieces
    least = 2 * _REACH / (_MOST_NODES if phi is None else _MOST_NODES_WITH_DAYS)
    zero = np.zeros(1)
    z, log_z, step_z = zero, zero, 1.0
    if rho is not None:
        step_z = max(step / np.sqrt(1 + rho**2 * pieces), least)
        z, log_z = _line(step_z)
    if phi is None:
        scale = 0.0 if rho is None else rho
        return Nodes(scale * z, np.arange(len(z))[None, :], z, log_z, zero, zero)
    batches = float(np.diff(np.append(data.day_starts, len(data.x))).max())
    known = batches * pieces / (1 + (rho or 0.0) ** 2 * pieces)
    step_d = max(step / np.sqrt(1 + phi**2 * known), least)
    if rho is None:
        d, log_d = _line(step_d)
        return Nodes(phi * d, np.arange(len(d))[:, None], zero, zero, d, log_d)
    jump = np.floor(abs(phi) * step_d / (abs(rho) * step_z)) if rho else 0.0
    if 1 <= jump < 1e6:
        step_d = float(jump * abs(rho) * step_z / abs(phi))
        d, log_d = _line(step_d)
        each, many = len(z) // 2, len(d) // 2
        reach = int(each + jump * many)
        if 2 * reach + 1 < len(z) * len(d):
            sign = int(np.sign(phi) * np.sign(rho))
            shift = rho * step_z * np.arange(-reach, reach + 1, dtype=float)
            at = (sign * int(jump) * np.arange(-many, many + 1))[:, None] + np.arange(-each, each + 1) + reach
            return Nodes(shift, at, z, log_z, d, log_d)
    d, log_d = _line(step_d)
    shift = (phi * d[:, None] + rho * z).ravel()
    return Nodes(shift, np.arange(len(shift)).reshape(len(d), len(z)), z, log_z, d, log_d)


def _of_batches(
    data: Brackets, shape: Shape, eta: Array, alpha: float, shift: Array
) -> tuple[Array, Array, Array, Array, Array, Array]:
    """Return log p summed over the pieces of each batch, and its derivatives by location and alpha.

    Six arrays of shape (batches, shifts): the sum, its slope by eta and by alpha, and its second
    derivatives by eta eta, eta alpha and alpha alpha.
    """
    a, b = data.lower, data.upper
    open_low, open_high, exact = np.isneginf(a), np.isposinf(b), data.exact
    a0, b0 = np.where(open_low, 0.0, a)[:, None], np.where(open_high, 0.0, b)[:, None]
    middle = eta[data.batch][:, None] + shift
    u, v = alpha * a0 - middle, alpha * b0 - middle
    u[open_low], v[open_high] = -_FAR, _FAR
    some_exact = bool(exact.any())
    if some_exact:
        known = u[exact]
        v[exact] += 1.0  # any width: these rows are overwritten below
    log_p = _log_between(shape, u, v)
    log_u, slope_u, _ = _log_density(shape, u)
    log_v, slope_v, _ = _log_density(shape, v)
    fu, fv = np.exp(log_u - log_p), np.exp(log_v - log_p)
    gu, gv = slope_u * fu, slope_v * fv
    by_eta, by_alpha = fu - fv, b0 * fv - a0 * fu
    out = np.empty((6, *u.shape))
    out[0], out[1], out[2] = log_p, by_eta, by_alpha
    out[3] = gv - gu - by_eta**2
    out[4] = a0 * gu - b0 * gv - by_eta * by_alpha
    out[5] = b0**2 * gv - a0**2 * gu - by_alpha**2
    if some_exact:
        time = a0[exact]
        log_f, first, second = _log_density(shape, known)
        out[0, exact] = log_f + np.log(alpha)
        out[1, exact], out[2, exact] = -first, time * first + 1 / alpha
        out[3, exact], out[4, exact] = second, -time * second
        out[5, exact] = time**2 * second - 1 / alpha**2
    out *= data.count[:, None]
    if len(data.starts) != len(data.count):
        out = np.add.reduceat(out, data.starts, axis=1)
    return out[0], out[1], out[2], out[3], out[4], out[5]


@dataclass(frozen=True)
class Level:
    """The log-likelihood at one point, with what the rest of the engine needs of it.

    `score` and `hessian` are by (gamma, log alpha, rho, phi) in the basis `q`, only the free ones.
    """

    loglik: float
    score: Array
    hessian: Array
    knowledge: Array  # minus the mean second derivative by location: what each batch tells of its own
    pull: Array  # slope of each batch's integrated log-likelihood by its location
    bend: Array  # minus its second derivative by location
    batch_mean: Array  # posterior mean of b/sigma
    day_mean: Array  # posterior mean of d/sigma, one entry a batch


@dataclass(frozen=True)
class Model:
    """Brackets with a shape, and which variances are in the model."""

    data: Brackets
    shape: Shape
    batch_effect: bool
    day_effect: bool

    @property
    def size(self) -> int:
        """Number of free parameters."""
        return int(self.data.x.shape[1]) + 1 + self.batch_effect + self.day_effect

    def split(self, theta: Array) -> tuple[Array, float, float | None, float | None]:
        """Return gamma, alpha, rho and phi (None where not in the model)."""
        width = self.data.x.shape[1]
        rho = float(theta[width + 1]) if self.batch_effect else None
        phi = float(theta[-1]) if self.day_effect else None
        return theta[:width], float(np.exp(theta[width])), rho, phi

    def at(self, theta: Array, finer: float = 1.0) -> Level:
        """Evaluate the log-likelihood, its gradient and its Hessian."""
        data = self.data
        gamma, alpha, rho, phi = self.split(theta)
        nodes = nodes_for(data, rho, phi, finer * STEP[self.shape])
        fields = _of_batches(data, self.shape, data.q @ gamma, alpha, nodes.shift)
        log_p, eta, alp, eta_eta, eta_alp, alp_alp = fields
        plain = len(nodes.shift) == 1
        width, batches = data.x.shape[1], len(data.x)
        if plain:
            log_b, weight = log_p, np.ones((batches, 1, 1))
            score = np.zeros((batches, 1, 4))
            second = np.zeros((batches, 1, 4, 4))
            score[..., 0], score[..., 1] = eta, alp
            second[..., 0, 0], second[..., 0, 1], second[..., 1, 1] = eta_eta, eta_alp, alp_alp
            second[..., 1, 0] = eta_alp
            log_b = log_p
        else:
            log_b, weight, score, second = self._over_batches(nodes, fields)
        # over days
        if phi is None:
            loglik = float(log_b.sum())
            chance = np.ones((batches, 1))
            full = self._full(score[:, 0, :])
            total, spread = full.sum(axis=0), 0.0
        else:
            joint = np.add.reduceat(log_b, data.day_starts, axis=0) + nodes.log_weight_d
            top = joint.max(axis=1, keepdims=True)
            share = np.exp(joint - top)
            size = share.sum(axis=1, keepdims=True)
            loglik = float((top + np.log(size)).sum())
            share /= size
            chance = share[data.day]
            full = np.add.reduceat(self._full(score), data.day_starts, axis=0)
            means = np.einsum("dm,dmp->dp", share, full)
            total = means.sum(axis=0)
            spread = np.einsum("dm,dmp,dmr->pr", share, full, full) - means.T @ means
        inner = np.einsum("gm,gmij->gij", chance, second)
        q = data.q
        hessian = np.empty((width + 3, width + 3))
        hessian[:width, :width] = (q * inner[:, 0, 0, None]).T @ q
        hessian[:width, width:] = q.T @ inner[:, 0, 1:]
        hessian[width:, :width] = hessian[:width, width:].T
        hessian[width:, width:] = inner[:, 1:, 1:].sum(axis=0)
        hessian = hessian + spread
        # from alpha to log alpha
        hessian[width, :] *= alpha
        hessian[:, width] *= alpha
        total = total.copy()
        total[width] *= alpha
        hessian[width, width] += total[width]
        free = np.r_[np.arange(width + 1), np.flatnonzero([self.batch_effect, self.day_effect]) + width + 1]
        both = chance[:, :, None] * weight
        tells = eta_eta[:, nodes.at] if not plain else eta_eta[:, :, None]
        return Level(
            loglik=loglik - data.log_times,
            score=total[free],
            hessian=hessian[np.ix_(free, free)],
            knowledge=-(both * tells).sum(axis=(1, 2)),
            pull=(chance * score[..., 0]).sum(axis=1),
            bend=-inner[:, 0, 0],
            batch_mean=(rho or 0.0) * (both * nodes.z).sum(axis=(1, 2)),
            day_mean=(phi or 0.0) * chance @ nodes.d if phi is not None else np.zeros(batches),
        )

    def _full(self, local: Array) -> Array:
        """Turn scores by (location, alpha, rho, phi) of a batch into scores by every parameter."""
        x = self.data.q if local.ndim == 2 else self.data.q[:, None, :]
        return np.concatenate([x * local[..., :1], local[..., 1:]], axis=-1)

    @staticmethod
    def _over_batches(nodes: Nodes, fields: tuple[Array, ...]) -> tuple[Array, Array, Array, Array]:
        """Integrate over b for each batch and day node: log marginal, node weights, score, Hessian."""
        log_p, eta, alp, eta_eta, eta_alp, alp_alp = fields
        at, z, d = nodes.at, nodes.z, nodes.d
        log_joint = log_p[:, at] + nodes.log_weight_z
        top = log_joint.max(axis=2, keepdims=True)
        weight = np.exp(log_joint - top)
        size = weight.sum(axis=2, keepdims=True)
        log_b = (top + np.log(size))[..., 0]
        weight /= size
        weight_z = weight * z
        first, second_a = eta[:, at], alp[:, at]
        ee, ea = (eta_eta + eta * eta)[:, at], (eta_alp + eta * alp)[:, at]
        aa = (alp_alp + alp * alp)[:, at]

        def mean(chances: Array, values: Array) -> Array:
            return np.asarray(np.einsum("gmk,gmk->gm", chances, values))

        score = np.empty((*log_b.shape, 4))
        score[..., 0], score[..., 1] = mean(weight, first), mean(weight, second_a)
        score[..., 2] = mean(weight_z, first)
        score[..., 3] = d * score[..., 0]
        second = np.empty((*log_b.shape, 4, 4))
        second[..., 0, 0], second[..., 1, 1] = mean(weight, ee), mean(weight, aa)
        second[..., 0, 1], second[..., 0, 2] = mean(weight, ea), mean(weight_z, ee)
        second[..., 1, 2], second[..., 2, 2] = mean(weight_z, ea), mean(weight_z * z, ee)
        second[..., 0, 3], second[..., 1, 3] = d * second[..., 0, 0], d * second[..., 0, 1]
        second[..., 2, 3], second[..., 3, 3] = d * second[..., 0, 2], d * d * second[..., 0, 0]
        for i in range(1, 4):
            for j in range(i):
                second[..., i, j] = second[..., j, i]
        second -= score[..., :, None] * score[..., None, :]
        return log_b, weight, score, second
