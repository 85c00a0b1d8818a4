"""Humidity formulas against handbook tables, standards and a reference library."""

from __future__ import annotations

import numpy as np
import psychrolib
import pytest
from outside import Source, agrees

from fizzlab.models.air import (
    absolute_humidity_g_m3,
    dew_point_c,
    rh_for_deficit,
    saturation_pressure_kpa,
    vapour_pressure_deficit_kpa,
)

CRC = Source(
    "standard",
    "CRC Handbook of Chemistry and Physics (1992-93), vapour pressure of water",
    'as copied on a teaching page ("Vapor Pressure of Water", lcm91.tripod.com); 38 °C is left out, a '
    "misprint there",
)
# At 38 °C the copy says 6.6398; its second differences jump there alone and IAPWS and ASHRAE agree on 6.633.
# The temperature scale is the older one, hence up to 0.1 % at the warm end.
CRC_KPA = """
0.61129 0.65716 0.70605 0.75813 0.81359 0.8726 0.93537 1.0021 1.073 1.1482
1.2281 1.3129 1.4027 1.4979 1.5988 1.7056 1.8185 1.938 2.0644 2.1978
2.3388 2.4877 2.6447 2.8104 2.985 3.169 3.3629 3.567 3.7818 4.0078
4.2455 4.4953 4.7578 5.0335 5.3229 5.6267 5.9453 6.2795 nan 6.9969
7.3814 7.784 8.2054 8.6463 9.1075 9.5895 10.094 10.62 11.171 11.745
12.344 12.97 13.623 14.303 15.012 15.752 16.522 17.324 18.159 19.028
19.932
"""


ASHRAE = Source(
    "standard",
    "ASHRAE Handbook, Fundamentals (2017), chapter 1, table 3",
    "as quoted in the tests of PsychroLib, which also quote ASHRAE's own tolerance of 300 ppm",
)
MURPHY_KOOP = Source(
    "standard",
    "Murphy and Koop, Q. J. R. Meteorol. Soc. 131 (2005) 1539, table C1, values recommended for checking "
    "computer "
    "codes, liquid water",
    "as quoted in the test script of the E3SM cloud model",
)
PSYCHROLIB = Source("program", "PsychroLib (ASHRAE's formulas)", "worked out at every run", live=True)
ABSOLUTE = Source(
    "trade",
    '"Climate/humidity table", a printed table of absolute humidity',
    "scribd.com, document 39380596. Its dew points are not used: at 10 °C and 60 % it prints 1 °C, where the "
    "formula "
    "of the WMO guide, PsychroLib and the table of dew points give 2.5 or 2.6",
)
DEW_POINTS = Source(
    "trade",
    '"Taupunkttabelle" of a flooring maker\'s leaflet, "rounded values"',
    "expydoc.com, document 12113599. Its cells below 0 °C are frost points and are not used",
)
TRADE = Source(
    "trade",
    "examples in the text of a paint maker, a drying firm (two) and a maker of ventilation controls",
    "maleco.de, trocknungberlin.de and elsner-elektronik.de, on their pages about the dew point",
)


def test_crc_handbook_table() -> None:
    table = np.array(CRC_KPA.split(), dtype=float)
    seen = ~np.isnan(table)
    found = saturation_pressure_kpa(np.arange(61.0))
    agrees("saturation pressure at 0, 1, … 60 °C, kPa", found[seen], table[seen], CRC, rel=1e-3)
    room = slice(0, 26)
    agrees("saturation pressure at 0, 1, … 25 °C, kPa", found[room], table[room], CRC, rel=3e-4)


@pytest.mark.parametrize(
    ("temp_c", "kpa"),
    [(5.0, 0.8726), (25.0, 3.1697), (50.0, 12.3513)],
)
def test_ashrae_table(temp_c: float, kpa: float) -> None:
    agrees(
        f"saturation pressure at {temp_c:g} °C, kPa", saturation_pressure_kpa(temp_c), kpa, ASHRAE, rel=3e-4
    )


def test_iapws_check_value() -> None:
    iapws = Source("certified", "IAPWS-IF97, table 35", "in the test suites of several IF97 libraries")
    agrees(
        "saturation pressure at 300 K, kPa",
        saturation_pressure_kpa(300.0 - 273.15),
        3.53658941,
        iapws,
        rel=1e-4,
    )


