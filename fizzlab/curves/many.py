"""Fit the same kind of curve to many sets of readings in one go."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from fizzlab.curves.descent import CONVERGED, Array, Flags, Ints
from fizzlab.curves.fit import _WHY, SUSPECT, CurveFit, Readings, _result, _run, fit_curve, share_of_level
from fizzlab.curves.model import CurveModel
from fizzlab.problems import CannotAnswer


@dataclass(frozen=True)
class CurveFits:
    """Fits of one model to m sets of readings.

    Attributes
    ----------
    model : CurveModel
    values, errors : arrays, shape (m, parameters)
        Estimates and standard errors; nan where a fit did not converge (and, for `errors`, where a
        parameter ended on its bound).
    rss, sigma, aicc : arrays, shape (m,)
    dof : array of int, shape (m,)
    converged : array of bool, shape (m,)
    reasons : tuple of str
        Why a fit has no numbers; empty where it has.
    each : tuple of CurveFit or None
    """

    model: CurveModel
    values: Array
    errors: Array
    rss: Array
    sigma: Array
    aicc: Array
    dof: Ints
    converged: Flags
    reasons: tuple[str, ...]
    each: tuple[CurveFit | None, ...]

    def __len__(self) -> int:
        return len(self.rss)

    def fit(self, row: int) -> CurveFit:
        """Return one of the fits; raises CannotAnswer where it did not converge."""
        found = self.each[row]
        if found is None:
            raise CannotAnswer(
                f"The {self.model.name} curve could not be fitted: {self.reasons[row]}.",
                "Look at the readings for a slip, and take more of them where the curve bends.",
            )
        return found

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
    """
    x, y = np.asarray(x, float), np.asarray(y, float)
    if y.ndim != 2 or x.shape not in {y.shape, y.shape[1:]}:
        raise ValueError("y must hold one row a set of readings, and x match it or one of its rows")
    own = x.ndim == 2
    many, width = len(y), len(model.parameters)
    seen = np.isfinite(y) & np.isfinite(x)
    counts = seen.sum(axis=1)
    enough = counts > width
    whole = bool(seen.all())
    filled = np.where(seen, y, 0.0)
    if not np.isfinite(x).all():
        first = np.argmax(seen, axis=1)
        x = np.where(np.isfinite(x), x, np.take_along_axis(x, first[:, None], axis=1))

    def readings_of(row: int) -> tuple[Array, Array]:
        here = x[row] if own else x
        return (here, y[row]) if whole else (here[seen[row]], y[row][seen[row]])

    # one row a start: curve `owner[k]` begins at `starts[k]`
    blocks: list[Array] = []
    owners: list[int] = []
    if start is not None:
        given = np.broadcast_to(np.asarray(start, float), (many, width))
        blocks, owners = [given[enough]], np.flatnonzero(enough).tolist()
    elif model.starts is None:
        raise ValueError(f"{model.name} has no automatic starts; give `start`")
    else:
        for row in np.flatnonzero(enough).tolist():
            block = np.atleast_2d(np.asarray(model.starts(*readings_of(row)), float))
            blocks.append(block)
            owners += [row] * len(block)
    fits: list[CurveFit | None] = [None] * many
    reasons = [f"{count} readings are too few" for count in counts]
    if owners:
        owner = np.array(owners)
        readings = Readings(x[owner] if own else x, filled[owner], seen[owner].astype(float), own)
        descent = _run(model, readings, np.vstack(blocks))
        score = np.where(descent.status == CONVERGED, descent.rss, np.inf)
        order = np.lexsort((score, owner))
        best = order[np.unique(owner[order], return_index=True)[1]]
        for k in best:
            row = int(owner[k])
            here, there = readings_of(row)
            if np.isfinite(score[k]) and share_of_level(score[k], there, np.ones_like(there)) <= SUSPECT:
                reasons[row] = ""
                fits[row] = _result(
                    model,
                    here,
                    there,
                    np.ones_like(there),
                    descent.theta[k],
                    descent.inverse[k],
                    float(descent.rss[k]),
                    descent.held[k],
                    int(descent.steps[k]),
                    resolution,
                )
                continue
            reasons[row] = _WHY.get(int(descent.status[k]), "it follows them no better than a level line")
            try:  # the slower ways out of a poor start
                given_start = None if start is None else given[row]
                fits[row] = fit_curve(model, here, there, start=given_start, resolution=resolution)
                reasons[row] = ""
            except CannotAnswer:
                pass
    none = np.full(width, np.nan)
    return CurveFits(
        model=model,
        values=np.array([none if fit is None else fit.values for fit in fits]).reshape(many, width),
        errors=np.array([none if fit is None else fit.errors for fit in fits]).reshape(many, width),
        rss=np.array([np.nan if fit is None else fit.rss for fit in fits]),
        sigma=np.array([np.nan if fit is None else fit.sigma for fit in fits]),
        aicc=np.array([np.nan if fit is None else fit.aicc for fit in fits]),
        dof=np.maximum(counts - width, 0),
        converged=np.array([fit is not None for fit in fits], dtype=bool),
        reasons=tuple(reasons),
        each=tuple(fits),
    )
