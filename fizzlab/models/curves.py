"""One least-squares fit of a curve to readings, for drying pieces and fizzing cups alike.

By MINPACK first, which knows no bounds and is the quicker one, and by the trust-region search within bounds
where that one goes astray.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from numpy.typing import ArrayLike, NDArray
from scipy import stats
from scipy.optimize import least_squares, leastsq

from fizzlab.errors import cannot
from fizzlab.language import say
from fizzlab.models.plotting import BLUE, INK, axes_for
from fizzlab.models.result import ENDS, FitResult, Interval, outward

Array = NDArray[np.float64]
Rows = Callable[[Array], Array]

#: Steps that kitchen and letter scales show, in grams, coarsest first.
STEPS_G = (5.0, 2.0, 1.0, 0.5, 0.2, 0.1, 0.05, 0.02, 0.01, 0.005, 0.002, 0.001)

_EPS = float(np.finfo(float).eps)
_OFFSET = 1e-5  # of Bates and Watts, at which a search has converged
_RANK = 1e-11  # singular values below this share of the largest say nothing
_SUSPECT = 0.9  # share of a level line's squares above which a search may have come to rest in a flat place

_NO_START, _SPENT, _MOVING, _ALIKE = "curve_no_start", "curve_spent", "curve_moving", "curve_parameters_alike"


def scale_step(readings_g: ArrayLike) -> float:
    """Step of the scale: the coarsest usual one that fits every reading; 0 where none does."""
    values = np.asarray(readings_g, float)
    fitting = (step for step in STEPS_G if np.abs(values / step - np.round(values / step)).max() < 1e-6)
    return next(fitting, 0.0)


@dataclass(frozen=True)
class Parameter:
    """One unknown of a curve: its name and unit, and its bounds (included)."""

    name: str
    unit: str = ""
    lower: float = -np.inf
    upper: float = np.inf


@dataclass(frozen=True)
class CurveModel:
    """A curve y = f(x; values), its slopes by each parameter, and rows of starting values from readings."""

    name: str
    parameters: tuple[Parameter, ...]
    f: Callable[..., ArrayLike]
    jacobian: Callable[..., Sequence[ArrayLike]]
    starts: Callable[[Array, Array], ArrayLike] | None = None

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the parameters, in order."""
        return tuple(parameter.name for parameter in self.parameters)

    def __call__(self, x: ArrayLike, values: ArrayLike) -> Array:
        """The curve at `x`."""
        return np.asarray(self.f(np.asarray(x, float), np.asarray(values, float)), float)

    def slopes(self, x: ArrayLike, values: Array) -> Array:
        """Derivatives at `x`, a column for each parameter."""
        columns = self.jacobian(np.asarray(x, float), values)
        out = np.empty((np.shape(x)[-1], len(columns)))
        for k, column in enumerate(columns):
            out[:, k] = column
        return out


