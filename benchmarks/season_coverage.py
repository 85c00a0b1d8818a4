"""How often the pooled line's intervals hold, for a few trials of a few batches. Prints a table; run by hand.

Each invented trial has its own level and slope; four of five met several airs, the rest one. The
uncertainty that a trial reports is either right, or reckoned from as few batches as it has.
"""

from __future__ import annotations

import sys

import numpy as np

from fizzlab.models.pooling import TrialLine, pool_trials

LEVEL, SLOPE = 2.4, -0.65


def once(rng: np.random.Generator, trials: int, tau: tuple[float, float], spare: int | None) -> np.ndarray:
    lines: list[TrialLine] = []
    for i in range(trials):
        a, b = LEVEL + tau[0] * rng.standard_normal(), SLOPE + tau[1] * rng.standard_normal()
        at = float(np.exp(rng.normal(-0.4, 0.3)))
        truth = np.diag([0.15**2 / 6, 0.15**2 / (6 * 0.25**2)])
        size = 1 if i % 5 == 4 else 2
        mean = np.array([a + b * np.log(at / 0.67), b])[:size]
        seen = rng.multivariate_normal(mean, truth[:size, :size])
        own = truth[:size, :size] * (1.0 if spare is None else rng.chisquare(spare) / spare)
        slope = seen[1] if size == 2 else None
        lines.append(TrialLine(str(i), seen[0], slope, at, own, (at / 1.5, at * 1.5), 0.2, 6))
    season = pool_trials(lines, at=0.67)
    told = season.coefficients
    new = np.array([LEVEL + tau[0] * rng.standard_normal(), SLOPE + tau[1] * rng.standard_normal()])
    level = season.predict(interval="prediction")
    chart = season.predict({"vpd_kpa": 0.45}, interval="prediction")
    there = np.exp(new[0] + new[1] * np.log(0.45 / 0.67))
    return np.array(
        [
            told.loc["level", "conf_low"] <= LEVEL <= told.loc["level", "conf_high"],
            told.loc["slope", "conf_low"] <= SLOPE <= told.loc["slope", "conf_high"],
            level["conf_low"][0] <= np.exp(new[0]) <= level["conf_high"][0],
            chart["conf_low"][0] <= there <= chart["conf_high"][0],
        ]
    )


def main(times: int = 1000) -> None:
    rng = np.random.default_rng(5)
    print("trials  tau level  tau slope  spare batches  level  slope  new level  new line at 0.45 kPa")
    for trials in (3, 5, 8):
        for tau in ((0.0, 0.0), (0.1, 0.0), (0.2, 0.2)):
            for spare in (None, 4):
                seen = np.array([once(rng, trials, tau, spare) for _ in range(times)])
                print(trials, *tau, spare or "known", *np.round(seen.mean(axis=0), 3), sep="\t", flush=True)


if __name__ == "__main__":
    main(*(int(a) for a in sys.argv[1:2]))
