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
_TOLERANCE = 1e-15
_OFFSET = 1e-5  # of Bates and Watts, at which a search has converged
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


@dataclass(frozen=True)
class CurveModel:
    """A curve to be fitted: y = f(x; values).

    `jacobian` gives the derivative of `f` by each parameter; `starts`, from the readings, one or more rows of
    starting values.
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
        return np.array([p.lower for p in self.parameters]), np.array([p.upper for p in self.parameters])

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
    values, errors, covariance : arrays
        Estimates, standard errors (nan for a parameter that ended on its bound) and sigma^2 (J'J)^-1.
    rss, aicc : float
        Residual sum of squares, and `aicc` of it.
    dof : int
        Readings less parameters.
    sigma : float
        Residual standard deviation, sqrt(rss / dof), but no smaller than that of rounding.
    at_bound : tuple of str
        Parameters that ended on a bound.
    """

    model: CurveModel
    x: Array
    y: Array
    fitted: Array = field(repr=False)
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
        units = [parameter.unit for parameter in self.model.parameters]
        table = pd.DataFrame({"term": self.model.names, "unit": units, "estimate": self.values})
        ends = {"conf_low": self.values - reach, "conf_high": self.values + reach}
        return table.assign(se=self.errors, **ends, df=self.dof)

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
        from fizzlab.models.plotting import BLUE, INK, axes_for

        axes = axes_for(ax)
        x = np.linspace(float(self.x.min()), float(self.x.max()), 200)
        axes.plot(x, self.at(x), color=BLUE)
        axes.plot(self.x, self.y, ".", color=INK)
        return axes


def aicc(rss: float, n: int, parameters: int) -> float:
    """Small-sample Akaike criterion of a least-squares fit; inf where n is too small.

    n log(rss/n) + 2k + 2k(k+1)/(n-k-1) with k = parameters + 1, since the residual variance counts as one.
    C. M. Hurvich and C.-L. Tsai, Biometrika 76 (1989), 297-307.

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
        if not best.fault and best.rss <= _SUSPECT * level:
            return best
        again = [row for row, end in zip(rows, quick, strict=True) if end.fault not in (_SPENT, _NO_START)]
        return min([*quick, *(self.descend(row, bounded=True) for row in again)], key=lambda end: end.merit)

    def descend(self, start: Array, bounded: bool) -> _End:
        """Go downhill from one start, and judge the end."""
        free = np.ones(len(start), bool)
        if not (np.isfinite(self.residuals(start)).all() and np.isfinite(self.slopes(start)).all()):
            return _End(start, np.inf, free, _NO_START)
        fine = dict.fromkeys(("ftol", "xtol", "gtol"), _TOLERANCE)
        if bounded:
            within, most = (self.low, self.high), self.evaluations
            found = least_squares(
                self.residuals, start, self.slopes, bounds=within, x_scale="jac", max_nfev=most, **fine
            )
            theta, spent = np.asarray(found.x, float), found.status == 0
        else:
            theta, *_, status = leastsq(
                self.residuals, start, Dfun=self.slopes, full_output=True, maxfev=self.evaluations, **fine
            )
            spent = status == 5
        inside = bool(((theta >= self.low) & (theta <= self.high)).all())
        if spent or not inside:
            return _End(theta, np.inf, free, _SPENT if inside else _MOVING)
        if bounded:  # the search within bounds ends beside one by rounding alone
            nearest = np.where(theta - self.low <= self.high - theta, self.low, self.high)
            unit = np.sqrt(2 * found.cost) / _lengths(self.slopes(theta))
            free = np.abs(theta - nearest) > 1e-6 * unit
            theta = np.where(free, theta, nearest)
        end = _End(theta, float(np.sum(self.residuals(theta) ** 2)), free)
        return replace(end, fault=self._fault(end))

    def _fault(self, end: _End) -> str:
        """What speaks against an end, by the relative offset of Bates and Watts; empty if nothing does.

        D. M. Bates and D. G. Watts, "A relative offset orthogonality convergence criterion for nonlinear
        least squares", Technometrics 23 (1981), 179-183.
        """
        r, slopes = self.residuals(end.theta), self.slopes(end.theta)[:, end.free]
        u, values, _ = np.linalg.svd(slopes / _lengths(slopes), full_matrices=False)
        heard = values > _RANK * values[0]
        gain = float(np.sum((u.T @ r)[heard] ** 2))
        left = max(end.rss - gain, 0.0) / max(len(r) - len(end.theta), 1)
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


def _squares(model: CurveModel, x: Array, y: Array, evaluations: int = 1000) -> _Squares:
    size = float(np.abs(y).max())
    return _Squares(lambda p: model(x, p) - y, lambda p: model.slopes(x, p), *model.bounds, size, evaluations)


def fit_curve(
    model: CurveModel,
    x: ArrayLike,
    y: ArrayLike,
    *,
    start: ArrayLike | None = None,
    resolution: float = 0.0,
    evaluations: int = 1000,
) -> CurveFit:
    """Fit one curve by least squares; all of the model's starts are tried and the lowest end is kept.

    Parameters
    ----------
    start : array, optional
        Starting values, or several rows of them, instead of the model's own.
    resolution : float
        Step of the instrument in units of y (0.1 for a scale that shows tenths of a gram). The residual
        standard deviation is never taken to be below that of rounding, step / sqrt(12), however well a
        few rounded readings happen to lie on the curve.
    evaluations : int
        The most that a search from one start may take.

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
    0  size    10.055     9.667     10.444
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
    variance = max(end.rss / (n - width), resolution**2 / 12)
    root = solver(squares.slopes(end.theta)[:, end.free])
    covariance = np.full((width, width), np.nan)
    covariance[np.ix_(end.free, end.free)] = variance * root @ root.T
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
        aicc=aicc(max(end.rss, n * resolution**2 / 12), n, width),
        dof=n - width,
        sigma=float(np.sqrt(variance)),
        at_bound=tuple(name for name, free in zip(model.names, end.free, strict=True) if not free),
    )