@dataclass(frozen=True, kw_only=True)
class CurveFit(FitResult):
    """A fitted curve; ``fit["name"]`` is the estimate of a parameter.

    `errors` are nan for a parameter that ended on its bound (`at_bound`), `covariance` is sigma^2 (J'J)^-1,
    `dof` readings less parameters, `sigma` sqrt(rss / dof), but no smaller than that of rounding.
    """

    model: CurveModel
    x: Array
    y: Array
    values: Array
    errors: Array
    covariance: Array
    rss: float
    aicc: float
    dof: int
    sigma: float
    at_bound: tuple[str, ...] = ()

    @property
    def parameters(self) -> dict[str, float]:
        """Estimates by name."""
        return dict(zip(self.model.names, self.values.tolist(), strict=True))

    def __getitem__(self, name: str) -> float:
        return self.parameters[name]

    def at(self, x: ArrayLike) -> Array:
        """The fitted curve at other places."""
        return self.model(x, self.values)

    @property
    def table(self) -> pd.DataFrame:
        """One row a parameter: term, unit, estimate, se, conf_low, conf_high (Student's t), df."""
        reach = float(stats.t.ppf(0.5 + self.conf_level / 2, self.dof)) * self.errors
        units = [parameter.unit for parameter in self.model.parameters]
        table = pd.DataFrame({"term": self.model.names, "unit": units, "estimate": self.values})
        ends = {"conf_low": self.values - reach, "conf_high": self.values + reach}
        return table.assign(se=self.errors, **ends, df=self.dof)

    @property
    def heading(self) -> str:
        """What it rests on."""
        return say("curve_heading", name=self.model.name, readings=len(self.y), sd=self.sigma)

    def predict(
        self, new: Any = None, *, share: float = 0.5, interval: Interval = "confidence"
    ) -> pd.DataFrame:
        """The curve at ``new["x"]``, or at its readings, with its interval (delta method)."""
        x = self.x if new is None else np.asarray(new["x"], float)
        slopes = np.nan_to_num(self.model.slopes(x, self.values))
        variance = np.einsum("nj,jk,nk->n", slopes, np.nan_to_num(self.covariance), slopes)
        more = self.sigma**2 if interval == "prediction" else 0.0
        reach = float(stats.t.ppf(0.5 + self.conf_level / 2, self.dof)) * np.sqrt(variance + more)
        y, beyond = self.at(x), (x < self.x.min()) | (x > self.x.max())
        table = pd.DataFrame({"x": x, "estimate": y, "conf_low": y - reach, "conf_high": y + reach})
        return table.assign(extrapolated=beyond)

    def plot(self, ax: Axes | None = None) -> Axes:
        """Draw the readings and the curve."""
        axes = axes_for(ax)
        x = np.linspace(float(self.x.min()), float(self.x.max()), 200)
        axes.plot(x, self.at(x), color=BLUE)
        axes.plot(self.x, self.y, ".", color=INK)
        return axes


def aicc(rss: float, n: int, parameters: int) -> float:
    """Small-sample Akaike criterion, the residual variance counted as a parameter; inf where n is too small.

    n log(rss/n) + 2k + 2k(k+1)/(n-k-1): C. M. Hurvich and C.-L. Tsai, Biometrika 76 (1989), 297-307.
    """
    k = parameters + 1
    if n <= k + 1:
        return np.inf
    return float(n * np.log(max(rss, np.finfo(float).tiny) / n) + 2 * k + 2 * k * (k + 1) / (n - k - 1))


@dataclass(frozen=True)
class _End:
    """Where a search ended: parameters, which are not held on a bound, sum of squares, or a fault."""

    theta: Array
    free: NDArray[np.bool_]
    rss: float = np.inf
    fault: str = ""


