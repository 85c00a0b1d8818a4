"""The gas of a piece, from a cup on a kitchen scale: start - gas F(t) - drift t + jumps.

F is the share of the gas that has left by t seconds, by one of `SHAPES`, weighed by AICc. Drift is water that
dries up; a jump is a splash or a touch.
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from typing import Literal, get_args

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy import stats

from fizzlab.errors import CannotAnswer, cannot
from fizzlab.language import say
from fizzlab.models.curves import CurveFit, CurveModel, Parameter, aicc, fit_curve, scale_step, solver
from fizzlab.models.result import noted
from fizzlab.models.terms import need_columns
from fizzlab.models.water import soluble_g

Array = NDArray[np.float64]
Shape = Literal["zero order", "first order", "cube root", "weibull"]
Kind = Literal["splash", "added", "touched"]
Place = tuple[Kind, float]

#: The curves: one pace until all is gone; the same share of what is left each second; an even piece that
#: shrinks from its surface; ever slower (bend below 1) or gathering pace first (above 1).
SHAPES: tuple[Shape, ...] = get_args(Shape)

_LEAST_EVIDENCE = 4.0  # AICc by which a curve must beat a straight line
_LEAST_JUMP = 2.5  # steps of the scale below which a jump cannot be told from rounding
_LN2 = float(np.log(2))
_CUBE = 1 - 0.5 ** (1 / 3)


def _share(shape: Shape, u: Array, bend: float) -> tuple[Array, Array, Array]:
    """F at u = t/t50 with its slopes by u and by bend (1 but for "weibull"); it is a half at u = 1."""
    none = np.zeros_like(u)
    if shape == "zero order":
        return np.minimum(u / 2, 1.0), np.where(u < 2, 0.5, 0.0), none
    if shape == "first order":
        return -np.expm1(-_LN2 * u), _LN2 * np.exp(-_LN2 * u), none
    if shape == "cube root":
        rest = np.maximum(1 - _CUBE * u, 0.0)
        return 1 - rest**3, 3 * _CUBE * rest**2, none
    log_u = np.log(np.maximum(u, 1e-300))
    power = _LN2 * np.exp(np.minimum(bend * log_u, 700.0))
    slope = np.exp(-power) * power
    return -np.expm1(-power), slope * bend / np.maximum(u, 1e-300), slope * log_u


def share_out(shape: Shape, seconds: ArrayLike, t50_s: float, bend: float = 1.0) -> Array:
    """Share of a piece's gas that has left.

    Zero order: t / (2 t50). First order: 1 - 2^(-t/t50). Cube root: 1 - (1 - c t/t50)^3, c = 1 - 0.5^(1/3).
    Weibull: 1 - 2^(-(t/t50)^bend). Hixson and Crowell (1931), Langenbucher (1972) (from memory, not seen).
    """
    return _share(shape, np.asarray(seconds, float) / t50_s, bend)[0]


def time_until(shape: Shape, share: float, t50_s: float, bend: float = 1.0) -> float:
    """Seconds until `share` of the gas is out."""
    if shape == "zero order":
        return t50_s * 2 * share
    if shape == "cube root":
        return float(t50_s * (1 - (1 - share) ** (1 / 3)) / _CUBE)
    return t50_s * float((-np.log2(1 - share)) ** (1 / bend if shape == "weibull" else 1.0))


def _columns(places: Sequence[Place], t: Array) -> list[Array]:
    """What a jump of one gram adds at each of some seconds: to one reading, or from a reading on."""
    return [np.asarray(t == at if kind == "touched" else t >= at, float) for kind, at in places]


def gas_model(shape: Shape, drift: bool = False, places: Sequence[Place] = ()) -> CurveModel:
    """The curve of what the scale shows, with a steady loss besides and jumps at some places."""
    bent = shape == "weibull"
    parameters = [
        *(Parameter("start_g", unit="g"), Parameter("gas_g", unit="g", lower=0.0)),
        Parameter("t50_s", unit="s", lower=1e-3),
        *([Parameter("bend", lower=0.15, upper=10.0)] if bent else []),
        *([Parameter("drift_g_s", unit="g/s")] if drift else []),
        *(Parameter(f"jump_{k + 1}_g", unit="g") for k in range(len(places))),
    ]

    def jacobian(t: Array, p: Array) -> list[ArrayLike]:
        u, besides = t / p[2], [*([-t] if drift else []), *_columns(places, t)]
        gone, by_u, by_bend = _share(shape, u, p[3] if bent else 1.0)
        return [1.0, -gone, p[1] * by_u * u / p[2], *([-p[1] * by_bend] if bent else []), *besides]

    def f(t: Array, p: Array) -> Array:  # a sum of its slopes: only t50 and the bend are not linear in it
        parts = enumerate(zip(p, jacobian(t, p), strict=True))
        return np.asarray(
            sum(value * slope for k, (value, slope) in parts if k != 2 and (k != 3 or not bent))
        )

    def starts(t: Array, y: Array) -> Array:
        gas = max(float(y[0] - y.min()), 1e-6)
        seen = float(np.interp(0.5, np.maximum.accumulate((y[0] - y) / gas), t))
        half = max(seen, float(t[t > 0].min()) / 2)
        # curves that end in a corner have several lowest points
        near = (1.0,) if shape == "first order" else (1.0, 0.5, 0.7, 1.4, 2.0)
        own = [(half, bend) for bend in (0.6, 1.0, 2.0)] if bent else [(half * factor,) for factor in near]
        return np.array([[float(y[0]), gas, *each, *[0.0] * (drift + len(places))] for each in own])

    return CurveModel(shape, tuple(parameters), f, jacobian, starts)


@dataclass(frozen=True)
class Jump:
    """Mass gone (negative) or come at once, by the first reading after it, or one reading out of line."""

    kind: Kind
    seconds: float
    change_g: float


@dataclass(frozen=True, kw_only=True)
class GasFit(CurveFit):
    """The gas of one piece: the fitted curve of mass on the scale, and what is read off it.

    `estimates` of gas_g (that leaves in the end), t50_s and t90_s (seconds until half and nine tenths of it
    are out) and start_g_s (a tenth of the gas over the time it takes to leave); `step_g` of the scale;
    `jumps`, not counted as gas; `weighed`, the AICc of each curve that could be fitted, the best first;
    `readings` with fitted_g, residual_g, gas_g (drift and splashes taken off) and used.
    """

    shape: Shape
    estimates: pd.DataFrame
    step_g: float
    jumps: tuple[Jump, ...]
    weighed: Mapping[Shape, float] = field(repr=False)
    readings: pd.DataFrame = field(repr=False)

    @property
    def drift_seen(self) -> bool:
        """Did the readings go on long enough after the fizz to show a steady loss?"""
        return "drift_g_s" in self.parameters

    @property
    def plateau_seen(self) -> bool:
        """Were nine tenths out by the last reading? If not, gas_g and t90_s reach past the readings."""
        return bool(self.estimates["estimate"]["t90_s"] <= self.x.max())

    @property
    def heading(self) -> str:
        """What it rests on."""
        return say("gas_heading", shape=self.shape, readings=len(self.readings), step=self.step_g)

    @property
    def table(self) -> pd.DataFrame:
        """One row a number: term, estimate, conf_low, conf_high, df."""
        return self.estimates.rename_axis("term").reset_index().assign(df=self.dof)

    def gas_at(self, seconds: ArrayLike) -> Array:
        """Grams of gas that have left by `seconds`, by the fitted curve."""
        bend = self.parameters.get("bend", 1.0)
        return self["gas_g"] * share_out(self.shape, seconds, self["t50_s"], bend)


@dataclass(frozen=True)
class _Cup:
    """The readings of one cup, and whether a steady loss is allowed for."""

    seconds: Array
    mass: Array
    step: float
    drift: bool = False

    def fits(
        self, shapes: Sequence[Shape] = SHAPES, places: Sequence[Place] = (), start: Array | None = None
    ) -> list[CurveFit]:
        """Every curve that could be fitted and weighed, the best first; from `start` alone where given."""
        found: list[CurveFit] = []
        refused: list[CannotAnswer] = []
        for shape in shapes:
            model = gas_model(shape, self.drift, places)
            try:  # a curve that does not fit at all can run away for ever
                fit = fit_curve(
                    model, self.seconds, self.mass, start=start, resolution=self.step, evaluations=100
                )
                if np.isinf(fit.aicc):
                    raise cannot("gas_few_to_weigh", n=len(self.mass), shape=shape)
                found.append(fit)
            except CannotAnswer as reason:
                refused.append(reason)
        if not found:
            raise refused[0]
        return sorted(found, key=lambda fit: fit.aicc)

    def straight(self, *more: Array) -> float:
        """AICc of a straight line with further columns."""
        n, x = len(self.mass), np.column_stack([np.ones_like(self.seconds), self.seconds, *more])
        scale = np.abs(x).max(axis=0)
        left = self.mass - x @ (np.linalg.lstsq(x / scale, self.mass, rcond=None)[0] / scale)
        return aicc(max(float(left @ left), n * self.step**2 / 12), n, x.shape[1])


def fit_gas_curve(
    readings: pd.DataFrame,
    *,
    shapes: Sequence[Shape] = SHAPES,
    step_g: float | None = None,
    conf_level: float = 0.95,
) -> GasFit:
    """Fit the gas of one cup: mass = start - gas F(t) - drift t + jumps, by the shape F of the lowest AICc.

    A steady loss is fitted where the readings go on long enough after the fizz (twice the time of nine
    tenths, and five readings). It may come out slightly negative by chance. Shapes are those of `share_out`.

    Parameters
    ----------
    readings : DataFrame
        Columns seconds (since the piece went in; the first reading should be the one as it goes in) and
        mass_g (of cup, water and piece).
    shapes : sequence of {"zero order", "first order", "cube root", "weibull"}
        Curves to weigh against each other.
    step_g : float, optional
        Step of the scale in grams; found from the readings by default.

    Raises
    ------
    CannotAnswer
        Too few readings, hardly any gas for this scale, still fizzing at full pace at the last reading, or no
        curve could be fitted.

    Examples
    --------
    >>> seconds = np.arange(0.0, 241.0, 10.0)
    >>> mass = np.round(412.34 - 9.0 * share_out("first order", seconds, t50_s=30), 1)
    >>> fit = fit_gas_curve(pd.DataFrame({"seconds": seconds, "mass_g": mass}))
    >>> fit.shape, round(fit["gas_g"], 1), round(fit["t50_s"]), fit.step_g
    ('first order', 9.0, 30, 0.1)
    """
    need_columns(readings, ["seconds", "mass_g"], say("cup_readings"))
    table = readings[["seconds", "mass_g"]].astype(float).sort_values("seconds", kind="stable")
    t, mass = table["seconds"].to_numpy(), table["mass_g"].to_numpy()
    if len(t) < 6:
        raise cannot("gas_few", n=len(t))
    if not np.isfinite(t).all() or not np.isfinite(mass).all() or (np.diff(t) <= 0).any():
        raise ValueError("seconds must be known and each given once, and every mass known")
    cup = _Cup(t, mass, scale_step(mass) if step_g is None else step_g)
    if mass[0] - mass[-3:].mean() < 4 * cup.step or mass[0] <= mass[-3:].mean():
        raise cannot("gas_little")
    if len(t) >= 10 and cup.straight() < cup.straight(t**2, np.log(t + t[1])) + _LEAST_EVIDENCE:
        raise cannot("gas_one_pace")
    cup, plain = _with_tail(cup)
    places = _places_of_jumps(cup, plain)
    fits = cup.fits(shapes, places) if places or tuple(shapes) != SHAPES else plain
    best, columns = fits[0], _columns(places, t)
    unending = {"gas_g", "t50_s"} & set(best.at_bound) or best["t50_s"] > t[-1]
    if unending or cup.straight(*columns) < best.aicc + _LEAST_EVIDENCE:
        raise cannot("gas_one_pace")
    used, fitted, gas = np.ones(len(t), bool), best.at(t), best["start_g"] - mass
    gas -= best.parameters.get("drift_g_s", 0.0) * t
    jumps = []
    for k, ((kind, at), column) in enumerate(zip(places, columns, strict=True)):
        size = best[f"jump_{k + 1}_g"]
        if kind == "touched":
            used &= t != at
            fitted = fitted - size * column
        else:
            gas += size * column
            kind = "splash" if size < 0 else "added"
        jumps.append(Jump(kind, at, size))
    shown = {"fitted_g": fitted, "residual_g": mass - fitted, "gas_g": gas, "used": used}
    told = {"response": "gas_g", "conf_level": conf_level, "shape": _shape(best), "step_g": cup.step}
    return GasFit(
        **{**vars(best), **told},
        estimates=_estimates(best, cup.step, conf_level),
        jumps=tuple(sorted(jumps, key=lambda jump: jump.seconds)),
        weighed={_shape(fit): fit.aicc for fit in fits},
        readings=table.assign(**shown).reset_index(drop=True),
    )


def _shape(fit: CurveFit) -> Shape:
    return next(shape for shape in SHAPES if shape == fit.model.name)


def _with_tail(cup: _Cup) -> tuple[_Cup, list[CurveFit]]:
    """The cup, with a steady loss where readings go on long enough after the fizz, and its fits."""
    drying = replace(cup, drift=True)
    with suppress(CannotAnswer):
        fits = drying.fits()
        t90 = time_until(_shape(fits[0]), 0.9, fits[0]["t50_s"], fits[0].parameters.get("bend", 1.0))
        if cup.seconds[-1] >= 2 * t90 and (cup.seconds > 1.3 * t90).sum() >= 5:
            return drying, fits
    return cup, cup.fits()


def _estimates(fit: CurveFit, step: float, conf_level: float) -> pd.DataFrame:
    """Gas and times with their intervals, each worked out on its logarithm."""
    gas, t50, bend = fit["gas_g"], fit["t50_s"], fit.parameters.get("bend", 1.0)
    first, most = (float(np.log(time_until(_shape(fit), share, 1.0, bend))) for share in (0.1, 0.9))
    value = np.add(np.log([gas, t50, t50, gas / (10 * t50)]), [0.0, 0.0, most, -first])
    slopes = np.zeros((4, len(fit.values)))
    slopes[:, 1:3] = [[1 / gas, 0], [0, 1 / t50], [0, 1 / t50], [1 / gas, -1 / t50]]
    if _shape(fit) == "weibull":  # both times go as a power of 1 / bend
        slopes[2:, 3] = [-most / bend, first / bend]
    variance = np.einsum("ij,jk,ik->i", slopes, _rounded_covariance(fit, step), slopes)
    margin = float(stats.t.ppf(0.5 + conf_level / 2, fit.dof)) * np.sqrt(variance)
    ends = np.exp(np.column_stack([value, value - margin, value + margin]))
    names = ["gas_g", "t50_s", "t90_s", "start_g_s"]
    return pd.DataFrame(ends, index=names, columns=["estimate", "conf_low", "conf_high"])


def _rounded_covariance(fit: CurveFit, step: float) -> Array:
    """Covariance of the estimates, counting that readings of about the same mass share their rounding error.

    Two that differ by d have, besides noise s, the covariance of a sawtooth of period q (the step) smoothed
    by s: sum over k of q^2 / (2 pi^2 k^2) exp(-4 pi^2 k^2 s^2 / q^2) cos(2 pi k d / q).
    """
    if step <= 0:
        return fit.covariance
    back, fitted = solver(fit.model.slopes(fit.x, fit.values)), fit.at(fit.x)
    noise = max(fit.sigma**2 - step**2 / 12, 0.0)
    apart = fitted[:, None] - fitted[None, :]
    shared = np.zeros_like(apart)
    for k in range(1, 6):
        size = step**2 / (2 * np.pi**2 * k**2) * np.exp(-4 * np.pi**2 * k**2 * noise / step**2)
        shared += size * np.cos(2 * np.pi * k * apart / step)
    shared[np.diag_indices_from(shared)] = fit.sigma**2
    rounded: Array = back @ shared @ back.T
    # where rounding errors happen to cancel, the plain variance stands
    plain, ours = np.diag(fit.covariance), np.diag(rounded)
    return rounded if (ours >= plain).all() else np.maximum(1.0, np.nanmax(ours / plain)) * fit.covariance


def _places_of_jumps(cup: _Cup, fits: list[CurveFit]) -> list[Place]:
    """Where the scale jumped, at most four times; `fits` are the curves without any.

    The two best places by each curve are tried. What takes most squares off is kept if it is over 2.5 steps
    of the scale with an F test below 0.001 over all places (Bonferroni); then the search goes on with it in
    the curve.
    """
    places: list[Place] = []
    while len(places) < 4 and np.abs(fits[0].y - fits[0].at(fits[0].x)).max() >= cup.step:
        top, found = 1.0, list[Place]()
        for fit in fits:
            ranked = _ranked(fit)
            for place in ranked[:2]:
                with suppress(CannotAnswer):
                    (with_it,) = cup.fits([_shape(fit)], [*places, place], np.append(fit.values, 0.0))
                    left = max(with_it.rss / with_it.dof, cup.step**2 / 12, 1e-12)
                    p = float(stats.f.sf((fits[0].rss - with_it.rss) / left, 1, with_it.dof)) * len(ranked)
                    top, found = (p, [*places, place]) if p < top else (top, found)
        if top >= 0.001:
            break
        with suppress(CannotAnswer):
            fits = cup.fits(places=found)
        if abs(fits[0].parameters.get(f"jump_{len(found)}_g", 0.0)) <= _LEAST_JUMP * cup.step:
            break
        places = found
    return places


def _ranked(fit: CurveFit) -> list[Place]:
    """Every place of a jump, by the squares it would take off; not in the first gap, a quick start."""
    n, residuals = len(fit.y), fit.y - fit.at(fit.x)
    q, _ = np.linalg.qr(fit.model.slopes(fit.x, fit.values))
    found: list[tuple[float, Place]] = []
    kinds: tuple[tuple[Kind, int], ...] = (("touched", 1), ("splash", 2))
    for kind, first in kinds:
        for at in fit.x[first : n - first + 1].tolist():
            (column,) = _columns([(kind, at)], fit.x)
            own = column - q @ (q.T @ column)
            if own @ own >= 0.02:
                found.append((float(own @ residuals) ** 2 / float(own @ own), (kind, at)))
    return [place for _, place in sorted(found, key=lambda each: -each[0])]


@dataclass(frozen=True)
class GasCurves:
    """The fizz curves of a trial: `fits` in the order of `pieces` (one row a curve), `not_fitted` with why.

    `common` is the shape that all are stated in; None if each piece has its own best.
    """

    pieces: pd.DataFrame
    fits: tuple[GasFit, ...]
    not_fitted: pd.DataFrame
    common: Shape | None


def fit_gas_curves(curves: pd.DataFrame, curve: Literal["common", "own"] = "common") -> GasCurves:
    """Fit every fizz curve of a trial: run, piece, water_c, seconds, mass_g; refused where none can be.

    Pieces are compared fairly only by the same curve, so "common" is the shape with the lowest sum of AICc
    over the pieces; "own" gives each piece its best.
    """
    cups = {(run, piece): rows for (run, piece), rows in curves.groupby(["run", "piece"], sort=False)}
    fits: dict[tuple[Hashable, Hashable], GasFit] = {}
    failed: dict[tuple[Hashable, Hashable], CannotAnswer] = {}

    def fit_by(shapes: Sequence[Shape]) -> None:
        for key in [key for key in cups if key not in fits and key not in failed]:
            with noted(failed, key):
                fits[key] = fit_gas_curve(cups[key], shapes=shapes)

    fit_by(SHAPES)
    if not fits:
        raise next(iter(failed.values()))
    weighed = pd.DataFrame([fit.weighed for fit in fits.values()]).reindex(columns=list(SHAPES))
    whole = weighed.dropna()
    sums = (whole if len(whole) else weighed).sum(min_count=1)
    common = next(name for name in SHAPES if sums[name] == sums.min()) if curve == "common" else None
    if common is not None:
        fits = {key: fit for key, fit in fits.items() if fit.shape == common}
        fit_by([common])
    order = [key for key in cups if key in fits]
    who = [(*key, float(cups[key]["water_c"].mean())) for key in order]
    numbers = pd.DataFrame([fits[key].estimates["estimate"] for key in order]).reset_index(drop=True)
    pieces = pd.concat([pd.DataFrame(who, columns=["run", "piece", "water_c"]), numbers], axis=1)
    lost = [(*key, str(problem)) for key, problem in failed.items()]
    not_fitted = pd.DataFrame(lost, columns=["run", "piece", "why"])
    return GasCurves(pieces, tuple(fits[key] for key in order), not_fitted, common)


def share_reached(
    pieces: pd.DataFrame, theory_g: float | Mapping[str, float], water_l: float
) -> pd.DataFrame:
    """Gas that came against what the recipe could give, less what stays dissolved, by batch.

    `theory_g` is of one piece (or by run). Indexed by run: gas_g and dissolved_g (means of its pieces),
    theory_g, and share, (gas + dissolved) / theory.
    """
    held = [soluble_g(water_l, float(at)) for at in pieces["water_c"]]
    means = pieces.assign(dissolved_g=held).groupby("run", sort=False)[["gas_g", "dissolved_g"]].mean()
    means["theory_g"] = means.index.astype(str).map(theory_g) if isinstance(theory_g, Mapping) else theory_g
    if not (means["theory_g"] > 0).all():
        raise ValueError("every run needs a positive theory_g")
    return means.assign(share=(means["gas_g"] + means["dissolved_g"]) / means["theory_g"])
