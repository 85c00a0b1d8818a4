"""Batches made alike, to learn how good a test is itself; see `fizzlab.models.repeatability`."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from fizzlab.design.factors import Factor
from fizzlab.design.layout import FEW, numbered, streams
from fizzlab.design.plans import Plan
from fizzlab.errors import cannot
from fizzlab.language import say


def repeatability(
    factors: Sequence[Factor], seed: int, *, batches: int, repeats: int, per_day: int | None = None
) -> Plan:
    """So many batches of one recipe, shared out over days, each read `repeats` times by every person."""
    if factors:
        raise ValueError("a repeatability plan makes every batch alike, so it takes no factor")
    if repeats < 2:
        raise cannot("one_reading")
    _, order, blind = streams(seed, repr((batches, repeats, per_day)))
    day = np.arange(batches) * (-(-batches // per_day) if per_day else 1) // batches
    kind = f"batches made alike, each read {repeats} times by every person"
    runs = numbered(pd.DataFrame({"point": ["repeat"] * batches}), day, order, blind)
    few = (say("few_alike", batches=batches, more=FEW + 1),) if batches <= FEW else ()
    return Plan(kind, runs, (), seed, (), {"runs": batches - 1}, batches - 1, warnings=few)
