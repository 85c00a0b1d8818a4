"""What a millilitre of each ingredient weighs, and how that is known."""

from __future__ import annotations

import itertools
import re
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

from fizzlab.errors import BadInput, CannotAnswer, Problem, nearest
from fizzlab.recipe.units.measures import UNITS, Span

Origin = Literal["seen", "common practice, no source", "from memory"]

SCOOP_SCATTER = 0.20
"""How far a scooped measure of loose powder can lie from its typical mass, as a share of it.

4 to 6 oz about 5 oz for one scooped cup of flour, ten people, as reported by the New York Times
in 2011; taken here for every loose powder.
"""

LIQUID_SCATTER = 0.02
"""The same for a liquid's density (temperature and make); from memory, no source seen."""


@dataclass(frozen=True)
class Density:
    """How many grams one millilitre weighs, as a maker fills a spoon with it.

    Parameters
    ----------
    kind : str
        What it is, e.g. ``"sodium bicarbonate"``.
    g_per_ml : Span
        Low, typical and high.
    origin : {"seen", "common practice, no source", "from memory"}
        How the *typical* value is known. "seen" means it was read in the publication that
        `source` names.
    source : str
        Where each of the three numbers comes from.
    """

    kind: str
    g_per_ml: Span
    origin: Origin
    source: str


def _powder(
    kind: str,
    typical: float,
    source: str,
    origin: Origin = "seen",
    low: float | None = None,
    high: float | None = None,
) -> Density:
    if low is None:
        low = typical * (1 - SCOOP_SCATTER)
    if high is None:
        high = typical * (1 + SCOOP_SCATTER)
    return Density(kind, Span(low, typical, high), origin, source)


def _liquid(
    kind: str,
    typical: float,
    source: str,
    origin: Origin = "seen",
    low: float | None = None,
    high: float | None = None,
) -> Density:
    if low is None:
        low = typical * (1 - LIQUID_SCATTER)
    if high is None:
        high = typical * (1 + LIQUID_SCATTER)
    return Density(kind, Span(low, typical, high), origin, source)


_CUP_ML = UNITS["cup"].size
_TSP_ML = UNITS["tsp"].size
_USDA = "USDA National Nutrient Database for Standard Reference, Release 26, WEIGHT table, item {}: {}; {}"
_FIFTH = "bounds a fifth either side, the scatter of scooped cups"
_OIL = "bounds 2 % either side for temperature and make, from memory"
_NO_SOURCE: Origin = "common practice, no source"
_MEMORY: Origin = "from memory"

# Specific gravity at the per cent by volume that the United States Pharmacopeia ties it to:
# USP 32, Isopropyl Rubbing Alcohol (20 °C: 0.883 at 68 %, 0.872 at 72 %), Azeotropic Isopropyl
# Alcohol (0.815 at 91 %, 0.810 at 93 %); USP 29, Isopropyl Alcohol (0.783 to 0.787, at least 99 %).
_WATER_20 = 0.99821  # g/mL, from memory
_WATER_25 = 0.99705  # g/mL, from memory
_ISOPROPYL: tuple[tuple[float, float], ...] = (
    (68.0, 0.883 * _WATER_20),
    (72.0, 0.872 * _WATER_20),
    (91.0, 0.815 * _WATER_25),
    (93.0, 0.810 * _WATER_25),
    (100.0, 0.785 * _WATER_25),
)


def isopropyl_density(percent_by_volume: float) -> Density:
    """Return the density of rubbing alcohol (isopropyl alcohol and water) of a stated strength.

    Straight lines between the strengths whose specific gravity the United States Pharmacopeia
    gives: 68, 72, 91, 93 and (nearly) 100 % by volume, at 20 to 25 °C.

    Parameters
    ----------
    percent_by_volume : float
        What the bottle says, 68 to 100.

    Raises
    ------
    CannotAnswer
        Outside that range.

    Examples
    --------
    >>> print(isopropyl_density(91).g_per_ml)
    0.813 (0.796 to 0.829)
    """
    points = _ISOPROPYL
    if not points[0][0] <= percent_by_volume <= points[-1][0]:
        raise CannotAnswer(
            f"No density of {percent_by_volume:g} % isopropyl alcohol is known here, only of 68 to 100 %.",
            "Weigh a measured amount of it and give that weighing.",
        )
    for (left, left_density), (right, right_density) in itertools.pairwise(points):
        if percent_by_volume <= right:
            share = (percent_by_volume - left) / (right - left)
            typical = left_density + share * (right_density - left_density)
            break
    return _liquid(
        f"isopropyl alcohol {percent_by_volume:g} %",
        typical,
        "specific gravities of USP 32 (Isopropyl Rubbing Alcohol; Azeotropic Isopropyl Alcohol) and USP 29 "
        "(Isopropyl Alcohol), times the density of water, straight lines between; " + _OIL,
    )


def _cup_of(kind: str, grams: float, item: str, bounds: str, liquid: bool = False) -> Density:
    make = _liquid if liquid else _powder
    return make(kind, grams / _CUP_ML, _USDA.format(item, f"1 cup = {grams:g} g", bounds))


