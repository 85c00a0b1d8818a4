"""Kitchen and metric measures, drops and densities: what the maker wrote, in grams.

A scale gives grams. A cup, spoon or dropper gives a volume, and a volume of loose powder is only roughly a
mass: ten people who scooped one cup of flour brought between 4 and 6 ounces (a New York Times trial of 2011).
Every mass that comes out of a volume therefore has a low and a high beside its typical value, and the maker's
own weighing replaces the table. Low and high are bounds, not a confidence interval, and add up as bounds do.

Units and kinds of ingredients stand in units.toml and kinds.toml, with their sources. The parser is ours,
since libraries of units misread "2 1/4 cups" and "1,5 g".
"""

from __future__ import annotations

import math
import re
import statistics
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from pathlib import Path
from typing import Any, Literal, NamedTuple, get_args

import numpy as np

from fizzlab.errors import BadInput, cannot, nearest, refuse
from fizzlab.language import say

Dimension = Literal["mass", "volume", "drops", "sprays"]
Measures = Literal["us", "metric", "label"]


class Unit(NamedTuple):
    """A unit: grams or millilitres of one, or 1 for what is counted; and how else it is spelled."""

    name: str
    dimension: Dimension
    size: float
    spellings: tuple[str, ...]


def _table(name: str) -> dict[str, dict[str, Any]]:
    return tomllib.loads(Path(__file__).with_name(name).read_text(encoding="utf-8"))


#: Every unit that is read.
UNITS: Mapping[str, Unit] = {
    name: Unit(name, dimension, said[dimension], tuple(said["also"]))
    for name, said in _table("units.toml").items()
    for dimension in get_args(Dimension)
    if dimension in said
}

_SPELLINGS = {spelling: unit.name for unit in UNITS.values() for spelling in (unit.name, *unit.spellings)}
_VULGAR = {"½": "1/2", "⅓": "1/3", "⅔": "2/3", "¼": "1/4", "¾": "3/4", "⅛": "1/8", "⅜": "3/8"}
_NUMBER = r"(?:\d+\s+\d+/\d+|\d+/\d+|\d+(?:[.,]\d+)?|[.,]\d+)"
_QUANTITY = re.compile(rf"^(?P<number>{_NUMBER})\s*(?P<unit>[a-z][a-z0-9. ]*)$")
_RANGE = re.compile(rf"^{_NUMBER}\s*(?:-|–|to)\s*{_NUMBER}")


@dataclass(frozen=True)
class Quantity:
    """An amount, zero or more, in a unit of `UNITS`."""

    amount: float
    unit: str

    def __post_init__(self) -> None:
        if not math.isfinite(self.amount) or self.amount < 0:
            raise ValueError(f"an amount must be zero or more, not {self.amount}")
        if self.unit not in UNITS:
            raise ValueError(f"unknown unit {self.unit!r}")

    @property
    def dimension(self) -> Dimension:
        """Is it a mass, a volume or a number of drops or sprays?"""
        return UNITS[self.unit].dimension

    @property
    def size(self) -> float:
        """Grams, millilitres, drops or sprays."""
        return self.amount * UNITS[self.unit].size

    def __mul__(self, factor: float) -> Quantity:
        return Quantity(self.amount * factor, self.unit)

    def __str__(self) -> str:
        unit = f"{self.unit}s" if self.dimension in COUNTED and self.amount != 1 else self.unit
        # Decimal writes 0.000001 where a float would write 1e-06, which no maker reads
        return f"{Decimal(f'{self.amount:.12g}'):f} {unit}"


def parse_quantity(
    text: str, *, measures: Measures = "us", where: str = "trial.toml", key: str | None = None
) -> Quantity:
    """Read an amount such as ``1/2 cup``, ``0,5 tsp``, ``2 1/4 tsp``, ``30 drops`` or ``12 g``.

    `measures` says which cup and spoons (for "label" also ``fl oz``) a bare word means. What could be misread
    raises BadInput with `where` and `key` in it: no unit, a range, a comma before exactly three digits.

    Examples
    --------
    >>> parse_quantity("2 1/4 tsp"), parse_quantity("0,5 tsp", measures="metric")
    (Quantity(amount=2.25, unit='tsp'), Quantity(amount=0.5, unit='metric tsp'))
    """

    def wrong(says: str, **told: str) -> BadInput:
        return refuse(says, where, key, text=text, example=say("amount_example"), **told)

    cleaned = text.strip().casefold().replace("⁄", "/")
    for sign, written in _VULGAR.items():
        cleaned = cleaned.replace(sign, f" {written}")
    cleaned = re.sub(r"\s*/\s*", "/", re.sub(r"\s+", " ", cleaned).strip())
    found = _QUANTITY.match(cleaned)
    if _RANGE.match(cleaned):
        raise wrong("amount_range")
    if re.match(r"\d{1,3},\d{3}(?!\d)", cleaned):
        raise wrong("amount_comma")
    if not found:
        raise wrong("amount_no_unit" if re.fullmatch(_NUMBER, cleaned) else "amount_none")
    spelling = found["unit"].replace(".", "").strip()
    name = _SPELLINGS.get(spelling)
    if name is None:
        near = nearest(spelling, _SPELLINGS)
        raise wrong("amount_unit_like" if near else "amount_unit", unit=spelling, near=near or "")
    if measures != "us" and not spelling.startswith("us ") and f"{measures} {name}" in UNITS:
        name = f"{measures} {name}"
    try:
        amount = float(sum(Fraction(part) for part in found["number"].replace(",", ".").split()))
    except ZeroDivisionError:
        raise wrong("amount_over_nothing") from None
    return Quantity(amount, name)