@pytest.mark.parametrize(
    ("kelvin", "pa", "tolerance"),
    # Below freezing, formulas differ by as much as the vapour pressure of supercooled water is uncertain:
    # 0.3 %
    # at 240 K.
    [(240.0, 37.667, 4e-3), (273.16, 611.657, 1e-6), (300.0, 3536.8, 2e-5)],
)
def test_murphy_and_koop_check_values(kelvin: float, pa: float, tolerance: float) -> None:
    agrees(
        f"saturation pressure at {kelvin:g} K, Pa",
        saturation_pressure_kpa(kelvin - 273.15) * 1000,
        pa,
        MURPHY_KOOP,
        rel=tolerance,
    )


def test_saturation_against_psychrolib() -> None:
    psychrolib.SetUnitSystem(psychrolib.SI)
    temp = np.linspace(0.5, 60.0, 120)  # below 0.01 °C psychrolib means ice
    theirs = [psychrolib.GetSatVapPres(t) / 1000 for t in temp]
    agrees(
        "saturation pressure at 120 temperatures, 0.5 to 60 °C, kPa",
        saturation_pressure_kpa(temp),
        theirs,
        PSYCHROLIB,
        rel=3e-4,
    )


def test_deficit_and_dew_point_against_psychrolib() -> None:
    psychrolib.SetUnitSystem(psychrolib.SI)
    deficits, dews = [], []
    for temp in np.arange(4.0, 60.1, 4.0):
        for rh in (15.0, 40.0, 65.0, 80.0, 95.0):
            ratio = psychrolib.GetHumRatioFromRelHum(temp, rh / 100, 101325)
            deficit = psychrolib.GetVaporPressureDeficit(temp, ratio, 101325) / 1000
            deficits.append((vapour_pressure_deficit_kpa(temp, rh), deficit))
            dew = psychrolib.GetTDewPointFromRelHum(temp, rh / 100)
            if dew > 0.1:  # below, psychrolib gives the frost point
                dews.append((dew_point_c(temp, rh), dew))
    assert len(dews) > 55
    air = "4 to 60 °C and 15 to 95 %"
    agrees(f"vapour-pressure deficit at {air}, kPa", *zip(*deficits, strict=True), PSYCHROLIB, rel=3e-4)
    agrees(f"dew point at {air}, °C", *zip(*dews, strict=True), PSYCHROLIB, abs=0.01)


def test_absolute_humidity_against_psychrolib() -> None:
    psychrolib.SetUnitSystem(psychrolib.SI)
    found = []
    for temp in np.arange(2.0, 60.1, 2.0):
        for rh in (20.0, 70.0, 100.0):
            ratio = psychrolib.GetHumRatioFromRelHum(temp, rh / 100, 101325)
            # kg of water a kg of dry air, over m³ of moist air a kg of dry air
            theirs = 1000 * ratio / psychrolib.GetMoistAirVolume(temp, ratio, 101325)
            found.append((absolute_humidity_g_m3(temp, rh), theirs))
    agrees(
        "absolute humidity at 2 to 60 °C and 20, 70, 100 %, g/m³",
        *zip(*found, strict=True),
        PSYCHROLIB,
        rel=5e-4,
    )


def test_medical_table_of_saturated_air() -> None:
    medical = Source(
        "trade",
        "a medical table of water in saturated air, for the humidity of inhaled gas",
        'medicalalgorithms.com, "Measured and relative humidity at a specified temperature"',
    )
    table = """16.3 17.3 18.4 19.4 20.6 21.8 23.0 24.4 25.8 27.2 28.8 30.4 32.0 33.8 35.6 37.6 39.6 41.7
    43.9 46.2 48.6 51.1 53.7"""
    printed = np.array(table.split(), dtype=float)
    # the table itself is rounded both ways: within one unit of its last digit
    agrees(
        "absolute humidity of saturated air, 19 to 41 °C, g/m³",
        absolute_humidity_g_m3(np.arange(19.0, 42.0), 100.0),
        printed,
        medical,
        abs=0.1,
    )


