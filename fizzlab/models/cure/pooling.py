"""One number, or a line, pooled over trials that may truly differ: the arithmetic under `season`."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from scipy import optimize, stats
from scipy.special import ndtr

from fizzlab.errors import CannotAnswer
from fizzlab.models.censored.likelihood import Array

LEAST = 3
FEW = 5

Correction = Literal["guarded", "plain", "none"]

_NODES = 400
_NODES_EACH_WAY = 50
_ENTRIES = 1_000_000


@dataclass(frozen=True)
class Pooled:
    """One number pooled over trials that may truly differ; made by `pool`.

    Parameters
    ----------
    estimate, se, df, low, high : float
        The mean over trials like these, with its interval.
    new_low, new_high : float
        Where the true number of a new trial may lie.
    tau, tau_low, tau_high : float
        Standard deviation between the trials' true numbers, with its interval (Q-profile).
    q, q_df, q_p : float
        Cochran's test that all trials have the same true number. With few trials it seldom objects.
    i2 : float
        Share (0 to 1) of the variance between the trials' estimates that is not their own uncertainty.
    weights : array, shape (trials,)
        Shares of the trials in the estimate.
    level : float
    """

    estimate: float
    se: float
    df: int
    low: float
    high: float
    new_low: float
    new_high: float
    tau: float
    tau_low: float
    tau_high: float
    q: float
    q_df: int
    q_p: float
    i2: float
    weights: Array = field(repr=False)
    level: float = 0.95


def pool(
    estimates: Sequence[float] | Array,
    standard_errors: Sequence[float] | Array,
    *,
    level: float = 0.95,
    correction: Correction = "guarded",
) -> Pooled:
    """Pool one number over trials, letting the trials truly differ.

    Parameters
    ----------
    estimates, standard_errors : sequence of float, shape (trials,)
    level : float
    correction : {"guarded", "plain", "none"}
        "plain" is Hartung and Knapp's: the spread that is seen among the trials sets the standard error, with
        t on trials - 1 degrees of freedom. "guarded" never lets that make the interval narrower than the
        trials' own errors would, and lets the interval of a new trial hold the doubt about tau.
        "none" is the normal interval, too narrow for few trials.

    Returns
    -------
    Pooled

    Raises
    ------
    CannotAnswer
        Fewer than 3 trials.
    ValueError
        Standard errors that are not positive, or of another number.

    Notes
    -----
    tau^2 by restricted maximum likelihood (REML); w_i = 1/(se_i^2 + tau^2);
    se^2 = q / sum w with q = sum w_i (y_i - m)^2 / (k - 1) (J. Hartung, G. Knapp, Statist. Med. 20 (2001)
    3875-3889; G. Knapp, J. Hartung, Statist. Med. 22 (2003) 2693-2710), q not below 1 if guarded; interval of
    tau by W. Viechtbauer, Statist. Med. 26 (2007) 37-52. A new trial within m +- t_(k-1) sqrt(tau^2 + se^2),
    which holds too seldom with few trials, where tau is easily estimated as nothing; guarded it is the
    mixture of the normal forecasts for every tau, each weighted by its restricted likelihood, equal chances
    beforehand for equal ratios of tau^2 + v, v the median of se_i^2 (after G. C. Tiao, W. Y. Tan, Biometrika
    52 (1965) 37-53); with tau far above the trials' own errors it is the t_(k-1) interval.

    Examples
    --------
    >>> slopes = pool([-0.62, -0.48, -0.80, -0.55], [0.17, 0.22, 0.14, 0.24])
    >>> round(slopes.estimate, 2), slopes.df, slopes.tau
    (-0.66, 3, 0.0)
    """
    y, se = np.asarray(estimates, float), np.asarray(standard_errors, float)
    if y.shape != se.shape or y.ndim != 1:
        raise ValueError("there must be one standard error for each estimate")
    if not (np.isfinite(y).all() and np.isfinite(se).all() and (se > 0).all()):
        raise ValueError("estimates must be finite and standard errors positive")
    enough(len(y))
    v = se**2
    tau2 = float(reml(y, np.ones((len(y), 1)), [np.diag(v)], [np.eye(len(y))])[0])
    w = 1 / (v + tau2)
    mean = float(w @ y / w.sum())
    df = len(y) - 1
    q = float(w @ (y - mean) ** 2 / df)
    scale = {"guarded": max(q, 1.0), "plain": q, "none": 1.0}[correction]
    error = float(np.sqrt(scale / w.sum()))
    reach = float(
        stats.norm.ppf(0.5 + level / 2) if correction == "none" else stats.t.ppf(0.5 + level / 2, df)
    )
    w0 = 1 / v
    cochran = float(w0 @ (y - w0 @ y / w0.sum()) ** 2)
    typical = df * w0.sum() / (w0.sum() ** 2 - (w0**2).sum())
    new = reach * float(np.hypot(error, np.sqrt(tau2)))
    new_low, new_high = mean - new, mean + new
    if correction == "guarded":
        one = np.ones((len(y), 1))
        spreads = possible_spreads(y, one, np.diag(v), [np.eye(len(y))], [float(np.median(v))])
        ends = spreads.bounds(np.ones((1, 1)), 0.0, level)
        new_low, new_high = float(ends[0][0]), float(ends[1][0])
    tau_low, tau_high = _q_profile(y, v, level)
    return Pooled(
        estimate=mean,
        se=error,
        df=df,
        low=mean - reach * error,
        high=mean + reach * error,
        new_low=new_low,
        new_high=new_high,
        tau=float(np.sqrt(tau2)),
        tau_low=tau_low,
        tau_high=tau_high,
        q=cochran,
        q_df=df,
        q_p=float(stats.chi2.sf(cochran, df)),
        i2=float(tau2 / (tau2 + typical)),
        weights=w / w.sum(),
        level=level,
    )


def enough(trials: int) -> None:
    if trials < LEAST:
        raise CannotAnswer(
            f"There {'is 1 trial' if trials == 1 else f'are {trials} trials'}, too few to see how much they "
            "differ.",
            f"Keep the records; from {LEAST} trials on they can be pooled, from {FEW} on it becomes useful.",
        )


def _q_profile(y: Array, v: Array, level: float) -> tuple[float, float]:
    df = len(y) - 1

    def spread(tau2: float) -> float:
        w = 1 / (v + tau2)
        return float(w @ (y - w @ y / w.sum()) ** 2)

    def solve(target: float) -> float:
        if spread(0.0) <= target:
            return 0.0
        top = float(v.max() + np.var(y))
        while spread(top) > target:
            top *= 4
        return float(np.sqrt(optimize.brentq(lambda tau2: spread(tau2) - target, 0.0, top, xtol=1e-14)))

    low, high = stats.chi2.ppf([0.5 - level / 2, 0.5 + level / 2], df)
    return solve(float(high)), solve(float(low))


def reml(y: Array, x: Array, within: Sequence[Array], between: Sequence[Array]) -> Array:
    """Variances v_j >= 0 that maximise the restricted likelihood of y ~ N(Xb, W + sum v_j B_j)."""
    own = sum(within)
    size = float(np.mean(np.diag(own))) + float(np.var(y))

    def cost(share: Array) -> float:
        cov = own + sum(s * size * b for s, b in zip(share, between, strict=True))
        factor = np.linalg.cholesky(cov)
        white_x, white_y = np.linalg.solve(factor, x), np.linalg.solve(factor, y)
        info = white_x.T @ white_x
        rest = white_y - white_x @ np.linalg.solve(info, white_x.T @ white_y)
        return float(np.log(np.diag(factor)).sum() + 0.5 * np.linalg.slogdet(info)[1] + 0.5 * rest @ rest)

    # a flat or two-topped likelihood is common with few trials: look everywhere first
    steps = np.concatenate([[0.0], np.geomspace(1e-4, 30.0, 14)])
    grid = np.stack(np.meshgrid(*[steps] * len(between), indexing="ij"), axis=-1).reshape(-1, len(between))
    costs = np.array([cost(point) for point in grid])
    start = grid[int(np.argmin(costs))]
    found = optimize.minimize(
        lambda root: cost(root**2),
        np.sqrt(np.maximum(start, 1e-6)),
        method="Nelder-Mead",
        options={"xatol": 1e-10, "fatol": 1e-13, "maxiter": 4000, "maxfev": 4000},
    )
    if not found.success:
        raise CannotAnswer(
            "The search for how much the trials differ did not settle.", "Add trials, or pool fewer numbers."
        )
    best = np.asarray(found.x**2, float)
    for j in range(len(best)):
        without = np.where(np.arange(len(best)) == j, 0.0, best)
        if cost(without) <= cost(best) + 1e-12:
            best = without
    return best * size


@dataclass(frozen=True)
class Possible:
    """Spreads between trials that the estimates leave possible, and what goes with each."""

    weight: Array  # (nodes,)
    beta: Array  # (nodes, columns)
    covariance: Array  # (nodes, columns, columns)
    tau2: Array  # (nodes, columns)

    def bounds(self, rows: Array, extra: float, level: float) -> tuple[Array, Array]:
        """Bounds for a new trial's true value of each row, with `extra` variance on top."""
        return self.below(rows, extra, 0.5 - level / 2), self.below(rows, extra, 0.5 + level / 2)

    def below(self, rows: Array, extra: float, share: float) -> Array:
        """Value that a new trial's lies below with a chance of `share`, for each row."""
        return mixture_quantile(*self._new(rows, extra), self.weight, share)

    def chance(self, rows: Array, extra: float, value: float) -> Array:
        """Chance that a new trial's value of each row lies below `value`."""
        centre, sd = self._new(rows, extra)
        return np.asarray(ndtr((value - centre) / sd) @ self.weight, float)

    def _new(self, rows: Array, extra: float) -> tuple[Array, Array]:
        known = np.einsum("ri,kij,rj->rk", rows, self.covariance, rows)
        return rows @ self.beta.T, np.sqrt(known + rows**2 @ self.tau2.T + extra)


