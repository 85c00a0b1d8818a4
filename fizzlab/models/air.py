"""The air a piece dries in: what a hygrometer reading means, and which air each batch had.

Relative humidity alone does not say how fast water leaves. What pulls it out is the vapour-pressure deficit:
how much more vapour the air could hold at its temperature than it holds now. Everything here is over liquid
water, also below freezing, because that is what hygrometers are calibrated against.

Saturation pressure follows Sonntag (1990), who refitted the earlier standard formulas to the temperature
scale in use today. One expression serves above and below freezing. From 0 to 60 °C the formulas of
Hyland and Wexler (ASHRAE), IAPWS, and Murphy and Koop lie within 0.03 % of it; that of Goff and Gratch, on an
older scale, is 0.15 % lower.
"""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

#: Temperatures taken, in °C.
TEMP_RANGE_C = (-45.0, 60.0)

#: Molar mass of water over the molar gas constant, in g K/J: 18.015268 / 8.314462618.
WATER_G_K_PER_J = 18.015268 / 8.314462618

_ZERO_C = 273.15
_LOWEST_DEW_C = -100.0
_MEANS = ("temp_c", "rh_pct", "vpd_kpa")


def saturation_pressure_kpa(temp_c: ArrayLike) -> Floats:
    r"""Pressure of water vapour in air that can hold no more, over liquid water.

    .. math:: \ln(p/\mathrm{Pa}) = -6096.9385/T + 21.2409642 - 2.711193\cdot10^{-2} T
              + 1.673952\cdot10^{-5} T^2 + 2.433502 \ln T

    with T in kelvin.

    Parameters
    ----------
    temp_c : array_like
        Air temperature in °C, -45 to 60. NaN gives NaN.

    Returns
    -------
    ndarray, or a number for a number
        In kPa.

    Raises
    ------
    ValueError
        Outside the range.

    References
    ----------
    D. Sonntag, Z. Meteorol. 70 (1990) 340; D. Sonntag, Meteorol. Z. 3 (1994) 51.

    Examples
    --------
    >>> round(float(saturation_pressure_kpa(20.0)), 3)
    2.339
    """
    return np.exp(_log_saturation_pa(_temperature(temp_c) + _ZERO_C)) / 1000.0


