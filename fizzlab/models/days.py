"""How the batches hang together by day, and which error judges which effect."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd

from fizzlab.language import say
from fizzlab.models.terms import Array, Term

Days = Literal["auto", "fixed", "random", "ignore"]
Kind = Literal["ordinary", "blocked", "split plot", "random days"]

#: Days are taken out as blocks only while every effect keeps this share of its information.
MOST_LOSS = 0.5


@dataclass(frozen=True)
class DayModel:
    """How days enter the fit of a trial, and why: taken out as blocks (`fixed`), or varying at random."""

    kind: Kind
    reason: str

    @property
    def fixed(self) -> bool:
        return self.kind == "blocked"

    @property
    def random(self) -> bool:
        return self.kind in ("split plot", "random days")


def choose_days(table: pd.DataFrame, x: Array, days: Days = "auto") -> DayModel:
    """Choose how the days enter; with "auto" as blocks if every effect keeps half of its information."""
    if "day" not in table:
        return DayModel("ordinary", say("days_none"))
    several = table["day"].nunique()
    if several == 1 or days == "ignore":
        return DayModel("ordinary", say("days_one" if several == 1 else "days_ignored"))
    if several == len(table):
        return DayModel("ordinary", say("days_each"))
    if days == "fixed" or (days == "auto" and _kept(x, block_columns(table["day"])) >= MOST_LOSS):
        return DayModel("blocked", say("days_blocks"))
    columns = pd.DataFrame(x)
    strays = columns - columns.groupby(table["day"].to_numpy()).transform("mean")
    within = strays.abs().to_numpy().max(axis=0)
    if ((within < 1e-9) & (np.ptp(x, axis=0) > 1e-9)).any():
        return DayModel("split plot", say("days_split"))
    return DayModel("random days", say("days_random"))


def block_columns(days: pd.Series) -> Array:
    """Columns that take days out and add up to zero over them, so that other coefficients stay means."""
    each = pd.get_dummies(pd.Categorical(days, pd.unique(days))).to_numpy(float)
    return np.asarray(each[:, :-1] - each[:, -1:])


def _kept(x: Array, by_day: Array) -> float:
    """Least share of information that an effect keeps when days are taken out; 0 if one is lost."""
    varies = np.flatnonzero(np.ptp(x, axis=0) > 1e-9)
    one = np.ones((len(x), 1))
    while np.linalg.matrix_rank(np.hstack([one, x[:, varies]])) <= len(varies):
        varies = varies[1:]  # a mixture: its parts add up to the intercept
    plain = np.hstack([one, x[:, varies]])
    full = np.hstack([plain, by_day])
    if np.linalg.matrix_rank(full) < full.shape[1] or len(x) - full.shape[1] < 2:
        return 0.0
    before, after = (np.diag(np.linalg.inv(each.T @ each))[1 : len(varies) + 1] for each in (plain, full))
    return float((before / after).min(initial=1.0))


def on_every_day(batches: pd.DataFrame, term: Term) -> bool:
    """Had every day each value that the term took at all, so that it is judged within days?"""
    return bool((batches.groupby("day")[term.name].nunique() == batches[term.name].nunique()).all())
