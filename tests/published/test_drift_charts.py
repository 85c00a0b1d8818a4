"""The drift chart against published charts and tables."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from fizzlab.drift import D2, D4, drift_chart

# NIST/SEMATECH e-Handbook of Statistical Methods, section 6.3.2.2 (Individuals control charts): flow rates
# of ten batches, mean moving range 1.8778, centre 50.81, limits 55.8041 and 45.8159. Seen as quoted, always
# alike, in the test suites of several public control chart libraries.
FLOW = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]


def test_flow_rates() -> None:
    chart = drift_chart(FLOW, rules=["beyond"])
    assert chart.centre == pytest.approx(50.81, abs=1e-9)
    assert chart.range_centre == pytest.approx(1.8778, abs=5e-5)
    assert chart.high == pytest.approx(55.8041, abs=5e-5)
    assert chart.low == pytest.approx(45.8159, abs=5e-5)
    assert chart.steady  # "the process is in control"


def test_constants_are_those_of_the_printed_tables() -> None:
    # table of control chart constants, n = 2, copyright ASTM, as reprinted in A. M. Joglekar, Statistical
    # Methods for Six Sigma (2003), appendix G: d2 1.128, d3 0.8525, D4 3.267
    assert (D2, D4) == (1.128, 3.267)
    # and they are what the normal distribution gives: E|x1 - x2| = 2/sqrt(pi), D4 = 1 + 3 d3/d2
    d2 = 2 / np.sqrt(np.pi)
    d3 = np.sqrt(2 - d2**2)
    assert pytest.approx(d2, abs=5e-4) == D2
    assert d3 == pytest.approx(0.8525, abs=5e-5)
    assert pytest.approx(1 + 3 * d3 / d2, abs=5e-4) == D4


def test_lone_readings_beyond_three_sd_are_as_rare_as_the_normal_distribution_says() -> None:
    rng = np.random.default_rng(3)
    values = rng.standard_normal(400_000)
    chart = drift_chart(values, rules=["beyond"])
    seen = (chart.table["signals"] != "").mean()
    expected = 2 * stats.norm.sf(3)
    assert abs(seen - expected) < 4 * np.sqrt(expected / len(values))
