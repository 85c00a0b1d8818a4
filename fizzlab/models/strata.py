"""Days and batches as two sources of chance: restricted likelihood, and tests with small-sample df.

Plain arrays only: one plan is prepared once (`prepare`) and fitted to one response or to thousands
(`fit_many`), so that a power simulation goes through the same code as a report. Kept ours because
statsmodels' mixed model gives z intervals and fails at a variance of zero.

The model is y = X b + Z u + e, with days u ~ N(0, v_d I) and batches e ~ N(0, v_e I). Restricted likelihood
is that of w = K'y, the columns of K an orthonormal basis of what X cannot reach (H. D. Patterson, R.
Thompson, Biometrika 58 (1971) 545-554), rotated so that K'ZZ'K is diagonal: w_i has the variance
v_d a_i + v_e. Equal a_i are pooled into strata. With the strata's degrees of freedom f and sums of squares s,

    l = -1/2 sum (f log V + s / V),   V = v_d a + v_e.

A component may come out below zero, as in an analysis of variance: it keeps the tests of balanced plans
exact, while cutting off at zero lets a test by days rest on more days than there were (M. G. Kenward,
J. H. Roger, Computational Statistics and Data Analysis 53 (2009) 2583-2595). With lost batches and few days
the restricted likelihood can have a spurious maximum below zero; where its maximum has a negative component,
the components are those of the analysis of variance (C. R. Henderson, Biometrics 9 (1953) 226-252, method 3):
v = C^-1 m, with the mean squares m of days and of the rest, their expectations C, and covariance
C^-1 diag(2 m_j^2 / f_j) C^-1'. What is judged by one source is then judged by its mean square alone.
Weights never come from a negative component: with V0 = max(v_d, 0) ZZ' + max(v_e, 0) I and
H = (X'V0^-1 X)^-1 X'V0^-1,

    b = H y,   cov(b) = v_d H ZZ' H' + v_e H H',

which is (X'V^-1 X)^-1 whenever no component is negative.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import stats

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

#: Least share of its variance that negative components may leave of any contrast of the coefficients.
_FLOOR = 0.01
#: Least variance of a stratum, with responses scaled to mean square 1 in the space of w.
_LEAST = 1e-7
_ROUNDS = 200
_TOLERANCE = 1e-12
#: How far apart the multiples of a mean square may lie that a variance can be; see `_judged_by`.
_ALIKE = 0.5
#: How much narrower an interval by one mean square must be to take the place of the usual one.
_WORTH = 0.95


class NotEstimable(Exception):
    """Nothing is left to judge by: neither `days` beyond the model, or nothing within days."""

    def __init__(self, days: bool) -> None:
        self.days = days
        super().__init__("days cannot be estimated" if days else "batches cannot be estimated")


@dataclass(frozen=True)
class Strata:
    """A plan made ready for fitting by `prepare`; its sources of chance are days, if random, and batches.

    `kernels` has what multiplies each component in the variance of a stratum (a and 1; 1 alone without
    days), `full` ZZ' and the identity, `expected` C. `stratum` and `source` say which stratum, and which mean
    square, each column of `outside` (K) belongs to.
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
        """Rows less columns."""
        return int(self.outside.shape[1])

    @property
    def df(self) -> Array:
        """Degrees of freedom of each source."""
        return np.bincount(self.source).astype(float)


@dataclass(frozen=True)
class Fits:
    """Fits of one plan to many responses; the first axis of every array is the response.

    `components` are the variances of days, where they vary at random, and of batches. `phi` is the
    covariance of `beta`, (X'V^-1 X)^-1 where no component is negative; `covariance` has Kenward and Roger's
    correction for not knowing the variances; `slopes` are d phi / d v_j. `uncertainty` and `observed` are
    the covariance of the components from the expected and from the observed information. `loglik` lacks its
    constant, and takes negative components as zero. `least_df`, with a negative component, are the degrees
    of freedom of the source that has fewest: a difference of mean squares, which Satterthwaite's formula can
    put below either, is not trusted less.
    """

    beta: Array
    components: Array
    phi: Array
    covariance: Array
    slopes: Array
    uncertainty: Array
    observed: Array
    loglik: Array
    converged: NDArray[np.bool_]
    least_df: Array
    mean_squares: Array
    strata: Strata


