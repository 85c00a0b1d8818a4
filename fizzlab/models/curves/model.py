"""What a curve is: its formula, its parameters with their bounds, and where to start looking."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]

_STEP = float(np.finfo(float).eps) ** (1 / 3)  # best step of a central difference


@dataclass(frozen=True)
class Parameter:
    """One unknown of a curve.

    Parameters
    ----------
    name : str
    words : str
        What it means, as the maker would say it.
    unit : str
    lower, upper : float
        Bounds, included; infinite where there is none.
    linear : bool
        Whether the curve is a straight-line function of this parameter, the others held. Such a
        parameter is solved for exactly at every step, so its start hardly matters.
    """

    name: str
    words: str = ""
    unit: str = ""
    lower: float = -np.inf
    upper: float = np.inf
    linear: bool = False

    def __post_init__(self) -> None:
        if not self.lower < self.upper:
            raise ValueError(f"the lower bound of {self.name} is not below its upper bound")


@dataclass(frozen=True)
class CurveModel:
    """A curve to be fitted: y = f(x; parameters).

    Parameters
    ----------
    name : str
    words : str
        What the curve says, as the maker would say it.
    parameters : sequence of Parameter
    f : callable(x, p) -> y
        The formula, from NumPy operations that work element by element: `p[0]`, `p[1]`, ... are the
        parameters, as numbers or as columns of shape (curves, 1), and the result has the shape that
        `x` and they give together. With k predictors `x` has shape (k, n).
    jacobian : callable(x, p) -> sequence of arrays, optional
        Derivative of `f` by each parameter, in order, each broadcastable to the shape of `f`. Where it
        is not given, central differences are used: slower, and safe enough for six digits.
    starts : callable(x, y) -> rows of starting values, optional
        Where to start, from the readings of one curve; several rows are all tried.

    Examples
    --------
    >>> line = CurveModel(
    ...     "growth", "grows by the same share each hour",
    ...     (Parameter("start", linear=True), Parameter("rate", unit="1/h")),
    ...     f=lambda x, p: p[0] * np.exp(p[1] * x),
    ... )
    >>> line([0.0, 1.0], [2.0, 0.0])
    array([2., 2.])
    """

    name: str
    words: str
    parameters: tuple[Parameter, ...]
    f: Callable[..., ArrayLike]
    jacobian: Callable[..., Sequence[ArrayLike]] | None = None
    starts: Callable[[Array, Array], ArrayLike] | None = None

    def __post_init__(self) -> None:
        object.__setattr__(self, "parameters", tuple(self.parameters))
        if not self.parameters:
            raise ValueError(f"{self.name} has no parameters")
        if len(set(self.names)) < len(self.names):
            raise ValueError(f"two parameters of {self.name} have the same name")

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the parameters, in order."""
        return tuple(parameter.name for parameter in self.parameters)

    @property
    def lower(self) -> Array:
        """Lower bounds, in order."""
        return np.array([parameter.lower for parameter in self.parameters], float)

    @property
    def upper(self) -> Array:
        """Upper bounds, in order."""
        return np.array([parameter.upper for parameter in self.parameters], float)

    @property
    def linear(self) -> tuple[int, ...]:
        """Positions of the parameters that enter linearly."""
        return tuple(k for k, parameter in enumerate(self.parameters) if parameter.linear)

    def __call__(self, x: ArrayLike, values: ArrayLike) -> Array:
        """Return the curve at `x` for one set of parameter values."""
        return np.asarray(self.f(np.asarray(x, float), np.asarray(values, float)), float)

    def slopes(self, x: ArrayLike, theta: Array, shape: tuple[int, int], typical: Array) -> Array:
        """Return the derivatives for many sets of values at once, shape (*shape, parameters).

        Parameters
        ----------
        x : array
            One predictor shared by all curves, or one row a curve, or (predictors, n) for one curve.
        theta : array, shape (curves, parameters)
        shape : (curves, n)
        typical : array, shape (curves, parameters)
            Size of each parameter, for the step of a central difference where its value is near 0.
        """
        columns = theta.T[:, :, None]
        out = np.empty((*shape, theta.shape[1]))
        if self.jacobian is not None:
            derivatives = self.jacobian(x, columns)
            if len(derivatives) != theta.shape[1]:
                raise ValueError(f"the Jacobian of {self.name} does not have one entry a parameter")
            for k, derivative in enumerate(derivatives):
                out[:, :, k] = derivative
            return out
        step = _STEP * np.maximum(np.abs(theta), typical)
        for k in range(theta.shape[1]):
            up, down = columns.copy(), columns.copy()
            up[k, :, 0] = np.minimum(theta[:, k] + step[:, k], self.parameters[k].upper)
            down[k, :, 0] = np.maximum(theta[:, k] - step[:, k], self.parameters[k].lower)
            out[:, :, k] = (np.asarray(self.f(x, up)) - np.asarray(self.f(x, down))) / (up[k] - down[k])
        return out
