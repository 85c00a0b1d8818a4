"""One fit of a curve to readings, for drying pieces and fizzing cups alike.

Readings are y_i = f(x_i; theta) + e_i with independent errors of equal spread. The least sum of squares is
found by scipy with the curve's own derivatives: MINPACK (`leastsq`) first, which knows no bounds and is five
times as quick, and the trust-region search of `least_squares` within bounds where that one goes astray.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy import stats
from scipy.optimize import brentq, least_squares, leastsq

from fizzlab.errors import CannotAnswer
from fizzlab.models.result import FitResult, Interval

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Array = NDArray[np.float64]
Rows = Callable[[Array], Array]

_EPS = float(np.finfo(float).eps)
_OFFSET = 1e-5  # of Bates and Watts, at which a search has converged
_TOLERANCE = 1e-15
_RANK = 1e-11  # singular values below this share of the largest say nothing
_SUSPECT = 0.9  # share of a level line's squares above which a search may have come to rest in a flat place
_NO_BATCHES = pd.DataFrame()


@dataclass(frozen=True)
class Parameter:
    """One unknown of a curve: its name, meaning and unit, and its bounds (included)."""

    name: str
    words: str = ""
    unit: str = ""
    lower: float = -np.inf
    upper: float = np.inf

    def __post_init__(self) -> None:
        if not self.lower < self.upper:
            raise ValueError(f"the lower bound of {self.name} is not below its upper bound")


@dataclass(frozen=True)
class CurveModel:
    """A curve to be fitted: y = f(x; parameters).

    Parameters
    ----------
    name, words : str
        Its name, and what it says in plain words.
    parameters : sequence of Parameter
    f : callable(x, values) -> array
    jacobian : callable(x, values) -> sequence of arrays
        Derivative of `f` by each parameter.
    starts : callable(x, y) -> array, optional
        One or more rows of starting values, worked out from the readings.

    Examples
    --------
    >>> decay = CurveModel(
    ...     "decay", "loses the same share each hour",
    ...     (Parameter("size", unit="g"), Parameter("rate", unit="1/h", lower=0)),
    ...     f=lambda x, p: p[0] * np.exp(-p[1] * x),
    ...     jacobian=lambda x, p: [np.exp(-p[1] * x), -p[0] * x * np.exp(-p[1] * x)],
    ...     starts=lambda x, y: [y[0], 1 / x.mean()],
    ... )
    >>> decay([0.0, 1.0], [2.0, 0.0])
    array([2., 2.])
    """

    name: str
    words: str
    parameters: tuple[Parameter, ...]
    f: Callable[..., ArrayLike]
    jacobian: Callable[..., Sequence[ArrayLike]]
    starts: Callable[[Array, Array], ArrayLike] | None = None

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the parameters, in order."""
        return tuple(parameter.name for parameter in self.parameters)

    @property
    def bounds(self) -> tuple[Array, Array]:
        """Lower and upper bounds, in order."""
        each = np.array([(parameter.lower, parameter.upper) for parameter in self.parameters], float)
        return each[:, 0], each[:, 1]

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
    """A fitted curve.

    Parameters
    ----------
    model : CurveModel
    x, y, fitted : arrays
    values, errors : arrays
        Estimates and standard errors, one a parameter; the error of one that ended on its bound is nan.
    covariance : array
        sigma^2 (J'J)^-1 at the minimum.
    rss : float
        Residual sum of squares.
    dof : int
        Readings less parameters.
    sigma : float
        Residual standard deviation, sqrt(rss / dof), but no smaller than `resolution` / sqrt(12).
    aicc : float
        Of `aicc`; only differences between curves fitted to the same readings mean anything.
    at_bound : tuple of str
        Parameters that ended on a bound.
    resolution : float
        Step of the instrument, in units of y.
    """

    model: CurveModel
    x: Array
    y: Array
    values: Array
    errors: Array
    covariance: Array
    rss: float
    dof: int
    sigma: float
    aicc: float
    at_bound: tuple[str, ...] = ()
    resolution: float = 0.0
    fitted: Array = field(repr=False)

    @property
    def parameters(self) -> dict[str, float]:
        """Estimates by name."""
        return dict(zip(self.model.names, self.values.tolist(), strict=True))

    @property
    def residuals(self) -> Array:
        """Readings less fitted values."""
        return self.y - self.fitted

    def __getitem__(self, name: str) -> float:
        return float(self.values[self.model.names.index(name)])

    def at(self, x: ArrayLike) -> Array:
        """The fitted curve at other places."""
        return self.model(x, self.values)

    @property
    def table(self) -> pd.DataFrame:
        """One row a parameter: term, unit, estimate, se, conf_low, conf_high (Student's t), df."""
        reach = float(stats.t.ppf(0.5 + self.conf_level / 2, self.dof)) * self.errors
        return pd.DataFrame(
            {
                "term": self.model.names,
                "unit": [parameter.unit for parameter in self.model.parameters],
                "estimate": self.values,
                "se": self.errors,
                "conf_low": self.values - reach,
                "conf_high": self.values + reach,
                "df": self.dof,
            }
        )

    @property
    def heading(self) -> str:
        """What it rests on."""
        return f"{self.model.name}: {len(self.y)} readings, residual sd {self.sigma:.3g}"

    def predict(
        self,
        new: pd.DataFrame | Mapping[str, object] | None = None,
        *,
        share: float = 0.5,
        interval: Interval = "confidence",
    ) -> pd.DataFrame:
        """The curve at ``new["x"]`` with its interval (delta method), or at its readings.

        `share` has no meaning for a curve and is not used.
        """
        x = self.x if new is None else np.asarray(new["x"], float)
        slopes = np.nan_to_num(self.model.slopes(x, self.values))
        variance = np.einsum("nj,jk,nk->n", slopes, np.nan_to_num(self.covariance), slopes)
        if interval == "prediction":
            variance = variance + self.sigma**2
        reach = float(stats.t.ppf(0.5 + self.conf_level / 2, self.dof)) * np.sqrt(variance)
        y, (low, high) = self.at(x), (self.x.min(), self.x.max())
        columns = {"x": x, "estimate": y, "conf_low": y - reach, "conf_high": y + reach}
        return pd.DataFrame(columns | {"extrapolated": (x < low) | (x > high)})

    def plot(self, ax: Axes | None = None) -> Axes:
        """Draw the readings and the curve."""
        from fizzlab.models.plotting import BLUE, INK, axes_for

        axes = axes_for(ax)
        x = np.linspace(float(self.x.min()), float(self.x.max()), 200)
        axes.plot(x, self.at(x), color=BLUE)
        axes.plot(self.x, self.y, ".", color=INK)
        return axes


