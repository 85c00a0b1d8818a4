"""Desirability, confirmation and chances against published examples and R."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from outside import Source, agrees
from scipy.optimize import differential_evolution

from fizzlab.models.choose import Limit, Wish, choose, overall, simulate
from fizzlab.models.effects import ResponseFit, fit_response
from fizzlab.models.terms import Amount, Category


def numbers(text: str) -> list[float]:
    return [float(word) for word in text.split()]


TYRE = Source(
    "publication",
    "G. Derringer, R. Suich, J. Quality Technology 12 (1980) 214-219: a tire tread compound",
    "data, wishes and optimum as printed in the vignette of the R package qualityTools on CRAN (section "
    '5.8), which says that it is "the same factor settings as stated in Derringer and Suich" with an overall '
    "desirability of 0.58; the article itself was not seen",
)
TYRES = pd.DataFrame(
    {
        "run": [f"R{i:02d}" for i in range(1, 21)],
        "silica": [-1, 1] * 4 + [-1.633, 1.633] + [0] * 10,
        "silane": [-1, -1, 1, 1] * 2 + [0, 0, -1.633, 1.633] + [0] * 8,
        "sulfur": [1, -1, -1, 1, -1, 1, 1, -1] + [0] * 4 + [-1.633, 1.633] + [0] * 6,
        "abrasion": numbers("102 120 117 198 103 132 132 139 102 154 96 163 116 153 133 133 140 142 145 142"),
        "modulus": numbers(
            "900 860 800 2294 490 1289 1270 1090 770 1690 700 1540 2184 1784 1300 1300 1145 1090 1260 1344"
        ),
        "elongation": numbers(
            "470 410 570 240 640 270 410 380 590 260 520 380 520 290 380 380 430 430 390 390"
        ),
        "hardness": numbers("67.5 65 77.5 74.5 62.5 67 78 70 76 70 63 75 65 71 70 68.5 68 68 69 70"),
    }
)
FACTORS = ("silica", "silane", "sulfur")
WISHES = (
    Wish("abrasion", "more", best=170, worst=120),
    Wish("modulus", "more", best=1300, worst=1000),
    Wish("elongation", "near", best=500, worst=(400, 600)),
    Wish("hardness", "near", best=67.5, worst=(60, 75)),
)


@pytest.fixture(scope="module")
def tyres() -> list[ResponseFit]:
    factors = [Amount(name) for name in FACTORS]
    return [fit_response(TYRES, wish.response, factors, model="quadratic", log=False) for wish in WISHES]


def at(tyres: list[ResponseFit], points: np.ndarray) -> dict[str, np.ndarray]:
    """Fitted values at points, a column each; all four fits have the same columns."""
    weights = tyres[0].weights(pd.DataFrame(dict(zip(FACTORS, points, strict=True))))
    return {fit.response: weights @ fit.fits.beta[0] for fit in tyres}


def test_tyre_tread_at_the_printed_optimum(tyres: list[ResponseFit]) -> None:
    values = at(tyres, np.array([[-0.0533], [0.144], [-0.872]]))
    printed = {"abrasion": 129.333, "modulus": 1300, "elongation": 466.397, "hardness": 67.997}
    for name, value in printed.items():
        # the setting is printed to three figures; a step of its last one moves modulus by about 1
        agrees(f"{name} at the printed optimum", values[name][0], value, TYRE, rel=1e-3)
    granted = [float(wish.granted(values[wish.response])[0]) for wish in WISHES]
    agrees("desirability of each of four wishes", granted, [0.187, 1, 0.664, 0.934], TYRE, abs=1e-3)
    agrees("overall desirability", overall(WISHES, values)[0], 0.583, TYRE, abs=5e-4)


def test_tyre_tread_optimum_found(tyres: list[ResponseFit]) -> None:
    """The search runs to its end: the overall desirability is flat there, and any seed ends at one point."""
    found = differential_evolution(
        lambda points: -overall(WISHES, at(tyres, points)),
        [(-1.633, 1.633)] * 3,
        seed=1,
        tol=1e-7,
        vectorized=True,
        updating="deferred",
    )
    assert found.success
    assert found.x == pytest.approx([-0.0525, 0.1481, -0.8684], abs=5e-4)  # as any other seed finds
    agrees("overall desirability at the optimum found", -found.fun, 0.583, TYRE, abs=5e-4)
    # their search stopped at (-0.0533, 0.144, -0.872), printed to three figures
    agrees("the optimum found, coded", found.x, [-0.0533, 0.144, -0.872], TYRE, abs=0.01)


KUHN = Source(
    "publication",
    'M. Kuhn, "The desirability Package", after R. H. Myers, D. C. Montgomery, Response Surface Methodology '
    "(1995): a chemical process",
    "the vignette on CRAN (2016)",
)
CONVERSION = Wish("conversion", "more", best=97, worst=80)
ACTIVITY = Wish("activity", "near", best=57.5, worst=(55, 60))


def myers(time: float, temp: float, cat: float) -> dict[str, np.ndarray]:
    conversion = (
        81.09 + 1.0284 * time + 4.043 * temp + 6.2037 * cat
        - 1.8366 * time**2 + 2.9382 * temp**2 - 5.1915 * cat**2
        + 2.2150 * time * temp + 11.375 * time * cat - 3.875 * temp * cat
    )  # fmt: skip
    activity = (
        59.85 + 3.583 * time + 0.2546 * temp + 2.2298 * cat
        + 0.83479 * time**2 + 0.07484 * temp**2 + 0.05716 * cat**2
        - 0.3875 * time * temp - 0.375 * time * cat + 0.3125 * temp * cat
    )  # fmt: skip
    return {"conversion": np.array([conversion]), "activity": np.array([activity])}


def test_chemical_process_in_the_centre() -> None:
    values = myers(0, 0, 0)
    agrees(
        "conversion in the centre, desirability",
        CONVERSION.granted(values["conversion"])[0],
        0.06411765,
        KUHN,
        abs=5e-9,
    )
    agrees(
        "activity in the centre, desirability", ACTIVITY.granted(values["activity"])[0], 0.06, KUHN, abs=1e-9
    )


@pytest.mark.parametrize(
    ("point", "value", "conversion"),
    [
        ((-0.5117132, 1.6820000, -0.5863863), 0.9425094, 95.1),
        ((-0.5094851, 1.5034146, -0.5561415), 0.8581525, 92.52),
    ],
)
def test_chemical_process_at_the_printed_optima(
    point: tuple[float, float, float], value: float, conversion: float
) -> None:
    values = myers(*point)
    agrees(
        f"overall desirability, printed optimum of {value}",
        overall([CONVERSION, ACTIVITY], values)[0],
        value,
        KUHN,
        abs=2e-6,
    )
    agrees(f"conversion, printed optimum of {value}", values["conversion"][0], conversion, KUHN, abs=5e-2)
    agrees(f"activity, printed optimum of {value}", values["activity"][0], 57.5, KUHN, abs=5e-3)


LM = Source(
    "program",
    "R 4.2.2: abrasion of the tread compound at the printed optimum",
    "run for this check",
    how="tests/published/r/choose.R",
)
POINT = {"silica": -0.0533, "silane": 0.144, "sulfur": -0.872}


@pytest.mark.parametrize(
    ("batches", "low", "high"), [(1, 115.74790828, 142.91037107), (4, 121.13079279, 137.52748657)]
)
def test_confirmation_bounds(tyres: list[ResponseFit], batches: int, low: float, high: float) -> None:
    choice = choose(tyres[:1], pd.DataFrame([POINT]), limits=[Limit("abrasion", at_least=120)])
    told = choice.confirm(batches).loc["abrasion"]
    agrees(
        f"expected mean of {batches} new batches, with 95 % bounds",
        told[["estimate", "conf_low", "conf_high"]].tolist(),
        [129.32913968, low, high],
        LM,
        abs=1e-6,
    )


def test_chance_to_meet_a_limit(tyres: list[ResponseFit]) -> None:
    limits = [Limit("abrasion", at_least=120)]
    choice = choose(tyres[:1], pd.DataFrame([POINT]), limits=limits, draws=40_000)
    chance = 0.92155921
    error = np.sqrt(chance * (1 - chance) / 40_000)
    agrees("chance of at least 120, by 40,000 draws", choice.table["score"][0], chance, LM, abs=4 * error)


def test_two_groups_confirmed() -> None:
    groups = Source(
        "invented",
        "R 4.2.2: six made-up batches of two colours",
        "run for this check",
        how="tests/published/r/choose.R",
    )
    trial = pd.DataFrame({"colour": ["dye", "lake"] * 3, "hours": [4.0, 6.1, 4.4, 6.5, 4.2, 6.0]})
    found = fit_response(trial, "hours", [Category("colour", ("dye", "lake"), "dye")], log=False)
    choice = choose([found], limits=[Limit("hours", at_most=8)])
    told = choice.confirm(3, setting={"colour": "lake"}).loc["hours", ["conf_low", "conf_high"]].tolist()
    agrees("95 % bounds of the mean of three new batches", told, [5.66835124, 6.73164876], groups, abs=1e-7)


def test_errors_of_one_model_hang_together_as_the_information_says(tyres: list[ResponseFit]) -> None:
    law = Source(
        "theory",
        "covariance of a multivariate t: s² X(X'X)⁻¹X' df / (df - 2)",
        "worked out from the readings",
    )
    one = tyres[0]
    settings = TYRES[list(FACTORS)].iloc[[0, 8, 14]].reset_index(drop=True)
    drawn = simulate({"abrasion": one.forecast(settings)}, draws=40_000, seed=4)
    a, b, c = (TYRES[name].to_numpy(float) for name in FACTORS)
    design = np.column_stack([np.ones(20), a, b, c, a * b, a * c, b * c, a**2, b**2, c**2])
    rest = TYRES["abrasion"] - design @ np.linalg.lstsq(design, TYRES["abrasion"], rcond=None)[0]
    chosen = design[[0, 8, 14]]
    # ten degrees of freedom left
    expected = chosen @ np.linalg.inv(design.T @ design) @ chosen.T * (rest @ rest / 10) * 10 / 8
    seen = np.cov(drawn.typical["abrasion"].T)
    scale = np.sqrt(np.outer(np.diag(expected), np.diag(expected)))
    # kurtosis of t_10 doubles the variance of a sample covariance at most
    agrees(
        "covariance of 40,000 draws, scaled",
        seen / scale,
        expected / scale,
        law,
        abs=4 * np.sqrt(2 * 2 / 40_000),
    )
