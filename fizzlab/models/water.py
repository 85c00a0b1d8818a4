"""What warmth does to water that a piece fizzes in: Arrhenius' law of pace, Henry's law of dissolved gas."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

#: R in J/(mol K), exact since 2019 (CODATA).
GAS_CONSTANT = 8.31446261815324

#: Grams in a mole of carbon dioxide.
CO2_MOLAR = 12.011 + 2 * 15.999

#: The bath that times are stated at unless trial.toml says another, in °C.
BATH_C = 38.0

STANDARD_KPA = 101.325
_ZERO_C = 273.15


def arrhenius(water_c: ArrayLike, bath_c: float = BATH_C) -> NDArray[np.float64]:
    """(1/T - 1/T_bath)/R in mol/kJ: log seconds rise by this times the activation energy in kJ/mol.

    S. Arrhenius, Z. Phys. Chem. 4 (1889) 226 (from memory, not seen).

    Examples
    --------
    >>> arrhenius([38.0, 28.0], 38.0).round(5)
    array([0.     , 0.01284])
    """
    kelvin = np.asarray(water_c, float) + _ZERO_C
    if not (kelvin > 0).all():
        raise ValueError("water below absolute zero")
    return np.asarray((1 / kelvin - 1 / (bath_c + _ZERO_C)) / (GAS_CONSTANT / 1000))


def henry_co2(temp_c: float) -> float:
    """Solubility of carbon dioxide in water, mol/(m³ Pa).

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
    """The most carbon dioxide that so much plain water holds under the pure gas, in grams: H p V M.

    A bath of 100 L could hold far more than one piece gives, so how much stays dissolved is a matter of how
    fast the bubbles rise, not of this limit; in a small cup the limit counts. Soda left over holds more, as
    bicarbonate.

    Examples
    --------
    >>> round(soluble_g(1, temp_c=25), 2)
    1.47
    """
    if water_l < 0 or pressure_kpa < 0:
        raise ValueError("water and pressure must not be negative")
    return henry_co2(temp_c) * pressure_kpa * 1000 * (water_l / 1000) * CO2_MOLAR
