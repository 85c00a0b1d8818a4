"""Simulated power against exact power: R, statsmodels, and the noncentral t distribution."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from outside import Source, agrees, holds
from scipy import stats
from statsmodels.stats.power import TTestIndPower

from fizzlab.design.detect import Power, power
from fizzlab.design.trials import Spreads

TRIALS = 4000


def one_day(each: int, size: float, sd: float, seed: int = 3) -> Power:
    runs = pd.DataFrame({"day": 1, "colour": pd.Categorical(["pearl", "dye"] * each, ["pearl", "dye"])})
    return power(runs, ratio=np.exp(size), spreads=Spreads(0.0, sd, 0.0, "a check"), trials=TRIALS, seed=seed)


def room(exact: float) -> float:
    """3.9 standard errors of a simulated chance, which chance alone exceeds once in 10,000."""
    return 3.9 * float(np.sqrt(exact * (1 - exact) / TRIALS))


R_T = Source(
    "program",
    "R 4.2.2, package stats: power.t.test; strict = FALSE counts the side of the true effect only, as "
    "fizzlab does",
    "run for this check",
    how="tests/published/r/power.R",
)
R_T_TEST = [
    (20, 1.0, 1.0, 0.8689528017),
    (6, 0.25, 0.2, 0.4984439007),
    (12, np.log(1.25), 0.16, 0.9038327813),
]


@pytest.mark.parametrize(("each", "size", "sd", "chance"), R_T_TEST)
def test_two_levels_as_r_power_t_test(each: int, size: float, sd: float, chance: float) -> None:
    ours = one_day(each, size, sd).first["chance"]
    what = f"{each} a level, true difference {size / sd:.2f} sd: simulated"
    agrees(what, ours, chance, R_T, abs=room(chance))


def test_the_smallest_effect_as_r_power_t_test() -> None:
    smallest_r = Source(
        "program",
        "R 4.2.2: power.t.test, smallest effect",
        "run for this check",
        how="tests/published/r/power.R",
    )
    delta = 0.28728682
    found = one_day(6, 0.25, 0.16, seed=4).first
    low, high = np.log(found["smallest_low"]), np.log(found["smallest_high"])
    holds(
        "smallest log ratio seen with 80 % chance, 6 a level",
        f"{delta} in the interval",
        low < delta < high,
        smallest_r,
        f"{low:.3f} to {high:.3f}",
    )
    assert high - low < 0.02


STATSMODELS = Source("program", "statsmodels, TTestIndPower", "worked out at every run", live=True)


@pytest.mark.parametrize("size", [0.1, 0.25, 0.4])
def test_two_levels_as_statsmodels(size: float) -> None:
    theirs = TTestIndPower().power(size / 0.2, 8, 0.025, alternative="larger")
    ours = one_day(8, size, 0.2).first["chance"]
    what = f"8 a level, true difference {size / 0.2:g} sd: simulated"
    agrees(what, ours, theirs, STATSMODELS, abs=room(theirs))


NONCENTRAL = Source("theory", "the non-central t distribution", "worked out at every run", live=True)


def test_blocks_take_their_days_from_the_degrees_of_freedom() -> None:
    """Four days of pearl and dye twice each: a t test with 16 - 2 - 3 degrees of freedom."""
    runs = pd.DataFrame({"day": np.repeat([1, 2, 3, 4], 4), "colour": ["pearl", "dye"] * 8})
    exact = float(stats.nct.sf(stats.t.ppf(0.975, 11), 11, 0.2 / (0.15 * np.sqrt(2 / 8))))
    spreads = Spreads(0.0, 0.15, 0.3, "a check")
    found = power(runs, ratio=np.exp(0.2), spreads=spreads, trials=TRIALS, seed=5).first["chance"]
    agrees("four days of two levels twice: simulated", found, exact, NONCENTRAL, abs=room(exact))


def test_a_factor_of_the_room_is_judged_by_days() -> None:
    """Eight days, four of each air, three batches a day: a t test of day means with 6 degrees of freedom."""
    runs = pd.DataFrame({"day": np.repeat(range(8), 3), "air": np.repeat(["plain", "dried"] * 4, 3)})
    batch, day, size = 0.15, 0.12, 0.35
    se = np.sqrt((day**2 + batch**2 / 3) * 2 / 4)
    exact = float(stats.nct.sf(stats.t.ppf(0.975, 6), 6, size / se))
    spreads = Spreads(0.0, batch, day, "a check")
    found = power(runs, ratio=np.exp(size), spreads=spreads, trials=TRIALS, seed=6).first["chance"]
    agrees("eight days of three, a factor of the room: simulated", found, exact, NONCENTRAL, abs=room(exact))
