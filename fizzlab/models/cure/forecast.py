"""What to expect of the next batch: when it will be dry, and how dry the room must be for that.

The bounds for a new batch are quantiles of a mixture over its possible spreads; see `spreads`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from scipy import stats
from scipy.optimize import brentq

from fizzlab.errors import CannotAnswer
from fizzlab.models.censored.likelihood import Array, quantile
from fizzlab.models.cure.spreads import MEAN, Spreads, mixed_quantile, possible_spreads
from fizzlab.models.cure.touch import LOG_SIGMA, DryTimeFit
from fizzlab.models.terms import Amount, model_matrix

_BEYOND = 2.0  # how far past the tried range `driest_needed` looks, as a ratio


def locations(fit: DryTimeFit, rows: Array, share: float) -> tuple[Array, Array]:
    """Return the typical batch's log time for a share, and its standard error."""
    middle = 0.5 if fit.pieces_alike else share
    reach = fit.found.sigma * float(quantile(fit.distribution, middle))
    value = rows @ fit.coef + reach
    slope = np.column_stack([rows, np.full(len(rows), reach)])
    se = np.sqrt(np.einsum("ri,ij,rj->r", slope, fit.covariance.to_numpy(), slope))
    return value, se


def _bound(fit: DryTimeFit, mixture: Spreads, rows: Array, share: float, chance: float) -> Array:
    """Return the log time that a new batch's share stays below with the stated chance."""
    if fit.pieces_alike:
        reach, doubt = fit.found.sigma * MEAN[fit.distribution], 0.0
    else:
        reach = fit.found.sigma * float(quantile(fit.distribution, share))
        doubt = reach**2 * float(fit.covariance.loc[LOG_SIGMA, LOG_SIGMA])  # type: ignore[arg-type]
    centre = rows @ mixture.beta.T + reach
    known = np.einsum("ri,kij,rj->rk", rows, mixture.covariance, rows)
    sd = np.sqrt(known + mixture.new + doubt)
    return mixed_quantile(centre, sd, mixture.weight, chance)


def _beyond(fit: DryTimeFit, conditions: pd.DataFrame) -> Array:
    """Which rows lie outside what was tried, in any amount."""
    outside = np.zeros(len(conditions), dtype=bool)
    for term in fit.terms:
        if isinstance(term, Amount):
            low, high = (float(end) for end in fit.tried[term.name])
            values = conditions[term.name].to_numpy(float)
            slack = 1e-9 * max(abs(low), abs(high))
            outside |= (values < low - slack) | (values > high + slack)
    return outside


def forecast_dry(
    fit: DryTimeFit,
    conditions: pd.DataFrame,
    shares: Sequence[float] = (0.5, 0.9, 0.95),
    level: float = 0.95,
) -> pd.DataFrame:
    """Forecast by when given shares of the pieces of a new batch are dry.

    Parameters
    ----------
    fit : DryTimeFit
        With a batch effect.
    conditions : DataFrame
        One row a forecast, with a column for each term of the fit.
    shares : sequence of float
        Shares of the pieces of the batch, each between 0 and 1.
    level : float
        Of the intervals.

    Returns
    -------
    DataFrame
        One row a condition and share: the columns of `conditions`, share, hours (of a typical batch),
        typical_low and typical_high (confidence interval of that), new_low and new_high (interval for a new
        batch, with its own batch and day in it), sure_by (hours by which the share is dry in `level` of new
        batches: a one-sided bound) and beyond_tried (an amount outside the tried range: the line is drawn on
        past the readings there). The index is that of `conditions`, repeated.

    Notes
    -----
    The share q of a batch with effects b and d is dry by exp(x'beta + d + b + sigma F^-1(q)). If the pieces
    of a batch could not be told apart (`pieces_alike`), every share has the same time.

    Examples
    --------
    >>> from fizzlab.models.cure.touch import fit_dry_time
    >>> from fizzlab.models.terms import Category
    >>> looks = pd.DataFrame({"run": list("AABBCCDDEEFF"), "piece": [1, 2] * 6,
    ...                       "lower": [6.0, 6, 8, 8, 4, 6, 10, 8, 8, 10, 6, 8]})
    >>> looks["upper"] = looks["lower"] + 2
    >>> batches = pd.DataFrame({"colour": ["dye", "lake"] * 3}, index=list("ABCDEF"))
    >>> result = fit_dry_time(looks, batches, [Category("colour", ("dye", "lake"), "dye")])
    >>> table = forecast_dry(result, pd.DataFrame({"colour": ["lake"]}), shares=[0.9])
    >>> table[["share", "hours"]].round(0).values.tolist()
    [[1.0, 10.0]]
    """
    chances = np.asarray(shares, float)
    if ((chances <= 0) | (chances >= 1)).any():
        raise ValueError("a share lies between 0 and 1")
    rows = model_matrix(conditions, fit.terms).to_numpy(float)
    mixture = possible_spreads(fit)
    df = np.array([fit.df(row) for row in rows])
    half = stats.t.ppf(0.5 + level / 2, df)
    beyond = _beyond(fit, conditions)
    tables = []
    for share in chances:
        value, se = locations(fit, rows, share)
        tables.append(
            conditions.assign(
                share=share,
                hours=np.exp(value),
                typical_low=np.exp(value - half * se),
                typical_high=np.exp(value + half * se),
                new_low=np.exp(_bound(fit, mixture, rows, share, 0.5 - level / 2)),
                new_high=np.exp(_bound(fit, mixture, rows, share, 0.5 + level / 2)),
                sure_by=np.exp(_bound(fit, mixture, rows, share, level)),
                beyond_tried=beyond,
            )
        )
    order = np.arange(len(rows) * len(chances)).reshape(len(chances), len(rows)).T.ravel()
    return pd.concat(tables).iloc[order]


