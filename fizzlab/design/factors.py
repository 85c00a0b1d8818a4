"""What is changed on purpose in a plan: named levels, amounts between two bounds, shares of a mixture."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
import pandas as pd

from fizzlab.errors import CannotAnswer
from fizzlab.models.terms import Amount, Category, Term

FIGURES = 10
"""Significant figures of an amount; hides the noise of binary fractions (0.30000000000000004)."""

RESERVED = {"run", "day", "blind", "point", "block", "whole_plot"}
"""Columns of a plan's run table that are no factors."""


@dataclass(frozen=True)
class Range:
    """A factor that is an amount between two bounds, coded -1 at `low` and +1 at `high`.

    Parameters
    ----------
    name : str
        Column of the run table.
    low, high : float
        The bounds, in `unit`.
    unit : str
        Unit as shown to the reader.
    amounts : tuple of float
        The only amounts that can be set, where not every amount between the bounds can (spoons,
        days, water baths). Used by optimal plans; empty means any amount.
    smallest, largest : float or None
        What can be made at all. A star point of a central composite plan beyond it is refused.

    Examples
    --------
    >>> oil = Range("oil", 4, 10, "g")
    >>> oil.decode([-1, 0, 1.5]).tolist(), oil.encode([4, 7]).tolist()
    ([4.0, 7.0, 11.5], [-1.0, 0.0])
    """

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

    @classmethod
    def of(cls, name: str, amounts: Sequence[float], unit: str = "") -> Range:
        """A range from the amounts to try; its bounds are the least and the most of them."""
        values = tuple(sorted({float(amount) for amount in amounts}))
        return cls(name, values[0], values[-1], unit, values)

    @property
    def half(self) -> float:
        """Half the distance between the bounds: what one coded step is worth."""
        return (self.high - self.low) / 2

    def decode(self, coded: Sequence[float] | np.ndarray) -> np.ndarray:
        """Coded values to amounts."""
        values = (self.low + self.high) / 2 + np.asarray(coded, float) * self.half
        return np.array([float(f"{value:.{FIGURES}g}") for value in values])

    def encode(self, amounts: Sequence[float] | np.ndarray | pd.Series) -> np.ndarray:
        """Amounts to coded values."""
        return (np.asarray(amounts, float) - (self.low + self.high) / 2) / self.half


@dataclass(frozen=True)
class Share:
    """One ingredient of a mixture: bounds on its amount, in the unit of the whole.

    Parameters
    ----------
    name : str
        Column of the run table.
    low, high : float
        Bounds in the unit of the mixture's total (grams of a 12 g liquid, or per cent of 100).
    unit : str
    """

    name: str
    low: float
    high: float
    unit: str = "g"

    def __post_init__(self) -> None:
        if not 0 <= self.low <= self.high or not np.isfinite(self.high):
            raise ValueError(f"{self.name}: bounds must be 0 <= low <= high")


Factor = Category | Range | Share


def as_terms(factors: Sequence[Factor]) -> list[Term]:
    """The factors as terms of an analysis: categories stay, ranges and shares become amounts."""
    return [f if isinstance(f, Category) else Amount(f.name, f.unit) for f in factors]


def refuse_unusable(factors: Sequence[Factor]) -> None:
    """Refuse a factor that never changes; a name given twice is the caller's mistake.

    Raises
    ------
    CannotAnswer
        A factor with one level, or with equal bounds.
    """
    names = [factor.name for factor in factors]
    if not names:
        raise ValueError("a plan needs at least one factor")
    if len(set(names)) < len(names) or set(names) & RESERVED:
        raise ValueError(f"factor names must differ, and be none of {sorted(RESERVED)}")
    for factor in factors:
        still = len(factor.levels) < 2 if isinstance(factor, Category) else factor.low == factor.high
        if still:
            raise CannotAnswer(
                f"{plain(factor.name)} never changes, so nothing can be learnt about it.",
                "Give it a second level or amount, or take it out of the plan.",
            )


def two_levels(factors: Sequence[Factor], coded: np.ndarray) -> pd.DataFrame:
    """Settings in actual units from a coded matrix; of a category, -1 is the control."""
    columns: dict[str, object] = {}
    for factor, values in zip(factors, coded.T, strict=True):
        if isinstance(factor, Range):
            columns[factor.name] = factor.decode(values)
        elif isinstance(factor, Category):
            other = next(level for level in factor.levels if level != factor.control)
            columns[factor.name] = [other if value > 0 else factor.control for value in values]
        else:
            raise TypeError("a share of a mixture cannot be set on its own; use a mixture plan")
    return pd.DataFrame(columns)


def require_two_levels(factors: Sequence[Factor], kind: str) -> None:
    """Refuse a category of three or more levels in a plan that knows only low and high."""
    for factor in factors:
        if isinstance(factor, Category) and len(factor.levels) > 2:
            raise CannotAnswer(
                f"{plain(factor.name)} has {len(factor.levels)} levels, and {kind} knows only two.",
                "Choose two of them, or ask for an optimal plan, which takes any number of levels.",
            )


def require_ranges(factors: Sequence[Factor], kind: str) -> list[Range]:
    """Refuse a named level where a plan needs amounts in between."""
    ranges: list[Range] = []
    for factor in factors:
        if not isinstance(factor, Range):
            raise CannotAnswer(
                f"{plain(factor.name)} has no amounts in between, and {kind} needs them.",
                "Plan its levels with an optimal plan, or hold it at one level in this plan.",
            )
        ranges.append(factor)
    return ranges


def is_forbidden(settings: pd.DataFrame, rules: Sequence[Mapping[str, object]]) -> np.ndarray:
    """Which rows match at least one forbidden combination.

    Parameters
    ----------
    settings : DataFrame
        One column a factor, in actual units.
    rules : sequence of mappings
        Each forbids the runs for which *all* its conditions hold. A condition is a level or an
        amount, a list of them (any of these), or a tuple (low, high) of numbers (between, bounds
        included).

    Returns
    -------
    ndarray of bool

    Examples
    --------
    >>> table = pd.DataFrame({"colour": ["dye", "dye", "mica"], "alcohol": [2.0, 6.0, 6.0]})
    >>> is_forbidden(table, [{"colour": "dye", "alcohol": (5, 8)}]).tolist()
    [False, True, False]
    """
    out = np.zeros(len(settings), bool)
    for rule in rules:
        if not rule:
            raise ValueError("a forbidden combination needs at least one condition")
        unknown = set(rule) - set(settings.columns)
        if unknown:
            raise ValueError(f"a forbidden combination names the unknown factor {sorted(unknown)[0]!r}")
        holds = np.ones(len(settings), bool)
        for name, wanted in rule.items():
            column = settings[name]
            if isinstance(wanted, tuple):
                low, high = wanted
                values = column.to_numpy(float)
                holds &= (values >= low - 1e-9) & (values <= high + 1e-9)
            elif isinstance(wanted, list | set | frozenset):
                holds &= column.isin(list(wanted)).to_numpy()
            elif isinstance(wanted, str):
                holds &= (column == wanted).to_numpy()
            else:
                holds &= np.isclose(column.to_numpy(float), float(wanted))  # type: ignore[arg-type]
        out |= holds
    return out


NO_LABELS: Mapping[str, str] = MappingProxyType({})
"""Where the reader calls the factors by their names."""


def plain(name: str) -> str:
    """A column name as a reader would write it.

    Examples
    --------
    >>> plain("binder_share")
    'binder share'
    """
    return name.replace("_", " ")
