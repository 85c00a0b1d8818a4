"""Make the three invented demo trials, from the same seed always the same.

Run ``python data/demo/make_demo.py`` to write them beside this script, or give another folder. Every table
draws from a random stream of its own, named after trial and table, so a table added later changes none of
those before it. The values that the pieces really followed go to ``truth.json``.

A piece is dry after ``median_h (VPD / 0.45 kPa)^vpd_slope × ratio of its factor × e^batch × e^piece`` hours,
with batch ~ N(0, tau²) and piece ~ N(0, sigma²). VPD is the mean of the true air from the making of the batch
until half of its pieces would be dry. The maker sees it only through looks at a few moments, and the air only
through a hygrometer that rounds.
"""

from __future__ import annotations

import csv
import datetime as dt
import io
import json
import re
import sys
import zipfile
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np
import openpyxl
import pandas as pd
from scipy import special

from fizzlab.air import vapour_pressure_deficit_kpa

SEED = 20251004
REFERENCE_VPD_KPA = 0.45
PIECES = ("1", "2", "3", "4")
LOOKS_H = (1.5, 2.5, 4.0, 6.0, 8.0, 12.0)

Rows = list[dict[str, Any]]
Tables = dict[str, pd.DataFrame]


def stream(*name: str) -> np.random.Generator:
    """The random numbers that belong to one name, whatever else is drawn."""
    return np.random.default_rng(np.random.SeedSequence(SEED, spawn_key=tuple("/".join(name).encode())))


# What is true --------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class DryingTruth:
    """How pieces of one trial dry; see the module's own words."""

    median_h: float
    vpd_slope: float
    tau: float
    sigma: float


@dataclass(frozen=True)
class Batch:
    """One batch as it really was."""

    run: str
    made_at: pd.Timestamp
    ratio: float
    effect: float
    vpd_kpa: float
    median_h: float
    pieces_h: dict[str, float]


OverDays = Callable[[np.ndarray], np.ndarray]


def room_air(code: str, first: str, last: str, mean_c: OverDays, damper: OverDays) -> pd.DataFrame:
    """The true air of the workshop every half hour: season, time of day, and weather that lingers.

    `mean_c` and `damper` give the mean temperature, and how much damper than usual it is, over the days.
    """
    rng = stream(code, "room air")
    time = pd.date_range(first, last, freq="30min")
    hours = np.arange(len(time)) / 2
    clock = 2 * np.pi * ((time.hour + time.minute / 60).to_numpy() - 15) / 24
    temp = mean_c(hours / 24) + 1.2 * np.cos(clock) + _lingering(rng, len(time), sd=0.9, days=2.5)
    humid = 70 + damper(hours / 24) - 4.5 * np.cos(clock) + _lingering(rng, len(time), sd=10.0, days=2.0)
    # a damp workshop is never quite saturated nor ever dry: bend the ends softly, do not clip them flat
    humid = 38 + 56 / (1 + np.exp(-(humid - 66) / 14))
    return pd.DataFrame({"time": time, "temp_c": temp, "rh_pct": humid})


def _lingering(rng: np.random.Generator, count: int, sd: float, days: float) -> np.ndarray:
    keep = np.exp(-1 / (48 * days))
    pushes = rng.normal(0, sd * np.sqrt(1 - keep**2), count)
    values = np.empty(count)
    values[0] = rng.normal(0, sd)
    for i in range(1, count):
        values[i] = keep * values[i - 1] + pushes[i]
    return values


def dry_batches(
    code: str, made: Sequence[pd.Timestamp], ratios: Sequence[float], truth: DryingTruth, air: pd.DataFrame
) -> list[Batch]:
    """Let the batches dry in the true air."""
    rng = stream(code, "drying")
    effects = rng.normal(0, truth.tau, len(made))
    pieces = rng.normal(0, truth.sigma, (len(made), 12))  # more than any trial uses, for tables to come
    batches = []
    for i, (made_at, ratio) in enumerate(zip(made, ratios, strict=True)):
        scale = truth.median_h * ratio * np.exp(effects[i])
        vpd, median = _mean_vpd_until_dry(air, made_at, scale, truth.vpd_slope)
        names = [*PIECES, *(f"W{k}" for k in range(1, 9))]
        hours = {name: float(median * np.exp(pieces[i, k])) for k, name in enumerate(names)}
        batches.append(Batch(f"B{i + 1:02d}", made_at, ratio, float(effects[i]), vpd, median, hours))
    return batches


