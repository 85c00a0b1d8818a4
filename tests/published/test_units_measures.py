"""Units and densities against published standards, handbooks and data sets."""

from __future__ import annotations

import pytest
from outside import Source, agrees, holds, inside, same
from scipy import constants

from fizzlab.recipe.units import (
    UNITS,
    UNKNOWN_DROPPER,
    Quantity,
    density_of,
    isopropyl_density,
    to_grams,
    to_ml,
)

EXACT = Source(
    "certified",
    "NIST Weights and Measures Division, exact values of customary units",
    'as tabulated in "Exact Values for Capacity & Mass", which names NIST as its source',
)
SCIPY = Source("certified", "scipy.constants (1.17.1 when written)", "worked out at every run", live=True)
NIST_430 = Source("standard", 'NIST SP 430, "Household Weights and Measures", table 1', "there")
USDA = Source(
    "standard",
    "USDA National Nutrient Database for Standard Reference, Release 26, table WEIGHT",
    "in a copy of the database, known as Release 26 by its 8,463 items; the weight compared is of another "
    "measure of the same item than the one that the density was made from",
)
SCOOPED = Source(
    "trade",
    "New York Times trial of 2011: a cup of flour scooped by ten people weighed 4 to 6 oz",
    "as retold in a school mathematics column; our bounds were made from it, so this guards the copying",
)


@pytest.mark.parametrize(
    ("unit", "exact"),
    [
        ("fl oz", 29.5735295625),
        ("oz", 28.349523125),
        ("lb", 453.59237),
        # half of the US liquid pint in the same table, 473.176473 mL
        ("cup", 473.176473 / 2),
    ],
)
def test_exact_customary_units(unit: str, exact: float) -> None:
    agrees(f"{unit}, in mL or g", UNITS[unit].size, exact, EXACT, rel=1e-12)


def test_against_the_constants_of_scipy() -> None:
    agrees("16 cups, mL", UNITS["cup"].size * 16, constants.gallon * 1e6, SCIPY, rel=1e-12)
    agrees("fluid ounce, mL", UNITS["fl oz"].size, constants.fluid_ounce * 1e6, SCIPY, rel=1e-12)
    agrees("pound, g", UNITS["lb"].size, constants.pound * 1e3, SCIPY, rel=1e-12)
    agrees("ounce, g", UNITS["oz"].size, constants.oz * 1e3, SCIPY, rel=1e-12)


@pytest.mark.parametrize(
    ("small", "large", "count"),
    [("tsp", "tbsp", 3), ("tbsp", "cup", 16), ("tsp", "cup", 48), ("tsp", "fl oz", 6), ("fl oz", "cup", 8)],
)
def test_kitchen_ratios_are_exact(small: str, large: str, count: int) -> None:
    agrees(f"{small} in a {large}", UNITS[large].size / UNITS[small].size, count, NIST_430, rel=1e-14)


@pytest.mark.parametrize(
    ("amount", "unit", "printed", "half_step"),
    [(1, "tsp", 4.9, 0.05), (1, "tbsp", 15, 0.5), (0.25, "cup", 59, 0.5), (1, "cup", 237, 0.5)],
)
def test_kitchen_millilitres_as_printed(amount: float, unit: str, printed: float, half_step: float) -> None:
    agrees(f"{amount} {unit}, mL", to_ml(Quantity(amount, unit)).typical, printed, NIST_430, abs=half_step)


def test_label_measures() -> None:
    cfr = Source(
        "standard",
        '21 CFR 101.9(b)(5)(viii): "a teaspoon means 5 milliliters (mL), a tablespoon means 15 mL, a cup '
        "means "
        '240 mL, 1 fl oz means 30 mL"',
        "as quoted in UCUM ticket 120",
    )
    sizes = [UNITS[f"label {name}"].size for name in ("tsp", "tbsp", "cup", "fl oz")]
    same("label teaspoon, tablespoon, cup and fluid ounce, mL", sizes, [5, 15, 240, 30], cfr)


