"""What a planned trial can detect: the plan, its looks and the spreads, simulated and put into words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from fizzlab.bench.planning import Planned
from fizzlab.design import power
from fizzlab.design.power import ASSUMED, Effect, Simulation, Spreads, TouchChecks
from fizzlab.errors import CannotAnswer
from fizzlab.models.curing import study_touch
from fizzlab.report.phrases import capital
from fizzlab.report.phrases import power as words
from fizzlab.report.phrases.power import DRY_TIME, Thing
from fizzlab.trial.folder import load

TARGET = 0.8
#: What is measured by the other tables, where there are no touch checks: one number a batch, as a logarithm.
NUMBERS = {
    "weighings": DRY_TIME,
    "fizz_times": Thing("a fizz time", "long", "fizz times"),
    "tumbles": Thing("a tumble loss", "great", "tumble losses"),
}
_TRIALS = 300
_MOSTLY = 0.5  # share of trials without any answer at which no smallest effect is looked for
_ALIKE = 1.1  # standard errors within a tenth of each other are not told apart in words


@dataclass(frozen=True)
class PlanPower:
    """What a plan can detect.

    Attributes
    ----------
    sentences : tuple of str
    table : DataFrame
        The power curve of the effect that is hardest to see: effect, ratio, chance, low, high, trials,
        unanswered. Empty where nothing could be worked out.
    what : str
        That effect in words.
    ratio_of : str
        What the ratio is of.
    smallest_difference : float
        The ratio that trial.toml says is worth knowing.
    """

    sentences: tuple[str, ...]
    table: pd.DataFrame
    what: str
    ratio_of: str
    smallest_difference: float

    def in_words(self) -> str:
        """The curve as one text."""
        return words.in_words(list(self.table[["ratio", "chance"]].itertuples(index=False)), self.what)


def plan_power(
    planned: Planned,
    spreads: Spreads = ASSUMED,
    *,
    trials: int = _TRIALS,
    curve: bool = False,
) -> PlanPower:
    """Simulate a planned trial and say what it can detect.

    Parameters
    ----------
    planned : Planned
    spreads : Spreads
        From earlier records where there are some.
    trials : int
        Simulated for each size of effect.
    curve : bool
        Fill the power curve up from nothing to well past the smallest effect seen.

    Returns
    -------
    PlanPower
        Where the plan is of a kind whose power is not worked out, one sentence says why.
    """
    try:
        return _judged(planned, spreads, trials, curve)
    except CannotAnswer as problem:
        return _nothing(planned, str(problem))


def spreads_of(folder: Path) -> Spreads:
    """How much pieces, batches and days differed in an earlier trial's dry times.

    Raises
    ------
    BadInput
        The earlier trial's folder has problems.
    CannotAnswer
        Its touch checks cannot tell.
    """
    trial = load(folder)
    if not trial.has("touch_checks"):
        raise CannotAnswer(
            f"The earlier trial {trial.settings.code} has no touch checks.",
            "Name one that has, or leave --earlier out.",
        )
    wanted = trial.settings.drying
    study = study_touch(
        {name: trial.rows(name) for name in ("runs", "touch_checks", "weighings", "room_log")},
        trial.settings.terms(),
        air=wanted.air,
        distribution=wanted.distribution,
    )
    if study.reasons:
        raise study.reasons["dry_h"]
    return Spreads.of_fit(study.fits["dry_h"], f"those found in the trial {trial.settings.code}")


def _nothing(planned: Planned, why: str) -> PlanPower:
    sentences = (words.not_worked_out(why),)
    return PlanPower(sentences, pd.DataFrame(), "", "", planned.wishes.smallest_difference)


def _judged(planned: Planned, spreads: Spreads, trials: int, curve: bool) -> PlanPower:
    wishes, settings = planned.wishes, planned.settings
    touched = "touch_checks" in wishes.tables
    thing = DRY_TIME if touched else next((NUMBERS[name] for name in NUMBERS if name in wishes.tables), None)
    if thing is None:
        return _nothing(planned, "It is worked out for touch checks, weighings, fizz times and tumbles only.")
    air = {"vpd": 1, "rh and temperature": 2, "none": 0}[settings.drying.air]
    known_air = air if thing == DRY_TIME and "room_log" in wishes.tables else 0
    shape = power.structure(planned.runs, settings.terms(), air=known_air, seed=settings.seed)
    typical = _typical(wishes.checks_h, spreads) if touched else None
    if typical is not None:
        checks = TouchChecks(tuple(wishes.checks_h), wishes.pieces, typical)
        simulation = power.touch_simulation(shape, checks, spreads, trials, settings.seed)
    else:
        simulation = power.number_simulation(shape, spreads, wishes.pieces, trials, settings.seed)
    hardest, unequal = _hardest(simulation, wishes.pieces)
    chance = simulation.chance(hardest, wishes.smallest_difference)
    label = settings.label
    said = [words.chance_sentence(chance, hardest, shape.batches, shape.days, thing, label)]
    table = pd.DataFrame([vars(chance)])
    top = wishes.smallest_difference
    if chance.unanswered < _MOSTLY:
        try:
            smallest = simulation.smallest(hardest, TARGET)
            said.append(words.smallest_sentence(smallest, hardest, label))
            table = pd.concat([table, smallest.table], ignore_index=True)
            top = smallest.ratio
        except CannotAnswer as problem:
            said.append(str(problem))
    said.append(words.unanswered_sentence(chance))
    if unequal:
        said.append(words.hardest_sentence(hardest, len(shape.effects), label))
    said.append(words.spreads_sentence(spreads, typical))
    if typical is not None:
        said.append(_looks(wishes.checks_h, typical, spreads))
    if curve:
        sizes = np.exp(np.log(top) * np.array([0.0, 0.33, 0.66, 1.33, 1.66]))
        table = pd.concat([table, simulation.curve(hardest, list(sizes))], ignore_index=True)
    table = table.sort_values("ratio", ignore_index=True)
    apart = np.diff(np.log(table["ratio"].to_numpy(float)), prepend=-1.0) > 0.012
    first = words.first_of(hardest, label)
    what = f"{thing.noun} so many times as {thing.adjective} with {first} as with {hardest.second}"
    what = capital(what)
    sentences = tuple(each for each in said if each)
    return PlanPower(sentences, table[apart], what, thing.ratio_of, wishes.smallest_difference)


def _hardest(simulation: Simulation, pieces: int) -> tuple[Effect, bool]:
    """The effect that is hardest to see, the first of those alike, and whether others are clearly easier."""
    spreads = simulation.spreads
    batch = spreads.of_batch_mean(pieces)
    effects = simulation.plan.effects
    errors = np.round([simulation.plan.standard_error(each, batch, spreads.days) for each in effects], 6)
    return effects[int(np.argmax(errors))], bool(errors.max() > _ALIKE * errors.min())


def _typical(looks_h: Sequence[float], spreads: Spreads) -> float:
    """Usual dry time: as it was in earlier records, else the middle of the looks on the log scale."""
    if spreads.typical_h is not None:
        return spreads.typical_h
    return float(np.sqrt(looks_h[0] * looks_h[-1]))


def _looks(looks_h: Sequence[float], typical: float, spreads: Spreads) -> str:
    low, high = typical / 2, typical * 2
    spread = float(np.hypot(spreads.pieces, spreads.batches))
    centres = np.exp(np.linspace(np.log(low), np.log(high), 81))
    kept = float(power.information_kept(looks_h, centres, spread).mean())
    better = power.schedule_looks(low, high, len(looks_h), spread)
    return words.looks_sentence(kept, better, low, high)