def vapour_pressure_deficit_kpa(temp_c: ArrayLike, rh_pct: ArrayLike) -> Floats:
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

    >>> vapour_pressure_deficit_kpa([12.0, 22.0], 70.0).round(2)
    array([0.42, 0.79])
    """
    return saturation_pressure_kpa(temp_c) * (1.0 - _humidity(rh_pct) / 100.0)


def dew_point_c(temp_c: ArrayLike, rh_pct: ArrayLike) -> Floats:
    """Temperature to which air must cool before water drops out of it.

    Solves p_s(T_d) = p_s(T) RH/100 for T_d by Newton's method on ln p, over liquid water (below 0 °C this is
    not the frost point).

    Parameters
    ----------
    temp_c : array_like
        Air temperature in °C, -45 to 60.
    rh_pct : array_like
        Relative humidity in per cent, 0 to 100.

    Returns
    -------
    ndarray, or a number for a number
        In °C. NaN where it would be below -100 °C, so always at 0 % humidity.

    Raises
    ------
    ValueError
        Outside the ranges.

    Examples
    --------
    >>> round(float(dew_point_c(18.0, 75.0)), 1)
    13.5
    """
    temp, share = np.broadcast_arrays(_temperature(temp_c), _humidity(rh_pct) / 100.0)
    with np.errstate(divide="ignore"):
        target = _log_saturation_pa(temp + _ZERO_C) + np.log(share)
    target = np.where(target < _log_saturation_pa(np.asarray(_LOWEST_DEW_C + _ZERO_C)), np.nan, target)
    # Magnus' form in the constants of WMO-No. 8, annex 4.B, is within 1.5 K down to -100 °C: a start
    ratio = target - np.log(611.2)
    kelvin = 243.12 * ratio / (17.62 - ratio) + _ZERO_C
    for _ in range(4):
        kelvin = kelvin - (_log_saturation_pa(kelvin) - target) / _slope_log_saturation(kelvin)
    # rounding in the last step must not lift the dew point above the air
    dew: Floats = np.minimum(kelvin - _ZERO_C, temp)
    return dew


def absolute_humidity_g_m3(temp_c: ArrayLike, rh_pct: ArrayLike) -> Floats:
    """Grams of water vapour in a cubic metre of air, vapour taken as an ideal gas: M p / (R T).

    Parameters
    ----------
    temp_c : array_like
        Air temperature in °C, -45 to 60.
    rh_pct : array_like
        Relative humidity in per cent, 0 to 100.

    Returns
    -------
    ndarray, or a number for a number
        In g/m³.

    Raises
    ------
    ValueError
        Outside the ranges.

    Examples
    --------
    >>> round(float(absolute_humidity_g_m3(20.0, 100.0)), 1)
    17.3
    """
    temp = _temperature(temp_c)
    vapour_pa = saturation_pressure_kpa(temp) * _humidity(rh_pct) * 10.0
    return WATER_G_K_PER_J * vapour_pa / (temp + _ZERO_C)


def rh_for_deficit(vpd_kpa: ArrayLike, temp_c: ArrayLike) -> Floats:
    """Relative humidity at which air of a temperature has a given deficit: 100 (1 - VPD / p_s).

    Parameters
    ----------
    vpd_kpa : array_like
        Vapour-pressure deficit in kPa.
    temp_c : array_like
        Air temperature in °C, -45 to 60.

    Returns
    -------
    ndarray, or a number for a number
        In per cent. NaN where no humidity gives that deficit: even dry air falls short of it, or it is
        below 0.

    Raises
    ------
    ValueError
        Temperature outside its range.

    Examples
    --------
    The first is out of reach: cold air cannot be that thirsty, however dry it is made.

    >>> rh_for_deficit(0.8, [2.0, 20.0]).round(1)
    array([ nan, 65.8])
    """
    deficit, highest = np.broadcast_arrays(
        np.asarray(vpd_kpa, dtype=np.float64), saturation_pressure_kpa(temp_c)
    )
    possible = (deficit >= 0.0) & (deficit <= highest)
    return np.where(possible, 100.0 * (1.0 - deficit / highest), np.nan)[()]


def drying_windows(touch_checks: pd.DataFrame, weighings: pd.DataFrame, runs: pd.DataFrame) -> pd.DataFrame:
    """From when to when each batch dried.

    A window starts when the batch was made. It ends at the batch's first dry check, or, where no piece was
    seen dry, at its last check or weighing.

    Parameters
    ----------
    touch_checks : DataFrame
        Columns run, hours, dry. May be empty.
    weighings : DataFrame
        Columns run, hours. May be empty.
    runs : DataFrame
        Column made_at; run as a column or as the index.

    Returns
    -------
    DataFrame
        Index run in the order of `runs`, columns start and end. A batch without a time of making, or that
        was neither checked nor weighed, has no row.

    Examples
    --------
    >>> runs = pd.DataFrame({"run": ["A"], "made_at": pd.to_datetime(["2026-01-05T09:00"])})
    >>> checks = pd.DataFrame({"run": "A", "hours": [2.0, 4.0, 6.0], "dry": [False, True, True]})
    >>> windows = drying_windows(checks, pd.DataFrame(columns=["run", "hours"]), runs)
    >>> windows.loc["A", "end"]
    Timestamp('2026-01-05 13:00:00')
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
    room_log: pd.DataFrame,
    windows: pd.DataFrame,
    max_gap: timedelta = timedelta(minutes=60),
) -> pd.DataFrame:
    """The air that each batch dried in: time-weighted means of the room log over its window.

    Air is taken to change in a straight line from one reading to the next, and each stretch counts by its
    length, so an uneven log gives no reading more weight than its time. The deficit is averaged as such; it
    is not the deficit of the mean temperature and humidity, which is another, usually smaller, number.

    Parameters
    ----------
    room_log : DataFrame
        Columns time (datetime64), temp_c, rh_pct. It need not be in order; readings of the same time are
        averaged; a reading with a missing value is passed over.
    windows : DataFrame
        Index run, columns start and end (datetime64); see `drying_windows`.
    max_gap : timedelta
        Readings further apart than this do not cover the time between them; nor is anything covered before
        the first reading or after the last.

    Returns
    -------
    DataFrame
        Index as in `windows`. ``temp_c``, ``rh_pct`` and ``vpd_kpa``: means over the covered part of the
        window, NaN where nothing is covered. ``coverage``: covered share of the window, 0 to 1 (0 for a
        window of no length). ``readings``: readings within the window, its ends included.
        ``longest_gap_h``: the longest time within the window without a reading, in hours.

    Raises
    ------
    ValueError
        A window lacks an end or ends before it starts, a time carries a time zone, `max_gap` is not
        positive, or a reading is outside the ranges of `vapour_pressure_deficit_kpa`.

    Examples
    --------
    >>> log = pd.DataFrame({
    ...     "time": pd.to_datetime(["2026-01-05T09:00", "2026-01-05T10:00", "2026-01-05T11:00"]),
    ...     "temp_c": [14.0, 16.0, 16.0], "rh_pct": [80.0, 70.0, 60.0]})
    >>> windows = pd.DataFrame({"start": pd.to_datetime(["2026-01-05T09:30"]),
    ...                         "end": pd.to_datetime(["2026-01-05T11:00"])}, index=["A"])
    >>> air = drying_air(log, windows)
    >>> air.loc["A", ["temp_c", "rh_pct", "coverage", "readings"]].round(2).tolist()
    [15.83, 67.5, 1.0, 2.0]
    """
    widest = pd.Timedelta(max_gap).value
    if widest <= 0:
        raise ValueError("max_gap must be more than no time at all.")
    start, end = _nanoseconds(windows["start"]), _nanoseconds(windows["end"])
    if (end < start).any():
        raise ValueError("A window ends before it starts.")
    times, values = _ordered(room_log)
    length = (end - start) / _HOUR
    covered_h, integrals = _covered(times, values, start, end, widest)
    some = covered_h > 0.0
    means = np.full(integrals.shape, np.nan)
    np.divide(integrals, covered_h, out=means, where=np.broadcast_to(some, integrals.shape))
    coverage = np.divide(covered_h, length, out=np.zeros_like(length), where=length > 0.0)
    found = dict(zip(_MEANS, means, strict=True))
    readings = np.searchsorted(times, end, side="right") - np.searchsorted(times, start, side="left")
    return pd.DataFrame(
        {
            **found,
            "coverage": np.clip(coverage, 0.0, 1.0),
            "readings": readings,
            "longest_gap_h": _longest_gap(times, start, end) / _HOUR,
        },
        index=windows.index,
    )


