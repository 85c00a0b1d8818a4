"""The classical estimate of up-and-down sequences against published examples."""

from __future__ import annotations

import numpy as np
from outside import Source, agrees, same

from fizzlab.models.crumble import dixon_mood, is_up_and_down


def test_fatigue_staircase_of_s34mnv_steel() -> None:
    steel = Source(
        "publication",
        "Ekaputra, Dewa, Haryadi and Kim, Open Engineering 10 (2020) 394-400, doi 10.1515/eng-2020-0048: "
        "fatigue of S34MnV steel, 12 specimens, step 20 MPa",
        "as quoted in the tests of an open-source fatigue library",
    )
    # They count steps from 260 MPa (A = 8, B = 14), we from the lowest break at 280 MPa.
    loads = [260, 280, 300, 280, 300, 280, 300, 280, 260, 280, 260, 280]
    broke = [False, False, True, False, True, False, True, True, False, True, False, False]
    assert is_up_and_down(loads, broke)
    found = dixon_mood(loads, broke)
    assert found.counted == "broke"
    same("fractures", found.n, 5, steel)
    # a from the lowest break, theirs from the lowest level
    same("A, B", (found.a + found.n, found.b + 2 * found.a + found.n), (8, 14), steel)
    agrees("mean, MPa", found.mean, 282, steel)
    agrees("spread index", found.spread_index, 0.24, steel)
    assert not found.sd_stands
    agrees("standard deviation, MPa", found.sd, 10.6, steel)


def test_gear_tooth_bending_run() -> None:
    gear = Source(
        "publication",
        "Gorla, Rosa, Conrado and Concli, Int. J. Appl. Eng. Res. 12 (2017) 11306, material 951, by "
        "dixonmood() of the R package upndown 0.2.0",
        "in that package's vignette, which retypes the run. The paper itself says 36.63 kN; the vignette "
        "remarks that many variants of the method are about",
    )
    loads = 35 + np.array([1, 0, 1, 2, 3, 4, 3, 2, 3, 2, 1, 0, 1, 2, 1])
    broke = np.append((1 - np.diff(loads)) / 2, 1).astype(bool)
    found = dixon_mood(loads.tolist(), broke.tolist())
    agrees("mean, kN", found.mean, 36.78571, gear, abs=5e-6)
    assert found.counted == "held"


def test_worked_sheet_of_24_shots() -> None:
    sheet = Source(
        "publication",
        "a worked sheet of an up-and-down trial to GB/T 24176: 24 shots, step 0.05",
        "as quoted in the tests of an open-source reliability library",
    )
    # counted from 3.20; the sd is 0.075985 with M unrounded. Its shot 18 breaks the rule, as quoted.
    levels = (
        "3.20 3.15 3.20 3.25 3.30 3.35 3.30 3.25 3.20 3.15 3.20 3.25 "
        "3.30 3.25 3.20 3.15 3.10 3.15 3.20 3.25 3.20 3.15 3.20 3.25"
    )
    shots = [float(level) for level in levels.split()]
    hit = [digit == "1" for digit in "100001111000111110011001"]
    found = dixon_mood(shots, hit)
    same("n, A, B", (found.n, found.a - found.n, found.b - 2 * found.a + found.n), (11, 0, 10), sheet)
    agrees("mean", found.mean, 3.225, sheet)
    agrees("M", found.spread_index, 0.91, sheet, abs=0.005)
    agrees("standard deviation", found.sd, 0.07606, sheet, abs=1e-4)
