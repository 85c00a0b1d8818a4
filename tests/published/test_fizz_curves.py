"""Fizz curves, gas and storage against certified values, published tables, R, lmfit and chemistry."""

from __future__ import annotations

import lmfit
import numpy as np
import pandas as pd
import pytest
from outside import Source, agrees, holds, inside, same

from fizzlab.models.curves import CurveFit, CurveModel, fit_curve
from fizzlab.models.gas import Shape, fit_gas_curve, gas_model, share_out, share_reached
from fizzlab.models.shelf import fit_shelf_life
from fizzlab.models.water import soluble_g
from fizzlab.recipe.chemistry import react


def fit_released(shape: Shape, x: list[float], y: list[float] | np.ndarray) -> CurveFit:
    """Fit what has left, with a start mass of nought: the curve falls, so the readings are turned round."""
    whole = gas_model(shape)
    part = CurveModel(
        shape,
        whole.parameters[1:],
        lambda t, p: whole.f(t, [0.0, *p]),
        lambda t, p: whole.jacobian(t, [0.0, *p])[1:],
    )
    seconds, mass = np.asarray(x, float), -np.asarray(y, float)
    start = whole.starts(np.r_[0.0, seconds], np.r_[0.0, mass])  # type: ignore[misc]
    return fit_curve(part, seconds, mass, start=np.asarray(start)[:, 1:])


# NIST StRD, non-linear regression, data sets Misra1a and BoxBOD: y = b1 (1 - exp(-b2 x)), which is first
# order with b1 the gas and b2 = log(2)/t50. Readings, certified values and standard deviations as quoted in
# the test suites of open numerical libraries, that of GSL among them.
MISRA_X = [77.6, 114.9, 141.1, 190.8, 239.9, 289.0, 332.8, 378.4, 434.8, 477.3, 536.8, 593.1, 689.1, 760.0]
MISRA_Y = [10.07, 14.73, 17.94, 23.93, 29.61, 35.18, 40.02, 44.82, 50.76, 55.05, 61.01, 66.40, 75.47, 81.78]
BOX_X = [1, 2, 3, 5, 7, 10]
BOX_Y = [109, 149, 149, 191, 213, 224]


NIST = Source(
    "certified",
    "NIST StRD, non-linear regression, data sets Misra1a and BoxBOD",
    "readings, certified values and standard deviations as quoted in the test suites of open numerical "
    "libraries, that of GSL among them",
)


@pytest.mark.parametrize(
    ("x", "y", "b1", "sd1", "b2", "sd2", "rss"),
    [
        (MISRA_X, MISRA_Y, 238.94212918, 2.7070075241, 5.5015643181e-4, 7.2668688436e-6, 0.12455138894),
        (BOX_X, BOX_Y, 213.80940889, 12.354515176, 0.54723748542, 0.10455993237, 1168.0088766),
    ],
    ids=["Misra1a", "BoxBOD"],
)
def test_first_order_against_nist(
    x: list[float], y: list[float], b1: float, sd1: float, b2: float, sd2: float, rss: float
) -> None:
    fit = fit_released("first order", x, y)
    agrees(f"b1 of readings up to {max(y)}", fit["gas_g"], b1, NIST, rel=1e-7)
    agrees(f"b2 of readings up to {max(y)}", np.log(2) / fit["t50_s"], b2, NIST, rel=1e-7)
    agrees(f"standard deviation of b1, readings up to {max(y)}", fit.errors[0], sd1, NIST, rel=1e-6)
    agrees(
        f"relative standard deviation of b2, readings up to {max(y)}",
        fit.errors[1] / fit["t50_s"],
        sd2 / b2,
        NIST,
        rel=1e-6,
    )
    agrees(f"residual sum of squares, readings up to {max(y)}", fit.rss, rss, NIST, rel=1e-8)


# Per cent dissolved of six tablets of the test batch: data set `dip1` of the R package disprofas, from
# Y. Tsong, T. Hammerstrom, P. Sathe and V. P. Shah, Drug Inf. J. 30 (1996) 1105, table 1, as that package
# says.
MINUTES = [5.0, 10.0, 15.0, 20.0, 30.0, 60.0, 90.0, 120.0]
TABLETS = [
    [19.99, 36.70, 47.77, 55.08, 65.69, 81.37, 92.39, 97.10],
    [22.08, 39.29, 49.46, 56.79, 67.22, 82.42, 89.93, 95.62],
    [21.93, 38.54, 47.76, 55.14, 65.25, 83.49, 90.19, 95.62],
    [22.44, 39.46, 49.72, 58.67, 69.21, 84.93, 94.12, 95.51],
    [25.67, 42.35, 52.68, 59.71, 71.51, 86.61, 93.80, 96.70],
    [26.37, 41.34, 51.01, 57.75, 69.44, 85.90, 94.45, 98.07],
]


TSONG = Source(
    "program",
    "R 4.2.2: means of six dissolving tablets, disprofas's dip1 (Tsong and others, Drug Inf. J. 30, 1996, "
    "1105, table 1)",
    "the data in that package; the values run for this check",
    how="tests/published/r/gas.R",
)


