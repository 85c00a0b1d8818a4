"""How pieces crumble: tumbled, dropped, scored."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import special

from invented.streams import Rows, stream


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
