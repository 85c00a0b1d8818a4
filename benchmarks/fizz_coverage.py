"""How often the 95 % intervals of the fizz room hold the truth that made the readings.

Run by hand: ``python benchmarks/fizz_coverage.py [trials]``. The figures that were seen stand in
docs/methods/fizz.md.
"""

from __future__ import annotations

import sys

import numpy as np
import pandas as pd

from fizzlab.errors import CannotAnswer
from fizzlab.models.fizz import (
    Shape,
    arrhenius_column,
    fit_durations,
    fit_gas,
    fit_release,
    loss_rates,
    share_out,
    time_until,
    typical_durations,
)
from fizzlab.models.terms import Category

COLOUR = Category("colour", ("dye", "lake"), control="dye")


def durations(trials: int, batches: int, pieces: int, sd_batches: float, watched_s: float) -> str:
    """120 s at 38 °C, lake 1.3 times as long, 40 kJ/mol, 8 % between pieces."""
    rng = np.random.default_rng(1)
    runs = [f"B{i}" for i in range(batches)]
    table = pd.DataFrame({"colour": np.resize(["dye", "lake"], batches)}, index=runs)
    run = np.repeat(runs, pieces)
    lake = (table.loc[run, "colour"] == "lake").to_numpy()
    held, unfinished, answered = np.zeros(3), 0.0, 0
    for _ in range(trials):
        water = rng.permuted(np.resize([34.0, 38.0, 42.0], len(run)))
        log_s = np.log(120) + np.log(1.3) * lake + 40 * arrhenius_column(water, 38.0)
        log_s += np.repeat(rng.normal(0, sd_batches, batches), pieces) + rng.normal(0, 0.08, len(run))
        seconds = np.exp(log_s)
        times = pd.DataFrame(
            {
                "run": run,
                "water_c": water,
                "seconds": np.minimum(seconds, watched_s),
                "done": seconds <= watched_s,
            }
        )
        try:
            fit = fit_durations(times, table, [COLOUR])
        except CannotAnswer:
            continue
        answered += 1
        unfinished += 1 - times["done"].mean()
        typical = typical_durations(fit, "colour").iloc[0]
        assert fit.water is not None
        held += [
            fit.effects[0].low <= 1.3 <= fit.effects[0].high,
            fit.water.ea_low <= 40 <= fit.water.ea_high,
            typical["low"] <= 120 <= typical["high"],
        ]
    share = 100 * held / answered
    return (
        f"{batches:>3} batches x {pieces}, {sd_batches:.0%} between batches, "
        f"{unfinished / answered:4.0%} unfinished: ratio {share[0]:.1f}, "
        f"activation energy {share[1]:.1f}, seconds {share[2]:.1f} ({answered})"
    )


def release(trials: int) -> str:
    rng = np.random.default_rng(2)
    runs = [f"B{i}" for i in range(12)]
    table = pd.DataFrame({"colour": np.resize(["dye", "lake"], 12)}, index=runs)
    run = np.repeat(runs, 3)
    lake = (table.loc[run, "colour"] == "lake").to_numpy()
    held = 0
    for _ in range(trials):
        seen = np.exp(
            np.log(8) + np.log(4) * lake + np.repeat(rng.normal(0, 0.2, 12), 3) + rng.normal(0, 0.3, 36)
        )
        times = pd.DataFrame({"run": run, "water_c": 38.0, "seconds": 45.0, "colour_s": seen})
        times["colour_s"] = times["colour_s"].where(times["colour_s"] <= 45.0)
        effect = fit_release(times, table, [COLOUR]).effects[0]
        held += effect.low <= 4 <= effect.high
    return f"first colour, 12 batches x 3: ratio {100 * held / trials:.1f}"


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
            fit = fit_gas(pd.DataFrame({"seconds": seconds, "mass_g": mass}), [shape], step_g=step)
        except CannotAnswer:
            continue
        answered += 1
        truth = (9, t50, time_until(shape, 0.9, t50, bend), 0.9 / time_until(shape, 0.1, t50, bend))
        found = (fit.gas_g, fit.t50_s, fit.t90_s, fit.start_g_s)
        held += [one.low <= true <= one.high for one, true in zip(found, truth, strict=True)]
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
        rate = loss_rates(shelf, "gas_g")[0]
        true = -np.log(0.9) / 0.02
        held += [rate.low <= 0.02 <= rate.high, rate.weeks_low <= true <= rate.weeks_high]
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
    print(release(trials), flush=True)
    shapes: tuple[tuple[Shape, float], ...] = (("first order", 1.0), ("weibull", 1.4), ("cube root", 1.0))
    for step in (0.1, 1.0):
        for shape, bend in shapes:
            print(cups(trials // 2, shape, bend, step, drift=0.001), flush=True)
    for batches in (12, 4):
        print(storage(trials, batches), flush=True)


if __name__ == "__main__":
    main()
