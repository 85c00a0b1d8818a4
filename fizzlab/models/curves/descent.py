"""Least squares by damped Gauss-Newton steps, over many curves at once.

The engine under `fit_curve`, `fit_many` and `profile_interval`; it knows only residuals and their
slopes. Each curve has its own damping, and leaves the work when it is done, so that a thousand small
curves cost about as many NumPy calls as one.

Steps follow Levenberg and Marquardt with the damping rule of K. Madsen, H. B. Nielsen and O. Tingleff,
"Methods for non-linear least squares problems" (2nd ed., Technical University of Denmark, 2004),
columns scaled as in J. J. More, "The Levenberg-Marquardt algorithm: implementation and theory" (1978).
What is left to gain is read from a QR decomposition of the slopes, never from the normal equations, which
would lose half the digits; where the slopes are nearly dependent the step, too, is taken from their
singular values. A parameter on its bound that is pulled outwards is held there; a step is cut at the
bounds. Where some parameters enter linearly they are solved for after every step (A. Ruhe and
P. A. Wedin, "Algorithms for separable nonlinear least squares problems", SIAM Review 22, 1980,
318-337), which makes poor starts much less harmful.

Convergence is judged by the relative offset of D. M. Bates and D. G. Watts, "A relative offset
orthogonality convergence criterion for nonlinear least squares", Technometrics 23 (1981), 179-183:
the part of the residuals that a small change of the parameters could still take away, compared with
the part that it could not.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]
Rows = Callable[[Array, Ints], Array]

RUNNING, CONVERGED, SINGULAR, TOO_LONG, STALLED, NO_START = range(6)

_EPS = float(np.finfo(float).eps)
TOLERANCE = 1e-8
_OFFSET_AT_STALL = 1e-5  # accepted where rounding leaves no better point
_WELL = 1e-4  # above this ratio of diagonals a QR triangle is solved as it is, below by singular values
_RANK = 1e-11  # singular values below this share of the largest say nothing
_MOST_DAMPING = 1e16


@dataclass(frozen=True)
class Descent:
    """Where each of m descents ended.

    Attributes
    ----------
    theta : array, shape (m, p)
    rss : array, shape (m,)
        Sum of squared residuals there; inf where there was no start.
    status : array of int, shape (m,)
        CONVERGED, SINGULAR, TOO_LONG, STALLED or NO_START.
    steps : array of int, shape (m,)
        Steps tried.
    held : array of bool, shape (m, p)
        Parameters that ended on a bound and would go beyond it.
    inverse : array, shape (m, p, p)
        Inverse of slopes' slopes over the parameters not held; nan where not converged or held.
    """

    theta: Array
    rss: Array
    status: Ints
    steps: Ints
    held: Flags
    inverse: Array


def _square(r: Array) -> Array:
    total = np.einsum("mn,mn->m", r, r)
    return np.where(np.isfinite(total), total, np.inf)


def _plain(triangle: Array) -> Flags:
    """Which triangles of a QR decomposition are far enough from singular to be solved as they are."""
    diagonal = np.abs(np.einsum("mkk->mk", triangle))
    return np.asarray(diagonal.min(axis=1) > _WELL * diagonal.max(axis=1))


def _least_squares(columns: Array, r: Array) -> Array:
    """Solve many small least-squares problems, the singular ones with the shortest solution."""
    q, triangle = np.linalg.qr(columns)
    plain = _plain(triangle)
    out = np.empty((len(r), columns.shape[2]))
    part = np.einsum("mnk,mn->mk", q[plain], r[plain])
    out[plain] = np.linalg.solve(triangle[plain], part[:, :, None])[:, :, 0]
    if not plain.all():
        out[~plain] = np.einsum("mkn,mn->mk", np.linalg.pinv(columns[~plain]), r[~plain])
    return out


def _solve_linear(r: Array, slopes: Array, theta: Array, linear: Ints, lower: Array, upper: Array) -> Array:
    """Return theta with its linear parameters at their best, where that is finite and within bounds."""
    columns = slopes[:, :, linear]
    usable = np.flatnonzero(np.isfinite(columns).all(axis=(1, 2)) & np.isfinite(r).all(axis=1))
    out = theta.copy()
    if len(usable):
        change = _least_squares(columns[usable], r[usable])
        moved = theta[usable][:, linear] + change
        inside = (moved >= lower[linear]).all(axis=1) & (moved <= upper[linear]).all(axis=1)
        out[usable[inside][:, None], linear] = moved[inside]
    return out


def descend(
    residuals: Rows,
    slopes: Rows,
    start: Array,
    lower: Array,
    upper: Array,
    size: Array,
    readings: Array,
    linear: Sequence[int] = (),
    most: int = 500,
    tolerance: float = TOLERANCE,
) -> Descent:
    """Go downhill from each row of `start`.

    Parameters
    ----------
    residuals : callable(theta, rows) -> array, shape (a, n)
        Weighted observed minus fitted, for `theta` of shape (a, p) of the curves `rows`.
    slopes : callable(theta, rows) -> array, shape (a, n, p)
        Weighted derivatives of the fitted values.
    start : array, shape (m, p)
    lower, upper : arrays, shape (p,)
        Bounds; infinite where there is none.
    size : array, shape (m,)
        Size of the weighted readings, from which rounding errors are reckoned.
    readings : array, shape (m,)
        How many readings each curve has.
    linear : sequence of int
        Parameters that enter linearly.
    most : int
        Most steps tried.
    tolerance : float
        Relative offset at which a descent has converged; parameters are then about that many standard
        errors from the lowest point, and the sum of squares is off by its square.

    Returns
    -------
    Descent
    """
    with np.errstate(all="ignore"):
        return _descend(
            residuals,
            slopes,
            start,
            lower,
            upper,
            size,
            readings,
            np.array(linear, dtype=np.int64),
            most,
            tolerance,
        )


def _descend(
    residuals: Rows,
    slopes: Rows,
    start: Array,
    lower: Array,
    upper: Array,
    size: Array,
    readings: Array,
    linear: Ints,
    most: int,
    tolerance: float,
) -> Descent:
    count, width = start.shape
    everyone = np.arange(count)
    theta = np.clip(np.asarray(start, float), lower, upper)
    r = residuals(theta, everyone)
    jac = slopes(theta, everyone)
    if len(linear):
        theta = _solve_linear(r, jac, theta, linear, lower, upper)
        r, jac = residuals(theta, everyone), slopes(theta, everyone)
    rss = _square(r)
    dof = np.maximum(readings - width, 1.0)
    rounding = readings * (4 * _EPS * size) ** 2
    status = np.full(count, RUNNING, dtype=np.int64)
    status[~np.isfinite(rss) | ~np.isfinite(jac).all(axis=(1, 2))] = NO_START
    steps = np.zeros(count, dtype=np.int64)
    damping, growth = np.full(count, 1e-3), np.full(count, 2.0)
    scale = np.zeros((count, width))
    z, s = np.zeros((count, width)), np.zeros((count, width))
    vt = np.zeros((count, width, width))  # right singular vectors; the triangle where `easy`
    easy = np.zeros(count, dtype=bool)
    free = np.ones((count, width), dtype=bool)
    gain = np.zeros(count)  # what a full step promises to take off the sum of squares
    offset = np.full(count, np.inf)
    lost = np.zeros(count, dtype=bool)

    def look(rows: Ints) -> None:
        """Take the slopes apart at the present point of each of `rows`."""
        here, slope = theta[rows], jac[rows]
        pull = np.einsum("mnk,mn->mk", slope, r[rows])
        held = ((here <= lower) & (pull <= 0)) | ((here >= upper) & (pull >= 0))
        free[rows] = ~held
        scale[rows] = np.maximum(scale[rows], np.sqrt(np.einsum("mnk,mnk->mk", slope, slope)))
        unit = np.where(scale[rows] > 0, scale[rows], 1.0)
        scale[rows] = unit
        scaled = slope * (free[rows] / unit)[:, None, :]
        q, triangle = np.linalg.qr(scaled)
        plain = _plain(triangle)  # never so where a parameter is held: its column is nothing
        easy[rows] = plain
        z[rows] = np.einsum("mnk,mn->mk", q, r[rows])
        vt[rows], lost[rows] = triangle, False
        if not plain.all():
            hard = rows[~plain]
            u, values, v = np.linalg.svd(scaled[~plain], full_matrices=False)
            part = np.einsum("mnk,mn->mk", u, r[hard])
            heard = values > _RANK * values[:, :1]
            part[~heard] = 0.0
            z[hard], s[hard], vt[hard] = part, values, v
            lost[hard] = heard.sum(axis=1) < free[hard].sum(axis=1)
        part = z[rows]
        gain[rows] = np.einsum("mk,mk->m", part, part)
        alive = np.maximum(free[rows].sum(axis=1), 1)
        left = np.maximum(rss[rows] - gain[rows], 0.0) / dof[rows]
        offset[rows] = np.sqrt(gain[rows] / alive / np.where(left > 0, left, np.nan))
        offset[rows] = np.where(gain[rows] <= rounding[rows], 0.0, offset[rows])
        ended = offset[rows] <= tolerance
        status[rows[ended]] = np.where(lost[rows[ended]], SINGULAR, CONVERGED)

    running = np.flatnonzero(status == RUNNING)
    if len(running):
        look(running)
    for _ in range(most):
        rows = np.flatnonzero(status == RUNNING)
        if not len(rows):
            break
        steps[rows] += 1
        move = np.empty((len(rows), width))
        plain, hard = easy[rows], rows[~easy[rows]]
        triangle = vt[rows[plain]]
        turned = triangle.transpose(0, 2, 1)
        damped = turned @ triangle + damping[rows[plain], None, None] * np.eye(width)
        move[plain] = np.linalg.solve(damped, turned @ z[rows[plain], :, None])[:, :, 0]
        if len(hard):
            shrunk = z[hard] * s[hard] / (s[hard] ** 2 + damping[hard, None])
            move[~plain] = np.einsum("mjk,mj->mk", vt[hard], shrunk)
        move *= free[rows] / scale[rows]
        trial = np.clip(theta[rows] + move, lower, upper)
        move = trial - theta[rows]
        along = np.einsum("mnk,mk->mn", jac[rows], move)
        promised = np.einsum("mn,mn->m", along, 2 * r[rows] - along)
        there = residuals(trial, rows)
        if len(linear):
            trial = _solve_linear(there, slopes(trial, rows), trial, linear, lower, upper)
            there = residuals(trial, rows)
        trial_rss = _square(there)
        share = (rss[rows] - trial_rss) / np.where(promised > 0, promised, np.nan)
        # near the bottom the fall is lost in rounding: a full step is then taken on its promise
        blind = (promised <= 1e-11 * rss[rows]) & (trial_rss <= rss[rows] * (1 + 1e-11))
        better = np.isfinite(trial_rss) & ((trial_rss < rss[rows]) & (promised > 0) | blind)
        taken = rows[better]
        if len(taken):
            jac_there = slopes(trial[better], taken)
            sound = np.isfinite(jac_there).all(axis=(1, 2))
            better[np.flatnonzero(better)[~sound]] = False
            taken, jac_there = taken[sound], jac_there[sound]
            theta[taken], r[taken], rss[taken] = trial[better], there[better], trial_rss[better]
            jac[taken] = jac_there
            eased = np.maximum(1 / 3, 1 - (2 * np.nan_to_num(share[better], nan=1.0) - 1) ** 3)
            damping[taken] = np.maximum(damping[taken] * np.where(blind[better], 1 / 3, eased), 1e-15)
            growth[taken] = 2.0
            look(taken)
        refused = rows[~better]
        damping[refused] *= growth[refused]
        growth[refused] *= 2.0
        still = (damping > _MOST_DAMPING) & (status == RUNNING)
        still[rows] |= (np.abs(move) <= 4 * _EPS * np.abs(trial)).all(axis=1) & (status[rows] == RUNNING)
        near = still & (offset <= _OFFSET_AT_STALL) & ~lost
        status[still] = np.where(lost[still], SINGULAR, STALLED)
        status[near] = CONVERGED
    status[status == RUNNING] = TOO_LONG
    return Descent(theta, rss, status, steps, ~free, _inverse(jac, free, status == CONVERGED))


def _inverse(jac: Array, free: Flags, known: Flags) -> Array:
    """Return (J'J)^-1 over the free parameters of the curves that are known, nan elsewhere."""
    count, width = free.shape
    inverse = np.full((count, width, width), np.nan)
    slopes = jac[known] * free[known][:, None, :]
    scale = np.sqrt(np.einsum("mnk,mnk->mk", slopes, slopes))
    scale[scale == 0] = 1.0
    _, values, turn = np.linalg.svd(slopes / scale[:, None, :], full_matrices=False)
    root = turn / np.where(values > _RANK * values[:, :1], values, np.inf)[:, :, None] / scale[:, None, :]
    found = np.einsum("mji,mjk->mik", root, root)
    unknown = ~free[known]
    found[unknown[:, :, None] | unknown[:, None, :]] = np.nan
    inverse[known] = found
    return inverse
