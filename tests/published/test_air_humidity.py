"""Humidity formulas against handbook tables, standards and a reference library."""

from __future__ import annotations

import numpy as np
import psychrolib
import pytest
from outside import Source, agrees

from fizzlab.models.air import rh_for_deficit, saturation_pressure, vapour_pressure_deficit

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
FAO_56 = Source(
    "publication",
    "Allen and others, FAO Irrigation and Drainage Paper 56 (1998), chapter 3, example 3",
    "as replicated on the page of NCL's function satvpr_temp_fao56",
)
PSYCHROLIB = Source("program", "PsychroLib (ASHRAE's formulas)", "worked out at every run", live=True)


def test_crc_handbook_table() -> None:
    table = np.array(CRC_KPA.split(), dtype=float)
    seen = ~np.isnan(table)
    found = saturation_pressure(np.arange(61.0))
    agrees("saturation pressure at 0, 1, … 60 °C, kPa", found[seen], table[seen], CRC, rel=1e-3)
    room = slice(0, 26)
    agrees("saturation pressure at 0, 1, … 25 °C, kPa", found[room], table[room], CRC, rel=3e-4)


def test_fao_56_example() -> None:
    # three decimals, by a rougher formula than ours: as close as the older handbook table above
    agrees(
        "saturation pressure at 15 and 24.5 °C, kPa",
        saturation_pressure([15.0, 24.5]),
        [1.705, 3.075],
        FAO_56,
        rel=1e-3,
    )


@pytest.mark.parametrize(("temp_c", "kpa"), [(5.0, 0.8726), (25.0, 3.1697), (50.0, 12.3513)])
def test_ashrae_table(temp_c: float, kpa: float) -> None:
    agrees(f"saturation pressure at {temp_c:g} °C, kPa", saturation_pressure(temp_c), kpa, ASHRAE, rel=3e-4)


def test_iapws_check_value() -> None:
    iapws = Source("certified", "IAPWS-IF97, table 35", "in the test suites of several IF97 libraries")
    agrees(
        "saturation pressure at 300 K, kPa", saturation_pressure(300.0 - 273.15), 3.53658941, iapws, rel=1e-4
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
        saturation_pressure(kelvin - 273.15) * 1000,
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
        saturation_pressure(temp),
        theirs,
        PSYCHROLIB,
        rel=3e-4,
    )


def test_deficit_against_psychrolib() -> None:
    psychrolib.SetUnitSystem(psychrolib.SI)
    deficits = []
    for temp in np.arange(4.0, 60.1, 4.0):
        for rh in (15.0, 40.0, 65.0, 80.0, 95.0):
            ratio = psychrolib.GetHumRatioFromRelHum(temp, rh / 100, 101325)
            deficit = psychrolib.GetVaporPressureDeficit(temp, ratio, 101325) / 1000
            deficits.append((vapour_pressure_deficit(temp, rh), deficit))
    air = "4 to 60 °C and 15 to 95 %"
    agrees(f"vapour-pressure deficit at {air}, kPa", *zip(*deficits, strict=True), PSYCHROLIB, rel=3e-4)


def test_wmo_guide_formula() -> None:
    # a simpler formula, hence the wide tolerance
    wmo = Source(
        "standard",
        "WMO-No. 8, annex 4.B: e_w = 6.112 exp[17.62 t / (243.12 + t)] hPa",
        "the constants in a manufacturer's manual that cites the annex (Vaisala AWS330, appendix B)",
    )
    temp = np.linspace(-5.0, 40.0, 91)
    wmo_kpa = 0.6112 * np.exp(17.62 * temp / (243.12 + temp))
    agrees("saturation pressure at -5 to 40 °C, kPa", saturation_pressure(temp), wmo_kpa, wmo, rel=4e-3)


def test_deficit_inverse_from_a_table_value() -> None:
    agrees(
        "humidity of a deficit of a quarter of 2.3388 kPa at 20 °C, %",
        rh_for_deficit(2.3388 / 4, 20.0),
        75.0,
        CRC,
        abs=0.02,
    )
