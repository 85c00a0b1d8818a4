"""Simulated power against exact power: statsmodels, R, and noncentral distributions."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from outside import Source, agrees, holds
from scipy import stats
from statsmodels.stats.power import FTestAnovaPower, TTestIndPower

from fizzlab.design.power import (
    Spreads,
    Structure,
    exact_chance,
    joint_seen,
    number_fits,
    number_simulation,
    structure,
)
from fizzlab.models.terms import Category

TRIALS = 4000


def one_day(levels: tuple[str, ...], each: int) -> Structure:
    runs = pd.DataFrame({"day": 1, "colour": np.repeat(levels, each)})
    return structure(runs, [Category("colour", levels, levels[0])])


def room(exact: float, trials: int = TRIALS) -> float:
    """3.9 standard errors of a simulated chance, which chance alone exceeds once in 10,000."""
    return 3.9 * float(np.sqrt(exact * (1 - exact) / trials))


R_T = Source(
    "program",
    "R 4.2.2, package stats: power.t.test; strict = FALSE counts the side of the true effect only, as "
    "fizzlab does",
    "run for this check",
    how="options(digits = 10); power.t.test(n = , delta = , sd = )$power",
)
R_T_TEST = [
    (20, 1.0, 1.0, 0.8689528017),
    (6, 0.25, 0.2, 0.4984439007),
    (12, np.log(1.25), 0.16, 0.9038327813),
]


@pytest.mark.parametrize(("each", "size", "sd", "power"), R_T_TEST)
def test_two_levels_as_r_power_t_test(each: int, size: float, sd: float, power: float) -> None:
    plan = one_day(("pearl", "dye"), each)
    agrees(
        f"{each} a level, true difference {size / sd:.2f} sd: exact",
        exact_chance(plan, plan.effects[0], size, sd),
        power,
        R_T,
        abs=1e-9,
    )
    simulation = number_simulation(plan, Spreads(1e-9, sd, 0.0, "a check"), trials=TRIALS, seed=3)
    chance = simulation.chance(plan.effects[0], float(np.exp(size))).chance
    agrees(
        f"{each} a level, true difference {size / sd:.2f} sd: simulated", chance, power, R_T, abs=room(power)
    )


def test_the_smallest_effect_as_r_power_t_test() -> None:
    smallest_r = Source(
        "program",
        "R 4.2.2: power.t.test, smallest effect",
        "run for this check",
        how="power.t.test(n = 6, power = .8, sd = 0.16)$delta",
    )
    delta = 0.28728752
    plan = one_day(("pearl", "dye"), 6)
    simulation = number_simulation(plan, Spreads(1e-9, 0.16, 0.0, "a check"), trials=TRIALS, seed=4)
    found = simulation.smallest(plan.effects[0])
    holds(
        "smallest log ratio seen with 80 % chance, 6 a level",
        f"{delta} in the interval",
        np.log(found.low) < delta < np.log(found.high),
        smallest_r,
        f"{np.log(found.low):.3f} to {np.log(found.high):.3f}",
    )
    assert found.high / found.low < 1.02


STATSMODELS = Source(
    "program",
    "statsmodels, TTestIndPower",
    "worked out at every run",
    live=True,
)


@pytest.mark.parametrize("size", [0.1, 0.25, 0.4])
def test_two_levels_as_statsmodels(size: float) -> None:
    plan = one_day(("pearl", "dye"), 8)
    theirs = TTestIndPower().power(size / 0.2, 8, 0.025, alternative="larger")
    agrees(
        f"8 a level, true difference {size / 0.2:g} sd: exact",
        exact_chance(plan, plan.effects[0], size, 0.2),
        theirs,
        STATSMODELS,
        abs=1e-6,
    )


NONCENTRAL = Source(
    "theory",
    "the non-central t distribution",
    "worked out at every run",
    live=True,
)


def test_blocks_take_their_days_from_the_degrees_of_freedom() -> None:
    """Four days of pearl and dye twice each: a t test with 16 - 2 - 3 degrees of freedom."""
    runs = pd.DataFrame({"day": np.repeat([1, 2, 3, 4], 4), "colour": ["pearl", "dye"] * 8})
    plan = structure(runs, [Category("colour", ("pearl", "dye"), "pearl")])
    spreads = Spreads(1e-9, 0.15, 0.3, "a check")
    exact = stats.nct.sf(stats.t.ppf(0.975, 11), 11, 0.2 / (0.15 * np.sqrt(2 / 8)))
    agrees(
        "four days of two levels twice: exact",
        exact_chance(plan, plan.effects[0], 0.2, 0.15),
        exact,
        NONCENTRAL,
        abs=1e-12,
    )
    simulation = number_simulation(plan, spreads, trials=TRIALS, seed=5)
    chance = simulation.chance(plan.effects[0], float(np.exp(0.2))).chance
    agrees("four days of two levels twice: simulated", chance, exact, NONCENTRAL, abs=room(exact))


def test_a_factor_of_the_room_is_judged_by_days() -> None:
    """Eight days, four of each air, three batches a day: a t test of day means with 6 degrees of freedom."""
    runs = pd.DataFrame({"day": np.repeat(range(8), 3), "air": np.repeat(["plain", "dried"] * 4, 3)})
    plan = structure(runs, [Category("air", ("plain", "dried"), "plain")])
    batch, day, size = 0.15, 0.12, 0.35
    se = np.sqrt((day**2 + batch**2 / 3) * 2 / 4)
    exact = float(stats.nct.sf(stats.t.ppf(0.975, 6), 6, size / se))
    simulation = number_simulation(plan, Spreads(1e-9, batch, day, "a check"), trials=TRIALS, seed=6)
    chance = simulation.chance(plan.effects[0], float(np.exp(size))).chance
    agrees("eight days of three, a factor of the room: simulated", chance, exact, NONCENTRAL, abs=room(exact))


def test_all_levels_at_once_as_the_r_manual_and_statsmodels() -> None:
    manual = Source(
        "publication",
        "manual of R package stats, page power.anova.test",
        "there",
        how="power.anova.test(groups = 4, n = 5, between.var = 1, within.var = 3)  # Power = 0.3535594",
    )
    published = 0.3535594
    means = np.array([-1.0, -1, 1, 1]) * np.sqrt(3) / 2  # sample variance 1
    effect = np.sqrt(((means - means.mean()) ** 2).mean() / 3)
    assert FTestAnovaPower().power(effect, 20, 0.05, k_groups=4) == pytest.approx(published, abs=1e-6)
    plan = one_day(("none", "pearl", "dye", "lake"), 5)
    fits = number_fits(plan, np.sqrt(3), 0.0, TRIALS, seed=7)
    truth = np.concatenate([[0.0], means[1:] - means[0]])
    seen = float(joint_seen(fits, np.eye(4)[1:], truth).mean())
    agrees("four levels, 5 each, all at once: simulated", seen, published, manual, abs=room(published))
