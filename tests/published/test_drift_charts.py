"""The drift chart against published charts and tables."""

from __future__ import annotations

import numpy as np
from outside import Source, agrees, holds, same
from scipy import stats

from fizzlab.models.drift import D2, D4, drift_chart

NIST = Source(
    "standard",
    "NIST/SEMATECH e-Handbook of Statistical Methods, section 6.3.2.2: flow rates of ten batches",
    "as quoted, always alike, in the test suites of several public control chart libraries",
)
FLOW = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]


def test_flow_rates() -> None:
    chart = drift_chart(FLOW, range(1, 11))
    agrees("centre", chart.centre, 50.81, NIST, abs=1e-9)
    agrees("mean moving range", chart.table["moving_range"].mean(), 1.8778, NIST, abs=5e-5)
    agrees("upper limit", chart.high, 55.8041, NIST, abs=5e-5)
    agrees("lower limit", chart.low, 45.8159, NIST, abs=5e-5)
    holds("verdict", '"the process is in control"', not chart.signals, NIST)


def test_constants_are_those_of_the_printed_tables() -> None:
    table = Source(
        "standard",
        "table of control chart constants, n = 2, copyright ASTM",
        "as reprinted in A. M. Joglekar, Statistical Methods for Six Sigma (2003), appendix G",
    )
    same("d2, D4", (D2, D4), (1.128, 3.267), table)
    normal = Source(
        "theory", "the normal distribution: E|x1 - x2| = 2/√π, D4 = 1 + 3 d3/d2", "worked out at every run"
    )
    d2 = 2 / np.sqrt(np.pi)
    d3 = np.sqrt(2 - d2**2)
    agrees("d2", D2, d2, normal, abs=5e-4)
    agrees("D4", D4, 1 + 3 * d3 / d2, normal, abs=5e-4)


def test_lone_readings_beyond_three_sd_are_as_rare_as_the_normal_distribution_says() -> None:
    rng = np.random.default_rng(3)
    values = rng.standard_normal(400_000)
    chart = drift_chart(values, range(len(values)))
    seen = chart.table["signals"].str.contains("beyond").mean()
    expected = 2 * stats.norm.sf(3)
    law = Source("theory", "normal distribution, beyond three standard deviations", "worked out at every run")
    agrees(
        "share of 400,000 steady readings that signal",
        seen,
        expected,
        law,
        abs=4 * np.sqrt(expected / len(values)),
    )
