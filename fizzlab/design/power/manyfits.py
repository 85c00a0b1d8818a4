"""Fits of one plan's touch checks to many simulated trials at once.

The model, the restricted likelihood and the degrees of freedom are those of
`fizzlab.models.censored_fit`:

    log T = x'beta + day + batch + sigma e,   day ~ N(0, delta^2),  batch ~ N(0, tau^2),  e ~ N(0, 1).

Two things are worked out by a shorter way. The integral over the batches is read from tables
(`fizzlab.design.power.likelihoods`), and that over the days is Laplace's approximation

    log integral = sum log M(mu + d) - d^2 / (2 delta^2) - 1/2 log(1 + delta^2 sum w),   w = -(log M)''

at its best d. The spread of beta is the inverse of X'V^-1 X with V = diag(1/w) + delta^2 ZZ'. So this is a
stand-in for the full engine, not the engine; docs/methods/power.md shows how closely they agree.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fizzlab.design.power.likelihoods import Array, Ints, Tables

Flags = NDArray[np.bool_]
_ROUNDS = 25
_DIFFERENCE = 0.03
_SPREADS = 3  # log sigma, tau, delta
_RUNAWAY = (
    2.0  # a standard error of a log ratio with which nothing is known, and no restricted top was reached
)


@dataclass(frozen=True)
class ManyFits:
    """What was found for each trial; the first axis is the trial.

    Attributes
    ----------
    beta, se, df : arrays, shape (trials, contrasts)
        Estimate, standard error and degrees of freedom of each contrast of the coefficients (log hours).
    sigma, tau, delta : arrays, shape (trials,)
    settled : array of bool
        False where no fit was found: such a trial answers nothing.
    enlarged : array of bool
        Variances by enlarged maximum likelihood, since the restricted one had no top.
    """

    beta: Array
    se: Array
    df: Array
    sigma: Array
    tau: Array
    delta: Array
    settled: Flags
    enlarged: Flags


@dataclass(frozen=True)
class _Point:
    """The likelihood of some trials at one set of spreads, beta and d at their best for them."""

    criterion: Array
    eta: Array
    beta: Array
    weight: Array
    inverse: Array  # (X'V^-1 X)^-1
    moved: Array


@dataclass(frozen=True)
class _Trials:
    """Outcomes of each batch in each trial, with the plan."""

    tables: Tables
    outcome: Ints
    x: Array
    member: Array | None  # batches x days

    def only(self, rows: Flags | Ints) -> _Trials:
        return _Trials(self.tables, self.outcome[rows], self.x, self.member)

    def gls(self, weight: Array, delta: Array, target: Array) -> tuple[Array, Array, Array, Array]:
        """beta, the predicted days of each batch, X'V^-1 X and the days' sums of weights."""
        x, member = self.x, self.member
        wx = weight[:, :, None] * x
        normal = np.swapaxes(wx, 1, 2) @ x
        right = np.einsum("tnp,tn->tp", wx, target)
        if member is None:
            return (
                np.linalg.solve(normal, right[:, :, None])[:, :, 0],
                np.zeros_like(target),
                normal,
                target[:, :0],
            )
        total = weight @ member
        shrink = delta[:, None] ** 2 / (1 + delta[:, None] ** 2 * total)
        xd = np.einsum("nd,tnp->tdp", member, wx)
        td = (weight * target) @ member
        normal = normal - np.einsum("tdp,tdq->tpq", xd * shrink[:, :, None], xd)
        right = right - np.einsum("tdp,td->tp", xd, shrink * td)
        beta = np.linalg.solve(normal, right[:, :, None])[:, :, 0]
        days = shrink * (td - np.einsum("tdp,tp->td", xd, beta))
        return beta, days @ member.T, normal, total

    def point(self, spread: Array, eta: Array, rounds: int, restricted: bool) -> _Point:
        """Evaluate, after so many Newton steps (at least one) on beta and the days from `eta`."""
        log_sigma, tau, delta = spread.T
        value, slope, bend = self.tables.at(self.outcome, eta, log_sigma, tau)
        weight = np.maximum(bend, 1e-4)
        for _ in range(rounds):
            beta, days, _, _ = self.gls(weight, delta, eta + slope / weight)
            moved = beta @ self.x.T + days - eta
            eta = eta + np.clip(moved, -1.0, 1.0)
            value, slope, bend = self.tables.at(self.outcome, eta, log_sigma, tau)
            weight = np.maximum(bend, 1e-4)
        *_, normal, total = self.gls(weight, delta, eta)
        criterion = value.sum(axis=1)
        if self.member is not None:
            first = np.argmax(self.member, axis=0)
            day = days[:, first]
            # day / delta stays finite as delta vanishes
            scaled = np.divide(day, delta[:, None], out=np.zeros_like(day), where=delta[:, None] != 0)
            criterion = criterion - 0.5 * (scaled**2 + np.log1p(delta[:, None] ** 2 * total)).sum(axis=1)
        if restricted:
            criterion = criterion - 0.5 * np.linalg.slogdet(normal)[1]
        inverse = np.asarray(np.linalg.inv(normal), dtype=np.float64)
        return _Point(criterion, eta, beta, weight, inverse, np.abs(moved).max(axis=1))


def fit_many_trials(
    tables: Tables,
    outcome: Ints,
    x: Array,
    day: Ints | None,
    contrasts: Array,
    start: tuple[float, float, float],
    one_spread: Flags,
) -> ManyFits:
    """Fit every trial.

    Parameters
    ----------
    tables : Tables
    outcome : array of int, shape (trials, batches)
        Row of `tables`.
    x : array, shape (batches, columns)
        Model matrix of full rank, intercept first.
    day : array of int or None
        Day of each batch; None without a day effect.
    contrasts : array, shape (contrasts, columns)
    start : (sigma, tau, delta)
        Where the search begins: the spreads that were simulated.
    one_spread : array of bool, shape (trials,)
        The pieces of every batch fell between the same looks, so that only batches have a spread: sigma is
        held at its least and tau stands for both.
    """
    trials = len(outcome)
    member = None if day is None else (day[:, None] == np.unique(day)[None, :]).astype(float)
    data = _Trials(tables, outcome, x, member)
    low, _ = tables.log_sigma_range
    spread = np.tile(
        [np.log(start[0]), max(start[1], 0.3 * start[0]), max(start[2], 0.3 * start[0])], (trials, 1)
    )
    spread[one_spread, 0] = low
    spread[one_spread, 1] = np.hypot(start[0], spread[one_spread, 1])
    free = np.ones((trials, _SPREADS), bool)
    free[one_spread, 0] = False
    if member is None:
        free[:, 2] = False
        spread[:, 2] = 0.0
    scale = np.array([0.3, start[0] + start[1], start[0] + start[1]])
    eta = _first_eta(tables, outcome, x)
    first_spread = spread
    spread, eta, good, edge = _climb(data, spread, eta, free, scale, restricted=True)
    at = data.point(spread, eta, 3, True)
    worst = np.sqrt(np.einsum("ca,tab,cb->tc", contrasts, at.inverse, contrasts).max(axis=1))
    runaway = ~good | edge | (worst > _RUNAWAY) | ~np.isfinite(worst)
    if runaway.any():
        part = data.only(runaway)
        begin = first_spread[runaway]
        again, eta_again, good_again, edge_again = _climb(
            part, begin, _first_eta(tables, outcome[runaway], x), free[runaway], scale, restricted=False
        )
        # with neither spread the likelihood has no top: a line touches every bracket
        still = np.abs(again[:, 1]) < 0.05 * start[0]
        good_again &= ~(still & (edge_again | one_spread[runaway]))
        units = len(x) if member is None else member.shape[1]
        factor = np.sqrt(units / max(units - x.shape[1], 1))
        again[:, 1:] *= factor
        again[one_spread[runaway], 1] = np.abs(again[one_spread[runaway], 1])
        again[:, 1] = np.minimum(np.abs(again[:, 1]), tables.tau_max)
        spread[runaway], eta[runaway], good[runaway] = again, eta_again, good_again
        at = data.point(spread, eta, 3, True)
    within = np.abs(eta - tables.centre[outcome]).max(axis=1) < tables.step * (tables.values.shape[3] - 1) / 2
    settled = good & within & (at.moved < 1e-2)
    covariance = at.inverse + _from_spreads(data, spread, at, free, scale, one_spread)
    df = _degrees(data, spread, at, contrasts, one_spread)
    with np.errstate(invalid="ignore"):
        se = np.sqrt(np.einsum("ca,tab,cb->tc", contrasts, covariance, contrasts))
    settled &= np.isfinite(se).all(axis=1) & np.isfinite(df).all(axis=1)
    return ManyFits(
        at.beta @ contrasts.T,
        se,
        df,
        np.exp(spread[:, 0]),
        np.abs(spread[:, 1]),
        np.abs(spread[:, 2]),
        settled,
        runaway,
    )


def _first_eta(tables: Tables, outcome: Ints, x: Array) -> Array:
    middle = tables.centre[outcome]
    return np.asarray(middle @ (np.linalg.pinv(x).T @ x.T))


def _climb(
    data: _Trials, spread: Array, eta: Array, free: Flags, scale: Array, restricted: bool
) -> tuple[Array, Array, Flags, Flags]:
    """Newton's method on the spreads with slopes by differences, in every trial at once.

    Returns the spreads, eta, whether the search settled, and whether log sigma stands at an end of its range.
    """
    low, high = data.tables.log_sigma_range
    spread, eta = spread.copy(), eta.copy()
    here = data.point(spread, eta, 4, restricted)
    value = here.criterion.copy()
    eta = here.eta
    radius = np.full(len(spread), 1.0)
    done = np.zeros(len(spread), bool)
    h = _DIFFERENCE * scale
    for _ in range(_ROUNDS):
        rows = np.flatnonzero(~done)
        if not len(rows):
            break
        part, at, eta_at, base = data.only(rows), spread[rows], eta[rows], value[rows]

        def look(move: Array, part: _Trials = part, at: Array = at, eta_at: Array = eta_at) -> Array:
            return part.point(_inside(at + move * h, data.tables), eta_at, 1, restricted).criterion

        slope, curve = _differences(look, base, np.asarray(free.any(axis=0)))
        open_ = free[rows].copy()
        at_low, at_high = at[:, 0] <= low + 1e-9, at[:, 0] >= high - 1e-9
        open_[:, 0] &= ~(at_low & (slope[:, 0] <= 0)) & ~(at_high & (slope[:, 0] >= 0))
        step = _newton(slope, curve, open_, radius[rows])
        gain = np.einsum("ti,ti->t", step, slope)
        trial = _inside(at + step * h, data.tables)
        found = part.point(trial, eta_at, 2, restricted)
        better = found.criterion >= base - 1e-9
        spread[rows[better]], eta[rows[better]] = trial[better], found.eta[better]
        value[rows[better]] = found.criterion[better]
        radius[rows] = np.where(better, np.minimum(radius[rows] * 2, 16.0), radius[rows] / 4)
        done[rows] = (gain < 1e-4) | (radius[rows] < 1e-2)
    edge = (spread[:, 0] <= low + 1e-9) & free[:, 0]
    return spread, eta, done & np.isfinite(value), edge


def _inside(spread: Array, tables: Tables) -> Array:
    low, high = tables.log_sigma_range
    out = spread.copy()
    out[:, 0] = np.clip(out[:, 0], low, high)
    out[:, 1] = np.clip(out[:, 1], -tables.tau_max, tables.tau_max)
    return out


def _differences(look: Callable[[Array], Array], base: Array, used: Flags) -> tuple[Array, Array]:
    """Slope and curvature by steps of one unit along the spreads that are in the model."""
    slope, curve = np.zeros((len(base), _SPREADS)), np.zeros((len(base), _SPREADS, _SPREADS))
    unit = np.eye(_SPREADS)
    ups: dict[int, Array] = {}
    for i in np.flatnonzero(used):
        up, down = look(unit[i]), look(-unit[i])
        ups[int(i)] = up
        slope[:, i] = (up - down) / 2
        curve[:, i, i] = up - 2 * base + down
        for j in [k for k in ups if k < i]:
            both = look(unit[i] + unit[j]) - up - ups[j] + base
            curve[:, i, j] = curve[:, j, i] = both
    return slope, curve


def _newton(slope: Array, curve: Array, open_: Flags, radius: Array) -> Array:
    """Ascent steps in units of the differences, no longer than their radius."""
    slope = np.where(open_, slope, 0.0)
    both = open_[:, :, None] & open_[:, None, :]
    curve = np.where(both, curve, 0.0)
    size, turn = np.linalg.eigh(curve)
    along = np.einsum("tij,ti->tj", turn, slope)
    step = np.einsum("tij,tj->ti", turn, along / np.maximum(np.abs(size), 1e-3))
    step = np.where(open_, step, 0.0)
    longest = np.abs(step).max(axis=1)
    limit = 15.0 * radius
    return np.asarray(step * np.minimum(1.0, limit / np.maximum(longest, 1e-12))[:, None])


def _pooled(upper: Array, lower: Array) -> Array:
    return np.where(upper >= 4, upper + lower, np.minimum(upper + lower, 3 * upper))


def _from_spreads(
    data: _Trials, spread: Array, at: _Point, free: Flags, scale: Array, one_spread: Flags
) -> Array:
    """What not knowing the spreads adds to the covariance of beta.

    The covariance of beta is a block of the inverse of the information on beta and the spreads together:
    I^-1 + G P^-1 G', with G the slope of the best beta by the spreads and P the information of the profile
    likelihood on them. Of P, tau and delta are left out where it is not positive definite with them.
    """
    h = _DIFFERENCE * scale
    moved: dict[bytes, Array] = {}

    def look(move: Array) -> Array:
        point = data.point(_inside(spread + move * h, data.tables), at.eta, 1, False)
        moved[move.tobytes()] = point.beta
        return point.criterion

    base = data.point(spread, at.eta, 1, False).criterion
    used = np.asarray(free.any(axis=0))
    _, curve = _differences(look, base, used)
    unit = np.eye(_SPREADS)
    slope = np.zeros((*at.beta.shape, _SPREADS))
    for i in np.flatnonzero(used):
        slope[:, :, i] = (moved[unit[i].tobytes()] - moved[(-unit[i]).tobytes()]) / 2
    # by log sigma, tau/sigma and delta/sigma
    size = np.stack([np.full(len(spread), h[0]), *(h[1:, None] / np.exp(spread[:, 0]))], axis=1)
    info = -curve / size[:, :, None] / size[:, None, :]
    slope = slope / size[:, None, :]
    keep = free.copy()
    must = np.zeros_like(keep)
    must[np.arange(len(keep)), np.where(one_spread, 1, 0)] = True  # tau stands for sigma where there is one
    for _ in range(_SPREADS):
        both = keep[:, :, None] & keep[:, None, :]
        held = np.where(both, info, np.eye(_SPREADS))
        least = np.linalg.eigvalsh(held)[:, 0]
        weak = (least <= 1e-3) & (keep & ~must).any(axis=1)
        if not weak.any():
            break
        diagonal = np.where(keep & ~must, np.einsum("tii->ti", info), np.inf)
        keep[np.flatnonzero(weak), np.argmin(diagonal[weak], axis=1)] = False
    slope = np.where(keep[:, None, :], slope, 0.0)
    held = np.where((least > 1e-3)[:, None, None], held, np.eye(_SPREADS) * 1e12)
    return np.asarray(slope @ np.linalg.solve(held, np.swapaxes(slope, 1, 2)))


def _degrees(data: _Trials, spread: Array, at: _Point, contrasts: Array, one_spread: Flags) -> Array:
    """Degrees of freedom, as `fizzlab.models.censored_fit.strata` has them."""
    x, member = data.x, data.member
    batches, columns = x.shape
    sigma, tau, delta = np.exp(spread[:, 0]), np.abs(spread[:, 1]), np.abs(spread[:, 2])
    own = 1 / at.weight
    middle = np.median(own, axis=1)
    no_tau = (tau**2 < 1e-3 * middle) & ~one_spread
    # with no batch spread the weights are the pieces' information on the batch's place
    pieces = np.maximum((at.weight * sigma[:, None] ** 2).sum(axis=1) - batches, 0.0)
    if member is None:
        left = np.full(len(own), float(batches - columns))
        df = np.where(no_tau, _pooled(left, pieces), left)
        return np.repeat(df[:, None], len(contrasts), axis=1)
    count = member.sum(axis=0)
    days = len(count)
    mean = (member / count).T
    wx = at.weight[:, :, None] * x
    total = at.weight @ member
    shrink = delta[:, None] ** 2 / (1 + delta[:, None] ** 2 * total)
    xd = np.einsum("nd,tnp->tdp", member, wx)
    precision_x = wx - np.einsum("nd,tdp->tnp", member, (shrink[:, :, None] * xd)) * at.weight[:, :, None]
    across = np.einsum("ca,tab,tnb->tcn", contrasts, at.inverse, precision_x)
    by_day = across @ mean.T  # trials x contrasts x days
    own_day = np.einsum("tn,nd->td", own, member)
    between = np.einsum("tcd,td->tc", by_day**2, own_day) + delta[:, None] ** 2 * ((by_day * count) ** 2).sum(
        axis=2
    )
    within = np.maximum(np.einsum("ca,tab,cb->tc", contrasts, at.inverse, contrasts) - between, 0.0)
    flat = member @ (mean @ x)  # day means of x, at each batch
    wf = at.weight[:, :, None] * flat
    fd = np.einsum("nd,tnp->tdp", member, wf)
    inside = np.einsum("tnp,nq->tpq", wf, flat) - np.einsum("tdp,td,tdq->tpq", fd, shrink, fd)
    spent = np.einsum("tab,tba->t", at.inverse, inside)
    between_df = np.maximum(days - spent, 1.0)
    within_df = np.maximum(batches - days - (columns - spent), 1.0)
    within_df = np.where(no_tau, _pooled(within_df, pieces), within_df)
    no_delta = delta**2 * count.mean() < 1e-3 * middle
    between_df = np.where(no_delta, _pooled(between_df, within_df), between_df)
    whole = between**2 / between_df[:, None] + within**2 / within_df[:, None]
    return np.asarray((between + within) ** 2 / whole)
