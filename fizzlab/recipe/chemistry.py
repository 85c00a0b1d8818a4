"""Acid against soda: molar masses, which one is left over, and the gas that comes of it."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

from fizzlab.recipe.units import Span

ATOMIC_WEIGHTS: Mapping[str, float] = MappingProxyType(
    {"H": 1.008, "C": 12.011, "O": 15.999, "Na": 22.990, "S": 32.06, "K": 39.098}
)
"""Standard atomic weights of IUPAC (CIAAW 2021), rounded to five figures (sulphur: four)."""

GAS_CONSTANT = 8.31446261815324
"""R in J/(mol K), exact since 2019 (CODATA)."""

BATH_C = 38.0
STANDARD_KPA = 101.325
_ZERO_C = 273.15

Limiting = Literal["soda", "acid", "neither"]


def molar_mass(formula: str) -> float:
    """Return the molar mass of a plain formula in g/mol.

    Parameters
    ----------
    formula : str
        Elements with counts, a hydrate after a dot: ``"NaHCO3"``, ``"C6H8O7.H2O"``.

    Raises
    ------
    ValueError
        If a sign or element is not understood.

    Examples
    --------
    >>> round(molar_mass("NaHCO3"), 3), round(molar_mass("C6H8O7.H2O"), 2)
    (84.006, 210.14)
    """
    total = 0.0
    for part in formula.split("."):
        if not re.fullmatch(r"(?:[A-Z][a-z]?\d*)+", part):
            raise ValueError(f"cannot read the formula {formula!r}")
        for element, count in re.findall(r"([A-Z][a-z]?)(\d*)", part):
            if element not in ATOMIC_WEIGHTS:
                raise ValueError(f"no atomic weight of {element} here")
            total += ATOMIC_WEIGHTS[element] * int(count or 1)
    return total


SODA_MOLAR = molar_mass("NaHCO3")
CO2_MOLAR = molar_mass("CO2")
WATER_MOLAR = molar_mass("H2O")


@dataclass(frozen=True)
class Acid:
    """An acid and how many bicarbonates one of it can turn to gas.

    Parameters
    ----------
    kind : str
        Its name, the same as its kind in the table of densities.
    formula : str
        For `molar_mass`.
    protons : int
        Moles of sodium bicarbonate that one mole neutralises when it reacts completely.
    """

    kind: str
    formula: str
    protons: int

    @property
    def grams_per_soda_gram(self) -> float:
        """Grams of this acid that match one gram of sodium bicarbonate exactly."""
        return molar_mass(self.formula) / (self.protons * SODA_MOLAR)


ACIDS: Mapping[str, Acid] = MappingProxyType(
    {
        acid.kind: acid
        for acid in (
            Acid("citric acid", "C6H8O7", 3),
            Acid("citric acid monohydrate", "C6H8O7.H2O", 3),
            Acid("tartaric acid", "C4H6O6", 2),
            Acid("malic acid", "C4H6O5", 2),
            Acid("sodium bisulphate", "NaHSO4", 1),
            Acid("cream of tartar", "KHC4H4O6", 1),
        )
    }
)
"""Acids by kind. Citric acid takes three soda: 3 NaHCO3 + H3C6H5O7 -> 3 CO2 + 3 H2O + Na3C6H5O7."""


@dataclass(frozen=True)
class Reaction:
    """What comes of so much soda and so much acid when the lesser one is used up.

    All masses in grams. `soda_per_proton` is 1 when nothing is left over; times three it is the
    mole ratio of soda to citric acid. `salt_g` is what the mass balance leaves: sodium salts,
    with the crystal water of a hydrate.
    """

    soda_g: float
    acid_g: float
    limiting: Limiting
    soda_per_proton: float
    soda_left_g: float
    acid_left_g: float
    co2_mol: float
    co2_g: float
    water_g: float
    salt_g: float


def react(soda_g: float, acids_g: Mapping[str, float]) -> Reaction:
    """Work out the complete reaction of sodium bicarbonate with one or more acids.

    moles of gas = min(n_soda, sum(protons × n_acid)). When soda runs short, every acid is taken
    to be used in the same share. This is the most that can come: in a bath at pH 6 to 7 the last
    proton of citric acid and the bicarbonate itself are only partly converted.

    Parameters
    ----------
    soda_g : float
        Grams of sodium bicarbonate.
    acids_g : mapping of str to float
        Grams by kind, kinds of `ACIDS`.

    Raises
    ------
    ValueError
        For a negative mass or an unknown acid.

    Examples
    --------
    One gram of each (a textbook problem on an antacid tablet):

    >>> tablet = react(1.00, {"citric acid": 1.00})
    >>> tablet.limiting, round(tablet.co2_g, 3), round(tablet.acid_left_g, 3)
    ('soda', 0.524, 0.238)
    """
    unknown = set(acids_g) - set(ACIDS)
    if unknown:
        raise ValueError(f"unknown acid {sorted(unknown)[0]!r}")
    if soda_g < 0 or any(mass < 0 for mass in acids_g.values()):
        raise ValueError("masses must not be negative")
    soda_mol = soda_g / SODA_MOLAR
    acid_g = math.fsum(acids_g.values())
    protons = _protons(acids_g)
    gas = min(soda_mol, protons)
    limiting: Limiting = "neither"
    if not math.isclose(soda_mol, protons, rel_tol=1e-9):
        limiting = "soda" if soda_mol < protons else "acid"
    soda_left = 0.0 if limiting == "neither" else soda_g - gas * SODA_MOLAR
    acid_left = 0.0 if limiting == "neither" or not protons else acid_g * (1 - gas / protons)
    co2_g, water_g = gas * CO2_MOLAR, gas * WATER_MOLAR
    return Reaction(
        soda_g=soda_g,
        acid_g=acid_g,
        limiting=limiting,
        soda_per_proton=soda_mol / protons if protons else math.inf,
        soda_left_g=max(soda_left, 0.0),
        acid_left_g=max(acid_left, 0.0),
        co2_mol=gas,
        co2_g=co2_g,
        water_g=water_g,
        salt_g=max(soda_g - soda_left + acid_g - acid_left - co2_g - water_g, 0.0),
    )


def _protons(acids_g: Mapping[str, float]) -> float:
    return math.fsum(
        mass * ACIDS[kind].protons / molar_mass(ACIDS[kind].formula) for kind, mass in acids_g.items()
    )


@dataclass(frozen=True)
class Balance:
    """Soda against acid for amounts that may come from cups, with bounds.

    Parameters
    ----------
    typical : Reaction
        At the typical masses.
    soda_per_proton : Span
        Bounds of the ratio; 1 is balanced.
    co2_g : Span
        Bounds of the gas.
    certain : bool
        Whether the same one is left over at every mass within the bounds.
    """

    typical: Reaction
    soda_per_proton: Span
    co2_g: Span
    certain: bool

    def __str__(self) -> str:
        reaction = self.typical
        if reaction.limiting == "neither":
            said = "Soda and acid balance."
        elif reaction.limiting == "soda":
            said = f"Acid is left over: about {reaction.acid_left_g:.3g} g of {reaction.acid_g:.3g} g."
        else:
            said = f"Soda is left over: about {reaction.soda_left_g:.3g} g of {reaction.soda_g:.3g} g."
        if not self.certain:
            said += " Measured by volume, it could be the other way round; weigh both to know."
        return said


def balance(soda_g: Span, acids_g: Mapping[str, Span]) -> Balance:
    """Return `react` with bounds: least and most soda against most and least acid.

    Raises
    ------
    ValueError
        If there is no soda or no acid.

    Examples
    --------
    >>> from fizzlab.recipe.units import Span
    >>> print(balance(Span.exactly(100), {"citric acid": Span.exactly(76.23)}))
    Soda is left over: about 0.00... g of 100 g.
    >>> print(balance(Span(90, 110, 130), {"citric acid": Span(70, 100, 120)}))
    Acid is left over: about 16.1 g of 100 g. Measured by volume, it could be the other way round; ...
    """
    if soda_g.typical <= 0 or not any(acid.typical > 0 for acid in acids_g.values()):
        raise ValueError("there must be both soda and acid")
    typical = react(soda_g.typical, {kind: acid.typical for kind, acid in acids_g.items()})
    protons_low = _protons({kind: acid.low for kind, acid in acids_g.items()})
    protons_high = _protons({kind: acid.high for kind, acid in acids_g.items()})
    soda_low, soda_high = soda_g.low / SODA_MOLAR, soda_g.high / SODA_MOLAR
    if protons_low <= 0:
        raise ValueError("the low bound of the acid must be above zero")
    ratio = Span(
        min(soda_low / protons_high, typical.soda_per_proton),
        typical.soda_per_proton,
        max(soda_high / protons_low, typical.soda_per_proton),
    )
    gas = Span(
        min(min(soda_low, protons_low) * CO2_MOLAR, typical.co2_g),
        typical.co2_g,
        max(min(soda_high, protons_high) * CO2_MOLAR, typical.co2_g),
    )
    one_side = ratio.low > 1 or ratio.high < 1
    return Balance(typical, ratio, gas, certain=ratio.is_exact or one_side)


def gas_litres(co2_g: float, temp_c: float = BATH_C, pressure_kpa: float = STANDARD_KPA) -> float:
    """Return the volume of dry carbon dioxide as an ideal gas: V = (m / M) R T / p.

    Carbon dioxide is within about half a per cent of ideal here (from memory); bubbles that carry
    water vapour are a few per cent larger in a warm bath.

    Parameters
    ----------
    co2_g : float
        Grams.
    temp_c, pressure_kpa : float
        Bath temperature and air pressure.

    Raises
    ------
    ValueError
        For a negative mass, or a temperature or pressure that is not above zero.

    Examples
    --------
    >>> round(gas_litres(44.009, temp_c=0), 3)
    22.414
    """
    if co2_g < 0 or temp_c <= -_ZERO_C or pressure_kpa <= 0:
        raise ValueError("mass, absolute temperature and pressure must be above zero")
    return co2_g / CO2_MOLAR * GAS_CONSTANT * (temp_c + _ZERO_C) / pressure_kpa


def henry_co2(temp_c: float) -> float:
    """Return the solubility of carbon dioxide in water, mol/(m³ Pa).

    H = 3.3e-4 exp(2400 (1/T - 1/298.15)), the values of Sander et al. (2011) in R. Sander,
    "Compilation of Henry's law constants (version 4.0) for water as solvent", Atmos. Chem.
    Phys. 15, 4399-4981 (2015), kept in version 5.0.0 (2023). Meant for 0 to 50 °C.

    Examples
    --------
    >>> round(henry_co2(25) * 1e4, 2), round(henry_co2(38) * 1e4, 2)
    (3.3, 2.36)
    """
    kelvin = temp_c + _ZERO_C
    if kelvin <= 0:
        raise ValueError("temperature below absolute zero")
    return 3.3e-4 * math.exp(2400 * (1 / kelvin - 1 / 298.15))


def soluble_g(water_l: float, temp_c: float = BATH_C, pressure_kpa: float = STANDARD_KPA) -> float:
    """Return the most carbon dioxide that so much plain water holds under the pure gas, in grams.

    m = H p V M. A bath of 100 L could hold far more than one piece gives, so how much stays
    dissolved is a matter of how fast the bubbles rise, not of this limit; in a small cup the limit
    counts. Soda left over holds more, as bicarbonate.

    Examples
    --------
    >>> round(soluble_g(1, temp_c=25), 2)
    1.47
    """
    if water_l < 0 or pressure_kpa < 0:
        raise ValueError("water and pressure must not be negative")
    return henry_co2(temp_c) * pressure_kpa * 1000 * (water_l / 1000) * CO2_MOLAR