@dataclass(frozen=True)
class _Squares:
    """A sum of squares to be made least: residuals (fitted less observed), slopes, bounds, size of y."""

    residuals: Rows
    slopes: Rows
    low: Array
    high: Array
    size: float
    evaluations: int = 1000

    @classmethod
    def of(cls, model: CurveModel, x: Array, y: Array, evaluations: int = 1000) -> _Squares:
        low, high = np.array([[p.lower, p.upper] for p in model.parameters]).T
        size = float(np.abs(y).max())
        return cls(lambda p: model(x, p) - y, lambda p: model.slopes(x, p), low, high, size, evaluations)

    def least(self, starts: ArrayLike, level: float = np.inf) -> _End:
        """The lowest end from all the starts; those of the quicker search stand if good enough."""
        rows = np.clip(np.atleast_2d(np.asarray(starts, float)), self.low, self.high)
        quick = [self.descend(row, "lm") for row in rows]
        best = min(quick, key=lambda end: end.rss)
        if not best.fault and best.rss <= _SUSPECT * level:
            return best
        again = [row for row, end in zip(rows, quick, strict=True) if end.fault not in (_SPENT, _NO_START)]
        return min([*quick, *(self.descend(row, "trf") for row in again)], key=lambda end: end.rss)

    def first(self, starts: Sequence[Array]) -> _End:
        """The first end without a fault, where starts lie close to it; `least` of all if each has one."""
        for start in starts:
            end = self.descend(np.clip(start, self.low, self.high), "lm")
            if not end.fault:
                return end
        return self.least(starts)

    def descend(self, start: Array, method: Literal["lm", "trf"]) -> _End:
        """Go downhill from one start, and judge the end."""
        free = np.ones(len(start), bool)
        if not (np.isfinite(self.residuals(start)).all() and np.isfinite(self.slopes(start)).all()):
            return _End(start, free, fault=_NO_START)
        if method == "lm":  # as `least_squares` does, but for wrapping that takes longer than the search
            told: dict[str, Any] = {"ftol": 1e-15, "xtol": 1e-15, "gtol": 1e-15, "maxfev": self.evaluations}
            theta, *_, status = leastsq(self.residuals, start, Dfun=self.slopes, full_output=True, **told)
            spent = status == 5
        else:
            found = least_squares(
                self.residuals, start, self.slopes, method=method, x_scale="jac", max_nfev=self.evaluations,
                bounds=(self.low, self.high), ftol=1e-15, xtol=1e-15, gtol=1e-15,
            )  # fmt: skip
            theta, spent = np.asarray(found.x, float), found.status == 0
        inside = bool(((theta >= self.low) & (theta <= self.high)).all())
        if spent or not inside:
            return _End(theta, free, fault=_SPENT if inside else _MOVING)
        if method == "trf":  # it ends beside a bound by rounding alone
            nearest = np.where(theta - self.low <= self.high - theta, self.low, self.high)
            unit = np.sqrt(2 * found.cost) / _lengths(self.slopes(theta))
            free = np.abs(theta - nearest) > 1e-6 * unit
            theta = np.where(free, theta, nearest)
        rss = float(np.sum(self.residuals(theta) ** 2))
        fault = self._fault(theta, free, rss)
        return _End(theta, free, np.inf if fault else rss, fault)

    def _fault(self, theta: Array, free: NDArray[np.bool_], rss: float) -> str:
        """What speaks against an end, by the relative offset of Bates and Watts (Technometrics 23, 1981)."""
        r, slopes = self.residuals(theta), self.slopes(theta)[:, free]
        u, values, _ = np.linalg.svd(slopes / _lengths(slopes), full_matrices=False)
        heard = values > _RANK * values[0]
        gain = float(np.sum((u.T @ r)[heard] ** 2))
        left = max(rss - gain, 0.0) / max(len(r) - len(theta), 1)
        rounding = len(r) * (4 * _EPS * self.size) ** 2
        if not (gain <= rounding or gain / len(values) <= _OFFSET**2 * left):
            return _MOVING
        return "" if heard.all() else _ALIKE


def _lengths(slopes: Array) -> Array:
    lengths = np.sqrt((slopes**2).sum(axis=0))
    return np.where(lengths > 0, lengths, 1.0)


def solver(slopes: Array) -> Array:
    """The pseudo-inverse of some slopes, their columns scaled first; its square is (J'J)^-1."""
    lengths = _lengths(slopes)
    return np.asarray(np.linalg.pinv(slopes / lengths, rcond=_RANK) / lengths[:, None])


