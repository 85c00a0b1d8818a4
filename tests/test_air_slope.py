"""The slope of dry times on the room's air, where the air changes while pieces dry: under two truths."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from calibration import TOML, kpa

from fizzlab.report.analysis import analyse
from fizzlab.trial.folder import load

SLOPE, RATIO, TYPICAL_H, DAYS, TRIALS = -0.8, 1.25, 9.0, 6, 24
STEP_H = 0.5
LOOKS = np.array([3.0, 4, 5, 6, 7, 8, 9, 10, 11, 12, 14, 16, 20, 24, 30, 36, 48])


def room(rng: np.random.Generator) -> pd.DataFrame:
    """Half-hourly air of one stretch of three days: warmer and thirstier by day, weather on top."""
    hour = np.arange(0, 72, STEP_H)
    sun = np.sin(2 * np.pi * (hour - 9) / 24)
    temp = 16 + rng.normal(0, 1.5) + 2 * sun
    rh = np.clip(68 + rng.normal(0, 8) - 6 * sun, 35, 92)
    return pd.DataFrame({"hour": hour, "temp": temp, "rh": rh, "kpa": kpa(temp, rh)})


def dry_h(air: pd.DataFrame, made: float, truth: str, scale: float) -> float:
    """Hours until a batch is dry: by the mean air of twelve hours, or when drying has added up."""
    later = air.loc[air["hour"] >= made, "kpa"].to_numpy()
    if truth == "fixed hours":
        return float(TYPICAL_H * scale * (later[: int(12 / STEP_H)].mean() / 0.58) ** SLOPE)
    done = np.cumsum((later / 0.58) ** -SLOPE) * STEP_H
    return float(np.interp(TYPICAL_H * scale, done, STEP_H * np.arange(1, len(done) + 1)))


def write_trial(folder: Path, rng: np.random.Generator, truth: str, made: float) -> None:
    """Six days of two batches, one of either colour, four pieces each."""
    runs, looks, log = [], [], []
    for day in range(DAYS):
        air, start = room(rng), pd.Timestamp("2026-03-02") + pd.Timedelta(days=7 * day)
        clock = (start + pd.to_timedelta(air["hour"], "h")).dt.strftime("%Y-%m-%dT%H:%M")
        log.append(pd.DataFrame({"time": clock, "temp_c": air["temp"].round(1), "rh_pct": air["rh"].round()}))
        for place, colour in enumerate(rng.permutation(["pearl", "dye"])):
            name, at = f"R{day + 1}{place + 1}", made + 0.5 * place
            own = (RATIO if colour == "dye" else 1.0) * rng.gamma(60.0) / 60.0
            hours = dry_h(air, at, truth, own) * np.exp(0.12 * rng.logistic(size=4) * np.sqrt(3) / np.pi)
            moment = start + pd.Timedelta(hours=at)
            runs.append((name, day + 1, moment.strftime("%Y-%m-%dT%H:%M"), colour))
            for piece, each in enumerate(hours, start=1):
                seen = LOOKS[: int(np.searchsorted(LOOKS, each)) + 1]
                looks += [(name, piece, look, "yes" if look >= each else "no") for look in seen]
    folder.mkdir()
    (folder / "trial.toml").write_text(TOML, encoding="utf-8")
    columns = {"runs": ["run", "day", "made_at", "colour"], "touch_checks": ["run", "piece", "hours", "dry"]}
    for table, rows in (("runs", runs), ("touch_checks", looks)):
        pd.DataFrame(rows, columns=columns[table]).to_csv(folder / f"{table}.csv", index=False)
    pd.concat(log).to_csv(folder / "room_log.csv", index=False)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("truth", "made", "too_steep"),
    [
        ("fixed hours", 9.0, 0.0),
        ("fixed hours", 15.0, 0.0),
        ("drying adds up", 9.0, 0.06),
        # into the damper night: docs/methods/air.md tells makers of it
        ("drying adds up", 15.0, 0.15),
    ],
)
def test_the_slope_and_the_factor_under_both_truths(
    truth: str, made: float, too_steep: float, tmp_path: Path
) -> None:
    rng = np.random.default_rng([2026, int(made), len(truth)])
    found = []
    for number in range(TRIALS):
        folder = tmp_path / f"quay{number}"
        write_trial(folder, rng, truth, made)
        fit = analyse(load(folder), ["dry_h"]).fits["dry_h"]
        slope = fit.coefficients.loc["log vpd_kpa", "coef"]  # type: ignore[attr-defined]
        (effect,) = (each for each in fit.effects if each.factor == "colour")
        found.append((slope, np.log(effect.estimate), effect.conf_low <= RATIO <= effect.conf_high))
    slopes, ratios, held = np.array(found, float).T
    error = slopes.std(ddof=1) / np.sqrt(TRIALS)
    assert -too_steep - 3 * error < slopes.mean() - SLOPE < 3 * error
    assert abs(ratios.mean() - np.log(RATIO)) < 0.04 + 3 * ratios.std(ddof=1) / np.sqrt(TRIALS)
    assert held.mean() > 0.95 - 3 * np.sqrt(0.95 * 0.05 / TRIALS)
