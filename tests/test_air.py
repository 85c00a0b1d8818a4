"""Humidity formulas, and joining a room log to the batches that dried in it."""

from __future__ import annotations

from datetime import timedelta
from itertools import pairwise

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fizzlab.models.air import (
    drying_air,
    drying_windows,
    rh_for_deficit,
    saturation_pressure,
    vapour_pressure_deficit,
)

MIDNIGHT = pd.Timestamp("2026-01-05")
temps = st.floats(-45.0, 60.0)
humidities = st.floats(0.01, 100.0)


def at(hours: float) -> pd.Timestamp:
    return MIDNIGHT + pd.Timedelta(hours=hours).round("s")


def log_of(readings: list[tuple[float, float, float]]) -> pd.DataFrame:
    """A room log from (hours since midnight, °C, %)."""
    hours, temp, rh = zip(*readings, strict=True) if readings else ((), (), ())
    time = pd.to_datetime([at(hour) for hour in hours])
    return pd.DataFrame({"time": time, "temp_c": np.array(temp, float), "rh_pct": np.array(rh, float)})


def window(start: float, end: float, run: str = "A") -> pd.DataFrame:
    return pd.DataFrame({"start": [at(start)], "end": [at(end)]}, index=pd.Index([run], name="run"))


# formulas ------------------------------------------------------------------------------------------------


@given(temps, st.floats(0.0, 100.0))
def test_humidity_comes_back_from_the_deficit(temp: float, rh: float) -> None:
    assert rh_for_deficit(vapour_pressure_deficit(temp, rh), temp) == pytest.approx(rh, abs=1e-9)


@given(temps, temps)
def test_warmer_air_holds_more(one: float, other: float) -> None:
    low, high = sorted((one, other))
    if high - low > 1e-9:
        assert saturation_pressure(low) < saturation_pressure(high)


@given(temps, humidities, humidities)
def test_damper_air_pulls_less(temp: float, one: float, other: float) -> None:
    dry, damp = sorted((one, other))
    assert vapour_pressure_deficit(temp, damp) <= vapour_pressure_deficit(temp, dry)


def test_slope_obeys_clausius_and_clapeyron() -> None:
    # d ln p / dT = L / (R_v T²) with the latent heat of vaporisation 2.501 MJ/kg at 0 °C and about 2.36 kJ/kg
    # less each kelvin, R_v = 461.5 J/(kg K): textbook values, from memory; ideal vapour, so 0.3 %
    temp = np.arange(0.0, 41.0, 5.0)
    step = 1e-3
    above, below = saturation_pressure(temp + step), saturation_pressure(temp - step)
    slope = np.log(above / below) / (2 * step)
    kelvin = temp + 273.15
    assert slope == pytest.approx((2.501e6 - 2.36e3 * temp) / (461.5 * kelvin**2), rel=3e-3)


def test_ends_of_the_humidity_scale() -> None:
    assert vapour_pressure_deficit(20.0, 100.0) == 0.0
    assert vapour_pressure_deficit(20.0, 0.0) == saturation_pressure(20.0)


def test_impossible_deficits_have_no_humidity() -> None:
    found = rh_for_deficit([-0.1, 0.0, 2.0, 3.0], 20.0)
    assert np.isnan(found[[0, 3]]).all()
    assert found[1] == 100.0
    assert 0 < found[2] < 100


def test_arrays_broadcast_and_missing_values_pass_through() -> None:
    temp = np.array([[10.0], [20.0]])
    rh = np.array([40.0, 60.0, np.nan])
    found = vapour_pressure_deficit(temp, rh)
    assert found.shape == (2, 3)
    assert np.isnan(found[:, 2]).all()
    assert np.isfinite(found[:, :2]).all()


@pytest.mark.parametrize("temp", [-45.1, 60.1, np.inf])
def test_temperature_out_of_range_is_refused(temp: float) -> None:
    with pytest.raises(ValueError, match="Temperature"):
        vapour_pressure_deficit([20.0, temp], 50.0)
    with pytest.raises(ValueError, match="Temperature"):
        saturation_pressure(temp)
    with pytest.raises(ValueError, match="Temperature"):
        rh_for_deficit(0.5, temp)