@pytest.mark.parametrize(
    ("kind", "amount", "unit", "grams", "half_step"),
    [
        ("sodium bicarbonate", 0.5, "tsp", 2.3, 0.05),  # item 18372
        ("cream of tartar", 0.5, "tsp", 1.5, 0.05),  # item 18373
        ("table salt", 1, "tbsp", 18, 0.5),  # item 02047
        ("table salt", 1, "tsp", 6.0, 0.1),
        ("coconut oil", 1, "tbsp", 13.6, 0.05),  # item 04047
        ("coconut oil", 1, "tsp", 4.5, 0.05),
        ("olive oil", 1, "tbsp", 13.5, 0.05),  # item 04053
        ("almond oil", 1, "tsp", 4.5, 0.05),  # item 04529
        ("sunflower oil", 1, "tbsp", 13.6, 0.05),  # item 04506
    ],
)
def test_usda_spoon_weights(kind: str, amount: float, unit: str, grams: float, half_step: float) -> None:
    agrees(
        f"{amount} {unit} of {kind}, g",
        to_grams(Quantity(amount, unit), density_of(kind)).typical,
        grams,
        USDA,
        abs=half_step,
    )


def test_poured_soda_lies_within_the_bounds() -> None:
    excipients = Source("standard", "Handbook of Pharmaceutical Excipients, sodium bicarbonate", "there")
    bounds = density_of("sodium bicarbonate").g_per_ml
    holds(
        "bounds of spooned soda, g/mL",
        "hold the bulk density, 0.869, and stay below the tapped one, 1.369",
        bounds.low < 0.869 < bounds.high < 1.369,
        excipients,
        f"{bounds.low:.3f} to {bounds.high:.3f}",
    )


def test_scooped_cup_bounds_match_ten_people() -> None:
    middle = (4 + 6) / 2
    bounds = density_of("corn starch").g_per_ml
    agrees("least scoop over the middle", bounds.low / bounds.typical, 4 / middle, SCOOPED)
    agrees("largest scoop over the middle", bounds.high / bounds.typical, 6 / middle, SCOOPED)


def test_rubbing_alcohol_strengths() -> None:
    usp = Source(
        "standard",
        "USP 32: Isopropyl Rubbing Alcohol, 70 % by volume (68 to 72), specific gravity 0.872 to 0.883 at 20 "
        "°C; "
        "Azeotropic Isopropyl Alcohol, 0.815 to 0.810 at 91 to 93 %",
        "there",
    )
    strong, weak = isopropyl_density(92).g_per_ml.typical, isopropyl_density(70).g_per_ml.typical
    inside("density of 70 % alcohol, g/mL", weak, 0.872 * 0.9982, 0.883 * 0.9982, usp)
    inside("density of 92 % alcohol, g/mL", strong, 0.810 * 0.997, 0.815 * 0.9971, usp)
    # The mass of pure alcohol in a litre is 0.70 times its own density (USP 29: specific gravity 0.783 to
    # 0.787).
    alcohol = Source("trade", "a pharmaceutical 70 % (V/V) alcohol, listed as about 62.8 % by mass", "there")
    mass_share = 0.70 * isopropyl_density(100).g_per_ml.typical / isopropyl_density(70).g_per_ml.typical
    agrees("share by mass of 70 % (V/V) alcohol", mass_share, 0.628, alcohol, abs=0.005)


def test_polysorbate_80_limits() -> None:
    usp = Source(
        "standard",
        "USP 32-NF 27, Polysorbate 80: specific gravity between 1.06 and 1.09",
        "there; our bounds were made from it, so this guards the copying",
    )
    bounds = density_of("polysorbate 80").g_per_ml
    same("bounds of the density, g/mL", (bounds.low, bounds.high), (1.06, 1.09), usp)


def test_medicine_dropper() -> None:
    usp = Source(
        "standard", "USP 32, chapter 1101: a medicine dropper gives water in drops of 45 to 55 mg", "there"
    )
    counted = Source("trade", "25 and 45 drops a mL, as counted", "UCUM ticket 127")
    drop_ml = UNKNOWN_DROPPER
    inside("a drop, mL", drop_ml.typical, 0.045, 0.055, usp)
    assert drop_ml.high >= 0.055
    holds("least drop, mL", "at most 1/45", drop_ml.low <= 1 / 45, counted, f"{drop_ml.low:.4f}")
