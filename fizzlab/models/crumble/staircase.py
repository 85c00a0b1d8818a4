"""The classical pencil-and-paper estimate of an up-and-down sequence."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from fizzlab.errors import CannotAnswer


@dataclass(frozen=True)
class DixonMood:
    """Dixon and Mood's estimate.

    Parameters
    ----------
    mean, sd : float
        Of the breaking heights, in the unit of the heights given (take logarithms first for a log scale).
    counted : {"broke", "held"}
        The rarer outcome, on which the estimate rests.
    n, a, b : int
        Its count, and the sums of i n_i and i^2 n_i over the steps i above its lowest height.
    spread_index : float
        (n b - a^2) / n^2.
    sd_stands : bool
        Is `spread_index` above 0.3? Below, the formula fails and `sd` is the stand-in 0.53 steps.
    step : float
    """

    mean: float
    sd: float
    counted: str
    n: int
    a: int
    b: int
    spread_index: float
    sd_stands: bool
    step: float


def dixon_mood(heights: Sequence[float], broke: Sequence[bool], step: float | None = None) -> DixonMood:
    """Return the classical estimate of an up-and-down sequence with equal steps.

    With the rarer outcome counted at i = 0, 1, ... steps above its lowest height h0, A = sum i n_i and
    B = sum i^2 n_i:

        mean = h0 + d (A/N - 1/2) if breaks are counted, + 1/2 if holds are
        sd = 1.620 d ((N B - A^2)/N^2 + 0.029), or 0.53 d where the bracket's first part is below 0.3

    It is kept for checking against published sequences; `drop_heights` gives the maximum-likelihood answer
    with an interval, and takes batches into account.

    Parameters
    ----------
    heights : sequence of float
        In the order of dropping.
    broke : sequence of bool
    step : float, optional
        The difference of neighbouring heights; found from the heights where it is not given.

    Raises
    ------
    CannotAnswer
        Heights that are not equal steps apart, or only one outcome.

    References
    ----------
    W. J. Dixon and A. M. Mood (1948), J. Am. Stat. Assoc. 43, 109 (seen as the formula in later papers).

    Examples
    --------
    >>> found = dixon_mood([30, 40, 30, 40, 50, 40], [False, True, False, False, True, False])
    >>> found.mean, found.counted, found.sd_stands
    (40.0, 'broke', False)
    """
    at, outcome = np.asarray(heights, float), np.asarray(broke, bool)
    if at.shape != outcome.shape:
        raise ValueError("heights and outcomes must be of one length")
    if outcome.all() or not outcome.any():
        raise CannotAnswer(
            "All drops ended alike.", "Go on until some pieces break and some hold at neighbouring heights."
        )
    apart = np.diff(np.unique(at))
    size = float(apart.min()) if step is None and len(apart) else step
    if not size or size <= 0:
        raise CannotAnswer(
            "Every piece was dropped from the same height.", "Move by one step after each drop."
        )
    if not np.allclose(np.round((at - at.min()) / size), (at - at.min()) / size, atol=1e-6):
        raise CannotAnswer(
            "The heights are not equal steps apart, which the classical estimate needs.",
            "Use the maximum-likelihood estimate, which takes any heights.",
        )
    counted = outcome if outcome.sum() <= (~outcome).sum() else ~outcome
    lowest = float(at[counted].min())
    steps = np.round((at[counted] - lowest) / size).astype(int)
    n, a, b = len(steps), int(steps.sum()), int((steps**2).sum())
    index = (n * b - a**2) / n**2
    breaks = bool(counted is outcome)
    mean = lowest + size * (a / n + (-0.5 if breaks else 0.5))
    stands = index > 0.3
    sd = 1.620 * size * (index + 0.029) if stands else 0.53 * size
    return DixonMood(mean, sd, "broke" if breaks else "held", n, a, b, index, stands, size)


def is_up_and_down(heights: Sequence[float], broke: Sequence[bool]) -> bool:
    """Did each drop follow the rule: down one step after a break, up one step after a hold?

    Steps must be equal in height or, within a hundredth, in ratio.

    Examples
    --------
    >>> is_up_and_down([30, 40, 30, 40], [False, True, False, True])
    True
    >>> is_up_and_down([30, 40, 50, 60], [False, True, False, True])
    False
    """
    at, outcome = np.asarray(heights, float), np.asarray(broke, bool)
    if len(at) < 2:
        return False
    down = outcome[:-1]

    def follows(moves: np.ndarray) -> bool:
        sizes = np.abs(moves)
        return bool(
            (moves[down] < 0).all() and (moves[~down] > 0).all() and np.allclose(sizes, sizes[0], rtol=0.01)
        )

    return follows(np.diff(at)) or (bool((at > 0).all()) and follows(np.diff(np.log(at))))
