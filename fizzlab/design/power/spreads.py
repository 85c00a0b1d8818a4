"""How much pieces, batches and days differ by chance: what every power calculation rests on."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fizzlab.errors import CannotAnswer
from fizzlab.models.curing import CuringFit


@dataclass(frozen=True)
class Spreads:
    """Standard deviations of the logarithm of a time (or another positive number), and a usual value of it.

    A standard deviation of 0.15 on the log scale means that about two in three lie within a factor of 1.16.

    Parameters
    ----------
    pieces : float
        Between pieces of one batch; above 0.
    batches : float
        Between batches made alike on one day; 0 or more.
    days : float
        Between days, beyond what the air in the model explains; 0 or more.
    origin : str
        Where the numbers come from, as the end of a sentence: ``"the record of the trial season"``.
    measured : bool
        False if they are an assumption.
    typical_h : float or None
        Usual dry time in hours, for touch checks.

    Examples
    --------
    >>> Spreads(0.1, 0.12, 0.05, "the record of last winter", measured=True).of_batch_mean(4)
    0.13
    """

    pieces: float
    batches: float
    days: float
    origin: str
    measured: bool = False
    typical_h: float | None = None

    def __post_init__(self) -> None:
        numbers = [self.pieces, self.batches, self.days]
        if not all(np.isfinite(numbers)) or self.pieces <= 0 or min(numbers) < 0:
            raise ValueError("spreads must be finite, that of the pieces above 0, the others 0 or more")
        if not self.origin.strip():
            raise ValueError("say where the spreads come from")
        if self.typical_h is not None and not (np.isfinite(self.typical_h) and self.typical_h > 0):
            raise ValueError("the usual dry time must be above 0 hours")

    def of_batch_mean(self, pieces: int) -> float:
        """Standard deviation of a batch's mean over so many pieces, sqrt(batches² + pieces²/n)."""
        return float(np.round(np.sqrt(self.batches**2 + self.pieces**2 / pieces), 12))

    @classmethod
    def of_fit(cls, fit: CuringFit, origin: str) -> Spreads:
        """The spreads that an earlier fit of dry times found.

        Parameters
        ----------
        fit : CuringFit
        origin : str

        Raises
        ------
        CannotAnswer
            The fit could not tell the spread between pieces, or had no batch effect.
        """
        if not (np.isfinite(fit.sigma) and np.isfinite(fit.tau)):
            raise CannotAnswer(
                "The earlier trial cannot tell how much pieces of one batch differ.",
                "Use a trial in which pieces of a batch became dry between different looks.",
            )
        days = 0.0 if np.isnan(fit.delta) else fit.delta
        typical = float(np.exp(fit.location(fit.matrix(fit.batches))[0].mean()))
        return cls(fit.sigma, fit.tau, days, origin, measured=True, typical_h=typical)


ASSUMED = Spreads(
    pieces=0.12,
    batches=0.15,
    days=0.15,
    origin="an assumption without a source: no trial of this room has measured them yet",
)
"""What is taken where there is no record: an assumption of ours, behind which stands no measurement."""
