"""From what was measured out to grams: drops, the maker's own weighings, volumes by density."""

from __future__ import annotations

import math
import statistics
from dataclasses import dataclass

from fizzlab.errors import CannotAnswer
from fizzlab.recipe.units.densities import SCOOP_SCATTER, Density
from fizzlab.recipe.units.measures import UNITS, Quantity, Span


@dataclass(frozen=True)
class DropSize:
    """How many drops make a millilitre.

    Parameters
    ----------
    per_ml : Span
        Low, typical and high count. A high count is a small drop.
    source : str
        Where the counts come from.
    """

    per_ml: Span
    source: str

    @property
    def ml(self) -> Span:
        """Millilitres of one drop."""
        return Span(1 / self.per_ml.high, 1 / self.per_ml.typical, 1 / self.per_ml.low)


UNKNOWN_DROPPER = DropSize(
    Span(16, 20, 45),
    "20 drops a mL: USP 32 chapter 1101, a medicine dropper gives water in drops of 45 to 55 mg. "
    "The bounds are wide because other liquids and bottles differ: 25 (water), 35 (plant oil) and 45 "
    "(water with a surfactant) drops a mL were counted from one syringe by the keepers of UCUM (their ticket "
    "127), and 60 drops of water to the fluid drachm is 16 a mL. Count your own.",
)
"""Used until the maker has counted the drops of their own bottle."""


def count_drops(drops: float, ml: float, *, error: float = 0.15) -> DropSize:
    """Return the drop size of the maker's own bottle from one count.

    Parameters
    ----------
    drops, ml : float
        So many drops filled so many millilitres.
    error : float
        Bounds either side, as a share; 15 % is what USP 32 chapter 1101 allows a calibrated
        dropper.

    Examples
    --------
    >>> print(count_drops(60, 2).per_ml)
    30 (25.5 to 34.5)
    """
    if drops <= 0 or ml <= 0 or not 0 <= error < 1:
        raise ValueError("drops and millilitres must be above zero and the error between 0 and 1")
    per_ml = drops / ml
    return DropSize(
        Span(per_ml * (1 - error), per_ml, per_ml * (1 + error)), f"own count: {drops:g} drops in {ml:g} mL"
    )


@dataclass(frozen=True)
class OwnWeighing:
    """What the maker's own spoon or dropper held, weighed once or several times.

    Parameters
    ----------
    quantity : Quantity
        What was measured out each time, a volume or a number of drops.
    grams : tuple of float
        What it weighed each time.
    scatter : float
        Bounds either side, as a share, while there are fewer than three weighings.

    Raises
    ------
    ValueError
        If nothing was weighed, a mass is not above zero, or the quantity is already a mass.
    """

    quantity: Quantity
    grams: tuple[float, ...]
    scatter: float = SCOOP_SCATTER

    def __post_init__(self) -> None:
        if self.quantity.dimension == "mass" or self.quantity.amount == 0:
            raise ValueError("weigh a spoon, cup or number of drops, not a mass")
        if not self.grams or not all(math.isfinite(mass) and mass > 0 for mass in self.grams):
            raise ValueError("every weighing must be above zero")
        if not 0 <= self.scatter < 1:
            raise ValueError("scatter is a share between 0 and 1")

    def span(self) -> Span:
        """Return the mass of the next such measure: mean, with bounds.

        Three weighings or more give the 95 % prediction interval for one more measure,
        mean ± t(n - 1) s sqrt(1 + 1/n), cut at a hundredth of the mean so that it stays above
        zero; fewer give the mean and `scatter` either side.

        Examples
        --------
        >>> print(OwnWeighing(Quantity(1, "tsp"), (4.4, 4.6, 4.8, 4.6)).span())
        4.6 (4.02 to 5.18)
        """
        mean = statistics.fmean(self.grams)
        count = len(self.grams)
        if count < 3:
            return Span(mean * (1 - self.scatter), mean, mean * (1 + self.scatter))
        from scipy.special import stdtrit  # imported here: every command reads trial.toml, few need this

        half = float(stdtrit(count - 1, 0.975)) * statistics.stdev(self.grams) * math.sqrt(1 + 1 / count)
        return Span(max(mean - half, 0.01 * mean), mean, mean + half)


