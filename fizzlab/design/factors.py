"""What is changed on purpose in a plan: named levels, or amounts between two bounds."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

import numpy as np
import pandas as pd

from fizzlab.errors import CannotAnswer
from fizzlab.models.terms import Amount, Category, Term

#: Significant figures of an amount; hides the noise of binary fractions (0.30000000000000004).
FIGURES = 10

#: Columns of a plan's run table that are no factors.
RESERVED = frozenset({"run", "day", "blind", "point", "whole_plot"})

#: Where the reader calls the factors by their names.
NO_LABELS: Mapping[str, str] = MappingProxyType({})


@dataclass(frozen=True)
class Range:
    """A factor that is an amount between two bounds, coded -1 at `low` and +1 at `high`.

    Parameters
    ----------
    name : str
        Column of the run table.
    low, high : float
        The bounds, in `unit`.
    amounts : tuple of float
        The only amounts that can be set, where not every amount between the bounds can; empty means any.
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

    def decode(self, coded: Sequence[float] | np.ndarray) -> np.ndarray:
        """Coded values to amounts."""
        values = (self.low + self.high) / 2 + np.asarray(coded, float) * ((self.high - self.low) / 2)
        return np.array([float(f"{value:.{FIGURES}g}") for value in values])

    def encode(self, amounts: Sequence[float] | np.ndarray | pd.Series) -> np.ndarray:
        """Amounts to coded values."""
        return (np.asarray(amounts, float) - (self.low + self.high) / 2) / ((self.high - self.low) / 2)


Factor = Category | Range


def as_factor(name: str, given: Any, compared: bool = False) -> Factor:
    """A factor from what a caller gives.

    Parameters
    ----------
    given : Category, Range, sequence or mapping
        Names are levels, the first the control; numbers are the amounts to try; a tuple of two numbers is a
        range. A mapping has the keys of [factors.NAME] in trial.toml: levels and control, or amounts, low,
        high and unit, of which amounts are what is tried, low and high what can be made at all.
    compared : bool
        Are amounts compared one by one, the first being the control?

    Examples
    --------
    >>> as_factor("colour", ["pearl", "dye"]).control, as_factor("oil_g", (2, 6)).high
    ('pearl', 6.0)
    >>> as_factor("binder_g", {"amounts": [0.6, 1.8], "low": 0.0, "high": 2.4, "unit": "g"})
    Range(name='binder_g', low=0.6, high=1.8, unit='g', amounts=(0.6, 1.8), smallest=0.0, largest=2.4)
    """
    if isinstance(given, Category | Range):
        if compared and isinstance(given, Range):
            return as_factor(
                name, {"amounts": given.amounts or None, "low": given.low, "high": given.high}, True
            )
        return given
    if not isinstance(given, Mapping):
        values = list(given)
        numbers = all(isinstance(value, int | float) for value in values)
        if numbers and isinstance(given, tuple) and len(values) == 2:
            given = {"low": values[0], "high": values[1]}
        else:
            given = {"amounts": values} if numbers else {"levels": values}
    if given.get("levels") is not None:
        levels = tuple(str(level) for level in given["levels"])
        return Category(name, levels, given.get("control") or levels[0])
    amounts = [float(amount) for amount in given.get("amounts") or ()]
    low, high, unit = given.get("low"), given.get("high"), given.get("unit") or ""
    if compared:
        if not amounts:
            what = f"A plan that compares ways needs the amounts of {plain(name)} themselves, not a range."
            raise CannotAnswer(what, "Give amounts.")
        return Category(name, tuple(repr(amount) for amount in amounts), repr(amounts[0]))
    if amounts:
        tried = tuple(sorted(set(amounts)))
        least = low if low is not None else min(0.0, *amounts)
        return Range(name, tried[0], tried[-1], unit, tried, least, high)
    return Range(name, float(low), float(high), unit, smallest=float(low), largest=float(high))


class _Verbatim(str):
    """A text that is its own repr."""

    __repr__ = str.__str__


