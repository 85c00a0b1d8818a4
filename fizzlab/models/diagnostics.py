"""What the residuals advise: a second look at a batch, or another scale. Nothing is dropped."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from scipy import stats

from fizzlab.models.strata import Array, Fits, NotEstimable, Strata, contrast, fit_many, prepare

#: The plain powers of a response, and what each is called.
POWERS = {
    -1.0: "its reciprocal",
    -0.5: "one over its square root",
    0.0: "its logarithm",
    0.5: "its square root",
    1.0: "the number itself",
}

#: Standardised residuals beyond this are fitted anew; one with a joint p below 0.05 lies well beyond it.
_ODD = 1.8


def best_power(strata: Strata, y: Array, *, blocked: bool) -> tuple[float, float, float]:
    """The power of a positive response on which the model fits best, and its 95 % interval; 0 is the log.

    z = (y^a - 1) / (a g^(a-1)), with g the geometric mean (G. E. P. Box, D. R. Cox, JRSS B 26 (1964)
    211-252); the interval holds the powers whose log-likelihood lies within 1.92 of the best. With days at
    random the restricted likelihood takes its place (M. J. Gurka et al., JRSS A 169 (2006) 273-288).
    """
    random = strata.day is not None
    logs = np.log(y)
    centred = logs - logs.mean()
    grid = np.linspace(-2.0, 2.0, 81 if random else 401)
    powers = grid[:, None]
    safe = np.where(np.abs(powers) < 1e-9, 1.0, powers)
    scaled = np.where(np.abs(powers) < 1e-9, centred, np.expm1(safe * centred) / safe)
    if random:
        fits = fit_many(strata, scaled)
        loglik = np.where(fits.converged, fits.loglik, -np.inf)
    else:
        left = ((scaled @ strata.outside) ** 2).sum(axis=1)
        # days as blocks cost more than the likelihood knows: it would advise in 10 to 16 of 100 sound trials
        loglik = -0.5 * (strata.spare if blocked else len(y)) * np.log(left)
    top = int(np.argmax(loglik))
    inside = grid[loglik > loglik[top] - stats.chi2.ppf(0.95, 1) / 2]
    return float(grid[top]), float(inside.min()), float(inside.max())


def odd_batches(strata: Strata, y: Array, fits: Fits, runs: Sequence[str]) -> pd.DataFrame:
    """Compare each batch with what all the others say of it; nan where they say nothing.

    One row a batch: residual (from the fit to the others), t, df, p_value, p_joint (Bonferroni). The t of a
    column that is 1 for the batch and 0 elsewhere, added to the model: without random days the externally
    studentised residual (R. D. Cook, S. Weisberg, Residuals and Influence in Regression, 1982, section
    2.2.2), with them its counterpart with Kenward and Roger's degrees of freedom. There only batches that may
    be odd are fitted so; the others have their residual with the components as they are.
    """
    random = strata.day is not None
    residual, rough = _residuals(strata, y, fits)
    df = float(strata.spare) - 1
    rows = []
    for place, t in enumerate(rough):
        if np.isnan(t):
            rows.append((np.nan,) * 4)
        elif random and abs(t) > _ODD:  # in the spread of all batches an odd one looks less so
            rows.append(_anew(strata, y, place))
        else:
            if not random:
                t = t * np.sqrt(df / max(df + 1 - t**2, 1e-12))
            rows.append((residual[place], t, df, float(2 * stats.t.sf(abs(t), df))))
    found = pd.DataFrame(rows, index=pd.Index(runs, name="run"), columns=["residual", "t", "df", "p_value"])
    return found.assign(p_joint=np.minimum(1.0, found["p_value"] * found["p_value"].notna().sum()))


def _residuals(strata: Strata, y: Array, fits: Fits) -> tuple[Array, Array]:
    """Each batch's residual from the others, and the same standardised, the components taken as they are."""
    x = strata.x
    component = np.maximum(fits.components[0], 0.0)
    component[-1] = max(component[-1], 1e-12 * max(float(component.max()), 1e-300))
    inverse = np.linalg.inv(np.tensordot(component, strata.full, axes=1))
    project = inverse - inverse @ x @ np.linalg.solve(x.T @ inverse @ x, x.T @ inverse)
    told = ((strata.outside**2).sum(axis=1) > 1e-9) & (strata.spare > 1)
    own, pulled = np.diag(project), project @ y
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(told, pulled / own, np.nan), np.where(told, pulled / np.sqrt(own), np.nan)


def _anew(strata: Strata, y: Array, place: int) -> tuple[float, float, float, float]:
    x = np.column_stack([strata.x, np.eye(len(y))[place]])
    nothing = (np.nan,) * 4
    try:
        if np.linalg.matrix_rank(x) < x.shape[1] or len(x) <= x.shape[1]:
            return nothing
        fits = fit_many(prepare(x, strata.day), y)
    except NotEstimable:
        return nothing
    if not fits.converged[0]:
        return nothing
    estimate, se, df = (float(part[0]) for part in contrast(fits, np.eye(x.shape[1])[-1]))
    return estimate, estimate / se, df, float(2 * stats.t.sf(abs(estimate / se), df))