@dataclass(frozen=True)
class Span:
    """A value with its bounds: low, typical, high; finite, in order, zero or more."""

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
        """A value without spread."""
        return cls(value, value, value)

    @classmethod
    def about(cls, typical: float, share: float) -> Span:
        """A value with the same share of it either side."""
        return cls(typical * (1 - share), typical, typical * (1 + share))

    @classmethod
    def around(cls, low: float, typical: float, high: float) -> Span:
        """Bounds that may pass the typical value by rounding."""
        return cls(min(low, typical), typical, max(high, typical))

    @property
    def is_exact(self) -> bool:
        """Are low and high the same?"""
        return self.low == self.high

    def __add__(self, other: Span) -> Span:
        return Span(self.low + other.low, self.typical + other.typical, self.high + other.high)

    def __mul__(self, factor: float) -> Span:
        return Span(self.low * factor, self.typical * factor, self.high * factor)

    def times(self, other: Span) -> Span:
        """The product of two spans, bound by bound."""
        return Span(self.low * other.low, self.typical * other.typical, self.high * other.high)

    def __str__(self) -> str:
        if self.is_exact:
            return f"{self.typical:.3g}"
        return f"{self.typical:.3g} ({self.low:.3g} to {self.high:.3g})"


#: How far a scoop of loose powder may lie from its typical mass, as a share of it (see kinds.toml), and a
#: liquid, by temperature and make (from memory, no source seen).
SCOOP_SCATTER, LIQUID_SCATTER = 0.20, 0.02


def scatter_of(role: str) -> float:
    """How far a spoon of it may lie from its typical mass, as a share of it."""
    return LIQUID_SCATTER if role in ("oil", "emulsifier", "alcohol", "water") else SCOOP_SCATTER


class Density(NamedTuple):
    """Grams of a millilitre, as a maker fills a spoon; was the typical value seen in a publication?"""

    g_per_ml: Span
    seen: bool


#: The kinds of ingredients that are known, as kinds.toml says.
KINDS: Mapping[str, dict[str, Any]] = _table("kinds.toml")

#: Other names that makers use, and the kind that each stands for.
ALIASES: Mapping[str, str] = {name: kind for kind, said in KINDS.items() for name in said.get("also", ())}


def _density(said: Mapping[str, Any]) -> Density:
    typical = said["g_per_ml"] if "g_per_ml" in said else said["grams"] / UNITS[said["of"]].size
    span = Span.about(typical, scatter_of(said["role"]))
    span = Span(said.get("low", span.low), typical, said.get("high", span.high))
    return Density(span, said.get("known", "seen") == "seen")


_WATER_20, _WATER_25 = 0.99821, 0.99705  # g/mL, from memory

#: Density at the per cent by volume that the United States Pharmacopeia ties a specific gravity to: USP 32,
#: Isopropyl Rubbing Alcohol (68 %, 72 %), Azeotropic Isopropyl Alcohol (91 %, 93 %); USP 29, Isopropyl
#: Alcohol (0.783 to 0.787, at least 99 %).
_ISOPROPYL = (68.0, 72.0, 91.0, 93.0, 100.0)
_GRAVITY_20, _GRAVITY_25 = np.array([0.883, 0.872]), np.array([0.815, 0.810, 0.785])
_ISOPROPYL_DENSITY = (*_GRAVITY_20 * _WATER_20, *_GRAVITY_25 * _WATER_25)


def isopropyl_density(percent_by_volume: float) -> Density:
    """Density of rubbing alcohol of 68 to 100 % by volume, on straight lines between those of the USP."""
    if not _ISOPROPYL[0] <= percent_by_volume <= _ISOPROPYL[-1]:
        raise cannot("no_strength", strength=percent_by_volume)
    typical = float(np.interp(percent_by_volume, _ISOPROPYL, _ISOPROPYL_DENSITY))
    return Density(Span.about(typical, LIQUID_SCATTER), seen=True)


#: Densities by kind.
DENSITIES: Mapping[str, Density] = {
    **{kind: _density(said) for kind, said in KINDS.items()},
    **{f"isopropyl alcohol {strength} %": isopropyl_density(strength) for strength in (70, 91, 99)},
}