def _mean_vpd_until_dry(
    air: pd.DataFrame, made_at: pd.Timestamp, scale: float, slope: float
) -> tuple[float, float]:
    """Mean deficit until the batch's median dry time, and that time: each depends on the other."""
    since = (air["time"] - made_at).dt.total_seconds().to_numpy() / 3600
    minutes = np.arange(1, 96 * 60 + 1) / 60
    temp = np.interp(minutes, since, air["temp_c"])
    rh = np.interp(minutes, since, air["rh_pct"])
    mean_vpd = np.cumsum(vapour_pressure_deficit_kpa(temp, rh)) / np.arange(1, len(minutes) + 1)
    due = scale * (mean_vpd / REFERENCE_VPD_KPA) ** slope
    place = int(np.argmax(minutes >= due))
    return float(mean_vpd[place]), float(due[place])


# What the maker writes down ------------------------------------------------------------------------------


def look_times(rng: np.random.Generator, batch: Batch, late_night: bool = False) -> list[float]:
    """Hours at which somebody looked, to a tenth of an hour."""
    planned = [*LOOKS_H, 24.0 + 7.5 - (batch.made_at.hour + batch.made_at.minute / 60)]
    times = [round(float(hour + rng.uniform(-0.15, 0.25)), 1) for hour in planned if hour <= planned[-1]]
    if late_night:  # pressed in the afternoon, looked at until bedtime, then not for nine hours
        times = [*times[:3], 7.0, 16.0, 22.0]
    return sorted(set(times))


def touch_checks(
    code: str, batches: Iterable[Batch], missed: float = 0.05, late_night: Sequence[str] = ()
) -> pd.DataFrame:
    """Look at each piece until it is dry; now and then one is overlooked."""
    rng = stream(code, "touch_checks")
    rows: Rows = []
    for batch in batches:
        times = look_times(rng, batch, batch.run in late_night)
        for piece in PIECES:
            overlooked = rng.random(len(times)) < missed
            overlooked[-1] = False
            for hours in (time for time, gone in zip(times, overlooked, strict=True) if not gone):
                dry = hours >= batch.pieces_h[piece]
                rows.append(_check(batch.run, piece, hours, dry))
                if dry:
                    break
    return pd.DataFrame(rows)


def _check(run: str, piece: str, hours: float, dry: bool) -> dict[str, Any]:
    answer = "yes" if dry else "no"
    return {"run": run, "piece": piece, "hours": hours, "dry": answer, "note": "", "leave_out": ""}


def never_seen_dry(checks: pd.DataFrame, after_h: float, note: str) -> tuple[pd.DataFrame, str, str]:
    """Drop the last look of the first piece that was still wet at `after_h`: it was gone by then."""
    wet = checks[(checks["dry"] == "no") & (checks["hours"] >= after_h)]
    if wet.empty:
        raise ValueError(f"with this seed no piece is still wet at {after_h:g} hours; choose another seed")
    run, piece = wet.iloc[0][["run", "piece"]]
    of_piece = (checks["run"] == run) & (checks["piece"] == piece)
    kept = checks[~(of_piece & (checks["dry"] == "yes"))].reset_index(drop=True)
    last = kept.index[(kept["run"] == run) & (kept["piece"] == piece)][-1]
    kept.loc[last, "note"] = note
    return kept, str(run), str(piece)


@dataclass(frozen=True)
class WeighingTruth:
    """A piece loses its moisture along a Page curve, share left = e^(-k hours^n).

    k follows from the piece's dry time, at which `touch_dry_share` of the moisture is left.
    """

    exponent: float
    touch_dry_share: float
    moisture_g: dict[str, float]
    scale_noise_g: float