def typical_hours(fit: DryTimeFit, conditions: pd.DataFrame, shares: Sequence[float]) -> pd.DataFrame:
    """Hours until shares of the pieces of a typical batch are dry, without bounds, for drawing a curve.

    Returns
    -------
    DataFrame
        One row a condition and share: share and hours; the index is that of `conditions`, repeated.
    """
    rows = model_matrix(conditions, fit.terms).to_numpy(float)
    hours = np.exp(np.column_stack([locations(fit, rows, share)[0] for share in shares]))
    return pd.DataFrame(
        {"share": np.tile(np.asarray(shares, float), len(rows)), "hours": hours.ravel()},
        index=conditions.index.repeat(len(shares)),
    )


@dataclass(frozen=True)
class Needed:
    """The least value of an amount for which a share of the pieces is dry in time.

    Attributes
    ----------
    by : str
        The amount that was sought, for example ``vpd_kpa``.
    within_hours, share, level : float
        The question.
    typical : float or None
        For a typical batch; None if not reached even at `looked_at[1]`.
    sure : float or None
        For `level` of new batches (one-sided); None if not reached.
    typical_beyond, sure_beyond : bool
        The value lies outside the tried range: the line was drawn on past the readings.
    tried, looked_at : (float, float)
        Range of the amount that was tried, and range that was searched. A value equal to `looked_at[0]`
        means: that or less.
    """

    by: str
    within_hours: float
    share: float
    level: float
    typical: float | None
    sure: float | None
    typical_beyond: bool
    sure_beyond: bool
    tried: tuple[float, float]
    looked_at: tuple[float, float]


def driest_needed(
    fit: DryTimeFit,
    within_hours: float = 12.0,
    share: float = 0.95,
    by: str = "vpd_kpa",
    conditions: Mapping[str, object] | None = None,
    level: float = 0.95,
) -> Needed:
    """Find how dry the room must be for a share of a new batch to be dry in time.

    Parameters
    ----------
    fit : DryTimeFit
    within_hours : float
        For example one night of 12 h.
    share : float
        Of the pieces.
    by : str
        The amount to find: a term of the fit, as a rule the vapour-pressure deficit.
    conditions : mapping, optional
        Values of the other terms.
    level : float
        Share of new batches that are to be ready, for `sure`.

    Returns
    -------
    Needed

    Raises
    ------
    CannotAnswer
        Drying was not seen to be faster as `by` rises.
    ValueError
        `by` is not an amount of the fit.

    Notes
    -----
    `typical` solves x'beta + sigma F^-1(share) = log(within_hours); `sure` solves the same for the upper
    bound of a new batch. Both are sought from half the least to twice the greatest value tried.
    """
    term = next((each for each in fit.terms if each.name == by and isinstance(each, Amount)), None)
    if not isinstance(term, Amount):
        raise ValueError(f"{by} is not an amount of this fit")
    if float(fit.estimates.loc[term.columns()[0], "coef"]) >= 0:  # type: ignore[arg-type]
        raise CannotAnswer(
            f"Drying was not seen to be faster with more {by}, so no {by} can be named.",
            f"Make batches over a wider range of {by}.",
        )
    tried = (float(fit.tried[by][0]), float(fit.tried[by][1]))
    if tried[0] <= 0:
        raise ValueError(f"{by} must be positive")
    looked_at = (tried[0] / _BEYOND, tried[1] * _BEYOND)
    mixture = possible_spreads(fit)
    target = float(np.log(within_hours))

    def rows(values: Array) -> Array:
        table = pd.DataFrame({**dict(conditions or {}), by: values}, index=range(len(values)))
        return model_matrix(table, fit.terms).to_numpy(float)

    def typical(values: Array) -> Array:
        return locations(fit, rows(values), share)[0] - target

    def sure(values: Array) -> Array:
        return _bound(fit, mixture, rows(values), share, level) - target

    found = [_first_below(each, looked_at) for each in (typical, sure)]
    beyond = [value is not None and not tried[0] <= value <= tried[1] for value in found]
    return Needed(by, within_hours, share, level, found[0], found[1], beyond[0], beyond[1], tried, looked_at)


