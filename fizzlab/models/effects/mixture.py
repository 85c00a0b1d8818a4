"""Mixtures: only the shares of the parts count, so that none can be raised without lowering another."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Literal

import numpy as np
import pandas as pd

from fizzlab.errors import CannotAnswer
from fizzlab.models.effects.analysis import Analysis, analyse_basis, measured
from fizzlab.models.effects.contrasts import Method
from fizzlab.models.effects.structure import Days
from fizzlab.models.effects.variance import Array
from fizzlab.models.terms import Amount, Term

Blending = Literal["linear", "quadratic", "special cubic"]
LINEAR = "linear blending"


@dataclass(frozen=True)
class MixtureBasis:
    """Scheffé's polynomials: shares, products of two, products of three.

    Parameters
    ----------
    factors : tuple of Amount
        The parts.
    blending : {"linear", "quadratic", "special cubic"}
    reference : tuple of float
        Shares of the mixture that effects start from.
    lows, highs : tuple of float
        Least and most share of each part tried.
    """

    factors: tuple[Term, ...]
    blending: Blending
    reference: tuple[float, ...]
    lows: tuple[float, ...]
    highs: tuple[float, ...]

    @property
    def _products(self) -> list[tuple[int, ...]]:
        order = {"linear": 1, "quadratic": 2, "special cubic": 3}[self.blending]
        return [c for n in range(1, order + 1) for c in combinations(range(len(self.factors)), n)]

    @property
    def names(self) -> tuple[str, ...]:
        """Name of each column."""
        return tuple(":".join(self.factors[i].name for i in picks) for picks in self._products)

    @property
    def owners(self) -> tuple[str, ...]:
        """``linear blending`` for the shares, else the name of the product."""
        return tuple(
            LINEAR if len(picks) == 1 else name
            for picks, name in zip(self._products, self.names, strict=True)
        )

    @property
    def terms(self) -> tuple[str, ...]:
        """The terms, in order."""
        return tuple(dict.fromkeys(self.owners))

    def shares(self, settings: pd.DataFrame) -> Array:
        """Shares of the parts, each row adding up to 1."""
        amounts = np.column_stack([settings[factor.name].to_numpy(float) for factor in self.factors])
        if np.isnan(amounts).any():
            raise ValueError("amounts of a mixture must not be missing")
        if not (amounts >= 0).all() or not (amounts.sum(axis=1) > 0).all():
            raise ValueError("amounts of a mixture must not be negative, nor all zero")
        return np.asarray(amounts / amounts.sum(axis=1, keepdims=True))

    def matrix(self, settings: pd.DataFrame) -> Array:
        """The columns for a table of amounts or shares."""
        return self._columns(self.shares(settings))

    def _columns(self, shares: Array) -> Array:
        return np.column_stack([np.prod(shares[:, list(picks)], axis=1) for picks in self._products])

    def effects(self) -> list[tuple[str, str, Array]]:
        """What each part does from its least to its most share, the others keeping their proportions.

        The line is D. R. Cox's (Biometrika 58 (1971) 155-159), through the mean of the mixtures tried.
        """
        reference = np.array(self.reference)
        found = []
        for i, factor in enumerate(self.factors):
            mixes = []
            for share in (self.highs[i], self.lows[i]):
                mix = reference * (1 - share) / (1 - reference[i])
                mix[i] = share
                mixes.append(mix)
            columns = self._columns(np.stack(mixes))
            label = f"{factor.name}: {self.highs[i]:.3g} against {self.lows[i]:.3g} of the whole"
            found.append((factor.name, label, columns[0] - columns[1]))
        return found

    def hypotheses(self) -> list[tuple[str, Array]]:
        """Linear blending does nothing when all parts have one coefficient; a product when its is nil."""
        parts = len(self.factors)
        rows = np.eye(len(self.names))
        found = [(LINEAR, rows[1:parts] - rows[0])]
        return [*found, *((name, rows[i][None]) for i, name in enumerate(self.names) if i >= parts)]


def analyse_mixture(
    batches: pd.DataFrame,
    response: str,
    parts: Sequence[Amount],
    *,
    blending: Blending = "quadratic",
    log: bool = False,
    days: Days = "auto",
    level: float = 0.95,
    method: Method = "kenward-roger",
) -> Analysis:
    """Say what the shares of a mixture do to one numeric response.

    Parameters
    ----------
    batches, response, log, days, level, method
        As in `analyse`.
    parts : sequence of Amount
        Every part of the mixture, in one unit; only their shares of the sum count.
    blending : {"linear", "quadratic", "special cubic"}

    Returns
    -------
    Analysis
        ``coefficients`` are Scheffé's: the response of each part alone (often far beyond what was tried),
        and by how much two or three together differ from their average. ``effects`` are along Cox's line.

    Raises
    ------
    CannotAnswer
        As in `analyse`.

    Notes
    -----
    H. Scheffé, JRSS B 20 (1958) 344-360: y = sum b_i x_i + sum b_ij x_i x_j + sum b_ijk x_i x_j x_k.

    Examples
    --------
    >>> mixes = pd.DataFrame({"run": list("ABCDEF"), "acid": [1, 1, 2, 2, 1.5, 1.5],
    ...                       "soda": [2, 2, 1, 1, 1.5, 1.5], "seconds": [80, 84, 50, 52, 70, 66]})
    >>> found = analyse_mixture(mixes, "seconds", [Amount("acid", "g"), Amount("soda", "g")],
    ...                         blending="linear")
    >>> found.coefficients["estimate"].round(1).tolist()
    [20.5, 113.5]
    """
    if len(parts) < 2:
        raise ValueError("a mixture has at least two parts")
    table, lost = measured(batches, response, log)
    draft = MixtureBasis(tuple(parts), blending, (), (), ())
    shares = draft.shares(table)
    still = [part.name for part, spread in zip(parts, np.ptp(shares, axis=0), strict=True) if spread < 1e-9]
    if still:
        raise CannotAnswer(
            f"Every mixture that was measured had the same share of {still[0]}, so its part cannot be seen.",
            f"Make mixtures with another share of {still[0]}, or leave it out of the parts.",
        )
    basis = MixtureBasis(
        tuple(parts),
        blending,
        tuple(shares.mean(axis=0)),
        tuple(shares.min(axis=0)),
        tuple(shares.max(axis=0)),
    )
    return analyse_basis(table, response, basis, log=log, days=days, level=level, method=method, lost=lost)
