"""Do the chances told of bracketed dry times come true, and do confirmation bounds hold?

Three colours, four pieces a batch, touched at set hours; the limit asks that 9 in 10 pieces of a batch are
dry, and lies around the truth. Run by hand: python benchmarks/choose_drying.py [trials]
"""

from __future__ import annotations

import sys

import numpy as np
import pandas as pd

from fizzlab.models.choose import Limit, choose
from fizzlab.models.curing import fit_curing_time
from fizzlab.models.terms import Category

COLOUR = Category("colour", ("none", "mica", "lake"), "none")
STEP = {"none": 0.0, "mica": 0.2, "lake": 0.5}
LOOKS = (3.0, 4, 5, 6, 7, 8, 9, 10, 12, 14, 17, 20, 24, 30, 36, 48, 72)
MIDDLE, PIECES, BATCHES, SHARE, REACH = np.log(6.0), 0.1, 0.15, 0.9, 1.2815515655446004


def readings(
    rng: np.random.Generator, batches: int, days: int, day_sd: float
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Runs and touch checks of one trial."""
    day = np.arange(batches) * days // batches
    colour = np.array(COLOUR.levels)[np.arange(batches) % 3]
    logs = MIDDLE + np.array([STEP[c] for c in colour]) + rng.normal(0, BATCHES, batches)
    logs = logs + day_sd * rng.standard_normal(days)[day]
    runs = pd.DataFrame(
        {"run": [f"R{i:02d}" for i in range(batches)], "day": day.astype(str), "colour": colour}
    )
    times = np.exp(logs[:, None] + PIECES * rng.standard_normal((batches, 4)))
    rows = [
        (runs["run"][batch], piece, hours, bool(times[batch, piece] <= hours))
        for batch in range(batches)
        for piece in range(4)
        for hours in LOOKS
    ]
    return runs, pd.DataFrame(rows, columns=["run", "piece", "hours", "dry"])


def main(trials: int) -> None:
    """Print one line a design."""
    setting = pd.DataFrame({"colour": ["mica"]})
    for batches, days, day_sd in ((15, 15, 0.0), (18, 6, 0.15)):
        rng = np.random.default_rng(20260612)
        told, kept, inside = [], [], []
        whole = float(np.hypot(BATCHES, day_sd))
        for _ in range(trials):
            runs, looks = readings(rng, batches, days, day_sd)
            fit = fit_curing_time(looks, [COLOUR], runs=runs, air="none")
            middle = MIDDLE + STEP["mica"]
            limit = float(middle + REACH * PIECES + rng.normal(0, 0.2))
            asked = [Limit("dry_h", at_most=float(np.exp(limit)))]
            choice = choose([fit], setting, limits=asked, share=SHARE, draws=400)
            told.append(choice.table["meets"].iloc[0])
            kept.append(np.mean(middle + REACH * PIECES + rng.normal(0, whole, 2000) <= limit))
            bounds = choice.confirm(3).loc["dry_h"]
            new = middle + rng.normal(0, whole, 3) + rng.normal(0, PIECES, (4, 3)).mean(axis=0)
            inside.append(bounds["conf_low"] <= np.exp(new.mean()) <= bounds["conf_high"])
        said, came = np.array(told), np.array(kept)
        few, many = said < 0.3, said > 0.7
        print(
            f"{batches} batches, {days} days, sd of days {day_sd}: "
            f"told {said.mean():.0%}, true {came.mean():.0%}; "
            f"told < 30 %: {said[few].mean():.0%}, true {came[few].mean():.0%}; "
            f"told > 70 %: {said[many].mean():.0%}, true {came[many].mean():.0%}; "
            f"inside {np.mean(inside):.1%} of {trials}"
        )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 200)