def weighings(
    code: str, batches: Iterable[Batch], moisture_g: Sequence[float], truth: WeighingTruth
) -> pd.DataFrame:
    """Weigh one or two pieces of each batch to a hundredth of a gram, about eight times."""
    rng = stream(code, "weighings")
    rows: Rows = []
    for i, (batch, moisture) in enumerate(zip(batches, moisture_g, strict=True)):
        for piece in ("W1", "W2")[: 1 + (i % 2 == 0)]:
            final = rng.normal(84.0, 0.8)
            start = moisture * np.exp(rng.normal(0, 0.04))
            rate = -np.log(truth.touch_dry_share) / batch.pieces_h[piece] ** truth.exponent
            for planned in (0.0, 1.0, 2.0, 3.5, 5.0, 7.0, 10.0, 23.0):
                hours = 0.0 if planned == 0 else round(float(planned + rng.uniform(-0.1, 0.2)), 2)
                left = start * np.exp(-rate * hours**truth.exponent)
                mass = round(float(final + left + rng.normal(0, truth.scale_noise_g)), 2)
                rows.append(
                    {"run": batch.run, "piece": piece, "hours": hours, "mass_g": mass}
                    | {"note": "", "leave_out": ""}
                )
    return pd.DataFrame(rows)


@dataclass(frozen=True)
class TumbleTruth:
    """Loss in per cent = median_pct × e^(log_ratio x + batch + tumble), x in grams from the middle amount.

    A piece breaks where base_log_odds + log_odds x + its own logistic part is above 0; what it shares with
    its batch makes up `batch_share` of the variance.
    """

    median_pct: float
    log_ratio_per_g: float
    batch_sd: float
    tumble_sd: float
    broken_base_log_odds: float
    broken_log_odds_per_g: float
    broken_batch_share: float


@dataclass(frozen=True)
class DropTruth:
    """A piece breaks from median_cm × e^(log_ratio x + spread z) up, z in part common to its batch."""

    median_cm: float
    log_ratio_per_g: float
    spread: float
    batch_share: float


@dataclass(frozen=True)
class ScoreTruth:
    """A score is how many of the `thresholds` lie below shift + rater's lean + a logistic part.

    Of that part's variance, `batch_share` is common to the batch and `piece_share` to all raters of a piece.
    """

    thresholds: tuple[float, ...]
    leans: dict[str, float]
    batch_share: float
    piece_share: float


def _logistic(normal: np.ndarray) -> np.ndarray:
    """A standard logistic number from a standard normal one, so that shares of its variance can be common."""
    return special.logit(special.ndtr(normal))


def tumbles(code: str, runs: Sequence[str], amounts: Sequence[float], truth: TumbleTruth) -> pd.DataFrame:
    """Tumble four pieces of each batch twice, weighed to a tenth of a gram."""
    rng = stream(code, "tumbles")
    rows: Rows = []
    share, pieces = truth.broken_batch_share, 4
    for run, amount in zip(runs, amounts, strict=True):
        effect, common = rng.normal(0, truth.batch_sd), rng.normal()
        for _ in range(2):
            before = round(float(rng.normal(84.0 * pieces, 1.6)), 1)
            lost = truth.median_pct * np.exp(
                truth.log_ratio_per_g * amount + effect + rng.normal(0, truth.tumble_sd)
            )
            own = _logistic(np.sqrt(share) * common + np.sqrt(1 - share) * rng.normal(size=pieces))
            broken = truth.broken_base_log_odds + truth.broken_log_odds_per_g * amount + own > 0
            after = round(before * (1 - lost / 100), 1)
            rows.append(
                {"run": run, "pieces": pieces, "before_g": before, "after_g": after}
                | {"broken": int(broken.sum()), "note": ""}
            )
    return pd.DataFrame(rows)


def drops(code: str, runs: Sequence[str], amounts: Sequence[float], truth: DropTruth) -> pd.DataFrame:
    """Drop eight pieces of each batch, ten centimetres lower after a break and higher after a hold."""
    rng = stream(code, "drops")
    rows: Rows = []
    share = truth.batch_share
    for run, amount in zip(runs, amounts, strict=True):
        common = rng.normal()
        own = truth.spread * (np.sqrt(share) * common + np.sqrt(1 - share) * rng.normal(size=8))
        breaks_cm = truth.median_cm * np.exp(truth.log_ratio_per_g * amount + own)
        height = 60
        for place, limit in enumerate(breaks_cm, start=1):
            broke = height >= limit
            rows.append(
                {"run": run, "piece": f"D{place}", "height_cm": height, "broke": "yes" if broke else "no"}
                | {"order": place, "note": ""}
            )
            height = max(10, height - 10) if broke else height + 10
    return pd.DataFrame(rows)


