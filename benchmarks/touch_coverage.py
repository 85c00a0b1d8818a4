"""Do the intervals of the touch-check regression hold what they promise? A table by simulation.

    python benchmarks/touch_coverage.py [TRIALS] [CASE]

12 batches of 4 pieces and a factor of two levels. "Plain" trials are normal in the logarithms, the factor
changed from batch to batch, the air with each batch or, with days, each day. "Rough" ones come from the
process of tests/calibration.py, of another shape than the model: gamma batches, logistic pieces, days of
heavy tails, a touch that gets stricter, a lost batch, missed looks; the factor does nothing there. In per
cent: how often 95 % intervals hold the typical batch of the second level, the factor and the slope on the
air (a factor that does nothing and is not held is a false alarm); the chance that a new batch's own 90 %
time lies in its 95 % interval, and below its one-sided 95 % bound (exact given each fitted interval,
averaged; plain trials only); how many trials were refused; the most degrees of freedom the factor had.
"""

import sys
import time
from pathlib import Path

import numpy as np
import pandas as pd
from scipy import stats

sys.path.insert(0, str(Path(__file__).parents[1] / "tests"))
import calibration as rough

from fizzlab.errors import CannotAnswer
from fizzlab.models.curing import fit_curing_time

EVERY_2 = np.arange(4.0, 60, 2.0)
COARSE = np.array([4.0, 8, 12, 24, 30, 36])
THREE = np.array([14.0, 18, 22])
SLOPE, AIR, LATE = -0.8, 0.7, 0.25

# name: days, tau, sigma, delta, looks
PLAIN = {
    "batches alike": (None, 0.0, 0.15, 0.0, EVERY_2),
    "batches differ a little": (None, 0.1, 0.15, 0.0, EVERY_2),
    "batches differ": (None, 0.3, 0.15, 0.0, EVERY_2),
    "batches alike, coarse looks": (None, 0.0, 0.15, 0.0, COARSE),
    "batches differ, coarse looks": (None, 0.2, 0.15, 0.0, COARSE),
    "pieces nearly alike, coarse looks": (None, 0.3, 0.03, 0.0, COARSE),
    "three looks, most left or right censored": (None, 0.2, 0.15, 0.0, THREE),
    "6 days, days alike": (6, 0.15, 0.15, 0.0, EVERY_2),
    "6 days, days and batches differ": (6, 0.15, 0.15, 0.2, EVERY_2),
    "6 days, only days differ": (6, 0.0, 0.15, 0.2, EVERY_2),
    "6 days, coarse looks": (6, 0.15, 0.15, 0.2, COARSE),
    "4 days of 3": (4, 0.15, 0.15, 0.2, EVERY_2),
}
ROUGH = {
    f"{case.told}{told}": case
    for told, spreads in (
        ("", {}),
        (", days alike", {"day_sd": 0.0}),
        (", days differ most", {"day_sd": 0.3}),
    )
    for days in (4, 6)
    for by_day in (False, True)
    for case in [rough.Case("rough", days, by_day, **spreads)]
}


def bracketed(hours: np.ndarray, looks: list[np.ndarray], names: np.ndarray) -> pd.DataFrame:
    """What looks at their hours show of the pieces of each batch."""
    at = [np.searchsorted(seen, each) for seen, each in zip(looks, hours, strict=True)]
    lower = np.concatenate([np.r_[0.0, seen][i] for seen, i in zip(looks, at, strict=True)])
    upper = np.concatenate([np.r_[seen, np.inf][i] for seen, i in zip(looks, at, strict=True)])
    run, piece = np.repeat(names, hours.shape[1]), np.tile(np.arange(hours.shape[1]), len(hours))
    return pd.DataFrame({"run": run, "piece": piece, "lower": lower, "upper": upper})


