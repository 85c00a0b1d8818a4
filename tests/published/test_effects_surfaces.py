"""Central composites and a mixture against published analyses."""

from __future__ import annotations

from itertools import product

import numpy as np
import pandas as pd
from outside import Source, agrees

from fizzlab.models.effects import ResponseFit, fit_response
from fizzlab.models.surfaces import bend, best, fit_mixture
from fizzlab.models.terms import Amount

RSM = Source(
    "publication",
    'R. V. Lenth, "Response-Surface Methods in R, Using rsm" (J. Statist. Software, 2009): Myers, '
    "Montgomery, Anderson-Cook, Table 7.6, and rsm's paper helicopters (Box, Hunter, Hunter, Table 12.5)",
    "the article as updated in the package rsm on CRAN, which prints data and summaries",
)
CHEMICAL = pd.DataFrame(
    {
        "time": [80, 80, 90, 90, 85, 85, 85, 85, 85, 85, 92.07, 77.93, 85, 85],
        "temp": [170, 180, 170, 180, 175, 175, 175, 175, 175, 175, 175, 175, 182.07, 167.93],
        "day": ["B1"] * 7 + ["B2"] * 7,
        "yield": [80.5, 81.5, 82, 83.5, 83.9, 84.3, 84, 79.7, 79.8, 79.5, 78.4, 75.6, 78.5, 77],
    }
)
CHEMICAL_FACTORS = [Amount("time", "min"), Amount("temp", "°F")]


def test_first_order_and_its_bend() -> None:
    # the same article: CR1.rsm <- rsm(Yield ~ FO(x1, x2), data = CR1), first block only
    first = CHEMICAL.iloc[:7]
    found = fit_response(first, "yield", CHEMICAL_FACTORS, log=False)
    agrees(
        "chemical process, first order: coefficients",
        found.coefficients["estimate"].tolist(),
        [82.81429, 0.87500, 0.62500],
        RSM,
        abs=6e-6,
    )
    agrees(
        "chemical process, first order: standard errors",
        found.coefficients["se"].tolist(),
        [0.54719, 0.72386, 0.72386],
        RSM,
        abs=6e-6,
    )
    hand = Source(
        "theory", "centre less corners: (83.9 + 84.3 + 84)/3 - (80.5 + 81.5 + 82 + 83.5)/4", "worked by hand"
    )
    agrees("centre less corners", bend(found)["estimate"], 84.0666667 - 81.875, hand)


def coded(fit: ResponseFit, name: str, unit: float) -> pd.Series:
    """A coefficient for the published coding, whose unit is a share of half the range tried."""
    row = fit.coefficients.loc[name].copy()
    row[["estimate", "se"]] *= unit ** (2 if name.endswith("^2") or ":" in name else 1)
    return row


def test_second_order_in_two_blocks() -> None:
    # the same article: CR2.rsm <- rsm(Yield ~ Block + SO(x1, x2), data = CR2)
    found = fit_response(CHEMICAL, "yield", CHEMICAL_FACTORS, model="quadratic", days="fixed", log=False)
    printed = {
        "time": (0.932541, 0.057699, 16.162),
        "temp": (0.577712, 0.057699, 10.012),
        "time:temp": (0.125000, 0.081592, 1.532),
        "time^2": (-1.308555, 0.060064, -21.786),
        "temp^2": (-0.933442, 0.060064, -15.541),
    }
    for name, (estimate, se, t) in printed.items():
        row = coded(found, name, 5 / 7.07)
        agrees(
            f"chemical process, second order, {name}: estimate and standard error",
            (row["estimate"], row["se"]),
            (estimate, se),
            RSM,
            abs=6e-7,
        )
        agrees(f"chemical process, second order, {name}: t", row["t"], t, RSM, abs=6e-4)
        agrees(f"chemical process, second order, {name}: degrees of freedom", row["df"], 7, RSM)
    # Block2 is printed as the second block less the first: minus twice our first block's coefficient
    agrees(
        "chemical process, second order: second block",
        -2 * found.coefficients.loc["day 1", "estimate"],
        -4.457530,
        RSM,
        abs=6e-7,
    )
    top = best(found)
    agrees(
        "chemical process, top, min and °F", list(top.point.values()), [86.86148, 176.67190], RSM, abs=6e-6
    )
    assert top.greatest
    assert top.inside


