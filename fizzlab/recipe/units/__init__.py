"""Kitchen and metric measures, drops and densities: what the maker wrote, in grams.

A scale gives grams. A cup, spoon or dropper gives a volume, and a volume of loose powder is
only roughly a mass: ten people who were asked to scoop one cup of flour brought between 4 and
6 ounces (a New York Times trial of 2011), a fifth either side of the middle. Every mass that
comes out of a volume therefore carries a low and a high beside its typical value, and the
maker's own weighing always replaces the table.

Low and high are bounds to reckon with. They are not a confidence interval, and they add up as
bounds do: all low together, all high together.

Sources of the unit factors: NIST Handbook 44, Appendix C, and NIST SP 430 (1 gallon = 231 cubic
inches exactly, 1 measuring cup = 8 fluid ounces = 1/2 liquid pint exactly, 1 tablespoon = 3
teaspoons = 1/2 fluid ounce exactly, 1 pound = 453.592 37 g exactly) and 21 CFR 101.9(b)(5)(viii)
for the measures of food labels.
"""

from __future__ import annotations

from fizzlab.recipe.units.densities import (
    ALIASES,
    DENSITIES,
    LIQUID_SCATTER,
    SCOOP_SCATTER,
    Density,
    Origin,
    canonical_kind,
    density_of,
    isopropyl_density,
)
from fizzlab.recipe.units.measures import (
    UNITS,
    Dimension,
    Measures,
    Quantity,
    Span,
    Unit,
    parse_quantity,
)
from fizzlab.recipe.units.weighing import (
    UNKNOWN_DROPPER,
    DropSize,
    OwnWeighing,
    count_drops,
    to_grams,
    to_ml,
    top_up,
)

__all__ = [
    "ALIASES",
    "DENSITIES",
    "LIQUID_SCATTER",
    "SCOOP_SCATTER",
    "UNITS",
    "UNKNOWN_DROPPER",
    "Density",
    "Dimension",
    "DropSize",
    "Measures",
    "Origin",
    "OwnWeighing",
    "Quantity",
    "Span",
    "Unit",
    "canonical_kind",
    "count_drops",
    "density_of",
    "isopropyl_density",
    "parse_quantity",
    "to_grams",
    "to_ml",
    "top_up",
]