def wish_of(factors: Sequence[Factor], shares: bool = False) -> tuple[str, ...]:
    """What was asked of the factors, as the seed of a plan takes it.

    Spelled out, so that the same trial.toml gives the same plan whatever becomes of these classes.
    """
    found = []
    for f in factors:
        if isinstance(f, Category):
            text = f"Category(name={f.name!r}, levels={f.levels!r}, control={f.control!r})"
        elif shares:
            text = f"Share(name={f.name!r}, low={f.low!r}, high={f.high!r}, unit={f.unit!r})"
        else:
            text = (
                f"Range(name={f.name!r}, low={f.low!r}, high={f.high!r}, unit={f.unit!r}, "
                f"amounts={f.amounts!r}, smallest={f.smallest!r}, largest={f.largest!r})"
            )
        found.append(_Verbatim(text))
    return tuple(found)


def as_terms(factors: Sequence[Factor]) -> list[Term]:
    """The factors as terms of an analysis."""
    return [f if isinstance(f, Category) else Amount(f.name, f.unit) for f in factors]


def refuse_unusable(factors: Sequence[Factor]) -> None:
    """Refuse a factor that never changes; a name given twice is the caller's mistake."""
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
        else:
            other = next(level for level in factor.levels if level != factor.control)
            columns[factor.name] = [other if value > 0 else factor.control for value in values]
    return pd.DataFrame(columns)


def require_ranges(factors: Sequence[Factor], kind: str) -> list[Range]:
    """Refuse a named level where a plan needs amounts in between."""
    ranges = [factor for factor in factors if isinstance(factor, Range)]
    for factor in factors:
        if isinstance(factor, Category):
            raise CannotAnswer(
                f"{plain(factor.name)} has no amounts in between, and {kind} needs them.",
                "Plan its levels with an optimal plan, or hold it at one level in this plan.",
            )
    return ranges


def is_forbidden(settings: pd.DataFrame, rules: Sequence[Mapping[str, object]]) -> np.ndarray:
    """Which rows match every condition of a forbidden combination: a level, an amount or a list of them.

    Examples
    --------
    >>> table = pd.DataFrame({"colour": ["dye", "dye", "mica"], "alcohol": [2.0, 6.0, 6.0]})
    >>> is_forbidden(table, [{"colour": "dye", "alcohol": [5, 6]}]).tolist()
    [False, True, False]
    """
    out = np.zeros(len(settings), bool)
    for rule in rules:
        unknown = set(rule) - set(settings.columns)
        if not rule or unknown:
            name = f"names the unknown factor {sorted(unknown)[0]!r}" if unknown else "needs a condition"
            raise ValueError(f"a forbidden combination {name}")
        holds = np.ones(len(settings), bool)
        for name, wanted in rule.items():
            column = settings[name]
            any_of = list(wanted) if isinstance(wanted, list | tuple | set | frozenset) else [wanted]
            if column.dtype == float:
                near = np.isclose(column.to_numpy()[:, None], np.array(any_of, float))
                holds &= near.any(axis=1)
            else:
                holds &= column.isin(any_of).to_numpy()
        out |= holds
    return out


def allowed(
    table: pd.DataFrame, forbidden: Sequence[Mapping[str, object]], what: str = "run"
) -> pd.DataFrame:
    """The settings that may be made; refuse where there is none."""
    left = table[~is_forbidden(table, forbidden)].reset_index(drop=True)
    if left.empty:
        raise CannotAnswer(
            f"The forbidden combinations leave no {what} that may be made.",
            "Forbid less, or change the levels.",
        )
    return left


def grid(factors: Sequence[Factor], steps: int | Mapping[str, int] = 2) -> pd.DataFrame:
    """Every combination of the levels, and of even steps of each amount (or its own amounts).

    Examples
    --------
    >>> grid([Range("oil", 4, 8, "g"), Category("colour", ("mica", "lake"), "mica")])
       oil colour
    0  4.0   mica
    1  8.0   mica
    2  4.0   lake
    3  8.0   lake
    """
    import pydoe

    levels: list[list[object]] = []
    for factor in factors:
        if isinstance(factor, Category):
            levels.append(list(factor.levels))
        else:
            number = steps if isinstance(steps, int) else steps[factor.name]
            values = factor.amounts or tuple(factor.decode(np.linspace(-1, 1, number)))
            levels.append([float(value) for value in values])
    places = pydoe.fullfact([len(values) for values in levels]).astype(int)
    columns = {f.name: [v[i] for i in col] for f, v, col in zip(factors, levels, places.T, strict=True)}
    return pd.DataFrame(columns)


def plain(name: str) -> str:
    """A column name as a reader would write it.

    Examples
    --------
    >>> plain("binder_share")
    'binder share'
    """
    return name.replace("_", " ")
