"""When to look: the hours at which touch checks lose least of what exactly known dry times would tell.

Let the log dry time of a piece be normal about mu with standard deviation s. Looks at t_1 < ... < t_N put it
into one of N + 1 brackets, and the Fisher information on mu that is left is

    I(mu) = sum over brackets of (phi(u_k) - phi(u_{k+1}))^2 / (Phi(u_{k+1}) - Phi(u_k)),

u_k = (log t_k - mu)/s, in units of 1/s^2, what an exactly known time would tell: so I is the share kept. It
is also one less the least squared error with which groups can stand for a normal variate (D. R. Cox, "Note on
grouping", JASA 52 (1957) 543-547; only its abstract was seen). Where the usual dry time is known only to lie
between two hours, mu is taken as equally likely all over that range of log time, and I(mu) is averaged.

The sum runs over pairs of neighbouring looks, so the best N hours among those allowed are found exactly, as a
shortest path, however the night cuts into them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from fizzlab.errors import CannotAnswer

Array = NDArray[np.float64]
_CENTRES = 81


@dataclass(frozen=True)
class Schedule:
    """When to look, and what that keeps.

    Attributes
    ----------
    looks_h : tuple of float
        Hours after making.
    kept : float
        Share kept of the information of exactly known times, averaged over the range of usual dry times.
    least_kept : float
        The same for the usual dry time in the range for which these looks are worst.
    unrestricted : float
        Average share that as many looks would keep if any hour were allowed.
    """

    looks_h: tuple[float, ...]
    kept: float
    least_kept: float
    unrestricted: float


def equal_ratio_looks(low_h: float, high_h: float, looks: int) -> tuple[float, ...]:
    """Looks in equal ratios strictly between two hours: t_k = low (high/low)^(k/(N+1)).

    If it were certain that pieces become dry between the two hours and every log time were equally likely,
    these would be best: the expected variance within brackets, sum w_k^3 / (12 sum w_k) for widths w_k on the
    log scale, is least for equal w_k, and is then 1/(N+1)^2 of the variance without looks.

    Examples
    --------
    >>> [round(hour, 2) for hour in equal_ratio_looks(2, 16, 2)]
    [4.0, 8.0]
    """
    _check_range(low_h, high_h)
    if looks < 1:
        raise ValueError("at least one look is needed")
    steps = np.arange(1, looks + 1) / (looks + 1)
    return tuple(float(hour) for hour in low_h * (high_h / low_h) ** steps)


def information_kept(
    looks_h: Sequence[float] | Array, usual_h: float | Sequence[float] | Array, spread: float
) -> Array:
    """Share of the information of exactly known dry times that looks keep.

    Parameters
    ----------
    looks_h : sequence of float
        Hours, rising.
    usual_h : float or array
        Median dry time in hours.
    spread : float
        Standard deviation s of log dry time about it.

    Returns
    -------
    array
        One share for each usual dry time.

    Examples
    --------
    >>> information_kept([6.0], 6.0, 0.2).round(4).tolist()   # one look at the middle keeps 2/pi
    [0.6366]
    """
    _check_spread(spread)
    hours = np.asarray(looks_h, float)
    if not len(hours) or (hours <= 0).any() or (np.diff(hours) <= 0).any() or not np.isfinite(hours).all():
        raise ValueError("looks must be hours above 0 that go up")
    looks = np.log(hours)
    middle = np.log(np.atleast_1d(np.asarray(usual_h, float)))
    ends = np.concatenate([[-np.inf], looks, [np.inf]])
    u = (ends[:, None] - middle) / spread
    return np.asarray(_pieces(u[:-1], u[1:]).sum(axis=0))


def schedule_looks(
    low_h: float,
    high_h: float,
    looks: int,
    spread: float,
    *,
    every_min: int = 15,
    made_at: float | None = None,
    awake: tuple[float, float] = (7.0, 23.0),
) -> Schedule:
    """The hours at which to look so that least is lost, for a usual dry time between two hours.

    Parameters
    ----------
    low_h, high_h : float
        Range of the usual dry time; the same twice where it is known.
    looks : int
        How many.
    spread : float
        Standard deviation of log dry time of a piece about the usual one: sqrt(pieces² + batches²).
    every_min : int
        Looks fall on multiples of so many minutes after making.
    made_at : float, optional
        Clock hour of making; then looks fall only between the two hours of `awake`.
    awake : (float, float)
        Clock hours, the first below the second.

    Returns
    -------
    Schedule

    Raises
    ------
    CannotAnswer
        Fewer allowed hours than looks.

    Examples
    --------
    >>> found = schedule_looks(2, 14, 6, spread=0.2)
    >>> found.looks_h, round(found.kept, 2)
    ((2.25, 3.25, 4.5, 6.25, 8.75, 12.25), 0.78)
    """
    _check_range(low_h, high_h, equal=True)
    _check_spread(spread)
    if looks < 1 or every_min < 1:
        raise ValueError("at least one look is needed, and a step of at least a minute")
    low, high = np.log(low_h), np.log(high_h)
    step = every_min / 60
    first, last = low_h * np.exp(-2.5 * spread), high_h * np.exp(2.5 * spread)
    hours = step * np.arange(max(1, np.floor(first / step)), np.ceil(last / step) + 1)
    hours = np.round(hours[hours > 0], 10)
    free = _best(np.exp(np.linspace(np.log(first), np.log(last), 240)), looks, low, high, spread)
    if made_at is not None:
        start, end = awake
        if not (0 <= start < end <= 24):
            raise ValueError("awake must be two clock hours, the first below the second")
        clock = np.mod(made_at + hours, 24)
        hours = hours[(clock >= start - 1e-9) & (clock <= end + 1e-9)]
    if len(hours) < looks:
        raise CannotAnswer(
            f"Only {len(hours)} moments are left for {looks} looks.",
            "Allow looks at a finer step, or at more hours of the day.",
        )
    chosen = _best(hours, looks, low, high, spread)
    everywhere = np.exp(np.linspace(low, high, _CENTRES)) if high > low else np.array([low_h])
    shares = information_kept(chosen, everywhere, spread)
    ideal = information_kept(free, everywhere, spread)
    return Schedule(
        tuple(float(hour) for hour in chosen), float(shares.mean()), float(shares.min()), float(ideal.mean())
    )


def _best(hours: Array, looks: int, low: float, high: float, spread: float) -> Array:
    """The best so many of the hours: a longest path over neighbouring looks."""
    centres = np.linspace(low, high, _CENTRES) if high > low else np.array([low])
    ends = np.concatenate([[-np.inf], np.log(hours), [np.inf]])
    u = (ends[:, None] - centres) / spread
    size = len(ends)
    gain = np.full((size, size), -np.inf)
    for i in range(size - 1):
        gain[i, i + 1 :] = _pieces(u[i], u[i + 1 :]).mean(axis=1)
    value = gain[0].copy()
    came: list[NDArray[np.int64]] = []
    for _ in range(looks):
        step = value[:, None] + gain
        step[:, 0] = -np.inf
        best = np.argmax(step, axis=0)
        # the last bracket is closed by "never": keep it for the end
        came.append(best)
        value = step[best, np.arange(size)]
    at = size - 1
    chosen = []
    for best in reversed(came):
        at = int(best[at])
        chosen.append(at)
    return np.asarray(hours[np.array(chosen[::-1]) - 1])


def _pieces(u: Array, v: Array) -> Array:
    """(phi(u) - phi(v))^2 / (Phi(v) - Phi(u)): the information in the bracket from u to v."""
    u, v = np.broadcast_arrays(np.asarray(u, float), np.asarray(v, float))
    with np.errstate(over="ignore", invalid="ignore"):
        rise = (np.exp(-0.5 * u**2) - np.exp(-0.5 * v**2)) / np.sqrt(2 * np.pi)
    flip = u > 0
    chance = np.where(flip, ndtr(-u) - ndtr(-v), ndtr(v) - ndtr(u))
    return np.asarray(np.divide(rise**2, chance, out=np.zeros_like(rise), where=chance > 1e-14))


def _check_range(low_h: float, high_h: float, equal: bool = False) -> None:
    if not (np.isfinite(high_h) and 0 < low_h <= high_h) or (low_h == high_h and not equal):
        raise ValueError("the dry time must lie between two hours above 0, the first below the second")


def _check_spread(spread: float) -> None:
    if not (np.isfinite(spread) and spread > 0):
        raise ValueError("the spread must be above 0")
