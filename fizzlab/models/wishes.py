"""What a good batch is: limits that must be kept, and wishes that may be granted in part.

Reading trial.toml checks limits and wishes by these classes, so nothing heavy is imported here.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Want = Literal["less", "more", "near"]


@dataclass(frozen=True)
class Limit:
    """What a response must keep to: at least this, at most that, in its unit; one of them is needed.

    Examples
    --------
    >>> Limit("hours", at_most=24).met(np.array([20.0, 24.0, 30.0])).tolist()
    [True, True, False]
    """

    response: str
    at_least: float | None = None
    at_most: float | None = None

    def __post_init__(self) -> None:
        if self.at_least is None and self.at_most is None:
            raise ValueError(f"a limit on {self.response} needs at_least or at_most")
        if self.at_least is not None and self.at_most is not None and self.at_least >= self.at_most:
            raise ValueError(f"the limits on {self.response} leave nothing between them")

    @property
    def ends(self) -> tuple[float, float]:
        """The limits, infinite where there is none."""
        low = -np.inf if self.at_least is None else self.at_least
        high = np.inf if self.at_most is None else self.at_most
        return float(low), float(high)

    def met(self, values: Array) -> NDArray[np.bool_]:
        """Which values keep to it; a value on the limit does."""
        low, high = self.ends
        return (values >= low) & (values <= high)


@dataclass(frozen=True)
class Wish:
    """What a response should be like, from worthless (0) to all that one could want (1).

    Parameters
    ----------
    best : float
        Where the wish is granted in full; going further earns nothing.
    worst : float or (float, float)
        Where it is worth nothing. For "near", below and above `best`.
    shape : float
        1 is a straight line; above 1 only the neighbourhood of `best` counts, below 1 anything better than
        `worst` nearly does.
    weight : float
        How much it counts among the wishes.
    """

    response: str
    want: Want
    best: float
    worst: float | tuple[float, float]
    shape: float = 1.0
    weight: float = 1.0

    def __post_init__(self) -> None:
        if self.want not in ("less", "more", "near"):
            raise ValueError('want must be "less", "more" or "near"')
        if (self.want == "near") != isinstance(self.worst, tuple):
            raise ValueError(f"{self.response}: worst must be two numbers for near, and one otherwise")
        low, high = self.bounds
        if not low < self.best < high:
            raise ValueError(f"{self.response}: worst and best are the wrong way round")
        if self.shape <= 0 or self.weight <= 0:
            raise ValueError(f"{self.response}: shape and weight must be above zero")

    @property
    def bounds(self) -> tuple[float, float]:
        """Where the wish is worth nothing, below and above; infinite where it never is."""
        if isinstance(self.worst, tuple):
            return float(self.worst[0]), float(self.worst[1])
        return (-np.inf, float(self.worst)) if self.want == "less" else (float(self.worst), np.inf)

    def granted(self, values: Sequence[float] | Array) -> Array:
        """How far each value grants the wish, 0 to 1.

        Notes
        -----
        ((y - worst) / (best - worst))^shape between the two, 0 beyond worst and 1 beyond best (G. Derringer,
        R. Suich, J. Quality Technology 12 (1980) 214-219).

        Examples
        --------
        >>> Wish("hours", "less", best=12, worst=36).granted([10, 24, 40]).tolist()
        [1.0, 0.5, 0.0]
        """
        y = np.asarray(values, float)
        below, above = np.ones_like(y), np.ones_like(y)
        low, high = self.bounds
        if np.isfinite(low):
            below = np.clip((y - low) / (self.best - low), 0, 1) ** self.shape
        if np.isfinite(high):
            above = np.clip((high - y) / (high - self.best), 0, 1) ** self.shape
        return np.asarray(below * above)


def overall(wishes: Sequence[Wish], values: Mapping[str, Sequence[float] | Array]) -> Array:
    """How far all wishes are granted together: the weighted geometric mean, (prod d_i^w_i)^(1 / sum w_i).

    Returns
    -------
    array of that shape
        0 as soon as one wish is worth nothing: no dry time makes up for a piece that falls to powder.

    Examples
    --------
    >>> wishes = [Wish("hours", "less", 12, 36), Wish("loss", "less", 0, 8, weight=3)]
    >>> overall(wishes, {"hours": [24.0, 24.0], "loss": [2.0, 9.0]}).round(3).tolist()
    [0.678, 0.0]
    """
    total = sum(wish.weight for wish in wishes)
    parts = [wish.granted(values[wish.response]) ** (wish.weight / total) for wish in wishes]
    return np.asarray(np.prod(parts, axis=0))