@dataclass(frozen=True)
class CurveComparison:
    """Several curves fitted to the same readings.

    `fits` are those that could be fitted, best first; `table` has one row a curve: model, parameters, rss,
    aicc, delta (AICc above the best), weight (Akaike weight: its share of the evidence) and note.
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

    K. P. Burnham and D. R. Anderson, Model selection and multimodel inference (2nd ed., 2002), section 2.9.

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
    """Fit each of several curves, as `fit_curve` does, and rank them by AICc.

    A curve that could not be fitted, or that has too many unknowns for the number of readings, is
    listed with the reason and takes no part.

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
            if np.isinf(fit.aicc):
                many = len(fit.values)
                raise CannotAnswer(
                    f"{len(fit.y)} readings are too few to weigh a curve with {many} unknowns.",
                    f"Take at least {many + 3} readings.",
                )
            fits.append(fit)
        except CannotAnswer as problem:
            failed[model.name] = problem
    if not fits:
        raise next(iter(failed.values()))
    fits.sort(key=lambda fit: fit.aicc)
    rows = [(fit.model.name, len(fit.values), fit.rss, fit.aicc, fit.aicc - fits[0].aicc, "") for fit in fits]
    lost = [(name, np.nan, np.nan, np.nan, np.nan, str(why)) for name, why in failed.items()]
    table = pd.DataFrame([*rows, *lost], columns=["model", "parameters", "rss", "aicc", "delta", "note"])
    return CurveComparison(tuple(fits), table.assign(weight=akaike_weights(table["aicc"].fillna(np.inf))))


@dataclass(frozen=True)
class ProfileInterval:
    """A profile-likelihood interval.

    An end is open where the readings rule out nothing beyond it, up to the bound of a parameter (then the end
    is the value there) or without end (then infinite).
    """

    name: str
    estimate: float
    conf_low: float
    conf_high: float
    conf_level: float
    low_open: bool = False
    high_open: bool = False


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


