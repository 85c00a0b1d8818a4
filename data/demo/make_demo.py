"""Make the invented demo trials, from the same seed always the same.

Run ``python data/demo/make_demo.py`` to write them beside this script, or give another folder. Every table
draws from a random stream of its own, named after trial and table, so a table added later changes none of
those before it. The values that the pieces really followed go to ``truth.json``. How they come about stands
in the package `invented`, and the trial `cores` in its module `invented.cores`.

A piece is dry after ``median_h (VPD / 0.45 kPa)^vpd_slope × ratio of its factor × e^batch × e^piece`` hours,
with batch ~ N(0, tau²) and piece ~ N(0, sigma²). VPD is the mean of the true air from the making of the batch
until half of its pieces would be dry. The maker sees it only through looks at a few moments, and the air only
through a hygrometer that rounds.
"""

from __future__ import annotations

import json
import sys
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from invented.cores import cores
from invented.crumbling import DropTruth, ScoreTruth, TumbleTruth, crumble_scores, drops, tumbles
from invented.drying import (
    DryingTruth,
    WeighingTruth,
    dry_batches,
    never_seen_dry,
    room_air,
    room_log,
    runs_table,
    touch_checks,
    truth_of,
    weighings,
)
from invented.fizzing import FizzTruth, GasTruth, ShelfTruth, fizz_curves, fizz_times, shelf
from invented.streams import SEED, stream
from invented.writing import write, write_csv, write_trial, write_workbook


def season(folder: Path) -> dict[str, Any]:
    """One recipe from October to March."""
    code = "season"
    truth = DryingTruth(median_h=7.0, vpd_slope=-0.8, tau=0.12, sigma=0.10)
    air = room_air(
        code,
        "2025-10-03",
        "2026-03-24",
        mean_c=lambda day: 14.2 + 2.6 * np.cos(2 * np.pi * (day + 45) / 365),
        damper=lambda day: -10 * np.cos(2 * np.pi * day / 172),
    )
    rng = stream(code, "runs")
    days = pd.date_range("2025-10-04", periods=14, freq="12D") + pd.to_timedelta(rng.integers(0, 5, 14), "D")
    starts = [8.5 + 0.25 * float(rng.integers(0, 7)) for _ in days]
    starts[8] = 15.0
    made = [day + pd.Timedelta(hours=hour) for day, hour in zip(days, starts, strict=True)]
    batches = dry_batches(code, made, [1.0] * len(made), truth, air)
    checks = touch_checks(code, batches, late_night=["B09"])
    checks = checks[~((checks["run"] == "B06") & (checks["hours"] > 2.7))].reset_index(drop=True)
    checks, run, piece = never_seen_dry(checks, 11.0, "given away before the morning look")
    gap = (f"{made[6] + pd.Timedelta(hours=2.2)}", f"{made[6] + pd.Timedelta(hours=4.3)}")
    stored = ShelfTruth(fresh_g=6.5, per_week={"35": 0.008, "70": 0.035}, batch_sd=0.003, piece_sd=0.03)
    tables = {
        "runs": runs_table(
            batches,
            {
                "B07": "hygrometer battery flat for two hours",
                "B09": "pressed late, no look between ten at night and seven",
            },
            {"B06": "tray knocked off the rack after two hours"},
        ),
        "touch_checks": checks,
        "shelf": shelf(code, [batch.run for batch in batches if batch.run != "B06"], stored),
        "room_log": room_log(code, air, [gap]),
    }
    write_trial(folder / code, SEASON_TOML, tables)
    return truth_of(truth, batches) | {
        "shelf": asdict(stored),
        "blemishes": {
            "spilled": "B06",
            "late_night": "B09",
            "flat_battery": "B07",
            "never_dry": [run, piece],
        },
    }


