"""How often 95 % intervals of drying times hold the truth.

Run it by hand: `python benchmarks/drying_coverage.py [--pieces 400]`. Pieces of 2.2 g of moisture are
weighed eight times over 23 hours with a true Page curve; "refused" are those told to be weighed longer.
"""

from __future__ import annotations

import argparse

import numpy as np
import pandas as pd

from fizzlab.errors import CannotAnswer
from fizzlab.models.curves import profile_interval
from fizzlab.models.weighing import PAGE, fit_drying_curve, time_to_share

HOURS = np.array([0, 1, 2, 3.5, 5, 7, 10, 23])
END, MOISTURE, SHARE = 84.0, 2.2, 0.1


def coverage(
    shape: float, scale_h: float, until_h: float, noise_g: float, step_g: float, pieces: int
) -> tuple[list[float], float]:
    """Return how often the two intervals hold the truth, and the share of pieces refused."""
    rng = np.random.default_rng(7)
    truth = np.array([END, MOISTURE, 1 / scale_h, shape])
    planned = HOURS[until_h >= HOURS]
    share = float((-np.log(SHARE)) ** (1 / shape) * scale_h)
    held: list[list[bool]] = []
    refused = 0
    for _ in range(pieces):
        t = planned + np.append(0, rng.uniform(-0.1, 0.2, len(planned) - 1))
        m = np.round((PAGE(t, truth) + rng.normal(0, noise_g, t.shape)) / step_g) * step_g
        try:
            fit = fit_drying_curve(pd.DataFrame({"hours": t, "mass_g": m}), resolution_g=step_g)
            time, end = (time_to_share(fit, SHARE), profile_interval(fit, lambda p: p[0]))
        except CannotAnswer:
            refused += 1
            continue
        held.append(
            [time["conf_low"] <= share <= time["conf_high"], end["conf_low"] <= END <= end["conf_high"]]
        )
    return np.mean(held, axis=0).tolist() if held else [np.nan] * 2, refused / pieces


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--pieces", type=int, default=400)
    pieces = parser.parse_args().pieces
    print(f"{'shape':>6}{'scale h':>9}{'until h':>9}{'noise g':>9}{'step g':>8}", end="")
    print(f"{'10 % left':>10}{'end mass':>10}{'refused':>9}")
    settings = [(shape, 2.5, 23, 0.008, 0.01) for shape in (0.85, 0.92, 1.0, 1.2)]
    settings += [(0.92, 4.0, 7, 0.008, 0.01), (0.92, 8.0, 7, 0.008, 0.01), (0.92, 2.5, 23, 0.03, 0.1)]
    for setting in settings:
        held, refused = coverage(*setting, pieces)
        shape, scale, until, noise, step = setting
        print(f"{shape:>6}{scale:>9}{until:>9}{noise:>9}{step:>8}", end="")
        print("".join(f"{each:>10.3f}" for each in held) + f"{refused:>9.2f}")


if __name__ == "__main__":
    main()
