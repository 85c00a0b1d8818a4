"""Molar masses, stoichiometry, gas volume and solubility against published values."""

from __future__ import annotations

import math

import pytest
from outside import Source, agrees, inside, same
from scipy import constants

from fizzlab.models.water import GAS_CONSTANT, henry_co2, soluble_g
from fizzlab.recipe.chemistry import ATOMIC_WEIGHTS, gas_litres, molar_mass, react

CIAAW = Source("standard", 'CIAAW, "Standard Atomic Weights 2021"', "there (ciaaw.org)")
APELBLAT = Source("publication", 'A. Apelblat, "Citric Acid" (Springer, 2014), section 2.1', "there")
USP_ACID = Source("standard", "USP, citric acid monohydrate", "as stated on pharmacopoeial sheets")
ENCYCLOPAEDIA = Source(
    "trade", "a general encyclopaedia, sodium bicarbonate, from older atomic weights", "there"
)
SODA_MAKER = Source("trade", "a soda maker's table", "there")
TEXTBOOK = Source(
    "publication",
    "a problem of a general-chemistry textbook: an antacid tablet of 1.00 g sodium bicarbonate and 1.00 g "
    "citric acid",
    "two worked solutions of it; the book is, from memory and not seen, Brown, LeMay, Bursten, "
    '"Chemistry: The Central Science"',
)
TARTARIC = Source("trade", "tables of tartaric acid", "there")
USP_ALCOHOL = Source("standard", "USP 29, isopropyl alcohol", "there")
SANDER = Source(
    "standard",
    "R. Sander, Atmos. Chem. Phys. 15, 4399 (2015), Henry's law constants of carbon dioxide: reviews between "
    "3.3e-4 "
    "and 3.4e-4 mol/(m³ Pa) at 298.15 K, 2300 to 2400 K for the change with temperature",
    "there",
)


@pytest.mark.parametrize(
    ("element", "low", "high", "rounding"),
    [
        # intervals, or value and uncertainty; our five-figure value may differ by half a step of its last
        # figure (sulphur: four figures)
        ("H", 1.00784, 1.00811, 0.0005),
        ("C", 12.0096, 12.0116, 0.0005),
        ("O", 15.99903, 15.99977, 0.0005),
        ("Na", 22.98976926, 22.98976930, 0.0005),
        ("S", 32.059, 32.076, 0.005),
        ("K", 39.0982, 39.0984, 0.0005),
    ],
)
def test_atomic_weights(element: str, low: float, high: float, rounding: float) -> None:
    inside(f"atomic weight of {element}", ATOMIC_WEIGHTS[element], low - rounding, high + rounding, CIAAW)


@pytest.mark.parametrize(
    ("formula", "printed", "half_step", "source"),
    [
        ("C6H8O7", 192.12, 0.005, APELBLAT),
        ("C6H8O7.H2O", 210.14, 0.005, USP_ACID),
        # six atoms rounded here to three decimals can differ by 6 x 0.0005
        ("NaHCO3", 84.0066, 0.003, ENCYCLOPAEDIA),
        ("NaHCO3", 84.01, 0.005, SODA_MAKER),
        ("CO2", 44.01, 0.005, TEXTBOOK),
        ("C4H6O6", 150.09, 0.005, TARTARIC),
        ("C3H8O", 60.10, 0.005, USP_ALCOHOL),
    ],
)
def test_molar_masses(formula: str, printed: float, half_step: float, source: Source) -> None:
    agrees(f"molar mass of {formula}, g/mol", molar_mass(formula), printed, source, abs=half_step)


def test_antacid_tablet_one_gram_of_each() -> None:
    # 0.236 g or 0.238 g of acid remain: the two printed solutions round differently on the way
    reaction = react(1.00, {"citric acid": 1.00})
    same("what runs out first", reaction.limiting, "soda", TEXTBOOK)
    agrees("1 g of soda with 1 g of acid: gas, g", reaction.co2_g, 0.524, TEXTBOOK, abs=0.0005)
    inside("acid left, g", reaction.acid_left_g, 0.236, 0.2385, TEXTBOOK)


def test_antacid_tablet_heavier() -> None:
    student = Source("trade", "the same problem with 1.45 g, a student's posted answer", "there")
    agrees(
        "1.45 g of soda with 1.45 g of acid: gas, g",
        react(1.45, {"citric acid": 1.45}).co2_g,
        0.7596,
        student,
        abs=0.0001,
    )


def test_soda_equivalents_of_a_maker() -> None:
    # and the Handbook of Pharmaceutical Excipients: "yield of carbon dioxide ... approximately 52 % by
    # weight"
    agrees("gas of 1 g of soda, g", react(1.0, {"citric acid": 5.0}).co2_g, 0.524, SODA_MAKER, abs=0.0005)


def test_monohydrate_for_anhydrous() -> None:
    pharmacy = Source("trade", "a pharmacy note (the number is 1.0938, cut short)", "there")
    ratio = molar_mass("C6H8O7.H2O") / molar_mass("C6H8O7")
    agrees("monohydrate for 1 of anhydrous citric acid", ratio, 1.093, pharmacy, abs=0.001)


def test_gas_constant_and_molar_volume() -> None:
    codata = Source(
        "certified", "CODATA in scipy.constants (1.17.1 when written)", "worked out at every run", live=True
    )
    crc = Source("standard", 'CRC Handbook of Chemistry and Physics, "Values of the gas constant"', "there")
    agrees("gas constant, J/(mol K)", GAS_CONSTANT, constants.R, codata, rel=1e-12)
    agrees("gas constant, J/(mol K)", GAS_CONSTANT, 8.31446261815, crc, rel=1e-11)
    litres = constants.value("molar volume of ideal gas (273.15 K, 101.325 kPa)") * 1000
    agrees(
        "litres of a mole at 0 °C and 101.325 kPa",
        gas_litres(molar_mass("CO2"), temp_c=0, pressure_kpa=101.325),
        litres,
        codata,
        rel=1e-9,
    )


def test_henry_constant_of_carbon_dioxide() -> None:
    inside("Henry constant at 25 °C, mol/(m³ Pa)", henry_co2(25), 3.25e-4, 3.45e-4, SANDER)
    warm = [
        h * math.exp(slope * (1 / 311.15 - 1 / 298.15)) for h in (3.3e-4, 3.4e-4) for slope in (2300, 2400)
    ]
    low, high = min(warm) * 0.999, max(warm) * 1.001
    inside("Henry constant at 38 °C, mol/(m³ Pa)", henry_co2(38), low, high, SANDER)
    agrees(
        "gas dissolved in a litre at 25 °C, g",
        soluble_g(1, 25),
        3.3e-4 * 101325 * 44.009 / 1000,
        SANDER,
        rel=1e-6,
    )