def colour_ways(folder: Path) -> dict[str, Any]:
    """Three ways of colouring, each once on each of five days, in an order drawn anew each day."""
    code = "colour-ways"
    truth = DryingTruth(median_h=5.0, vpd_slope=-0.8, tau=0.10, sigma=0.09)
    ratios = {"pearl": 1.0, "dye": 1.4, "lake": 1.1}
    page = WeighingTruth(
        exponent=0.92,
        touch_dry_share=0.12,
        moisture_g={"pearl": 1.9, "dye": 2.7, "lake": 2.1},
        scale_noise_g=0.008,
    )
    air = room_air(code, "2026-02-01", "2026-02-22", lambda day: 14.5 + 0.05 * day, lambda day: 13 + 0 * day)
    rng = stream(code, "runs")
    made, colours = [], []
    for day in pd.to_datetime(["2026-02-03", "2026-02-06", "2026-02-10", "2026-02-13", "2026-02-17"]):
        for hour, place in zip((8.5, 9.75, 11.0), rng.permutation(3), strict=True):
            made.append(day + pd.Timedelta(hours=hour))
            colours.append(list(ratios)[place])
    batches = dry_batches(code, made, [ratios[colour] for colour in colours], truth, air)
    checks = touch_checks(code, batches)
    weighed = weighings(code, batches, [page.moisture_g[colour] for colour in colours], page)
    slip = weighed.index[(weighed["run"] == "B08") & (weighed["piece"] == "W1")][3]
    weighed.loc[slip, "mass_g"] = round(weighed.loc[slip, "mass_g"] + 1.5, 2)
    weighed.loc[slip, "leave_out"] = "scale not set to zero, paper still on it"
    runs = runs_table(batches, {"B11": "window left open until noon"}, {})
    runs.insert(3, "colour", colours)
    log = room_log(code, air, [("2026-02-17T12:10", "2026-02-17T13:50")])
    felt = ScoreTruth(
        thresholds=(-1.6, -0.2, 1.3, 2.8),
        leans={"Ines": 0.9, "Jorn": -0.6, "Mo": -0.3},
        batch_share=0.12,
        piece_share=0.66,
    )
    log_odds = {"pearl": 0.0, "dye": 0.3, "lake": 2.4}
    scored = crumble_scores(
        code,
        [batch.run for batch in batches],
        [log_odds[colour] for colour in colours],
        felt,
        {"Jorn": ("B10", "S2")},
    )
    fizzes = FizzTruth(
        median_s=140.0,
        activation_kj_mol=30.0,
        batch_sd=0.05,
        piece_sd=0.06,
        colour_batch_sd=0.1,
        colour_piece_sd=0.15,
        watched_s=185.0,
    )
    fizz_ratios = {"pearl": 1.0, "dye": 1.04, "lake": 1.25}
    colour_s = {"pearl": 9.0, "dye": 4.0, "lake": 14.0}
    timed = fizz_times(
        code,
        [batch.run for batch in batches],
        [fizz_ratios[colour] for colour in colours],
        [colour_s[colour] for colour in colours],
        fizzes,
    )
    write_trial(
        folder / code,
        COLOUR_TOML,
        {
            "runs": runs,
            "touch_checks": checks,
            "weighings": weighed,
            "crumble_scores": scored,
            "fizz_times": timed,
            "room_log": log,
        },
    )
    return truth_of(truth, batches, weighed=True) | {
        "ratios": ratios,
        "fizz_times": asdict(fizzes) | {"ratios": fizz_ratios, "colour_s": colour_s},
        "crumble_scores": asdict(felt) | {"log_odds": log_odds, "missed": ["Jorn", "B10", "S2"]},
        "weighings": asdict(page),
        "blemishes": {"slip": "B08", "flat_battery": ["B13", "B14", "B15"]},
    }


