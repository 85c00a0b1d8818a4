"""Units and densities against published standards, handbooks and data sets."""

from __future__ import annotations

import pytest
from scipy import constants

from fizzlab.units import (
    UNITS,
    UNKNOWN_DROPPER,
    Quantity,
    density_of,
    isopropyl_density,
    to_grams,
    to_ml,
)


@pytest.mark.parametrize(
    ("unit", "exact"),
    [
        # exact values derived from NIST's definitions, as tabulated in "Exact Values for Capacity
        # & Mass" (source given there: NIST Weights and Measures Division)
        ("fl oz", 29.5735295625),
        ("oz", 28.349523125),
        ("lb", 453.59237),
        # half of the US liquid pint in the same table, 473.176473 mL
        ("cup", 473.176473 / 2),
    ],
)
def test_exact_customary_units(unit: str, exact: float) -> None:
    assert UNITS[unit].size == pytest.approx(exact, rel=1e-12)


def test_against_the_constants_of_scipy() -> None:
    # scipy.constants (1.17.1 when written): gallon, fluid_ounce in m³, pound and oz in kg
    assert UNITS["cup"].size * 16 == pytest.approx(constants.gallon * 1e6, rel=1e-12)
    assert UNITS["fl oz"].size == pytest.approx(constants.fluid_ounce * 1e6, rel=1e-12)
    assert UNITS["lb"].size == pytest.approx(constants.pound * 1e3, rel=1e-12)
    assert UNITS["oz"].size == pytest.approx(constants.oz * 1e3, rel=1e-12)


@pytest.mark.parametrize(
    ("small", "large", "count"),
    # NIST SP 430, "Household Weights and Measures", table 1: exact ratios of kitchen units
    [("tsp", "tbsp", 3), ("tbsp", "cup", 16), ("tsp", "cup", 48), ("tsp", "fl oz", 6), ("fl oz", "cup", 8)],
)
def test_kitchen_ratios_are_exact(small: str, large: str, count: int) -> None:
    assert UNITS[large].size / UNITS[small].size == pytest.approx(count, rel=1e-14)


@pytest.mark.parametrize(
    # NIST SP 430, table 1, figures as printed there: 4.9, 15, 59 (quarter cup), 237 mL
    ("amount", "unit", "printed", "half_step"),
    [(1, "tsp", 4.9, 0.05), (1, "tbsp", 15, 0.5), (0.25, "cup", 59, 0.5), (1, "cup", 237, 0.5)],
)
def test_kitchen_millilitres_as_printed(amount: float, unit: str, printed: float, half_step: float) -> None:
    assert to_ml(Quantity(amount, unit)).typical == pytest.approx(printed, abs=half_step)


def test_label_measures() -> None:
    # 21 CFR 101.9(b)(5)(viii): "a teaspoon means 5 milliliters (mL), a tablespoon means 15 mL, a
    # cup means 240 mL, 1 fl oz means 30 mL", as quoted in UCUM ticket 120
    sizes = [UNITS[f"label {name}"].size for name in ("tsp", "tbsp", "cup", "fl oz")]
    assert sizes == [5, 15, 240, 30]


@pytest.mark.parametrize(
    # USDA National Nutrient Database for Standard Reference, Release 26 (known by its 8,463
    # items), table WEIGHT: gram weight of another measure of the same item than the one the density
    # was made from.
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
    assert to_grams(Quantity(amount, unit), density_of(kind)).typical == pytest.approx(grams, abs=half_step)


def test_poured_soda_lies_within_the_bounds() -> None:
    # Handbook of Pharmaceutical Excipients, sodium bicarbonate: density (bulk) 0.869 g/cm³,
    # density (tapped) 1.369 g/cm³
    bounds = density_of("sodium bicarbonate").g_per_ml
    assert bounds.low < 0.869 < bounds.high < 1.369


def test_scooped_cup_bounds_match_ten_people() -> None:
    # New York Times trial of 2011 as retold in a school mathematics column: one cup of flour
    # scooped by ten people, 4 to 6 oz
    middle = (4 + 6) / 2
    bounds = density_of("corn starch").g_per_ml
    assert bounds.low / bounds.typical == pytest.approx(4 / middle)
    assert bounds.high / bounds.typical == pytest.approx(6 / middle)


def test_rubbing_alcohol_strengths() -> None:
    # USP 32, Isopropyl Rubbing Alcohol: 70 % by volume (68 to 72), specific gravity 0.872 to 0.883
    # at 20 °C. USP 32, Azeotropic Isopropyl Alcohol: 0.815 to 0.810 at 91 to 93 %.
    assert 0.872 * 0.9982 <= isopropyl_density(70).g_per_ml.typical <= 0.883 * 0.9982
    assert 0.810 * 0.997 <= isopropyl_density(92).g_per_ml.typical <= 0.815 * 0.9971
    # A pharmaceutical 70 % (V/V) alcohol is listed as about 62.8 % by mass. The mass of pure
    # alcohol in a litre is 0.70 times its own density (USP 29: specific gravity 0.783 to 0.787).
    mass_share = 0.70 * isopropyl_density(100).g_per_ml.typical / isopropyl_density(70).g_per_ml.typical
    assert mass_share == pytest.approx(0.628, abs=0.005)


def test_polysorbate_80_limits() -> None:
    # USP 32-NF 27, Polysorbate 80: specific gravity between 1.06 and 1.09
    bounds = density_of("polysorbate 80").g_per_ml
    assert (bounds.low, bounds.high) == (1.06, 1.09)


def test_medicine_dropper() -> None:
    # USP 32, chapter 1101: water in drops of 45 to 55 mg; 25 and 45 drops a mL counted, UCUM ticket 127
    drop_ml = UNKNOWN_DROPPER.ml
    assert 0.045 <= drop_ml.typical <= 0.055
    assert drop_ml.low <= 1 / 45
    assert drop_ml.high >= 0.055