def plain_trial(seed: list[int], days, tau, sigma, delta, looks) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Brackets and batches of one plain trial."""
    rng = np.random.default_rng(seed)
    day = np.arange(12) if days is None else np.repeat(np.arange(days), 12 // days)
    vpd = np.exp(rng.normal(-0.4, 0.35, day.max() + 1))[day]
    table = pd.DataFrame(
        {"colour": np.array(["pearl", "dye"])[np.arange(12) % 2], "vpd_kpa": vpd, "day": day}
    )
    location = 2.6 + SLOPE * np.log(vpd) + LATE * (table["colour"] == "dye").to_numpy()
    location = location + rng.normal(0, delta, day.max() + 1)[day] + rng.normal(0, tau, 12)
    hours = np.exp(location[:, None] + sigma * rng.normal(size=(12, 4)))
    return bracketed(hours, [looks] * 12, table.index), table.drop(columns="day" if days is None else [])


def rough_trial(seed: list[int], case: rough.Case) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Brackets and batches of one trial of the other process, as `tests/calibration.py` writes them."""
    rng = np.random.default_rng(seed)
    each = rough.BATCHES // case.days
    day = np.repeat(np.arange(case.days), each)
    colour = np.array(["pearl", "dye"])[(np.arange(rough.BATCHES) - day * each + day) % 2]
    colour = np.concatenate([rng.permutation(colour[day == d]) for d in range(case.days)])
    if case.by_day:
        colour = rng.permutation(np.array(["pearl", "dye"])[np.arange(case.days) % 2])[day]
    air = rough.kpa(rng.normal(16, 1.5, case.days), np.clip(rng.normal(68, 8, case.days), 40, 88))
    hours = rough.pieces(rng, case, rough.batches(rng, case, colour, day, air)["dry_h"])
    hours *= np.linspace(1.0, 1.25, rough.BATCHES)[:, None]
    kept = np.arange(rough.BATCHES) != rng.integers(rough.BATCHES)
    looks = [rough.LOOKS[rng.random(len(rough.LOOKS)) > 0.15] for _ in range(rough.BATCHES)]
    names = np.array([f"R{i + 1:02d}" for i in range(rough.BATCHES)])
    table = pd.DataFrame({"colour": colour, "vpd_kpa": air[day], "day": day}, index=names)[kept]
    found = bracketed(hours, looks, names)
    return found[found["run"].isin(table.index)], table


def held(
    found: pd.DataFrame, table: pd.DataFrame, air: float, truth: list[float]
) -> tuple[list[bool], float, object]:
    """Do the intervals of typical batch, factor and slope hold the truth; df of the factor; the fit."""
    table = table.assign(colour=pd.Categorical(table["colour"], ["pearl", "dye"]))
    fit = fit_curing_time(found, "colour", runs=table.rename_axis("run"))
    given = {"vpd_kpa": air} if fit.air else {}
    typical = np.log(fit.predict({"colour": "dye", **given})[["conf_low", "conf_high"]].iloc[0])
    rows = fit.coefficients.reindex(["colour[dye]", "log vpd_kpa"])[["conf_low", "conf_high"]]
    ends = np.vstack([typical, rows])
    told = [
        bool(low < true < high) if np.isfinite(low) else np.nan
        for (low, high), true in zip(ends, truth, strict=True)
    ]
    return told, float(fit.coefficients["df"]["colour[dye]"]), fit


def chances(fit, tau: float, sigma: float, delta: float) -> list[float]:
    """Chance that a new batch's own 90 % time lies in its 95 % interval, and below its one-sided bound."""
    middle = 2.6 + LATE + SLOPE * np.log(AIR) + sigma * stats.norm.ppf(0.9)
    new, given = stats.norm(middle, max(np.hypot(tau, delta), 1e-9)), {"colour": "dye", "vpd_kpa": AIR}
    both, one = (
        np.log(
            fit.predict(given, share=0.9, interval="prediction", conf_level=level)[["conf_low", "conf_high"]]
        )
        for level in (0.95, 0.9)
    )
    return [float(np.diff(new.cdf(both))[0, 0]), float(new.cdf(one["conf_high"].iloc[0]))]


def main() -> None:
    trials = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    wanted = sys.argv[2] if len(sys.argv) > 2 else ""
    print(f"{trials} trials a case; standard error {100 * np.sqrt(0.95 * 0.05 / trials):.1f}")
    print(
        f"{'case':<46}{'typical':>8}{'factor':>8}{'air':>8}{'new':>8}{'sure':>8}{'refused':>8}{'df':>6}{'s':>6}"
    )
    for number, (name, case) in enumerate((PLAIN | ROUGH).items()):
        if wanted not in ("", name):
            continue
        begun, rows, most, refused = time.process_time(), list[list[float]](), 0.0, 0
        for i in range(trials):
            try:
                if isinstance(case, tuple):
                    truth = [2.6 + LATE + SLOPE * np.log(AIR), LATE, SLOPE]
                    told, df, fit = held(*plain_trial([2026, number, i], *case), AIR, truth)
                    told = [*told, *chances(fit, *case[1:4])]
                else:
                    middle = np.log(rough.TYPICAL_H) + np.log(np.linspace(1.0, 1.25, 12)).mean()
                    told, df, _ = held(*rough_trial([2026, number, i], case), rough.AIR, [middle, 0.0, SLOPE])
                    told = [*told, np.nan, np.nan]
            except CannotAnswer:
                refused += 1
                continue
            rows.append(told)
            most = max(most, df)
        shares = 100 * pd.DataFrame(rows, dtype=float).mean()
        print(f"{name:<46}" + "".join(f"{share:>8.1f}" for share in shares), end="")
        print(f"{refused:>8}{most:>6.1f}{time.process_time() - begun:>6.0f}", flush=True)


if __name__ == "__main__":
    main()