def prepare(x: Array, day: Ints | None = None) -> Strata:
    """Make a plan ready for fitting: a model matrix of full rank, and days where they vary at random.

    Raises `NotEstimable` where the plan cannot tell days from its columns, or from batches.

    Examples
    --------
    >>> plan = prepare(np.ones((6, 1)), np.array([0, 0, 1, 1, 2, 2]))
    >>> plan.spare, plan.df.tolist()
    (5, [2.0, 3.0])
    """
    x = np.asarray(x, float)
    rows, columns = x.shape
    if rows <= columns:
        raise ValueError("a fit needs more rows than columns")
    if np.linalg.matrix_rank(x) < columns:
        raise ValueError("the model matrix has not full rank")
    outside = np.linalg.qr(x, mode="complete")[0][:, columns:]
    spare = outside.shape[1]
    if day is None:
        nothing = np.zeros(spare, np.int64)
        one = np.ones((1, 1))
        return Strata(x, None, outside, one, nothing, np.eye(rows)[None], nothing, one)
    code = np.unique(np.asarray(day), return_inverse=True)[1].astype(np.int64)
    same = (code[:, None] == code[None, :]).astype(float)
    size, turn = np.linalg.eigh(outside.T @ same @ outside)
    size = np.where(size > 1e-8 * (1 + np.abs(size).max()), size, 0.0)
    stratum = np.concatenate([[0], np.cumsum(np.diff(size) > 1e-7 * (1 + size.max()))]).astype(np.int64)
    between = size > 0
    if not between.any() or between.all():
        raise NotEstimable(days=not between.any())
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