def mixture_quantile(centre: Array, sd: Array, weight: Array, share: float) -> Array:
    """Quantile of a mixture of normals for each row of `centre` and `sd`, by halving."""
    low, high = (centre - 40 * sd).min(axis=1), (centre + 40 * sd).max(axis=1)
    for _ in range(70):
        middle = 0.5 * (low + high)
        below = ndtr((middle[:, None] - centre) / sd) @ weight < share
        low, high = np.where(below, middle, low), np.where(below, high, middle)
    return np.asarray(0.5 * (low + high), float)


def possible_spreads(
    y: Array, z: Array, within: Array, between: Sequence[Array], own: Sequence[float]
) -> Possible:
    """Weigh spreads by restricted likelihood, with density 1 / (tau^2 + own) of tau^2 beforehand."""
    size = float(np.sqrt(np.mean(np.diag(within)) + np.var(y)))
    count = _NODES if len(between) == 1 else _NODES_EACH_WAY
    part = (np.arange(count) + 0.5) / count
    node, step = size * part / (1 - part), 1 / (1 - part) ** 2
    mesh = np.stack(np.meshgrid(*[node] * len(between), indexing="ij"), axis=-1).reshape(-1, len(between))
    steps = np.stack(np.meshgrid(*[step] * len(between), indexing="ij"), axis=-1).reshape(-1, len(between))
    chunk = max(1, _ENTRIES // len(y) ** 2)
    parts = [_fits(y, z, within, between, mesh[i : i + chunk]) for i in range(0, len(mesh), chunk)]
    beta, covariance, loglik = (np.concatenate(each) for each in zip(*parts, strict=True))
    before = (np.log(steps) + np.log(mesh) - np.log(mesh**2 + np.asarray(own))).sum(axis=1)
    log_weight = before + loglik
    weight = np.exp(log_weight - log_weight.max())
    keep = weight > 1e-9 * weight.sum()
    tau2 = np.zeros((len(mesh), z.shape[1]))
    tau2[:, : len(between)] = mesh**2
    return Possible(weight[keep] / weight[keep].sum(), beta[keep], covariance[keep], tau2[keep])


def one_of_them(
    spreads: Possible, y: Array, z: Array, within: Array, between: Sequence[Array], mine: Array, rows: Array
) -> tuple[Array, Array]:
    """Mean and standard deviation, at every spread, of one trial's own true value of each row.

    `mine` is 1 where a number is that trial's. The trial's effect u is predicted from all numbers (best
    linear unbiased prediction): K V^-1 (y - Zb), K the covariance of u and y; the error of b is in its
    variance.
    """
    centres, variances = [], []
    chunk = max(1, _ENTRIES // len(y) ** 2)
    for i in range(0, len(spreads.weight), chunk):
        tau2, beta = spreads.tau2[i : i + chunk], spreads.beta[i : i + chunk]
        total = within + np.einsum("kj,jab->kab", tau2[:, : len(between)], np.stack(between))
        k = np.einsum("rj,kj,mj,m->krm", rows, tau2, z, mine)
        lean = np.swapaxes(np.linalg.solve(total, np.swapaxes(k, 1, 2)), 1, 2)
        centres.append(rows @ beta.T + np.einsum("krm,km->rk", lean, y - beta @ z.T))
        rest = rows - lean @ z
        doubt = np.einsum("krj,kjl,krl->rk", rest, spreads.covariance[i : i + chunk], rest)
        variances.append(rows**2 @ tau2.T - np.einsum("krm,krm->rk", lean, k) + doubt)
    return np.concatenate(centres, axis=1), np.sqrt(np.concatenate(variances, axis=1))


def _fits(
    y: Array, z: Array, within: Array, between: Sequence[Array], tau: Array
) -> tuple[Array, Array, Array]:
    """Estimates, covariance and restricted log-likelihood for each row of standard deviations."""
    total = within + np.einsum("kj,jab->kab", tau**2, np.stack(between))
    factor = np.linalg.cholesky(total)
    white_z = np.linalg.solve(factor, np.broadcast_to(z, (len(tau), *z.shape)))
    white_y = np.linalg.solve(factor, np.broadcast_to(y[:, None], (len(tau), len(y), 1)))
    info = np.swapaxes(white_z, 1, 2) @ white_z
    covariance = np.linalg.inv(info)
    beta = covariance @ np.swapaxes(white_z, 1, 2) @ white_y
    rest = ((white_y - white_z @ beta) ** 2).sum(axis=(1, 2))
    half = np.log(np.diagonal(factor, axis1=1, axis2=2)).sum(axis=1)
    loglik = np.asarray(-half - 0.5 * np.linalg.slogdet(info)[1] - 0.5 * rest, float)
    return beta[:, :, 0], np.asarray(covariance, float), loglik
