"""Batches made alike, to learn what damp air does or, read again and again, how good a test is itself."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from fizzlab.design.factors import Factor
from fizzlab.design.layout import FEW, FEW_DAYS, numbered, streams
from fizzlab.design.plans import Plan
from fizzlab.errors import cannot
from fizzlab.language import say


def repeatability(
    factors: Sequence[Factor], seed: int, *, batches: int, repeats: int, per_day: int | None = None
) -> Plan:
    """So many batches of one recipe, shared out over days, each read `repeats` times by every person."""
    if repeats < 2:
        raise cannot("one_reading")
    _, order, blind = streams(seed, repr((batches, repeats, per_day)))
    day = np.arange(batches) * (-(-batches // per_day) if per_day else 1) // batches
    kind = f"batches made alike, each read {repeats} times by every person"
    runs = numbered(pd.DataFrame({"point": ["repeat"] * batches}), day, order, blind)
    few = (say("few_alike", batches=batches, more=FEW + 1),) if batches <= FEW else ()
    return Plan(kind, runs, (), seed, (), {"runs": batches - 1}, batches - 1, warnings=few)


def season(factors: Sequence[Factor], seed: int, *, days: int, per_day: int | None = None) -> Plan:
    """One recipe on many days, which differ in the room's air alone."""
    if days < 4:
        raise cannot("short_season", n=days)
    _, order, blind = streams(seed, repr((days, per_day)))
    per_day, spare = per_day or 1, days - 2
    settings = pd.DataFrame({"point": ["repeat"] * days * per_day})
    runs = numbered(settings, np.repeat(np.arange(days), per_day), order, blind)
    said = (say("season_judged", n=spare), *[say("few_spare_days", n=spare)] * (spare < FEW_DAYS))
    error_df = {"days": spare, "runs": len(runs) - days}
    return Plan(say("season_kind"), runs, (), seed, (), error_df, len(runs) - days, warnings=said)
