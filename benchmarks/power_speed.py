"""How many planned touch-check trials a second are judged, beside one fit of the full likelihood a trial.

Run: python benchmarks/power_speed.py [trials of the regression, 100 by default]

Times are of one machine and one moment. The table of agreement compares both on the same simulated readings,
trial by trial.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

import numpy as np
import pandas as pd

from fizzlab.design.detect import power
from fizzlab.design.trials import ASSUMED, Model, Spreads, Trials
from fizzlab.models.terms import Category

sys.path.insert(0, str(Path(__file__).parents[1] / "tests"))
from touch_regression import seen_by_regression

LOOKS = (2.0, 3.0, 4.0, 6.0, 8.0, 12.0, 24.0)
HALF_HOURS = (3.0, 3.5, 4.0, 4.5, 5.0, 5.5, 6.0, 6.5, 7.0, 8.0, 9.0, 10.0, 12.0)
EVEN = Spreads(0.10, 0.12, 0.0, "an even room")


def plan_of(days: int, each: int, levels: int = 2) -> Model:
    names = ("none", "pearl", "dye", "lake")[:levels]
    runs = pd.DataFrame({"day": np.repeat(range(days), each), "colour": np.resize(names, days * each)})
    return Model(runs, [Category("colour", names, names[0])])


# model, looks, pieces, usual dry time, spreads, ratio
CASES = {
    "24 batches, 4 days": (plan_of(4, 6), LOOKS, 4, 6.0, ASSUMED, 1.25),
    "12 batches, 4 days": (plan_of(4, 3), LOOKS, 4, 6.0, ASSUMED, 1.3),
    "12 batches, 1 day": (plan_of(1, 12), LOOKS, 4, 6.0, ASSUMED, 1.3),
    "8 batches, 4 days": (plan_of(4, 2), LOOKS, 4, 6.0, ASSUMED, 1.5),
    "16 batches, 4 days, 3 levels, 6 pieces": (plan_of(4, 4, 3), LOOKS, 6, 6.0, ASSUMED, 1.3),
    "one piece a batch": (plan_of(6, 2), LOOKS, 1, 6.0, ASSUMED, 1.4),
    "looks every half hour": (plan_of(4, 4), HALF_HOURS, 4, 6.0, ASSUMED, 1.25),
    "half never seen dry": (plan_of(4, 3), (2.0, 4.0, 6.0, 8.0), 4, 7.0, ASSUMED, 1.3),
    "looks too far apart": (plan_of(3, 4), (4.0, 8.0, 24.0), 4, 6.0, EVEN, 1.4),
}


def agreement(trials: int) -> pd.DataFrame:
    """Both analyses on the same trials."""
    rows = []
    for name, (model, looks, pieces, typical, spreads, ratio) in CASES.items():
        made = Trials(model, spreads, pieces=pieces, looks_h=looks, typical_h=typical, trials=trials, seed=21)
        comparison, size = model.comparisons[0], float(np.log(ratio))
        start = time.perf_counter()
        seen, answered = made.ask(comparison, size)
        middle = time.perf_counter()
        theirs, theirs_answered = seen_by_regression(made, comparison, size)
        end = time.perf_counter()
        rows.append(
            {
                "case": name,
                "seen here": seen.mean(),
                "seen by regression": theirs.mean(),
                "trials that differ": int((seen != theirs).sum()),
                "answered here": answered.mean(),
                "answered by regression": theirs_answered.mean(),
                "times as fast": (end - middle) / (middle - start),
            }
        )
        print(f"  {name} done", file=sys.stderr, flush=True)
    return pd.DataFrame(rows)


def speed() -> pd.DataFrame:
    """Seconds for 24 batches on 4 days, 1,000 trials of each size, once everything is loaded."""
    model = plan_of(4, 6)
    runs = pd.DataFrame({"day": np.repeat(range(4), 6), "colour": np.resize(["none", "pearl"], 24)})
    power(runs, trials=10)
    rows = []
    for what, looks in (("numbers", None), ("touch checks", LOOKS)):
        start = time.perf_counter()
        made = Trials(model, ASSUMED, looks_h=looks, typical_h=6.0, trials=1000)
        made.ask(model.comparisons[0], float(np.log(1.25)))
        middle = time.perf_counter()
        power(runs, looks_h=looks, trials=1000)
        rows.append(
            {"24 batches": what, "one size, s": middle - start, "power(), s": time.perf_counter() - middle}
        )
    return pd.DataFrame(rows)


if __name__ == "__main__":
    print(speed().to_string(index=False, float_format="{:.3f}".format), flush=True)
    asked = int(sys.argv[1]) if len(sys.argv) > 1 else 100
    print(f"\nOn the same {asked} trials:")
    print(agreement(asked).to_string(index=False, float_format="{:.2f}".format))
