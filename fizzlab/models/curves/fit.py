"""Fit one curve, or many of the same kind at once."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy.stats import t as student
from scipy.stats.qmc import Halton

from fizzlab.errors import CannotAnswer
from fizzlab.models.curves.descent import (
    CONVERGED,
    NO_START,
    SINGULAR,
    STALLED,
    TOO_LONG,
    Array,
    Descent,
    Flags,
    Ints,
    descend,
)
from fizzlab.models.curves.model import CurveModel

WHY = {
    SINGULAR: "the readings cannot tell its parameters apart",
    TOO_LONG: "the search was still moving when it was stopped",
    STALLED: "the search stopped before it reached a lowest point",
    NO_START: "the curve has no finite value at its starting values",
}
_SPREAD = 1.5  # powers of ten either way over which starts are scattered
_SCATTERED = 32
SUSPECT = 0.9  # share of a level line's squares above which a fit may have come to rest in a flat place


@dataclass(frozen=True)
class Readings:
    """The readings of m curves with n places each, made ready for the engine.

    Attributes
    ----------
    x : array
        Shared, shape (n,) or (predictors, n); or one row a curve, shape (m, n).
    y, weight : arrays, shape (m, n)
        Readings, and the inverse of each one's relative standard deviation: 0 where there is none.
    own : bool
        Whether each curve has its own `x`.
    """

    x: Array
    y: Array
    weight: Array
    own: bool

    @property
    def counts(self) -> Ints:
        """Readings of each curve."""
        return np.asarray((self.weight > 0).sum(axis=1))

    @property
    def size(self) -> Array:
        """Largest weighted reading of each curve."""
        return np.asarray(np.abs(self.y * self.weight).max(axis=1))

    def at(self, rows: Ints) -> Array:
        """Return `x` for some of the curves."""
        return self.x[rows] if self.own else self.x


def weighted_residuals(model: CurveModel, readings: Readings) -> Callable[[Array, Ints], Array]:
    gaps = bool((readings.weight == 0).any())

    def residuals(theta: Array, rows: Ints) -> Array:
        weight = readings.weight[rows]
        r = weight * (readings.y[rows] - np.asarray(model.f(readings.at(rows), theta.T[:, :, None])))
        return np.where(weight > 0, r, 0.0) if gaps else r

    return residuals


def weighted_slopes(model: CurveModel, readings: Readings, typical: Array) -> Callable[[Array, Ints], Array]:
    gaps = bool((readings.weight == 0).any())

    def slopes(theta: Array, rows: Ints) -> Array:
        weight = readings.weight[rows]
        out = model.slopes(readings.at(rows), theta, weight.shape, typical[rows])
        out *= weight[:, :, None]
        if gaps:
            out[weight == 0] = 0.0
        return out

    return slopes


def typical_sizes(start: Array) -> Array:
    return np.where(start == 0, 1.0, 1e-3 * np.abs(start))


def run(model: CurveModel, readings: Readings, start: Array, separate: bool = True) -> Descent:
    return descend(
        weighted_residuals(model, readings),
        weighted_slopes(model, readings, typical_sizes(start)),
        start,
        model.lower,
        model.upper,
        readings.size,
        readings.counts.astype(float),
        model.linear if separate else (),
    )


@dataclass(frozen=True)
class CurveFit:
    """One fitted curve.

    Attributes
    ----------
    model : CurveModel
    x, y, relative_sd : arrays
        The readings, and the relative standard deviation of each (ones unless given).
    values, errors : arrays, one entry a parameter
        Estimates and their standard errors; nan for a parameter that ended on its bound.
    covariance : array
        Covariance of the estimates, sigma^2 (J'J)^-1 at the lowest point.
    rss : float
        (Weighted) residual sum of squares.
    dof : int
        Readings less parameters.
    sigma : float
        Residual standard deviation, sqrt(rss / dof), but no smaller than `resolution` / sqrt(12).
    aicc : float
        Akaike's criterion corrected for small samples, n log(rss/n) + 2k + 2k(k+1)/(n-k-1) with k =
        parameters + 1 (the residual variance counts as one); inf where n <= k + 1. Only differences
        between curves fitted to the same readings mean anything.
    converged : bool
        Always true: a fit that did not converge gives no `CurveFit`.
    steps : int
        Steps the search took.
    at_bound : tuple of str
        Parameters that ended on a bound.
    resolution : float
        Step of the instrument, in units of y.
    """

    model: CurveModel
    x: Array
    y: Array
    relative_sd: Array
    values: Array
    errors: Array
    covariance: Array
    rss: float
    dof: int
    sigma: float
    aicc: float
    converged: bool
    steps: int
    at_bound: tuple[str, ...]
    resolution: float = 0.0
    fitted: Array = field(repr=False, default_factory=lambda: np.empty(0))

    @property
    def parameters(self) -> dict[str, float]:
        """Estimates by name."""
        return dict(zip(self.model.names, self.values.tolist(), strict=True))

    @property
    def se(self) -> dict[str, float]:
        """Standard errors by name."""
        return dict(zip(self.model.names, self.errors.tolist(), strict=True))

    @property
    def n(self) -> int:
        """Number of readings."""
        return len(self.y)

    @property
    def residuals(self) -> Array:
        """Readings less fitted values, in units of y."""
        return self.y - self.fitted

    def __getitem__(self, name: str) -> float:
        return float(self.values[self.model.names.index(name)])

    def predict(self, x: ArrayLike) -> Array:
        """Return the fitted curve at other places."""
        return self.model(x, self.values)

    def table(self, level: float = 0.95) -> pd.DataFrame:
        """Return estimates, standard errors and approximate (straight-line) t intervals.

        `profile_interval` gives the better interval where the curve is strongly bent.
        """
        reach = float(student.ppf(0.5 + level / 2, self.dof)) * self.errors
        return pd.DataFrame(
            {
                "estimate": self.values,
                "se": self.errors,
                "low": self.values - reach,
                "high": self.values + reach,
                "unit": [parameter.unit for parameter in self.model.parameters],
            },
            index=pd.Index(self.model.names, name="parameter"),
        )

    def __str__(self) -> str:
        lines = [f"{self.model.name}: {self.model.words}".rstrip(": ")]
        width = max(map(len, self.model.names))
        for parameter, value, error in zip(self.model.parameters, self.values, self.errors, strict=True):
            doubt = "on its bound" if parameter.name in self.at_bound else f"se {error:.3g}"
            text = f"  {parameter.name:<{width}}  {value:.6g} {parameter.unit}".rstrip() + f"  ({doubt})"
            lines.append(text + (f"  {parameter.words}" if parameter.words else ""))
        lines.append(
            f"  {self.n} readings, {self.dof} degrees of freedom, residual sd {self.sigma:.3g}, "
            f"AICc {self.aicc:.2f}; converged in {self.steps} steps"
        )
        return "\n".join(lines)


def aicc(rss: float, n: int, parameters: int) -> float:
    """Return the small-sample Akaike criterion of a least-squares fit; inf where n is too small.

    C. M. Hurvich and C.-L. Tsai, "Regression and time series model selection in small samples",
    Biometrika 76 (1989), 297-307, with the residual variance counted among the parameters.

    Examples
    --------
    >>> round(aicc(2.0, n=10, parameters=2), 4)
    -6.0944
    """
    k = parameters + 1
    if n <= k + 1:
        return np.inf
    return float(n * np.log(max(rss, np.finfo(float).tiny) / n) + 2 * k + 2 * k * (k + 1) / (n - k - 1))


def _starts(model: CurveModel, x: Array, y: Array, start: ArrayLike | None) -> Array:
    if start is None:
        if model.starts is None:
            raise ValueError(f"{model.name} has no automatic starts; give `start`")
        start = model.starts(x, y)
    rows = np.atleast_2d(np.asarray(start, float))
    if rows.shape[1] != len(model.parameters):
        raise ValueError(f"a start of {model.name} needs {len(model.parameters)} values")
    return rows


def _scatter(model: CurveModel, start: Array) -> Array:
    """Return starts spread over decades either side of the first of `start`, always the same ones."""
    width = start.shape[1]
    unit = Halton(width, scramble=False).random(_SCATTERED + 1)[1:]
    factor = 10.0 ** (_SPREAD * (2 * unit - 1))
    base = np.where(start[0] == 0, 1.0, start[0])
    return np.asarray(np.clip(base * factor, model.lower, model.upper))


def _best(descent: Descent) -> int | None:
    done = np.where(descent.status == CONVERGED, descent.rss, np.inf)
    best = int(np.argmin(done))
    return best if np.isfinite(done[best]) else None


def share_of_level(rss: float, y: Array, relative: Array) -> float:
    """Return the residual sum of squares as a share of what a level line leaves."""
    weight = relative**-2.0
    level = float(np.sum(weight * (y - np.average(y, weights=weight)) ** 2))
    return float(rss / level) if level > 0 else 1.0


def fit_curve(
    model: CurveModel,
    x: ArrayLike,
    y: ArrayLike,
    *,
    sigma: ArrayLike | None = None,
    start: ArrayLike | None = None,
    resolution: float = 0.0,
) -> CurveFit:
    """Fit one curve by (weighted) least squares.

    All of the model's starts are tried and the lowest end is kept. Where none of them ends at a lowest
    point, they are tried again without solving for the linear parameters apart (which now and then
    leads into a corner), and then 32 more, spread over three powers of ten around the first. The 32 are
    also tried where a curve ended hardly better than a level line: a far start can come to rest where the
    curve is flat and says nothing.

    Parameters
    ----------
    model : CurveModel
    x : array, shape (n,) or (predictors, n)
    y : array, shape (n,)
    sigma : array, shape (n,), optional
        Relative standard deviation of each reading; only its proportions matter, since the residual
        variance is estimated.
    start : array, optional
        Starting values, or several rows of them, instead of the model's own.
    resolution : float
        Step of the instrument in units of y (0.1 for a scale that shows tenths of a gram). The residual
        standard deviation is never taken to be below that of rounding, step / sqrt(12), however well a
        few rounded readings happen to lie on the curve. Not together with `sigma`.

    Returns
    -------
    CurveFit

    Raises
    ------
    CannotAnswer
        Too few readings, no lowest point found, or none that is better than a level line.
    ValueError
        Arrays that do not fit together or hold missing values, or a model without starts.

    Examples
    --------
    >>> from fizzlab.models.curves import CurveModel, Parameter, fit_curve
    >>> decay = CurveModel(
    ...     "decay", "loses the same share each hour",
    ...     (Parameter("size", unit="g", linear=True), Parameter("rate", unit="1/h", lower=0)),
    ...     f=lambda x, p: p[0] * np.exp(-p[1] * x),
    ...     starts=lambda x, y: [y[0], 1 / x.mean()],
    ... )
    >>> fit = fit_curve(decay, [0, 1, 2, 3, 4], [10.1, 5.9, 3.8, 2.2, 1.3])
    >>> {name: round(value, 3) for name, value in fit.parameters.items()}
    {'size': 10.055, 'rate': 0.507}
    """
    x, y = np.asarray(x, float), np.asarray(y, float)
    relative = np.ones_like(y) if sigma is None else np.asarray(sigma, float)
    if y.ndim != 1 or x.shape[-1:] != y.shape or x.ndim > 2 or relative.shape != y.shape:
        raise ValueError("x, y and sigma must hold one entry a reading")
    if not (np.isfinite(x).all() and np.isfinite(y).all() and (relative > 0).all()):
        raise ValueError("x and y must be finite, and sigma positive")
    if resolution < 0 or (resolution and sigma is not None):
        raise ValueError("give a resolution of 0 or more, and not together with sigma")
    n, width = len(y), len(model.parameters)
    if n <= width:
        raise CannotAnswer(
            f"{n} readings are too few for the {model.name} curve, which has {width} unknowns.",
            f"Take at least {width + 1} readings, better {2 * width}.",
        )
    starts = _starts(model, x, y, start)

    def attempt(rows: Array, separate: bool = True) -> Descent:
        many = len(rows)
        readings = Readings(x, np.tile(y, (many, 1)), np.tile(1 / relative, (many, 1)), own=False)
        return run(model, readings, rows, separate)

    descent = attempt(starts)
    first = int(descent.status[0])
    best = _best(descent)
    if best is None and model.linear:
        descent = attempt(starts, separate=False)
        best = _best(descent)
    if best is None or share_of_level(descent.rss[best], y, relative) > SUSPECT:
        scattered = attempt(_scatter(model, starts))
        other = _best(scattered)
        if other is not None and (best is None or scattered.rss[other] < descent.rss[best]):
            descent, best = scattered, other
    if best is None:
        raise CannotAnswer(
            f"The {model.name} curve could not be fitted: {WHY[first]}.",
            "Look at the readings for a slip, and take more of them where the curve bends.",
        )
    if share_of_level(float(descent.rss[best]), y, relative) > 1 + 1e-6:
        raise CannotAnswer(
            f"No {model.name} curve was found that follows the readings better than a level line.",
            "Look at the readings for a slip, or describe them by another curve.",
        )
    return result(
        model,
        x,
        y,
        relative,
        descent.theta[best],
        descent.inverse[best],
        float(descent.rss[best]),
        descent.held[best],
        int(descent.steps[best]),
        resolution,
    )


def result(
    model: CurveModel,
    x: Array,
    y: Array,
    relative: Array,
    values: Array,
    inverse: Array,
    rss: float,
    held: Flags,
    steps: int,
    resolution: float,
) -> CurveFit:
    n, width = len(y), len(values)
    dof = n - width
    variance = max(rss / dof, resolution**2 / 12)
    covariance = variance * inverse
    return CurveFit(
        model=model,
        x=x,
        y=y,
        relative_sd=relative,
        values=values,
        errors=np.sqrt(np.diag(covariance)),
        covariance=covariance,
        rss=rss,
        dof=dof,
        sigma=float(np.sqrt(variance)),
        aicc=aicc(max(rss, n * resolution**2 / 12), n, width),
        converged=True,
        steps=steps,
        at_bound=tuple(name for name, on in zip(model.names, held, strict=True) if on),
        resolution=resolution,
        fitted=np.broadcast_to(model(x, values), y.shape),
    )
