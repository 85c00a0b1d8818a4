"""How often the 95 % intervals of the fizz room hold the truth that made the readings.

Run by hand: ``python benchmarks/fizz_coverage.py [trials]``. The figures that were seen stand in
docs/methods/fizz.md.
"""

from __future__ import annotations

import sys

import numpy as np
import pandas as pd

from fizzlab.errors import CannotAnswer
from fizzlab.models.effects import fit_response
from fizzlab.models.fizz import batch_times
from fizzlab.models.gas import Shape, fit_gas_curve, share_out, time_until
from fizzlab.models.result import FitResult
from fizzlab.models.shelf import fit_shelf_life
from fizzlab.models.terms import Category
from fizzlab.models.water import arrhenius

COLOUR = Category("colour", ("dye", "lake"), control="dye")


def durations(trials: int, batches: int, pieces: int, sd_batches: float, watched_s: float) -> str:
    """120 s at 38 °C, lake 1.3 times as long, 40 kJ/mol, 8 % between pieces."""
    rng = np.random.default_rng(1)
    runs = [f"B{i}" for i in range(batches)]
    table = pd.DataFrame({"run": runs, "day": 1, "colour": np.resize(["dye", "lake"], batches)}, index=runs)
    run = np.repeat(runs, pieces)
    lake = (table.loc[run, "colour"] == "lake").to_numpy()
    held, unfinished, answered, never = np.zeros(3), 0.0, 0, 0
    for _ in range(trials):
        water = rng.permuted(np.resize([34.0, 38.0, 42.0], len(run)))
        log_s = np.log(120) + np.log(1.3) * lake + 40 * arrhenius(water, 38.0)
        log_s += np.repeat(rng.normal(0, sd_batches, batches), pieces) + rng.normal(0, 0.08, len(run))
        seconds = np.exp(log_s)
        upper = np.where(seconds <= watched_s, seconds, np.inf)
        times = pd.DataFrame({"run": run, "piece": 1, "water_c": water, "upper": upper})
        times["lower"] = np.minimum(seconds, watched_s)
        try:
            found = batch_times("fizz_s", times, table, [COLOUR])
            numbered = table.assign(fizz_s=table["run"].map(found.numbers))
            fit: FitResult = (
                found.fit_brackets("fizz_s", table.reset_index(drop=True), [COLOUR])
                if found.never
                else fit_response(numbered, "fizz_s", [COLOUR])
            )
        except CannotAnswer:
            continue
        answered += 1
        unfinished += np.isinf(upper).mean()
        never += len(found.never)
        typical = fit.predict({"colour": "dye"}).iloc[0]
        assert found.water is not None
        ends = np.sort(np.log([found.water.conf_low, found.water.conf_high]) / arrhenius(43.0, 33.0))
        held += [
            fit.effects[0].conf_low <= 1.3 <= fit.effects[0].conf_high,
            ends[0] <= 40 <= ends[1],
            typical["conf_low"] <= 120 <= typical["conf_high"],
        ]
    share = 100 * held / answered
    return (
        f"{batches:>3} batches x {pieces}, {sd_batches:.0%} between batches, "
        f"{unfinished / answered:4.0%} unfinished, {never / answered:.1f} batches never seen: "
        f"ratio {share[0]:.1f}, "
        f"activation energy {share[1]:.1f}, seconds {share[2]:.1f} ({answered})"
    )


