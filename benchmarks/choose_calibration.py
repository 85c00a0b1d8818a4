"""Do the chances come true? Invented trials judged, then a batch made of a setting. Prints a table; by hand.

Two responses of three colours on days; errors of the two hang together. For each trial the chance to meet
both limits is noted, and whether one new batch (on a new day) does; and whether the mean of three
confirmation batches lies within the bounds.
"""

from __future__ import annotations

import sys

import numpy as np
import pandas as pd

from fizzlab.errors import CannotAnswer
from fizzlab.models.choose import Limit, choose
from fizzlab.models.effects import fit_response
from fizzlab.models.terms import Category

COLOURS = ("none", "mica", "lake")
EFFECT = {"hours": dict(zip(COLOURS, (0.0, 0.2, 0.4), strict=True))}
EFFECT["loss"] = dict(zip(COLOURS, (0.4, 0.2, 0.0), strict=True))
SD, LINK = 0.2, 0.5


def batches(rng: np.random.Generator, colours: list[str], days: list[int], day_sd: float) -> pd.DataFrame:
    table = pd.DataFrame({"run": [f"R{i}" for i in range(len(colours))], "day": days, "colour": colours})
    errors = rng.multivariate_normal([0, 0], SD**2 * np.array([[1, LINK], [LINK, 1]]), len(table))
    for r, name in enumerate(("hours", "loss")):
        shift = {day: day_sd * rng.standard_normal() for day in set(days)}
        mean = table["colour"].map(EFFECT[name]) + table["day"].map(shift)
        table[name] = np.exp(2.0 + mean + errors[:, r])
    return table


def once(rng: np.random.Generator, each: int, days: int, day_sd: float) -> list[float] | None:
    colours = [*COLOURS] * each
    order = list(rng.permutation(len(colours))) if days == 1 else list(range(len(colours)))
    day = [1 + i * days // len(colours) for i in range(len(colours))]
    trial = batches(rng, [colours[i] for i in order], day, day_sd)
    factor = Category("colour", COLOURS, "none")
    try:
        both = [fit_response(trial, name, [factor], log=True) for name in ("hours", "loss")]
        limits = [Limit(name, at_most=float(np.exp(2.0 + 0.4 + rng.normal(0, 0.2)))) for name in EFFECT]
        setting = pd.DataFrame({"colour": ["mica"]})
        choice = choose(both, setting, limits=limits, draws=1000, seed=int(rng.integers(1 << 30)))
        one = choose(both[:1], setting, limits=limits[:1], draws=200)
    except CannotAnswer:
        return None
    new = batches(rng, ["mica"] * 3, [101, 102, 103], day_sd)
    kept = all(limit.met(new[limit.response].to_numpy(float))[0] for limit in limits)
    agree = [bool(inside(each.confirm(3), new).all()) for each in (choice, one)]
    return [float(choice.table["meets"][0]), float(kept), *map(float, agree)]


def inside(bounds: pd.DataFrame, new: pd.DataFrame) -> pd.Series:
    """Do the geometric means of new batches lie within the bounds?"""
    means = np.exp(np.log(new[bounds.index]).mean())
    return means.between(bounds["conf_low"], bounds["conf_high"])


def main(times: int = 1000) -> None:
    rng = np.random.default_rng(11)
    print(
        "batches, days, day sd; chance told, came true; both where told < 0.3; both where told > 0.7; "
        "confirmed: two responses, one; trials"
    )
    for each, days, day_sd in ((4, 1, 0.0), (4, 4, 0.0), (4, 4, 0.1), (4, 4, 0.2), (8, 6, 0.2)):
        rows = [once(rng, each, days, day_sd) for _ in range(times)]
        table = np.array([row for row in rows if row is not None])
        low, high = table[table[:, 0] < 0.3], table[table[:, 0] > 0.7]
        print(
            3 * each, days, day_sd, *table[:, :2].mean(axis=0).round(3),
            *low[:, :2].mean(axis=0).round(3), *high[:, :2].mean(axis=0).round(3),
            *table[:, 2:].mean(axis=0).round(3), len(table), sep="\t", flush=True,
        )  # fmt: skip


if __name__ == "__main__":
    main(*(int(a) for a in sys.argv[1:2]))
