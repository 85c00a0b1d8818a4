"""One number for "how crumbly", made only from parts and weights that somebody has written down."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from fizzlab.errors import CannotAnswer


@dataclass(frozen=True)
class Part:
    """One part of a crumble index.

    Parameters
    ----------
    name : str
        Column with one reading a batch: ``"loss_pct"``, ``"median_cm"``, ``"score"``.
    weight : float
        Its share in the index, above 0; the weights of all parts add up to 1.
    best, worst : float
        The readings that count as 0 (holds as well as can be wished) and 1 (as bad as can be). `worst` is
        the smaller of the two where more is better, as with a breaking height.
    """

    name: str
    weight: float
    best: float
    worst: float

    def __post_init__(self) -> None:
        if not self.weight > 0:
            raise ValueError(f"the weight of {self.name} must be above 0")
        if not (np.isfinite(self.best) and np.isfinite(self.worst)) or self.best == self.worst:
            raise ValueError(f"best and worst of {self.name} must be two different numbers")


def crumble_index(readings: pd.DataFrame, parts: Sequence[Part]) -> pd.DataFrame:
    """Return the stated weighted mean of the stated parts, 0 (holds) to 1 (crumbles), for each batch.

        index = sum_k weight_k (x_k - best_k) / (worst_k - best_k)

    There is no default: which parts count, how much, and between which readings, is a judgement of what
    matters on the shelf and in the post, and it is the maker's. Readings past best or worst are not cut off.

    Parameters
    ----------
    readings : DataFrame
        One row a batch, exactly one column a part.
    parts : sequence of Part

    Returns
    -------
    DataFrame
        Same index; a column for each part's contribution, then ``index`` and ``beyond`` (some reading lies
        outside best to worst).

    Raises
    ------
    CannotAnswer
        No part stated, weights that do not add up to 1, a column without a part or a part without its
        column, or a batch that lacks a reading.

    Examples
    --------
    >>> readings = pd.DataFrame({"loss_pct": [1.0, 4.0], "median_cm": [80.0, 50.0]}, index=["A", "B"])
    >>> parts = [Part("loss_pct", 0.5, best=0, worst=5), Part("median_cm", 0.5, best=100, worst=20)]
    >>> crumble_index(readings, parts).round(4)
       loss_pct  median_cm   index  beyond
    A       0.1     0.1250  0.2250   False
    B       0.4     0.3125  0.7125   False
    """
    state = "State every part with its weight, best and worst, and let the weights add up to 1."
    names = [part.name for part in parts]
    if not parts or len(set(names)) < len(names):
        raise CannotAnswer("A crumble index needs parts, each stated once.", state)
    total = sum(part.weight for part in parts)
    if abs(total - 1) > 1e-9:
        raise CannotAnswer(f"The weights of the crumble index add up to {total:g}, not to 1.", state)
    odd = sorted(set(names).symmetric_difference(readings.columns))
    if odd:
        raise CannotAnswer(f"The crumble index and the readings do not match at {odd[0]}.", state)
    lacking = readings.index[readings[names].isna().any(axis=1)]
    if len(lacking):
        raise CannotAnswer(
            f"Batch {lacking[0]} lacks a part of the crumble index.",
            "Take that reading, or leave the part out.",
        )
    shares = pd.DataFrame(
        {part.name: (readings[part.name] - part.best) / (part.worst - part.best) for part in parts}
    )
    table = shares * [part.weight for part in parts]
    beyond = ((shares < 0) | (shares > 1)).any(axis=1)
    return table.assign(index=table.sum(axis=1), beyond=beyond)
