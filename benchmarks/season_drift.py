"""How often the chart of days sets off a rule in a steady workshop. Prints a table; run by hand.

Invented trials of one recipe, one batch a day in air of its own, four pieces touched at set hours; pieces,
batches and days stray, and nothing drifts. Each is fitted as a report fits it, and charted with the others.
"""

from __future__ import annotations

import sys

import numpy as np
import pandas as pd

from fizzlab.errors import CannotAnswer
from fizzlab.models.curing import CuringFit, fit_curing_time
from fizzlab.models.season import study_season

LOOKS = np.array([2.0, 3, 4, 5, 6, 7, 8, 9, 10, 12, 14, 18, 24])


def trial(rng: np.random.Generator, start: str, batches: int) -> CuringFit:
    runs, looks, log = [], [], []
    for i in range(batches):
        made = pd.Timestamp(start) + pd.Timedelta(days=3 * i, hours=9)
        rh, stray = rng.uniform(45, 80), 0.08 * rng.standard_normal()
        log += [(made + pd.Timedelta(hours=h), 18.0, rh) for h in range(-9, 30)]
        middle = np.log(7.0) - 0.8 * np.log(2.0645 * (1 - rh / 100) / 0.55) + stray
        middle += 0.05 * rng.standard_normal()
        runs.append((f"B{i + 1:02d}", f"{made:%Y-%m-%d}", made, ""))
        for piece in range(1, 5):
            hours = np.exp(middle + 0.08 * rng.standard_normal())
            looks += [(f"B{i + 1:02d}", piece, look, bool(look >= hours)) for look in LOOKS]
    return fit_curing_time(
        pd.DataFrame(looks, columns=["run", "piece", "hours", "dry"]),
        runs=pd.DataFrame(runs, columns=["run", "day", "made_at", "note"]),
        room_log=pd.DataFrame(log, columns=["time", "temp_c", "rh_pct"]),
    )


def main(times: int = 60) -> None:
    print("trials  batches each  seed  workshops that set off a rule")
    for trials, batches in ((3, 5), (3, 7), (4, 8)):
        for seed in (1, 2):
            rng = np.random.default_rng(seed)
            alarms = []
            for _ in range(times):
                studies = {}
                for i in range(trials):
                    try:
                        studies[str(i)] = trial(rng, f"2025-{2 * i + 1:02d}-01", batches)
                    except CannotAnswer:  # too coarse to fit: a report leaves it out as well
                        continue
                chart = study_season(studies).drift
                if chart is not None:
                    alarms.append(bool(chart.signals))
            print(trials, batches, seed, round(float(np.mean(alarms)), 3), sep="\t", flush=True)


if __name__ == "__main__":
    main(*(int(a) for a in sys.argv[1:2]))
