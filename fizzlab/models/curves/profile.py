"""Profile-likelihood intervals: every value that the readings do not speak against."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike
from scipy.stats import f as fisher

from fizzlab.errors import CannotAnswer
from fizzlab.models.curves.descent import CONVERGED, Array, Ints, descend
from fizzlab.models.curves.fit import CurveFit, Readings, typical_sizes, weighted_residuals, weighted_slopes

Quantity = Callable[[Array], float]

_STEP = float(np.finfo(float).eps) ** (1 / 3)
_PULL = 10.0  # weight of the pull towards a value, in inverse standard errors
_DOUBLINGS = 14
_TOLERANCE = 1e-5  # of a descent; the sum of squares is then good to ten digits
_CLOSE = 1e-6  # how near the end of an interval is found, in standard errors


@dataclass(frozen=True)
class Interval:
    """A profile-likelihood interval.

    Attributes
    ----------
    name : str
    estimate, low, high : float
    level : float
    low_open, high_open : bool
        Whether that end is open: the readings do not rule out anything beyond it, up to the bound of
        a parameter (then `low` or `high` is the value there) or without end (then infinite).
    unit : str
    """

    name: str
    estimate: float
    low: float
    high: float
    level: float
    low_open: bool = False
    high_open: bool = False
    unit: str = ""

    @property
    def is_open(self) -> bool:
        """Whether either end is open."""
        return self.low_open or self.high_open

    def __str__(self) -> str:
        def end(value: float, is_open: bool) -> str:
            if not is_open:
                return f"{value:.4g}"
            return "no limit" if np.isinf(value) else f"{value:.4g} (bound, not shown by the readings)"

        low, high = end(self.low, self.low_open), end(self.high, self.high_open)
        unit = f" {self.unit}" if self.unit else ""
        return f"{self.name} {self.estimate:.4g}{unit}, {100 * self.level:.0f} % interval {low} to {high}"


@dataclass(frozen=True)
class _Point:
    target: float  # where the quantity was pulled to
    value: float  # where it came to rest
    theta: Array
    tau: float  # square root of what the sum of squares has grown by, in residual sd


class _Profile:
    """The lowest sum of squares for each value of a quantity."""

    def __init__(self, fit: CurveFit, quantity: Quantity) -> None:
        self.fit, self.quantity = fit, quantity
        model = fit.model
        self.readings = Readings(fit.x, fit.y[None, :], 1 / fit.relative_sd[None, :], own=False)
        self.typical = typical_sizes(fit.values[None, :])
        self.residuals = weighted_residuals(model, self.readings)
        self.slopes = weighted_slopes(model, self.readings, self.typical)
        self.lower, self.upper = model.lower, model.upper
        row = np.zeros(1, dtype=np.int64)
        with np.errstate(all="ignore"):
            full = self.slopes(fit.values[None, :], row)[0]
        scale = np.sqrt(np.einsum("nk,nk->k", full, full))
        scale[scale == 0] = 1.0
        self.spread = np.linalg.pinv(full / scale) / scale[:, None] * fit.sigma
        self.estimate = float(quantity(fit.values))
        along = self.gradient(fit.values) @ self.spread
        self.se = float(np.sqrt(along @ along))
        self.direction = self.spread @ along / self.se**2 if self.se > 0 else np.zeros(len(full.T))

    def gradient(self, theta: Array) -> Array:
        """Slopes of the quantity by the parameters, by central differences within the bounds."""
        step = _STEP * np.maximum(np.abs(theta), self.typical[0])
        out = np.empty(len(theta))
        for k in range(len(theta)):
            up, down = theta.copy(), theta.copy()
            up[k] = min(theta[k] + step[k], self.upper[k])
            down[k] = max(theta[k] - step[k], self.lower[k])
            out[k] = (self.quantity(up) - self.quantity(down)) / (up[k] - down[k])
        return out

    def towards(self, target: float, start: Array) -> _Point | None:
        """Return the lowest point of the sum of squares with a pull of the quantity to `target`.

        Whatever value of the quantity that point has, it is the lowest one for that value, so it lies on
        the profile exactly, however hard or soft the pull.
        """
        weight = _PULL * self.fit.sigma / self.se

        def residuals(theta: Array, rows: Ints) -> Array:
            extra = weight * (target - self.quantity(theta[0]))
            return np.append(self.residuals(theta, rows), [[extra]], axis=1)

        def slopes(theta: Array, rows: Ints) -> Array:
            extra = weight * self.gradient(theta[0])
            return np.append(self.slopes(theta, rows), extra[None, None, :], axis=1)

        size = np.maximum(self.readings.size, weight * abs(target))
        count = np.asarray(self.readings.counts + 1, float)
        descent = descend(
            residuals, slopes, start[None, :], self.lower, self.upper, size, count, tolerance=_TOLERANCE
        )
        if descent.status[0] != CONVERGED:
            return None
        theta = descent.theta[0]
        rss = float(np.sum(self.residuals(theta[None, :], np.zeros(1, dtype=np.int64)) ** 2))
        if rss < self.fit.rss * (1 - 1e-6) - self.fit.sigma**2 * 1e-6:
            raise CannotAnswer(
                f"The {self.fit.model.name} curve fits these readings in more than one way; a better fit "
                "turned up while its interval was traced.",
                "Take more readings where the curve bends.",
            )
        tau = float(np.sqrt(max(rss - self.fit.rss, 0.0)) / self.fit.sigma)
        return _Point(target, float(self.quantity(theta)), theta, tau)


def _end(profile: _Profile, limit: float, side: int) -> tuple[float, bool]:
    """Return one end of the interval, and whether it is open."""
    inner = _Point(profile.estimate, profile.estimate, profile.fit.values, 0.0)
    outer: _Point | None = None
    reach = limit * profile.se
    for _ in range(_DOUBLINGS):
        target = profile.estimate + side * reach
        guess = inner.theta + (target - inner.target) * profile.direction
        found = profile.towards(target, guess)
        if found is None or found.tau >= limit:  # a far guess may lead astray: the path from within decides
            found = profile.towards(target, inner.theta) or found
        if found is None:  # too far in one go: half the way
            reach = (side * (inner.target - profile.estimate) + reach) / 2
            continue
        if found.tau >= limit:
            outer = found
            break
        stuck = side * (found.value - inner.value) <= 1e-7 * profile.se
        at_bound = bool(((found.theta <= profile.lower) | (found.theta >= profile.upper)).any())
        if stuck and at_bound:
            return found.value, True
        inner = found
        reach *= 2
    if outer is None:
        return side * np.inf, True
    # tau runs nearly straight in the target: false position, halving at every third turn
    for turn in range(60):
        gap = outer.target - inner.target
        share = 0.5 if turn % 3 == 2 else (limit - inner.tau) / (outer.tau - inner.tau)
        target = inner.target + share * gap
        guess = inner.theta + share * (outer.theta - inner.theta)
        middle = profile.towards(target, guess)
        if middle is None or not inner.tau <= middle.tau <= outer.tau:
            middle = profile.towards(target, inner.theta) or middle
        if middle is None:
            raise CannotAnswer(
                f"The interval of the {profile.fit.model.name} curve could not be traced.",
                "Take more readings where the curve bends.",
            )
        if abs(middle.tau - limit) <= _CLOSE:
            return middle.value, False
        if middle.tau < limit:
            inner = middle
        else:
            outer = middle
    raise CannotAnswer(
        f"The interval of the {profile.fit.model.name} curve could not be traced: the fit jumps.",
        "Take more readings where the curve bends.",
    )


def profile_interval(
    fit: CurveFit,
    of: str | Callable[[Array], ArrayLike],
    level: float = 0.95,
    *,
    name: str | None = None,
    unit: str | None = None,
) -> Interval:
    """Return the profile-likelihood interval of a parameter, or of anything reckoned from the parameters.

    For each value c of the quantity the other parameters are fitted anew; c belongs to the interval if

        RSS(c) <= RSS_min + sigma^2 F(level; 1, dof).

    Unlike estimate plus or minus t standard errors it follows the bend of the curve, stays within the
    bounds and shows when the readings set no limit. D. M. Bates and D. G. Watts, "Nonlinear regression
    analysis and its applications" (Wiley, 1988), chapter 6.

    Parameters
    ----------
    fit : CurveFit
    of : str or callable(values) -> float
        Name of a parameter, or a smooth function of the array of parameter values.
    level : float
        Between 0 and 1.
    name, unit : str, optional
        How to call a function of the parameters.

    Returns
    -------
    Interval

    Raises
    ------
    CannotAnswer
        The quantity has no finite value or slope at the fit, or the profile could not be traced.
    ValueError
        An unknown parameter, or a level outside 0 to 1.

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
    >>> print(profile_interval(fit, "rate"))
    rate 0.5066 1/h, 95 % interval 0.4694 to 0.5461
    >>> print(profile_interval(fit, lambda p: np.log(2) / p[1], name="half time", unit="h"))
    half time 1.368 h, 95 % interval 1.269 to 1.477
    """
    if not 0 < level < 1:
        raise ValueError("level must lie between 0 and 1")
    if isinstance(of, str):
        if of not in fit.model.names:
            raise ValueError(f"{fit.model.name} has no parameter {of!r}")
        position = fit.model.names.index(of)
        parameter = fit.model.parameters[position]
        name, unit = name or of, parameter.unit if unit is None else unit

        def quantity(theta: Array) -> float:
            return float(theta[position])
    else:
        function = of

        def quantity(theta: Array) -> float:
            return float(np.asarray(function(theta)))

    with np.errstate(all="ignore"):
        profile = _Profile(fit, quantity)
        if not (np.isfinite(profile.estimate) and np.isfinite(profile.se)):
            raise CannotAnswer(
                f"{name or 'This quantity'} has no finite value at the fitted {fit.model.name} curve.",
                "Take readings for longer, so that the curve reaches it.",
            )
        plain = Interval(
            name or "quantity", profile.estimate, profile.estimate, profile.estimate, level, unit=unit or ""
        )
        rounding = 64 * np.finfo(float).eps * float(np.abs(fit.y / fit.relative_sd).max())
        if profile.se == 0 or fit.sigma <= rounding:  # readings without scatter leave nothing open
            return plain
        limit = float(np.sqrt(fisher.ppf(level, 1, fit.dof)))
        low, low_open = _end(profile, limit, -1)
        high, high_open = _end(profile, limit, +1)
    return replace(plain, low=low, high=high, low_open=low_open, high_open=high_open)
