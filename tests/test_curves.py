"""Curve fitting: behaviour, reference libraries, closed forms, simulation."""

from __future__ import annotations

from dataclasses import replace

import lmfit
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy import stats
from scipy.optimize import least_squares

from fizzlab.errors import CannotAnswer
from fizzlab.models.curves import CurveModel, Parameter, aicc, fit_curve, profile_interval
from fizzlab.models.result import outward

Array = NDArray[np.float64]

RISE = CurveModel(
    "rise",
    (Parameter("plateau", "g"), Parameter("rate", "1/s", lower=0), Parameter("base", "g")),
    f=lambda x, p: p[0] * (1 - np.exp(-p[1] * x)) + p[2],
    jacobian=lambda x, p: [1 - np.exp(-p[1] * x), p[0] * x * np.exp(-p[1] * x), np.ones_like(x)],
    starts=lambda x, y: [np.ptp(y), 2 / x.max(), y[0]],
)
LINE = CurveModel(
    "line",
    (Parameter("a"), Parameter("b")),
    f=lambda x, p: p[0] + p[1] * x,
    jacobian=lambda x, p: [1.0, x],
    starts=lambda x, y: [0.0, 1.0],
)
X = np.array([0.0, 2, 5, 9, 15, 25, 40, 60, 90])


def readings(
    seed: int, scatter: float = 0.1, x: Array = X, values: tuple[float, ...] = (6.0, 0.05, 0.2)
) -> Array:
    rng = np.random.default_rng(seed)
    return RISE(x, values) + rng.normal(0, scatter, x.shape)


# --- one fit --------------------------------------------------------------------------------


def test_readings_without_scatter_give_the_truth() -> None:
    fit = fit_curve(RISE, X, RISE(X, [6.0, 0.05, 0.2]))
    assert fit.values == pytest.approx([6.0, 0.05, 0.2], rel=1e-9)
    assert fit.rss < 1e-20


@pytest.mark.parametrize("seed", range(5))
def test_agrees_with_lmfit(seed: int) -> None:
    y = readings(seed)
    fit = fit_curve(RISE, X, y)
    other = lmfit.Model(lambda x, plateau, rate, base: plateau * (1 - np.exp(-rate * x)) + base)
    found = other.fit(y, x=X, plateau=6, rate=0.05, base=0.2, fit_kws={"xtol": 1e-12, "ftol": 1e-12})
    for name, error in zip(RISE.names, fit.errors, strict=True):
        assert fit[name] == pytest.approx(found.params[name].value, rel=1e-5)
        assert error == pytest.approx(found.params[name].stderr, rel=1e-3)
    assert fit.rss == pytest.approx(found.chisqr, rel=1e-9)
    assert fit.covariance == pytest.approx(found.covar, rel=2e-3)


def test_a_bound_that_holds_gives_the_constrained_minimum() -> None:
    capped = replace(
        RISE, parameters=(Parameter("plateau"), Parameter("rate", lower=0, upper=0.03), Parameter("base"))
    )
    y = readings(2)
    fit = fit_curve(capped, X, y)
    other = least_squares(
        lambda p: RISE(X, p) - y,
        [5, 0.02, 0],
        bounds=([-np.inf, 0, -np.inf], [np.inf, 0.03, np.inf]),
        xtol=1e-14,
        ftol=1e-14,
        gtol=1e-14,
    )
    assert fit.at_bound == ("rate",)
    assert fit["rate"] == 0.03
    assert np.isnan(fit.errors[1])
    assert fit.rss == pytest.approx(2 * other.cost, rel=1e-6)


def test_a_straight_line_has_its_textbook_errors_and_t_interval() -> None:
    x = np.arange(10.0)
    y = 1 + 0.3 * x + np.random.default_rng(4).normal(0, 0.2, 10)
    fit, known = fit_curve(LINE, x, y), stats.linregress(x, y)
    assert fit["b"] == pytest.approx(known.slope, rel=1e-10)
    assert fit.errors[1] == pytest.approx(known.stderr, rel=1e-9)
    reach = stats.t.ppf(0.975, 8) * known.stderr
    interval = profile_interval(fit, lambda p: p[fit.model.names.index("b")])
    assert interval["conf_low"] == pytest.approx(known.slope - reach, rel=1e-6)
    assert interval["conf_high"] == pytest.approx(known.slope + reach, rel=1e-6)
    assert fit.table["conf_low"][1] == pytest.approx(known.slope - reach, rel=1e-9)


