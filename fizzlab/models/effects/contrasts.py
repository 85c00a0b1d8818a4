"""Tests and intervals for linear contrasts of a fit, with denominator degrees of freedom, on plain arrays."""

from __future__ import annotations

from typing import Literal

import numpy as np
from scipy import stats

from fizzlab.models.effects.variance import Array, Fits, Ints

_ALIKE = 0.5
"""How far apart the multiples of a mean square may lie that a variance can be; see `_judged_by`."""

_WORTH = 0.95
"""How much narrower an interval by one mean square must be to take the place of the usual one."""

Method = Literal["kenward-roger", "satterthwaite"]


def contrast(fits: Fits, weights: Array, method: Method = "kenward-roger") -> tuple[Array, Array, Array]:
    """Estimate, standard error and degrees of freedom of c'b, for every fit.

    Parameters
    ----------
    fits : Fits
    weights : array, shape (columns,)
        c.
    method : {"kenward-roger", "satterthwaite"}

    Returns
    -------
    estimate, se, df : arrays, shape (fits,)

    Notes
    -----
    df = 2 f^2 / (g'Wg), with f = c' phi c, g its slopes by the variance components and W the covariance
    of those (F. E. Satterthwaite, Biometrics Bulletin 2 (1946) 110-114). Kenward and Roger take W from
    the expected information and correct the standard error; Satterthwaite's method takes it from the
    observed information (A. Kuznetsova, P. B. Brockhoff, R. H. B. Christensen, Journal of Statistical
    Software 82 (2017) 13). Where a component is negative, a contrast whose error is that of one source,
    as a room's is that of days, is judged by that source's mean square alone; see `_judged_by`. So it is
    where no component is negative and that 95 % interval is narrower by a twentieth, as just above zero:
    there Satterthwaite's formula may count fewer degrees of freedom than any source has.

    Examples
    --------
    >>> from fizzlab.models.effects.variance import fit_many, prepare
    >>> plan = prepare(np.ones((6, 1)), [np.array([0, 0, 1, 1, 2, 2])])
    >>> fits = fit_many(plan, np.array([1.0, 3.0, 4.0, 6.0, 8.0, 8.0]))
    >>> [float(part[0].round(6)) for part in contrast(fits, np.array([1.0]))]
    [5.0, 1.732051, 2.0]
    """
    c = np.asarray(weights, float)
    estimate = fits.beta @ c
    plain = np.einsum("a,fab,b->f", c, fits.phi, c)
    exact = method == "kenward-roger"
    variance = np.einsum("a,fab,b->f", c, fits.covariance, c) if exact else plain
    slope = np.einsum("a,fjab,b->fj", c, fits.slopes, c, optimize=True)
    moved = np.einsum("fi,fij,fj->f", slope, fits.uncertainty if exact else fits.observed, slope)
    with np.errstate(invalid="ignore", divide="ignore"):
        df = np.maximum(2 * plain**2 / moved, fits.least_df)
    variance = np.where(variance > 0, variance, plain)
    rows, matrix, own_df = _judged_by(fits, c[None, :], np.arange(len(df)))
    bound = matrix[:, 0, 0]
    reach, usual = stats.t.ppf(0.975, own_df) * np.sqrt(bound), stats.t.ppf(0.975, df) * np.sqrt(variance)
    used = (reach < _WORTH * usual[rows]) | (fits.least_df[rows] > 0)
    variance[rows[used]], df[rows[used]] = bound[used], own_df[used]
    return estimate, np.sqrt(variance), np.where(fits.converged, df, np.nan)


def _judged_by(fits: Fits, rows: Array, asked: Ints) -> tuple[Ints, Array, Array]:
    """Which of the fits asked of can judge L b by one mean square, its covariance then, and its df.

    With weights H that come from no negative component, cov(L b) = sum_j v_j A_j, A_j = L H Z_j Z_j' H' L'.
    The mean square m_i of source i estimates sum_j C_ij v_j. So in any direction the variance is a
    weighted mean, with weights that depend on the unknown components, of the multiples A_j / C_ij of that
    expectation. In a balanced plan all multiples are the same, and m_i gives the classical test of its
    stratum. With lost batches the largest bounds the variance whatever the components are, and m_i keeps its
    own degrees of freedom. A difference of mean squares, which is the other unbiased estimate, has neither
    property. The bound is used where it gives little away, the multiples lying near each other, and where
    that of source i is the largest, so that this source matters most.
    """
    q = len(rows)
    each = np.einsum("qa,fjab,pb->fjqp", rows, fits.slopes[asked], rows, optimize=True)
    size = np.einsum("fjqq->fj", each)
    covariance = np.zeros((len(asked), q, q))
    df = np.zeros(len(asked))
    for i, expected in enumerate(fits.expected):
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
        df[at] = fits.source_df[i]
    found = df > 0
    return asked[found], covariance[found], df[found]


