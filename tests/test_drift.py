"""Drift charts: what they find, what they leave alone, and what they refuse."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from fizzlab.errors import CannotAnswer
from fizzlab.models.drift import DriftChart, drift_chart

STEADY = [10.0, 11.0, 9.5, 10.5, 9.0, 10.2, 11.1, 9.7, 10.3, 9.9]


def chart_of(values: list[float] | np.ndarray, log: bool = False) -> DriftChart:
    return drift_chart(list(values), [f"B{i}" for i in range(len(values))], log=log)


def test_a_far_reading_is_found_and_named() -> None:
    chart = chart_of([*STEADY, *STEADY, 18.0, *STEADY])
    assert {(signal.rule, signal.label) for signal in chart.signals} == {("beyond", "B20"), ("jump", "B20")}
    jump = next(signal for signal in chart.signals if signal.rule == "jump")
    assert (jump.since, jump.side) == ("B19", "both")
    assert chart.table["signals"].iloc[20] == "beyond; jump"


@pytest.mark.parametrize(
    ("scores", "found"),
    [
        ([-0.1, *[0.5] * 8, *[-0.5] * 8], True),
        ([-0.1, *[0.5] * 7, -0.2], False),
        ([2.9, 0.0], False),
        ([3.3, 0.0], True),
        ([0.0, -3.4], True),
    ],
)
def test_rules(scores: list[float], found: bool) -> None:
    """Alternating readings before and after set centre and spread; the scores stand among them."""
    base = np.tile([0.564, -0.564], 60)  # moving range 1.128
    assert bool(chart_of([*base, *scores, *base]).signals) == found


def test_a_slow_drift_shows_though_it_widens_the_overall_spread() -> None:
    rng = np.random.default_rng(1)
    hours = 12 * np.exp(0.03 * np.arange(30) + 0.08 * rng.standard_normal(30))
    chart = chart_of(hours, log=True)
    assert chart.signals
    assert chart.sd < 0.6 * np.log(hours).std(ddof=1)


def test_logs_make_it_a_matter_of_ratios() -> None:
    chart, doubled = chart_of(STEADY, log=True), chart_of(2 * np.array(STEADY), log=True)
    assert chart.sd == pytest.approx(doubled.sd)
    assert doubled.high == pytest.approx(2 * chart.high)
    assert chart.high / chart.centre == pytest.approx(chart.centre / chart.low)


@pytest.mark.parametrize(
    ("values", "log", "words"),
    [(STEADY[:5], False, "too few"), ([10.0] * 12, False, "never differ"), ([], False, "too few")],
)
def test_refusals(values: list[float], log: bool, words: str) -> None:
    with pytest.raises(CannotAnswer, match=words):
        chart_of(values, log=log)


@given(st.lists(st.floats(-50, 50), min_size=8, max_size=40), st.floats(0.1, 9), st.floats(-90, 90))
def test_the_unit_does_not_matter(values: list[float], scale: float, shift: float) -> None:
    assume(np.mean(np.abs(np.diff(values))) > 1e-3)
    one, two = chart_of(values), chart_of(np.array(values) * scale + shift)
    assert two.centre == pytest.approx(one.centre * scale + shift, abs=1e-6)
    assert two.high - two.low == pytest.approx((one.high - one.low) * scale, rel=1e-6)


def test_false_alarms_of_a_short_series() -> None:
    """Twelve steady batches: how often the rules cry wolf (stated in docs/methods/season.md)."""
    rng = np.random.default_rng(8)
    alarms = np.mean([bool(chart_of(rng.standard_normal(12)).signals) for _ in range(600)])
    # 6.8 % in 8,000 series of another seed; four standard errors of 600
    assert alarms == pytest.approx(0.068, abs=4 * np.sqrt(0.068 * 0.932 / 600))