def to_ml(quantity: Quantity, drops: DropSize = UNKNOWN_DROPPER) -> Span:
    """Return the volume of a quantity in millilitres.

    Raises
    ------
    ValueError
        If the quantity is a mass.

    Examples
    --------
    >>> print(to_ml(Quantity(1, "cup")))
    237
    >>> print(to_ml(Quantity(30, "drop")))
    1.5 (0.667 to 1.88)
    """
    if quantity.dimension == "mass":
        raise ValueError(f"{quantity} is a mass")
    if quantity.dimension == "drops":
        return drops.ml * quantity.amount
    return Span.exactly(quantity.amount * UNITS[quantity.unit].size)


def to_grams(
    quantity: Quantity,
    density: Density | None = None,
    *,
    own: OwnWeighing | None = None,
    drops: DropSize = UNKNOWN_DROPPER,
) -> Span:
    """Return the mass of a quantity in grams, with bounds where it was not weighed.

    mass = volume × density, bound by bound. The maker's own weighing replaces the density when
    it was made with the same sort of measure (spoon for spoon, drops for drops). How level the
    spoon was filled is inside the powder bounds; a liquid's spoon is taken as full.

    Parameters
    ----------
    quantity : Quantity
        What goes in.
    density : Density, optional
        Needed for a volume or drops without an own weighing.
    own : OwnWeighing, optional
        The maker's own weighing.
    drops : DropSize
        For drops.

    Raises
    ------
    CannotAnswer
        If a volume is given with neither density nor own weighing.

    Examples
    --------
    >>> from fizzlab.recipe.units import density_of
    >>> print(to_grams(Quantity(2, "oz")))
    56.7
    >>> print(to_grams(Quantity(0.5, "cup"), density_of("corn starch")))
    64 (51.2 to 76.8)
    >>> print(to_grams(Quantity(2, "tsp"), own=OwnWeighing(Quantity(1, "tsp"), (5.0,))))
    10 (8 to 12)
    """
    if quantity.dimension == "mass":
        return Span.exactly(quantity.amount * UNITS[quantity.unit].size)
    if own is not None and own.quantity.dimension == quantity.dimension:
        share = (
            quantity.amount
            * UNITS[quantity.unit].size
            / (own.quantity.amount * UNITS[own.quantity.unit].size)
        )
        return own.span() * share
    if density is None:
        raise CannotAnswer(
            f"{quantity} is a volume and nothing says what it weighs.",
            "Weigh what that measure holds and give the grams.",
        )
    return to_ml(quantity, drops).times(density.g_per_ml)


def top_up(total: Quantity, part: Quantity, drops: DropSize = UNKNOWN_DROPPER) -> Span:
    """Return how many millilitres fill a part up to a total, e.g. dye drops up to half a teaspoon.

    Volumes are taken to add up (alcohol and water shrink by a few per cent when mixed).

    Raises
    ------
    CannotAnswer
        If the part, at its typical size, already exceeds the total.

    Examples
    --------
    >>> print(top_up(Quantity(0.5, "tsp"), Quantity(30, "drop")))
    0.964 (0.589 to 1.8)
    """
    whole, given = to_ml(total, drops), to_ml(part, drops)
    if given.typical > whole.typical:
        raise CannotAnswer(
            f"{part} is already about {given.typical:.2g} mL, more than {total}.",
            "Use fewer drops, or count how many drops of yours fill a teaspoon.",
        )
    return Span(
        max(whole.low - given.high, 0.0),
        whole.typical - given.typical,
        max(whole.high - given.low, whole.typical - given.typical),
    )