@pytest.mark.parametrize("rh", [-0.1, 100.1, np.inf])
def test_humidity_out_of_range_is_refused(rh: float) -> None:
    with pytest.raises(ValueError, match="humidity"):
        vapour_pressure_deficit(20.0, [50.0, rh])


# joining the log -----------------------------------------------------------------------------------------


def test_constant_air_is_its_own_mean() -> None:
    log = log_of([(hour / 2, 17.0, 66.0) for hour in range(20)])
    found = drying_air(log, window(1.2, 7.9)).loc["A"]
    assert found["temp_c"] == pytest.approx(17.0, rel=1e-12)
    assert found["rh_pct"] == pytest.approx(66.0, rel=1e-12)
    assert found["vpd_kpa"] == pytest.approx(vapour_pressure_deficit(17.0, 66.0), rel=1e-12)
    assert found["coverage"] == pytest.approx(1.0, abs=1e-12)


def test_straight_line_air_has_the_value_at_mid_window() -> None:
    log = log_of([(hour, 10.0 + hour, 80.0 - 2 * hour) for hour in np.arange(0.0, 10.1, 0.25)])
    found = drying_air(log, window(2.1, 7.3)).loc["A"]
    assert found["temp_c"] == pytest.approx(14.7, abs=1e-10)
    assert found["rh_pct"] == pytest.approx(70.6, abs=1e-10)


def test_uneven_readings_count_by_their_time() -> None:
    # 16 °C for an hour, seen often, then 20 °C for two, seen seldom
    log = log_of([(m / 60, 16.0, 70.0) for m in range(0, 61, 5)] + [(1.001, 20.0, 70.0), (2, 20.0, 70.0)])
    found = drying_air(log, window(0.0, 2.0)).loc["A"]
    assert found["temp_c"] == pytest.approx(18.0, abs=2e-3)


def test_the_mean_deficit_is_not_the_deficit_of_the_means() -> None:
    log = log_of([(0, 10.0, 90.0), (1, 25.0, 40.0), (2, 10.0, 90.0)])
    found = drying_air(log, window(0.0, 2.0)).loc["A"]
    at_readings = vapour_pressure_deficit([10.0, 25.0], [90.0, 40.0])
    assert found["vpd_kpa"] == pytest.approx(at_readings.mean(), rel=1e-12)
    of_means = vapour_pressure_deficit(found["temp_c"], found["rh_pct"])
    assert abs(found["vpd_kpa"] - of_means) > 0.1


def test_a_long_gap_is_not_covered_and_does_not_count() -> None:
    log = log_of([(0, 10.0, 60.0), (1, 10.0, 60.0), (4, 30.0, 60.0), (5, 30.0, 60.0)])
    found = drying_air(log, window(0.0, 5.0)).loc["A"]
    assert found["coverage"] == pytest.approx(2 / 5)
    assert found["temp_c"] == pytest.approx(20.0)
    bridged = drying_air(log, window(0.0, 5.0), max_gap=timedelta(hours=3)).loc["A"]
    assert bridged["coverage"] == pytest.approx(1.0)
    assert bridged["temp_c"] == pytest.approx((10 + 3 * 20 + 30) / 5)


def test_a_gap_of_just_the_limit_is_covered() -> None:
    log = log_of([(0, 10.0, 60.0), (1, 10.0, 60.0)])
    assert drying_air(log, window(0.0, 1.0)).loc["A", "coverage"] == 1.0
    assert drying_air(log, window(0.0, 1.0), timedelta(minutes=59)).loc["A", "coverage"] == 0.0


@pytest.mark.parametrize(("start", "end"), [(-5.0, -1.0), (6.0, 9.0), (2.2, 3.4)])
def test_no_reading_no_number(start: float, end: float) -> None:
    log = log_of([(0, 10.0, 60.0), (1, 11.0, 60.0), (4, 12.0, 60.0), (5, 13.0, 60.0)])
    found = drying_air(log, window(start, end)).loc["A"]
    assert found["coverage"] == 0.0
    assert found[["temp_c", "rh_pct", "vpd_kpa"]].isna().all()


@pytest.mark.parametrize("readings", [[], [(1.0, 15.0, 60.0)]])
def test_an_empty_or_single_reading_covers_nothing(readings: list[tuple[float, float, float]]) -> None:
    found = drying_air(log_of(readings), window(0.0, 2.0)).loc["A"]
    assert found["coverage"] == 0.0
    assert np.isnan(found["vpd_kpa"])