@pytest.mark.parametrize(
    ("shape", "values", "errors", "rss"),
    [
        ("first order", [92.9326378, 14.1138438], [2.216740574, 0.963457754], 66.1328701),
        ("cube root", [90.3868708, 14.0602905], [3.16419908, 1.28792689], 177.143778),
        ("weibull", [98.892817, 15.3293497, 0.776844819], [1.90713919, 0.69140123, 0.034187924], 7.61401524),
    ],
)
def test_dissolution_table_against_r(
    shape: Shape, values: list[float], errors: list[float], rss: float
) -> None:
    fit = fit_released(shape, MINUTES, np.mean(TABLETS, axis=0))
    agrees(f"{shape}: parameters", fit.values, values, TSONG, rel=1e-5)
    agrees(f"{shape}: standard errors", fit.errors, errors, TSONG, rel=1e-4)
    agrees(f"{shape}: residual sum of squares", fit.rss, rss, TSONG, rel=1e-6)


def test_each_tablet_against_r() -> None:
    each = Source(
        "program", "R 4.2.2: each of the six tablets", "run for this check", how="tests/published/r/gas.R"
    )
    seen = [
        [100.2629527, 17.4643819, 0.786025784, 22.2382509],
        [96.9425732, 15.117069, 0.778195602, 16.3476488],
        [98.5851374, 16.3637699, 0.771784713, 8.75701568],
        [97.2970982, 14.6370672, 0.826973433, 9.72370059],
        [98.4666202, 13.5358477, 0.778129065, 4.12747421],
        [102.920249, 15.5334956, 0.722300445, 1.82101871],
    ]
    for number, (tablet, expected) in enumerate(zip(TABLETS, seen, strict=True), start=1):
        fit = fit_released("weibull", MINUTES, tablet)
        agrees(f"tablet {number}: A, h, b and residual sum", [*fit.values, fit.rss], expected, each, rel=1e-5)


def test_weibull_with_a_start_against_r() -> None:
    chick = Source(
        "program",
        "R 4.2.2: growth of a chick, ChickWeight",
        "run for this check",
        how="tests/published/r/gas.R",
    )
    days = np.array([2, 4, 6, 8, 10, 12, 14, 16, 18, 20, 21], float)
    weight = np.array([49, 59, 74, 97, 124, 141, 148, 155, 160, 160, 157], float)
    fit = fit_curve(gas_model("weibull"), days, -weight)
    agrees(
        "gas, half time and bend",
        fit.values,
        [-47.5041336, 110.9970574, 8.38511771, 2.64614264],
        chick,
        rel=1e-5,
    )
    agrees("residual sum of squares", fit.rss, 29.7202323, chick, rel=1e-7)
    agrees("standard error of the bend", fit.errors[3], 0.161291089, chick, rel=1e-4)


LMFIT = Source("invented", "lmfit: a made-up fizz curve", "worked out at every run", live=True)


def test_same_minimum_as_lmfit() -> None:
    rng = np.random.default_rng(77)
    seconds = np.arange(0.0, 301.0, 10.0)
    mass = 400 - 9 * share_out("weibull", seconds, 35.0, 1.3) - 0.001 * seconds
    mass = mass + rng.normal(0, 0.05, len(seconds))

    def weibull(t: np.ndarray, m0: float, a: float, k: float, b: float, d: float) -> np.ndarray:
        return m0 - a * (1 - np.exp(-((k * np.maximum(t, 1e-9)) ** b))) - d * t

    model = lmfit.Model(weibull)
    start = model.make_params(m0=400, a=8, k=0.02, b=1.0, d=0.0)
    start["k"].min, start["b"].min = 1e-6, 0.1
    other = model.fit(mass, start, t=seconds, fit_kws={"xtol": 1e-12, "ftol": 1e-12, "gtol": 1e-12})
    fit = fit_curve(gas_model("weibull", drift=True), seconds, mass)
    agrees("residual sum of squares", fit.rss, other.chisqr, LMFIT, rel=1e-8)
    agrees("gas, g", fit["gas_g"], other.params["a"].value, LMFIT, rel=1e-5)
    agrees("standard error of the gas", fit.errors[1], other.params["a"].stderr, LMFIT, rel=1e-3)
    agrees("drift, g/s", fit["drift_g_s"], other.params["d"].value, LMFIT, rel=1e-4)


def test_complete_reaction_is_a_full_share() -> None:
    stoichiometry = Source("theory", "3 NaHCO3 + C6H8O7 with 84.006 and 44.009 g/mol", "worked by hand")
    theory = react(10.0, {"citric acid": 10.0}).co2_g
    agrees("gas of 10 g of soda with enough acid, g", theory, 10 / 84.006 * 44.009, stoichiometry, rel=1e-4)
    pieces = pd.DataFrame({"run": ["A", "B"], "water_c": 38.0, "gas_g": theory - soluble_g(0.4, 38.0)})
    agrees("share reached", share_reached(pieces, theory, water_l=0.4)["share"]["A"], 1.0, stoichiometry)