class _Profile:
    """The least sum of squares for each value of a quantity."""

    def __init__(self, fit: CurveFit, quantity: Callable[[Array], float]) -> None:
        self.fit, self.quantity = fit, quantity
        self.squares = _squares(fit.model, fit.x, fit.y)
        self.sizes = np.where(fit.values == 0, 1.0, 1e-3 * np.abs(fit.values))
        spread = solver(self.squares.slopes(fit.values)) * fit.sigma
        along = self.gradient(fit.values) @ spread
        self.se = float(np.sqrt(along @ along))
        self.direction = spread @ along / self.se**2
        self.middle = _Point(quantity(fit.values), quantity(fit.values), fit.values, 0.0)

    def gradient(self, theta: Array) -> Array:
        steps = np.diag(_STEP * np.maximum(np.abs(theta), self.sizes))
        return np.array(
            [(self.quantity(theta + s) - self.quantity(theta - s)) / (2 * s.sum()) for s in steps]
        )

    def towards(self, target: float, *starts: Array) -> _Point | None:
        """The least sum of squares with a pull of the quantity to `target`; None where it is not found.

        Whatever value of the quantity that point has, it is the least for that value, so it lies on the
        profile exactly, however hard or soft the pull.
        """
        fit, plain, weight = self.fit, self.squares, _PULL * self.fit.sigma / self.se
        pulled = replace(
            plain,
            residuals=lambda p: np.append(plain.residuals(p), weight * (self.quantity(p) - target)),
            slopes=lambda p: np.vstack([plain.slopes(p), weight * self.gradient(p)]),
            size=max(plain.size, weight * abs(target)),
        )
        end = pulled.least(starts)
        if end.fault:
            return None
        rss = float(np.sum(plain.residuals(end.theta) ** 2))
        if rss < fit.rss * (1 - 1e-6) - fit.sigma**2 * 1e-6:
            raise self.lost("fits these readings in more than one way; a better one turned up on the way")
        tau = float(np.sqrt(max(rss - fit.rss, 0.0)) / fit.sigma)
        return _Point(target, self.quantity(end.theta), end.theta, tau)

    def end(self, limit: float, side: int) -> tuple[float, bool]:
        """One end of the interval, and whether it is open."""
        low, high = self.fit.model.bounds
        inner, step = self.middle, side * limit * self.se
        for _ in range(_DOUBLINGS):
            # a far guess may lead astray: the way from within is tried too
            found = self.towards(inner.target + step, inner.theta + step * self.direction, inner.theta)
            if found is None:  # too far in one go
                step /= 2
                continue
            if found.tau >= limit:
                return self._crossing({inner.target: inner, found.target: found}, limit), False
            stuck = side * (found.value - inner.value) <= 1e-7 * self.se
            if stuck and bool(((found.theta <= low) | (found.theta >= high)).any()):
                return found.value, True
            inner, step = found, 2 * step
        return side * np.inf, True

    def _crossing(self, seen: dict[float, _Point], limit: float) -> float:
        """The value of the quantity where the profile crosses `limit`, between two points."""

        def excess(target: float) -> float:
            if target not in seen:
                near = min(seen.values(), key=lambda point: abs(point.target - target))
                found = self.towards(target, near.theta)
                if found is None:
                    raise self.lost("has an interval that could not be traced")
                seen[target] = found
            return seen[target].tau - limit

        root = brentq(excess, *seen, xtol=1e-8 * self.se, rtol=8 * _EPS)
        excess(root)
        return seen[root].value

    def lost(self, what: str) -> CannotAnswer:
        do = "Take more readings where the curve bends."
        return CannotAnswer(f"The {self.fit.model.name} curve {what}.", do)


def profile_interval(
    fit: CurveFit, of: str | Callable[[Array], float], conf_level: float = 0.95, *, name: str = "quantity"
) -> ProfileInterval:
    """Profile-likelihood interval of a parameter, or of anything reckoned from the parameters.

    For each value c of the quantity the other parameters are fitted anew; c belongs to the interval if

        RSS(c) <= RSS_min + sigma^2 F(conf_level; 1, dof).

    Unlike estimate plus or minus t standard errors it follows the bend of the curve, stays within the
    bounds and shows when the readings set no limit. D. M. Bates and D. G. Watts, "Nonlinear regression
    analysis and its applications" (Wiley, 1988), chapter 6.

    Parameters
    ----------
    of : str or callable(values) -> float
        Name of a parameter, or a smooth function of the array of parameter values.
    name : str
        How to call a function of the parameters.

    Raises
    ------
    CannotAnswer
        The quantity has no finite value or slope at the fit, or the profile could not be traced.
    ValueError
        An unknown parameter, or a confidence level outside 0 to 1.

    Examples
    --------
    >>> line = CurveModel("line", "", (Parameter("a"), Parameter("b")), lambda x, p: p[0] + p[1] * x,
    ...     lambda x, p: [1.0, x], lambda x, y: [0.0, 1.0])
    >>> found = profile_interval(fit_curve(line, [0, 1, 2, 3], [1.0, 2.1, 2.9, 4.2]), "b")
    >>> round(found.estimate, 2), round(found.conf_low, 2), round(found.conf_high, 2)
    (1.04, 0.76, 1.32)
    """
    if not 0 < conf_level < 1:
        raise ValueError("conf_level must lie between 0 and 1")
    if isinstance(of, str):
        if of not in fit.model.names:
            raise ValueError(f"{fit.model.name} has no parameter {of!r}")
        name, position = of, fit.model.names.index(of)
    with np.errstate(all="ignore"):
        profile = _Profile(fit, lambda p: float(p[position] if isinstance(of, str) else of(p)))
        estimate = profile.middle.value
        if not (np.isfinite(estimate) and np.isfinite(profile.se)):
            raise CannotAnswer(
                f"The {name} has no finite value at the fitted {fit.model.name} curve.",
                "Take readings for longer, so that the curve reaches it.",
            )
        if profile.se == 0 or fit.sigma <= 64 * _EPS * profile.squares.size:  # nothing is left open
            return ProfileInterval(name, estimate, estimate, estimate, conf_level)
        limit = float(np.sqrt(stats.f.ppf(conf_level, 1, fit.dof)))
        (low, low_open), (high, high_open) = profile.end(limit, -1), profile.end(limit, +1)
    return ProfileInterval(name, estimate, low, high, conf_level, low_open, high_open)