def aicc(rss: float, n: int, parameters: int) -> float:
    """Small-sample Akaike criterion of a least-squares fit; inf where n is too small.

    n log(rss/n) + 2k + 2k(k+1)/(n-k-1) with k = parameters + 1, since the residual variance counts as one.
    C. M. Hurvich and C.-L. Tsai, "Regression and time series model selection in small samples",
    Biometrika 76 (1989), 297-307.

    Examples
    --------
    >>> round(aicc(2.0, n=10, parameters=2), 4)
    -6.0944
    """
    k = parameters + 1
    if n <= k + 1:
        return np.inf
    return float(n * np.log(max(rss, np.finfo(float).tiny) / n) + 2 * k + 2 * k * (k + 1) / (n - k - 1))


_NO_START = "the curve has no finite value at its starting values"
_SPENT = "the search was still moving when it was stopped"
_MOVING = "the search stopped before it reached a lowest point"
_ALIKE = "the readings cannot tell its parameters apart"


@dataclass(frozen=True)
class _End:
    """Where a search ended: parameters, sum of squares, which are not held on a bound, any fault."""

    theta: Array
    rss: float
    free: NDArray[np.bool_]
    fault: str = ""

    @property
    def merit(self) -> float:
        return np.inf if self.fault else self.rss


@dataclass(frozen=True)
class _Squares:
    """A sum of squares to be made least: residuals (fitted less observed), slopes, bounds, size of y."""

    residuals: Rows
    slopes: Rows
    low: Array
    high: Array
    size: float
    evaluations: int = 1000

    def least(self, starts: ArrayLike, level: float = np.inf) -> _End:
        """The lowest end from all the starts; those of the quicker search stand if good enough."""
        rows = np.clip(np.atleast_2d(np.asarray(starts, float)), self.low, self.high)
        quick = [self.descend(row, bounded=False) for row in rows]
        best = min(quick, key=lambda end: end.merit)
        if best.merit <= _SUSPECT * level:
            return best
        again = [row for row, end in zip(rows, quick, strict=True) if end.fault not in (_SPENT, _NO_START)]
        return min([*quick, *(self.descend(row, bounded=True) for row in again)], key=lambda end: end.merit)

    def descend(self, start: Array, bounded: bool) -> _End:
        """Go downhill from one start, and judge the end."""
        free = np.ones(len(start), bool)
        if not (np.isfinite(self.residuals(start)).all() and np.isfinite(self.slopes(start)).all()):
            return _End(start, np.inf, free, _NO_START)
        if bounded:
            found = least_squares(
                self.residuals,
                start,
                self.slopes,
                bounds=(self.low, self.high),
                x_scale="jac",
                ftol=_TOLERANCE,
                xtol=_TOLERANCE,
                gtol=_TOLERANCE,
                max_nfev=self.evaluations,
            )
            theta, spent = np.asarray(found.x, float), found.status == 0
        else:
            theta, _, _, _, status = leastsq(
                self.residuals,
                start,
                Dfun=self.slopes,
                full_output=True,
                ftol=_TOLERANCE,
                xtol=_TOLERANCE,
                gtol=_TOLERANCE,
                maxfev=self.evaluations,
            )
            spent = status == 5
        if spent or not ((theta >= self.low) & (theta <= self.high)).all():
            return _End(theta, np.inf, free, _SPENT if spent else _MOVING)
        end = _End(theta, float(np.sum(self.residuals(theta) ** 2)), free)
        if bounded:
            end = self._on_bounds(end)
        return replace(end, fault=self._fault(end))

    def _on_bounds(self, end: _End) -> _End:
        """Put a parameter on its bound where holding it there loses nothing; a search only comes near."""
        theta = end.theta
        nearest = np.where(theta - self.low <= self.high - theta, self.low, self.high)
        unit = np.sqrt(end.rss / np.maximum((self.slopes(theta) ** 2).sum(axis=0), 1e-300))
        free = np.abs(theta - nearest) > 1e-2 * unit
        if free.all() or not free.any():
            return end

        def whole(part: Array) -> Array:
            out = nearest.copy()
            out[free] = part
            return out

        rest = replace(
            self,
            residuals=lambda part: self.residuals(whole(part)),
            slopes=lambda part: self.slopes(whole(part))[:, free],
            low=self.low[free],
            high=self.high[free],
        ).descend(theta[free], bounded=False)
        return end if rest.merit > end.rss * (1 + 1e-9) else _End(whole(rest.theta), rest.rss, free)

    def _fault(self, end: _End) -> str:
        """What speaks against an end, by the relative offset of Bates and Watts; empty if nothing does.

        D. M. Bates and D. G. Watts, "A relative offset orthogonality convergence criterion for nonlinear
        least squares", Technometrics 23 (1981), 179-183.
        """
        r, slopes = self.residuals(end.theta), self.slopes(end.theta)[:, end.free]
        scale = np.sqrt((slopes**2).sum(axis=0))
        scale[scale == 0] = 1.0
        u, values, _ = np.linalg.svd(slopes / scale, full_matrices=False)
        heard = values > _RANK * values[0]
        gain = float(np.sum((u.T @ r)[heard] ** 2))
        left = max(end.rss - gain, 0.0) / max(len(r) - len(end.theta), 1)
        rounding = len(r) * (4 * _EPS * self.size) ** 2
        if not (gain <= rounding or gain / len(values) <= _OFFSET**2 * left):
            return _MOVING
        return "" if heard.all() else _ALIKE


