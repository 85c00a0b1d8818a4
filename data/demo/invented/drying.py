"""How pieces dry in the room's air, and what a maker sees of it."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
import pandas as pd

from fizzlab.models.air import vapour_pressure_deficit
from invented.streams import Rows, stream

REFERENCE_VPD_KPA = 0.45
PIECES = ("1", "2", "3", "4")
LOOKS_H = (1.5, 2.5, 4.0, 6.0, 8.0, 12.0)


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
    code: str,
    made: Sequence[pd.Timestamp],
    ratios: Sequence[float],
    truth: DryingTruth,
    air: pd.DataFrame,
    of_day: Sequence[float] | None = None,
) -> list[Batch]:
    """Let the batches dry in the true air; `of_day` is what the day adds to the effect of each."""
    rng = stream(code, "drying")
    effects = rng.normal(0, truth.tau, len(made))
    if of_day is not None:
        effects = effects + np.asarray(of_day)
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
    mean_vpd = np.cumsum(vapour_pressure_deficit(temp, rh)) / np.arange(1, len(minutes) + 1)
    due = scale * (mean_vpd / REFERENCE_VPD_KPA) ** slope
    place = int(np.argmax(minutes >= due))
    return float(mean_vpd[place]), float(due[place])


# What the maker writes down ------------------------------------------------------------------------------


def look_times(
    rng: np.random.Generator, batch: Batch, late_night: bool = False, looks_h: Sequence[float] = LOOKS_H
) -> list[float]:
    """Hours at which somebody looked, to a tenth of an hour."""
    planned = [*looks_h, 24.0 + 7.5 - (batch.made_at.hour + batch.made_at.minute / 60)]
    times = [round(float(hour + rng.uniform(-0.15, 0.25)), 1) for hour in planned if hour <= planned[-1]]
    if late_night:  # pressed in the afternoon, looked at until bedtime, then not for nine hours
        times = [*times[:3], 7.0, 16.0, 22.0]
    return sorted(set(times))


def touch_checks(
    code: str,
    batches: Iterable[Batch],
    missed: float = 0.05,
    late_night: Sequence[str] = (),
    looks_h: Sequence[float] = LOOKS_H,
) -> pd.DataFrame:
    """Look at each piece until it is dry; now and then one is overlooked."""
    rng = stream(code, "touch_checks")
    rows: Rows = []
    for batch in batches:
        times = look_times(rng, batch, batch.run in late_night, looks_h)
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


def truth_of(truth: DryingTruth, batches: Iterable[Batch], weighed: bool = False) -> dict[str, Any]:
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
