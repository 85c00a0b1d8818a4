"""Estimates from bracketed times with the batch as the unit, and the stratum that judges each of them.

The method is in docs/methods/dry_time.md.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.linalg import solve_triangular

from fizzlab.models import censored
from fizzlab.models.censored import Array, Brackets, Ints, Model, NotFitted, Point, maximise, sort
from fizzlab.models.result import joined_df

_NO_SPREAD = 1e-2  # share of the pieces' spread below which days count as no more different than chance
_VAGUE = 5.0  # standard error, in log hours over one spread of the column, of a fit that says nothing


@dataclass(frozen=True)
class ArrayFit:
    """What `fit` found, in the caller's columns; `covariance` is that of (beta, log sigma).

    `loglik` is the greatest log-likelihood on the time scale, `restricted` that at the estimates, `point` the
    batches there: for known times sigma^2 / curvature is tau^2 plus the variance of the batch's mean.
    """

    beta: Array
    covariance: Array
    sigma: float
    tau: float
    delta: float
    loglik: float
    restricted: float
    point: Point
    model: Model

    @property
    def effects(self) -> Array:
        """What each batch and its day are thought to add to log hours."""
        return np.asarray(self.sigma * (self.point.batch_mean + self.point.day_mean))


@np.errstate(all="ignore")  # what overflows is looked at where it matters, and refused
def fit(
    data: Brackets, batch_effect: bool = True, day_effect: bool = False, restricted: bool = True
) -> ArrayFit:
    """Fit the model to sorted brackets, with or without random batches and days; raises `NotFitted`.

    `restricted`: the variances maximise the profile log-likelihood less half the log determinant of the
    information on beta (D. R. Cox and N. Reid, JRSS B 49, 1987, 1-39), which is REML for known times.
    """
    model = Model(data, batch_effect, day_effect)
    theta, point = maximise(model)
    loglik, criterion = point.loglik, float("nan")
    if restricted:
        theta, point, criterion = _restrict(model, theta)
    return _result(model, theta, point, loglik, criterion)


def _profile(model: Model, theta: Array) -> tuple[Array, Point]:
    """Maximise over gamma with the variances held."""
    width = model.data.x.shape[1]
    for _ in range(20):
        if not np.isfinite(theta).all():
            break
        point = model.at(theta)
        try:
            step = np.linalg.solve(-point.hessian[:width, :width], point.score[:width])
        except np.linalg.LinAlgError:
            break
        if abs(step @ point.score[:width]) < 1e-12:
            return theta, point
        theta = theta.copy()
        theta[:width] += step * min(1.0, 2.0 / float(np.abs(step).max()))
    raise NotFitted("stopped")


def _log_det(point: Point, width: int, log_alpha: float) -> float:
    """Half the log determinant of the information on beta (but for a constant)."""
    sign, value = np.linalg.slogdet(-point.hessian[:width, :width])
    if sign <= 0:
        raise NotFitted("stopped")
    return 0.5 * float(value) + width * log_alpha


def _restrict(model: Model, top: Array) -> tuple[Array, Point, float]:
    """Maximise the restricted log-likelihood over (log alpha, rho, phi), starting at the ML fit."""
    width = model.data.x.shape[1]
    last, along = top, np.zeros((width, len(top) - width))  # and how gamma follows the variances there
    known = dict[bytes, tuple[Array, Point, float, float]]()

    def at(psi: Array) -> tuple[float, Array, Array]:
        nonlocal last, along
        h = 1e-4
        try:
            theta, point = _profile(model, np.append(last[:width] + along @ (psi - last[width:]), psi))
            middle = _log_det(point, width, float(psi[0]))
            follow = np.linalg.solve(-point.hessian[:width, :width], point.hessian[:width, width:])
            slope = point.score[width:].copy()
            curvature = point.hessian[width:, width:] + point.hessian[width:, :width] @ follow
            for i in range(len(psi)):
                move = np.zeros_like(theta)
                move[:width], move[width + i] = h * follow[:, i], h
                up, down = (
                    _log_det(model.at(theta + way * move), width, float(psi[0]) + way * h * (i == 0))
                    for way in (1, -1)
                )
                slope[i] -= (up - down) / (2 * h)
                # the diagonal is enough: the rest costs the trust region a step or two and no accuracy
                curvature[i, i] -= (up - 2 * middle + down) / h**2
        except (NotFitted, np.linalg.LinAlgError):
            # no value here: the trust region shrinks, and the last good theta is kept as the start
            return -1e300, np.zeros_like(psi), -np.eye(len(psi))
        last, along = theta, follow
        known[psi.tobytes()] = theta, point, middle, float(np.abs(slope).max())
        return point.loglik - middle, slope, curvature

    start = top[width:].copy()
    start[1:] = np.maximum(np.abs(start[1:]) * 1.2, 0.3)
    psi = censored.ascend(at, start, 1e-4, 0.5, 2.0)
    theta, point, middle, steepest = known.get(psi.tobytes(), (top, None, 0.0, np.inf))
    if point is None or steepest > 1e-3:
        raise NotFitted("satisfied")
    log_det_r = float(np.log(np.abs(np.diag(model.data.r))).sum())
    return theta, point, point.loglik - middle - log_det_r + width * censored.HALF_LOG_2PI


def _result(model: Model, theta: Array, point: Point, loglik: float, criterion: float) -> ArrayFit:
    """Turn the working coordinates into coefficients of log hours."""
    data = model.data
    width = data.x.shape[1]
    gamma, alpha, rho, phi = model.split(theta)
    sigma = 1.0 / alpha
    information = -point.hessian
    keep = _kept(information, width)
    try:
        inverse = np.linalg.inv(information[np.ix_(keep, keep)])
    except np.linalg.LinAlgError:
        raise NotFitted("vague") from None
    # beta = r^-1 gamma / alpha (+ centre on the intercept); log sigma = -log alpha
    back = solve_triangular(data.r, np.eye(width)) * sigma
    beta = back @ gamma
    change = np.zeros((width + 1, width + 1))
    change[:width, :width], change[:width, width], change[width, width] = back, -beta, -1.0
    covariance = change @ inverse[: width + 1, : width + 1] @ change.T
    size = np.diag(covariance)[:width] * np.r_[1.0, data.x.std(axis=0)[1:]] ** 2
    if not np.isfinite(covariance).all() or (size <= 0).any() or (size > _VAGUE**2).any():
        raise NotFitted("vague")
    beta[0] += data.centre
    finer = model.at(theta, finer=0.5).loglik if (rho is not None or phi is not None) else point.loglik
    if abs(finer - point.loglik) > 1e-2:
        # pieces so alike beside batches that the nodes are too few: no numbers that cannot be trusted
        raise NotFitted("stopped")
    tau, delta = (abs(each or 0.0) * sigma for each in (rho, phi))
    return ArrayFit(beta, covariance, sigma, tau, delta, loglik, criterion, point, model)


def _kept(information: Array, width: int) -> Ints:
    """Parameters with curvature enough to be inverted: rho and phi may lie on their edge, 0."""
    keep = np.arange(len(information))
    while len(keep) > width + 1:
        block = information[np.ix_(keep, keep)]
        if np.linalg.eigvalsh(block)[0] > 1e-3:
            return keep
        weakest = width + 1 + int(np.argmin(np.diag(block)[width + 1 :]))
        keep = np.delete(keep, weakest)
    return keep


@dataclass(frozen=True)
class Strata:
    """How the variance of an estimate splits between days and batches within days.

    `weights` are those of generalised least squares (columns x batches), `between` and `within` the parts of
    the variance of batch locations, `slopes` of it by each source of chance with their `doubt`; `scales` are
    the own mean squares over what the fit would have them, `spare_days` the days not spent on coefficients.
    """

    between_df: float
    within_df: float
    weights: Array
    between: Array
    within: Array
    spare_days: float
    slopes: Array
    doubt: Array
    scales: tuple[float, float] = (1.0, 1.0)

    def of(self, combination: Array) -> float:
        """Degrees of freedom of combination @ beta, after Satterthwaite (Biometrics Bulletin 2, 1946).

        Never more than its strata have (a comparison: than the one that it mostly rests on), nor than the
        brackets tell of the variance: 2 v^2 / var(v).
        """
        across = combination @ self.weights
        # the two parts are exactly apart only if the batches of a day tell equally much: neither is below 0
        between, within = (max(float(across @ part @ across), 0.0) for part in (self.between, self.within))
        if between + within <= 0:
            return min(self.between_df, self.within_df)
        slopes = across @ self.slopes @ across
        told = 2 * (between + within) ** 2 / float(slopes @ self.doubt @ slopes)
        between, within = between * self.scales[0], within * self.scales[1]
        joined = joined_df(between, within, (self.between_df, self.within_df), combination[0] == 0)
        return max(told, 1.0) if told < joined - 1e-6 else joined


def strata(found: ArrayFit, x: Array, day: Ints | None) -> Strata:
    """Work out the strata of a fit; without a day effect the batches are the only stratum."""
    batches, columns = x.shape
    which = np.zeros((batches, 1)) if day is None else (day[:, None] == np.unique(day)).astype(float)
    own = found.sigma**2 / np.maximum(found.point.curvature, 1e-6)
    same = which @ which.T
    variance = np.diag(own) + found.delta**2 * same
    precision = np.linalg.inv(variance)
    inverse = np.linalg.inv(x.T @ precision @ x)
    weights = inverse @ x.T @ precision
    # restricted information of the batches on each source of chance, and of the pieces on sigma
    rest = precision @ (np.eye(batches) - x @ weights)
    pieces = np.maximum(own - found.tau**2, 0.0)
    slopes = [np.diag(2 * pieces), np.eye(batches)] if found.model.batch_effect else [np.diag(2 * own)]
    slopes += [same] if day is not None else []
    told = np.array([[0.5 * np.trace(rest @ one @ rest @ two) for one in slopes] for two in slopes])
    if found.model.batch_effect:
        told[0, 0] += 1 / found.covariance[-1, -1]
    doubt = np.linalg.pinv(told)
    if day is None:
        left = float(batches - columns)
        return Strata(left, left, weights, 0 * variance, variance, left, np.array(slopes), doubt)
    project = (which / which.sum(axis=0)) @ which.T
    between = project @ variance @ project
    # how many of the coefficients are, in effect, estimated between days
    spent = float(np.trace(inverse @ x.T @ project @ precision @ project @ x))
    days = which.shape[1]
    df = max(days - spent, 1.0), max(batches - days - (columns - spent), 1.0)
    return Strata(*df, weights, between, variance - between, days - spent, np.array(slopes), doubt)


def own_mean_squares(found: ArrayFit, layers: Strata, x: Array, day: Ints) -> tuple[ArrayFit, Strata]:
    """Judge each stratum by its own mean square where days came out more alike than chance would have them.

    The restricted likelihood then pools the two: too large for what days judge, too small within them. So the
    covariance is scaled to give days and the rest of the batch locations their own, as in analysis of
    variance.
    """
    which = (day[:, None] == np.unique(day)).astype(float)
    point, variance = found.point, layers.between + layers.within
    off = found.sigma * (point.day_mean + point.slope / np.maximum(point.curvature, 1e-6))
    inside = np.linalg.qr(which, mode="complete")[0][:, which.shape[1] :]

    def mean_square(part: Array, df: float) -> float:
        seen = part.T @ off
        return max(float(seen @ np.linalg.solve(part.T @ variance @ part, seen)) / df, 1e-4)

    scales = mean_square(which, layers.between_df), mean_square(inside, layers.within_df)
    size, days = len(layers.weights), (which / which.sum(axis=0)) @ which.T
    stretch = scales[0] ** 0.5 * days + scales[1] ** 0.5 * (np.eye(len(days)) - days)
    whole, own = (
        np.linalg.cholesky(layers.weights @ v @ layers.weights.T)
        for v in (variance, stretch @ variance @ stretch.T)
    )
    root = np.linalg.cholesky(found.covariance[:size, :size])
    turn = np.eye(size + 1)
    turn[:size, :size] = root @ np.linalg.solve(whole, own) @ np.linalg.inv(root)
    return replace(found, covariance=turn @ found.covariance @ turn.T), replace(layers, scales=scales)


@dataclass(frozen=True)
class BatchFit:
    """A fit with the batch as the unit, and the strata of its estimates.

    `pieces_alike`: the brackets of every batch overlap, or it has one piece; the fit is then of the overlaps,
    and `found.sigma` is the spread between batches.
    """

    found: ArrayFit
    strata: Strata
    pieces_alike: bool


def fit_batches(
    lower: Array, upper: Array, batch: Ints, x: Array, day: Ints | None = None, restricted: bool = True
) -> BatchFit:
    """Fit bracketed times of pieces in batches, with a random batch effect, and a day effect if given days.

    `lower` and `upper` are hours, one entry a piece (0 and inf where unknown); `batch` the row of `x` of each
    piece, every row with a piece; `x` (batches, columns) of full rank, intercept first; `day` that of each
    batch.
    """
    batches = len(x)
    low, high = np.zeros(batches), np.full(batches, np.inf)
    np.maximum.at(low, batch, lower)
    np.minimum.at(high, batch, upper)
    known = (low == high) & np.isfinite(high) & (batches == len(lower))
    alike = bool(((low < high) | known).all())
    if alike:
        lower, upper, batch = low, high, np.arange(batches)
    data = sort(lower, upper, batch, x, day)
    found = fit(data, batch_effect=not alike, day_effect=day is not None, restricted=restricted)
    layers = strata(found, x, day)
    if day is not None and found.delta < _NO_SPREAD * found.sigma:
        found, layers = own_mean_squares(found, layers, x, day)
    return BatchFit(found, layers, alike)
