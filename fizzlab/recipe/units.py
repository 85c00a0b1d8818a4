"""Kitchen and metric measures, drops and densities: what the maker wrote, in grams.

A scale gives grams. A cup, spoon or dropper gives a volume, and a volume of loose powder is only roughly a
mass: ten people who scooped one cup of flour brought between 4 and 6 ounces (a New York Times trial of 2011).
Every mass that comes out of a volume therefore has a low and a high beside its typical value, and the maker's
own weighing replaces the table. Low and high are bounds, not a confidence interval, and add up as bounds do.

Sources of the unit factors: NIST Handbook 44, Appendix C, and NIST SP 430 (1 gallon = 231 cubic inches,
1 measuring cup = 8 fluid ounces = 1/2 liquid pint, 1 tablespoon = 3 teaspoons = 1/2 fluid ounce, 1 pound =
453.592 37 g, all exact); 21 CFR 101.9(b)(5)(viii) for the measures of food labels. The parser is ours, since
libraries of units misread "2 1/4 cups" and "1,5 g".
"""

from __future__ import annotations

import itertools
import math
import re
import statistics
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from pathlib import Path
from typing import Any, Literal, NamedTuple

from fizzlab.errors import BadInput, CannotAnswer, Problem, nearest

Dimension = Literal["mass", "volume", "drops"]
Measures = Literal["us", "metric", "label"]
Origin = Literal["seen", "common practice, no source", "from memory"]

_FLUID_OUNCE_ML = 231 * 2.54**3 / 128
_POUND_G = 453.59237


class Unit(NamedTuple):
    """A unit: grams or millilitres of one, or 1 for a drop; and how else it is spelled."""

    name: str
    dimension: Dimension
    size: float
    spellings: tuple[str, ...] = ()