@given(grams=st.floats(1e-3, 1e4), seconds=st.floats(1e-3, 1e4), seed=st.integers(0, 5))
@settings(max_examples=30, deadline=None)
def test_units_do_not_matter(grams: float, seconds: float, seed: int) -> None:
    y = readings(seed)
    fit, other = fit_curve(RISE, X, y), fit_curve(RISE, seconds * X, grams * y)
    factor = np.array([grams, 1 / seconds, grams])
    assert other.values == pytest.approx(fit.values * factor, rel=1e-6)
    assert other.errors == pytest.approx(fit.errors * factor, rel=1e-5)


def test_scatter_is_never_below_that_of_rounding() -> None:
    y = np.round(readings(0, scatter=0.0), 1)
    fit = fit_curve(RISE, X, y, resolution=1.0)
    assert fit.sigma == pytest.approx(1 / np.sqrt(12))
    assert fit.aicc == pytest.approx(aicc(len(X) / 12, len(X), 3))
    assert fit_curve(RISE, X, y).sigma < 0.1


def test_the_fit_shows_itself() -> None:
    fit = fit_curve(RISE, X, readings(0))
    assert "9 readings" in fit.summary()
    assert "plateau" in fit._repr_html_()
    assert np.asarray(fit.plot().lines[0].get_ydata())[0] == pytest.approx(fit.at(0.0))


def test_the_curve_has_a_band() -> None:
    fit = fit_curve(LINE, X, readings(0))
    band = fit.predict({"x": [10.0, 200.0]})
    other = stats.linregress(X, readings(0))
    mean, spread = X.mean(), float(((X - X.mean()) ** 2).sum())
    se = other.stderr * np.sqrt(spread * (1 / len(X) + (10 - mean) ** 2 / spread))
    assert band["conf_high"][0] - band["estimate"][0] == pytest.approx(stats.t.ppf(0.975, 7) * se)
    assert band["extrapolated"].tolist() == [False, True]
    wide = fit.predict({"x": [10.0]}, interval="prediction")
    assert wide["conf_high"][0] > band["conf_high"][0]


# --- refusals -------------------------------------------------------------------------------


def test_too_few_readings() -> None:
    with pytest.raises(CannotAnswer, match="3 readings are too few"):
        fit_curve(RISE, X[:3], readings(0)[:3])


def test_parameters_that_cannot_be_told_apart() -> None:
    def fall(x: Array, p: Array) -> list[Array]:
        left = np.exp(-(p[1] + p[2]) * x)
        return [left, -p[0] * x * left, -p[0] * x * left]

    names = (Parameter("a"), Parameter("b"), Parameter("c"))
    twin = CurveModel("twin", names, lambda x, p: p[0] * fall(x, p)[0], fall, lambda x, y: [y[0], 0.01, 0.01])
    y = 5 * np.exp(-0.03 * X) + np.random.default_rng(0).normal(0, 0.05, X.shape)
    with pytest.raises(CannotAnswer, match="tell its parameters apart"):
        fit_curve(twin, X, y)


def test_a_rise_that_never_bends_has_no_plateau() -> None:
    bent_up = 0.2 + 0.1 * X + 0.001 * X**2
    with pytest.raises(CannotAnswer):
        fit_curve(RISE, X, bent_up)


def hump(x: Array, p: Array) -> list[Array]:
    u = (x - p[2]) / p[1]
    high = np.exp(-(u**2))
    return [high, 2 * p[0] * high * u**2 / p[1], 2 * p[0] * high * u / p[1]]


PEAK = CurveModel(
    "peak",
    (Parameter("height"), Parameter("width", lower=1e-6), Parameter("centre")),
    f=lambda x, p: p[0] * hump(x, p)[0],
    jacobian=hump,
)


def test_the_lowest_of_several_starts_counts() -> None:
    x = np.linspace(0, 100, 40)
    y = PEAK(x, [5.0, 6.0, 70.0]) + PEAK(x, [2.0, 5.0, 20.0])
    for starts in ([[1.0, 5.0, 20.0], [1.0, 5.0, 70.0]], [[1.0, 5.0, 70.0], [1.0, 5.0, 20.0]]):
        assert fit_curve(PEAK, x, y, start=starts)["centre"] == pytest.approx(70, abs=0.1)


def test_a_flat_end_far_from_the_readings_is_no_answer() -> None:
    # from a needle where there is nothing to feel, every way down leads to a height of nothing
    x = np.linspace(0, 100, 40)
    with pytest.raises(CannotAnswer, match=r"level line|apart|stopped"):
        fit_curve(PEAK, x, PEAK(x, [5.0, 6.0, 70.0]), start=[1.0, 0.1, 20.0])


def test_a_search_without_end_is_stopped() -> None:
    rising = 0.2 + 0.1 * X + 0.0005 * X**2
    with pytest.raises(CannotAnswer, match="still moving"):
        fit_curve(RISE, X, rising, evaluations=20)


