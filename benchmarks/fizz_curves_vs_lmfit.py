"""A thousand fizz curves fitted at once, against lmfit one by one: same model, same readings, same minimum.

Run by hand: ``python benchmarks/fizz_curves_vs_lmfit.py``. lmfit is given a good start from the readings and
its default tolerances; ours finds its own starts. Both fit start mass, gas, time and drift, and the shape of
a Weibull curve; the residual sums of squares are compared curve by curve.
"""

from __future__ import annotations

import time

import lmfit
import numpy as np

from fizzlab.models.curves import fit_many
from fizzlab.models.fizz import Shape, gas_model, share_out

CURVES, LMFIT_CURVES = 1_000, 200


def readings(shape: Shape, seed: int) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    seconds = np.arange(0.0, 301.0, 10.0)
    mass = np.empty((CURVES, len(seconds)))
    for row in mass:
        gas, t50, bend = rng.uniform(6, 12), rng.uniform(20, 60), rng.uniform(0.8, 1.6)
        row[:] = 400 - gas * share_out(shape, seconds, t50, bend) - 0.001 * seconds
    return seconds, np.round(mass + rng.normal(0, 0.04, mass.shape), 1)


def first_order(t: np.ndarray, m0: float, a: float, h: float, d: float) -> np.ndarray:
    return m0 - a * (1 - np.exp2(-t / h)) - d * t


def weibull(t: np.ndarray, m0: float, a: float, h: float, b: float, d: float) -> np.ndarray:
    return m0 - a * (1 - np.exp2(-((t / h) ** b))) - d * t


def by_lmfit(shape: Shape, seconds: np.ndarray, mass: np.ndarray) -> np.ndarray:
    model = lmfit.Model(first_order if shape == "first order" else weibull)
    rss = np.empty(len(mass))
    for i, row in enumerate(mass):
        lost = row[0] - row[-3:].mean()
        half = seconds[np.argmax(row[0] - row >= lost / 2)]
        start = {"b": 1.0} if shape == "weibull" else {}
        guess = model.make_params(m0=row[0], a=lost, h=half, d=0.0, **start)
        guess["h"].min = 1e-3
        if shape == "weibull":
            guess["b"].min, guess["b"].max = 0.15, 10.0
        rss[i] = model.fit(row, guess, t=seconds).chisqr
    return rss


def main() -> None:
    print(f"{'model':<14}{'way':<22}{'ms a curve':>12}{'ratio':>8}{'same minimum':>14}")
    shapes: tuple[Shape, ...] = ("first order", "weibull")
    for shape in shapes:
        seconds, mass = readings(shape, seed=20251125)
        ours_s, lmfit_s = [], []
        for _ in range(3):
            begun = time.perf_counter()
            fits = fit_many(gas_model(shape, drift=True), seconds, mass)
            ours_s.append((time.perf_counter() - begun) / CURVES)
            begun = time.perf_counter()
            rss = by_lmfit(shape, seconds, mass[:LMFIT_CURVES])
            lmfit_s.append((time.perf_counter() - begun) / LMFIT_CURVES)
        ours, other = min(ours_s), min(lmfit_s)
        mine = fits.rss[:LMFIT_CURVES]
        same = np.abs(mine - rss) <= 1e-6 * rss
        print(f"{shape:<14}{'fizzlab, 1,000 at once':<22}{1e3 * ours:>12.2f}{1.0:>8.1f}")
        print(
            f"{'':<14}{'lmfit, one by one':<22}{1e3 * other:>12.2f}{other / ours:>8.1f}{same.mean():>13.1%}"
        )
        print(
            f"{'':<14}fitted {fits.converged.mean():.1%}; ours lower {np.mean(mine < rss * (1 - 1e-6)):.1%}, "
        )
        print(f"{'':<14}lmfit lower {np.mean(rss < mine * (1 - 1e-6)):.1%}")


if __name__ == "__main__":
    main()