def _first_below(excess: Callable[[Array], Array], ends: tuple[float, float]) -> float | None:
    """Return the least value in `ends` at which the excess is not above 0, or None."""
    values = np.geomspace(*ends, 60)
    good = np.flatnonzero(excess(values) <= 0)
    if not len(good):
        return None
    if good[0] == 0:
        return ends[0]
    near = values[good[0] - 1 : good[0] + 1]
    return float(brentq(lambda value: float(excess(np.array([value]))[0]), near[0], near[1], xtol=1e-8))


def dry_chart(
    fit: DryTimeFit,
    temps_c: Sequence[float] | Array,
    rhs_pct: Sequence[float] | Array,
    vpd_kpa: Callable[[Array, Array], Array],
    share: float = 0.95,
    conditions: Mapping[str, object] | None = None,
    tried_temps_c: tuple[float, float] | None = None,
    tried_rhs_pct: tuple[float, float] | None = None,
    level: float = 0.95,
) -> pd.DataFrame:
    """Tabulate the dry time over temperature and relative humidity, for a chart on the wall.

    Parameters
    ----------
    fit : DryTimeFit
        Whose amounts of the air are any of vpd_kpa, temp_c and rh_pct.
    temps_c, rhs_pct : arrays
        Temperatures in degrees Celsius and relative humidities in per cent; every pair is tabulated.
    vpd_kpa : callable
        Vapour-pressure deficit in kPa from arrays of temperature and relative humidity.
    share : float
        Of the pieces.
    conditions : mapping, optional
        Values of the terms that are not of the air.
    tried_temps_c, tried_rhs_pct : (float, float), optional
        Ranges in which batches were dried; a cell outside counts as not tried.
    level : float
        For `sure_by`.

    Returns
    -------
    DataFrame
        One row a pair: temp_c, rh_pct, vpd_kpa, hours (typical batch), sure_by (`level` of new batches) and
        tried (False where the chart is drawn on past the readings). Hours are inf where the air takes up no
        water.
    """
    temps, rhs = np.meshgrid(np.asarray(temps_c, float), np.asarray(rhs_pct, float), indexing="ij")
    table = pd.DataFrame({"temp_c": temps.ravel(), "rh_pct": rhs.ravel()})
    table["vpd_kpa"] = np.asarray(vpd_kpa(table["temp_c"].to_numpy(), table["rh_pct"].to_numpy()), float)
    able = table["vpd_kpa"].to_numpy() > 0
    where = table[able].copy()
    given: dict[str, Any] = dict(conditions or {})
    for name, value in given.items():
        where[name] = value
    hours, sure_by = np.full(len(table), np.inf), np.full(len(table), np.inf)
    tried = np.zeros(len(table), dtype=bool)
    if able.any():
        rows = model_matrix(where, fit.terms).to_numpy(float)
        hours[able] = np.exp(locations(fit, rows, share)[0])
        sure_by[able] = np.exp(_bound(fit, possible_spreads(fit), rows, share, level))
        tried[able] = np.logical_not(_beyond(fit, where))
    for column, span in (("temp_c", tried_temps_c), ("rh_pct", tried_rhs_pct)):
        if span is not None:
            tried &= table[column].between(*span).to_numpy()
    return table.assign(hours=hours, sure_by=sure_by, tried=tried)
