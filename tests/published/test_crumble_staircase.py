"""The classical estimate of up-and-down sequences against published examples."""

from __future__ import annotations

import numpy as np
import pytest

from fizzlab.crumble import dixon_mood, is_up_and_down


def test_fatigue_staircase_of_s34mnv_steel() -> None:
    # Ekaputra, Dewa, Haryadi and Kim, Open Engineering 10 (2020) 394-400, doi 10.1515/eng-2020-0048, as
    # quoted in the tests of an open-source fatigue library: step 20 MPa, 12 specimens, 5 fractures
    # (300 MPa: 3, 280 MPa: 2), 7 survivals (260: 3, 280: 4); A = 8, B = 14, N = 5, mean 282 MPa, sd 10.6 MPa.
    # The order is one that follows the rule and has these counts; the estimate does not depend on it.
    # They count steps from 260 MPa (A = 8, B = 14), we from the lowest break at 280 MPa.
    loads = [260, 280, 300, 280, 300, 280, 300, 280, 260, 280, 260, 280]
    broke = [False, False, True, False, True, False, True, True, False, True, False, False]
    assert is_up_and_down(loads, broke)
    found = dixon_mood(loads, broke)
    assert found.counted == "broke"
    assert found.n == 5
    assert (found.a + found.n, found.b + 2 * found.a + found.n) == (8, 14)
    assert found.mean == pytest.approx(282)
    assert found.spread_index == pytest.approx(0.24)
    assert not found.sd_stands
    assert found.sd == pytest.approx(10.6)


def test_gear_tooth_bending_run() -> None:
    # Gorla, Rosa, Conrado and Concli, Int. J. Appl. Eng. Res. 12 (2017) 11306, material 951, as retyped in
    # the vignette of the R package upndown 0.2.0, whose dixonmood() prints 36.78571. (The paper itself says
    # 36.63 kN; the vignette remarks that many variants of the method are about.)
    loads = 35 + np.array([1, 0, 1, 2, 3, 4, 3, 2, 3, 2, 1, 0, 1, 2, 1])
    broke = np.append((1 - np.diff(loads)) / 2, 1).astype(bool)
    found = dixon_mood(loads.tolist(), broke.tolist())
    assert found.mean == pytest.approx(36.78571, abs=5e-6)
    assert found.counted == "held"


def test_worked_sheet_of_24_shots() -> None:
    # A worked sheet of an up-and-down trial to GB/T 24176, quoted in the tests of an open-source reliability
    # library: 24 shots, step 0.05; counted from 3.20: n = 11, A = 0, B = 10, M = 0.91; mean 3.225,
    # sd 0.07606 (with M rounded to 0.91; 0.075985 unrounded). Its shot 18 breaks the rule, as quoted.
    levels = (
        "3.20 3.15 3.20 3.25 3.30 3.35 3.30 3.25 3.20 3.15 3.20 3.25 "
        "3.30 3.25 3.20 3.15 3.10 3.15 3.20 3.25 3.20 3.15 3.20 3.25"
    )
    shots = [float(level) for level in levels.split()]
    hit = [digit == "1" for digit in "100001111000111110011001"]
    found = dixon_mood(shots, hit)
    assert (found.n, found.a - found.n, found.b - 2 * found.a + found.n) == (11, 0, 10)
    assert found.mean == pytest.approx(3.225)
    assert found.spread_index == pytest.approx(0.91, abs=0.005)
    assert found.sd == pytest.approx(0.07606, abs=1e-4)
