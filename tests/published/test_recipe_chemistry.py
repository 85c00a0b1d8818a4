"""Molar masses, stoichiometry, gas volume and solubility against published values."""

from __future__ import annotations

import math

import pytest
from scipy import constants

from fizzlab.recipe import (
    ATOMIC_WEIGHTS,
    GAS_CONSTANT,
    gas_litres,
    henry_co2,
    molar_mass,
    react,
    soluble_g,
)


@pytest.mark.parametrize(
    ("element", "low", "high", "rounding"),
    [
        # CIAAW, "Standard Atomic Weights 2021" (ciaaw.org): intervals, or value and uncertainty;
        # our five-figure value may differ by half a step of its last figure (sulphur: four figures)
        ("H", 1.00784, 1.00811, 0.0005),
        ("C", 12.0096, 12.0116, 0.0005),
        ("O", 15.99903, 15.99977, 0.0005),
        ("Na", 22.98976926, 22.98976930, 0.0005),
        ("S", 32.059, 32.076, 0.005),
        ("K", 39.0982, 39.0984, 0.0005),
    ],
)
def test_atomic_weights(element: str, low: float, high: float, rounding: float) -> None:
    assert low - rounding <= ATOMIC_WEIGHTS[element] <= high + rounding


@pytest.mark.parametrize(
    ("formula", "printed", "half_step"),
    [
        # A. Apelblat, "Citric Acid" (Springer, 2014), section 2.1: 192.12 g/mol
        ("C6H8O7", 192.12, 0.005),
        # pharmacopoeial sheets for citric acid monohydrate USP: 210.14
        ("C6H8O7.H2O", 210.14, 0.005),
        # general encyclopaedia, sodium bicarbonate: 84.0066 g/mol, from older weights with more
        # figures; six atoms rounded here to three decimals can differ by 6 x 0.0005
        ("NaHCO3", 84.0066, 0.003),
        # a soda maker's table: 84.01
        ("NaHCO3", 84.01, 0.005),
        # worked textbook solution below: 44.01 g/mol
        ("CO2", 44.01, 0.005),
        # tables of tartaric acid: 150.09 g/mol
        ("C4H6O6", 150.09, 0.005),
        # USP 29, isopropyl alcohol C3H8O: 60.10
        ("C3H8O", 60.10, 0.005),
    ],
)
def test_molar_masses(formula: str, printed: float, half_step: float) -> None:
    assert molar_mass(formula) == pytest.approx(printed, abs=half_step)


def test_antacid_tablet_one_gram_of_each() -> None:
    # General-chemistry textbook problem (from memory: Brown, LeMay, Bursten, "Chemistry: The Central
    # Science"): 1.00 g sodium bicarbonate with 1.00 g citric acid. Two worked solutions seen:
    # (a) bicarbonate limits, (b) 0.524 g CO2,
    # (c) 0.236 g or 0.238 g of acid remain (the two printed solutions round differently on the way).
    reaction = react(1.00, {"citric acid": 1.00})
    assert reaction.limiting == "soda"
    assert reaction.co2_g == pytest.approx(0.524, abs=0.0005)
    assert 0.236 <= reaction.acid_left_g <= 0.2385


def test_antacid_tablet_heavier() -> None:
    # The same problem with 1.45 g: a student's posted answer of 0.7596 g carbon dioxide
    assert react(1.45, {"citric acid": 1.45}).co2_g == pytest.approx(0.7596, abs=0.0001)


def test_soda_equivalents_of_a_maker() -> None:
    # A soda maker's table: 1 lb sodium bicarbonate gives 0.524 lb carbon dioxide; the Handbook of
    # Pharmaceutical Excipients: "yield of carbon dioxide ... approximately 52 % by weight"
    assert react(1.0, {"citric acid": 5.0}).co2_g == pytest.approx(0.524, abs=0.0005)


def test_monohydrate_for_anhydrous() -> None:
    # A pharmacy note: 1.093 mg of monohydrate for each mg of anhydrous acid (1.0938, cut short)
    ratio = molar_mass("C6H8O7.H2O") / molar_mass("C6H8O7")
    assert ratio == pytest.approx(1.093, abs=0.001)


def test_gas_constant_and_molar_volume() -> None:
    # CODATA as in scipy.constants (1.17.1 when written); CRC Handbook of Chemistry and Physics,
    # "Values of the gas constant": R = 8.314 462 618 15 exactly
    assert pytest.approx(constants.R, rel=1e-12) == GAS_CONSTANT
    assert pytest.approx(8.31446261815, rel=1e-11) == GAS_CONSTANT
    codata = constants.value("molar volume of ideal gas (273.15 K, 101.325 kPa)") * 1000
    assert gas_litres(molar_mass("CO2"), temp_c=0, pressure_kpa=101.325) == pytest.approx(codata, rel=1e-9)


def test_henry_constant_of_carbon_dioxide() -> None:
    # Sander, Atmos. Chem. Phys. 15, 4399 (2015), carbon dioxide: reviews between 3.3e-4 and 3.4e-4
    # mol/(m³ Pa) at 298.15 K, temperature dependence 2300 to 2400 K
    assert 3.25e-4 <= henry_co2(25) <= 3.45e-4
    warm = [
        h * math.exp(slope * (1 / 311.15 - 1 / 298.15)) for h in (3.3e-4, 3.4e-4) for slope in (2300, 2400)
    ]
    assert min(warm) * 0.999 <= henry_co2(38) <= max(warm) * 1.001
    assert soluble_g(1, 25) == pytest.approx(3.3e-4 * 101325 * 44.009 / 1000, rel=1e-6)