def test_dissolved_gas_at_three_temperatures() -> None:
    sander = Source(
        "standard",
        "R. Sander, Compilation of Henry's law constants, carbon dioxide: reviews from 3.3e-4 to 3.4e-4 "
        "mol/(m³ Pa) at 298.15 K and from 2300 to 2400 K for its change with temperature",
        "there (henrys-law.org)",
    )
    for at in (25.0, 38.0, 42.0):
        pieces = pd.DataFrame({"run": ["A", "B"], "water_c": at, "gas_g": 5.0})
        found = share_reached(pieces, 10.0, water_l=1.0)["dissolved_g"]["A"]
        turn = 1 / (at + 273.15) - 1 / 298.15
        reviews = [
            h * np.exp(k * turn) * 101325 * 44.009 / 1000 for h in (3.3e-4, 3.4e-4) for k in (2300, 2400)
        ]
        low, high = min(reviews) * 0.999, max(reviews) * 1.001
        inside(f"gas dissolved in a litre at {at:g} °C, g", found, low, high, sander)


# Potency in per cent of the label, by month: data set `exp1` of the R package expirest, from D. LeBlond,
# D. Griffith and K. Aubuchon, J. Valid. Technol. 17(3) (2011) 47, tables IV, VI and VIII, as that package
# says.
POTENCY = {
    "b2": ([0, 1, 3, 3, 6, 6, 12, 12, 24, 24], [101, 101.3, 99.8, 99.2, 99.5, 97.8, 97.4, 97.2, 96.9, 96]),
    "b3": ([0, 3, 3, 6, 6, 12, 12, 24, 24], [104.8, 103, 101.2, 100.8, 99.2, 98.6, 97.2, 97.6, 98]),
    "b4": ([0, 3, 6, 6, 12, 12, 24, 24], [104, 103.2, 102.8, 103.3, 102.4, 101.2, 99.1, 99.5]),
    "b5": (
        [0, 1, 2, 3, 3, 6, 6, 12, 12, 24, 24],
        [102, 101.4, 100.8, 100.2, 99.7, 98.8, 98.5, 98, 97.1, 96.6, 96.1],
    ),
    "b7": ([0, 1, 3, 3, 6, 6, 12, 12, 24, 24], [101.3, 101.5, 100.2, 99.8, 99, 98.5, 98.5, 97.4, 96.6, 96.4]),
    "b8": ([0, 3, 6, 12, 12], [101.6, 100, 99, 97.8, 97]),
}


def test_storage_loss_against_r() -> None:
    r = Source(
        "program",
        "R 4.2.2: potency of six batches by month, expirest's exp1 (LeBlond and others, J. Valid. Technol. "
        "17(3), 2011, 47)",
        "the data in that package; the values run for this check",
        how="tests/published/r/gas.R",
    )
    shelf = pd.concat(
        [
            pd.DataFrame({"run": run, "weeks": months, "gas_g": potency})
            for run, (months, potency) in POTENCY.items()
        ]
    )
    rate = fit_shelf_life(shelf, share=0.95).table.iloc[0]
    agrees("loss a month", rate["per_week"], 0.00224031892, r, rel=1e-6)
    agrees(
        "95 % interval", (rate["conf_low"], rate["conf_high"]), (0.00165066165, 0.00282997619), r, rel=1e-6
    )
    same("degrees of freedom", round(rate["df"], 9), 5, r)
    agrees("months to 95 %", rate["weeks"], -np.log(0.95) / 0.00224031892, r)
    agrees(
        "their interval",
        (rate["weeks_low"], rate["weeks_high"]),
        (-np.log(0.95) / 0.00282997619, -np.log(0.95) / 0.00165066165),
        r,
    )
    # these drugs lose more at first than later, which the paper's first tables show: the bend is seen
    assert rate["bend_p"] < 0.05


def test_a_published_release_seen_through_a_kitchen_scale() -> None:
    # the first tablet's release as 10 g of gas on a 0.1 g scale: R's Weibull estimates for it (above, 17.46
    # min and 100.26 %) must lie within our intervals
    released = np.concatenate([[0.0], TABLETS[0]]) / 10
    curve = pd.DataFrame({"seconds": [0.0, *MINUTES], "mass_g": np.round(400.0 - released, 1)})
    fit = fit_gas_curve(curve, shapes=["weibull"])
    assert not fit.drift_seen
    gas, t50 = (fit.estimates.loc[name] for name in ("gas_g", "t50_s"))
    scale = Source(
        "program",
        "R 4.2.2: the first tablet, as 10 g of gas on a 0.1 g scale",
        "run for the check above",
        how="tests/published/r/gas.R",
    )
    holds(
        "half time, min",
        "17.46 in the interval",
        t50.conf_low < 17.46 < t50.conf_high,
        scale,
        f"{t50.conf_low:.1f} to {t50.conf_high:.1f}",
    )
    holds(
        "gas, g",
        "10.026 in the interval",
        gas.conf_low < 10.026 < gas.conf_high,
        scale,
        f"{gas.conf_low:.2f} to {gas.conf_high:.2f}",
    )
