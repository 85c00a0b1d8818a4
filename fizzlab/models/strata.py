"""Days and batches as two sources of chance: restricted likelihood, and tests with small-sample df.

One plan is prepared once (`prepare`) and fitted to one response or to thousands (`fit_many`): a power
simulation goes through the same code as a report. Ours because statsmodels' mixed model gives z intervals and
fails at a variance of zero.

The model is y = X b + Z u + e, with days u ~ N(0, v_d I) and batches e ~ N(0, v_e I). In the space K that X
cannot reach, rotated so that K'ZZ'K is diagonal, with the df f and sums of squares s of strata of equal a on
that diagonal,

    l = -1/2 sum (f log V + s / V),   V = v_d a + v_e.

A component that comes out below zero is that of the analysis of variance, v = C^-1 m, with the mean squares m
of days and of the rest and their expectations C. The sources are in docs/methods/effects.md.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import stats

from fizzlab.errors import cannot
from fizzlab.models.result import t_interval
from fizzlab.models.terms import Array

Ints = NDArray[np.int64]

#: Least share of its variance that negative components may leave of any contrast of the coefficients.
_FLOOR = 0.01
#: Least and, turned over, greatest quotient of the two variances, in terms of the greatest stratum.
_LEAST = 1e-9
#: How far apart the multiples of a mean square may lie that a variance can be; see `_judged_by`.
_ALIKE = 0.5
#: How much narrower an interval by one mean square must be to take the place of the usual one.
_WORTH = 0.95


@dataclass(frozen=True)
class Strata:
    """A plan made ready for fitting by `prepare`; its sources of chance are days, if random, and batches.

    `kernels` has what multiplies each component in the variance of a stratum (a and 1), `full` ZZ' and the
    identity, `expected` C. `stratum` and `source` say which stratum, and which mean square, each column of
    `outside` (K) belongs to.
    """

    x: Array
    day: Ints | None
    outside: Array
    kernels: Array
    stratum: Ints
    full: Array
    source: Ints
    expected: Array

    @property
    def spare(self) -> int:
        return int(self.outside.shape[1])

    @property
    def df(self) -> Array:
        return np.bincount(self.source).astype(float)

    def by_days(self, rows: Array) -> bool:
        """Is L b something that only days tell, no combination of it showing within days?"""
        if self.day is None:
            return False
        within = self.x - self.full[0] / self.full[0].sum(axis=1)[:, None] @ self.x
        small = 1e-8 * float(np.linalg.norm(self.x))
        alone, both = (np.linalg.matrix_rank(m, tol=small) for m in (within, np.vstack([within, rows])))
        return bool(both - alone == len(rows))


@dataclass(frozen=True)
class Fits:
    """Fits of one plan to many responses; the first axis of every array is the response.

    `components` are the variances of days, if random, and of batches, `uncertainty` their covariance. `phi`
    is the plain covariance of `beta`, `slopes` d phi / d v_j; `covariance` has Kenward and Roger's
    correction. `least_df` are, with a negative component, the fewest of any source.
    """

    beta: Array
    components: Array
    phi: Array
    covariance: Array
    slopes: Array
    uncertainty: Array
    converged: NDArray[np.bool_]
    least_df: Array
    mean_squares: Array
    strata: Strata


def prepare(x: Array, day: Sequence[Any] | Array | Ints | pd.Series | None = None) -> Strata:
    """Make a plan ready for fitting: a model matrix of full rank, and days where they vary at random."""
    x = np.asarray(x, float)
    rows, columns = x.shape
    if rows <= columns:
        raise cannot("batches_for_model", rows=rows, columns=columns)
    outside = np.linalg.qr(x, mode="complete")[0][:, columns:]
    if day is None:
        nothing, one = np.zeros(rows - columns, np.int64), np.ones((1, 1))
        return Strata(x, None, outside, one, nothing, np.eye(rows)[None], nothing, one)
    code = np.asarray(pd.factorize(np.asarray(day))[0], np.int64)
    same = (code[:, None] == code[None, :]).astype(float)
    size, turn = np.linalg.eigh(outside.T @ same @ outside)
    size = np.where(size > 1e-8 * (1 + np.abs(size).max()), size, 0.0)
    stratum = np.concatenate([[0], np.cumsum(np.diff(size) > 1e-7 * (1 + size.max()))]).astype(np.int64)
    between = size > 0
    if not between.any():
        raise cannot("days_alone")
    if between.all():
        raise cannot("nothing_repeated")
    strata = np.array([size[stratum == place].mean() for place in range(stratum[-1] + 1)])
    return Strata(
        x=x,
        day=code,
        outside=outside @ turn,
        kernels=np.stack([strata, np.ones_like(strata)]),
        stratum=stratum,
        full=np.stack([same, np.eye(rows)]),
        source=np.where(between, 0, 1),
        expected=np.array([[size[between].mean(), 1.0], [0.0, 1.0]]),
    )


def exact(strata: Strata, y: Array) -> NDArray[np.bool_]:
    """Is what the model leaves of each response no more than rounding?"""
    left = np.sqrt(((y @ strata.outside) ** 2).mean(axis=-1))
    return np.asarray(left <= 64 * np.finfo(float).eps * np.abs(y).max(axis=-1))


def fit_many(strata: Strata, responses: Array) -> Fits:
    """Fit one plan to many responses, shape (fits, rows), at once.

    >>> fits = fit_many(prepare(np.ones((6, 1)), [0, 0, 1, 1, 2, 2]), np.array([1.0, 3, 4, 6, 8, 8]))
    >>> fits.components.round(4).tolist(), fits.beta.round(3).tolist()
    ([[8.3333, 1.3333]], [[5.0]])
    """
    y = np.atleast_2d(np.asarray(responses, float))
    flat = exact(strata, y)
    middle = y.mean(axis=1) if (strata.x[:, 0] == 1).all() else np.zeros(len(y))
    y = y - middle[:, None]
    w = y @ strata.outside
    unit = np.where(flat, 1.0, np.sqrt((w**2).mean(axis=1)))
    w2 = np.where(flat[:, None], 1.0, w / unit[:, None]) ** 2
    mean_squares = np.stack([w2[:, strata.source == j].mean(axis=1) for j in range(len(strata.df))], axis=1)
    inverse = np.linalg.inv(strata.expected)
    moments = mean_squares @ inverse.T
    squares = w2 @ (strata.stratum[:, None] == np.arange(strata.kernels.shape[1])).astype(float)
    v, below = _components(strata, squares, moments)
    done = v[:, -1] > 1e-6 * np.abs(v).max(axis=1)
    v[~done] = 1.0
    weight = 0.5 * np.bincount(strata.stratum) / (np.maximum(v, 0.0) @ strata.kernels) ** 2
    information = np.einsum("fs,is,js->fij", weight, strata.kernels, strata.kernels)
    uncertainty: Array = np.asarray(np.linalg.inv(information), float)
    own = 2 * mean_squares[below] ** 2 / strata.df
    uncertainty[below] = np.einsum("is,fs,js->fij", inverse, own, inverse)
    parts = [
        _fixed_part(strata, y[at] / unit[at, None], v[at], uncertainty[at])
        for at in np.array_split(np.arange(len(y)), max(1, len(y) * len(strata.x) ** 2 // 2_000_000))
    ]
    beta, phi, covariance, slopes = (np.concatenate(p) for p in zip(*parts, strict=True))
    s2 = unit[:, None, None] ** 2
    beta = beta * unit[:, None]
    beta[:, 0] += middle
    return Fits(
        beta=beta,
        components=v * unit[:, None] ** 2,
        phi=phi * s2,
        covariance=covariance * s2,
        slopes=slopes,
        uncertainty=uncertainty * s2**2,
        converged=done & ~flat,
        least_df=np.where(below, strata.df.min(), 0.0),
        mean_squares=mean_squares * unit[:, None] ** 2,
        strata=strata,
    )


def _components(strata: Strata, squares: Array, moments: Array) -> tuple[Array, NDArray[np.bool_]]:
    """Variances of days and batches at the maximum of l, and where days came out below zero.

    The profile of l by r = v_d / v_e may have two tops: climbed to on a grid from what the mean squares tell,
    and then found by halves. Where it falls already at zero, the components are those of the mean squares.
    """
    if strata.day is None:
        return moments, np.zeros(len(squares), bool)
    a, f, n = strata.kernels[0], np.bincount(strata.stratum), strata.spare
    grid = np.geomspace(_LEAST, 1 / _LEAST, 73) / a.max()
    ones = 1 + grid[:, None] * a
    values = -n * np.log((1 / ones) @ squares.T) - (np.log(ones) @ f)[:, None]
    place = np.searchsorted(grid, moments[:, 0] / np.maximum(moments[:, 1], 1e-300))
    around = np.array([[-1], [0], [1]])
    for _ in grid:
        near = np.clip(place + around, 0, len(grid) - 1)
        place = near[values[near, np.arange(len(squares))].argmax(axis=0), np.arange(len(squares))]
    low, high = grid[np.clip(place + around[::2], 0, len(grid) - 1)]
    for _ in range(50):
        middle = np.sqrt(low * high)
        one = 1 + middle[:, None] * a
        share = (squares * a / one**2).sum(axis=1) / (squares / one).sum(axis=1)
        rising = n * share > (a * f / one).sum(axis=1)
        low, high = np.where(rising, middle, low), np.where(rising, high, middle)
    batches = (squares / (1 + low[:, None] * a)).sum(axis=1) / n
    below = place == 0
    return np.where(below[:, None], moments, np.stack([low * batches, batches], axis=1)), below


def _fixed_part(strata: Strata, y: Array, v: Array, uncertainty: Array) -> tuple[Array, Array, Array, Array]:
    """Coefficients, their covariance plain and corrected, and its slopes."""
    x = strata.x
    if strata.day is None:
        solid = np.linalg.inv(x.T @ x)
        slopes = np.broadcast_to(solid, (len(y), 1, *solid.shape)).copy()
        phi = slopes[:, 0] * v[:, :, None]
        return y @ x @ solid, phi, phi, slopes
    inverse = np.linalg.inv(np.tensordot(np.maximum(v, 0.0), strata.full, axes=1))
    vx = inverse @ x
    phi0 = np.linalg.inv(x.T @ vx)
    beta = (phi0 @ np.einsum("frc,fr->fc", vx, y)[:, :, None])[:, :, 0]
    through = [part @ vx for part in strata.full[:-1]] + [vx]
    slopes = np.stack([phi0 @ (np.swapaxes(vx, 1, 2) @ part) @ phi0 for part in through], axis=1)
    missing = np.einsum("fj,fjab->fab", np.minimum(v, 0.0), slopes)
    phi = phi0 + _share(np.asarray(phi0, float), missing)[:, None, None] * missing
    # Kenward and Roger's correction: the weights depend on the components that are not negative
    solid = np.swapaxes(vx, 1, 2) @ x
    weight = uncertainty * (v > 0)[:, :, None] * (v > 0)[:, None, :]
    extra = np.zeros_like(phi)
    pulled = [inverse @ part for part in through]
    for i, left in enumerate(through):
        for j, right in enumerate(pulled):
            q = np.swapaxes(left, 1, 2) @ right
            extra += weight[:, i, j, None, None] * (phi0 @ q @ phi0 - slopes[:, i] @ solid @ slopes[:, j])
    return beta, phi, phi + 2 * extra, slopes


def _share(phi0: Array, missing: Array) -> Array:
    """How much of the negative components can be taken off and leave every contrast a variance."""
    share = np.ones(len(phi0))
    rows = np.flatnonzero(np.abs(missing).max(axis=(1, 2)) > 0)
    if len(rows):
        root = np.linalg.inv(np.linalg.cholesky(phi0[rows]))
        worst = np.linalg.eigvalsh(root @ missing[rows] @ np.swapaxes(root, 1, 2))[:, 0]
        share[rows] = np.where(1 + worst < _FLOOR, (1 - _FLOOR) / np.maximum(-worst, 1e-12), 1.0)
    return share


def _at_most(fits: Fits, rows: Array, df: Array) -> Array:
    """Degrees of freedom of days at most for what only days tell, else within days if those do not differ."""
    x = fits.strata.x
    whole = np.linalg.lstsq(x, np.ones(len(x)), rcond=None)[0]
    if fits.strata.day is None or np.abs(rows @ whole).max() > 1e-8:
        return df
    own = fits.strata.df
    most = own[0] if fits.strata.by_days(rows) else np.where(fits.components[:, 0] > 0, np.inf, own[1])
    return np.minimum(df, most)


def contrast(fits: Fits, weights: Array) -> tuple[Array, Array, Array]:
    """Estimate, standard error and degrees of freedom of c'b, for every fit.

    df = 2 f^2 / (g'Wg), with f = c' phi c, g its slopes by the components and W their covariance
    (Satterthwaite). Where a component is negative, or the interval gets narrower by a twentieth, one mean
    square judges alone (`_judged_by`).
    """
    c = np.asarray(weights, float)
    estimate = fits.beta @ c
    plain = np.einsum("a,fab,b->f", c, fits.phi, c)
    variance = np.einsum("a,fab,b->f", c, fits.covariance, c)
    slope = np.einsum("a,fjab,b->fj", c, fits.slopes, c, optimize=True)
    moved = np.einsum("fi,fij,fj->f", slope, fits.uncertainty, slope)
    with np.errstate(invalid="ignore", divide="ignore"):
        df = np.maximum(2 * plain**2 / moved, fits.least_df)
    df = _at_most(fits, c[None, :], df)
    variance = np.where(variance > 0, variance, plain)
    rows, matrix, own_df = _judged_by(fits, c[None, :], np.arange(len(df)))
    bound = matrix[:, 0, 0]
    reach, usual = stats.t.ppf(0.975, own_df) * np.sqrt(bound), stats.t.ppf(0.975, df) * np.sqrt(variance)
    used = (reach < _WORTH * usual[rows]) | (fits.least_df[rows] > 0)
    variance[rows[used]], df[rows[used]] = bound[used], own_df[used]
    return estimate, np.sqrt(variance), np.where(fits.converged, df, np.nan)


def interval(fits: Fits, weights: Array, conf_level: float) -> dict[str, float]:
    """Estimate, se, df, t, p_value, conf_low, conf_high of one contrast of the first fit."""
    estimate, se, df = (float(part[0]) for part in contrast(fits, weights))
    return t_interval(estimate, se, df, conf_level)


def _judged_by(fits: Fits, rows: Array, asked: Ints) -> tuple[Ints, Array, Array]:
    """Which of the fits asked of can judge L b by one mean square, its covariance then, and its df.

    cov(L b) = sum_j v_j A_j, A_j = L H Z_j Z_j' H' L', and mean square m_i estimates sum_j C_ij v_j: the
    variance is a weighted mean, the weights unknown, of the multiples A_j / C_ij of m_i. They are one in a
    balanced plan, the classical test of a stratum; with lost batches the largest bounds the variance.
    """
    q = len(rows)
    each = np.einsum("qa,fjab,pb->fjqp", rows, fits.slopes[asked], rows, optimize=True)
    size = np.einsum("fjqq->fj", each)
    covariance = np.zeros((len(asked), q, q))
    df = np.zeros(len(asked))
    for i, expected in enumerate(fits.strata.expected):
        counts = expected > 1e-9
        own = each[:, i] / expected[i]
        fit = (df == 0) & (size[:, ~counts].sum(axis=1) <= 1e-9 * size.sum(axis=1))
        fit &= np.linalg.eigvalsh(own)[:, 0] > 1e-9 * size.sum(axis=1)
        at = np.flatnonzero(fit)
        if not len(at):
            continue
        turn = np.linalg.inv(np.linalg.cholesky(own[at]))[:, None]
        multiples = each[at][:, counts] / expected[counts][:, None, None]
        spread = np.linalg.eigvalsh(turn @ multiples @ np.swapaxes(turn, 2, 3))
        most, least = spread.max(axis=(1, 2)), spread.min(axis=(1, 2))
        near = (least >= _ALIKE * most) | (most <= 1 + 1e-9)
        at = at[near]
        scale = most[near] * fits.mean_squares[asked[at], i]
        covariance[at] = scale[:, None, None] * own[at]
        df[at] = fits.strata.df[i]
    found = df > 0
    return asked[found], covariance[found], df[found]


def f_test(fits: Fits, rows: Array) -> tuple[Array, int, Array, Array]:
    """F test of L b = 0, for every fit: F (already scaled), its two degrees of freedom, and p.

    By two moments of a scaled F (Kenward and Roger 1997); where those belong to no F, or a component is
    negative and no one mean square judges all rows, `_fai_cornelius`.
    """
    rows = np.atleast_2d(np.asarray(rows, float))
    q = len(rows)
    if q == 1:
        estimate, se, df = contrast(fits, rows[0])
        f = (estimate / se) ** 2
    else:
        f, df = _kenward_roger(fits, rows)
        df = _at_most(fits, rows, df)
        at, covariance, own_df = _judged_by(fits, rows, np.flatnonzero(fits.least_df > 0))
        f[at], df[at] = _wald(fits.beta[at] @ rows.T, covariance), own_df
    return f, q, df, np.where(fits.converged, np.asarray(stats.f.sf(f, q, df)), np.nan)


def _wald(effects: Array, covariance: Array) -> Array:
    """e'V^-1 e / q."""
    solved = np.linalg.solve(covariance, effects[:, :, None])[:, :, 0]
    return np.asarray((effects * solved).mean(axis=1))


def _kenward_roger(fits: Fits, rows: Array) -> tuple[Array, Array]:
    q = len(rows)
    middle = rows.T @ np.linalg.inv(rows @ fits.phi @ rows.T) @ rows
    moved = middle[:, None] @ fits.slopes
    traces = np.einsum("fiaa->fi", moved)
    a1 = np.einsum("fij,fi,fj->f", fits.uncertainty, traces, traces)
    a2 = np.einsum("fij,fiab,fjba->f", fits.uncertainty, moved, moved, optimize=True)
    with np.errstate(invalid="ignore", divide="ignore"):
        b = (a1 + 6 * a2) / (2 * q)
        g = ((q + 1) * a1 - (q + 4) * a2) / ((q + 2) * a2)
        base = 3 * q + 2 * (1 - g)
        v0, v1, v2 = 1 + g / base * b, 1 - (q - g) / base * b, 1 - (q + 2 - g) / base * b
        left = 1 - a2 / q
        # both vanish together where the denominator has exactly 2 degrees of freedom
        share = np.where(np.abs(v1) < 1e-10, 1.0, left / np.where(np.abs(v1) < 1e-10, 1.0, v1))
        rho = share**2 * v0 / v2 / q
        df = 4 + (q + 2) / (q * rho - 1)
        scale = np.where(np.abs(df - 2) < 1e-2, 1.0, df * left / (df - 2))
    f = scale * _wald(fits.beta @ rows.T, rows @ fits.covariance @ rows.T)
    # their moments suppose that the weights follow the components, which they do not below zero
    strange = ~(np.isfinite(df) & (df > 0) & (scale > 0) & (f >= 0)) | (fits.least_df > 0)
    if strange.any():
        other_f, other_df = _fai_cornelius(fits, rows)
        f, df = np.where(strange, other_f, f), np.where(strange, other_df, df)
    return f, df


def _fai_cornelius(fits: Fits, rows: Array) -> tuple[Array, Array]:
    """F and its df by A. H.-T. Fai, P. L. Cornelius, J. Statist. Comput. Simul. 54 (1996) 363-378."""
    size, turn = np.linalg.eigh(rows @ fits.phi @ rows.T)
    turned = np.einsum("fab,ac->fbc", turn, rows)
    t2 = np.einsum("fbc,fc->fb", turned, fits.beta) ** 2 / size
    slope = np.einsum("fbc,fjcd,fbd->fbj", turned, fits.slopes, turned, optimize=True)
    nu = 2 * size**2 / np.einsum("fbi,fij,fbj->fb", slope, fits.uncertainty, slope)
    nu = np.maximum(nu, fits.least_df[:, None])
    with np.errstate(divide="ignore", invalid="ignore"):
        mean = (nu / (nu - 2)).mean(axis=1)
        return t2.mean(axis=1), np.where((nu <= 2).any(axis=1), 2.0, 2 * mean / (mean - 1))
