"""Fit the same kind of curve to many sets of readings in one go."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from fizzlab.errors import CannotAnswer
from fizzlab.models.curves.descent import CONVERGED, Array, Flags, Ints
from fizzlab.models.curves.fit import (
    SUSPECT,
    WHY,
    CurveFit,
    Readings,
    aicc,
    fit_curve,
    result,
    run,
)
from fizzlab.models.curves.model import CurveModel

_LEVEL = "it follows the readings no better than a level line"


@dataclass(frozen=True)
class CurveFits:
    """Fits of one model to m sets of readings.

    Attributes
    ----------
    model : CurveModel
    x, y : arrays
        The readings as given.
    values, errors : arrays, shape (m, parameters)
        Estimates and standard errors; nan where a fit did not converge (and, for `errors`, where a
        parameter ended on its bound).
    inverse : array, shape (m, parameters, parameters)
        (J'J)^-1; times sigma^2 it is the covariance.
    rss, sigma, aicc : arrays, shape (m,)
    dof : array of int, shape (m,)
    held : array of bool, shape (m, parameters)
        Parameters that ended on a bound.
    steps : array of int, shape (m,)
    converged : array of bool, shape (m,)
    reasons : tuple of str
        Why a fit has no numbers; empty where it has.
    resolution : float
    """

    model: CurveModel
    x: Array
    y: Array
    values: Array
    errors: Array
    inverse: Array
    rss: Array
    sigma: Array
    aicc: Array
    dof: Ints
    held: Flags
    steps: Ints
    converged: Flags
    reasons: tuple[str, ...]
    resolution: float

    def __len__(self) -> int:
        return len(self.rss)

    def fit(self, row: int) -> CurveFit:
        """Return one of the fits; raises CannotAnswer where it did not converge."""
        if not self.converged[row]:
            raise CannotAnswer(
                f"The {self.model.name} curve could not be fitted: {self.reasons[row]}.",
                "Look at the readings for a slip, and take more of them where the curve bends.",
            )
        x, y = _one(self.x, self.y, row)
        return result(
            self.model,
            x,
            y,
            np.ones_like(y),
            self.values[row],
            self.inverse[row],
            float(self.rss[row]),
            self.held[row],
            int(self.steps[row]),
            self.resolution,
        )

    def table(self) -> pd.DataFrame:
        """Return one row a set of readings: parameters, standard errors, rss, dof, aicc, converged, note."""
        names = self.model.names
        out = pd.DataFrame(self.values, columns=list(names))
        out[[f"se_{name}" for name in names]] = self.errors
        return out.assign(
            rss=self.rss,
            sigma=self.sigma,
            dof=self.dof,
            aicc=self.aicc,
            converged=self.converged,
            note=self.reasons,
        )


def _one(x: Array, y: Array, row: int) -> tuple[Array, Array]:
    """Return the readings of one set, without its gaps."""
    here, there = (x[row] if x.ndim == 2 else x), y[row]
    seen = np.isfinite(here) & np.isfinite(there)
    return (here, there) if seen.all() else (here[seen], there[seen])


def _starts(
    model: CurveModel, x: Array, y: Array, start: ArrayLike | None, enough: Flags
) -> tuple[Array, Ints]:
    """Return one row a start, and which set of readings each belongs to."""
    width, rows = len(model.parameters), np.flatnonzero(enough)
    if start is not None:
        given = np.broadcast_to(np.asarray(start, float), (len(y), width))
        return given[rows], rows
    if model.starts is None:
        raise ValueError(f"{model.name} has no automatic starts; give `start`")
    blocks = [np.atleast_2d(np.asarray(model.starts(*_one(x, y, row)), float)) for row in rows.tolist()]
    if not blocks:
        return np.empty((0, width)), rows
    return np.vstack(blocks), np.repeat(rows, [len(block) for block in blocks])


def fit_many(
    model: CurveModel,
    x: ArrayLike,
    y: ArrayLike,
    *,
    start: ArrayLike | None = None,
    resolution: float = 0.0,
) -> CurveFits:
    """Fit one model to each row of `y`; the same answers as `fit_curve` on each row, sooner.

    Parameters
    ----------
    model : CurveModel
    x : array, shape (n,) or (m, n)
        Shared by all sets of readings, or one row each.
    y : array, shape (m, n)
        One row a set of readings; nan where there is none (sets of unequal length are padded with nan).
    start : array, shape (parameters,) or (m, parameters), optional
        Starting values instead of the model's own.
    resolution : float
        As in `fit_curve`.

    Returns
    -------
    CurveFits
        A set that could not be fitted has nan and a reason; it stops none of the others.

    Raises
    ------
    ValueError
        Arrays that do not fit together.

    Examples
    --------
    >>> from fizzlab.models.curves import CurveModel, Parameter
    >>> decay = CurveModel(
    ...     "decay", "loses the same share each hour",
    ...     (Parameter("size", unit="g", linear=True), Parameter("rate", unit="1/h", lower=0)),
    ...     f=lambda x, p: p[0] * np.exp(-p[1] * x),
    ...     starts=lambda x, y: [y[0], 1 / x.mean()],
    ... )
    >>> fits = fit_many(decay, [0, 1, 2, 3, 4], [[10.1, 5.9, 3.8, 2.2, 1.3], [8.2, 5.4, 3.7, 2.3, np.nan]])
    >>> fits.values.round(2)
    array([[10.06,  0.51],
           [ 8.2 ,  0.41]])
    """
    x, y = np.asarray(x, float), np.asarray(y, float)
    if y.ndim != 2 or x.shape not in {y.shape, y.shape[1:]}:
        raise ValueError("y must hold one row a set of readings, and x match it or one of its rows")
    many, width = len(y), len(model.parameters)
    seen = np.isfinite(y) & np.isfinite(x)
    counts = seen.sum(axis=1)
    starts, owner = _starts(model, x, y, start, counts > width)

    values, errors = np.full((many, width), np.nan), np.full((many, width), np.nan)
    inverse = np.full((many, width, width), np.nan)
    rss = np.full(many, np.nan)
    held, steps = np.zeros((many, width), dtype=bool), np.zeros(many, dtype=np.int64)
    converged = np.zeros(many, dtype=bool)
    reasons = [f"{count} readings are too few" for count in counts.tolist()]
    if len(owner):
        whole = x
        if not np.isfinite(x).all():  # any place will do where there is no reading
            shared = np.broadcast_to(x, y.shape)
            first = np.take_along_axis(shared, np.argmax(seen, axis=1)[:, None], axis=1)
            whole = np.where(seen, shared, first)
        own = whole.ndim == 2
        readings = Readings(
            whole[owner] if own else whole,
            np.where(seen, y, 0.0)[owner],
            seen[owner].astype(float),
            own,
        )
        descent = run(model, readings, starts)
        score = np.where(descent.status == CONVERGED, descent.rss, np.inf)
        order = np.lexsort((score, owner))
        best = order[np.unique(owner[order], return_index=True)[1]]
        row = owner[best]
        values[row], inverse[row], rss[row] = descent.theta[best], descent.inverse[best], score[best]
        held[row], steps[row] = descent.held[best], descent.steps[best]
        level = np.where(seen, y - np.mean(y, axis=1, where=seen, keepdims=True), 0.0)[row]
        converged[row] = score[best] <= SUSPECT * np.einsum("mn,mn->m", level, level)
        for k, status in zip(row.tolist(), descent.status[best].tolist(), strict=True):
            reasons[k] = (
                "" if converged[k] else WHY.get(status, "it follows them no better than a level line")
            )
        for k in row[~converged[row]].tolist():  # the slower ways out of a poor start
            own_start = None if start is None else np.broadcast_to(np.asarray(start, float), (many, width))[k]
            try:
                fit = fit_curve(model, *_one(x, y, k), start=own_start, resolution=resolution)
            except CannotAnswer:
                continue
            values[k], inverse[k], rss[k] = fit.values, fit.covariance / fit.sigma**2, fit.rss
            held[k] = [name in fit.at_bound for name in model.names]
            steps[k], converged[k], reasons[k] = fit.steps, True, ""
    values[~converged], rss[~converged], inverse[~converged] = np.nan, np.nan, np.nan
    dof = np.maximum(counts - width, 0)
    sigma = np.sqrt(np.maximum(rss / np.where(dof > 0, dof, np.nan), resolution**2 / 12))
    errors = sigma[:, None] * np.sqrt(np.einsum("mkk->mk", inverse))
    floored = np.maximum(rss, counts * resolution**2 / 12)
    return CurveFits(
        model=model,
        x=x,
        y=y,
        values=values,
        errors=errors,
        inverse=inverse,
        rss=rss,
        sigma=sigma,
        aicc=np.array(
            [aicc(total, n, width) for total, n in zip(floored.tolist(), counts.tolist(), strict=True)]
        ),
        dof=dof,
        held=held,
        steps=steps,
        converged=converged,
        reasons=tuple(reasons),
        resolution=resolution,
    )
