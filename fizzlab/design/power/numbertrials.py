"""Simulated trials read by one number a batch: a loss, a mean duration, on the log scale.

The analysis is that of `fizzlab.models.effects`: restricted likelihood with days as groups, Kenward and
Roger's standard errors and degrees of freedom. With days in balance, or one day, that is the classical t
test of least squares, whose power is known exactly (`exact_chance`).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from scipy import stats

from fizzlab.design.power.shape import Array, Effect, Structure
from fizzlab.design.power.touchtrials import Verdicts, verdicts
from fizzlab.errors import CannotAnswer
from fizzlab.models.strata import Fits, NotEstimable, contrast, f_test, fit_many, prepare


def number_fits(plan: Structure, batch: float, day: float, trials: int, seed: int) -> Fits:
    """Fits of simulated trials without any effect.

    Parameters
    ----------
    plan : Structure
    batch, day : float
        Standard deviations of the log response between batches of a day, and between days.
    trials, seed : int

    Notes
    -----
    An effect only adds to the coefficients: standard errors and degrees of freedom do not depend on it.
    So one set of fits serves every size of effect.

    Raises
    ------
    CannotAnswer
        The plan cannot tell days from batches.
    """
    try:
        layout = prepare(plan.x, [] if plan.day is None else [plan.day])
    except NotEstimable:
        raise CannotAnswer(
            "This plan cannot tell how much days differ from how much batches do.",
            "Spread every level over the days, or make more batches a day.",
        ) from None
    rng = np.random.default_rng(seed)
    days = rng.standard_normal((trials, plan.days))
    noise = rng.standard_normal((trials, plan.batches)) * batch
    if plan.day is not None:
        noise = noise + day * days[:, plan.day]
    elif plan.days == plan.batches:
        noise = noise + day * days  # one batch a day: each batch carries its day
    return fit_many(layout, noise)


def number_verdicts(fits: Fits, effect: Effect, log_ratio: float, level: float = 0.95) -> Verdicts:
    """What each trial would say of an effect of one size."""
    estimate, se, df = contrast(fits, effect.weights)
    answered = np.asarray(fits.converged & np.isfinite(se) & (se > 0) & np.isfinite(df) & (df > 0))
    return verdicts(estimate + log_ratio, se, df, answered, log_ratio, level)


def joint_seen(fits: Fits, rows: Array, truth: Array, alpha: float = 0.05) -> np.ndarray:
    """Which trials reject that several comparisons are all nothing, by the F test.

    Parameters
    ----------
    fits : Fits
        From `number_fits`.
    rows : array, shape (comparisons, columns)
    truth : array, shape (columns,)
        True coefficients.
    alpha : float
    """
    *_, p = f_test(replace(fits, beta=fits.beta + truth), rows)
    return np.asarray(p < alpha)


def exact_chance(
    plan: Structure, effect: Effect, log_ratio: float, batch: float, level: float = 0.95
) -> float:
    """Exact chance that least squares sees an effect, days (if any) being estimated as blocks.

    Parameters
    ----------
    plan : Structure
    effect : Effect
        One that days do not share in: its estimate is made within days.
    log_ratio : float
    batch : float
        Standard deviation of the log response between batches.
    level : float

    Notes
    -----
    P(t > t(level, f)) with t noncentral, f = batches - rank and noncentrality log ratio / (batch sqrt(v)), v
    the effect's element of (X'X)^-1 with the days as columns. The side of the true effect only.

    Examples
    --------
    >>> import pandas as pd
    >>> from fizzlab.design.power.shape import structure
    >>> from fizzlab.models.terms import Category
    >>> runs = pd.DataFrame({"day": 1, "colour": ["pearl", "dye"] * 20})
    >>> plan = structure(runs, [Category("colour", ("pearl", "dye"), "pearl")])
    >>> round(exact_chance(plan, plan.effects[0], 1.0, 1.0), 4)
    0.869
    """
    x = plan.x
    if plan.day is not None:
        member = (plan.day[:, None] == np.unique(plan.day)[None, 1:]).astype(float)
        x = np.hstack([x, member])
    solid = np.linalg.pinv(x.T @ x)
    weights = np.concatenate([effect.weights, np.zeros(x.shape[1] - len(effect.weights))])
    df = len(x) - int(np.linalg.matrix_rank(x))
    at_home = float(weights @ solid @ weights)
    return float(
        stats.nct.sf(stats.t.ppf(0.5 + level / 2, df), df, abs(log_ratio) / (batch * np.sqrt(at_home)))
    )