_STRENGTH = re.compile(r"(?:isopropyl alcohol|rubbing alcohol|isopropanol) (\d+(?:\.\d+)?) ?%")


def canonical_kind(kind: str) -> str:
    """The spelling under which a kind or alias, as "rubbing alcohol 91%", is known; else in small letters."""
    folded = " ".join(kind.casefold().split())
    strength = _STRENGTH.fullmatch(folded)
    return f"isopropyl alcohol {float(strength[1]):g} %" if strength else ALIASES.get(folded, folded)


def density_of(kind: str, *, where: str = "trial.toml", key: str | None = None) -> Density:
    """Look up a density by kind; an unknown one raises BadInput, which says what is near."""
    known = canonical_kind(kind)
    strength = _STRENGTH.fullmatch(known)
    found = isopropyl_density(float(strength[1])) if strength else DENSITIES.get(known)
    if found is None:
        near = nearest(kind, (*DENSITIES, *ALIASES))
        raise refuse("density_like" if near else "density_unknown", where, key, kind=kind, near=near)
    return found


#: Millilitres of a drop of a bottle that was not counted. 20 drops a mL: USP 32 chapter 1101, a medicine
#: dropper gives water in drops of 45 to 55 mg. The bounds are wide because other liquids and bottles differ:
#: 25 (water), 35 (plant oil) and 45 (water with a surfactant) drops a mL were counted from one syringe by the
#: keepers of UCUM (their ticket 127), and 60 drops of water to the fluid drachm is 16 a mL.
UNKNOWN_DROPPER = Span(1 / 45, 1 / 20, 1 / 16)

#: Millilitres of one, where the maker's own were not counted. Of a spray: common practice, no source seen; of
#: fine mist it is said to be 0.1 to 0.2 mL, of a trigger bottle about 1 mL.
COUNTED: Mapping[str, Span] = {"drops": UNKNOWN_DROPPER, "sprays": Span(0.1, 0.5, 1.2)}


def count_drops(per_ml: float) -> Span:
    """Millilitres of a drop or spray of the maker's own, within the 15 % that USP 32 allows a dropper."""
    if per_ml <= 0:
        raise ValueError("drops in a millilitre must be above zero")
    return Span(1 / (1.15 * per_ml), 1 / per_ml, 1 / (0.85 * per_ml))


@dataclass(frozen=True)
class OwnWeighing:
    """What the maker's own spoon, cup or number of drops weighed, once or several times, in grams."""

    quantity: Quantity
    grams: tuple[float, ...]

    def __post_init__(self) -> None:
        if self.quantity.dimension == "mass" or self.quantity.amount == 0:
            raise ValueError("weigh a spoon, cup or number of drops or sprays, not a mass")
        if not self.grams or not all(math.isfinite(mass) and mass > 0 for mass in self.grams):
            raise ValueError("every weighing must be above zero")

    def span(self) -> Span:
        """The mass of the next such measure.

        Three weighings or more give the 95 % prediction interval of one more, mean ± t(n - 1) s sqrt(1 +
        1/n), cut at a hundredth of the mean; fewer give the mean and `SCOOP_SCATTER` either side.
        """
        mean, count = statistics.fmean(self.grams), len(self.grams)
        if count < 3:
            return Span.about(mean, SCOOP_SCATTER)
        from scipy.special import stdtrit

        half = float(stdtrit(count - 1, 0.975)) * statistics.stdev(self.grams) * math.sqrt(1 + 1 / count)
        return Span(max(mean - half, 0.01 * mean), mean, mean + half)


def to_ml(quantity: Quantity, one: Span | None = None) -> Span:
    """The volume of a quantity in millilitres, `one` being a drop or spray; a mass has none (ValueError)."""
    if quantity.dimension == "mass":
        raise ValueError(f"{quantity} is a mass")
    if quantity.dimension in COUNTED:
        return (one or COUNTED[quantity.dimension]) * quantity.amount
    return Span.exactly(quantity.size)


def to_grams(
    quantity: Quantity,
    density: Density | None = None,
    *,
    own: OwnWeighing | None = None,
    one: Span | None = None,
) -> Span:
    """The mass in grams: volume × density, bound by bound, unless the same sort of measure was weighed."""
    if quantity.dimension == "mass":
        return Span.exactly(quantity.size)
    if own is not None and own.quantity.dimension == quantity.dimension:
        return own.span() * (quantity.size / own.quantity.size)
    if density is None:
        raise cannot("only_volume", quantity=quantity)
    return to_ml(quantity, one).times(density.g_per_ml)


def top_up(total: Quantity, part: Quantity, one: Span | None = None) -> Span:
    """Millilitres that fill a part up to a total, such as dye drops up to half a teaspoon; volumes add up."""
    whole, given = to_ml(total, one), to_ml(part, one)
    left = whole.typical - given.typical
    if left < 0:
        raise cannot("over_full", part=part, ml=given.typical, total=total)
    return Span(max(whole.low - given.high, 0.0), left, max(whole.high - given.low, left))
