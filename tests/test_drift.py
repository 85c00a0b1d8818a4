"""Drift charts: what they find, what they leave alone, and what they refuse."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from fizzlab.errors import CannotAnswer
from fizzlab.models.drift import RULES, drift_chart

STEADY = [10.0, 11.0, 9.5, 10.5, 9.0, 10.2, 11.1, 9.7, 10.3, 9.9]


def test_a_far_reading_is_found_and_named() -> None:
    chart = drift_chart([*STEADY, 18.0], labels=[f"B{i}" for i in range(11)], baseline=10)
    first = chart.signals[0]
    assert {signal.rule for signal in chart.signals} == {"beyond", "jump"}
    assert (first.label, chart.steady) == ("B10", False)
    assert "B10" in str(chart)


def test_later_readings_do_not_move_the_limits() -> None:
    one, two = drift_chart(STEADY), drift_chart([*STEADY, 18.0, 3.0], baseline=10)
    assert (one.low, one.centre, one.high) == (two.low, two.centre, two.high)


@pytest.mark.parametrize(
    ("rule", "scores", "label"),
    [
        ("two of three", [0, 0, 2.5, 0, 2.1, 0], 5),
        ("two of three", [0, 2.5, -2.5, 0, 0, -2.2], None),
        ("four of five", [0, 1.1, 1.2, 0, 1.3, 1.4, 0], 6),
        ("four of five", [0, 1.1, 1.2, 0, 0, 1.3, 1.4], None),
        ("eight on one side", [-0.1, *[0.5] * 8], 9),
        ("eight on one side", [-0.1, *[0.5] * 7, -0.2], None),
        ("six one way", [0.5, -1, -0.6, -0.2, 0.1, 0.4, 0.8, 0.2], 7),
        ("six one way", [-1, -0.6, -0.2, 0.1, 0.4, 0.3], None),
        ("six one way", [1, 0.6, 0.2, -0.1, -0.4, -0.5, 0], 6),
    ],
)
def test_rules(rule: str, scores: list[float], label: int | None) -> None:
    """A baseline of alternating readings sets centre 0 and sd 1; the scores follow it."""
    base = np.tile([0.564, -0.564], 10)  # moving range 1.128
    chart = drift_chart([*base, *scores], baseline=20, rules=[rule])  # type: ignore[list-item]
    assert chart.sd == pytest.approx(1.0)
    found = [signal.label for signal in chart.signals if signal.label > 20]  # type: ignore[operator]
    assert found == ([] if label is None else [20 + label])


def test_a_slow_drift_shows_though_it_widens_the_overall_spread() -> None:
    rng = np.random.default_rng(1)
    hours = 12 * np.exp(0.03 * np.arange(30) + 0.08 * rng.standard_normal(30))
    chart = drift_chart(hours, log=True)
    assert not chart.steady
    assert chart.sd < 0.6 * np.log(hours).std(ddof=1)


def test_logs_make_it_a_matter_of_ratios() -> None:
    chart, doubled = drift_chart(STEADY, log=True), drift_chart(2 * np.array(STEADY), log=True)
    assert chart.sd == pytest.approx(doubled.sd)
    assert doubled.high == pytest.approx(2 * chart.high)
    assert chart.high / chart.centre == pytest.approx(chart.centre / chart.low)


def test_a_gap_breaks_the_chain() -> None:
    values = [*STEADY[:5], np.nan, *STEADY[5:]]
    chart = drift_chart(values)
    assert chart.table["moving_range"].isna().sum() == 3
    assert chart.centre == pytest.approx(np.mean(STEADY))
    run = drift_chart([*STEADY, *[11.0] * 4, np.nan, *[11.0] * 4], baseline=10, rules=["eight on one side"])
    assert run.steady


def test_series_brings_its_labels() -> None:
    chart = drift_chart(pd.Series(STEADY, index=list("abcdefghij")))
    assert chart.table["label"].tolist() == list("abcdefghij")


@pytest.mark.parametrize(
    ("values", "log", "words"),
    [
        (STEADY[:5], False, "too few"),
        ([10.0] * 12, False, "never differ"),
        ([*STEADY, 0.0], True, "logarithm"),
        ([], False, "too few"),
    ],
)
def test_refusals(values: list[float], log: bool, words: str) -> None:
    with pytest.raises(CannotAnswer, match=words):
        drift_chart(values, log=log)


def test_mistakes() -> None:
    with pytest.raises(ValueError, match="no rule"):
        drift_chart(STEADY, rules=["nine"])  # type: ignore[list-item]
    with pytest.raises(ValueError, match="label"):
        drift_chart(STEADY, labels=["a"])
    with pytest.raises(ValueError, match="baseline"):
        drift_chart(STEADY, baseline=99)


@given(st.lists(st.floats(-50, 50), min_size=8, max_size=40), st.floats(0.1, 9), st.floats(-90, 90))
def test_the_unit_does_not_matter(values: list[float], scale: float, shift: float) -> None:
    assume(np.mean(np.abs(np.diff(values))) > 1e-3)
    rules = list(RULES)
    one = drift_chart(values, rules=rules)
    two = drift_chart(np.array(values) * scale + shift, rules=rules)
    assert np.allclose(one.table["score"], two.table["score"], atol=1e-6)
    upside = drift_chart(-np.array(values), rules=rules)
    assert np.allclose(one.table["score"], -upside.table["score"], atol=1e-9)


def test_false_alarms_of_a_short_series() -> None:
    """Twelve steady batches: how often the standard rules cry wolf (stated in docs/methods/season.md)."""
    rng = np.random.default_rng(8)
    alarms = np.mean([not drift_chart(rng.standard_normal(12)).steady for _ in range(600)])
    # 6.8 % in 8,000 series of another seed; four standard errors of 600
    assert alarms == pytest.approx(0.068, abs=4 * np.sqrt(0.068 * 0.932 / 600))