def _squares(model: CurveModel, x: Array, y: Array, evaluations: int = 1000) -> _Squares:
    return _Squares(
        lambda theta: model(x, theta) - y,
        lambda theta: model.slopes(x, theta),
        *model.bounds,
        float(np.abs(y).max()),
        evaluations,
    )


def fit_curve(
    model: CurveModel,
    x: ArrayLike,
    y: ArrayLike,
    *,
    start: ArrayLike | None = None,
    resolution: float = 0.0,
    evaluations: int = 1000,
) -> CurveFit:
    """Fit one curve by least squares.

    All of the model's starts are tried and the lowest end is kept.

    Parameters
    ----------
    model : CurveModel
    x : array, shape (n,) or (predictors, n)
    y : array, shape (n,)
    start : array, optional
        Starting values, or several rows of them, instead of the model's own.
    resolution : float
        Step of the instrument in units of y (0.1 for a scale that shows tenths of a gram). The residual
        standard deviation is never taken to be below that of rounding, step / sqrt(12), however well a
        few rounded readings happen to lie on the curve.
    evaluations : int
        The most that a search from one start may take.

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
    >>> decay = CurveModel(
    ...     "decay", "loses the same share each hour",
    ...     (Parameter("size", unit="g"), Parameter("rate", unit="1/h", lower=0)),
    ...     f=lambda x, p: p[0] * np.exp(-p[1] * x),
    ...     jacobian=lambda x, p: [np.exp(-p[1] * x), -p[0] * x * np.exp(-p[1] * x)],
    ...     starts=lambda x, y: [y[0], 1 / x.mean()],
    ... )
    >>> fit = fit_curve(decay, [0, 1, 2, 3, 4], [10.1, 5.9, 3.8, 2.2, 1.3])
    >>> fit.table[["term", "estimate", "conf_low", "conf_high"]].round(3)
       term  estimate  conf_low  conf_high
    0  size    10.055     9.672     10.437
    1  rate     0.507     0.468      0.545
    """
    x, y = np.asarray(x, float), np.asarray(y, float)
    if y.ndim != 1 or x.shape[-1:] != y.shape or x.ndim > 2:
        raise ValueError("x and y must hold one entry a reading")
    if not (np.isfinite(x).all() and np.isfinite(y).all()):
        raise ValueError("x and y must be finite")
    n, width = len(y), len(model.parameters)
    if n <= width:
        raise CannotAnswer(
            f"{n} readings are too few for the {model.name} curve, which has {width} unknowns.",
            f"Take at least {width + 1} readings, better {2 * width}.",
        )
    if start is None:
        if model.starts is None:
            raise ValueError(f"{model.name} has no automatic starts; give `start`")
        start = model.starts(x, y)
    if np.shape(start)[-1] != width:
        raise ValueError(f"a start of {model.name} needs {width} values")
    squares, level = _squares(model, x, y, evaluations), float(np.sum((y - y.mean()) ** 2))
    with np.errstate(all="ignore"):
        end = squares.least(start, level)
    if end.fault:
        raise CannotAnswer(
            f"The {model.name} curve could not be fitted: {end.fault}.",
            "Look at the readings for a slip, and take more of them where the curve bends.",
        )
    if end.rss > level * (1 + 1e-6) and level > 0:
        raise CannotAnswer(
            f"No {model.name} curve was found that follows the readings better than a level line.",
            "Look at the readings for a slip, or describe them by another curve.",
        )
    dof = n - width
    variance = max(end.rss / dof, resolution**2 / 12)
    covariance = np.full((width, width), np.nan)
    covariance[np.ix_(end.free, end.free)] = variance * _inverse(squares.slopes(end.theta)[:, end.free])
    return CurveFit(
        response=model.name,
        effects=(),
        batches=_NO_BATCHES,
        model=model,
        x=x,
        y=y,
        fitted=model(x, end.theta),
        values=end.theta,
        errors=np.sqrt(np.diag(covariance)),
        covariance=covariance,
        rss=end.rss,
        dof=dof,
        sigma=float(np.sqrt(variance)),
        aicc=aicc(max(end.rss, n * resolution**2 / 12), n, width),
        at_bound=tuple(name for name, free in zip(model.names, end.free, strict=True) if not free),
        resolution=resolution,
    )


