"""The chance of seeing an effect, with its Monte Carlo error, and the smallest effect seen often enough."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import stats
from statsmodels.stats.proportion import proportion_confint

from fizzlab.design.power.numbertrials import number_fits, number_verdicts
from fizzlab.design.power.shape import Effect, Structure
from fizzlab.design.power.spreads import Spreads
from fizzlab.design.power.touchtrials import Engine, TouchChecks, Verdicts, draw, touch_verdicts
from fizzlab.errors import CannotAnswer

LARGEST_RATIO = 8.0
"""Largest ratio that is tried: a difference seen by eye."""
_TRIES = 8
_NOTHING = float(stats.norm.ppf(0.025))  # probit of the chance at a ratio of 1, where a curve begins


@dataclass(frozen=True)
class Chance:
    """How often simulated trials see an effect of one size.

    Attributes
    ----------
    effect : str
    ratio : float
        True ratio.
    chance : float
        Share of the trials whose interval lies wholly on the side of the true effect.
    low, high : float
        95 % Wilson interval of the chance: Monte Carlo error only, not doubt about the spreads.
    trials : int
    unanswered : float
        Share of the trials whose readings could not be analysed; they count as not seen.
    """

    effect: str
    ratio: float
    chance: float
    low: float
    high: float
    trials: int
    unanswered: float


@dataclass(frozen=True)
class Smallest:
    """The smallest effect that is seen often enough.

    Attributes
    ----------
    effect : str
    ratio : float
    low, high : float
        Monte Carlo error: where the chance's 95 % interval crosses the target.
    target : float
    table : DataFrame
        Every size tried, as rows of `Chance`.
    """

    effect: str
    ratio: float
    low: float
    high: float
    target: float
    table: pd.DataFrame


@dataclass(frozen=True)
class Simulation:
    """Simulated trials of one plan, ready to be asked about any effect.

    Made by `touch_simulation` and `number_simulation`.

    Attributes
    ----------
    plan : Structure
    spreads : Spreads
    trials : int
    verdicts : callable
        (effect, log ratio) -> `Verdicts`. The chance draws are the same for every size, so that a larger
        effect is not seen less often by luck.
    first_guess : callable
        (effect, chance) -> log ratio, near enough to start a search from.
    """

    plan: Structure
    spreads: Spreads
    trials: int
    verdicts: Callable[[Effect, float], Verdicts]
    first_guess: Callable[[Effect, float], float]

    def chance(self, effect: Effect, ratio: float) -> Chance:
        """The chance of seeing one effect of one size.

        Parameters
        ----------
        effect : Effect
        ratio : float
            Above 0; below 1 means shorter. At 1 it is the chance of "seeing" what is not there, on one side.
        """
        if not (np.isfinite(ratio) and ratio > 0):
            raise ValueError("a ratio must be above 0")
        found = self.verdicts(effect, float(np.log(ratio)))
        seen = int(found.seen.sum())
        low, high = proportion_confint(seen, self.trials, alpha=0.05, method="wilson")
        share = seen / self.trials
        unanswered = float(1 - found.answered.mean())
        return Chance(effect.name, float(ratio), share, float(low), float(high), self.trials, unanswered)

    def curve(self, effect: Effect, ratios: Sequence[float]) -> pd.DataFrame:
        """Chances over sizes of effect: a row a ratio, the attributes of `Chance` as columns."""
        return pd.DataFrame([vars(self.chance(effect, ratio)) for ratio in ratios])

    def smallest(self, effect: Effect, target: float = 0.8) -> Smallest:
        """The smallest ratio above 1 that is seen with the chance asked for.

        A search by secants on the probit of the chance; between the sizes nearest to the target the probit is
        taken as straight in the log ratio.

        Raises
        ------
        CannotAnswer
            Not even an eightfold ratio is seen that often.
        """
        if not 0.05 < target < 1:
            raise ValueError("the target must lie between 0.05 and 1")
        top = float(np.log(LARGEST_RATIO))
        rows: dict[float, Chance] = {}
        size = min(max(self.first_guess(effect, target), 0.02), top)
        close = min(0.015, (1 - target) / 4)
        for _ in range(_TRIES):
            rows[size] = self.chance(effect, float(np.exp(size)))
            if abs(rows[size].chance - target) <= close:
                break
            below = max((s for s in rows if rows[s].chance < target), default=0.0)
            above = min((s for s in rows if rows[s].chance >= target and s > below), default=np.inf)
            if not np.isfinite(above):
                if below >= top:
                    break
                slope = (_probit(rows[below]) - _NOTHING) / below
                size = min(
                    max(
                        below + (stats.norm.ppf(target) - _probit(rows[below])) / max(slope, 0.1),
                        below * 1.15,
                    ),
                    below * 2.5,
                    top,
                )
                continue
            between = _between(below, above, rows, target)
            size = float(np.clip(between, below + 0.1 * (above - below), above - 0.1 * (above - below)))
            if above - below < 0.01:
                break
        table = pd.DataFrame([vars(rows[s]) for s in sorted(rows)])
        return _smallest(effect, table, target)


def _probit(chance: Chance) -> float:
    edge = 0.5 / chance.trials
    return float(stats.norm.ppf(np.clip(chance.chance, edge, 1 - edge)))


def _between(below: float, above: float, rows: dict[float, Chance], target: float) -> float:
    low, high = _probit(rows[below]) if below else _NOTHING, _probit(rows[above])
    return below + (above - below) * float((stats.norm.ppf(target) - low) / max(high - low, 1e-9))


def _smallest(effect: Effect, table: pd.DataFrame, target: float) -> Smallest:
    sizes = np.log(table["ratio"].to_numpy(float))
    ends = [
        _crossing(sizes, table[column].to_numpy(float), target, table) for column in ("high", "chance", "low")
    ]
    if not np.isfinite(ends[1]):
        raise CannotAnswer(
            f"Not even {LARGEST_RATIO:g} times as long with {effect.first} would be seen "
            f"in {100 * target:.0f} of 100 such trials.",
            "Look more often around the time of drying, or make more batches.",
        )
    low, ratio, high = (float(np.exp(end)) for end in ends)
    return Smallest(effect.name, ratio, low, high, target, table)


def _crossing(sizes: np.ndarray, chances: np.ndarray, target: float, table: pd.DataFrame) -> float:
    """Where a rising curve crosses the target, straight on the probit scale; inf if it does not."""
    edge = 0.5 / table["trials"].to_numpy(float)
    probit = np.concatenate([[_NOTHING], stats.norm.ppf(np.clip(chances, edge, 1 - edge))])
    probit = np.maximum.accumulate(probit)
    sizes = np.concatenate([[0.0], sizes])
    goal = stats.norm.ppf(target)
    if probit[-1] < goal:
        if chances[-1] < target - 0.1:
            return float("inf")
        return float(sizes[-1] * (goal - _NOTHING) / (probit[-1] - _NOTHING))
    at = int(np.argmax(probit >= goal))
    return float(np.interp(goal, probit[at - 1 : at + 1], sizes[at - 1 : at + 1]))


def touch_simulation(
    plan: Structure,
    checks: TouchChecks,
    spreads: Spreads,
    trials: int = 1000,
    seed: int = 1,
    level: float = 0.95,
    engine: Engine = "quick",
) -> Simulation:
    """Simulate trials that are read by touch checks.

    Parameters
    ----------
    plan : Structure
    checks : TouchChecks
    spreads : Spreads
    trials, seed : int
    level : float
        Of the interval that is judged.
    engine : {"quick", "full"}
        "full": the analysis of the report, trial by trial (seconds to minutes a hundred trials). "quick": a
        stand-in for it that reads the same likelihood from tables and integrates over days by Laplace's
        approximation; not the very same analysis, see docs/methods/power.md for how closely it agrees.

    Returns
    -------
    Simulation

    Examples
    --------
    >>> import pandas as pd
    >>> from fizzlab.design.power import ASSUMED, structure
    >>> from fizzlab.models.terms import Category
    >>> runs = pd.DataFrame({"day": [1, 1, 2, 2, 3, 3, 4, 4], "colour": ["pearl", "dye"] * 4})
    >>> plan = structure(runs, [Category("colour", ("pearl", "dye"), "pearl")])
    >>> checks = TouchChecks((2, 3, 4, 6, 8, 12, 24), pieces=4, typical_h=6)
    >>> found = touch_simulation(plan, checks, ASSUMED, trials=100).chance(plan.effects[0], 2.0)
    >>> found.chance > 0.7, found.low < found.chance <= found.high
    (True, True)
    """
    drawn = draw(plan, checks, trials, seed)

    def ask(effect: Effect, log_ratio: float) -> Verdicts:
        return touch_verdicts(plan, effect, log_ratio, checks, spreads, drawn, level, engine)

    batch = spreads.of_batch_mean(checks.pieces)
    return Simulation(plan, spreads, trials, ask, _guess(plan, batch, spreads.days, level))


def number_simulation(
    plan: Structure,
    spreads: Spreads,
    pieces: int = 1,
    trials: int = 1000,
    seed: int = 1,
    level: float = 0.95,
) -> Simulation:
    """Simulate trials that are read by one number a batch, the mean of some pieces on the log scale.

    Parameters
    ----------
    plan : Structure
    spreads : Spreads
    pieces : int
        Averaged in each batch.
    trials, seed : int
    level : float

    Returns
    -------
    Simulation

    Examples
    --------
    >>> import pandas as pd
    >>> from fizzlab.design.power import Spreads, exact_chance, structure
    >>> from fizzlab.models.terms import Category
    >>> runs = pd.DataFrame({"day": 1, "colour": ["pearl", "dye"] * 6})
    >>> plan = structure(runs, [Category("colour", ("pearl", "dye"), "pearl")])
    >>> dye = plan.effects[0]
    >>> found = number_simulation(plan, Spreads(0.1, 0.2, 0, "an example"), pieces=4).chance(dye, 1.4)
    >>> found.low < exact_chance(plan, dye, np.log(1.4), np.hypot(0.2, 0.05)) < found.high
    True
    """
    batch = spreads.of_batch_mean(pieces)
    fits = number_fits(plan, batch, spreads.days, trials, seed)

    def ask(effect: Effect, log_ratio: float) -> Verdicts:
        return number_verdicts(fits, effect, log_ratio, level)

    return Simulation(plan, spreads, trials, ask, _guess(plan, batch, spreads.days, level))


def _guess(plan: Structure, batch: float, day: float, level: float) -> Callable[[Effect, float], float]:
    spare = plan.batches - plan.x.shape[1] - (plan.days - 1 if plan.day is not None else 0)
    df = max(spare, 2)

    def guess(effect: Effect, chance: float) -> float:
        se = plan.standard_error(effect, batch, day)
        return float(se * (stats.t.ppf(0.5 + level / 2, df) + stats.t.ppf(chance, df)))

    return guess
