"""Tables of the likelihood of a batch's touch checks, so that thousands of trials need no integrals.

In a plan every batch is looked at on the same schedule, so there are few different outcomes: "two pieces
dry between 4 and 6 h, two between 6 and 8 h". For each outcome u,

    log M_u(mu; sigma, tau) = log of the integral of N(b; 0, tau^2) times the product over pieces of
                              Phi((log upper - mu - b) / sigma) - Phi((log lower - mu - b) / sigma)

is tabulated once over the batch's location mu and both spreads, and read off by polynomials.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray
from scipy.special import log_ndtr

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

SIGMA_STEP, SIGMA_BELOW, SIGMA_ABOVE = 0.3, 5, 3  # log sigma from -1.5 to +0.9 about the one assumed
TAU_STEPS = 24
_FLOOR = 1e-290


@dataclass(frozen=True)
class Tables:
    """log M of every outcome on a grid; made by `tabulate`.

    Attributes
    ----------
    values : array, shape (outcomes, sigmas, taus, places)
    centre : array, one entry an outcome
        Location of the middle place.
    step : float
        Distance of places.
    log_sigma : float
        Of the first sigma; the others follow in steps of SIGMA_STEP.
    sigmas, taus, places : int
    tau_step : float
        The first tau is 0.
    """

    values: Array
    centre: Array
    step: float
    log_sigma: float
    tau_step: float

    @property
    def log_sigma_range(self) -> tuple[float, float]:
        """Least and greatest log sigma."""
        return self.log_sigma, self.log_sigma + SIGMA_STEP * (self.values.shape[1] - 1)

    @property
    def tau_max(self) -> float:
        """Greatest tau."""
        return float(self.tau_step * (self.values.shape[2] - 1))

    def at(self, outcome: Ints, mu: Array, log_sigma: Array, tau: Array) -> tuple[Array, Array, Array]:
        """log M, its slope by mu and minus its second derivative.

        Parameters
        ----------
        outcome : array of int, shape (trials, batches)
        mu : array, shape (trials, batches)
        log_sigma, tau : arrays, shape (trials,)
            Within their ranges; tau may be negative (log M is even in it).
        """
        _, sigmas, taus, places = self.values.shape
        at_sigma, by_sigma = _cubic((log_sigma - self.log_sigma) / SIGMA_STEP, sigmas)
        at_tau, by_tau = _cubic_even(np.abs(tau) / self.tau_step, taus)
        plane = ((at_sigma * taus)[:, :, None] + at_tau[:, None, :]).reshape(len(tau), -1)
        by_plane = (by_sigma[:, :, None] * by_tau[:, None, :]).reshape(len(tau), -1)
        place = (mu - self.centre[outcome]) / self.step + (places - 1) / 2
        nearest = np.clip(np.rint(place).astype(np.int64), 2, places - 3)
        weights = _quartic(place - nearest)
        start = outcome * (sigmas * taus * places) + nearest - 2
        fives = sliding_window_view(self.values.ravel(), 5)
        found = np.zeros((*mu.shape, 5))
        for column in range(plane.shape[1]):
            part = fives[start + (plane[:, column] * places)[:, None]]
            part *= by_plane[:, column][:, None, None]
            found += part
        value, slope, bend = ((found * each).sum(axis=2) for each in weights)
        return value, slope / self.step, -bend / self.step**2


def _cubic(x: Array, size: int) -> tuple[Ints, Array]:
    """Four nodes around x and their Lagrange weights; nodes shift inwards at the ends."""
    first = np.clip(np.floor(x).astype(np.int64) - 1, 0, size - 4)
    return first[:, None] + np.arange(4), _lagrange(x - first)


def _cubic_even(x: Array, size: int) -> tuple[Ints, Array]:
    """The same, mirrored at 0."""
    first = np.minimum(np.floor(x).astype(np.int64) - 1, size - 4)
    return np.abs(first[:, None] + np.arange(4)), _lagrange(x - first)


def _lagrange(t: Array) -> Array:
    """Weights of nodes 0, 1, 2, 3 at t."""
    a, b, c, d = t, t - 1, t - 2, t - 3
    return np.stack([-b * c * d / 6, a * c * d / 2, -a * b * d / 2, a * b * c / 6], axis=-1)


def _quartic(t: Array) -> tuple[Array, Array, Array]:
    """Weights of nodes -2 ... 2 at t for value, slope and second derivative."""
    t2 = t * t
    value = [
        t * (t2 - 1) * (t - 2) / 24,
        -t * (t - 1) * (t2 - 4) / 6,
        (t2 - 1) * (t2 - 4) / 4,
        -t * (t + 1) * (t2 - 4) / 6,
        t * (t2 - 1) * (t + 2) / 24,
    ]
    slope = [
        (4 * t * t2 - 6 * t2 - 2 * t + 2) / 24,
        -(4 * t * t2 - 3 * t2 - 8 * t + 4) / 6,
        (4 * t * t2 - 10 * t) / 4,
        -(4 * t * t2 + 3 * t2 - 8 * t - 4) / 6,
        (4 * t * t2 + 6 * t2 - 2 * t - 2) / 24,
    ]
    second = [
        (12 * t2 - 12 * t - 2) / 24,
        -(12 * t2 - 6 * t - 8) / 6,
        (12 * t2 - 10) / 4,
        -(12 * t2 + 6 * t - 8) / 6,
        (12 * t2 + 12 * t - 2) / 24,
    ]
    return np.stack(value, axis=-1), np.stack(slope, axis=-1), np.stack(second, axis=-1)


def tabulate(lower: Array, upper: Array, counts: Array, sigma: float, tau: float, reach: float) -> Tables:
    """Tabulate log M of every outcome.

    Parameters
    ----------
    lower, upper : arrays, one entry a kind of bracket
        Logarithms of its ends; -inf and inf where open.
    counts : array, shape (outcomes, kinds)
        Pieces of the batch with each kind.
    sigma, tau : float
        Spreads assumed: the grid is laid around them.
    reach : float
        How far from an outcome's own middle its location may be asked for.
    """
    pieces = float(counts.sum(axis=1).max())
    log_sigma = np.log(sigma) + SIGMA_STEP * np.arange(-SIGMA_BELOW, SIGMA_ABOVE + 1)
    widest = 3.2 * np.hypot(tau, sigma)
    taus: Array = np.linspace(
        0.0, widest, max(TAU_STEPS, int(np.ceil(widest * np.sqrt(pieces) / sigma / 1.2)))
    )
    step = 0.3 * float(np.exp(log_sigma[0] + 0.3))
    window, margin = int(np.ceil(reach / step)), int(np.ceil(4.5 * widest / step))
    middle = _middles(lower, upper, counts)
    first = middle.min() - (window + margin + 1) * step
    base = np.rint((middle - first) / step).astype(np.int64)
    grid = first + step * np.arange(int(base.max()) + window + margin + 1)
    apart = float(step) * (
        np.arange(-window - margin, window + margin + 1)[None, :] - np.arange(-window, window + 1)[:, None]
    )
    kernels = np.stack([_kernel(apart, float(each)) for each in taus])
    span = np.arange(-window - margin, window + margin + 1)
    values = np.empty((len(counts), len(log_sigma), len(taus), 2 * window + 1))
    for s, each in enumerate(np.exp(log_sigma)):
        log_l = counts @ _log_between((lower[:, None] - grid) / each, (upper[:, None] - grid) / each)
        inner = np.take_along_axis(log_l, base[:, None] + span, axis=1)
        top = inner.max(axis=1, keepdims=True)
        shape = np.exp(inner - top)
        for j, kernel in enumerate(kernels):
            values[:, s, j] = np.log(np.maximum(shape @ kernel.T, _FLOOR)) + top
        # without a batch effect nothing is integrated: keep the digits of the far tails
        values[:, s, 0] = inner[:, margin : margin + 2 * window + 1]
    return Tables(values, grid[base], step, float(log_sigma[0]), float(taus[1]))


def _middles(lower: Array, upper: Array, counts: Array) -> Array:
    ends = np.where(np.isneginf(lower), upper, np.where(np.isposinf(upper), lower, (lower + upper) / 2))
    size = counts.sum(axis=1)
    middle = counts @ ends / np.maximum(size, 1.0)
    middle[size == 0] = middle[size > 0].mean()  # nobody looked: anywhere will do
    return np.asarray(middle)


def _kernel(apart: NDArray[np.floating], tau: float) -> Array:
    """Normal weights, scaled to sum to 1."""
    if tau == 0:
        return np.asarray(np.abs(apart) < 1e-9, dtype=np.float64)
    weight = np.exp(-0.5 * (apart / tau) ** 2)
    return np.asarray(weight / weight.sum(axis=1, keepdims=True), dtype=np.float64)


def _log_between(u: Array, v: Array) -> Array:
    """log(Phi(v) - Phi(u)) with digits in both tails."""
    flip = u + v > 0
    high = log_ndtr(np.where(flip, -u, v))
    low = log_ndtr(np.where(flip, -v, u))
    return np.asarray(high + np.log(-np.expm1(np.minimum(low - high, -1e-300))))
