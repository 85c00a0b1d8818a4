"""Batches made alike, to learn how good a test is itself; see `fizzlab.models.repeatability`."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from fizzlab.design.factors import Factor
from fizzlab.design.layout import FEW, numbered, streams
from fizzlab.design.plans import Plan
from fizzlab.errors import CannotAnswer


def repeatability(
    factors: Sequence[Factor], seed: int, *, batches: int, repeats: int, per_day: int | None = None
) -> Plan:
    """So many batches of one recipe, shared out over days, each read `repeats` times by every person."""
    if factors:
        raise ValueError("a repeatability plan makes every batch alike, so it takes no factor")
    if repeats < 2:
        why = "With one reading of each batch, repeats cannot be told from batches."
        raise CannotAnswer(why, "Set repeats to 2 or more.")
    _, order, blind = streams(seed, repr((batches, repeats, per_day)))
    day = np.arange(batches) * (-(-batches // per_day) if per_day else 1) // batches
    few = f"{batches} batches tell little of how much batches differ; {FEW + 1} or more would."
    return Plan(
        kind=f"batches made alike, each read {repeats} times by every person",
        runs=numbered(pd.DataFrame({"point": ["repeat"] * batches}), day, order, blind),
        factors=(),
        seed=seed,
        terms=(),
        error_df={"runs": batches - 1},
        repeat_df=batches - 1,
        warnings=(few,) if batches <= FEW else (),
    )
