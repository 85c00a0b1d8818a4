"""Time of our variance-component fits beside statsmodels' MixedLM, on the same simulated split plots.

    python benchmarks/effects_speed.py

One fit of each at a time, then ours all at once, as a power simulation calls it. Ours includes the
Kenward-Roger covariance and degrees of freedom, which MixedLM does not have.
"""

from __future__ import annotations

import time
import warnings

import numpy as np
import statsmodels.api as sm
from effects_coverage import design

from fizzlab.models.strata import contrast, fit_many, prepare

TRIALS = 1000
BESIDE = 50


def main() -> None:
    """Print the times and their ratios."""
    warnings.simplefilter("ignore")
    rng = np.random.default_rng(1)
    x, day = design(per_cell=2, days=4)
    y = rng.normal(size=(TRIALS, len(day))) + rng.normal(size=(TRIALS, 4))[:, day]
    effect = np.eye(x.shape[1])[1]

    start = time.perf_counter()
    for row in y[:BESIDE]:
        sm.MixedLM(row, x, groups=day).fit(reml=True)
    reference = (time.perf_counter() - start) / BESIDE

    start = time.perf_counter()
    for row in y[:BESIDE]:
        contrast(fit_many(prepare(x, day), row), effect)
    single = (time.perf_counter() - start) / BESIDE

    start = time.perf_counter()
    contrast(fit_many(prepare(x, day), y), effect)
    together = (time.perf_counter() - start) / TRIALS

    print(f"MixedLM               {reference * 1e3:8.3f} ms a trial")
    print(f"ours, one at a time   {single * 1e3:8.3f} ms a trial, {reference / single:6.0f} times as fast")
    faster = reference / together
    print(f"ours, {TRIALS} at once    {together * 1e3:8.3f} ms a trial, {faster:6.0f} times as fast")


if __name__ == "__main__":
    main()