#: Every unit that is read. ``cup``, ``tbsp``, ``tsp`` and ``fl oz`` are US customary; ``metric`` ones are
#: round (the 250 mL cup is from memory); ``label`` ones are those of US food labels.
UNITS: Mapping[str, Unit] = {
    unit.name: unit
    for unit in (
        Unit("g", "mass", 1.0, ("gram", "grams", "gramme", "grammes", "gr")),
        Unit("mg", "mass", 0.001, ("milligram", "milligrams")),
        Unit("kg", "mass", 1000.0, ("kilo", "kilos", "kilogram", "kilograms")),
        Unit("oz", "mass", _POUND_G / 16, ("ounce", "ounces")),
        Unit("lb", "mass", _POUND_G, ("lbs", "pound", "pounds")),
        Unit("ml", "volume", 1.0, ("millilitre", "millilitres", "milliliter", "milliliters", "cc", "cm3")),
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

_SPELLINGS = {spelling: unit.name for unit in UNITS.values() for spelling in (unit.name, *unit.spellings)}
_VULGAR = {"½": "1/2", "⅓": "1/3", "⅔": "2/3", "¼": "1/4", "¾": "3/4", "⅛": "1/8", "⅜": "3/8"}
_NUMBER = r"(?:\d+\s+\d+/\d+|\d+/\d+|\d+(?:[.,]\d+)?|[.,]\d+)"
_QUANTITY = re.compile(rf"^(?P<number>{_NUMBER})\s*(?P<unit>[a-z][a-z0-9. ]*)$")
_RANGE = re.compile(rf"^{_NUMBER}\s*(?:-|–|to)\s*{_NUMBER}")
_EXAMPLE = 'Write a number and a unit, such as "1/2 cup", "30 drops" or "12 g".'


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
        """Is it a mass, a volume or a number of drops?"""
        return UNITS[self.unit].dimension

    @property
    def size(self) -> float:
        """Grams, millilitres or drops."""
        return self.amount * UNITS[self.unit].size

    def __mul__(self, factor: float) -> Quantity:
        return Quantity(self.amount * factor, self.unit)

    def __str__(self) -> str:
        unit = "drops" if self.unit == "drop" and self.amount != 1 else self.unit
        # Decimal writes 0.000001 where a float would write 1e-06, which no maker reads
        return f"{Decimal(f'{self.amount:.12g}'):f} {unit}"


def parse_quantity(
    text: str, *, measures: Measures = "us", where: str = "trial.toml", key: str | None = None
) -> Quantity:
    """Read an amount such as ``1/2 cup``, ``0,5 tsp``, ``2 1/4 tsp``, ``30 drops`` or ``12 g``.

    `measures` says which cup and spoons a bare ``cup``, ``tbsp``, ``tsp`` means, and for "label" also ``fl
    oz``. What has no unit, no number, an unknown unit, a range, or a comma before exactly three digits
    (perhaps a thousand) raises BadInput with `where` and `key` in it.

    Examples
    --------
    >>> parse_quantity("2 1/4 tsp"), parse_quantity("0,5 tsp", measures="metric")
    (Quantity(amount=2.25, unit='tsp'), Quantity(amount=0.5, unit='metric tsp'))
    """

    def refuse(what: str, do: str) -> BadInput:
        return BadInput([Problem(where, what, do, column=key)])

    cleaned = text.strip().casefold().replace("⁄", "/")
    for sign, written in _VULGAR.items():
        cleaned = cleaned.replace(sign, f" {written}")
    cleaned = re.sub(r"\s*/\s*", "/", re.sub(r"\s+", " ", cleaned).strip())
    if _RANGE.match(cleaned):
        raise refuse(f'"{text}" is a range.', "Give the one amount that goes into this batch.")
    if re.match(r"^\d{1,3},\d{3}(?!\d)", cleaned):
        do = "Write it without the comma, or with a decimal point."
        raise refuse(f'"{text}" could be a thousand or a decimal comma.', do)
    if re.fullmatch(_NUMBER, cleaned):
        raise refuse(f'"{text}" has no unit.', _EXAMPLE)
    found = _QUANTITY.match(cleaned)
    if not found:
        raise refuse(f'"{text}" is not an amount.', _EXAMPLE)
    spelling = found["unit"].replace(".", "").strip()
    name = _SPELLINGS.get(spelling)
    if name is None:
        near = nearest(spelling, _SPELLINGS)
        hint = f'Did you mean "{near}"? ' if near else ""
        raise refuse(f'"{spelling}" is not a unit that is known here.', hint + _EXAMPLE)
    if measures != "us" and not spelling.startswith("us ") and f"{measures} {name}" in UNITS:
        name = f"{measures} {name}"
    try:
        amount = float(sum(Fraction(part) for part in found["number"].replace(",", ".").split()))
    except ZeroDivisionError:
        raise refuse(f'"{text}" divides by nothing.', _EXAMPLE) from None
    return Quantity(amount, name)


@dataclass(frozen=True)
class Span:
    """A value with its bounds: low, typical, high; finite, in order, zero or more.

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
        """A value without spread."""
        return cls(value, value, value)

    @classmethod
    def about(cls, typical: float, share: float) -> Span:
        """A value with the same share of it either side."""
        return cls(typical * (1 - share), typical, typical * (1 + share))

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


#: How far a scoop of loose powder may lie from its typical mass, as a share of it; see kinds.toml.
SCOOP_SCATTER = 0.20

#: The same for a liquid's density, by temperature and make; from memory, no source seen.
LIQUID_SCATTER = 0.02


def scatter_of(role: str) -> float:
    """How far a spoon of it may lie from its typical mass, as a share of it."""
    return LIQUID_SCATTER if role in ("oil", "emulsifier", "alcohol", "water") else SCOOP_SCATTER


@dataclass(frozen=True)
class Density:
    """Grams of a millilitre, as a maker fills a spoon, how the typical value is known, and where from."""

    kind: str
    g_per_ml: Span
    origin: Origin
    source: str


#: The kinds of ingredients that are known, as kinds.toml says.
KINDS: Mapping[str, dict[str, Any]] = tomllib.loads(
    Path(__file__).with_name("kinds.toml").read_text(encoding="utf-8")
)

#: Other names that makers use, and the kind that each stands for.
ALIASES: Mapping[str, str] = {name: kind for kind, said in KINDS.items() for name in said.get("also", ())}


def _density(kind: str, said: Mapping[str, Any]) -> Density:
    typical = said["g_per_ml"] if "g_per_ml" in said else said["grams"] / UNITS[said["of"]].size
    span = Span.about(typical, scatter_of(said["role"]))
    span = Span(said.get("low", span.low), typical, said.get("high", span.high))
    return Density(kind, span, said.get("known", "seen"), said["source"])


_WATER_20, _WATER_25 = 0.99821, 0.99705  # g/mL, from memory

#: Density at the per cent by volume that the United States Pharmacopeia ties a specific gravity to: USP 32,
#: Isopropyl Rubbing Alcohol (68 %, 72 %), Azeotropic Isopropyl Alcohol (91 %, 93 %); USP 29, Isopropyl
#: Alcohol (0.783 to 0.787, at least 99 %).
_ISOPROPYL = (
    (68.0, 0.883 * _WATER_20),
    (72.0, 0.872 * _WATER_20),
    (91.0, 0.815 * _WATER_25),
    (93.0, 0.810 * _WATER_25),
    (100.0, 0.785 * _WATER_25),
)


def isopropyl_density(percent_by_volume: float) -> Density:
    """Density of rubbing alcohol of 68 to 100 % by volume, on straight lines between those of the USP."""
    if not _ISOPROPYL[0][0] <= percent_by_volume <= _ISOPROPYL[-1][0]:
        raise CannotAnswer(
            f"No density of {percent_by_volume:g} % isopropyl alcohol is known here, only of 68 to 100 %.",
            "Weigh a measured amount of it and give that weighing.",
        )
    (left, light), (right, heavy) = next(
        pair for pair in itertools.pairwise(_ISOPROPYL) if percent_by_volume <= pair[1][0]
    )
    typical = light + (percent_by_volume - left) / (right - left) * (heavy - light)
    source = (
        "specific gravities of USP 32 (Isopropyl Rubbing Alcohol; Azeotropic Isopropyl Alcohol) and USP 29 "
        "(Isopropyl Alcohol), times the density of water, straight lines between"
    )
    kind = f"isopropyl alcohol {percent_by_volume:g} %"
    return Density(kind, Span.about(typical, LIQUID_SCATTER), "seen", source)


#: Densities by kind.
DENSITIES: Mapping[str, Density] = {
    **{kind: _density(kind, said) for kind, said in KINDS.items()},
    **{density.kind: density for density in map(isopropyl_density, (70, 91, 99))},
}

_STRENGTH = re.compile(r"(?:isopropyl alcohol|rubbing alcohol|isopropanol) (\d+(?:\.\d+)?) ?%")


def canonical_kind(kind: str) -> str:
    """The spelling under which a kind is known; an unknown kind in small letters.

    Examples
    --------
    >>> canonical_kind("Baking soda"), canonical_kind("rubbing alcohol 91%")
    ('sodium bicarbonate', 'isopropyl alcohol 91 %')
    """
    folded = " ".join(kind.casefold().split())
    strength = _STRENGTH.fullmatch(folded)
    return f"isopropyl alcohol {float(strength[1]):g} %" if strength else ALIASES.get(folded, folded)


def density_of(kind: str, *, where: str = "trial.toml", key: str | None = None) -> Density:
    """Look up a density by kind; an unknown one raises BadInput, which says what is near.

    Examples
    --------
    >>> print(density_of("corn starch").g_per_ml)
    0.541 (0.433 to 0.649)
    """
    known = canonical_kind(kind)
    strength = _STRENGTH.fullmatch(known)
    found = isopropyl_density(float(strength[1])) if strength else DENSITIES.get(known)
    if found is None:
        near = nearest(kind, (*DENSITIES, *ALIASES))
        hint = f'Did you mean "{near}"? If not, give' if near else "Give"
        do = f"{hint} the amount in grams, or weigh a level spoon of it and give that weighing."
        raise BadInput([Problem(where, f'no density of "{kind}" is known here.', do, column=key)])
    return found


@dataclass(frozen=True)
class DropSize:
    """Drops in a millilitre, with bounds (a high count is a small drop), and where the counts come from."""

    per_ml: Span
    source: str

    @property
    def ml(self) -> Span:
        """Millilitres of one drop."""
        return Span(1 / self.per_ml.high, 1 / self.per_ml.typical, 1 / self.per_ml.low)


#: Used until the maker has counted the drops of their own bottle.
UNKNOWN_DROPPER = DropSize(
    Span(16, 20, 45),
    "20 drops a mL: USP 32 chapter 1101, a medicine dropper gives water in drops of 45 to 55 mg. "
    "The bounds are wide because other liquids and bottles differ: 25 (water), 35 (plant oil) and 45 "
    "(water with a surfactant) drops a mL were counted from one syringe by the keepers of UCUM (their ticket "
    "127), and 60 drops of water to the fluid drachm is 16 a mL. Count your own.",
)


def count_drops(drops: float, ml: float) -> DropSize:
    """The drop size of the maker's own bottle, within the 15 % that USP 32 chapter 1101 allows a dropper."""
    if drops <= 0 or ml <= 0:
        raise ValueError("drops and millilitres must be above zero")
    return DropSize(Span.about(drops / ml, 0.15), f"own count: {drops:g} drops in {ml:g} mL")


@dataclass(frozen=True)
class OwnWeighing:
    """What the maker's own spoon, cup or number of drops weighed, once or several times, in grams."""

    quantity: Quantity
    grams: tuple[float, ...]

    def __post_init__(self) -> None:
        if self.quantity.dimension == "mass" or self.quantity.amount == 0:
            raise ValueError("weigh a spoon, cup or number of drops, not a mass")
        if not self.grams or not all(math.isfinite(mass) and mass > 0 for mass in self.grams):
            raise ValueError("every weighing must be above zero")

    def span(self) -> Span:
        """The mass of the next such measure.

        Three weighings or more give the 95 % prediction interval of one more, mean ± t(n - 1) s sqrt(1 +
        1/n), cut at a hundredth of the mean; fewer give the mean and `SCOOP_SCATTER` either side.

        Examples
        --------
        >>> print(OwnWeighing(Quantity(1, "tsp"), (4.4, 4.6, 4.8, 4.6)).span())
        4.6 (4.02 to 5.18)
        """
        mean, count = statistics.fmean(self.grams), len(self.grams)
        if count < 3:
            return Span.about(mean, SCOOP_SCATTER)
        from scipy.special import stdtrit

        half = float(stdtrit(count - 1, 0.975)) * statistics.stdev(self.grams) * math.sqrt(1 + 1 / count)
        return Span(max(mean - half, 0.01 * mean), mean, mean + half)


def to_ml(quantity: Quantity, drops: DropSize = UNKNOWN_DROPPER) -> Span:
    """The volume of a quantity in millilitres; a mass has none (ValueError)."""
    if quantity.dimension == "mass":
        raise ValueError(f"{quantity} is a mass")
    return drops.ml * quantity.amount if quantity.dimension == "drops" else Span.exactly(quantity.size)


def to_grams(
    quantity: Quantity,
    density: Density | None = None,
    *,
    own: OwnWeighing | None = None,
    drops: DropSize = UNKNOWN_DROPPER,
) -> Span:
    """The mass of a quantity in grams: volume × density, bound by bound, where it was not weighed.

    An own weighing replaces the density where it was made with the same sort of measure: spoon for spoon,
    drops for drops. A volume without either raises CannotAnswer.

    Examples
    --------
    >>> print(to_grams(Quantity(2, "oz")), "|", to_grams(Quantity(0.5, "cup"), density_of("corn starch")))
    56.7 | 64 (51.2 to 76.8)
    >>> print(to_grams(Quantity(2, "tsp"), own=OwnWeighing(Quantity(1, "tsp"), (5.0,))))
    10 (8 to 12)
    """
    if quantity.dimension == "mass":
        return Span.exactly(quantity.size)
    if own is not None and own.quantity.dimension == quantity.dimension:
        return own.span() * (quantity.size / own.quantity.size)
    if density is None:
        raise CannotAnswer(
            f"{quantity} is a volume and nothing says what it weighs.",
            "Weigh what that measure holds and give the grams.",
        )
    return to_ml(quantity, drops).times(density.g_per_ml)


def top_up(total: Quantity, part: Quantity, drops: DropSize = UNKNOWN_DROPPER) -> Span:
    """Millilitres that fill a part up to a total, such as dye drops up to half a teaspoon; volumes add up."""
    whole, given = to_ml(total, drops), to_ml(part, drops)
    left = whole.typical - given.typical
    if left < 0:
        raise CannotAnswer(
            f"{part} is already about {given.typical:.2g} mL, more than {total}.",
            "Use fewer drops, or count how many drops of yours fill a teaspoon.",
        )
    return Span(max(whole.low - given.high, 0.0), left, max(whole.high - given.low, left))