@pytest.mark.parametrize(
    ("temp_c", "grams"),
    [
        (30.0, "3.0 6.1 9.1 12.1 15.2 18.2 21.3 24.3 27.3 30.4"),
        (25.0, "2.3 4.6 6.9 9.2 11.5 13.8 16.1 18.4 20.7 23.0"),
        (20.0, "1.7 3.5 5.2 6.9 8.7 10.4 12.1 13.8 15.6 17.3"),
        (15.0, "1.3 2.6 3.9 5.1 6.4 7.7 9.0 10.3 11.5 12.8"),
        (10.0, "0.9 1.9 2.8 3.8 4.7 5.6 6.6 7.5 8.5 9.4"),
        (0.0, "0.5 1.0 1.5 1.9 2.4 2.9 3.4 3.9 4.4 4.8"),
    ],
)
def test_printed_table_of_absolute_humidity(temp_c: float, grams: str) -> None:
    rh = np.arange(10.0, 101.0, 10.0)
    agrees(
        f"absolute humidity at {temp_c:g} °C and 10, 20, … 100 %, g/m³",
        absolute_humidity_g_m3(temp_c, rh),
        np.array(grams.split(), float),
        ABSOLUTE,
        abs=0.06,
    )


@pytest.mark.parametrize(
    ("rh_pct", "dew"),
    [
        (50.0, "1.8 3.7 4.7 5.6 6.5 7.4 8.3 9.3 10.2 11.2 12.0 12.9 13.8 14.8 16.6 18.4"),
        (60.0, "4.5 6.4 7.4 8.3 9.2 10.1 11.1 12.0 12.9 13.9 14.8 15.7 16.7 17.7 19.4 21.4"),
        (70.0, "6.7 8.7 9.6 10.6 11.5 12.4 13.4 14.4 15.4 16.3 17.3 18.2 19.1 20.1 22.0 23.9"),
        (80.0, "8.7 10.7 11.7 12.7 13.6 14.6 15.5 16.5 17.4 18.4 19.4 20.3 21.4 22.3 24.2 26.1"),
    ],
)
def test_printed_table_of_dew_points(rh_pct: float, dew: str) -> None:
    temp = np.array([12.0, 14.0, *range(15, 27), 28.0, 30.0])
    # printed to a tenth, and rounded twice here and there
    agrees(
        f"dew point at {rh_pct:g} % and 12 to 30 °C, °C",
        dew_point_c(temp, rh_pct),
        np.array(dew.split(), float),
        DEW_POINTS,
        abs=0.15,
    )


@pytest.mark.parametrize(
    ("temp_c", "rh_pct", "dew"),
    [(20.0, 70.0, 14.4), (10.0, 90.0, 8.4), (22.0, 70.0, 16.3), (22.0, 45.0, 9.5), (24.0, 60.0, 15.8)],
)
def test_dew_points_of_the_trade(temp_c: float, rh_pct: float, dew: float) -> None:
    agrees(
        f"dew point at {temp_c:g} °C and {rh_pct:g} %, °C", dew_point_c(temp_c, rh_pct), dew, TRADE, abs=0.05
    )


def test_wmo_guide_formula() -> None:
    # a simpler formula, hence the wide tolerance
    wmo = Source(
        "standard",
        "WMO-No. 8, annex 4.B: e_w = 6.112 exp[17.62 t / (243.12 + t)] hPa, and its inverse",
        "the constants in a manufacturer's manual that cites the annex (Vaisala AWS330, appendix B)",
    )
    temp = np.linspace(-5.0, 40.0, 91)
    wmo_kpa = 0.6112 * np.exp(17.62 * temp / (243.12 + temp))
    agrees("saturation pressure at -5 to 40 °C, kPa", saturation_pressure_kpa(temp), wmo_kpa, wmo, rel=4e-3)
    for rh in (40.0, 60.0, 90.0):
        ratio = np.log(rh / 100) + 17.62 * temp / (243.12 + temp)
        agrees(
            f"dew point at {rh:g} % and -5 to 40 °C, °C",
            dew_point_c(temp, rh),
            243.12 * ratio / (17.62 - ratio),
            wmo,
            abs=0.06,
        )


def test_deficit_inverse_from_a_table_value() -> None:
    agrees(
        "humidity of a deficit of a quarter of 2.3388 kPa at 20 °C, %",
        rh_for_deficit(2.3388 / 4, 20.0),
        75.0,
        CRC,
        abs=0.02,
    )