# Paper helicopters (G. E. P. Box, J. S. Hunter, W. G. Hunter, Statistics for Experimenters, 2nd ed., Table
# 12.5) as in R's rsm::heli, coded: x1 is A, x2 R, x3 W, x4 L
HELI = [
    367, 369, 374, 370, 372, 355, 397, 377, 350, 373, 358, 363, 344, 355, 370, 362, 377, 375, 361,
    364, 355, 373, 361, 360, 380, 360, 370, 368, 369, 366,
]  # fmt: skip


def test_helicopters() -> None:
    # the same article: rsm(ave ~ block + SO(x1, x2, x3, x4), data = heli)
    cube = [corner[::-1] for corner in product((-1, 1), repeat=4)]
    star = [tuple(sign * 2 * (i == j) for j in range(4)) for i in range(4) for sign in (-1, 1)]
    rows = [*cube, (0,) * 4, (0,) * 4, *star, *[(0,) * 4] * 4]
    names = ["x1", "x2", "x3", "x4"]
    table = pd.DataFrame(rows, columns=names, dtype=float)
    table["day"], table["ave"] = ["1"] * 18 + ["2"] * 12, HELI
    found = fit_response(table, "ave", [Amount(n) for n in names], model="quadratic", days="fixed", log=False)
    printed = {
        "x1": (-0.083333, 0.636560),
        "x4": (-6.083333, 0.636560),
        "x1:x2": (-2.875, 0.779623),
        "x3:x4": (-2.125, 0.779623),
        "x3^2": (-2.5375, 0.603894),
        "x4^2": (-0.1625, 0.603894),
    }
    for name, (estimate, se) in printed.items():
        agrees(
            f"helicopters, {name}: estimate and standard error",
            coded(found, name, 1 / 2)[["estimate", "se"]].tolist(),
            [estimate, se],
            RSM,
            abs=6e-7,
        )


def test_yarn_mixture() -> None:
    r = Source(
        "program",
        "R 4.2.2: J. A. Cornell's yarn elongation",
        "the data as printed in the help page of R's mixexp (ModelPlot); the values run for this check",
        how="tests/published/r/mixture.R",
    )
    mixes = pd.DataFrame(
        {
            "x1": [1, 1, 0.5, 0.5, 0.5, 0, 0, 0, 0, 0, 0, 0, 0.5, 0.5, 0.5],
            "x2": [0, 0, 0.5, 0.5, 0.5, 1, 1, 0.5, 0.5, 0.5, 0, 0, 0, 0, 0],
            "x3": [0, 0, 0, 0, 0, 0, 0, 0.5, 0.5, 0.5, 1, 1, 0.5, 0.5, 0.5],
            "y": [11, 12.4, 15, 14.8, 16.1, 8.8, 10, 10, 9.7, 11.8, 16.8, 16, 17.7, 16.4, 16.6],
        }
    )
    parts = [Amount("x1"), Amount("x2"), Amount("x3")]
    found = fit_mixture(mixes, "y", parts, log=False)
    table = found.coefficients
    agrees("coefficients", table["estimate"].tolist(), [11.7, 9.4, 16.4, 19.0, 11.4, -9.6], r)
    agrees("standard errors", table["se"].tolist(), [0.603692343] * 3 + [2.608249022] * 3, r, rel=1e-8)
    agrees(
        "p of the blends", table["p_value"].iloc[3:].tolist(), [4.6407e-05, 0.0017951, 0.0050705], r, rel=2e-5
    )
    agrees("F of x1:x2", found.tests.loc["x1:x2", "F"], 53.0651132, r, rel=1e-8)
    # grams instead of shares are the same mixture
    grams = mixes.assign(**{name: 40 * mixes[name] for name in ("x1", "x2", "x3")})
    again = fit_mixture(grams, "y", parts, log=False)
    assert np.allclose(again.coefficients["estimate"], table["estimate"])