_HOUR = 3.6e12  # nanoseconds

Whole = NDArray[np.int64]


def _log_saturation_pa(kelvin: Floats) -> Floats:
    linear = 21.2409642 + kelvin * (-2.711193e-2 + 1.673952e-5 * kelvin)
    return -6096.9385 / kelvin + linear + 2.433502 * np.log(kelvin)


def _slope_log_saturation(kelvin: Floats) -> Floats:
    return 6096.9385 / kelvin**2 - 2.711193e-2 + 2.0 * 1.673952e-5 * kelvin + 2.433502 / kelvin


def _temperature(temp_c: ArrayLike) -> Floats:
    low, high = TEMP_RANGE_C
    return _within(temp_c, low, high, "Temperature", "°C")


def _humidity(rh_pct: ArrayLike) -> Floats:
    return _within(rh_pct, 0.0, 100.0, "Relative humidity", "%")


def _within(values: ArrayLike, low: float, high: float, name: str, unit: str) -> Floats:
    array = np.asarray(values, dtype=np.float64)
    if ((array < low) | (array > high)).any():
        worst = array[(array < low) | (array > high)].flat[0]
        raise ValueError(f"{name} {worst:g} {unit} is outside {low:g} to {high:g} {unit}.")
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
    columns = room_log[["time", "temp_c", "rh_pct"]]
    whole = columns.notna().all(axis=1).to_numpy()
    if not whole.all():
        columns = columns[whole]
    times = _nanoseconds(columns["time"])
    temp = columns["temp_c"].to_numpy(dtype=np.float64)
    rh = columns["rh_pct"].to_numpy(dtype=np.float64)
    values = np.stack([temp, rh, vapour_pressure_deficit_kpa(temp, rh)])
    steps = np.diff(times)
    if (steps > 0).all():
        return times, values
    order = np.argsort(times, kind="stable")
    distinct, first, count = np.unique(times[order], return_index=True, return_counts=True)
    return distinct, np.add.reduceat(values[:, order], first, axis=1) / count


def _covered(times: Whole, values: Floats, start: Whole, end: Whole, widest: int) -> tuple[Floats, Floats]:
    """Covered hours of each window, and the integrals of the values over them."""
    if len(times) < 2:
        return np.zeros(len(start)), np.zeros((len(values), len(start)))
    hours = np.diff(times) / _HOUR
    joined = np.diff(times) <= widest
    counted = np.where(joined, hours, 0.0)
    rows = np.vstack([np.ones_like(times, dtype=np.float64), values])
    areas = counted * (rows[:, :-1] + rows[:, 1:]) / 2.0
    totals = np.concatenate([np.zeros((len(rows), 1)), np.cumsum(areas, axis=1)], axis=1)

    def until(moment: Whole) -> Floats:
        """Integral from the first reading to each moment, interpolating within its stretch."""
        place = np.clip(np.searchsorted(times, moment, side="right") - 1, 0, len(times) - 2)
        into = np.clip((moment - times[place]) / _HOUR, 0.0, hours[place])
        slope = (rows[:, place + 1] - rows[:, place]) / hours[place]
        return totals[:, place] + np.where(joined[place], into * (rows[:, place] + slope * into / 2.0), 0.0)

    integrals = until(end) - until(start)
    return integrals[0], integrals[1:]


def _longest_gap(times: Whole, start: Whole, end: Whole) -> Whole:
    """Longest time without a reading in each window, its ends counting as marks, in nanoseconds."""
    first = np.searchsorted(times, start, side="right")
    after = np.searchsorted(times, end, side="left")
    longest = end - start
    inside = np.flatnonzero(after > first)
    first, last = first[inside], after[inside] - 1
    longest[inside] = np.maximum(times[first] - start[inside], end[inside] - times[last])
    several = np.flatnonzero(last > first)
    # in order of their beginning, so that what reduceat does between two windows is never more than the log
    several = several[np.argsort(first[several], kind="stable")]
    if len(several):
        steps = np.append(np.diff(times), 0)
        bounds = np.column_stack([first[several], last[several]]).ravel()
        widest = np.maximum.reduceat(steps, bounds)[::2]
        longest[inside[several]] = np.maximum(longest[inside[several]], widest)
    return longest