def fit_many(strata: Strata, responses: Array) -> Fits:
    """Fit one plan to many responses, shape (fits, rows), at once.

    The corrected covariance is that of M. G. Kenward, J. H. Roger, Biometrics 53 (1997) 983-997; V is
    linear in its components, so that their term R_ij is nil.

    Examples
    --------
    >>> plan = prepare(np.ones((6, 1)), np.array([0, 0, 1, 1, 2, 2]))
    >>> fits = fit_many(plan, np.array([1.0, 3.0, 4.0, 6.0, 8.0, 8.0]))
    >>> fits.components.round(4).tolist(), fits.beta.round(3).tolist()
    ([[8.3333, 1.3333]], [[5.0]])
    """
    y = np.atleast_2d(np.asarray(responses, float))
    if y.shape[1] != len(strata.x) or not np.isfinite(y).all():
        raise ValueError("each response needs one finite number a row")
    w = y @ strata.outside
    scale = np.sqrt((w**2).mean(axis=1))
    flat = scale <= 1e-10 * (1 + np.abs(y).max(axis=1))
    unit = np.where(flat, 1.0, scale)
    w2 = np.where(flat[:, None], 1.0, w / unit[:, None]) ** 2
    mean_squares = np.stack([w2[:, strata.source == j].mean(axis=1) for j in range(len(strata.df))], axis=1)
    inverse = np.linalg.inv(strata.expected)
    moments = mean_squares @ inverse.T
    squares = w2 @ (strata.stratum[:, None] == np.arange(strata.kernels.shape[1])).astype(float)
    v, done = _maximise(strata, squares, moments.copy())
    _, expected, observed = _slopes(strata, squares, v)
    sound = np.linalg.eigvalsh(observed)[:, 0] > 0
    uncertainty: Array = np.asarray(np.linalg.inv(expected), float)
    seen = np.linalg.inv(np.where(sound[:, None, None], observed, expected))
    below = (v < 0).any(axis=1)
    if below.any():  # however far the likelihood was still rising below zero
        v[below], done[below] = moments[below], True
        spread = 2 * mean_squares[below] ** 2 / strata.df
        uncertainty[below] = seen[below] = np.einsum("is,fs,js->fij", inverse, spread, inverse)
    v[~done] = 1.0
    loglik = _value(strata, squares, np.maximum(v, 0.0)) - strata.spare * np.log(unit)
    parts = [
        _fixed_part(strata, y[at] / unit[at, None], v[at], uncertainty[at])
        for at in np.array_split(np.arange(len(y)), max(1, len(y) * len(strata.x) ** 2 // 2_000_000))
    ]
    beta, phi, covariance, slopes = (np.concatenate(p) for p in zip(*parts, strict=True))
    s2 = unit[:, None, None] ** 2
    return Fits(
        beta=beta * unit[:, None],
        components=v * unit[:, None] ** 2,
        phi=phi * s2,
        covariance=covariance * s2,
        slopes=slopes,
        uncertainty=uncertainty * s2**2,
        observed=seen * s2**2,
        loglik=loglik,
        converged=done & ~flat,
        least_df=np.where(below, strata.df.min(), 0.0),
        mean_squares=mean_squares * unit[:, None] ** 2,
        strata=strata,
    )


def _value(strata: Strata, squares: Array, v: Array) -> Array:
    """l(v), for v that is sound."""
    spread = v @ strata.kernels
    return np.asarray(-0.5 * (np.bincount(strata.stratum) * np.log(spread) + squares / spread).sum(axis=1))


def _slopes(strata: Strata, squares: Array, v: Array) -> tuple[Array, Array, Array]:
    """Gradient of l, expected and observed information."""
    spread = v @ strata.kernels
    one, two = np.bincount(strata.stratum) / spread, squares / spread**2
    gradient = 0.5 * (two - one) @ strata.kernels.T
    expected, observed = (
        np.einsum("fs,is,js->fij", part / spread, strata.kernels, strata.kernels)
        for part in (0.5 * one, two - 0.5 * one)
    )
    return gradient, expected, observed


def _maximise(strata: Strata, squares: Array, v: Array) -> tuple[Array, NDArray[np.bool_]]:
    """Components that maximise the restricted likelihood, from a start, and whether the maximum was reached.

    Newton's method where the observed information is positive definite, else Fisher's scoring; a step is
    halved until every variance stays positive and the likelihood does not fall.
    """

    def sound(v: Array) -> NDArray[np.bool_]:
        return np.asarray((v @ strata.kernels > _LEAST).all(axis=1) & (v[:, -1] > _LEAST))

    flat = np.zeros_like(v)
    flat[:, -1] = squares.sum(axis=1) / strata.spare
    for _ in range(40):
        bad = ~sound(v)
        if not bad.any():
            break
        v[bad] = 0.7 * v[bad] + 0.3 * flat[bad]
    v = np.where(sound(v)[:, None], v, flat)
    done = np.zeros(len(v), bool)
    for _ in range(_ROUNDS):
        rows = np.flatnonzero(~done)
        if not len(rows):
            break
        at, s = v[rows], squares[rows]
        gradient, expected, observed = _slopes(strata, s, at)
        convex = np.linalg.eigvalsh(observed)[:, 0] > 0
        info = np.where(convex[:, None, None], observed, expected)
        size = np.sqrt(np.einsum("fjj->fj", expected))
        even = info / size[:, :, None] / size[:, None, :] + 1e-13 * np.eye(info.shape[1])
        try:
            step = np.linalg.solve(even, (gradient / size)[:, :, None])[:, :, 0] / size
        except np.linalg.LinAlgError:  # one of many fits may have no curvature left in some direction
            step = (np.linalg.pinv(even, hermitian=True) @ (gradient / size)[:, :, None])[:, :, 0] / size
        done[rows] = (step * gradient).sum(axis=1) < _TOLERANCE
        base = _value(strata, s, at)
        share = np.ones(len(at))
        waiting = np.arange(len(at))
        for _ in range(50):
            there = at[waiting] + share[waiting, None] * step[waiting]
            good = sound(there)
            risen = _value(strata, s[waiting[good]], there[good]) - base[waiting[good]]
            good[good] = risen >= -1e-12 * (1 + np.abs(base[waiting[good]]))
            waiting = waiting[~good]
            if not len(waiting):
                break
            share[waiting] /= 2
        share[waiting] = 0.0
        v[rows] = at + share[:, None] * step
    return v, done


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


# --- contrasts


def contrast(fits: Fits, weights: Array) -> tuple[Array, Array, Array]:
    """Estimate, standard error and degrees of freedom of c'b, for every fit.

    df = 2 f^2 / (g'Wg), with f = c' phi c, g its slopes by the variance components and W their covariance
    (F. E. Satterthwaite, Biometrics Bulletin 2 (1946) 110-114), from the expected information and with the
    corrected standard error of M. G. Kenward, J. H. Roger (Biometrics 53 (1997) 983-997). Where a component
    is negative, a contrast whose error is that of one source is judged by that source's mean square alone;
    see `_judged_by`. So it is where none is negative and that interval is narrower by a twentieth, as just
    above zero, where Satterthwaite's formula may count fewer degrees of freedom than any source has.

    Examples
    --------
    >>> plan = prepare(np.ones((6, 1)), np.array([0, 0, 1, 1, 2, 2]))
    >>> fits = fit_many(plan, np.array([1.0, 3.0, 4.0, 6.0, 8.0, 8.0]))
    >>> [float(part[0].round(6)) for part in contrast(fits, np.array([1.0]))]
    [5.0, 1.732051, 2.0]
    """
    c = np.asarray(weights, float)
    estimate = fits.beta @ c
    plain = np.einsum("a,fab,b->f", c, fits.phi, c)
    variance = np.einsum("a,fab,b->f", c, fits.covariance, c)
    slope = np.einsum("a,fjab,b->fj", c, fits.slopes, c, optimize=True)
    moved = np.einsum("fi,fij,fj->f", slope, fits.uncertainty, slope)
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

    Kenward and Roger (1997) match the first two moments of a scaled F; the formulas are also given by
    U. Halekoh, S. Hoejsgaard, Journal of Statistical Software 59 (2014) 9. Satterthwaite's method for
    several rows is that of A. H.-T. Fai, P. L. Cornelius, J. Statist. Comput. Simul. 54 (1996) 363-378; it
    also serves where a component is negative and no one mean square judges all rows, and where Kenward and
    Roger's moments belong to no F.

    Examples
    --------
    >>> x = np.kron(np.eye(3), np.ones((2, 1)))
    >>> fits = fit_many(prepare(x), np.array([1.0, 3.0, 4.0, 6.0, 8.0, 8.0]))
    >>> f, top, bottom, p = f_test(fits, np.array([[1.0, -1, 0], [0, 1, -1]]))
    >>> float(f[0].round(3)), top, float(bottom[0].round(3))
    (13.5, 2, 3.0)
    """
    rows = np.atleast_2d(np.asarray(rows, float))
    q = len(rows)
    if q == 1:
        estimate, se, df = contrast(fits, rows[0])
        f = (estimate / se) ** 2
    else:
        f, df = _kenward_roger(fits, rows)
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
