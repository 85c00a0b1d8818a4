"""What is changed on purpose in a plan: named levels, or amounts between two bounds."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from fizzlab.errors import cannot
from fizzlab.models.terms import Category

#: Columns of a plan's run table that are no factors.
RESERVED = frozenset({"run", "day", "blind", "point"})


@dataclass(frozen=True)
class Range:
    """An amount between bounds coded -1 and +1, or at `amounts`; smallest and largest limit the stars."""

    name: str
    low: float
    high: float
    unit: str = ""
    amounts: tuple[float, ...] = ()
    smallest: float | None = 0.0
    largest: float | None = None

    def __post_init__(self) -> None:
        if not (np.isfinite(self.low) and np.isfinite(self.high)) or self.low > self.high:
            raise ValueError(f"{self.name}: low must not be above high, and both must be numbers")
        if any(not self.low <= amount <= self.high for amount in self.amounts):
            raise ValueError(f"{self.name}: every amount must lie between low and high")

    def decode(self, coded: Sequence[float] | np.ndarray | pd.Series) -> np.ndarray:
        """Coded values to amounts."""
        return tidy((self.low + self.high) / 2 + np.asarray(coded, float) * ((self.high - self.low) / 2))

    def encode(self, amounts: pd.Series) -> np.ndarray:
        """Amounts to coded values."""
        return (amounts.to_numpy(float) - (self.low + self.high) / 2) / ((self.high - self.low) / 2)


Factor = Category | Range


def tidy(amounts: np.ndarray) -> np.ndarray:
    """Ten significant figures, which hide the noise of binary fractions (0.30000000000000004)."""
    return np.asarray(np.vectorize(lambda amount: float(f"{amount:.10g}"), otypes=[float])(amounts))


def as_factor(name: str, given: Any, compared: bool = False) -> Factor:
    """A factor from what a caller gives.

    Names are levels, the first the control; numbers are the amounts to try; a tuple of two numbers is a
    range. A mapping has the keys of [factors.NAME] in trial.toml: levels and control, or amounts, low, high
    and unit, of which amounts are what is tried, low and high what can be made at all. Where ways are
    `compared`, the amounts are levels, the first being the control.

    Examples
    --------
    >>> as_factor("colour", ["pearl", "dye"]).control, as_factor("oil_g", (2, 6)).high
    ('pearl', 6.0)
    """
    if isinstance(given, Range) and compared:
        given = {"amounts": given.amounts, "low": given.low, "high": given.high}
    if isinstance(given, Category | Range):
        return given
    if not isinstance(given, Mapping):
        numbers = all(isinstance(value, int | float) for value in given)
        if numbers and isinstance(given, tuple) and len(given) == 2:
            given = {"low": given[0], "high": given[1]}
        else:
            given = {"amounts" if numbers else "levels": list(given)}
    if given.get("levels") is not None:
        levels = tuple(str(level) for level in given["levels"])
        return Category(name, levels, given.get("control") or levels[0])
    amounts = [float(amount) for amount in given.get("amounts") or ()]
    low, high, unit = given.get("low"), given.get("high"), given.get("unit") or ""
    if compared:
        if not amounts:
            raise cannot("needs_amounts", name=plain(name))
        return Category(name, tuple(repr(amount) for amount in amounts), repr(amounts[0]))
    if amounts:
        least = low if low is not None else min(0.0, *amounts)
        return Range(name, min(amounts), max(amounts), unit, tuple(sorted(set(amounts))), least, high)
    return Range(name, float(low), float(high), unit, smallest=float(low), largest=float(high))


def refuse_unusable(factors: Sequence[Factor]) -> None:
    """Refuse a factor that never changes; a name given twice is the caller's mistake."""
    names = [factor.name for factor in factors]
    if not names:
        raise ValueError("a plan needs at least one factor")
    if len(set(names)) < len(names) or set(names) & RESERVED:
        raise ValueError(f"factor names must differ, and be none of {sorted(RESERVED)}")
    for factor in factors:
        if len(factor.levels) < 2 if isinstance(factor, Category) else factor.low == factor.high:
            raise cannot("never_changes", name=plain(factor.name))


def two_levels(factors: Sequence[Factor], coded: np.ndarray) -> pd.DataFrame:
    """Settings in actual units from a coded matrix; of a category, -1 is the control."""
    settings = pd.DataFrame(coded, columns=[factor.name for factor in factors])
    for factor in factors:
        if isinstance(factor, Range):
            settings[factor.name] = factor.decode(settings[factor.name])
        else:
            (other,) = set(factor.levels) - {factor.control}
            settings[factor.name] = settings[factor.name].map({-1.0: factor.control, 1.0: other})
    return settings


def require_ranges(factors: Sequence[Factor], kind: str) -> list[Range]:
    """Refuse a named level where a plan needs amounts in between."""
    for factor in factors:
        if isinstance(factor, Category):
            raise cannot("no_amounts_between", name=plain(factor.name), kind=kind)
    return [factor for factor in factors if isinstance(factor, Range)]


def is_forbidden(settings: pd.DataFrame, rules: Sequence[Mapping[str, object]]) -> np.ndarray:
    """Which rows match every condition of a forbidden combination: a level, an amount or a list of them."""
    out = np.zeros(len(settings), bool)
    for rule in rules:
        if not rule or set(rule) - set(settings):
            raise ValueError(f"a forbidden combination names a factor of the plan at least, not {dict(rule)}")
        holds = np.ones(len(settings), bool)
        for name, wanted in rule.items():
            any_of = list(wanted) if isinstance(wanted, list | tuple | set | frozenset) else [wanted]
            column = settings[name]
            if column.dtype == float:
                column, any_of = column.round(9), list(np.round(np.array(any_of, float), 9))
            holds &= column.isin(any_of).to_numpy()
        out |= holds
    return out


def allowed(
    table: pd.DataFrame, forbidden: Sequence[Mapping[str, object]], what: str = "run"
) -> pd.DataFrame:
    """The settings that may be made; refuse where there is none."""
    left = table[~is_forbidden(table, forbidden)].reset_index(drop=True)
    if left.empty:
        raise cannot("all_forbidden", what=what)
    return left


def grid(factors: Sequence[Factor], steps: int = 2) -> pd.DataFrame:
    """Every combination of the levels, and of even steps of each amount (or its own amounts)."""
    import pydoe

    levels = [
        np.array(f.levels if isinstance(f, Category) else f.amounts or f.decode(np.linspace(-1, 1, steps)))
        for f in factors
    ]
    places = pydoe.fullfact([len(values) for values in levels]).astype(int)
    return pd.DataFrame({f.name: v[place] for f, v, place in zip(factors, levels, places.T, strict=True)})


def plain(name: str) -> str:
    """A column name as a reader would write it."""
    return name.replace("_", " ")
