"""Simulated power against exact power: statsmodels, R, and noncentral distributions."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from statsmodels.stats.power import FTestAnovaPower, TTestIndPower

from fizzlab.power import (
    Spreads,
    Structure,
    exact_chance,
    joint_seen,
    number_fits,
    number_simulation,
    structure,
)
from fizzlab.terms import Category

TRIALS = 4000


def one_day(levels: tuple[str, ...], each: int) -> Structure:
    runs = pd.DataFrame({"day": 1, "colour": np.repeat(levels, each)})
    return structure(runs, [Category("colour", levels, levels[0])])


def within_error(seen: float, exact: float, trials: int = TRIALS) -> bool:
    """Within 3.9 standard errors, which chance alone exceeds once in 10,000."""
    return abs(seen - exact) < 3.9 * np.sqrt(exact * (1 - exact) / trials)


# R 4.2.2, options(digits = 10), package stats: power.t.test(n = , delta = , sd = )$power; strict = FALSE
# counts the side of the true effect only, as fizzlab does
R_T_TEST = [
    (20, 1.0, 1.0, 0.8689528017),
    (6, 0.25, 0.2, 0.4984439007),
    (12, np.log(1.25), 0.16, 0.9038327813),
]


@pytest.mark.parametrize(("each", "size", "sd", "power"), R_T_TEST)
def test_two_levels_as_r_power_t_test(each: int, size: float, sd: float, power: float) -> None:
    plan = one_day(("pearl", "dye"), each)
    assert exact_chance(plan, plan.effects[0], size, sd) == pytest.approx(power, abs=1e-9)
    simulation = number_simulation(plan, Spreads(1e-9, sd, 0.0, "a check"), trials=TRIALS, seed=3)
    assert within_error(simulation.chance(plan.effects[0], float(np.exp(size))).chance, power)


def test_the_smallest_effect_as_r_power_t_test() -> None:
    # R 4.2.2: power.t.test(n = 6, power = .8, sd = 0.16)$delta
    delta = 0.28728752
    plan = one_day(("pearl", "dye"), 6)
    simulation = number_simulation(plan, Spreads(1e-9, 0.16, 0.0, "a check"), trials=TRIALS, seed=4)
    found = simulation.smallest(plan.effects[0])
    assert np.log(found.low) < delta < np.log(found.high)
    assert found.high / found.low < 1.02


@pytest.mark.parametrize("size", [0.1, 0.25, 0.4])
def test_two_levels_as_statsmodels(size: float) -> None:
    plan = one_day(("pearl", "dye"), 8)
    theirs = TTestIndPower().power(size / 0.2, 8, 0.025, alternative="larger")
    assert exact_chance(plan, plan.effects[0], size, 0.2) == pytest.approx(theirs, abs=1e-6)


def test_blocks_take_their_days_from_the_degrees_of_freedom() -> None:
    """Four days of pearl and dye twice each: a t test with 16 - 2 - 3 degrees of freedom."""
    runs = pd.DataFrame({"day": np.repeat([1, 2, 3, 4], 4), "colour": ["pearl", "dye"] * 8})
    plan = structure(runs, [Category("colour", ("pearl", "dye"), "pearl")])
    spreads = Spreads(1e-9, 0.15, 0.3, "a check")
    exact = stats.nct.sf(stats.t.ppf(0.975, 11), 11, 0.2 / (0.15 * np.sqrt(2 / 8)))
    assert exact_chance(plan, plan.effects[0], 0.2, 0.15) == pytest.approx(exact, abs=1e-12)
    simulation = number_simulation(plan, spreads, trials=TRIALS, seed=5)
    assert within_error(simulation.chance(plan.effects[0], float(np.exp(0.2))).chance, exact)


def test_a_factor_of_the_room_is_judged_by_days() -> None:
    """Eight days, four of each air, three batches a day: a t test of day means with 6 degrees of freedom."""
    runs = pd.DataFrame({"day": np.repeat(range(8), 3), "air": np.repeat(["plain", "dried"] * 4, 3)})
    plan = structure(runs, [Category("air", ("plain", "dried"), "plain")])
    batch, day, size = 0.15, 0.12, 0.35
    se = np.sqrt((day**2 + batch**2 / 3) * 2 / 4)
    exact = float(stats.nct.sf(stats.t.ppf(0.975, 6), 6, size / se))
    simulation = number_simulation(plan, Spreads(1e-9, batch, day, "a check"), trials=TRIALS, seed=6)
    assert within_error(simulation.chance(plan.effects[0], float(np.exp(size))).chance, exact)


def test_all_levels_at_once_as_the_r_manual_and_statsmodels() -> None:
    # manual of R package stats, page power.anova.test: power.anova.test(groups = 4, n = 5, between.var = 1,
    # within.var = 3)  # Power = 0.3535594
    published = 0.3535594
    means = np.array([-1.0, -1, 1, 1]) * np.sqrt(3) / 2  # sample variance 1
    effect = np.sqrt(((means - means.mean()) ** 2).mean() / 3)
    assert FTestAnovaPower().power(effect, 20, 0.05, k_groups=4) == pytest.approx(published, abs=1e-6)
    plan = one_day(("none", "pearl", "dye", "lake"), 5)
    fits = number_fits(plan, np.sqrt(3), 0.0, TRIALS, seed=7)
    truth = np.concatenate([[0.0], means[1:] - means[0]])
    assert within_error(float(joint_seen(fits, np.eye(4)[1:], truth).mean()), published)
