"""How much batches, days or trials may differ: all that the numbers leave possible, not the best guess.

A mixture over the possible variances, weighted by restricted likelihood and by what was held beforehand (G.
C. Tiao and W. Y. Tan, Biometrika 52, 1965, 37-53).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

Array = NDArray[np.float64]

_ENTRIES = 1_000_000  # of variance matrices held at once


@dataclass(frozen=True)
class Mixture:
    """Possible variances (nodes, kinds), their weights, and the estimates that go with each; from `weigh`."""

    weight: Array
    beta: Array
    covariance: Array
    variance: Array

    def normal(self, rows: Array, extra: Array | float) -> tuple[Array, Array]:
        """Mean and standard deviation of each row at every node, with `extra` variance on top."""
        known = np.einsum("ri,kij,rj->rk", rows, self.covariance, rows)
        return rows @ self.beta.T, np.sqrt(known + extra)

    def quantile(self, centre: Array, sd: Array, chance: float) -> Array:
        """Quantile of a mixture of normals (rows, nodes) for each row, all rows at once by halving."""
        low, high = (centre - 9 * sd).min(axis=1), (centre + 9 * sd).max(axis=1)
        for _ in range(50):
            middle = 0.5 * (low + high)
            under = ndtr((middle[:, None] - centre) / sd) @ self.weight < chance
            low, high = np.where(under, middle, low), np.where(under, high, middle)
        return np.asarray(0.5 * (low + high))


def weigh(
    y: Array,
    x: Array,
    own: Array,
    kinds: Sequence[Array],
    variance: Array,
    before: Array,
    least: float = 1e-9,
) -> Mixture:
    """Weigh possible variances v by the restricted likelihood of y ~ N(x b, own + sum v_j kinds_j).

    `before` is the log of each node's weight beforehand; nodes of less weight than `least` are left out.
    """
    chunk = max(1, _ENTRIES // len(y) ** 2)
    parts = [
        restricted(y, x, own + np.einsum("kj,jab->kab", variance[i : i + chunk], np.stack(kinds)))
        for i in range(0, len(variance), chunk)
    ]
    beta, covariance, loglik = (np.concatenate(each) for each in zip(*parts, strict=True))
    weight = np.exp(before + loglik - (before + loglik).max())
    weight /= weight.sum()
    keep = weight > least
    return Mixture(weight[keep] / weight[keep].sum(), beta[keep], covariance[keep], variance[keep])


def restricted(y: Array, x: Array, total: Array) -> tuple[Array, Array, Array]:
    """Estimates, their covariance and the restricted log-likelihood, for each of several covariances of y."""
    factor = np.linalg.cholesky(total)
    white_x = np.linalg.solve(factor, np.broadcast_to(x, (len(total), *x.shape)))
    white_y = np.linalg.solve(factor, np.broadcast_to(y[:, None], (len(total), len(y), 1)))
    information = np.swapaxes(white_x, 1, 2) @ white_x
    covariance = np.linalg.inv(information)
    beta = covariance @ np.swapaxes(white_x, 1, 2) @ white_y
    rest = ((white_y - white_x @ beta) ** 2).sum(axis=(1, 2))
    half = np.log(np.diagonal(factor, axis1=1, axis2=2)).sum(axis=1)
    loglik = np.asarray(-half - 0.5 * np.linalg.slogdet(information)[1] - 0.5 * rest, float)
    return beta[:, :, 0], np.asarray(covariance, float), loglik
