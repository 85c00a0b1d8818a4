"""The air a piece dries in: what a hygrometer reading means, and which air each batch had.

What pulls water out is the vapour-pressure deficit: how much more vapour the air could hold than it holds.
Everything here is over liquid water, also below freezing, as hygrometers are calibrated.
"""

from __future__ import annotations

from datetime import timedelta
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
Whole = NDArray[np.int64]
AirModel = Literal["vpd", "none"]

#: Temperatures taken, in °C.
TEMP_RANGE_C = (-45.0, 60.0)

#: What `drying_air` says of the air of a batch.
MEANS = ("temp_c", "rh_pct", "vpd_kpa")

_HOUR = 3.6e12  # nanoseconds


def saturation_pressure(temp_c: ArrayLike) -> Floats:
    """Pressure in kPa of water vapour in air that can hold no more, over liquid water.

    ``ln(p in Pa) = -6096.9385 / T + 21.2409642 - 2.711193e-2 T + 1.673952e-5 T^2 + 2.433502 ln T``

    with T in kelvin, from -45 to 60 °C (D. Sonntag, Z. Meteorol. 70 (1990) 340; Meteorol. Z. 3 (1994) 51).
    From 0 °C the formulas of Hyland and Wexler (ASHRAE), IAPWS, and Murphy and Koop lie within 0.03 % of it.
    """
    kelvin = _within(temp_c, *TEMP_RANGE_C, "Temperature", "°C") + 273.15
    linear = 21.2409642 + kelvin * (-2.711193e-2 + 1.673952e-5 * kelvin)
    return np.exp(-6096.9385 / kelvin + linear + 2.433502 * np.log(kelvin)) / 1000.0


def vapour_pressure_deficit(temp_c: ArrayLike, rh_pct: ArrayLike) -> Floats:
    """How much vapour pressure the air still lacks: p_s (1 - RH/100).

    Parameters
    ----------
    temp_c : array_like
        Air temperature in °C, -45 to 60.
    rh_pct : array_like
        Relative humidity in per cent, 0 to 100.

    Returns
    -------
    ndarray, or a number for a number
        In kPa; 0 in saturated air.

    Raises
    ------
    ValueError
        Outside the ranges.

    Examples
    --------
    Damp cool air pulls far less than the same humidity in a warm room:

    >>> vapour_pressure_deficit([12.0, 22.0], 70.0).round(2)
    array([0.42, 0.79])
    """
    share = _within(rh_pct, 0.0, 100.0, "Relative humidity", "%") / 100.0
    return saturation_pressure(temp_c) * (1.0 - share)


def rh_for_deficit(vpd_kpa: ArrayLike, temp_c: ArrayLike) -> Floats:
    """Relative humidity in per cent at a deficit in kPa, 100 (1 - VPD / p_s); NaN where no humidity gives it.

    >>> rh_for_deficit(0.8, [2.0, 20.0]).round(1)
    array([ nan, 65.8])
    """
    deficit, highest = np.broadcast_arrays(np.asarray(vpd_kpa, dtype=np.float64), saturation_pressure(temp_c))
    possible = (deficit >= 0.0) & (deficit <= highest)
    return np.where(possible, 100.0 * (1.0 - deficit / highest), np.nan)[()]


def _within(values: ArrayLike, low: float, high: float, name: str, unit: str) -> Floats:
    array = np.asarray(values, dtype=np.float64)
    outside = (array < low) | (array > high)
    if outside.any():
        raise ValueError(f"{name} {array[outside].flat[0]:g} {unit} is outside {low:g} to {high:g} {unit}.")
    return array