def fit_curve(
    model: CurveModel,
    x: ArrayLike,
    y: ArrayLike,
    *,
    start: ArrayLike | None = None,
    resolution: float = 0.0,
    evaluations: int = 1000,
) -> CurveFit:
    """Fit one curve by least squares; the scatter is never below that of rounding to `resolution`."""
    x, y = np.asarray(x, float), np.asarray(y, float)
    n, width = len(y), len(model.parameters)
    if n <= width:
        raise cannot("curve_few", n=n, curve=model.name, width=width, least=width + 1, better=2 * width)
    if start is None:
        start = np.ones(width) if model.starts is None else model.starts(x, y)
    squares, level = _Squares.of(model, x, y, evaluations), float(np.sum((y - y.mean()) ** 2))
    with np.errstate(all="ignore"):
        end = squares.least(start, level)
    if end.fault:
        raise cannot("curve_unfitted", curve=model.name, fault=say(end.fault))
    if end.rss > level * (1 + 1e-6) and level > 0:
        raise cannot("curve_level", curve=model.name)
    variance = max(end.rss / (n - width), resolution**2 / 12)
    root = solver(squares.slopes(end.theta)[:, end.free])
    covariance = np.full((width, width), np.nan)
    covariance[np.ix_(end.free, end.free)] = variance * root @ root.T
    return CurveFit(
        response=model.name,
        model=model,
        x=x,
        y=y,
        values=end.theta,
        errors=np.sqrt(np.diag(covariance)),
        covariance=covariance,
        rss=end.rss,
        aicc=aicc(max(end.rss, n * resolution**2 / 12), n, width),
        dof=n - width,
        sigma=float(np.sqrt(variance)),
        at_bound=tuple(name for name, free in zip(model.names, end.free, strict=True) if not free),
    )


def profile_interval(
    fit: CurveFit, of: Callable[[Array], float], conf_level: float = 0.95
) -> dict[str, float]:
    """Profile-likelihood interval of a smooth function of the parameters; an open end is infinite.

    Those c at which RSS(c), the others fitted anew, is at most RSS_min + sigma^2 F(conf_level; 1, dof): D. M.
    Bates and D. G. Watts, "Nonlinear regression analysis and its applications" (1988), chapter 6.
    """
    plain = _Squares.of(fit.model, fit.x, fit.y)
    limit = float(np.sqrt(stats.f.ppf(conf_level, 1, fit.dof)))
    sizes = np.where(fit.values == 0, 1.0, 1e-3 * np.abs(fit.values))
    lost = cannot("curve_untold", curve=fit.model.name)

    def gradient(theta: Array) -> Array:  # by central differences, with the best step for those
        steps = np.diag(_EPS ** (1 / 3) * np.maximum(np.abs(theta), sizes))
        return np.array([(of(theta + s) - of(theta - s)) / (2 * s.sum()) for s in steps])

    def above(target: float) -> float:
        # the least sum of squares with a pull of the quantity to a target: whatever value it comes to rest
        # at, that is the least for this value, so it lies on the profile exactly, however hard the pull
        near = min(seen, key=lambda other: abs(other - target))
        pulled = replace(
            plain,
            residuals=lambda p: np.append(plain.residuals(p), weight * (of(p) - target)),
            slopes=lambda p: np.vstack([plain.slopes(p), weight * gradient(p)]),
            size=max(plain.size, weight * abs(target)),
        )
        end = pulled.first([seen[near] + (target - near) * direction, seen[near]])
        rss = float(np.sum(plain.residuals(end.theta) ** 2))
        if end.fault or rss < fit.rss * (1 - 1e-6) - fit.sigma**2 * 1e-6:
            raise lost
        seen[target] = end.theta
        return float(np.sqrt(max(rss - fit.rss, 0.0)) / fit.sigma) - limit

    with np.errstate(all="ignore"):
        spread = solver(plain.slopes(fit.values)) * fit.sigma
        along = gradient(fit.values) @ spread
        estimate, se = of(fit.values), float(np.sqrt(along @ along))
        if not (np.isfinite(estimate) and np.isfinite(se)):
            raise lost
        if se == 0 or fit.sigma <= 64 * _EPS * plain.size:  # nothing is left open
            return dict.fromkeys(ENDS, estimate)
        weight, direction, seen = 10 * fit.sigma / se, spread @ along / se**2, {estimate: fit.values}
        ends = [outward(above, estimate, side * limit * se) for side in (-1, 1)]
        for end in ends:
            if np.isfinite(end) and end not in seen:
                above(end)
    low, high = (of(seen[end]) if end in seen else end for end in ends)
    return dict(zip(ENDS, (estimate, low, high), strict=True))
