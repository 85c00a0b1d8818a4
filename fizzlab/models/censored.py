"""The likelihood of bracketed times in batches and days, and its maximum, on plain arrays.

For piece j of batch i made on day k: log T_ij = x_i' beta + d_k + b_i + sigma e_ij, b_i ~ N(0, tau^2), d_k ~
N(0, delta^2), e_ij ~ N(0, 1). It is worked in gamma = beta/sigma, alpha = 1/sigma, rho = tau/sigma, phi =
delta/sigma, in which the plain log-likelihood is concave (J. Burridge, JRSS B 43, 1981, 41-45). The integrals
over b and d are sums over equally spaced nodes; score and Hessian are exact for that sum, by Fisher's and
Louis's identities (T. A. Louis, JRSS B 44, 1982, 226-233), once for the batches and once more for the days.
No library fits brackets with such effects.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any, Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_factor, cho_solve, solve_triangular
from scipy.optimize import linprog, minimize
from scipy.special import log_ndtr

Array = NDArray[np.float64]
Ints = NDArray[np.int64]
Failure = Literal["stopped", "satisfied", "separated", "vague"]

HALF_LOG_2PI = 0.5 * float(np.log(2 * np.pi))

_FAR = 1e8  # stands for an infinite end: every density is 0 there and products with it stay 0
_REACH = 7.5  # nodes run over +-7.5 standard deviations, so that an odd batch or day is not cut off
_STEP = 0.9  # spacing of the nodes, in posterior standard deviations: good to ten digits
_MOST_NODES, _MOST_NODES_WITH_DAYS = 1500, 400  # with days the nodes of both integrals multiply
_CELLS = 2**17  # numbers that are worked out at once, in each of some thirty arrays


class NotFitted(Exception):
    """The likelihood has no maximum that was reached; `kind` says which way it failed."""

    def __init__(self, kind: Failure, columns: tuple[int, ...] = ()) -> None:
        super().__init__(kind, columns)
        self.kind, self.columns = kind, columns


@dataclass(frozen=True)
class Brackets:
    """Brackets sorted by day and batch, equal ones of a batch counted once; made by `sort`.

    `lower` and `upper` are logs of the ends less `centre`, `batch` their row of `x` = q r (q orthogonal, of
    mean square 1), `place` where the caller's rows stand, `log_times` the sum of log T over known times.
    """

    lower: Array
    upper: Array
    count: Array
    batch: Ints
    starts: Ints
    x: Array
    place: Ints
    day: Ints
    day_starts: Ints
    centre: float
    log_times: float
    q: Array
    r: Array


def sort(lower: Array, upper: Array, batch: Ints, x: Array, day: Ints | None = None) -> Brackets:
    """Sort brackets for the likelihood; the arguments are those of `fit_batches`."""
    rows = len(x)
    days = np.arange(rows) if day is None else np.unique(day, return_inverse=True)[1]
    order = np.argsort(days, kind="stable")
    place = np.argsort(order)
    different, count = np.unique(np.stack([place[batch], lower, upper], 1), axis=0, return_counts=True)
    where = different[:, 0].astype(np.int64)
    with np.errstate(divide="ignore"):
        low, high = np.log(different[:, 1:].T)
    ends = np.concatenate([low, high])
    ends = ends[np.isfinite(ends)]
    centre, scale = float(ends.mean()) if len(ends) else 0.0, np.sqrt(rows)
    sorted_x = np.ascontiguousarray(x[order], dtype=float)
    q, r = np.linalg.qr(sorted_x)
    return Brackets(
        lower=low - centre,
        upper=high - centre,
        count=count.astype(float),
        batch=where,
        starts=np.searchsorted(where, np.arange(rows)),
        x=sorted_x,
        place=place,
        day=days[order],
        day_starts=np.searchsorted(days[order], np.arange(days.max() + 1)),
        centre=centre,
        log_times=float((count * low)[low == high].sum()),
        q=q * scale,
        r=r / scale,
    )


class Nodes(NamedTuple):
    """Nodes of the two integrals, and where (days, batches) their sums stand in one list of shifts."""

    shift: Array
    at: Ints
    z: Array
    log_weight_z: Array
    d: Array
    log_weight_d: Array


def _line(step: float) -> tuple[Array, Array]:
    half = int(np.ceil(_REACH / step))
    points = step * np.arange(-half, half + 1, dtype=float)
    return points, float(np.log(step)) - HALF_LOG_2PI - 0.5 * points**2


def _nodes(data: Brackets, rho: float | None, phi: float | None, step: float) -> Nodes:
    """Nodes for the narrowest posteriors; the day's spacing is a multiple of the batch's: one line."""
    pieces = float(np.add.reduceat(data.count, data.starts).max())
    least = 2 * _REACH / (_MOST_NODES if phi is None else _MOST_NODES_WITH_DAYS)
    z = log_z = d = log_d = np.zeros(1)
    step_z = max(step / np.sqrt(1 + (rho or 0.0) ** 2 * pieces), least)
    if rho is not None:
        z, log_z = _line(step_z)
    if phi is not None:
        batches = float(np.diff(np.append(data.day_starts, len(data.x))).max())
        known = batches * pieces / (1 + (rho or 0.0) ** 2 * pieces)
        step_d = max(step / np.sqrt(1 + phi**2 * known), least)
        jump = np.floor(abs(phi) * step_d / (abs(rho) * step_z)) if rho else 0.0
        whole = bool(rho) and 1 <= jump < 1e6
        d, log_d = _line(float(jump * abs(rho or 0.0) * step_z / abs(phi)) if whole else step_d)
        each, many = len(z) // 2, len(d) // 2
        reach = int(each + jump * many)
        if rho and whole and 2 * reach + 1 < len(z) * len(d):
            sign = int(np.sign(phi) * np.sign(rho) * jump)
            shift = rho * step_z * np.arange(-reach, reach + 1, dtype=float)
            at = (sign * np.arange(-many, many + 1))[:, None] + np.arange(-each, each + 1) + reach
            return Nodes(shift, at, z, log_z, d, log_d)
    shift = ((phi or 0.0) * d[:, None] + (rho or 0.0) * z).ravel()
    return Nodes(shift, np.arange(len(shift)).reshape(len(d), len(z)), z, log_z, d, log_d)


def _of_batches(data: Brackets, eta: Array, alpha: float, shift: Array) -> Array:
    """Log p of each batch's pieces at each shift, slopes by eta and alpha, second derivatives ee, ea, aa."""
    a, b = data.lower, data.upper
    open_low, open_high, exact = np.isneginf(a), np.isposinf(b), a == b
    a0, b0 = np.where(open_low, 0.0, a)[:, None], np.where(open_high, 0.0, b)[:, None]
    middle = eta[data.batch][:, None] + shift
    u, v = alpha * a0 - middle, alpha * b0 - middle
    u[open_low], v[open_high] = -_FAR, _FAR
    known = u[exact]
    v[exact] += 1.0  # any width: these rows are overwritten below
    # log(Phi(v) - Phi(u)) in the tail where no digits are lost
    flip = u + v > 0
    high, low = log_ndtr(np.where(flip, -u, v)), log_ndtr(np.where(flip, -v, u))
    log_p = high + np.log(-np.expm1(low - high))
    fu, fv = (np.exp(-0.5 * end * end - HALF_LOG_2PI - log_p) for end in (u, v))
    gu, gv = -u * fu, -v * fv
    by_eta, by_alpha = fu - fv, b0 * fv - a0 * fu
    out = np.empty((6, *u.shape))
    out[0], out[1], out[2] = log_p, by_eta, by_alpha
    out[3] = gv - gu - by_eta**2
    out[4] = a0 * gu - b0 * gv - by_eta * by_alpha
    out[5] = b0**2 * gv - a0**2 * gu - by_alpha**2
    if exact.any():
        time = a0[exact]
        out[0, exact] = -0.5 * known**2 - HALF_LOG_2PI + np.log(alpha)
        out[1, exact], out[2, exact] = known, 1 / alpha - time * known
        out[3, exact], out[4, exact], out[5, exact] = -1.0, time, -(time**2) - 1 / alpha**2
    out *= data.count[:, None]
    return np.add.reduceat(out, data.starts, axis=1) if len(data.starts) != len(data.count) else out