def binder(folder: Path) -> dict[str, Any]:
    """Three amounts of emulsifier, each once on each of four days; kept in a workbook."""
    code = "binder"
    truth = DryingTruth(median_h=5.5, vpd_slope=-0.8, tau=0.10, sigma=0.10)
    log_ratio_per_g = 0.25
    air = room_air(code, "2026-04-05", "2026-04-26", lambda day: 15.5 + 0.05 * day, lambda day: 6 + 0 * day)
    rng = stream(code, "runs")
    amounts = (0.6, 1.2, 1.8)
    made, used = [], []
    for day in pd.to_datetime(["2026-04-07", "2026-04-11", "2026-04-16", "2026-04-21"]):
        for hour, place in zip((9.0, 10.5, 12.0), rng.permutation(3), strict=True):
            made.append(day + pd.Timedelta(hours=hour))
            used.append(amounts[place])
    ratios = [float(np.exp(log_ratio_per_g * (amount - 1.2))) for amount in used]
    batches = dry_batches(code, made, ratios, truth, air)
    checks = touch_checks(code, batches, missed=0.07)
    checks, run, piece = never_seen_dry(checks, 7.5, "sold from the rack that evening")
    wrong = checks.index[(checks["run"] == "B07") & (checks["dry"] == "no")][0]
    checks.loc[wrong, ["dry", "leave_out"]] = ["yes", "looked at the wrong tray"]
    started = checks["run"].map({batch.run: batch.made_at for batch in batches})
    stamps = (started + pd.to_timedelta(checks["hours"], unit="h")).dt.round("min")
    checks = checks.drop(columns="hours")
    checks.insert(2, "checked_at", stamps)
    runs = runs_table(batches, {}, {})
    runs.insert(3, "binder_g", used)
    log = room_log(code, air, [("2026-04-18T01:10", "2026-04-18T07:20")])
    target = folder / code
    write_trial(target, BINDER_TOML, {})
    names, grams = [batch.run for batch in batches], [amount - 1.2 for amount in used]
    dusty = TumbleTruth(
        median_pct=2.2,
        log_ratio_per_g=-0.5,
        batch_sd=0.16,
        tumble_sd=0.08,
        broken_base_log_odds=-1.6,
        broken_log_odds_per_g=-1.0,
        broken_batch_share=0.1,
    )
    falls = DropTruth(median_cm=70.0, log_ratio_per_g=0.3, spread=0.25, batch_share=0.2)
    felt = ScoreTruth(
        thresholds=(-1.6, -0.2, 1.3, 2.8), leans={"Ines": -0.2, "Mo": 0.2}, batch_share=0.12, piece_share=0.7
    )
    log_odds_per_g = -1.5
    gas = GasTruth(
        theory_g=8.6,
        spent=0.2,
        dissolved_g=0.42,
        t50_s=34.0,
        log_ratio_per_g=0.2,
        t50_batch_sd=0.07,
        t50_piece_sd=0.05,
        gas_batch_sd=0.03,
        gas_piece_sd=0.02,
        drift_g_min=0.06,
        scale_noise_g=0.03,
    )
    splash = ("B05", "G1")
    write_workbook(
        target / "readings.xlsx",
        {
            "runs": runs,
            "touch_checks": checks,
            "tumbles": tumbles(code, names, grams, dusty),
            "drops": drops(code, names, grams, falls),
            "crumble_scores": crumble_scores(
                code, names, [log_odds_per_g * gram for gram in grams], felt, {"Mo": ("B04", "S3")}
            ),
            "fizz_curves": fizz_curves(code, names, grams, gas, splash),
        },
    )
    write_csv(target / "room_log.csv", log, separator=";", decimal=",", line_end="\r\n")
    return truth_of(truth, batches) | {
        "log_ratio_per_g": log_ratio_per_g,
        "tumbles": asdict(dusty),
        "drops": asdict(falls),
        "crumble_scores": asdict(felt) | {"log_odds_per_g": log_odds_per_g, "missed": ["Mo", "B04", "S3"]},
        "fizz_curves": asdict(gas),
        "blemishes": {"wrong_tray": "B07", "never_dry": [run, piece], "splash": list(splash)},
    }


_DRYING_TOML = """\
[drying]
air = "vpd"
shares = [0.5, 0.9, 0.95]
night_hours = 12
forecast_air = { temp_c = 16, rh_pct = 70 }
remaining_share = 0.05
"""

SEASON_TOML = (
    """\
code = "season"
title = "Drying through a harbour winter"
question = "How long do pieces need before they can be packed, as the room gets damper?"
place = "invented harbour-side workshop"
made_by = "an invented maker"
seed = 20251004

"""
    + _DRYING_TOML
)

COLOUR_TOML = (
    """\
code = "colour-ways"
title = "Pearl, dye or lake"
question = "Which way of colouring lets pieces dry soonest?"
place = "invented harbour-side workshop"
made_by = "an invented maker"
seed = 20260203

[factors.colour]
levels = ["pearl", "dye", "lake"]
control = "pearl"
label = "way of colouring"

"""
    + _DRYING_TOML
)

BINDER_TOML = (
    """\
code = "binder"
title = "How much emulsifier"
question = "Does more emulsifier make pieces dry more slowly?"
place = "invented harbour-side workshop"
made_by = "an invented maker"
seed = 20260407

[factors.binder_g]
amounts = [0.6, 1.2, 1.8]
unit = "g"
label = "emulsifier per batch"

"""
    + _DRYING_TOML
    + """
[fizz]
theory_g = 8.6   # grams of gas that half a piece could give at most, by its soda and acid
water_ml = 400

[earlier]
trials = [".."]   # the folder that holds this workshop's trials: those begun before this one
"""
)


def main(folder: Path) -> None:
    truth = {
        "season": season(folder),
        "colour-ways": colour_ways(folder),
        "binder": binder(folder),
        "cores": cores(folder),
    }
    write(folder / "truth.json", json.dumps({"seed": SEED, **truth}, indent=1) + "\n")


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent)