def crumble_scores(
    code: str,
    runs: Sequence[str],
    shifts: Sequence[float],
    truth: ScoreTruth,
    missed: Mapping[str, tuple[str, str]],
) -> pd.DataFrame:
    """Let every rater score the same three pieces of each batch; `missed` are rater, batch and piece."""
    rng = stream(code, "crumble_scores")
    rows: Rows = []
    own_share = 1 - truth.batch_share - truth.piece_share
    for run, shift in zip(runs, shifts, strict=True):
        common = np.sqrt(truth.batch_share) * rng.normal()
        for piece in ("S1", "S2", "S3"):
            of_piece = common + np.sqrt(truth.piece_share) * rng.normal()
            for rater, lean in truth.leans.items():
                felt = shift + lean + _logistic(of_piece + np.sqrt(own_share) * rng.normal(size=1))[0]
                if missed.get(rater) != (run, piece):
                    score = int((felt > np.array(truth.thresholds)).sum())
                    rows.append({"run": run, "piece": piece, "rater": rater, "score": score, "note": ""})
    return pd.DataFrame(rows)


@dataclass(frozen=True)
class FizzTruth:
    """A piece fizzes for median_s × ratio × e^(E/R (1/T - 1/311.15 K)) × e^(batch + piece) seconds.

    Its first colour comes after colour_s of its level × the same e^(E/R ...) × e^(batch + piece), with
    spreads of its own. The maker stops watching after `watched_s`.
    """

    median_s: float
    activation_kj_mol: float
    batch_sd: float
    piece_sd: float
    colour_batch_sd: float
    colour_piece_sd: float
    watched_s: float


@dataclass(frozen=True)
class GasTruth:
    """Gas leaves as a cube-root curve: all of (1 - spent) × theory, less what stays dissolved.

    Half is out after t50_s × e^(log_ratio x + batch + piece), x in grams from the middle amount; the cup also
    dries up by `drift_g_min`.
    """

    theory_g: float
    spent: float
    dissolved_g: float
    t50_s: float
    log_ratio_per_g: float
    t50_batch_sd: float
    t50_piece_sd: float
    gas_batch_sd: float
    gas_piece_sd: float
    drift_g_min: float
    scale_noise_g: float


@dataclass(frozen=True)
class ShelfTruth:
    """Fizz left = fresh × e^(-k weeks), k of its storage and batch; the scale adds noise."""

    fresh_g: float
    per_week: dict[str, float]
    batch_sd: float
    piece_sd: float


def _arrhenius(truth_kj_mol: float, water_c: float) -> float:
    return float(np.exp(truth_kj_mol / 8.31446e-3 * (1 / (water_c + 273.15) - 1 / 311.15)))


def fizz_times(
    code: str, runs: Sequence[str], ratios: Sequence[float], colours_s: Sequence[float], truth: FizzTruth
) -> pd.DataFrame:
    """Time three pieces of each batch in water of 34 to 40 °C, to the second."""
    rng = stream(code, "fizz_times")
    rows: Rows = []
    for run, ratio, colour in zip(runs, ratios, colours_s, strict=True):
        effect, colour_effect = rng.normal(0, truth.batch_sd), rng.normal(0, truth.colour_batch_sd)
        for piece in ("F1", "F2", "F3"):
            water = round(float(rng.uniform(34.0, 40.0)), 1)
            slower = _arrhenius(truth.activation_kj_mol, water)
            lasts = truth.median_s * ratio * slower * np.exp(effect + rng.normal(0, truth.piece_sd))
            shows = colour * slower * np.exp(colour_effect + rng.normal(0, truth.colour_piece_sd))
            done = bool(lasts <= truth.watched_s)
            rows.append(
                {"run": run, "piece": piece, "water_c": water}
                | {"seconds": round(float(min(lasts, truth.watched_s))), "done": "yes" if done else "no"}
                | {"colour_s": round(float(shows)), "note": ""}
            )
    return pd.DataFrame(rows)


