"""Do the intervals of the touch-check regression hold what they promise? A table by simulation.

    python benchmarks/touch_coverage.py [TRIALS] [CASE]

12 batches of 4 pieces, a factor changed from batch to batch, and the logarithm of the vapour-pressure
deficit, which changes from batch to batch, or from day to day in the cases with days. For each case:
the share of 95 % intervals that hold the true coefficient; the chance that a new batch's own 90 % time
lies in its 95 % interval, and below its one-sided 95 % bound (exact given each fitted interval,
averaged); and how many trials were refused, as CannotAnswer, for looks too far apart and the like.
"""

import sys
import time

import numpy as np
import pandas as pd
from scipy import stats

from fizzlab.errors import CannotAnswer
from fizzlab.models.curing import fit_curing_time

EVERY_2 = np.arange(4.0, 60, 2.0)
COARSE = np.array([4.0, 8, 12, 24, 30, 36])
THREE = np.array([14.0, 18, 22])
TRUTH = {"intercept": 2.6, "colour[lake]": 0.25, "log vpd_kpa": -0.8}

# name: days, tau, sigma, delta, looks
CASES = {
    "batches alike": (None, 0.0, 0.15, 0.0, EVERY_2),
    "batches differ a little": (None, 0.1, 0.15, 0.0, EVERY_2),
    "batches differ": (None, 0.3, 0.15, 0.0, EVERY_2),
    "batches alike, coarse looks": (None, 0.0, 0.15, 0.0, COARSE),
    "batches differ, coarse looks": (None, 0.2, 0.15, 0.0, COARSE),
    "pieces nearly alike, coarse looks": (None, 0.3, 0.03, 0.0, COARSE),
    "three looks, most left or right censored": (None, 0.2, 0.15, 0.0, THREE),
    "6 days, days alike": (6, 0.15, 0.15, 0.0, EVERY_2),
    "6 days, days and batches differ": (6, 0.15, 0.15, 0.2, EVERY_2),
    "6 days, only days differ": (6, 0.0, 0.15, 0.2, EVERY_2),
    "6 days, coarse looks": (6, 0.15, 0.15, 0.2, COARSE),
    "4 days of 3": (4, 0.15, 0.15, 0.2, EVERY_2),
}


def trial(seed: list[int], days, tau, sigma, delta, looks) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Simulate the brackets and the batches of one trial."""
    rng = np.random.default_rng(seed)
    day = np.arange(12) if days is None else np.repeat(np.arange(days), 12 // days)
    vpd = np.exp(rng.normal(-0.4, 0.35, day.max() + 1))[day]
    table = pd.DataFrame({"colour": np.array(["dye", "lake"])[np.arange(12) % 2], "vpd_kpa": vpd, "day": day})
    location = 2.6 - 0.8 * np.log(vpd) + 0.25 * (table["colour"] == "lake").to_numpy()
    location = location + rng.normal(0, delta, day.max() + 1)[day] + rng.normal(0, tau, 12)
    times = np.exp(location[:, None] + sigma * rng.normal(size=(12, 4))).ravel()
    at = np.searchsorted(looks, times)
    lower, upper = np.r_[0.0, looks][at], np.r_[looks, np.inf][at]
    run, piece = np.repeat(np.arange(12), 4), np.tile(range(4), 12)
    return pd.DataFrame({"run": run, "piece": piece, "lower": lower, "upper": upper}), table


def main() -> None:
    trials = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    wanted = sys.argv[2] if len(sys.argv) > 2 else ""
    print(f"{trials} trials a case; binomial standard error {np.sqrt(0.95 * 0.05 / trials):.3f}")
    print(f"{'case':<42}{'intercept':>10}{'colour':>8}{'air':>8}{'new':>8}{'sure':>8}{'refused':>9}{'s':>6}")
    ends = ["conf_low", "conf_high"]
    for number, (name, (days, tau, sigma, delta, looks)) in enumerate(CASES.items()):
        if wanted not in name:
            continue
        begun = time.process_time()
        hits, chances, refused = [], [], 0
        middle = 2.6 - 0.8 * np.log(0.7) + sigma * stats.norm.ppf(0.9)
        new = stats.norm(middle, max(np.hypot(tau, delta), 1e-9))
        for i in range(trials):
            found, table = trial([2026, number, i], days, tau, sigma, delta, looks)
            try:
                made = table if days is not None else table.drop(columns="day")
                result = fit_curing_time(found, "colour", runs=made.rename_axis("run"))
            except CannotAnswer:
                refused += 1
                continue
            rows = result.coefficients
            truth = pd.Series(TRUTH)
            hits.append(((rows["conf_low"] < truth) & (truth < rows["conf_high"])).to_numpy())
            both, one = (
                np.log(
                    result.predict({"vpd_kpa": 0.7}, share=0.9, interval="prediction", conf_level=level)[ends]
                )
                for level in (0.95, 0.9)
            )
            chances.append([np.diff(new.cdf(both))[0, 0], new.cdf(one["conf_high"][0])])
        shares = [*np.mean(hits, axis=0), *np.mean(chances, axis=0)]
        print(f"{name:<42}{shares[0]:>10.3f}" + "".join(f"{share:>8.3f}" for share in shares[1:]), end="")
        print(f"{refused:>9}{time.process_time() - begun:>6.0f}", flush=True)


if __name__ == "__main__":
    main()