def _inverse(slopes: Array) -> Array:
    """(J'J)^-1, its columns scaled first."""
    scale = np.sqrt((slopes**2).sum(axis=0))
    root: Array = np.linalg.pinv(slopes / scale, rcond=_RANK) / scale[:, None]
    return root @ root.T


@dataclass(frozen=True)
class CurveComparison:
    """Several curves fitted to the same readings.

    Parameters
    ----------
    fits : tuple of CurveFit
        Those that could be fitted, best first.
    table : DataFrame
        One row a curve, best first: model, parameters, rss, aicc, delta (AICc above the best), weight
        (Akaike weight: the share of the evidence, given that one of these curves is right) and note
        (why there are no numbers).
    """

    fits: tuple[CurveFit, ...]
    table: pd.DataFrame

    @property
    def best(self) -> CurveFit:
        """The fit with the lowest AICc."""
        return self.fits[0]

    def fit(self, name: str) -> CurveFit | None:
        """The fit of a model by its name, or None where it could not be fitted."""
        return next((fit for fit in self.fits if fit.model.name == name), None)


def akaike_weights(criterion: ArrayLike) -> Array:
    """exp(-delta/2), scaled to add up to 1; 0 for an infinite criterion.

    K. P. Burnham and D. R. Anderson, "Model selection and multimodel inference" (2nd ed., Springer,
    2002), section 2.9.

    Examples
    --------
    >>> akaike_weights([10.0, 12.0, np.inf]).round(3)
    array([0.731, 0.269, 0.   ])
    """
    values = np.asarray(criterion, float)
    share = np.exp(-0.5 * (values - values.min()))
    return np.asarray(share / share.sum())