def test_aicc_by_hand() -> None:
    # n log(rss/n) + 2k + 2k(k+1)/(n-k-1) with n = 12, rss = 3, k = 4
    assert aicc(3.0, 12, 3) == pytest.approx(12 * np.log(0.25) + 8 + 40 / 7)
    assert aicc(3.0, 5, 3) == np.inf


# --- intervals ------------------------------------------------------------------------------


def test_the_ends_are_where_the_sum_of_squares_says() -> None:
    y = readings(5)
    fit = fit_curve(RISE, X, y)
    interval = profile_interval(fit, lambda p: p[fit.model.names.index("rate")], 0.9)
    limit = fit.rss * (1 + stats.f.ppf(0.9, 1, fit.dof) / fit.dof)
    for rate in (interval["conf_low"], interval["conf_high"]):
        columns = np.column_stack([1 - np.exp(-rate * X), np.ones_like(X)])
        rest = np.linalg.lstsq(columns, y, rcond=None)[1][0]
        assert rest == pytest.approx(limit, rel=1e-6)


def test_interval_of_a_quantity_follows_its_scale() -> None:
    fit = fit_curve(RISE, X, readings(6))
    rate = profile_interval(fit, lambda p: p[fit.model.names.index("rate")])
    half = profile_interval(fit, lambda p: np.log(2) / p[1])
    assert half["conf_low"] == pytest.approx(np.log(2) / rate["conf_high"], rel=1e-5)
    assert half["conf_high"] == pytest.approx(np.log(2) / rate["conf_low"], rel=1e-5)


@pytest.mark.slow
def test_an_interval_that_runs_into_a_bound_or_has_no_end_says_so() -> None:
    # only the first, straight part of the rise is seen: any high plateau with a low rate would do
    y = readings(3, scatter=0.05, x=np.linspace(0, 6, 9))
    floor = replace(
        RISE, parameters=(Parameter("plateau"), Parameter("rate", lower=0.001), Parameter("base"))
    )
    fit = fit_curve(floor, np.linspace(0, 6, 9), y)
    rate = profile_interval(fit, lambda p: p[fit.model.names.index("rate")])
    assert rate["conf_low"] == -np.inf
    assert fit["rate"] < rate["conf_high"] < np.inf
    free = fit_curve(RISE, np.linspace(0, 6, 9), y)
    plateau = profile_interval(free, lambda p: p[free.model.names.index("plateau")])
    assert plateau["conf_high"] == np.inf


def test_a_profile_that_cannot_be_followed_has_an_open_end() -> None:
    def lost(at: float) -> float:
        raise CannotAnswer("The profile is lost.", "Take more readings.")

    assert outward(lost, 1.0, 0.5) == np.inf
    assert outward(lambda at: -1.0, 1.0, -0.5) == -np.inf
    # above its limit at once, as where a search finds no way back to the estimate: no failed root
    assert outward(lambda at: 1.0, 1.0, 0.5) == pytest.approx(1.0, abs=1e-6)
    assert outward(lambda at: at - 3.0, 1.0, 0.5) == pytest.approx(3.0)


@given(seed=st.integers(0, 200), levels=st.tuples(st.floats(0.3, 0.99), st.floats(0.3, 0.99)))
@settings(max_examples=25, deadline=None)
def test_a_higher_level_never_gives_a_narrower_interval(seed: int, levels: tuple[float, float]) -> None:
    fit = fit_curve(RISE, X, readings(seed))
    narrow, wide = (
        profile_interval(fit, lambda p: p[fit.model.names.index("plateau")], level)
        for level in sorted(levels)
    )
    assert wide["conf_low"] <= narrow["conf_low"] + 1e-6 * fit.errors[0]
    assert narrow["conf_low"] <= fit["plateau"] <= narrow["conf_high"]
    assert wide["conf_high"] >= narrow["conf_high"] - 1e-6 * fit.errors[0]


@pytest.mark.slow
def test_95_per_cent_intervals_hold_the_truth_that_often() -> None:
    # 250 sets of 9 readings; a true 95 % would be missed by more than 3.3 standard errors (4.5 points)
    # once in a thousand such runs
    truth = np.array([6.0, 0.05, 0.2])
    y = RISE(X, truth) + np.random.default_rng(11).normal(0, 0.25, (250, len(X)))
    fits = [fit_curve(RISE, X, row) for row in y]
    values = np.array([fit.values for fit in fits])
    bias = values.mean(axis=0) - truth
    assert np.abs(bias / (values.std(axis=0) / np.sqrt(250))).max() < 4
    hit = []
    for fit in fits:
        interval = profile_interval(fit, lambda p: float(np.log(2) / p[1]))
        hit.append(interval["conf_low"] <= np.log(2) / 0.05 <= interval["conf_high"])
    assert np.mean(hit) == pytest.approx(0.95, abs=3.3 * np.sqrt(0.95 * 0.05 / 250))