@dataclass(frozen=True)
class Point:
    """The log-likelihood at one (gamma, log alpha, rho, phi), in the basis `q`, only the free ones.

    The rest has one entry a batch, in the caller's order: slope and curvature of its integrated
    log-likelihood by its location, posterior means of b/sigma and d/sigma.
    """

    loglik: float
    score: Array
    hessian: Array
    slope: Array
    curvature: Array
    batch_mean: Array
    day_mean: Array


@dataclass(frozen=True)
class Model:
    """Brackets, and which variances are in the model."""

    data: Brackets
    batch_effect: bool
    day_effect: bool

    def split(self, theta: Array) -> tuple[Array, float, float | None, float | None]:
        """Gamma, alpha, rho and phi (None where not in the model)."""
        width = self.data.x.shape[1]
        rho = float(theta[width + 1]) if self.batch_effect else None
        phi = float(theta[-1]) if self.day_effect else None
        return theta[:width], float(np.exp(theta[width])), rho, phi

    def at(self, theta: Array, finer: float = 1.0) -> Point:
        """Evaluate the log-likelihood, its gradient and its Hessian."""
        data = self.data
        gamma, alpha, rho, phi = self.split(theta)
        nodes = _nodes(data, rho, phi, finer * _STEP)
        width, batches = data.x.shape[1], len(data.x)
        log_b, z_mean, score, second = _some_at_a_time(data, data.q @ gamma, alpha, nodes)
        full = np.concatenate([data.q[:, None, :] * score[..., :1], score[..., 1:]], axis=-1)
        if phi is None:
            loglik, chance = float(log_b.sum()), np.ones((batches, 1))
            total, spread = full[:, 0].sum(axis=0), 0.0
        else:
            log_d, share = summed(np.add.reduceat(log_b, data.day_starts, axis=0) + nodes.log_weight_d)
            loglik, chance = float(log_d.sum()), share[data.day]
            full = np.add.reduceat(full, data.day_starts, axis=0)
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
        total[width] *= alpha
        hessian[width, width] += total[width]
        free = np.r_[np.arange(width + 1), np.flatnonzero([self.batch_effect, self.day_effect]) + width + 1]
        batch_mean = (rho or 0.0) * (chance * z_mean).sum(axis=1)
        return Point(
            loglik=loglik - data.log_times,
            score=total[free],
            hessian=hessian[np.ix_(free, free)],
            slope=(chance * score[..., 0]).sum(axis=1)[data.place],
            curvature=-inner[data.place, 0, 0],
            batch_mean=batch_mean[data.place],
            day_mean=(phi * chance @ nodes.d)[data.place] if phi is not None else np.zeros(batches),
        )