def compare_curves(
    models: Sequence[CurveModel],
    x: ArrayLike,
    y: ArrayLike,
    *,
    resolution: float = 0.0,
    evaluations: int = 1000,
) -> CurveComparison:
    """Fit each of several curves to the same readings and rank them by AICc.

    A curve that could not be fitted, or that has too many unknowns for the number of readings, is
    listed with the reason and takes no part.

    Parameters
    ----------
    models : sequence of CurveModel
        Each with automatic starts.
    x, y, resolution, evaluations
        As in `fit_curve`.

    Raises
    ------
    CannotAnswer
        None of the curves could be fitted and weighed.
    """
    fits: list[CurveFit] = []
    failed: dict[str, CannotAnswer] = {}
    for model in models:
        try:
            fit = fit_curve(model, x, y, resolution=resolution, evaluations=evaluations)
        except CannotAnswer as problem:
            failed[model.name] = problem
            continue
        if np.isfinite(fit.aicc):
            fits.append(fit)
        else:
            many = len(model.parameters)
            failed[model.name] = CannotAnswer(
                f"{len(fit.y)} readings are too few to weigh a curve with {many} unknowns.",
                f"Take at least {many + 3} readings.",
            )
    if not fits:
        raise next(iter(failed.values()))
    fits.sort(key=lambda fit: fit.aicc)
    table = pd.DataFrame(
        {
            "model": [fit.model.name for fit in fits],
            "parameters": [len(fit.values) for fit in fits],
            "rss": [fit.rss for fit in fits],
            "aicc": [fit.aicc for fit in fits],
        }
    )
    table["delta"] = table["aicc"] - fits[0].aicc
    table["weight"] = akaike_weights(table["aicc"])
    table["note"] = ""
    sizes = {model.name: len(model.parameters) for model in models}
    missing = [
        {"model": name, "parameters": sizes[name], "weight": 0.0, "note": str(why)}
        for name, why in failed.items()
    ]
    if missing:
        table = pd.concat([table, pd.DataFrame(missing)], ignore_index=True)
    return CurveComparison(tuple(fits), table)


@dataclass(frozen=True)
class ProfileInterval:
    """A profile-likelihood interval.

    Parameters
    ----------
    name, unit : str
    estimate, conf_low, conf_high : float
    conf_level : float
    low_open, high_open : bool
        Whether that end is open: the readings do not rule out anything beyond it, up to the bound of
        a parameter (then the end is the value there) or without end (then infinite).
    """

    name: str
    estimate: float
    conf_low: float
    conf_high: float
    conf_level: float
    low_open: bool = False
    high_open: bool = False
    unit: str = ""

    @property
    def is_open(self) -> bool:
        """Whether either end is open."""
        return self.low_open or self.high_open


