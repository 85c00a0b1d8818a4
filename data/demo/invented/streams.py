"""One stream of random numbers for each name, whatever else is drawn."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

SEED = 20251004

Rows = list[dict[str, Any]]
Tables = dict[str, pd.DataFrame]


def stream(*name: str) -> np.random.Generator:
    """The random numbers that belong to one name, whatever else is drawn."""
    return np.random.default_rng(np.random.SeedSequence(SEED, spawn_key=tuple("/".join(name).encode())))
