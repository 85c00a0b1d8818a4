"""How pieces fizz: timed, weighed in a cup, stored."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from invented.streams import Rows, stream


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