@dataclass(frozen=True)
class _Point:
    """A point of the profile: where the quantity was pulled to and came to rest, and the growth of RSS."""

    target: float
    value: float
    theta: Array
    tau: float  # square root of the growth, in residual standard deviations


_PULL = 10.0  # weight of the pull towards a value, in inverse standard errors
_DOUBLINGS = 14
_STEP = _EPS ** (1 / 3)  # best step of a central difference


@dataclass(frozen=True)
class _Profile:
    """The least sum of squares for each value of a quantity."""

    fit: CurveFit
    quantity: Callable[[Array], float]

    def gradient(self, theta: Array) -> Array:
        """Slopes of the quantity by the parameters, by central differences within the bounds."""
        low, high = self.fit.model.bounds
        step = _STEP * np.maximum(
            np.abs(theta), np.where(self.fit.values == 0, 1.0, 1e-3 * abs(self.fit.values))
        )
        out = np.empty(len(theta))
        for k in range(len(theta)):
            up, down = theta.copy(), theta.copy()
            up[k] = min(theta[k] + step[k], high[k])
            down[k] = max(theta[k] - step[k], low[k])
            out[k] = (self.quantity(up) - self.quantity(down)) / (up[k] - down[k])
        return out

    def towards(self, target: float, start: Array, se: float) -> _Point | None:
        """The least sum of squares with a pull of the quantity to `target`; None where it is not found.

        Whatever value of the quantity that point has, it is the least for that value, so it lies on the
        profile exactly, however hard or soft the pull.
        """
        fit = self.fit
        plain, weight = _squares(fit.model, fit.x, fit.y), _PULL * fit.sigma / se
        pulled = replace(
            plain,
            residuals=lambda theta: np.append(
                plain.residuals(theta), weight * (self.quantity(theta) - target)
            ),
            slopes=lambda theta: np.vstack([plain.slopes(theta), weight * self.gradient(theta)]),
            size=max(plain.size, weight * abs(target)),
        )
        end = pulled.least(start)
        if end.fault:
            return None
        rss = float(np.sum(plain.residuals(end.theta) ** 2))
        if rss < fit.rss * (1 - 1e-6) - fit.sigma**2 * 1e-6:
            raise CannotAnswer(
                f"The {fit.model.name} curve fits these readings in more than one way; a better fit "
                "turned up while its interval was traced.",
                "Take more readings where the curve bends.",
            )
        tau = float(np.sqrt(max(rss - fit.rss, 0.0)) / fit.sigma)
        return _Point(target, self.quantity(end.theta), end.theta, tau)

    def end(self, limit: float, side: int, se: float, direction: Array) -> tuple[float, bool]:
        """One end of the interval, and whether it is open."""
        low, high = self.fit.model.bounds
        estimate = self.quantity(self.fit.values)
        inner = _Point(estimate, estimate, self.fit.values, 0.0)
        reach = limit * se
        for _ in range(_DOUBLINGS):
            target = estimate + side * reach
            found = self.towards(target, inner.theta + (target - inner.target) * direction, se)
            if (
                found is None or found.tau >= limit
            ):  # a far guess may lead astray: the path from within decides
                found = self.towards(target, inner.theta, se) or found
            if found is None:  # too far in one go: half the way
                reach = (side * (inner.target - estimate) + reach) / 2
                continue
            if found.tau >= limit:
                return self._between(inner, found, limit, se), False
            stuck = side * (found.value - inner.value) <= 1e-7 * se
            if stuck and bool(((found.theta <= low) | (found.theta >= high)).any()):
                return found.value, True
            inner = found
            reach *= 2
        return side * np.inf, True

    def _between(self, inner: _Point, outer: _Point, limit: float, se: float) -> float:
        """The value of the quantity where the profile crosses `limit`."""
        seen = {inner.target: inner, outer.target: outer}

        def excess(target: float) -> float:
            if target not in seen:
                near = min(seen.values(), key=lambda point: abs(point.target - target))
                found = self.towards(target, near.theta, se)
                if found is None:
                    raise CannotAnswer(
                        f"The interval of the {self.fit.model.name} curve could not be traced.",
                        "Take more readings where the curve bends.",
                    )
                seen[target] = found
            return seen[target].tau - limit

        root = brentq(excess, inner.target, outer.target, xtol=1e-8 * se, rtol=8 * _EPS)
        excess(root)
        return seen[root].value


