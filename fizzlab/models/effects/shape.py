"""Is the model's shape right, and where does a second-order surface turn?"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd

from fizzlab.errors import CannotAnswer
from fizzlab.models.effects.analysis import Analysis, fitted, interval_of, layout_for
from fizzlab.models.effects.basis import FactorBasis, refuse_inseparable
from fizzlab.models.effects.contrasts import f_test
from fizzlab.models.effects.means import At, in_hull, settings_grid
from fizzlab.models.effects.structure import group_codes
from fizzlab.models.effects.variance import Array, Fits
from fizzlab.models.terms import Amount, Category

_CENTRE = 1e-6
FLAT = 0.1
"""An eigenvalue below this share of the largest is called flat: the surface is a ridge along it."""


@dataclass(frozen=True)
class Curvature:
    """Do the middles of the amounts lie on the plane through the corners?

    Parameters
    ----------
    estimate, se, df, t, p, low, high : float
        Mean of the centre points less what the corners say of the middle, on the scale analysed.
    centre_points : int
    """

    estimate: float
    se: float
    df: float
    t: float
    p: float
    low: float
    high: float
    centre_points: int

    def __str__(self) -> str:
        head = (
            f"{self.centre_points} centre points lie {self.estimate:.3g} ({self.low:.3g} to {self.high:.3g})"
        )
        if self.p < 0.05:
            return f"{head} off the corners' middle: the response bends, so do not interpolate with a plane."
        return f"{head} off the corners' middle: no bend is shown, which does not show that there is none."


@dataclass(frozen=True)
class LackOfFit:
    """Does the model miss something that repeated settings can show?

    Parameters
    ----------
    f, p : float
    df_lack, df_pure : float
        Settings beyond the model, and what repeats leave to judge them.
    """

    f: float
    df_lack: int
    df_pure: float
    p: float

    def __str__(self) -> str:
        numbers = f"F = {self.f:.3g} on {self.df_lack} and {self.df_pure:.3g} df, p = {self.p:.3g}"
        if self.p < 0.05:
            return f"The model misses something that the repeats can see ({numbers}); add terms."
        return f"The repeats do not show that the model misses anything ({numbers})."


@dataclass(frozen=True)
class Surface:
    """A second-order surface and the point where it is level.

    Parameters
    ----------
    point : dict of str to float
        The stationary point in the maker's units.
    coded : tuple of float
        The same, coded -1 to +1.
    kind : {"maximum", "minimum", "saddle"}
    inside : bool
        Is it within the smallest convex region that holds every setting tried?
    mean, low, high : float
        Response there on the scale analysed, with its interval.
    curvatures : DataFrame
        One row a principal axis, largest curvature first: eigenvalue, low, high (its direction taken as
        known), flat, and the axis's direction in coded units.
    sure : bool
        Do all the intervals of the eigenvalues leave out zero?
    """

    point: dict[str, float]
    coded: tuple[float, ...]
    kind: Literal["maximum", "minimum", "saddle"]
    inside: bool
    mean: float
    low: float
    high: float
    curvatures: pd.DataFrame
    sure: bool

    def __str__(self) -> str:
        where = ", ".join(f"{name} {value:.4g}" for name, value in self.point.items())
        lines = [
            f"The surface has a {self.kind} at {where}: {self.mean:.4g} ({self.low:.4g} to {self.high:.4g})."
        ]
        if not self.inside:
            lines.append("That lies beyond what was tried, so it is a direction to go, not a place to trust.")
        if self.curvatures["flat"].any():
            lines.append("It is a ridge: along one direction it hardly changes.")
        if not self.sure:
            lines.append("The trial does not settle that it is no other kind of point.")
        return "\n".join(lines)


def curvature(analysis: Analysis) -> Curvature:
    """Compare the centre points with the corners.

    Raises
    ------
    CannotAnswer
        No centre points, or not enough else.

    Notes
    -----
    The coefficient of "is a centre point", added to the model (D. C. Montgomery, Design and Analysis of
    Experiments, "addition of center points to the 2^k design").
    """
    basis = _amounts(analysis)
    if any(term.endswith("^2") for term in basis.terms):
        raise ValueError("the model holds bends already; see its effects")
    centre = (np.abs(basis.coded(analysis.table)) < _CENTRE).all(axis=1)
    if not centre.any():
        raise CannotAnswer(
            "No batch was made in the middle of every amount, so a bend cannot be seen.",
            "Add a few batches with every amount in the middle.",
        )
    fits = _refit(analysis, centre.astype(float)[:, None])
    row = np.zeros(analysis.layout.x.shape[1] + 1)
    row[-1] = 1.0
    return Curvature(
        **interval_of(fits, row, analysis.method, analysis.level), centre_points=int(centre.sum())
    )


def lack_of_fit(analysis: Analysis) -> LackOfFit:
    """Judge what the model leaves over by how much repeated settings differ.

    Raises
    ------
    CannotAnswer
        Nothing was repeated, or the model has a number for each setting already.

    Notes
    -----
    A column for each setting is added to the model, and those that the model cannot reach are tested
    together; without random groups that is the classical F test of lack of fit against pure error.
    """
    names = [factor.name for factor in analysis.basis.factors]
    cell = analysis.table.groupby(names, sort=False).ngroup().to_numpy()
    columns = (cell[:, None] == np.unique(cell)).astype(float)
    x = analysis.layout.x
    q = np.linalg.qr(x)[0]
    u, size, _ = np.linalg.svd(columns - q @ (q.T @ columns), full_matrices=False)
    extra = u[:, size > 1e-8]
    if not extra.shape[1]:
        raise CannotAnswer(
            "The model has a number for each setting that was tried, so nothing can be missing from it.",
            "Ask for fewer effects, or try further settings.",
        )
    if len(x) <= x.shape[1] + extra.shape[1]:
        raise CannotAnswer(
            "No setting was repeated, so what the model misses cannot be told from chance.",
            "Repeat a setting, best the one in the middle.",
        )
    fits = _refit(analysis, extra)
    rows = np.eye(x.shape[1] + extra.shape[1])[x.shape[1] :]
    f, top, bottom, p = f_test(fits, rows, analysis.method)
    return LackOfFit(float(f[0]), top, float(bottom[0]), float(p[0]))


def surface(analysis: Analysis, at: At | None = None) -> Surface:
    """Find where a second-order surface is level, and what kind of point that is.

    Parameters
    ----------
    analysis : Analysis
        With a bend for each amount: ``model="quadratic"``.
    at : mapping, optional
        Levels of categories; averaged over if not given.

    Returns
    -------
    Surface

    Raises
    ------
    CannotAnswer
        The surface has no single level point.

    Notes
    -----
    y = b0 + x'b + x'Bx has the stationary point x = -B^-1 b / 2, and the eigenvalues of B say its kind
    (G. E. P. Box, K. B. Wilson, JRSS B 13 (1951) 1-45). The interval of an eigenvalue takes its direction
    as known (S. Bisgaard, B. Ankenman, Technometrics 38 (1996) 238-246).
    """
    basis = _amounts(analysis)
    names = [factor.name for factor in basis.factors if isinstance(factor, Amount)]
    missing = [name for name in names if f"{name}^2" not in basis.terms]
    if missing:
        raise ValueError(f"the model has no bend of {missing[0]}; use model='quadratic'")
    _, linear, square = _second_order(analysis, at)
    beta = analysis.fits.beta[0]
    b, big = linear @ beta, square @ beta
    values, axes = np.linalg.eigh(big)
    if np.abs(values).min() < 1e-10 * max(np.abs(values).max(), 1e-300):
        raise CannotAnswer(
            "The surface is a ridge without a single level point.", "Try settings further along the ridge."
        )
    x = -0.5 * np.linalg.solve(big, b)
    order = np.argsort(-np.abs(values))
    rows = []
    for i in order:
        one = analysis.interval(np.einsum("j,jkc,k->c", axes[:, i], square, axes[:, i]))
        flat = abs(values[i]) < FLAT * np.abs(values).max()
        direction = dict(zip(names, axes[:, i], strict=True))
        rows.append(
            {"eigenvalue": values[i], "low": one["low"], "high": one["high"], "flat": flat, **direction}
        )
    curvatures = pd.DataFrame(rows)
    kind: Literal["maximum", "minimum", "saddle"] = "saddle"
    if (values < 0).all():
        kind = "maximum"
    elif (values > 0).all():
        kind = "minimum"
    one = analysis.interval(_row_at(analysis, x, at))
    return Surface(
        point=basis.decoded(x),
        coded=tuple(float(value) for value in x),
        kind=kind,
        inside=in_hull(basis.coded(analysis.table), x),
        mean=one["estimate"],
        low=one["low"],
        high=one["high"],
        curvatures=curvatures,
        sure=bool((curvatures["low"] * curvatures["high"] > 0).all()),
    )


def could_be_level(analysis: Analysis, point: Mapping[str, float], at: At | None = None) -> float:
    """The p value of "the surface is level at this point"; the points above 0.05 are its 95 % region.

    Notes
    -----
    G. E. P. Box, J. S. Hunter, Biometrika 41 (1954) 190-199: the gradient is linear in the coefficients, so
    that it is nil is an F test.
    """
    basis = _amounts(analysis)
    _, linear, square = _second_order(analysis, at)
    here = pd.DataFrame([dict(point)])
    x = basis.coded(here.reindex(columns=[f.name for f in basis.factors if isinstance(f, Amount)]))[0]
    rows = linear + 2 * np.einsum("jkc,k->jc", square, x)
    return float(f_test(analysis.fits, rows, analysis.method)[3][0])


def _amounts(analysis: Analysis) -> FactorBasis:
    basis = analysis.basis
    if not isinstance(basis, FactorBasis) or not any(isinstance(f, Amount) for f in basis.factors):
        raise ValueError("only a model with amounts has a shape")
    return basis


def _row_at(analysis: Analysis, coded: Array, at: At | None) -> Array:
    basis = _amounts(analysis)
    levels = {
        f.name: (at or {})[f.name] for f in basis.factors if isinstance(f, Category) and f.name in (at or {})
    }
    held: dict[str, float | str] = {**levels, **basis.decoded(coded)}  # type: ignore[dict-item]
    return np.asarray(settings_grid(analysis, list(held), held)[1][0], float)


def _second_order(analysis: Analysis, at: At | None) -> tuple[Array, Array, Array]:
    """Weights of the coefficients that give b0, b and B; exact differences, the model being quadratic."""
    size = sum(isinstance(factor, Amount) for factor in analysis.basis.factors)
    unit = np.eye(size)
    middle = _row_at(analysis, np.zeros(size), at)
    up = np.stack([_row_at(analysis, unit[i], at) for i in range(size)])
    down = np.stack([_row_at(analysis, -unit[i], at) for i in range(size)])
    square = np.zeros((size, size, len(middle)))
    for i in range(size):
        square[i, i] = (up[i] + down[i]) / 2 - middle
        for j in range(i):
            both = _row_at(analysis, unit[i] + unit[j], at)
            square[i, j] = square[j, i] = (both - up[i] - up[j] + middle) / 2
    return middle, (up - down) / 2, square


def _refit(analysis: Analysis, extra: Array) -> Fits:

    x = np.column_stack([analysis.layout.x, extra])
    refuse_inseparable(x, [*analysis.owners, *["the bend"] * extra.shape[1]])
    layout = layout_for(x, group_codes(analysis.table, analysis.structure.groups), analysis.structure)
    return fitted(layout, analysis.y, analysis.response)
