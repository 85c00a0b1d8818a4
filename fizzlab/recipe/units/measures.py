"""Units, amounts as the maker writes them, and values with bounds."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from types import MappingProxyType
from typing import Literal

from fizzlab.errors import BadInput, Problem, nearest

Dimension = Literal["mass", "volume", "drops"]
Measures = Literal["us", "metric", "label"]

_GALLON_ML = 231 * 2.54**3
_FLUID_OUNCE_ML = _GALLON_ML / 128
_POUND_G = 453.59237


@dataclass(frozen=True)
class Unit:
    """One unit of measure.

    Parameters
    ----------
    name : str
        The name that fizzlab prints.
    dimension : {"mass", "volume", "drops"}
        What it measures.
    size : float
        Grams of one (mass) or millilitres of one (volume). 1 for a drop, whose size is a
        `DropSize`.
    spellings : tuple of str
        Other ways of writing it that are read.
    """

    name: str
    dimension: Dimension
    size: float
    spellings: tuple[str, ...] = ()


UNITS: Mapping[str, Unit] = MappingProxyType(
    {
        unit.name: unit
        for unit in (
            Unit("g", "mass", 1.0, ("gram", "grams", "gramme", "grammes", "gr")),
            Unit("mg", "mass", 0.001, ("milligram", "milligrams")),
            Unit("kg", "mass", 1000.0, ("kilo", "kilos", "kilogram", "kilograms")),
            Unit("oz", "mass", _POUND_G / 16, ("ounce", "ounces")),
            Unit("lb", "mass", _POUND_G, ("lbs", "pound", "pounds")),
            Unit(
                "ml", "volume", 1.0, ("millilitre", "millilitres", "milliliter", "milliliters", "cc", "cm3")
            ),
            Unit("l", "volume", 1000.0, ("litre", "litres", "liter", "liters")),
            Unit("cup", "volume", 8 * _FLUID_OUNCE_ML, ("cups", "us cup", "us cups")),
            Unit(
                "tbsp",
                "volume",
                _FLUID_OUNCE_ML / 2,
                ("tbs", "tablespoon", "tablespoons", "us tbsp", "us tablespoon"),
            ),
            Unit("tsp", "volume", _FLUID_OUNCE_ML / 6, ("teaspoon", "teaspoons", "us tsp", "us teaspoon")),
            Unit("fl oz", "volume", _FLUID_OUNCE_ML, ("floz", "fluid ounce", "fluid ounces", "us fl oz")),
            Unit("metric cup", "volume", 250.0, ("metric cups",)),
            Unit("metric tbsp", "volume", 15.0, ("metric tablespoon", "metric tablespoons")),
            Unit("metric tsp", "volume", 5.0, ("metric teaspoon", "metric teaspoons")),
            Unit("label cup", "volume", 240.0, ("label cups",)),
            Unit("label tbsp", "volume", 15.0),
            Unit("label tsp", "volume", 5.0),
            Unit("label fl oz", "volume", 30.0),
            Unit("drop", "drops", 1.0, ("drops",)),
        )
    }
)
"""Every unit that is read, by name.

