"""What warmth does to water that a piece fizzes in: Arrhenius' law of pace, Henry's law of dissolved gas."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

#: R in J/(mol K), exact since 2019 (CODATA).
GAS_CONSTANT = 8.31446261815324

#: Grams in a mole of carbon dioxide.
CO2_MOLAR = 12.011 + 2 * 15.999

#: The bath that times are stated at unless trial.toml says another, in °C.
BATH_C = 38.0

STANDARD_KPA = 101.325


def _kelvin(temp_c: ArrayLike) -> NDArray[np.float64]:
    kelvin = np.asarray(temp_c, float) + 273.15
    if not (kelvin > 0).all():
        raise ValueError("water below absolute zero")
    return kelvin


def arrhenius(water_c: ArrayLike, bath_c: float = BATH_C) -> NDArray[np.float64]:
    """(1/T - 1/T_bath)/R in mol/kJ: log seconds rise by this times the activation energy in kJ/mol."""
    return np.asarray((1 / _kelvin(water_c) - 1 / _kelvin(bath_c)) / (GAS_CONSTANT / 1000))


def henry_co2(temp_c: float) -> float:
    """Solubility of carbon dioxide in water, mol/(m³ Pa): 3.3e-4 exp(2400 (1/T - 1/298.15)), for 0 to 50 °C.

    Sander et al. (2011) in R. Sander, Atmos. Chem. Phys. 15, 4399-4981 (2015), kept in version 5.0.0 (2023).
    """
    return float(3.3e-4 * np.exp(2400 * (1 / _kelvin(temp_c) - 1 / 298.15)))


def soluble_g(water_l: float, temp_c: float = BATH_C) -> float:
    """The most carbon dioxide, H p V M in grams, that so much plain water holds; soda left holds more."""
    return henry_co2(temp_c) * STANDARD_KPA * 1000 * (water_l / 1000) * CO2_MOLAR
