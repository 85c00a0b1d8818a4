"""Joining a year of one-minute room readings to 1,000 batches, against averaging each batch's rows.

Run by hand: ``python benchmarks/room_log_join.py``. The plain way selects each batch's rows with pandas and
takes their mean, which is what a first script would do (and which ignores uneven spacing and gaps).
"""

from __future__ import annotations

import time

import numpy as np
import pandas as pd

from fizzlab.models.air import drying_air, vapour_pressure_deficit

MINUTES, BATCHES = 525_600, 1_000


def year(seed: int) -> tuple[pd.DataFrame, pd.DataFrame]:
    rng = np.random.default_rng(seed)
    stamps = pd.date_range("2025-01-01", periods=MINUTES, freq="min")
    hours = np.arange(MINUTES) / 60
    temp = 14 + 4 * np.sin(2 * np.pi * hours / 8760) + 2 * np.sin(2 * np.pi * hours / 24)
    humidity = 68 - 10 * np.sin(2 * np.pi * hours / 24) + rng.normal(0, 1, MINUTES)
    log = pd.DataFrame({"time": stamps, "temp_c": temp, "rh_pct": humidity})
    start = stamps[0] + pd.to_timedelta(rng.uniform(0, 8700, BATCHES), unit="h")
    end = start + pd.to_timedelta(rng.uniform(2, 48, BATCHES), unit="h")
    return log, pd.DataFrame({"start": start, "end": end})


def row_by_row(log: pd.DataFrame, windows: pd.DataFrame) -> pd.DataFrame:
    log = log.assign(vpd_kpa=vapour_pressure_deficit(log["temp_c"], log["rh_pct"]))
    means = [
        log.loc[log["time"].between(start, end), ["temp_c", "rh_pct", "vpd_kpa"]].mean()
        for start, end in windows.itertuples(index=False)
    ]
    return pd.DataFrame(means, index=windows.index)


def main() -> None:
    log, windows = year(seed=20251004)
    timings = []
    for _ in range(5):
        begun = time.perf_counter()
        joined = drying_air(log, windows)
        timings.append(time.perf_counter() - begun)
    best = min(timings)
    few = windows.iloc[:50]
    begun = time.perf_counter()
    plain = row_by_row(log, few)
    plain_s = (time.perf_counter() - begun) * len(windows) / len(few)
    apart = (joined.loc[few.index, plain.columns] - plain).abs().max().max()
    print(f"{'way':<34}{'seconds':>10}{'ratio':>8}")
    print(f"{'drying_air':<34}{best:>10.3f}{1.0:>8.1f}")
    print(f"{'select rows, mean (from 50)':<34}{plain_s:>10.3f}{plain_s / best:>8.1f}")
    print(f"largest difference of a mean: {apart:.2g}")


if __name__ == "__main__":
    main()
