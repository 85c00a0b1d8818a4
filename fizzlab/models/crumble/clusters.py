"""Covariance of estimates when pieces come in batches, with a correction for few batches."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

Array = NDArray[np.float64]


def cluster_codes(labels: pd.Series) -> tuple[NDArray[np.intp], int]:
    """Return the batches as 0, 1, 2 ... and how many there are."""
    codes, names = pd.factorize(labels)
    return codes, len(names)


def cluster_covariance(scores: Array, information: Array, codes: NDArray[np.intp], count: int) -> Array:
    """Return the bias-reduced sandwich covariance, with the batch as the unit.

    Each batch's summed score s_g is multiplied by (I - H_g H^-1)^(-1/2), where H_g is the batch's share
    of the information H: without it, residuals of a fit that has followed each batch are too small, and
    with a dozen batches the plain sandwich is far too narrow.

        V = H^-1 [ sum_g s*_g s*_g' ] H^-1

    Parameters
    ----------
    scores : array, shape (rows, p)
        Gradient of the log likelihood of each row at the estimate.
    information : array, shape (rows, p, p)
        Information of each row at the estimate.
    codes : array of int, shape (rows,)
        Batch of each row, 0 to `count` - 1.
    count : int
        Number of batches.

    Returns
    -------
    array, shape (p, p)

    References
    ----------
    G. Kauermann and R. J. Carroll (2001), J. Am. Stat. Assoc. 96, 1387; R. M. Bell and D. F. McCaffrey
    (2002), Survey Methodology 28, 169, the correction known as CR2 (both from memory, not seen; for least
    squares it is checked against statsmodels' HC2, which it equals when every batch is one row).
    """
    width = scores.shape[1]
    summed = np.zeros((count, width))
    np.add.at(summed, codes, scores)
    summed -= summed.mean(axis=0)  # a penalised fit does not make the raw scores sum to zero
    parts = np.zeros((count, width, width))
    np.add.at(parts, codes, information)
    whole = parts.sum(axis=0)
    root = np.linalg.cholesky(whole)
    inverse_root = np.linalg.inv(root)
    shares = inverse_root @ parts @ inverse_root.T
    values, vectors = np.linalg.eigh(np.eye(width) - shares)
    # a direction that one batch alone determines has no residual left: it adds nothing, as in CR2
    scale = np.where(values > 1e-8, 1.0 / np.sqrt(np.maximum(values, 1e-8)), 0.0)
    turned = np.einsum("gij,gi->gj", vectors, summed @ inverse_root.T)
    lengthened = np.einsum("gij,gj->gi", vectors, scale * turned)
    half = lengthened @ inverse_root
    result: Array = half.T @ half
    return result


def design_effect(contrast: Array, model: Array, robust: Array) -> float:
    """Return robust over model variance of a contrast, never below 1.

    Below 1 would let batches that happen to agree claim more than as many independent pieces could.
    """
    return max(1.0, float(contrast @ robust @ contrast) / float(contrast @ model @ contrast))


def joint_design_effect(columns: NDArray[np.intp], model: Array, robust: Array) -> float:
    """Return the mean generalised design effect of several coefficients, never below 1.

    The first-order correction of J. N. K. Rao and A. J. Scott (1981), J. Am. Stat. Assoc. 76, 221:
    trace(V_model^-1 V_robust) / q (from memory, not seen).
    """
    block = np.ix_(columns, columns)
    ratio = np.linalg.solve(model[block], robust[block])
    return max(1.0, float(np.diag(ratio).sum()) / len(columns))
