"""Bends, best points, blends, and two-level plans without repeats."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import combinations
from typing import Any, Literal

import numpy as np
import pandas as pd

from fizzlab.errors import CannotAnswer
from fizzlab.models.basis import Blending, FactorBasis, MixtureBasis, in_hull, refuse_inseparable, shares
from fizzlab.models.days import Days
from fizzlab.models.effects import ResponseFit, fit_basis, fit_one, interval_of, measured, strata_of
from fizzlab.models.strata import Array, Fits, f_test
from fizzlab.models.terms import Amount, Category, Term

#: An eigenvalue below this share of the largest is called flat: the surface is a ridge along it.
FLAT = 0.1

#: Fewest effects from which a crowd can be told.
FEWEST = 7


# --- is the shape right, and where is it level? -----------------------------------------------


def curvature(fit: ResponseFit) -> dict[str, float]:
    """Compare the centre points with what the corners say of the middle, on the scale fitted.

    estimate, se, df, t, p_value, conf_low, conf_high of the coefficient of "is a centre point";
    `CannotAnswer` without centre points.
    """
    basis = _amounts(fit)
    if any(term.endswith("^2") for term in basis.terms):
        raise ValueError("the model holds bends already; see its tests")
    centre = (np.abs(basis.coded(fit.batches)) < 1e-6).all(axis=1)
    if not centre.any():
        raise CannotAnswer(
            "No batch was made in the middle of every amount, so a bend cannot be seen.",
            "Add a few batches with every amount in the middle.",
        )
    fits = _with(fit, centre.astype(float)[:, None])
    return interval_of(fits, np.eye(fit.strata.x.shape[1] + 1)[-1], fit.conf_level)


def lack_of_fit(fit: ResponseFit) -> dict[str, float]:
    """Judge what the model leaves over by how much repeated settings differ: F, df_num, df_den, p_value.

    `CannotAnswer` where nothing was repeated, or the model has a number for each setting already. A column
    for each setting is added, and those that the model cannot reach are tested together; without random days
    that is the classical F test of lack of fit against pure error.
    """
    cell = fit.batches.groupby([factor.name for factor in fit.basis.factors], sort=False).ngroup().to_numpy()
    columns = (cell[:, None] == np.unique(cell)).astype(float)
    x = fit.strata.x
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
    fits = _with(fit, extra)
    f, top, bottom, p = f_test(fits, np.eye(x.shape[1] + extra.shape[1])[x.shape[1] :])
    return {"F": float(f[0]), "df_num": top, "df_den": float(bottom[0]), "p_value": float(p[0])}


@dataclass(frozen=True)
class Surface:
    """A second-order surface and the point where it is level, in the maker's units.

    `inside` says whether that lies within the smallest convex region that holds every setting tried. The
    response there is on the scale fitted. `curvatures` has a row a principal axis, the largest first:
    eigenvalue, conf_low, conf_high (its direction taken as known), flat, and its direction in coded units.
    """

    point: dict[str, float]
    kind: Literal["maximum", "minimum", "saddle"]
    inside: bool
    estimate: float
    conf_low: float
    conf_high: float
    curvatures: pd.DataFrame

    @property
    def sure(self) -> bool:
        """Do all the intervals of the eigenvalues leave out zero?"""
        return bool((self.curvatures["conf_low"] * self.curvatures["conf_high"] > 0).all())


def surface(fit: ResponseFit, at: Mapping[str, Any] | None = None) -> Surface:
    """Find where a second-order surface is level, and what kind of point that is.

    The fit needs a bend for each amount: ``model="quadratic"``. Categories are averaged over, unless `at`
    says their level. `CannotAnswer` where the surface has no single level point. y = b0 + x'b + x'Bx has the
    stationary point x = -B^-1 b / 2, and the eigenvalues of B say its kind (G. E. P. Box, K. B. Wilson, JRSS
    B 13 (1951) 1-45). The interval of an eigenvalue takes its direction as known (S. Bisgaard, B. Ankenman,
    Technometrics 38 (1996) 238-246).
    """
    basis = _amounts(fit)
    names = [factor.name for factor in basis.amounts]
    missing = [name for name in names if f"{name}^2" not in basis.terms]
    if missing:
        raise ValueError(f"the model has no bend of {missing[0]}; use model='quadratic'")
    linear, square = _second_order(fit, basis, at)
    beta = fit.fits.beta[0]
    big = square @ beta
    values, axes = np.linalg.eigh(big)
    most = np.abs(values).max()
    if np.abs(values).min() < 1e-10 * max(most, 1e-300):
        raise CannotAnswer(
            "The surface is a ridge without a single level point.", "Try settings further along the ridge."
        )
    x = -0.5 * np.linalg.solve(big, linear @ beta)
    rows = []
    for i in np.argsort(-np.abs(values)):
        one = fit.interval(np.einsum("j,jkc,k->c", axes[:, i], square, axes[:, i]))
        ends = {name: one[name] for name in ("conf_low", "conf_high")}
        direction = dict(zip(names, axes[:, i], strict=True))
        rows.append({"eigenvalue": values[i], **ends, "flat": abs(values[i]) < FLAT * most, **direction})
    kind: Literal["maximum", "minimum", "saddle"] = "saddle"
    if (values < 0).all() or (values > 0).all():
        kind = "maximum" if values[0] < 0 else "minimum"
    one = fit.interval(_rows_at(fit, basis, x[None], at)[0])
    return Surface(
        point=basis.decoded(x),
        kind=kind,
        inside=in_hull(basis.coded(fit.batches), x),
        estimate=one["estimate"],
        conf_low=one["conf_low"],
        conf_high=one["conf_high"],
        curvatures=pd.DataFrame(rows),
    )


def _amounts(fit: ResponseFit) -> FactorBasis:
    if not isinstance(fit.basis, FactorBasis) or not fit.basis.amounts:
        raise ValueError("only a model with amounts has a shape")
    return fit.basis


def _rows_at(fit: ResponseFit, basis: FactorBasis, coded: Array, at: Mapping[str, Any] | None) -> Array:
    """Weights of the coefficients at coded amounts, one row each."""
    return fit.weights(pd.DataFrame([basis.decoded(row) for row in coded]).assign(**(at or {})))


def _second_order(fit: ResponseFit, basis: FactorBasis, at: Mapping[str, Any] | None) -> tuple[Array, Array]:
    """Weights of the coefficients that give b and B; exact differences, the model being quadratic."""
    size = len(basis.amounts)
    unit = np.eye(size)
    middle = _rows_at(fit, basis, np.zeros((1, size)), at)[0]
    up, down = _rows_at(fit, basis, unit, at), _rows_at(fit, basis, -unit, at)
    square = np.zeros((size, size, len(middle)))
    for i in range(size):
        square[i, i] = (up[i] + down[i]) / 2 - middle
        for j in range(i):
            both = _rows_at(fit, basis, (unit[i] + unit[j])[None], at)[0]
            square[i, j] = square[j, i] = (both - up[i] - up[j] + middle) / 2
    return (up - down) / 2, square


def _with(fit: ResponseFit, extra: Array) -> Fits:
    """The fit with columns more."""
    x = np.column_stack([fit.strata.x, extra])
    days = fit.strata.x.shape[1] - len(fit.basis.owners)
    refuse_inseparable(x, [*fit.basis.owners, *["day"] * days, *["the bend"] * extra.shape[1]])
    return fit_one(strata_of(x, fit.strata.day), fit.y, fit.response)


# --- blends: only the shares of the parts count -----------------------------------------------


def fit_mixture(
    batches: pd.DataFrame,
    response: str,
    parts: Sequence[Amount],
    *,
    blending: Blending = "quadratic",
    log: bool | None = None,
    days: Days = "auto",
    conf_level: float = 0.95,
) -> ResponseFit:
    """Say what the shares of a mixture do to one number a batch.

    Parameters
    ----------
    batches, response, log, days, conf_level
        As in `fit_response`.
    parts : sequence of Amount
        Every part of the mixture, in one unit; only their shares of the sum count.

    Returns
    -------
    ResponseFit
        Its coefficients are Scheffé's: the response of each part alone (often far beyond what was tried),
        and by how much two or three together differ from their average. Its effects are along Cox's line.

    Raises
    ------
    CannotAnswer
        As in `fit_response`.

    Notes
    -----
    H. Scheffé, JRSS B 20 (1958) 344-360: y = sum b_i x_i + sum b_ij x_i x_j + sum b_ijk x_i x_j x_k.

    Examples
    --------
    >>> mixes = pd.DataFrame({"run": list("ABCDEF"), "acid": [1, 1, 2, 2, 1.5, 1.5],
    ...                       "soda": [2, 2, 1, 1, 1.5, 1.5], "seconds": [80, 84, 50, 52, 70, 66]})
    >>> parts = [Amount("acid", "g"), Amount("soda", "g")]
    >>> fit = fit_mixture(mixes, "seconds", parts, blending="linear", log=False)
    >>> fit.coefficients["estimate"].round(1).tolist()
    [20.5, 113.5]
    """
    if len(parts) < 2:
        raise ValueError("a mixture has at least two parts")
    table, lost, log = measured(batches, response, [part.name for part in parts], log)
    made = shares(table, parts)
    still = [part.name for part, spread in zip(parts, np.ptp(made, axis=0), strict=True) if spread < 1e-9]
    if still:
        raise CannotAnswer(
            f"Every mixture that was measured had the same share of {still[0]}, so its part cannot be seen.",
            f"Make mixtures with another share of {still[0]}, or leave it out of the parts.",
        )
    basis = MixtureBasis(tuple(parts), blending, made)
    return fit_basis(
        table, response, basis, log=log, days=days, margin=None, conf_level=conf_level, lost=lost
    )


# --- two-level plans without repeats ----------------------------------------------------------


def pseudo_standard_error(effects: Array) -> Array:
    """Lenth's pseudo standard error along the last axis.

    Notes
    -----
    1.5 median |c| over the |c| below 2.5 s0, with s0 = 1.5 median |c| (R. V. Lenth, Technometrics 31 (1989)
    469-473).

    Examples
    --------
    >>> float(pseudo_standard_error(np.array([23.0, -5.0, 1.5, 1.5, 10.0, 0.0, 0.5])))
    2.25
    """
    size = np.abs(np.asarray(effects, float))
    first = 1.5 * np.median(size, axis=-1, keepdims=True)
    kept = np.where((size < 2.5 * first) | (first == 0), size, np.nan)
    return np.asarray(1.5 * np.nanmedian(kept, axis=-1))


@lru_cache(maxsize=8)
def _chance(count: int) -> tuple[Array, Array]:
    """Sorted |t| of single effects, and of the largest of all, when every effect is nil."""
    drawn = np.random.default_rng(8).standard_normal((40_000, count))
    ratios = np.abs(drawn) / pseudo_standard_error(drawn)[:, None]
    return np.sort(ratios, axis=None), np.sort(ratios.max(axis=1))


def _tail(drawn: Array, t: Array) -> Array:
    """Share of the draws at or above t; never 0, because they are draws."""
    return np.asarray((len(drawn) - np.searchsorted(drawn, t) + 1) / (len(drawn) + 1))


def unreplicated(
    batches: pd.DataFrame, response: str, factors: Sequence[Term], *, log: bool | None = None
) -> pd.DataFrame:
    """Judge the effects of a two-level plan that has no repeats by the crowd of its small effects.

    Parameters
    ----------
    batches : DataFrame
        One row a batch; every factor at two values, and every effect orthogonal to the others.
    log : bool, optional
        As in `fit_response`.

    Returns
    -------
    DataFrame
        One row an effect, the largest first: estimate (high less low, on the scale fitted), t (over Lenth's
        pseudo standard error), p_value, p_joint, stands_out (p_joint < 0.05), also_called (effects that the
        plan cannot tell from it).

    Raises
    ------
    CannotAnswer
        Fewer than seven effects, a factor with other than two values, or a lost batch that makes effects
        overlap.

    Notes
    -----
    The idea is C. Daniel's (Technometrics 1 (1959) 311-341). The chances are those of effect over
    pseudo standard error when all effects are nil, by 40,000 seeded draws (K. Q. Ye, M. Hamada, Journal of
    Quality Technology 32 (2000) 57-66), because Lenth's t with m/3 degrees of freedom is too wide for few.
    """
    table, _, log = measured(batches, response, [factor.name for factor in factors], log)
    columns = np.column_stack([_signs(table, factor) for factor in factors])
    names = [factor.name for factor in factors]
    n = len(table)
    apart = np.abs(columns.T @ columns - n * np.eye(len(names))).max()
    if max(np.abs(columns.sum(axis=0)).max(), apart) > 1e-9:
        raise CannotAnswer(
            "The effects of the batches that were measured overlap, as after a lost batch.",
            "Make the missing batches, or analyse the main effects only.",
        )
    picked, labels, also = _effects(columns, names, n)
    if len(labels) < FEWEST:
        raise CannotAnswer(
            f"{len(labels)} effects are too few to tell which of them stand out.",
            f"Make at least {FEWEST + 1} batches, or repeat some.",
        )
    y = table[response].to_numpy(float)
    effects = picked.T @ (np.log(y) if log else y) * 2 / n
    pse = float(pseudo_standard_error(effects))
    if pse <= 1e-12 * (1 + np.abs(effects).max()):
        raise CannotAnswer(
            f"Most effects on {response} are exactly nil, so there is no crowd to judge by.",
            "Write the readings down more finely, or repeat some batches.",
        )
    single, largest = _chance(len(labels))
    t = effects / pse
    p_joint = _tail(largest, np.abs(t))
    found = pd.DataFrame(
        {
            "estimate": effects,
            "t": t,
            "p_value": _tail(single, np.abs(t)),
            "p_joint": p_joint,
            "stands_out": p_joint < 0.05,
            "also_called": also,
        },
        index=pd.Index(labels, name="effect"),
    )
    return found.sort_values("t", key=lambda values: -values.abs(), kind="stable")


def _signs(table: pd.DataFrame, factor: Term) -> Array:
    values = table[factor.name].astype(str) if isinstance(factor, Category) else table[factor.name]
    found = sorted(pd.unique(values))
    if len(found) != 2:
        raise CannotAnswer(
            f"{factor.name} was tried at {len(found)} values, and this needs two-level plans.",
            "Leave out the centre points, or analyse with repeats.",
        )
    low = factor.control if isinstance(factor, Category) else found[0]
    return np.where((values == low).to_numpy(), -1.0, 1.0)


def _effects(columns: Array, names: Sequence[str], n: int) -> tuple[Array, list[str], list[str]]:
    """Orthogonal columns of effects, lowest order first; and what each is also called."""
    picked = np.empty((n, 0))
    labels: list[str] = []
    also: list[list[str]] = []
    for order in range(1, len(names) + 1):
        for combination in combinations(range(len(names)), order):
            column = np.prod(columns[:, list(combination)], axis=1)
            if abs(column.sum()) > 1e-9:
                continue
            overlap = picked.T @ column / n
            label = ":".join(names[i] for i in combination)
            same = np.flatnonzero(np.abs(np.abs(overlap) - 1) < 1e-9)
            if len(same):
                also[same[0]].append(label)
            elif np.abs(overlap).max(initial=0.0) < 1e-9 and len(labels) < n - 1:
                picked = np.column_stack([picked, column])
                labels.append(label)
                also.append([])
        if order >= 2 and len(labels) == n - 1:
            break
    return picked, labels, [", ".join(more) for more in also]