def in_days(trials: int, days: int) -> str:
    """As `durations`, 12 batches on some days; days (t, 4 df) differ 1.5 times as much as batches (gamma)."""
    rng = np.random.default_rng(5)
    runs, day = [f"B{i}" for i in range(12)], np.repeat(np.arange(days), 12 // days)
    table = pd.DataFrame({"run": runs, "day": day, "colour": np.resize(["dye", "lake"], 12)})
    held = np.zeros(3)
    for _ in range(trials):
        batch = (np.log(rng.gamma(4.0, size=12)) - 1.25612) / np.sqrt(0.283823)
        added = 0.15 * rng.standard_t(4, days)[day] / np.sqrt(2) + 0.1 * batch
        table["fizz_s"] = 120 * np.exp(np.log(1.3) * (table["colour"] == "lake") + added)
        fit = fit_response(table, "fizz_s", [COLOUR])
        typical = fit.predict({"colour": "dye"}).iloc[0]
        blocks = fit.interval(fit.weights(pd.DataFrame({"colour": ["dye"]}))[0])
        held += [
            fit.effects[0].conf_low <= 1.3 <= fit.effects[0].conf_high,
            typical["conf_low"] <= 120 <= typical["conf_high"],
            blocks["conf_low"] <= np.log(120) <= blocks["conf_high"],
        ]
    share = 100 * held / trials
    told = f"ratio {share[0]:.1f}, seconds {share[1]:.1f} (with days as blocks {share[2]:.1f})"
    return f"12 batches on {days} days: {told}"


def cups(trials: int, shape: Shape, bend: float, step: float, drift: float) -> str:
    """9 g of gas, t50 of 20 to 45 s, read every 5 or 10 s for 400 s, 0.04 g of noise."""
    rng = np.random.default_rng(3)
    held, answered = np.zeros(4), 0
    for _ in range(trials):
        seconds = np.arange(0.0, 401.0, rng.choice([5.0, 10.0]))
        t50 = rng.uniform(20, 45)
        mass = 400 + rng.uniform(0, 1) - 9 * share_out(shape, seconds, t50, bend) - drift * seconds
        mass = np.round((mass + rng.normal(0, 0.04, len(seconds))) / step) * step
        try:
            readings = pd.DataFrame({"seconds": seconds, "mass_g": mass})
            fit = fit_gas_curve(readings, shapes=[shape], step_g=step)
        except CannotAnswer:
            continue
        answered += 1
        truth = (9, t50, time_until(shape, 0.9, t50, bend), 0.9 / time_until(shape, 0.1, t50, bend))
        held += (fit.estimates["conf_low"] <= truth) & (truth <= fit.estimates["conf_high"])
    share = 100 * held / answered
    return (
        f"{shape:<12} {step} g steps, drift {60 * drift:.2f} g/min: gas {share[0]:.1f}, t50 {share[1]:.1f}, "
        f"t90 {share[2]:.1f}, pace at the start {share[3]:.1f} ({answered})"
    )


def storage(trials: int, batches: int) -> str:
    rng = np.random.default_rng(4)
    held = np.zeros(2)
    weeks = np.array([0, 2, 4, 8])
    for _ in range(trials):
        k = rng.normal(0.02, 0.004, batches)
        gas = 9 * np.exp(-k[:, None] * weeks + rng.normal(0, 0.03, (batches, 4)))
        shelf = pd.DataFrame(
            {"run": np.repeat(np.arange(batches), 4), "weeks": np.tile(weeks, batches), "gas_g": gas.ravel()}
        )
        rate = fit_shelf_life(shelf).table.iloc[0]
        true = -np.log(0.9) / 0.02
        held += [
            rate["conf_low"] <= 0.02 <= rate["conf_high"],
            rate["weeks_low"] <= true <= rate["weeks_high"],
        ]
    share = 100 * held / trials
    return f"storage, {batches} batches: loss {share[0]:.1f}, weeks to 90 % {share[1]:.1f}"


def main() -> None:
    trials = int(sys.argv[1]) if len(sys.argv) > 1 else 400
    print(f"95 % intervals that held the truth, in per cent of {trials} trials (those answered in brackets)")
    for batches, pieces, sd_batches, watched_s in (
        (12, 3, 0.10, np.inf),
        (12, 3, 0.10, 175.0),
        (12, 3, 0.10, 140.0),
        (12, 3, 0.0, 175.0),
        (12, 1, 0.10, 175.0),
        (6, 3, 0.10, 175.0),
        (4, 4, 0.10, 175.0),
    ):
        print(durations(trials, batches, pieces, sd_batches, watched_s), flush=True)
    for days in (3, 4, 6):
        print(in_days(trials, days), flush=True)
    shapes: tuple[tuple[Shape, float], ...] = (("first order", 1.0), ("weibull", 1.4), ("cube root", 1.0))
    for step in (0.1, 1.0):
        for shape, bend in shapes:
            print(cups(trials // 2, shape, bend, step, drift=0.001), flush=True)
    for batches in (12, 4):
        print(storage(trials, batches), flush=True)


if __name__ == "__main__":
    main()
