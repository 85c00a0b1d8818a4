"""How far an estimate rests on differences between batches, and how far on pieces of the same batch."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Split:
    """The two strata of a fit with a random batch effect.

    Each piece tells of its own log time with variance sigma^2 / information (1 where its time is known, less
    where it is censored). A linear estimate is cut into the precision-weighted means of the batches and the
    deviations from them, which are independent; each part has the degrees of freedom left in its stratum, and
    F. E. Satterthwaite's formula (Biometrics Bulletin 2, 1946, 110-114) puts the two together.

    Attributes
    ----------
    weights : array, shape (columns, pieces)
        Generalised-least-squares weights of each coefficient.
    batch : array of int
        Batch of each piece.
    mean_variance : array
        Variance of each batch's weighted mean.
    own_variance : array
        Variance of each piece round its batch.
    between_df, within_df : float
    """

    weights: Array
    batch: NDArray[np.int64]
    mean_variance: Array
    own_variance: Array
    between_df: float
    within_df: float

    def parts(self, combination: Array) -> tuple[float, float]:
        """Return the variance of combination @ coefficients between and within batches."""
        across = combination @ self.weights
        of_batch = np.bincount(self.batch, across)
        mean_error = 1 / np.bincount(self.batch, 1 / self.own_variance)
        between = float(of_batch**2 @ self.mean_variance)
        within = float(across**2 @ self.own_variance - of_batch**2 @ mean_error)
        return between, max(within, 0.0)

    def df(self, combination: Array, more_between: float = 0.0, more_within: float = 0.0) -> float:
        """Return its degrees of freedom, with the variance of a further batch and piece added if given."""
        between, within = self.parts(combination)
        between, within = between + more_between, within + more_within
        return (between + within) ** 2 / (between**2 / self.between_df + within**2 / self.within_df)


def split(
    x: Array, batch: NDArray[np.int64], information: Array, sd_pieces: float, sd_batches: float
) -> Split:
    """Work out the strata.

    Parameters
    ----------
    x : array, shape (pieces, columns)
        Model matrix.
    batch : array of int
        Batch of each piece, counted from 0.
    information : array
        What each piece tells of its own log time, in units of 1/sigma^2.
    sd_pieces, sd_batches : float

    Examples
    --------
    Six batches of two pieces, a factor of the batch and a factor of the piece:

    >>> batch = np.repeat(np.arange(6), 2)
    >>> x = np.column_stack([np.ones(12), batch % 2, np.tile([0, 1], 6)]).astype(float)
    >>> strata = split(x, batch, np.ones(12), sd_pieces=0.1, sd_batches=0.2)
    >>> [round(strata.df(row), 6) for row in np.eye(3)[1:]]
    [4.0, 5.0]
    """
    own = sd_pieces**2 / np.maximum(information, 1e-6)
    precision = 1 / own
    batches = int(batch.max()) + 1
    total = np.bincount(batch, precision)
    mean_variance = sd_batches**2 + 1 / total
    which = (batch[:, None] == np.arange(batches)).astype(float)
    inverse_v = np.diag(precision) - (precision[:, None] * which) @ np.diag(
        sd_batches**2 / (1 + sd_batches**2 * total)
    ) @ (which.T * precision)
    covariance = np.linalg.inv(x.T @ inverse_v @ x)
    means = (which.T * precision) @ x / total[:, None]
    # how many of the coefficients are, in effect, estimated between batches
    spent = float(np.trace(covariance @ (means.T / mean_variance) @ means))
    columns = x.shape[1]
    return Split(
        weights=covariance @ x.T @ inverse_v,
        batch=batch,
        mean_variance=mean_variance,
        own_variance=own,
        between_df=max(batches - spent, 1.0),
        within_df=max(float(np.minimum(information, 1).sum()) - batches - (columns - spent), 1.0),
    )