def summed(log_joint: Array, axis: int = -1) -> tuple[Array, Array]:
    """Logarithm of the sum over an axis, and the share of each term (scipy's logsumexp is slower)."""
    top = log_joint.max(axis=axis, keepdims=True)
    share = np.exp(log_joint - top)
    size = share.sum(axis=axis, keepdims=True)
    return np.squeeze(top + np.log(size), axis), share / size


def _some_at_a_time(data: Brackets, eta: Array, alpha: float, nodes: Nodes) -> list[Array]:
    """`_over_batches` of all, a few at a time: each takes up to 9 MB."""
    edges = np.append(data.starts, len(data.count))
    cells = max(nodes.at.size, len(nodes.shift) * int(np.diff(edges).max()))
    some, parts = max(1, _CELLS // cells), []
    for first in range(0, len(data.starts), some):
        starts = data.starts[first : first + some]
        rows = slice(starts[0], edges[first + len(starts)])
        names = ("lower", "upper", "count", "batch")
        part = replace(data, starts=starts - starts[0], **{name: getattr(data, name)[rows] for name in names})
        parts.append(_over_batches(nodes, _of_batches(part, eta, alpha, nodes.shift)))
    return [np.concatenate(each) for each in zip(*parts, strict=True)]


def _over_batches(nodes: Nodes, fields: Array) -> tuple[Array, Array, Array, Array]:
    """Integrate over b for each batch and day node: log marginal, mean of z, score, Hessian."""
    log_p, eta, alp, eta_eta, eta_alp, alp_alp = fields
    at, z, d = nodes.at, nodes.z, nodes.d
    log_b, weight = summed(log_p[:, at] + nodes.log_weight_z)
    weights = [weight, weight * z, weight * z * z]

    def mean(field: Array, power: int = 0) -> Array:
        return np.asarray(np.einsum("gmk,gmk->gm", weights[power], field[:, at]))

    ee, ea, aa = eta_eta + eta * eta, eta_alp + eta * alp, alp_alp + alp * alp
    first = mean(eta)
    score = np.stack([first, mean(alp), mean(eta, 1), d * first], axis=-1)
    m = {(0, 0): mean(ee), (0, 1): mean(ea), (1, 1): mean(aa)}
    m |= {(0, 2): mean(ee, 1), (1, 2): mean(ea, 1), (2, 2): mean(ee, 2)}
    m |= {(0, 3): d * m[0, 0], (1, 3): d * m[0, 1], (2, 3): d * m[0, 2], (3, 3): d * d * m[0, 0]}
    second = np.empty((*log_b.shape, 4, 4))
    for (i, j), value in m.items():
        second[..., i, j] = second[..., j, i] = value - score[..., i] * score[..., j]
    return log_b, weights[1].sum(axis=-1), score, second


def maximise(model: Model) -> tuple[Array, Point]:
    """Maximum of the log-likelihood, without random effects first; `NotFitted` where there is none."""
    plain = Model(model.data, False, False)
    theta, point, good = _climb(plain, _start_values(model.data))
    if not good or np.linalg.eigvalsh(-point.hessian)[0] < 0.02:
        # a random effect does not help: where a line lies in or on the edge of every bracket, the likelihood
        # never falls as all spreads shrink together, so that nothing tells the scale
        no_maximum = _why_not(model.data)
        if no_maximum is not None:
            raise no_maximum
    if good and (model.batch_effect or model.day_effect):
        effects = [1.0] * model.batch_effect + [0.7] * model.day_effect
        from_plain = np.concatenate([theta[:-1] / 0.7, [theta[-1] - np.log(0.7)], effects])
        theta, point, good = _climb(model, from_plain)
    if not good:
        raise NotFitted("stopped")
    return theta, point


def ascend(
    at: Callable[[Array], tuple[float, Array, Array]], start: Array, gtol: float, radius: float, most: float
) -> Array:
    """Climb by a trust region; `at` gives value, slope and curvature, and is asked once for each point."""
    kept: dict[bytes, tuple[float, Array, Array]] = {}

    def last(theta: Array) -> tuple[float, Array, Array]:
        if theta.tobytes() not in kept:
            kept.clear()
            kept[theta.tobytes()] = at(theta)
        return kept[theta.tobytes()]

    options = {"gtol": gtol, "maxiter": 100, "initial_trust_radius": radius, "max_trust_radius": most}
    by = {"jac": lambda t: -last(t)[1], "hess": lambda t: -last(t)[2]}
    return np.asarray(minimize(lambda t: -last(t)[0], start, method="trust-exact", options=options, **by).x)


def _climb(model: Model, start: Array) -> tuple[Array, Point, bool]:
    """Climb with exact slopes; finish with Newton steps. The last says whether that is a maximum."""

    def at(theta: Array) -> tuple[float, Array, Array]:
        each = model.at(theta)
        sound = np.isfinite(each.score).all() and np.isfinite(each.hessian).all()
        return each.loglik if sound else -1e300, each.score, each.hessian

    with np.errstate(all="ignore"):  # far trial points may overflow; the trust region draws back from them
        try:
            theta = ascend(at, start, 1e-5, 1.0, 20.0)
            point = model.at(theta)
            for _ in range(2):
                theta = theta + _newton(point)
                point = model.at(theta)
            return theta, point, bool(abs(point.score @ _newton(point)) < 1e-8)
        except (ValueError, OverflowError, np.linalg.LinAlgError):  # not concave, or not a number
            return start, model.at(start), False


def _newton(point: Point) -> Array:
    return np.asarray(cho_solve(cho_factor(-point.hessian), point.score))


def _start_values(data: Brackets) -> Array:
    """Least squares on the middles of the brackets."""
    a, b = data.lower, data.upper
    middle = np.where(np.isneginf(a), b - 0.4, np.where(np.isposinf(b), a + 0.4, 0.5 * (a + b)))
    q, root = data.q[data.batch], np.sqrt(data.count)
    beta = np.linalg.lstsq(q * root[:, None], middle * root, rcond=None)[0]
    sd = float(np.sqrt(np.average((middle - q @ beta) ** 2, weights=data.count)))
    alpha = 1.0 / max(sd, 0.15)
    return np.append(beta * alpha, np.log(alpha))


def rising(rows: Array, bounds: Any) -> Array | None:
    """A direction along which no row falls and some rise, if there is one (a linear programme)."""
    found = linprog(-rows.sum(axis=0), A_ub=-rows, b_ub=np.zeros(len(rows)), bounds=bounds)
    return found.x if found.status == 0 and -found.fun > 1e-7 else None


def _why_not(data: Brackets) -> NotFitted | None:
    """Look for a direction in which the likelihood never stops rising (a linear programme).

    Along (g, h), h >= 0, no bracket's probability falls if h b - x'g >= 0 at every upper end and
    h a - x'g <= 0 at every lower one. With h > 0 a line satisfies every bracket; with h = 0 levels separate.
    """
    x, a, b = data.q[data.batch], data.lower, data.upper
    low, high = np.isfinite(a), np.isfinite(b)
    width = x.shape[1]
    rise = np.vstack([np.column_stack([-x[high], b[high]]), np.column_stack([x[low], -a[low]])])
    kinds: dict[Failure, float] = {"separated": 0.0, "satisfied": 1.0}
    for kind, most in kinds.items():
        found = rising(rise, [(-1.0, 1.0)] * width + [(0.0, most)])
        if found is not None:
            size = np.abs(solve_triangular(data.r, found[:width])) * data.x.std(axis=0)
            return NotFitted(kind, tuple(np.flatnonzero(size > 1e-6 * max(size.max(), 1e-12)).tolist()))
    return None
