"""Variance components by REML, on plain arrays: the engine under every analysis of this room.

Nothing here knows of tables, factors or wording. One plan is prepared once (`prepare`) and then fitted
to one response or to thousands (`fit_many`), so that a power simulation goes through the same code as
a report.

The model is

    y = X b + Z_1 u_1 + ... + Z_k u_k + e,   u_j ~ N(0, v_j I),  e ~ N(0, v_e I),

with groups nested in each other (batches within whole plots within days). Restricted likelihood is the
likelihood of w = K'y, where the columns of K are an orthonormal basis of everything that X cannot
reach (H. D. Patterson, R. Thompson, Biometrika 58 (1971) 545-554). In that space V* = sum v_j A_j with
A_j = K'Z_j Z_j'K and A_e = I, so that

    dl/dv_j       = -1/2 tr(V*^-1 A_j) + 1/2 w'V*^-1 A_j V*^-1 w,
    -d2l/dv_i dv_j = w'V*^-1 A_i V*^-1 A_j V*^-1 w - 1/2 tr(V*^-1 A_i V*^-1 A_j).

Where the A_j commute (always with one kind of group, and in every balanced plan) one rotation makes all
of them diagonal, equal entries are pooled into strata, and a fit costs next to nothing.

A component v_j may come out below zero, as an analysis of variance lets it. It keeps the tests of balanced
plans exact (they become the classical F tests of the strata), while cutting off at zero lets a test by
days pretend that it rests on more days than there were (M. G. Kenward, J. H. Roger, Computational
Statistics and Data Analysis 53 (2009) 2583-2595 discuss both). With lost batches and a handful of days
the restricted likelihood can have a second, spurious top below zero, at which one day is taken as known
exactly. Where its maximum has a negative component, the components are therefore those of the analysis
of variance with sums of squares in sequence, coarsest group first (C. R. Henderson, Biometrics 9 (1953)
226-252, method 3): v = C^-1 m, with m the mean squares, C their expectations by v, and covariance
C^-1 diag(2 m_j^2 / df_j) C^-1', as Satterthwaite takes it. In a balanced plan they are the same numbers.
What is judged by one source is then judged by its mean square alone (`contrasts`). The weights of the batches
never come from a negative component: with V0 = sum max(v_j, 0) Z_j Z_j' and H = (X'V0^-1 X)^-1 X'V0^-1,

    b = H y,   cov(b) = sum v_j H Z_j Z_j' H',

which is (X'V^-1 X)^-1 whenever no component is negative.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

_FLOOR = 0.01
"""Least share of its variance that negative components may leave of any contrast of the coefficients."""
_LEAST = 1e-7
"""Least eigenvalue of V*, with responses scaled to mean square 1 in the space of w."""
_ROUNDS = 200
_TOLERANCE = 1e-12


class NotEstimable(Exception):
    """A component that the plan cannot tell from the others; `group` is its position, -1 the rows."""

    def __init__(self, group: int) -> None:
        self.group = group
        super().__init__(f"component {group} cannot be estimated")


@dataclass(frozen=True)
class Layout:
    """A plan made ready for fitting; made by `prepare`.

    Attributes
    ----------
    x : array, shape (rows, columns)
        Model matrix of full column rank.
    groups : tuple of int arrays
        Group of each row, coarsest first, each nested in the one before.
    outside : array, shape (rows, spare)
        The basis K, rotated where the components can be made diagonal.
    kernels : array
        A_1 ... A_k, A_e: shape (k + 1, spare, spare), or (k + 1, strata) where they are diagonal.
    stratum : array of int or None
        Stratum of each column of `outside` where diagonal.
    full : array, shape (k + 1, rows, rows)
        Z_j Z_j', the last one the identity.
    sources : tuple of arrays
        Orthonormal bases, in the coordinates of `outside`, of what each kind of group adds to the model
        and the groups before it, and at last of the rest.
    expected : array, shape (k + 1, k + 1)
        C: the expected mean square of each source, by component.
    """

    x: Array
    groups: tuple[Ints, ...]
    outside: Array
    kernels: Array
    stratum: Ints | None
    full: Array
    sources: tuple[Array, ...]
    expected: Array

    @property
    def spare(self) -> int:
        """Rows less columns."""
        return int(self.outside.shape[1])


@dataclass(frozen=True)
class Fits:
    """Fits of one layout to many responses; the first axis of every array is the response.

    Attributes
    ----------
    beta : array, shape (fits, columns)
    components : array, shape (fits, k + 1)
        Variances of the groups, coarsest first, and of the rows.
    phi : array, shape (fits, columns, columns)
        Covariance of `beta`: (X'V^-1 X)^-1 where no component is negative.
    covariance : array, shape (fits, columns, columns)
        `phi` with Kenward and Roger's correction for not knowing the variances.
    slopes : array, shape (fits, k + 1, columns, columns)
        d phi / d v_j.
    uncertainty : array, shape (fits, k + 1, k + 1)
        Covariance of the components from the expected information.
    observed : array, shape (fits, k + 1, k + 1)
        The same from the observed information.
    loglik : array
        Restricted log-likelihood, without its constant, with negative components taken as zero.
    converged : array of bool
    least_df : array
        With a negative component, degrees of freedom of the source that has fewest: a difference of mean
        squares, which Satterthwaite's formula can put below either, is not trusted less. Else 0.
    edge : array of bool
        Negative components would have left some contrast no variance and were not taken off in full.
    mean_squares : array, shape (fits, k + 1)
        Mean square of each source, coarsest first.
    source_df : array, shape (k + 1,)
        Degrees of freedom of each source.
    expected : array, shape (k + 1, k + 1)
        Expected mean square of each source, by component.
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
    edge: NDArray[np.bool_]
    least_df: Array
    mean_squares: Array
    source_df: Array
    expected: Array


def prepare(x: Array, groups: Sequence[Ints] = ()) -> Layout:
    """Make a plan ready for fitting.

    Parameters
    ----------
    x : array, shape (rows, columns)
        Full column rank, fewer columns than rows.
    groups : sequence of int arrays
        Coarsest first; each must be nested in the one before.

    Returns
    -------
    Layout

    Raises
    ------
    NotEstimable
        A component that the plan cannot tell from the others.
    ValueError
        Groups that are not nested, or a model matrix without full rank or spare rows.

    Examples
    --------
    >>> plan = prepare(np.ones((6, 1)), [np.array([0, 0, 1, 1, 2, 2])])
    >>> plan.spare, plan.stratum.tolist()
    (5, [0, 0, 0, 1, 1])
    """
    x = np.asarray(x, float)
    rows, columns = x.shape
    if rows <= columns:
        raise ValueError("a fit needs more rows than columns")
    if np.linalg.matrix_rank(x) < columns:
        raise ValueError("the model matrix has not full rank")
    codes = tuple(np.unique(np.asarray(g), return_inverse=True)[1].astype(np.int64) for g in groups)
    for coarse, fine in pairwise(codes):
        if len(np.unique(np.column_stack([coarse, fine]), axis=0)) > fine.max() + 1:
            raise ValueError("groups must be nested, coarsest first")
    outside = np.linalg.qr(x, mode="complete")[0][:, columns:]
    full = np.stack([*((c[:, None] == c[None, :]).astype(float) for c in codes), np.eye(rows)])
    kernels = np.einsum("ra,krs,sb->kab", outside, full, outside, optimize=True)
    rotated = _diagonal(kernels)
    stratum = None
    entries = kernels
    if rotated is not None:
        turn, diagonals = rotated
        order = np.lexsort(diagonals[:-1]) if len(codes) else np.arange(len(turn))
        diagonals, outside = diagonals[:, order], outside @ turn[:, order]
        step = np.abs(np.diff(diagonals, axis=1)).max(axis=0) > 1e-7 * (1 + np.abs(diagonals).max())
        stratum = np.concatenate([[0], np.cumsum(step)]).astype(np.int64)
        entries = diagonals[:, np.searchsorted(stratum, np.arange(stratum[-1] + 1))]
    sources = _sources(outside, codes)
    expected = np.array(
        [[((outside @ b).T @ z @ (outside @ b)).trace() / b.shape[1] for z in full] for b in sources]
    )
    return Layout(x, codes, outside, entries, stratum, full, sources, expected)


def _sources(outside: Array, codes: Sequence[Ints]) -> tuple[Array, ...]:
    left = np.eye(outside.shape[1])
    found = []
    for place, code in enumerate(codes):
        member = (code[:, None] == np.arange(code.max() + 1)).astype(float)
        u, size, _ = np.linalg.svd(left.T @ outside.T @ member, full_matrices=True)
        rank = int((size > 1e-8).sum())
        if rank == 0:
            raise NotEstimable(place)
        found.append(left @ u[:, :rank])
        left = left @ u[:, rank:]
        if left.shape[1] == 0:
            raise NotEstimable(place + 1 if place + 1 < len(codes) else -1)
    return (*found, left)


def _diagonal(kernels: Array) -> tuple[Array, Array] | None:
    """A rotation that makes every kernel diagonal, and the diagonals; None if there is none."""
    if len(kernels) == 1:
        return np.eye(kernels.shape[1]), np.ones((1, kernels.shape[1]))
    mix = np.tensordot(np.sqrt(np.arange(2, len(kernels) + 1)), kernels[:-1], axes=1)
    turn = np.linalg.eigh(mix)[1]
    turned = np.einsum("ac,kab,bd->kcd", turn, kernels, turn, optimize=True)
    entries = np.diagonal(turned, axis1=1, axis2=2).copy()
    off = turned - entries[:, :, None] * np.eye(turned.shape[1])
    return (turn, entries) if np.abs(off).max() < 1e-8 * np.abs(entries).max() else None


# --- the likelihood --------------------------------------------------------------------------


class _Likelihood:
    """l(v), its gradient and both informations, for every response at once."""

    def __init__(self, layout: Layout, w: Array) -> None:
        self.kernels = layout.kernels
        self.stratum = layout.stratum
        self.w = w
        if layout.stratum is not None:
            strata = layout.kernels.shape[1]
            self.df = np.bincount(layout.stratum, minlength=strata).astype(float)
            member = (layout.stratum[:, None] == np.arange(strata)).astype(float)
            self.squares = w**2 @ member

    def only(self, rows: NDArray[np.bool_] | Ints) -> _Likelihood:
        part = object.__new__(_Likelihood)
        part.kernels, part.stratum, part.w = self.kernels, self.stratum, self.w[rows]
        if self.stratum is not None:
            part.df, part.squares = self.df, self.squares[rows]
        return part

    def sound(self, v: Array) -> NDArray[np.bool_]:
        """Is V* positive definite?"""
        if self.stratum is not None:
            inside = (v @ self.kernels > _LEAST).all(axis=1)
        else:
            inside = np.linalg.eigvalsh(np.tensordot(v, self.kernels, axes=1))[:, 0] > _LEAST
        return np.asarray(inside & (v[:, -1] > _LEAST))

    def value(self, v: Array) -> Array:
        """l(v), for v that is sound."""
        if self.stratum is not None:
            spread = v @ self.kernels
            return np.asarray(-0.5 * (self.df * np.log(spread) + self.squares / spread).sum(axis=1))
        spread = np.tensordot(v, self.kernels, axes=1)
        log_det = np.linalg.slogdet(spread)[1]
        fit = np.linalg.solve(spread, self.w[:, :, None])[:, :, 0]
        return np.asarray(-0.5 * (log_det + (fit * self.w).sum(axis=1)))

    def slopes(self, v: Array) -> tuple[Array, Array, Array]:
        """Gradient, expected and observed information."""
        if self.stratum is not None:
            spread = v @ self.kernels
            one, two = self.df / spread, self.squares / spread**2
            gradient = 0.5 * (two - one) @ self.kernels.T
            expected = np.einsum("fs,is,js->fij", 0.5 * one / spread, self.kernels, self.kernels)
            observed = np.einsum("fs,is,js->fij", (two - 0.5 * one) / spread, self.kernels, self.kernels)
            return gradient, expected, observed
        inverse = np.linalg.inv(np.tensordot(v, self.kernels, axes=1))
        through = np.einsum("fab,jbc->fjac", inverse, self.kernels, optimize=True)
        fit = np.einsum("fab,fb->fa", inverse, self.w)
        pulled = np.einsum("jab,fb->fja", self.kernels, fit)
        gradient = 0.5 * (np.einsum("fja,fa->fj", pulled, fit) - np.einsum("fjaa->fj", through))
        traces = np.einsum("fiab,fjba->fij", through, through, optimize=True)
        bends = np.einsum("fia,fab,fjb->fij", pulled, inverse, pulled, optimize=True)
        return gradient, 0.5 * traces, bends - 0.5 * traces


def _solve(likelihood: _Likelihood, v: Array) -> tuple[Array, NDArray[np.bool_]]:
    """Components that maximise the restricted likelihood, and whether the maximum was reached, from a start.

    Newton's method where the observed information is positive definite, else Fisher's scoring; a step is
    halved until V* stays sound and the likelihood does not fall.
    """
    flat = np.zeros_like(v)
    flat[:, -1] = (likelihood.w**2).mean(axis=1)
    for _ in range(40):
        bad = ~likelihood.sound(v)
        if not bad.any():
            break
        v[bad] = 0.7 * v[bad] + 0.3 * flat[bad]
    v = np.where(likelihood.sound(v)[:, None], v, flat)
    done = np.zeros(len(v), bool)
    for _ in range(_ROUNDS):
        rows = np.flatnonzero(~done)
        if not len(rows):
            break
        here, at = likelihood.only(rows), v[rows]
        gradient, expected, observed = here.slopes(at)
        convex = np.linalg.eigvalsh(observed)[:, 0] > 0
        info = np.where(convex[:, None, None], observed, expected)
        size = np.sqrt(np.einsum("fjj->fj", expected))
        even = info / size[:, :, None] / size[:, None, :] + 1e-13 * np.eye(info.shape[1])
        try:
            step = np.linalg.solve(even, (gradient / size)[:, :, None])[:, :, 0] / size
        except np.linalg.LinAlgError:  # one of many fits may have no curvature left in some direction
            step = (np.linalg.pinv(even, hermitian=True) @ (gradient / size)[:, :, None])[:, :, 0] / size
        done[rows] = (step * gradient).sum(axis=1) < _TOLERANCE
        base = here.value(at)
        share = np.ones(len(at))
        waiting = np.arange(len(at))
        for _ in range(50):
            trial = at[waiting] + share[waiting, None] * step[waiting]
            part = here.only(waiting)
            good = part.sound(trial)
            risen = part.only(good).value(trial[good]) - base[waiting[good]]
            good[good] = risen >= -1e-12 * (1 + np.abs(base[waiting[good]]))
            waiting = waiting[~good]
            if not len(waiting):
                break
            share[waiting] /= 2
        share[waiting] = 0.0
        v[rows] = at + share[:, None] * step
    return v, done


def _moments(layout: Layout, w: Array, df: Array) -> tuple[Array, Array, Array]:
    """Mean squares, components of the analysis of variance, and the covariance of these."""
    squares = np.stack([((w @ basis) ** 2).sum(axis=1) for basis in layout.sources], axis=1) / df
    inverse = np.linalg.inv(layout.expected)
    uncertainty = np.einsum("is,fs,js->fij", inverse, 2 * squares**2 / df, inverse)
    return squares, squares @ inverse.T, uncertainty


def fit_many(layout: Layout, responses: Array) -> Fits:
    """Fit one plan to many responses at once.

    Parameters
    ----------
    layout : Layout
        From `prepare`.
    responses : array, shape (fits, rows) or (rows,)

    Returns
    -------
    Fits

    Raises
    ------
    ValueError
        A response of the wrong length or that is not finite.

    Notes
    -----
    The corrected covariance is that of M. G. Kenward, J. H. Roger, Biometrics 53 (1997) 983-997; V is
    linear in its components, so that their term R_ij is nil.

    Examples
    --------
    >>> plan = prepare(np.ones((6, 1)), [np.array([0, 0, 1, 1, 2, 2])])
    >>> fits = fit_many(plan, np.array([1.0, 3.0, 4.0, 6.0, 8.0, 8.0]))
    >>> fits.components.round(4).tolist(), fits.beta.round(3).tolist()
    ([[8.3333, 1.3333]], [[5.0]])
    """
    y = np.atleast_2d(np.asarray(responses, float))
    if y.shape[1] != len(layout.x) or not np.isfinite(y).all():
        raise ValueError("each response needs one finite number a row")
    w = y @ layout.outside
    scale = np.sqrt((w**2).mean(axis=1))
    flat = scale <= 1e-10 * (1 + np.abs(y).max(axis=1))
    unit = np.where(flat, 1.0, scale)
    likelihood = _Likelihood(layout, np.where(flat[:, None], 1.0, w / unit[:, None]))
    source_df = np.array([basis.shape[1] for basis in layout.sources], float)
    squares, moments, moments_uncertainty = _moments(layout, likelihood.w, source_df)
    v, done = _solve(likelihood, moments)
    _, expected, observed = likelihood.slopes(v)
    uncertainty, seen = _inverse(expected), _inverse(observed, expected)
    below = np.flatnonzero((v < 0).any(axis=1))
    least = np.where((v < 0).any(axis=1), source_df.min(), 0.0)
    if len(below):
        v[below] = moments[below]
        uncertainty[below] = seen[below] = moments_uncertainty[below]
        done[below] = True  # however far the likelihood was still rising below zero
    v[~done] = 1.0
    converged = done & ~flat
    loglik = likelihood.value(np.maximum(v, 0.0)) - layout.spare * np.log(unit)
    parts = [
        _fixed_part(layout, y[at] / unit[at, None], v[at], uncertainty[at])
        for at in np.array_split(np.arange(len(y)), max(1, len(y) * len(layout.x) ** 2 // 2_000_000))
    ]
    beta, phi, covariance, slopes, edge = (np.concatenate(p) for p in zip(*parts, strict=True))
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
        converged=converged,
        edge=edge,
        least_df=least,
        mean_squares=squares * unit[:, None] ** 2,
        source_df=source_df,
        expected=layout.expected,
    )


def _inverse(info: Array, instead: Array | None = None) -> Array:
    """Inverse of each information matrix; of `instead` where it is not positive definite."""
    if instead is not None:
        sound = np.linalg.eigvalsh(info)[:, 0] > 0
        info = np.where(sound[:, None, None], info, instead)
    return np.asarray(np.linalg.inv(info))


def _fixed_part(
    layout: Layout, y: Array, v: Array, uncertainty: Array
) -> tuple[Array, Array, Array, Array, NDArray[np.bool_]]:
    """Coefficients, their covariance plain and corrected, its slopes, and whether it was held up."""
    x = layout.x
    positive = np.maximum(v, 0.0)
    if not len(layout.groups):
        solid = np.linalg.inv(x.T @ x)
        slopes = np.broadcast_to(solid, (len(y), 1, *solid.shape)).copy()
        phi = slopes[:, 0] * v[:, :, None]
        return y @ x @ solid, phi, phi, slopes, np.zeros(len(y), bool)
    inverse = np.linalg.inv(np.tensordot(positive, layout.full, axes=1))
    vx = inverse @ x
    phi0 = np.linalg.inv(x.T @ vx)
    beta = (phi0 @ np.einsum("frc,fr->fc", vx, y)[:, :, None])[:, :, 0]
    through = [part @ vx for part in layout.full[:-1]] + [vx]
    slopes = np.stack([phi0 @ (np.swapaxes(vx, 1, 2) @ part) @ phi0 for part in through], axis=1)
    missing = np.einsum("fj,fjab->fab", np.minimum(v, 0.0), slopes)
    share, edge = _share(np.asarray(phi0, float), missing)
    phi = phi0 + share[:, None, None] * missing
    # Kenward and Roger's correction: the weights depend on the components that are not negative
    solid = np.swapaxes(vx, 1, 2) @ x
    weight = uncertainty * (v > 0)[:, :, None] * (v > 0)[:, None, :]
    extra = np.zeros_like(phi)
    pulled = [inverse @ part for part in through]
    for i, left in enumerate(through):
        for j, right in enumerate(pulled):
            q = np.swapaxes(left, 1, 2) @ right
            extra += weight[:, i, j, None, None] * (phi0 @ q @ phi0 - slopes[:, i] @ solid @ slopes[:, j])
    return beta, phi, phi + 2 * extra, slopes, edge


def _share(phi0: Array, missing: Array) -> tuple[Array, NDArray[np.bool_]]:
    """How much of the negative components can be taken off and leave every contrast a variance."""
    share, edge = np.ones(len(phi0)), np.zeros(len(phi0), bool)
    rows = np.flatnonzero(np.abs(missing).max(axis=(1, 2)) > 0)
    if len(rows):
        root = np.linalg.inv(np.linalg.cholesky(phi0[rows]))
        worst = np.linalg.eigvalsh(root @ missing[rows] @ np.swapaxes(root, 1, 2))[:, 0]
        edge[rows] = 1 + worst < _FLOOR
        share[rows] = np.where(edge[rows], (1 - _FLOOR) / np.maximum(-worst, 1e-12), 1.0)
    return share, edge
