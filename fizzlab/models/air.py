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
AirModel = Literal["vpd", "rh and temperature", "none"]

#: Temperatures taken, in °C.
TEMP_RANGE_C = (-45.0, 60.0)

#: What `drying_air` says of the air of a batch.
MEANS = ("temp_c", "rh_pct", "vpd_kpa")

_HOUR = 3.6e12  # nanoseconds


def saturation_pressure(temp_c: ArrayLike) -> Floats:
    r"""Pressure in kPa of water vapour in air that can hold no more, over liquid water.

    .. math:: \ln(p/\mathrm{Pa}) = -6096.9385/T + 21.2409642 - 2.711193\cdot10^{-2} T
              + 1.673952\cdot10^{-5} T^2 + 2.433502 \ln T

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
    """Relative humidity in per cent at which air has a given deficit in kPa: 100 (1 - VPD / p_s).

    NaN where no humidity gives it: even dry air falls short of it, or it is below 0.

    >>> rh_for_deficit(0.8, [2.0, 20.0]).round(1)
    array([ nan, 65.8])
    """
    deficit, highest = np.broadcast_arrays(np.asarray(vpd_kpa, dtype=np.float64), saturation_pressure(temp_c))
    possible = (deficit >= 0.0) & (deficit <= highest)
    return np.where(possible, 100.0 * (1.0 - deficit / highest), np.nan)[()]


def drying_windows(touch_checks: pd.DataFrame, weighings: pd.DataFrame, runs: pd.DataFrame) -> pd.DataFrame:
    """From when (start) to when (end) each batch dried, by run.

    A window starts when the batch was made (made_at of `runs`) and ends at its first dry check, or, where no
    piece was seen dry, at its last check or weighing. Batches without either have no row.
    """
    made_at = runs.set_index("run")["made_at"] if "run" in runs.columns else runs["made_at"]
    made_at = pd.to_datetime(made_at.dropna())
    dry = touch_checks["dry"].astype("boolean").fillna(False).astype(bool)
    first_dry = touch_checks.loc[dry].groupby("run")["hours"].min()
    looked = [table[["run", "hours"]] for table in (touch_checks, weighings) if len(table)]
    last_look = pd.concat(looked).groupby("run")["hours"].max() if looked else first_dry
    hours = last_look.astype(float)
    hours.update(first_dry.astype(float))
    hours = hours.reindex(made_at.index).dropna()
    start = made_at.loc[hours.index]
    windows = pd.DataFrame({"start": start, "end": start + pd.to_timedelta(hours, unit="h")})
    return windows.rename_axis("run")


def drying_air(
    room_log: pd.DataFrame, windows: pd.DataFrame, max_gap: timedelta = timedelta(minutes=60)
) -> pd.DataFrame:
    """The air that each batch dried in: time-weighted means of the room log over its window.

    Air is taken to change in a straight line from one reading to the next. The deficit is averaged as such,
    which is not the deficit of the mean temperature and humidity.

    Parameters
    ----------
    room_log : DataFrame
        Columns time (datetime64), temp_c, rh_pct, in any order; readings of the same time are averaged, one
        with a missing value is passed over.
    windows : DataFrame
        Index run, columns start and end (datetime64); see `drying_windows`.
    max_gap : timedelta
        Readings further apart than this do not cover the time between them.

    Returns
    -------
    DataFrame
        Index as in `windows`. ``temp_c``, ``rh_pct`` and ``vpd_kpa``: means over the covered part of the
        window, NaN where nothing is covered. ``coverage``: covered share of the window, 0 to 1.

    Examples
    --------
    >>> log = pd.DataFrame({
    ...     "time": pd.to_datetime(["2026-01-05T09:00", "2026-01-05T10:00", "2026-01-05T11:00"]),
    ...     "temp_c": [14.0, 16.0, 16.0], "rh_pct": [80.0, 70.0, 60.0]})
    >>> windows = pd.DataFrame({"start": pd.to_datetime(["2026-01-05T09:30"]),
    ...                         "end": pd.to_datetime(["2026-01-05T11:00"])}, index=["A"])
    >>> drying_air(log, windows).loc["A", ["temp_c", "rh_pct", "coverage"]].round(2).tolist()
    [15.83, 67.5, 1.0]
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


def batch_air(
    runs: pd.DataFrame, touch_checks: pd.DataFrame, weighings: pd.DataFrame, room_log: pd.DataFrame
) -> pd.DataFrame:
    """The air that each batch of a trial dried in; see `drying_windows` and `drying_air`."""
    return drying_air(room_log, drying_windows(touch_checks, weighings, runs))


def _within(values: ArrayLike, low: float, high: float, name: str, unit: str) -> Floats:
    array = np.asarray(values, dtype=np.float64)
    outside = (array < low) | (array > high)
    if outside.any():
        raise ValueError(f"{name} {array[outside].flat[0]:g} {unit} is outside {low:g} to {high:g} {unit}.")
    return array


def _nanoseconds(times: pd.Series) -> Whole:
    moments = pd.to_datetime(times)
    if moments.dt.tz is not None:
        raise ValueError("Times must be the workshop's clock, without a time zone.")
    if moments.isna().any():
        raise ValueError("A time is missing.")
    return moments.to_numpy("datetime64[ns]").astype(np.int64)


def _ordered(room_log: pd.DataFrame) -> tuple[Whole, Floats]:
    """Times of the log, rising, and its temperature, humidity and deficit, one row each."""
    columns = room_log[["time", "temp_c", "rh_pct"]].dropna()
    times = _nanoseconds(columns["time"])
    temp, rh = (columns[name].to_numpy(dtype=np.float64) for name in ("temp_c", "rh_pct"))
    values = np.stack([temp, rh, vapour_pressure_deficit(temp, rh)])
    if (np.diff(times) > 0).all():
        return times, values
    order = np.argsort(times, kind="stable")
    distinct, first, count = np.unique(times[order], return_index=True, return_counts=True)
    return distinct, np.add.reduceat(values[:, order], first, axis=1) / count


def _covered(times: Whole, values: Floats, start: Whole, end: Whole, widest: int) -> tuple[Floats, Floats]:
    """Covered hours of each window, and the integrals of the values over them, from one running sum."""
    if len(times) < 2:
        return np.zeros(len(start)), np.zeros((len(values), len(start)))
    hours = np.diff(times) / _HOUR
    joined = np.diff(times) <= widest
    rows = np.vstack([np.ones_like(times, dtype=np.float64), values])
    areas = np.where(joined, hours, 0.0) * (rows[:, :-1] + rows[:, 1:]) / 2.0
    totals = np.concatenate([np.zeros((len(rows), 1)), np.cumsum(areas, axis=1)], axis=1)

    def until(moment: Whole) -> Floats:
        """Integral from the first reading to each moment."""
        place = np.clip(np.searchsorted(times, moment, side="right") - 1, 0, len(times) - 2)
        into = np.clip((moment - times[place]) / _HOUR, 0.0, hours[place])
        slope = (rows[:, place + 1] - rows[:, place]) / hours[place]
        return totals[:, place] + np.where(joined[place], into * (rows[:, place] + slope * into / 2.0), 0.0)

    integrals = until(end) - until(start)
    return integrals[0], integrals[1:]
