"""When to look: the hours at which touch checks lose least of what exactly known dry times would tell.

Let the log dry time of a piece be normal about mu with standard deviation s. Looks at t_1 < ... < t_N put it
into one of N + 1 brackets, and the Fisher information on mu that is left is

    I(mu) = sum over brackets of (phi(u_k) - phi(u_{k+1}))^2 / (Phi(u_{k+1}) - Phi(u_k)),

u_k = (log t_k - mu)/s, in units of 1/s^2, what an exactly known time would tell: so I is the share kept. (It
is one less the least squared error with which groups can stand for a normal variate: D. R. Cox, JASA 52
(1957) 543-547; only its abstract was seen.) Where the usual dry time is known only to lie between two hours,
mu is taken as equally likely all over that range of log time, and I(mu) is averaged.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


def information_kept(looks_h: Sequence[float] | Array, usual_h: float | Array, spread: float) -> Array:
    """Share of the information of exact dry times, with standard deviation `spread`, that looks keep."""
    hours = np.asarray(looks_h, float)
    if not len(hours) or (hours <= 0).any() or (np.diff(hours) <= 0).any() or not spread > 0:
        raise ValueError("looks must be hours above 0 that go up, and the spread above 0")
    u = _standardised(hours, np.atleast_1d(np.asarray(usual_h, float)), spread)
    return np.asarray(_told(u[:-1], u[1:]).sum(axis=0))


def best_looks(
    low_h: float, high_h: float, looks: int, spread: float, every_min: int = 15
) -> tuple[float, ...]:
    """The hours, of every so many minutes, at which to look for a usual dry time between two hours.

    The information is a sum over pairs of neighbouring looks, so the best are found exactly, as a longest
    path.

    Examples
    --------
    >>> best_looks(2, 14, 6, spread=0.2)
    (2.25, 3.25, 4.5, 6.25, 8.75, 12.25)
    """
    if not (0 < low_h <= high_h < np.inf and spread > 0 and looks >= 1):
        raise ValueError(
            "it needs a look, a spread above 0, and two hours above 0, the first not the greater"
        )
    step = every_min / 60
    first, last = low_h * np.exp(-2.5 * spread), high_h * np.exp(2.5 * spread)
    hours = step * np.arange(max(1, np.floor(first / step)), np.ceil(last / step) + 1)
    if len(hours) < looks:
        raise ValueError(f"only {len(hours)} moments are left for {looks} looks")
    u = _standardised(hours, np.geomspace(low_h, high_h, 81), spread)
    gain = np.full((len(u), len(u)), -np.inf)
    for place in range(len(u) - 1):
        gain[place, place + 1 :] = _told(u[place], u[place + 1 :]).mean(axis=1)
    value, came = gain[0], []
    for _ in range(looks):
        path = value[1:, None] + gain[1:]
        came.append(1 + path.argmax(axis=0))
        value = path.max(axis=0)
    at, chosen = len(u) - 1, []
    for best in reversed(came):
        at = int(best[at])
        chosen.append(float(round(hours[at - 1], 10)))
    return tuple(reversed(chosen))


def _standardised(hours: Array, usual: Array, spread: float) -> Array:
    """u of each look (rows, with the ends of time) for each usual dry time (columns)."""
    ends = np.concatenate([[-np.inf], np.log(hours), [np.inf]])
    return np.asarray((ends[:, None] - np.log(usual)) / spread)


def _told(u: Array, v: Array) -> Array:
    """(phi(u) - phi(v))^2 / (Phi(v) - Phi(u)): the information in the bracket from u to v."""
    from scipy.special import ndtr

    u, v = np.broadcast_arrays(u, v)
    rise = (np.exp(-0.5 * u**2) - np.exp(-0.5 * v**2)) / np.sqrt(2 * np.pi)
    chance = np.where(u > 0, ndtr(-u) - ndtr(-v), ndtr(v) - ndtr(u))
    return np.asarray(np.divide(rise**2, chance, out=np.zeros_like(rise), where=chance > 1e-14))
