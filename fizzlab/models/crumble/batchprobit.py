"""Yes-or-no regression (probit) in which batches differ at random, for heights that follow the outcomes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import linalg, optimize, special

from fizzlab.errors import CannotAnswer
from fizzlab.models.crumble.binary import Restriction, jeffreys_penalty
from fizzlab.models.crumble.clusters import Array

_LOG_ROOT_2PI = 0.5 * np.log(2 * np.pi)
_MOST = 0.97  # correlation between batch and piece is kept off 1, where quadrature would need more nodes
_NODES, _WEIGHTS = np.polynomial.hermite_e.hermegauss(31)
_LOG_WEIGHTS = np.log(_WEIGHTS / _WEIGHTS.sum())


@dataclass(frozen=True)
class BatchProbit:
    """A converged fit.

    Parameters
    ----------
    coefficients : array, shape (p,)
        Marginal: ``ndtr(matrix @ coefficients)`` is the chance for a piece of any batch.
    batch_share : float
        Share of the variance of breaking strength that lies between batches.
    objective : float
        Log likelihood, with the penalty where there is one.
    curvature : array, shape (p + 1, p + 1)
        Of the free fit, about: with it, restricted fits near by are found in fewer steps.
    """

    coefficients: Array
    batch_share: float
    objective: float
    curvature: Array


@dataclass(frozen=True)
class BatchProbitProblem:
    """The readings, sorted by batch, ready to be fitted again and again under restrictions.

    P(break | batch) = ndtr((x'b + r u) / sqrt(1 - r^2)) with u standard normal, one for each batch, so
    that over batches P(break) = ndtr(x'b); r^2 is `BatchProbit.batch_share`. The integral over u is done
    by Gauss-Hermite quadrature with 31 nodes. Jeffreys' penalty, where asked for, is that of the marginal
    model; it keeps the answer finite under separation.

    Parameters
    ----------
    matrix : array, shape (rows, p)
    sign : array, shape (rows,)
        1 for a break, -1 for a hold.
    first : array of int
        First row of each batch.
    of : array of int, shape (rows,)
        Batch of each row, rising.
    jeffreys : bool
    """

    matrix: Array
    sign: Array
    first: NDArray[np.intp]
    of: NDArray[np.intp]
    jeffreys: bool

    @classmethod
    def make(
        cls, matrix: Array, broke: NDArray[np.bool_], codes: NDArray[np.intp], jeffreys: bool
    ) -> BatchProbitProblem:
        """Sort the rows by batch."""
        order = np.argsort(codes, kind="stable")
        sorted_codes = codes[order]
        first = np.flatnonzero(np.diff(sorted_codes, prepend=-1))
        sign = np.where(broke[order], 1.0, -1.0)
        return cls(np.ascontiguousarray(matrix[order]), sign, first, sorted_codes, jeffreys)

    def evaluate(self, coefficients: Array, lean: float) -> tuple[float, Array, float]:
        """Objective and its gradient by the coefficients and by r."""
        mean = self.matrix @ coefficients
        rest = np.sqrt(1 - lean**2)
        shifted = mean[:, None] + lean * _NODES
        at = self.sign[:, None] * shifted / rest
        log_chance = special.log_ndtr(at)
        summed = np.add.reduceat(log_chance, self.first, axis=0) + _LOG_WEIGHTS
        top = summed.max(axis=1)
        scaled = np.exp(summed - top[:, None])
        size = scaled.sum(axis=1)
        total = float((np.log(size) + top).sum())
        weight = (scaled / size[:, None])[self.of]
        push = weight * np.exp(-0.5 * at**2 - _LOG_ROOT_2PI - log_chance) * self.sign[:, None]
        by_mean = push.sum(axis=1) / rest
        by_lean = float((push * (_NODES / rest + shifted * lean / rest**3)).sum())
        gradient = self.matrix.T @ by_mean
        if self.jeffreys:
            penalty, slope = jeffreys_penalty(self.matrix, mean, "probit")
            total, gradient = total + penalty, gradient + slope
        return total, gradient, by_lean

    def fit(self, restriction: Restriction | None = None, start: BatchProbit | None = None) -> BatchProbit:
        """Maximise, within a restriction of the coefficients where one is given.

        Raises
        ------
        CannotAnswer
            The fit did not converge.
        """
        width = self.matrix.shape[1]
        origin = np.zeros(width) if restriction is None else restriction.origin
        span = np.eye(width) if restriction is None else restriction.span
        free: Array = np.zeros(span.shape[1])
        bend = np.arctanh(0.4 / _MOST)
        options: dict[str, object] = {"gtol": 1e-5}
        if start is not None:
            within = linalg.block_diag(span, 1.0)
            inverse = np.linalg.inv(within.T @ start.curvature @ within)
            options["hess_inv0"] = (inverse + inverse.T) / 2
            free = np.asarray(span.T @ (start.coefficients - origin), float)  # span is orthonormal
            # off both ends, where the objective is level in it
            bend = np.arctanh(np.clip(np.sqrt(start.batch_share) / _MOST, 0.1, 0.98))

        def downhill(at: Array) -> tuple[float, Array]:
            lean = _MOST * np.tanh(at[-1])
            with np.errstate(all="ignore"):  # a step too far is refused below
                total, gradient, by_lean = self.evaluate(origin + span @ at[:-1], lean)
            if not (np.isfinite(total) and np.isfinite(gradient).all() and np.isfinite(by_lean)):
                return 1e10, np.zeros_like(at)
            by_bend = by_lean * _MOST * (1 - np.tanh(at[-1]) ** 2)
            return -total, -np.concatenate([span.T @ gradient, [by_bend]])

        for towards in (bend, 0.1, 1.0):
            found = optimize.minimize(
                downhill, np.concatenate([free, [towards]]), jac=True, method="BFGS", options=options
            )
            if np.abs(found.jac).max() < 1e-3:
                break
            options = {"gtol": 1e-5}
        else:
            raise CannotAnswer(
                "The fit of the drops did not converge.",
                "Add pieces at heights where some break and some hold.",
            )
        lean = _MOST * np.tanh(found.x[-1])
        curvature = start.curvature if start is not None else np.linalg.inv(found.hess_inv)
        return BatchProbit(origin + span @ found.x[:-1], float(lean**2), -float(found.fun), curvature)