def test_nothing_is_covered_before_the_first_or_after_the_last_reading() -> None:
    log = log_of([(2, 10.0, 60.0), (2.5, 10.0, 60.0), (3, 10.0, 60.0)])
    found = drying_air(log, window(0.0, 4.0)).loc["A"]
    assert found["coverage"] == pytest.approx(0.25)
    assert found["temp_c"] == pytest.approx(10.0)


def test_order_of_the_log_does_not_matter_and_twins_are_averaged() -> None:
    log = log_of([(hour / 2, 12.0 + hour, 80.0 - hour) for hour in range(12)])
    shuffled = log.sample(frac=1.0, random_state=3)
    pd.testing.assert_frame_equal(drying_air(log, window(0.3, 5.1)), drying_air(shuffled, window(0.3, 5.1)))
    twins = pd.concat([log.assign(temp_c=log["temp_c"] - 2), log.assign(temp_c=log["temp_c"] + 2)])
    found = drying_air(twins, window(0.3, 5.1)).loc["A"]
    assert found["temp_c"] == pytest.approx(drying_air(log, window(0.3, 5.1)).loc["A", "temp_c"])


def test_a_reading_with_a_missing_value_is_passed_over() -> None:
    log = log_of([(0, 10.0, 60.0), (0.5, np.nan, 60.0), (0.75, 99.0, np.nan), (1, 12.0, 60.0)])
    found = drying_air(log, window(0.0, 1.0)).loc["A"]
    assert found["temp_c"] == pytest.approx(11.0)


def test_windows_keep_their_order_and_index() -> None:
    log = log_of([(float(hour), 10.0 + hour, 60.0) for hour in range(30)])
    windows = pd.concat([window(20.0, 25.0, "late"), window(1.0, 3.0, "early"), window(0.0, 29.0, "all")])
    found = drying_air(log, windows)
    assert list(found.index) == ["late", "early", "all"]
    assert found["temp_c"].tolist() == pytest.approx([32.5, 12.0, 24.5])


def test_a_window_of_no_length_has_no_air() -> None:
    log = log_of([(0, 10.0, 60.0), (1, 10.0, 60.0)])
    found = drying_air(log, window(0.5, 0.5)).loc["A"]
    assert found["coverage"] == 0.0
    assert np.isnan(found["temp_c"])


def test_mistakes_of_the_caller_are_refused() -> None:
    log = log_of([(0, 10.0, 60.0), (1, 10.0, 60.0)])
    with pytest.raises(ValueError, match="ends before"):
        drying_air(log, window(2.0, 1.0))
    with pytest.raises(ValueError, match="missing"):
        drying_air(log, window(0.0, 1.0).assign(end=pd.NaT))
    with pytest.raises(ValueError, match="time zone"):
        drying_air(log.assign(time=log["time"].dt.tz_localize("UTC")), window(0.0, 1.0))
    with pytest.raises(ValueError, match="humidity"):
        drying_air(log.assign(rh_pct=101.0), window(0.0, 1.0))


minutes = st.integers(0, 6 * 60)
readings = st.lists(st.tuples(minutes, st.floats(0.0, 30.0), st.floats(20.0, 100.0)), max_size=25)
spans = st.lists(st.tuples(st.integers(-60, 400), st.integers(1, 300)), min_size=1, max_size=5)


@settings(max_examples=60, deadline=None)
@given(readings, spans)
def test_join_equals_brute_force(rows: list[tuple[int, float, float]], pairs: list[tuple[int, int]]) -> None:
    """Against adding up one-second slices one by one, from interpolation that numpy does."""
    log = log_of([(minute / 60, temp, rh) for minute, temp, rh in rows])
    windows = pd.concat([window(a / 60, (a + span) / 60, str(i)) for i, (a, span) in enumerate(pairs)])
    found = drying_air(log, windows)
    assert found["coverage"].between(0.0, 1.0).all()
    merged = log.assign(vpd_kpa=vapour_pressure_deficit(log["temp_c"], log["rh_pct"]))
    merged = merged.groupby("time").mean()
    seconds = ((merged.index - MIDNIGHT).total_seconds()).to_numpy()
    for run, (begin, span) in enumerate(pairs):
        middles = np.arange(begin * 60, (begin + span) * 60) + 0.5
        covered = np.zeros(len(middles), dtype=bool)
        for left, right in pairwise(seconds):
            if right - left <= 3600:
                covered |= (middles > left) & (middles < right)
        row = found.loc[str(run)]
        assert row["coverage"] == pytest.approx(covered.mean(), abs=1e-9)

        for name in ("temp_c", "rh_pct", "vpd_kpa"):
            if covered.any():
                # the middle of a second is exact for a straight line, and no second straddles a reading
                slices = np.interp(middles[covered], seconds, merged[name].to_numpy())
                assert row[name] == pytest.approx(slices.mean(), abs=1e-8)
            else:
                assert np.isnan(row[name])