def fizz_curves(
    code: str, runs: Sequence[str], amounts: Sequence[float], truth: GasTruth, splash: tuple[str, str]
) -> pd.DataFrame:
    """Read the scale nineteen times while each of two pieces fizzes in its cup; one cup splashes over."""
    rng = stream(code, "fizz_curves")
    rows: Rows = []
    seconds = np.array([0, 5, 10, 15, 20, 30, 40, 50, 60, 75, 90, 110, 130, 150, 180, 210, 240, 270, 300])
    half = 1 - 0.5 ** (1 / 3)
    of_gas, of_pace = (
        rng.normal(0, truth.gas_batch_sd, len(runs)),
        rng.normal(0, truth.t50_batch_sd, len(runs)),
    )
    for i, (run, amount) in enumerate(zip(runs, amounts, strict=True)):
        for piece in ("G1", "G2"):
            water = round(float(rng.normal(38.0, 0.6)), 1)
            gas = truth.theory_g * (1 - truth.spent) - truth.dissolved_g
            gas *= np.exp(of_gas[i] + rng.normal(0, truth.gas_piece_sd))
            slower = np.exp(truth.log_ratio_per_g * amount + of_pace[i] + rng.normal(0, truth.t50_piece_sd))
            left = np.maximum(1 - half * seconds / (truth.t50_s * slower), 0) ** 3
            mass = rng.uniform(455.0, 475.0) - gas * (1 - left) - truth.drift_g_min / 60 * seconds
            if (run, piece) == splash:
                mass = mass - 1.3 * (seconds >= 40)
            mass = (mass + rng.normal(0, truth.scale_noise_g, len(seconds))).round(1)
            for second, grams in zip(seconds.tolist(), mass.tolist(), strict=True):
                rows.append(
                    {"run": run, "piece": piece, "water_c": water, "seconds": second, "mass_g": grams}
                )
    return pd.DataFrame(rows)


def shelf(code: str, runs: Sequence[str], truth: ShelfTruth) -> pd.DataFrame:
    """Weigh the gas of a fresh piece of each batch, and of one from each storage after weeks."""
    rng = stream(code, "shelf")
    rows: Rows = []
    for run in runs:
        fresh, own = truth.fresh_g * np.exp(rng.normal(0, 0.05)), rng.normal(0, truth.batch_sd)
        places = [(0, ""), *((weeks, name) for name in truth.per_week for weeks in (3, 6, 10))]
        for number, (weeks, name) in enumerate(places, start=1):
            rate = truth.per_week[name] + own if name else 0.0
            gas = fresh * np.exp(-rate * weeks + rng.normal(0, truth.piece_sd))
            humidity = "" if not name else str(int(name) + int(rng.integers(-1, 2)))
            rows.append(
                {"run": run, "piece": f"K{number}", "weeks": weeks, "rh_pct": humidity}
                | {"gas_g": round(float(gas), 1), "note": ""}
            )
    return pd.DataFrame(rows)


def room_log(code: str, air: pd.DataFrame, flat_battery: Sequence[tuple[str, str]]) -> pd.DataFrame:
    """What the hygrometer showed: a little noise, tenths of a degree, whole per cent, and gaps."""
    rng = stream(code, "room_log")
    log = air.assign(
        temp_c=(air["temp_c"] + rng.normal(0, 0.1, len(air))).round(1),
        rh_pct=(air["rh_pct"] + rng.normal(0, 0.6, len(air))).round(0).astype(int),
    )
    for start, end in flat_battery:
        log = log[~log["time"].between(pd.Timestamp(start), pd.Timestamp(end))]
    return log.reset_index(drop=True)


def runs_table(
    batches: Sequence[Batch], notes: Mapping[str, str], spilled: Mapping[str, str]
) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "run": [batch.run for batch in batches],
            "day": [f"{batch.made_at:%Y-%m-%d}" for batch in batches],
            "made_at": [batch.made_at for batch in batches],
            "note": [notes.get(batch.run, "") for batch in batches],
            "leave_out": [spilled.get(batch.run, "") for batch in batches],
        }
    )