def profile_interval(
    fit: CurveFit,
    of: str | Callable[[Array], float],
    conf_level: float = 0.95,
    *,
    name: str | None = None,
    unit: str | None = None,
) -> ProfileInterval:
    """Profile-likelihood interval of a parameter, or of anything reckoned from the parameters.

    For each value c of the quantity the other parameters are fitted anew; c belongs to the interval if

        RSS(c) <= RSS_min + sigma^2 F(conf_level; 1, dof).

    Unlike estimate plus or minus t standard errors it follows the bend of the curve, stays within the
    bounds and shows when the readings set no limit. D. M. Bates and D. G. Watts, "Nonlinear regression
    analysis and its applications" (Wiley, 1988), chapter 6.

    Parameters
    ----------
    fit : CurveFit
    of : str or callable(values) -> float
        Name of a parameter, or a smooth function of the array of parameter values.
    conf_level : float
        Between 0 and 1.
    name, unit : str, optional
        How to call a function of the parameters.

    Raises
    ------
    CannotAnswer
        The quantity has no finite value or slope at the fit, or the profile could not be traced.
    ValueError
        An unknown parameter, or a confidence level outside 0 to 1.

    Examples
    --------
    >>> decay = CurveModel(
    ...     "decay", "loses the same share each hour",
    ...     (Parameter("size", unit="g"), Parameter("rate", unit="1/h", lower=0)),
    ...     f=lambda x, p: p[0] * np.exp(-p[1] * x),
    ...     jacobian=lambda x, p: [np.exp(-p[1] * x), -p[0] * x * np.exp(-p[1] * x)],
    ...     starts=lambda x, y: [y[0], 1 / x.mean()],
    ... )
    >>> fit = fit_curve(decay, [0, 1, 2, 3, 4], [10.1, 5.9, 3.8, 2.2, 1.3])
    >>> half = profile_interval(fit, lambda p: np.log(2) / p[1], name="half time", unit="h")
    >>> round(half.estimate, 3), round(half.conf_low, 3), round(half.conf_high, 3)
    (1.368, 1.269, 1.477)
    """
    if not 0 < conf_level < 1:
        raise ValueError("conf_level must lie between 0 and 1")
    if isinstance(of, str):
        if of not in fit.model.names:
            raise ValueError(f"{fit.model.name} has no parameter {of!r}")
        position = fit.model.names.index(of)
        name, unit = name or of, fit.model.parameters[position].unit if unit is None else unit
    profile = _Profile(fit, (lambda p: float(p[position])) if isinstance(of, str) else lambda p: float(of(p)))
    with np.errstate(all="ignore"):
        estimate = profile.quantity(fit.values)
        slopes = fit.model.slopes(fit.x, fit.values)
        scale = np.where(slopes.any(axis=0), np.sqrt((slopes**2).sum(axis=0)), 1.0)
        spread = np.linalg.pinv(slopes / scale) / scale[:, None] * fit.sigma
        along = profile.gradient(fit.values) @ spread
        se = float(np.sqrt(along @ along))
        if not (np.isfinite(estimate) and np.isfinite(se)):
            raise CannotAnswer(
                f"{name or 'This quantity'} has no finite value at the fitted {fit.model.name} curve.",
                "Take readings for longer, so that the curve reaches it.",
            )
        low, high, ends = estimate, estimate, (False, False)
        if se > 0 and fit.sigma > 64 * _EPS * float(np.abs(fit.y).max()):  # else nothing is left open
            limit = float(np.sqrt(stats.f.ppf(conf_level, 1, fit.dof)))
            direction = spread @ along / se**2
            low, low_open = profile.end(limit, -1, se, direction)
            high, high_open = profile.end(limit, +1, se, direction)
            ends = (low_open, high_open)
    return ProfileInterval(name or "quantity", estimate, low, high, conf_level, *ends, unit or "")
