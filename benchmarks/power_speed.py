"""How long power takes, and how closely the quick analysis of touch checks stands in for the full one.

Run: python benchmarks/power_speed.py [trials of the full analysis, 100 by default]

Times are of one machine and one moment; the ratio of the two analyses is what counts. The table of agreement
compares them trial by trial on the same simulated readings.
"""

from __future__ import annotations

import sys
import time

import numpy as np
import pandas as pd

from fizzlab.design.power import (
    ASSUMED,
    Spreads,
    Structure,
    TouchChecks,
    number_simulation,
    structure,
    touch_simulation,
)
from fizzlab.design.power.touchtrials import draw, touch_verdicts
from fizzlab.models.terms import Category

LOOKS = (2.0, 3.0, 4.0, 6.0, 8.0, 12.0, 24.0)
EVEN = Spreads(0.10, 0.12, 0.0, "an even room")


def plan_of(days: int, each: int, levels: int = 2) -> Structure:
    names = ("none", "pearl", "dye", "lake")[:levels]
    runs = pd.DataFrame({"day": np.repeat(range(days), each), "colour": np.resize(names, days * each)})
    return structure(runs, [Category("colour", names, names[0])])


CASES: dict[str, tuple[Structure, TouchChecks, Spreads, float]] = {
    "12 batches, 4 days": (plan_of(4, 3), TouchChecks(LOOKS, 4, 6.0), ASSUMED, 1.3),
    "12 batches, 1 day": (plan_of(1, 12), TouchChecks(LOOKS, 4, 6.0), ASSUMED, 1.3),
    "8 batches, 4 days": (plan_of(4, 2), TouchChecks(LOOKS, 4, 6.0), ASSUMED, 1.5),
    "16 batches, 4 days, 3 levels, 6 pieces": (plan_of(4, 4, 3), TouchChecks(LOOKS, 6, 6.0), ASSUMED, 1.3),
    "one piece a batch": (plan_of(6, 2), TouchChecks(LOOKS, 1, 6.0), ASSUMED, 1.4),
    "a fifth of the looks missed": (plan_of(4, 4), TouchChecks(LOOKS, 4, 6.0, 0.2), ASSUMED, 1.3),
    "half never seen dry": (plan_of(4, 3), TouchChecks((2.0, 4.0, 6.0, 8.0), 4, 7.0), ASSUMED, 1.3),
    "looks too far apart": (plan_of(3, 4), TouchChecks((4.0, 8.0, 24.0), 4, 6.0), EVEN, 1.4),
}


def agreement(trials: int) -> pd.DataFrame:
    """Both analyses on the same trials."""
    rows = []
    for name, (plan, checks, spreads, ratio) in CASES.items():
        drawn = draw(plan, checks, trials, seed=21)
        found, seconds = {}, {}
        for engine in ("quick", "full"):
            start = time.perf_counter()
            found[engine] = touch_verdicts(
                plan, plan.effects[0], float(np.log(ratio)), checks, spreads, drawn, engine=engine
            )
            seconds[engine] = time.perf_counter() - start
        quick, full = found["quick"], found["full"]
        both = quick.answered & full.answered
        spread = quick.se[both] / full.se[both]
        rows.append(
            {
                "case": name,
                "seen quick": quick.seen.mean(),
                "seen full": full.seen.mean(),
                "trials that differ": int((quick.seen != full.seen).sum()),
                "answered quick": quick.answered.mean(),
                "answered full": full.answered.mean(),
                "se ratio, middle": np.median(spread) if both.any() else np.nan,
                "times as fast": seconds["full"] / seconds["quick"],
            }
        )
        print(f"  {name} done", file=sys.stderr, flush=True)
    return pd.DataFrame(rows)


def speed() -> pd.DataFrame:
    """Seconds for 1,000 trials of 24 batches on 4 days."""
    plan = plan_of(4, 6)
    effect = plan.effects[0]
    rows = []
    start = time.perf_counter()
    number_simulation(plan, ASSUMED, 4, trials=1000).chance(effect, 1.25)
    rows.append({"1,000 trials of 24 batches": "numbers", "seconds": time.perf_counter() - start})
    simulation = touch_simulation(plan, TouchChecks(LOOKS, 4, 6.0), ASSUMED, trials=1000)
    start = time.perf_counter()
    simulation.chance(effect, 1.25)
    rows.append({"1,000 trials of 24 batches": "touch checks, quick", "seconds": time.perf_counter() - start})
    return pd.DataFrame(rows)


if __name__ == "__main__":
    print(speed().to_string(index=False, float_format=lambda value: f"{value:.2f}"), flush=True)
    asked = int(sys.argv[1]) if len(sys.argv) > 1 else 100
    print(f"\nThe quick and the full analysis on the same {asked} trials:")
    print(agreement(asked).to_string(index=False, float_format=lambda value: f"{value:.3f}"))