# The three trials ----------------------------------------------------------------------------------------


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
    return _truth(truth, batches) | {
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
    return _truth(truth, batches, weighed=True) | {
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
        thresholds=(-1.6, -0.2, 1.3, 2.8),
        leans={"Ines": -0.2, "Mo": 0.2},
        batch_share=0.12,
        piece_share=0.7,
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
    return _truth(truth, batches) | {
        "log_ratio_per_g": log_ratio_per_g,
        "tumbles": asdict(dusty),
        "drops": asdict(falls),
        "crumble_scores": asdict(felt) | {"log_odds_per_g": log_odds_per_g, "missed": ["Mo", "B04", "S3"]},
        "fizz_curves": asdict(gas),
        "blemishes": {"wrong_tray": "B07", "never_dry": [run, piece], "splash": list(splash)},
    }


def _truth(truth: DryingTruth, batches: Iterable[Batch], weighed: bool = False) -> dict[str, Any]:
    shown = (*PIECES, "W1", "W2") if weighed else PIECES
    return {
        "drying": asdict(truth) | {"reference_vpd_kpa": REFERENCE_VPD_KPA},
        "batches": {
            batch.run: {
                "effect": round(batch.effect, 4),
                "vpd_kpa": round(batch.vpd_kpa, 4),
                "median_h": round(batch.median_h, 3),
                "pieces_h": {piece: round(batch.pieces_h[piece], 3) for piece in shown},
            }
            for batch in batches
        },
    }


_DRYING_TOML = """\
[drying]
air = "vpd"
distribution = "lognormal"
shares = [0.5, 0.9, 0.95]
night_hours = 12
forecast_air = { temp_c = 16, rh_pct = 70 }
remaining_share = 0.05
constant_loss_g_per_h = 0.02
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
"""
)


# Writing -------------------------------------------------------------------------------------------------


def write_trial(target: Path, toml: str, tables: Tables) -> None:
    target.mkdir(parents=True, exist_ok=True)
    _write(target / "trial.toml", toml)
    for name, table in tables.items():
        write_csv(target / f"{name}.csv", table)


def write_csv(
    path: Path, table: pd.DataFrame, separator: str = ",", decimal: str = ".", line_end: str = "\n"
) -> None:
    """Write the table without its empty columns, as a spreadsheet would save it."""
    table = _without_empty_columns(table)
    buffer = io.StringIO()
    writer = csv.writer(buffer, delimiter=separator, lineterminator=line_end)
    writer.writerow(table.columns)
    for row in table.itertuples(index=False):
        writer.writerow([_cell(value, decimal) for value in row])
    _write(path, buffer.getvalue())


def write_workbook(path: Path, tables: Tables) -> None:
    """Write a sheet a table, with nothing in the file that depends on the moment of writing."""
    book = openpyxl.Workbook()
    book.remove(book.active)
    for name, table in tables.items():
        table = _without_empty_columns(table)
        sheet = book.create_sheet(name)
        sheet.append(list(table.columns))
        for row in table.itertuples(index=False):
            sheet.append([_excel(value) for value in row])
        for cells in sheet.iter_cols(min_row=2):
            for cell in cells:
                if isinstance(cell.value, dt.datetime):
                    cell.number_format = "yyyy-mm-dd hh:mm"
    saved = io.BytesIO()
    book.save(saved)
    with zipfile.ZipFile(saved) as source, zipfile.ZipFile(path, "w", zipfile.ZIP_STORED) as target:
        for member in source.infolist():
            content = source.read(member)
            if member.filename == "docProps/core.xml":
                content = re.sub(rb"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ", b"2026-05-01T00:00:00Z", content)
            target.writestr(zipfile.ZipInfo(member.filename, (2026, 5, 1, 0, 0, 0)), content)


def _without_empty_columns(table: pd.DataFrame) -> pd.DataFrame:
    return table.loc[:, [not (table[name] == "").all() for name in table.columns]]


def _cell(value: object, decimal: str) -> str:
    if isinstance(value, pd.Timestamp):
        return f"{value:%Y-%m-%dT%H:%M}"
    if isinstance(value, float):
        return f"{value:g}".replace(".", decimal)
    return str(value)


def _excel(value: object) -> object:
    if isinstance(value, pd.Timestamp):
        return value.to_pydatetime()
    if isinstance(value, np.generic):
        return value.item()
    return None if value == "" else value


def _write(path: Path, text: str) -> None:
    path.write_bytes(text.encode("utf-8"))


def main(folder: Path) -> None:
    truth = {"season": season(folder), "colour-ways": colour_ways(folder), "binder": binder(folder)}
    _write(folder / "truth.json", json.dumps({"seed": SEED, **truth}, indent=1) + "\n")


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent)