``cup``, ``tbsp``, ``tsp`` and ``fl oz`` are US customary. ``metric`` ones are the round spoons
(5, 15 and 250 mL; the round 5 and 15 mL agree with NIST's table of cooking measures, the 250 mL
cup is from memory). ``label`` ones are those of US food labels, 21 CFR 101.9(b)(5)(viii):
5, 15, 240 and 30 mL.
"""

_SPELLINGS: Mapping[str, str] = MappingProxyType(
    {spelling: unit.name for unit in UNITS.values() for spelling in (unit.name, *unit.spellings)}
)
_VULGAR = {"½": "1/2", "⅓": "1/3", "⅔": "2/3", "¼": "1/4", "¾": "3/4", "⅛": "1/8", "⅜": "3/8"}
_NUMBER = r"(?:\d+\s+\d+/\d+|\d+/\d+|\d+(?:[.,]\d+)?|[.,]\d+)"
_QUANTITY = re.compile(rf"^(?P<number>{_NUMBER})\s*(?P<unit>[a-z][a-z0-9. ]*)$")
_RANGE = re.compile(rf"^{_NUMBER}\s*(?:-|–|to)\s*{_NUMBER}")


@dataclass(frozen=True)
class Quantity:
    """An amount in a unit, as the maker wrote it.

    Parameters
    ----------
    amount : float
        How many; finite, not negative.
    unit : str
        A name in `UNITS`.

    Raises
    ------
    ValueError
        If the amount is negative or not finite, or the unit is not in `UNITS`.

    Examples
    --------
    >>> print(Quantity(0.5, "tsp"), "|", Quantity(0.5, "tsp") * 3, "|", Quantity(2, "drop"))
    0.5 tsp | 1.5 tsp | 2 drops
    """

    amount: float
    unit: str

    def __post_init__(self) -> None:
        if not math.isfinite(self.amount) or self.amount < 0:
            raise ValueError(f"an amount must be zero or more, not {self.amount}")
        if self.unit not in UNITS:
            raise ValueError(f"unknown unit {self.unit!r}")

    @property
    def dimension(self) -> Dimension:
        """Whether this is a mass, a volume or a number of drops."""
        return UNITS[self.unit].dimension

    def __mul__(self, factor: float) -> Quantity:
        return Quantity(self.amount * factor, self.unit)

    __rmul__ = __mul__

    def __str__(self) -> str:
        unit = "drops" if self.unit == "drop" and self.amount != 1 else self.unit
        # Decimal writes 0.000001 where a float would write 1e-06, which no maker reads
        return f"{Decimal(f'{self.amount:.12g}'):f} {unit}"


def parse_quantity(
    text: str, *, measures: Measures = "us", where: str = "trial.toml", key: str | None = None
) -> Quantity:
    """Read an amount such as ``1/2 cup``, ``0,5 tsp``, ``2 1/4 tsp``, ``30 drops`` or ``12 g``.

    Parameters
    ----------
    text : str
        What the maker wrote. A decimal comma is read; a comma before exactly three digits is
        refused because it could be a thousand.
    measures : {"us", "metric", "label"}
        Which cup and spoons a bare ``cup``, ``tbsp``, ``tsp`` means. ``fl oz`` follows too for
        "label".
    where, key : str
        Named in the problem when the text cannot be read.

    Raises
    ------
    BadInput
        If there is no unit, no number, an unknown unit, or a range.

    Examples
    --------
    >>> parse_quantity("1/2 cup")
    Quantity(amount=0.5, unit='cup')
    >>> parse_quantity("2 1/4 tsp").amount
    2.25
    >>> parse_quantity("0,5 tsp", measures="metric")
    Quantity(amount=0.5, unit='metric tsp')
    >>> parse_quantity("30 drops")
    Quantity(amount=30.0, unit='drop')
    """

    def refuse(what: str, do: str) -> BadInput:
        return BadInput([Problem(where, what, do, column=key)])

    cleaned = text.strip().casefold()
    for sign, written in _VULGAR.items():
        cleaned = cleaned.replace(sign, f" {written}")
    cleaned = re.sub(r"\s+", " ", cleaned.replace("⁄", "/")).strip()
    cleaned = re.sub(r"\s*/\s*", "/", cleaned)
    example = 'Write a number and a unit, such as "1/2 cup", "30 drops" or "12 g".'
    if _RANGE.match(cleaned):
        raise refuse(f'"{text}" is a range.', "Give the one amount that goes into this batch.")
    if re.match(r"^\d{1,3},\d{3}(?!\d)", cleaned):
        raise refuse(
            f'"{text}" could be a thousand or a decimal comma.',
            "Write it without the comma, or with a decimal point.",
        )
    if re.fullmatch(_NUMBER, cleaned):
        raise refuse(f'"{text}" has no unit.', example)
    found = _QUANTITY.match(cleaned)
    if not found:
        raise refuse(f'"{text}" is not an amount.', example)
    spelling = found["unit"].replace(".", "").strip()
    name = _SPELLINGS.get(spelling)
    if name is None:
        near = nearest(spelling, _SPELLINGS)
        hint = f'Did you mean "{near}"? ' if near else ""
        raise refuse(f'"{spelling}" is not a unit that is known here.', hint + example)
    if measures != "us" and not spelling.startswith("us ") and f"{measures} {name}" in UNITS:
        name = f"{measures} {name}"
    number = found["number"].replace(",", ".")
    try:
        amount = float(sum(Fraction(part) for part in number.split()))
    except ZeroDivisionError:
        raise refuse(f'"{text}" divides by nothing.', example) from None
    return Quantity(amount, name)


@dataclass(frozen=True)
class Span:
    """A value with the bounds to reckon with: low, typical, high.

    Raises
    ------
    ValueError
        If the three are not in order, negative or not finite.

    Examples
    --------
    >>> Span(1, 2, 3) + Span.exactly(4)
    Span(low=5, typical=6, high=7)
    >>> print(Span(1, 2, 3) * 2)
    4 (2 to 6)
    """

    low: float
    typical: float
    high: float

    def __post_init__(self) -> None:
        if not all(math.isfinite(value) for value in (self.low, self.typical, self.high)):
            raise ValueError("bounds must be finite")
        if not 0 <= self.low <= self.typical <= self.high:
            raise ValueError(f"bounds out of order: {self.low}, {self.typical}, {self.high}")

    @classmethod
    def exactly(cls, value: float) -> Span:
        """Return a value that has no spread."""
        return cls(value, value, value)

    @property
    def is_exact(self) -> bool:
        """Whether low and high are the same."""
        return self.low == self.high

    def __add__(self, other: Span) -> Span:
        return Span(self.low + other.low, self.typical + other.typical, self.high + other.high)

    def __mul__(self, factor: float) -> Span:
        return Span(self.low * factor, self.typical * factor, self.high * factor)

    def times(self, other: Span) -> Span:
        """Return the product of two spans, bound by bound."""
        return Span(self.low * other.low, self.typical * other.typical, self.high * other.high)

    def __str__(self) -> str:
        if self.is_exact:
            return f"{self.typical:.3g}"
        return f"{self.typical:.3g} ({self.low:.3g} to {self.high:.3g})"