def f_test(fits: Fits, rows: Array, method: Method = "kenward-roger") -> tuple[Array, int, Array, Array]:
    """F test of L b = 0, for every fit.

    Parameters
    ----------
    fits : Fits
    rows : array, shape (q, columns)
        L, of full row rank.
    method : {"kenward-roger", "satterthwaite"}

    Returns
    -------
    f : array, shape (fits,)
        Already scaled, to be read against F(numerator, denominator).
    numerator : int
    denominator : array, shape (fits,)
    p : array, shape (fits,)

    Notes
    -----
    Kenward and Roger (1997) match the first two moments of a scaled F; the formulas are also given by
    U. Halekoh, S. Hoejsgaard, Journal of Statistical Software 59 (2014) 9. Satterthwaite's method for
    several rows is that of A. H.-T. Fai, P. L. Cornelius, J. Statist. Comput. Simul. 54 (1996) 363-378; it
    also serves where a component is negative and no one mean square judges all rows, and where Kenward and
    Roger's moments belong to no F.

    Examples
    --------
    >>> from fizzlab.models.effects.variance import fit_many, prepare
    >>> x = np.kron(np.eye(3), np.ones((2, 1)))
    >>> fits = fit_many(prepare(x), np.array([1.0, 3.0, 4.0, 6.0, 8.0, 8.0]))
    >>> f, top, bottom, p = f_test(fits, np.array([[1.0, -1, 0], [0, 1, -1]]))
    >>> float(f[0].round(3)), top, float(bottom[0].round(3))
    (13.5, 2, 3.0)
    """
    rows = np.atleast_2d(np.asarray(rows, float))
    q = len(rows)
    if q == 1:
        estimate, se, df = contrast(fits, rows[0], method)
        f = (estimate / se) ** 2
    elif method == "kenward-roger":
        f, df = _kenward_roger(fits, rows)
    else:
        f, df = _fai_cornelius(fits, rows)
    if q > 1:
        at, covariance, own_df = _judged_by(fits, rows, np.flatnonzero(fits.least_df > 0))
        effects = fits.beta[at] @ rows.T
        solved = np.linalg.solve(covariance, effects[:, :, None])[:, :, 0]
        f[at], df[at] = (effects * solved).sum(axis=1) / q, own_df
    p = np.asarray(stats.f.sf(f, q, df))
    return f, q, df, np.where(fits.converged, p, np.nan)


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
    effects = fits.beta @ rows.T
    solved = np.linalg.solve(rows @ fits.covariance @ rows.T, effects[:, :, None])[:, :, 0]
    f = scale * (effects * solved).sum(axis=1) / q
    # their moments suppose that the weights follow the components, which they do not below zero
    strange = ~(np.isfinite(df) & (df > 0) & (scale > 0) & (f >= 0)) | (fits.least_df > 0)
    if strange.any():
        other_f, other_df = _fai_cornelius(fits, rows)
        f, df = np.where(strange, other_f, f), np.where(strange, other_df, df)
    return f, df


def _fai_cornelius(fits: Fits, rows: Array) -> tuple[Array, Array]:
    q = len(rows)
    size, turn = np.linalg.eigh(rows @ fits.phi @ rows.T)
    turned = np.einsum("fab,ac->fbc", turn, rows)
    t2 = np.einsum("fbc,fc->fb", turned, fits.beta) ** 2 / size
    slope = np.einsum("fbc,fjcd,fbd->fbj", turned, fits.slopes, turned, optimize=True)
    nu = 2 * size**2 / np.einsum("fbi,fij,fbj->fb", slope, fits.observed, slope)
    nu = np.maximum(nu, fits.least_df[:, None])
    above = np.where(nu > 2, nu / np.where(nu > 2, nu - 2, 1.0), 0.0).sum(axis=1)
    df = np.where(above > q, 2 * above / np.where(above > q, above - q, 1.0), 2.0)
    same = np.abs(nu - nu[:, :1]).max(axis=1) < 1e-8 * nu[:, 0]
    return t2.mean(axis=1), np.where((nu <= 2).any(axis=1), 2.0, np.where(same, nu[:, 0], df))
