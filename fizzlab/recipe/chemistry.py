"""Acid against soda: molar masses, which one is left over, and the gas that comes of it."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal, NamedTuple

from fizzlab.language import say
from fizzlab.models.water import BATH_C, GAS_CONSTANT, STANDARD_KPA
from fizzlab.recipe.units import KINDS, Span

#: Standard atomic weights of IUPAC (CIAAW 2021), rounded to five figures (sulphur: four).
ATOMIC_WEIGHTS = {"H": 1.008, "C": 12.011, "O": 15.999, "Na": 22.990, "S": 32.06, "K": 39.098}


def molar_mass(formula: str) -> float:
    """The molar mass in g/mol of a plain formula, with a hydrate after a dot.

    Examples
    --------
    >>> round(molar_mass("NaHCO3"), 3), round(molar_mass("C6H8O7.H2O"), 2)
    (84.006, 210.14)
    """
    if not re.fullmatch(r"(?:[A-Z][a-z]?\d*)+(?:\.(?:[A-Z][a-z]?\d*)+)?", formula):
        raise ValueError(f"cannot read the formula {formula!r}")
    elements = re.findall(r"([A-Z][a-z]?)(\d*)", formula)
    for element, _ in elements:
        if element not in ATOMIC_WEIGHTS:
            raise ValueError(f"no atomic weight of {element} here")
    return math.fsum(ATOMIC_WEIGHTS[element] * int(count or 1) for element, count in elements)


SODA_MOLAR = molar_mass("NaHCO3")
CO2_MOLAR = molar_mass("CO2")


class Acid(NamedTuple):
    """An acid by its formula, and the moles of sodium bicarbonate that a mole of it can turn to gas."""

    formula: str
    protons: int


#: Acids by kind. Citric acid takes three soda: 3 NaHCO3 + H3C6H5O7 -> 3 CO2 + 3 H2O + Na3C6H5O7.
ACIDS: Mapping[str, Acid] = {
    kind: Acid(said["formula"], said["protons"]) for kind, said in KINDS.items() if said["role"] == "acid"
}


@dataclass(frozen=True)
class Reaction:
    """What comes of so much soda and acid, in grams; `soda_per_proton` is 1 when nothing is left over."""

    soda_g: float
    acid_g: float
    limiting: Literal["soda", "acid", "neither"]
    soda_per_proton: float
    soda_left_g: float
    acid_left_g: float
    co2_g: float


def react(soda_g: float, acids_g: Mapping[str, float]) -> Reaction:
    """The complete reaction of sodium bicarbonate with acids.

    Moles of gas = min(n_soda, sum(protons × n_acid)); when soda runs short, every acid is used in the same
    share. It is the most that can come: in a bath at pH 6 to 7 the last proton of citric acid and the
    bicarbonate itself are only partly converted.
    """
    if unknown := set(acids_g) - set(ACIDS):
        raise ValueError(f"unknown acid {sorted(unknown)[0]!r}")
    if soda_g < 0 or any(mass < 0 for mass in acids_g.values()):
        raise ValueError("masses must not be negative")
    soda_mol, protons, acid_g = soda_g / SODA_MOLAR, _protons(acids_g), math.fsum(acids_g.values())
    gas = min(soda_mol, protons)
    even = math.isclose(soda_mol, protons, rel_tol=1e-9)
    return Reaction(
        soda_g=soda_g,
        acid_g=acid_g,
        limiting="neither" if even else "soda" if soda_mol < protons else "acid",
        soda_per_proton=soda_mol / protons if protons else math.inf,
        soda_left_g=0.0 if even else max(soda_g - gas * SODA_MOLAR, 0.0),
        acid_left_g=0.0 if even or not protons else max(acid_g * (1 - gas / protons), 0.0),
        co2_g=gas * CO2_MOLAR,
    )


def _protons(acids_g: Mapping[str, float]) -> float:
    return math.fsum(
        mass * ACIDS[kind].protons / molar_mass(ACIDS[kind].formula) for kind, mass in acids_g.items()
    )


@dataclass(frozen=True)
class Balance:
    """Soda against acid with bounds; `certain` where the same one is left over at every mass within them."""

    typical: Reaction
    soda_per_proton: Span
    co2_g: Span
    certain: bool

    def __str__(self) -> str:
        of, unsure = self.typical, "" if self.certain else say("other_way_round")
        if of.limiting == "neither":
            return say("balanced") + unsure
        if of.limiting == "soda":
            return say("left_acid", left=of.acid_left_g, all=of.acid_g) + unsure
        return say("left_soda", left=of.soda_left_g, all=of.soda_g) + unsure


def balance(soda_g: Span, acids_g: Mapping[str, Span]) -> Balance:
    """`react` with bounds: least and most soda against most and least acid."""
    low, typical_acids, high = (
        {kind: getattr(acid, end) for kind, acid in acids_g.items()} for end in ("low", "typical", "high")
    )
    if soda_g.typical <= 0 or _protons(low) <= 0:
        raise ValueError("there must be both soda and acid")
    typical = react(soda_g.typical, typical_acids)
    most_acid, most_soda = react(soda_g.low, high), react(soda_g.high, low)
    ratio = Span.around(most_acid.soda_per_proton, typical.soda_per_proton, most_soda.soda_per_proton)
    gas = Span.around(react(soda_g.low, low).co2_g, typical.co2_g, react(soda_g.high, high).co2_g)
    return Balance(typical, ratio, gas, certain=ratio.is_exact or ratio.low > 1 or ratio.high < 1)


def gas_litres(co2_g: float, temp_c: float = BATH_C, pressure_kpa: float = STANDARD_KPA) -> float:
    """Litres of dry carbon dioxide as an ideal gas, (m / M) R T / p; half a per cent off (from memory)."""
    kelvin = temp_c + 273.15
    if co2_g < 0 or kelvin <= 0 or pressure_kpa <= 0:
        raise ValueError("mass, absolute temperature and pressure must be above zero")
    return co2_g / CO2_MOLAR * GAS_CONSTANT * kelvin / pressure_kpa