DENSITIES: Mapping[str, Density] = MappingProxyType(
    {
        density.kind: density
        for density in (
            _powder(
                "sodium bicarbonate",
                4.6 / _TSP_ML,
                _USDA.format("18372 baking soda", "1 tsp = 4.6 g", _FIFTH)
                + "; the poured 0.869 g/mL of the Handbook of Pharmaceutical Excipients lies within, its "
                "tapped 1.369 g/mL is more than a scoop reaches",
            ),
            _powder(
                "citric acid",
                0.85,
                "typical and high from memory for granular anhydrous acid; low 0.56 g/mL is the bulk density "
                "on a reagent maker's sheet for fine powder (seen). Grain size matters: weigh a cup of yours",
                _MEMORY,
                low=0.56,
                high=1.02,
            ),
            _powder(
                "citric acid monohydrate",
                0.80,
                "from memory; bounds as wide as for the anhydrous acid",
                _MEMORY,
                low=0.53,
                high=0.96,
            ),
            _powder("tartaric acid", 0.95, "from memory; " + _FIFTH, _MEMORY),
            _powder("malic acid", 0.80, "from memory; " + _FIFTH, _MEMORY),
            _powder("sodium bisulphate", 1.35, "from memory; " + _FIFTH, _MEMORY),
            _powder(
                "cream of tartar",
                3.0 / _TSP_ML,
                _USDA.format("18373 cream of tartar", "1 tsp = 3.0 g", _FIFTH),
            ),
            _cup_of("corn starch", 128, "20027 cornstarch", _FIFTH),
            _cup_of("table salt", 292, "02047 table salt", _FIFTH),
            _powder("epsom salt", 0.95, "from memory; " + _FIFTH, _MEMORY),
            _cup_of("coconut oil", 218, "04047 coconut oil", _OIL, liquid=True),
            _cup_of("olive oil", 216, "04053 olive oil", _OIL, liquid=True),
            _cup_of("sunflower oil", 218, "04506 sunflower oil", _OIL, liquid=True),
            _cup_of("almond oil", 218, "04529 almond oil", _OIL, liquid=True),
            _cup_of("canola oil", 218, "04582 canola oil", _OIL, liquid=True),
            _cup_of("cocoa butter", 218, "04501 cocoa butter", _OIL, liquid=True),
            _liquid("water", 0.998, "FAO/INFOODS Density Database: water, liquid, 20 °C = 0.998; " + _OIL),
            isopropyl_density(70),
            isopropyl_density(91),
            isopropyl_density(99),
            _liquid(
                "polysorbate 80",
                1.075,
                "USP 32-NF 27, Polysorbate 80: specific gravity 1.06 to 1.09; typical is the middle",
                low=1.06,
                high=1.09,
            ),
            _liquid("polysorbate 20", 1.10, "about 1.1 g/mL in a general encyclopaedia; " + _OIL),
            _powder(
                "mica pigment",
                0.40,
                "no source seen; pearl pigments differ threefold with grain and coating; weigh yours",
                _NO_SOURCE,
                low=0.20,
                high=0.65,
            ),
            _powder(
                "lake pigment",
                0.50,
                "no source seen; weigh a spoon of yours",
                _NO_SOURCE,
                low=0.30,
                high=0.80,
            ),
            _liquid(
                "liquid dye",
                1.00,
                "no source seen; water, alcohol or glycerine based",
                _NO_SOURCE,
                low=0.85,
                high=1.20,
            ),
            _liquid("fragrance oil", 0.95, "from memory", _MEMORY, low=0.85, high=1.10),
        )
    }
)
"""Densities by kind. Volumes of powder are loose, as scooped or spooned and levelled."""


ALIASES: Mapping[str, str] = MappingProxyType(
    {
        "baking soda": "sodium bicarbonate",
        "bicarbonate of soda": "sodium bicarbonate",
        "soda": "sodium bicarbonate",
        "citric acid anhydrous": "citric acid",
        "anhydrous citric acid": "citric acid",
        "sodium bisulfate": "sodium bisulphate",
        "cornstarch": "corn starch",
        "cornflour": "corn starch",
        "salt": "table salt",
        "emulsifier": "polysorbate 80",
        "mica": "mica pigment",
        "pearl pigment": "mica pigment",
        "lake": "lake pigment",
        "dye": "liquid dye",
        "fragrance": "fragrance oil",
        "essential oil": "fragrance oil",
    }
)
"""Other names that makers use, and the kind that each stands for."""

_STRENGTH = re.compile(r"(?:isopropyl alcohol|rubbing alcohol|isopropanol) (\d+(?:\.\d+)?) ?%")


def canonical_kind(kind: str) -> str:
    """Return the spelling under which a kind is known; unknown kinds come back in lower case.

    Examples
    --------
    >>> canonical_kind("Baking soda"), canonical_kind("rubbing alcohol 91%")
    ('sodium bicarbonate', 'isopropyl alcohol 91 %')
    """
    folded = " ".join(kind.casefold().split())
    strength = _STRENGTH.fullmatch(folded)
    if strength:
        return f"isopropyl alcohol {float(strength[1]):g} %"
    return ALIASES.get(folded, folded)


def density_of(kind: str, *, where: str = "trial.toml", key: str | None = None) -> Density:
    """Look up a density by kind, saying what is near when the kind is not known.

    Raises
    ------
    BadInput
        If the kind is not in `DENSITIES`.
    CannotAnswer
        If it is isopropyl alcohol of a strength outside 68 to 100 %.

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
        raise BadInput(
            [
                Problem(
                    where,
                    f'no density of "{kind}" is known here.',
                    f"{hint} the amount in grams, or weigh a level spoon of it and give that weighing.",
                    column=key,
                )
            ]
        )
    return found