def drying_windows(touch_checks: pd.DataFrame, weighings: pd.DataFrame, runs: pd.DataFrame) -> pd.DataFrame:
    """From when (start) to when (end) the air of each batch counts: one window for all batches of a day.

    It begins when the first batch of the day was made (made_at of `runs`) and ends the trial's middle drying
    time after the last was: that of a batch is until its first dry check, or its last check or weighing where
    none was seen dry. A window that ended when the batch itself was dry would give a slower batch other
    air. Batches that were not looked at have no row.
    """
    runs = runs.set_index("run") if "run" in runs.columns else runs
    dry = touch_checks["dry"].astype("boolean").fillna(False).astype(bool)
    first_dry = touch_checks.loc[dry].groupby("run")["hours"].min()
    looked = [table[["run", "hours"]] for table in (touch_checks, weighings) if len(table)]
    hours = (pd.concat(looked).groupby("run")["hours"].max() if looked else first_dry).astype(float)
    hours.update(first_dry.astype(float))
    made_at = pd.to_datetime(runs.loc[runs.index.isin(hours.index), "made_at"].dropna())
    day = runs.loc[made_at.index, "day"] if "day" in runs else made_at.index
    start, last = (made_at.groupby(day, sort=False).transform(end) for end in ("min", "max"))
    end = last + pd.to_timedelta(hours.reindex(made_at.index).median(), unit="h")
    return pd.DataFrame({"start": start, "end": end}).rename_axis("run")


def drying_air(
    room_log: pd.DataFrame, windows: pd.DataFrame, max_gap: timedelta = timedelta(minutes=60)
) -> pd.DataFrame:
    """Time-weighted means of the room log (time, temp_c, rh_pct) over each of the `drying_windows`.

    Air changes in a straight line between readings; those further apart than `max_gap` do not cover the time
    between. The deficit is averaged as such, not taken of the mean temperature and humidity. `coverage` is
    the covered share of the window; the means are NaN where nothing is covered.
    """
    start, end = _nanoseconds(windows["start"]), _nanoseconds(windows["end"])
    if (end < start).any():
        raise ValueError("A window ends before it starts.")
    times, values = _ordered(room_log)
    covered_h, integrals = _covered(times, values, start, end, pd.Timedelta(max_gap).value)
    means = np.full(integrals.shape, np.nan)
    np.divide(integrals, covered_h, out=means, where=np.broadcast_to(covered_h > 0.0, integrals.shape))
    length = (end - start) / _HOUR
    coverage = np.divide(covered_h, length, out=np.zeros_like(length), where=length > 0.0)
    found = dict(zip(MEANS, means, strict=True))
    return pd.DataFrame({**found, "coverage": np.clip(coverage, 0.0, 1.0)}, index=windows.index)


def _nanoseconds(times: pd.Series) -> Whole:
    moments = pd.to_datetime(times)
    if moments.dt.tz is not None:
        raise ValueError("Times must be the workshop's clock, without a time zone.")
    if moments.isna().any():
        raise ValueError("A time is missing.")
    return moments.to_numpy("datetime64[ns]").astype(np.int64)


def _ordered(room_log: pd.DataFrame) -> tuple[Whole, Floats]:
    """Times of the log, rising, with temperature, humidity and deficit (means of a time noted twice)."""
    log = room_log[["time", "temp_c", "rh_pct"]].dropna()
    deficit = vapour_pressure_deficit(log["temp_c"], log["rh_pct"])
    means = log.assign(time=_nanoseconds(log["time"]), vpd_kpa=deficit).groupby("time")[list(MEANS)].mean()
    return means.index.to_numpy(np.int64), means.to_numpy(np.float64).T


def _covered(times: Whole, values: Floats, start: Whole, end: Whole, widest: int) -> tuple[Floats, Floats]:
    """Covered hours of each window, and the integrals of the values over them, from one running sum."""
    if len(times) < 2:
        return np.zeros(len(start)), np.zeros((len(values), len(start)))
    start, end = start.clip(times[0], times[-1]), end.clip(times[0], times[-1])
    grid = np.unique(np.concatenate([times, start, end]))
    rows = [np.ones(len(grid)), *(np.interp(grid - times[0], times - times[0], each) for each in values)]
    joined = np.diff(times)[np.searchsorted(times, grid[1:]) - 1] <= widest
    hours = np.where(joined, np.diff(grid) / _HOUR, 0.0)
    totals = np.insert(np.cumsum([hours * (row[:-1] + row[1:]) / 2 for row in rows], axis=1), 0, 0.0, axis=1)
    integrals = totals[:, np.searchsorted(grid, end)] - totals[:, np.searchsorted(grid, start)]
    return integrals[0], integrals[1:]