# windows -------------------------------------------------------------------------------------------------

NONE = pd.DataFrame({"run": [], "hours": [], "dry": []})


def runs_of(**made_at: float | None) -> pd.DataFrame:
    moments = [pd.NaT if hour is None else at(hour) for hour in made_at.values()]
    return pd.DataFrame({"run": list(made_at), "made_at": pd.to_datetime(pd.Series(moments))})


def checked(**hours: float) -> pd.DataFrame:
    return pd.DataFrame([{"run": run, "hours": h, "dry": True} for run, h in hours.items()])


def test_batches_of_a_day_share_one_window_however_long_each_took() -> None:
    runs = runs_of(A=9.0, B=10.5, C=40.0).assign(day=["one", "one", "two"])
    found = drying_windows(checked(A=3.0, B=9.0, C=5.0), NONE, runs)
    assert found["start"].tolist() == [at(9.0), at(9.0), at(40.0)]
    # 5 h, the middle of 3, 5 and 9, after the last was made
    assert found["end"].tolist() == [at(15.5), at(15.5), at(45.0)]
    # that one of them is slower changes the air of none
    pd.testing.assert_frame_equal(found, drying_windows(checked(A=3.0, B=30.0, C=5.0), NONE, runs))


def test_a_batch_dries_until_the_first_dry_check_of_any_piece() -> None:
    checks = pd.DataFrame(
        {"run": "A", "piece": [1, 1, 2, 2], "hours": [2.0, 6.0, 2.0, 4.0], "dry": [False, True, False, True]}
    )
    found = drying_windows(checks, NONE, runs_of(A=9.0))
    assert found.loc["A", "start"] == at(9.0)
    assert found.loc["A", "end"] == at(13.0)


def test_a_batch_never_seen_dry_counts_to_the_last_look_of_either_kind() -> None:
    checks = pd.DataFrame({"run": "A", "hours": [2.0, 4.0], "dry": pd.array([False, pd.NA], "boolean")})
    weighings = pd.DataFrame({"run": ["A", "A", "B"], "hours": [0.0, 7.0, 30.0]})
    found = drying_windows(checks, weighings, runs_of(A=9.0, B=10.0))
    assert found["end"].tolist() == [at(9.0 + 18.5), at(10.0 + 18.5)]


def test_a_dry_check_wins_over_later_weighings() -> None:
    weighings = pd.DataFrame({"run": "A", "hours": [1.0, 24.0]})
    assert drying_windows(checked(A=3.0), weighings, runs_of(A=0.0)).loc["A", "end"] == at(3.0)


def test_batches_without_start_or_look_have_no_window() -> None:
    checks, runs = checked(A=3.0, B=3.0), runs_of(C=8.0, A=9.0, B=None)
    assert list(drying_windows(checks, NONE, runs).index) == ["A"]
    assert list(drying_windows(checks, NONE, runs.set_index("run")).index) == ["A"]
    assert drying_windows(NONE, NONE, runs).empty


def test_windows_feed_the_join() -> None:
    checks = pd.DataFrame({"run": ["A", "B"], "hours": [3.0, 2.5], "dry": [True, False]})
    log = log_of([(hour / 2, 15.0, 60.0) for hour in range(48)])
    found = drying_air(log, drying_windows(checks, NONE, runs_of(B=20.0, A=9.0)))
    assert list(found.index) == ["B", "A"]
    assert found["coverage"].tolist() == pytest.approx([1.0, 1.0])
    assert drying_air(log, drying_windows(NONE, NONE, runs_of(A=9.0))).empty
