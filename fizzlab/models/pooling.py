"""Several small trials, pooled: the same comparison made again, and how dry air shortens drying.

The method is in docs/methods/season.md.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd
from scipy import optimize, stats
from scipy.linalg import block_diag
from scipy.special import ndtr

from fizzlab.errors import cannot
from fizzlab.language import say
from fizzlab.models.censored import Array
from fizzlab.models.curing_fit import VPD, CuringFit
from fizzlab.models.result import ENDS, Effect, FitResult, Interval, Settings, asked, effect_of, t_interval
from fizzlab.models.spreads import Mixture, restricted, weigh
from fizzlab.models.terms import Amount, level_name

LEAST = 3
FEW = 5

_AIR = Amount(VPD, "kPa", log=True)
_NODES = (400, 50)  # of the spread between trials: for one kind of spread, and each way for two


@dataclass(frozen=True)
class PooledEstimate:
    """One number pooled over trials that truly differ by `tau`; `i2` is the share of variance that does."""

    estimate: float
    conf_low: float
    conf_high: float
    df: int
    tau: float
    tau_low: float
    tau_high: float
    i2: float


def pool(
    estimates: Sequence[float], standard_errors: Sequence[float], conf_level: float = 0.95, dfs: Any = np.inf
) -> PooledEstimate:
    """Pool one number over trials that may truly differ.

    tau^2 by REML; t and standard error of J. Hartung, G. Knapp, Statist. Med. 20 (2001) 3875-3889, never
    narrower than the trials' own errors; interval of tau by Q-profile (W. Viechtbauer, Statist. Med. 26
    (2007) 37-52), its Q, for errors of `dfs`, distributed as B. L. Welch's (Biometrika 38 (1951) 330-336).
    """
    y, v = np.asarray(estimates, float), np.asarray(standard_errors, float) ** 2
    _enough(len(y))
    df, w = len(y) - 1, 1 / v
    (tau2,), (mean,), covariance = _random_effects(y, np.ones((len(y), 1)), np.diag(v), [np.eye(len(y))])
    reach = float(stats.t.ppf(0.5 + conf_level / 2, df) * np.sqrt(covariance[0, 0]))

    def excess(tau2: float, chance: float) -> float:
        w = 1 / (v + tau2)  # of which the own error, and so its doubt, is a part
        doubt = float(((1 - w / w.sum()) ** 2 * (v * w) ** 2 / dfs).sum()) / (len(y) ** 2 - 1)
        most = stats.f.ppf(chance, df, 1 / (3 * doubt)) * df if doubt else stats.chi2.ppf(chance, df)
        return float(w @ (y - w @ y / w.sum()) ** 2 - most * (1 + 2 * (df - 1) * doubt))

    def profiled(chance: float) -> float:
        most = float(v.max() + np.var(y))
        if excess(0.0, chance) <= 0:
            return 0.0
        while excess(most, chance) > 0:
            most *= 4
        return float(np.sqrt(optimize.brentq(excess, 0.0, most, (chance,), xtol=1e-14)))

    tau_low, tau_high = (profiled(0.5 + sign * conf_level / 2) for sign in (1, -1))
    typical = df * w.sum() / (w.sum() ** 2 - (w**2).sum())
    i2 = tau2 / (tau2 + typical)
    return PooledEstimate(mean, mean - reach, mean + reach, df, np.sqrt(tau2), tau_low, tau_high, i2)


@dataclass(frozen=True)
class PooledEffect:
    """The same comparison of several trials as one; made by `pool_effects`.

    From three trials on `between` says how much they differ; `p_differ` is Welch's of one value in `each`.
    """

    effect: Effect
    each: Mapping[str, Effect]
    p_differ: float
    between: PooledEstimate | None


def pool_effects(effects: Mapping[str, Effect], conf_level: float = 0.95) -> PooledEffect:
    """Pool the same comparison, of one response, over the trials that made it.

    From three trials on the mean of all such trials, by `pool`. Two say nothing of how much trials differ:
    told is the mean of these two, with the variance of P. Meier (Biometrics 9 (1953) 59-73), 1/W (1 + 4 sum_i
    s_i (1 - s_i) / f_i), W the sum of the weights, s_i the share of trial i in it and f_i its degrees of
    freedom.
    """
    from statsmodels.stats.oneway import anova_generic

    if len(effects) < 2:
        raise cannot("one_trial")
    first, rows = next(iter(effects.values())), pd.DataFrame([vars(each) for each in effects.values()])
    log, ends = first.scale != "difference", rows[[*ENDS]].to_numpy(float)
    if not np.isfinite(ends).all() or (log and (ends <= 0).any()):
        raise cannot("open_end")
    y, least, most = (np.log(ends) if log else ends).T
    df = rows["df"].to_numpy(float)
    se = (most - least) / 2 / stats.t.ppf(0.5 + rows["conf_level"].to_numpy(float) / 2, df)
    p_differ = float(anova_generic(y, se**2 * (df + 1), df + 1, use_var="unequal").pvalue)
    between, judge = None, "batches"
    if len(y) >= LEAST:
        between, judge = pool(y.tolist(), se.tolist(), conf_level, df), "trials"
        middle, freedom = between.estimate, float(between.df)
        error = (between.conf_high - middle) / float(stats.t.ppf(0.5 + conf_level / 2, freedom))
    else:
        share = se**-2.0 / (se**-2.0).sum()
        freedom = 1 / float((share**2 / df).sum())
        error = float(np.sqrt((1 + 4 * (share * (1 - share) / df).sum()) / (se**-2.0).sum()))
        middle = float(share @ y)
    told, levels = t_interval(middle, error, freedom, conf_level), (first.level, first.control)
    made = int(rows["n_batches"].sum())
    more: dict[str, Any] = {"judged_by": judge, "n_batches": made, "conf_level": conf_level}
    pooled = effect_of(first.response, first.term, levels, told, log=log, **more)
    return PooledEffect(pooled, dict(effects), p_differ, between)


def _enough(trials: int) -> None:
    if trials < LEAST:
        raise cannot("few_trials", n=trials, least=LEAST, useful=FEW)


def _random_effects(y: Array, x: Array, own: Array, kinds: Sequence[Array]) -> tuple[Array, Array, Array]:
    """Variances >= 0 by restricted likelihood, coefficients, and their guarded covariance."""
    size = float(np.mean(np.diag(own))) + float(np.var(y))

    def total(share: Array) -> Array:
        return np.asarray(own + np.einsum("j,jab->ab", size * share, np.stack(kinds)))

    def cost(share: Array) -> float:
        return -float(restricted(y, x, total(share)[None])[2][0])

    # a flat or two-topped likelihood is common with few trials: look everywhere first
    start = min(_mesh(np.concatenate([[0.0], np.geomspace(1e-4, 30.0, 14)]), len(kinds)), key=cost)
    search = {"xatol": 1e-10, "fatol": 1e-13, "maxiter": 4000, "maxfev": 4000}
    root = np.sqrt(np.maximum(start, 1e-6))
    found = optimize.minimize(lambda root: cost(root**2), root, method="Nelder-Mead", options=search)
    if not found.success:
        raise cannot("trials_unsettled")
    best = np.asarray(found.x**2, float)
    for j in range(len(best)):
        without = np.where(np.arange(len(best)) == j, 0.0, best)
        best = without if cost(without) <= cost(best) + 1e-12 else best
    beta, plain, _ = restricted(y, x, total(best)[None])
    rest, spare = y - x @ beta[0], len(y) - x.shape[1]
    guard = max(1.0, float(rest @ np.linalg.solve(total(best), rest)) / spare) if spare else 1.0
    return best * size, beta[0], plain[0] * guard


def _mesh(values: Array, kinds: int) -> Array:
    """Every combination of the values, one column a kind."""
    return np.stack(np.meshgrid(*[values] * kinds, indexing="ij"), axis=-1).reshape(-1, kinds)


def possible(y: Array, x: Array, own: Array, kinds: Sequence[Array], typical: Sequence[float]) -> Mixture:
    """Weigh spreads between trials, with density 1 / (tau^2 + typical) of tau^2 beforehand."""
    size = float(np.sqrt(np.mean(np.diag(own)) + np.var(y)))
    count = _NODES[len(kinds) - 1]
    part = (np.arange(count) + 0.5) / count
    tau, step = (_mesh(each, len(kinds)) for each in (size * part / (1 - part), 1 / (1 - part) ** 2))
    before = (np.log(step) + np.log(tau) - np.log(tau**2 + np.asarray(typical))).sum(axis=1)
    return weigh(y, x, own, kinds, tau**2, before)


@dataclass(frozen=True)
class TrialLine:
    """What one trial says of drying and the air; made by `line_of`, or by hand from an old record.

    `level` is the log of the hours after which half of the pieces are dry in air of `at` kPa, `slope` its
    change for each unit of log VPD (None if it met one air only), `tried` the least and greatest VPD met,
    `spread` the standard deviation of log hours of one piece of a new batch around the line, `df` of `level`.
    """

    name: str
    level: float
    slope: float | None
    at: float
    covariance: Array
    tried: tuple[float, float]
    spread: float
    n_batches: int
    df: float = np.inf


def line_of(name: str, fit: CuringFit) -> TrialLine:
    """The line of one trial for its standard recipe: categories at the control, amounts in the middle."""
    if VPD not in fit.batches:
        raise ValueError(f"the fit of {name} must know the {VPD} of its batches")
    tried, found = fit.tried(VPD), fit.inner.found
    at = float(np.sqrt(tried[0] * tried[1]))
    row = fit.matrix(asked({VPD: at} if fit.air else None, fit.typical))
    value, _ = fit.location(row)
    rows = np.column_stack([row, value - row @ found.beta])  # last, how the level moves with log sigma
    slope = None
    if fit.air:
        further = fit.matrix(asked({VPD: at * np.e}, fit.typical))
        rows = np.vstack([rows, np.append(further - row, 0.0)])
        slope = float(fit.coefficients["coef"][f"log {VPD}"])
    spread = float(np.sqrt(np.nansum(np.square([fit.sigma, fit.tau, fit.delta]))))
    covariance = rows @ found.covariance @ rows.T
    own = fit.n_batches, float(fit.df_of(row)[0])
    return TrialLine(name, float(value[0]), slope, at, covariance, tried, spread, *own)


@dataclass(frozen=True, kw_only=True)
class SeasonFit(FitResult):
    """The dry-time line of a workshop, pooled over its trials; made by `pool_trials`.

    `coefficients` has the rows level (log hours in air of `at` kPa) and slope, with tau (between trials; nan
    for a slope taken as common). `between` pools the levels; `spread` is that of one piece of a new batch.
    """

    lines: tuple[TrialLine, ...]
    coefficients: pd.DataFrame = field(repr=False)
    at: float
    between: PooledEstimate
    spread: float
    tried: tuple[float, float]
    covariance: Array = field(repr=False)
    mixture: Mixture = field(repr=False)

    def _rows(self, vpd_kpa: object) -> Array:
        air = np.atleast_1d(np.asarray(vpd_kpa, float))
        if not (air > 0).all():
            raise ValueError("vapour-pressure deficits must be above zero")
        return np.column_stack([np.ones_like(air), np.log(air / self.at)])

    def _new(self, rows: Array, extra: float = 0.0) -> tuple[Array, Array]:
        """Mean and standard deviation of a new trial's own value of each row, at every spread."""
        between = rows[:, : self.mixture.variance.shape[1]] ** 2 @ self.mixture.variance.T
        return self.mixture.normal(rows, between + extra)

    def predict(
        self, new: Settings = None, *, share: float = 0.5, interval: Interval = "confidence"
    ) -> pd.DataFrame:
        """Hours until half of a typical batch's pieces are dry: pooled, or of a new trial ("prediction")."""
        if share != 0.5:
            raise ValueError("pooled lines tell when half of the pieces are dry; see `dry_by`")
        table = asked(new, {VPD: self.at})
        rows, far = self._rows(table[VPD]), 0.5 + self.conf_level / 2
        middle = rows @ self.coefficients["estimate"].to_numpy(float)
        if interval == "prediction":
            low, high = (self.mixture.quantile(*self._new(rows), each) for each in (1 - far, far))
        else:
            se = np.sqrt(np.einsum("ri,ij,rj->r", rows, self.covariance, rows))
            reach = stats.t.ppf(far, self._df(rows[:, 1])) * se
            low, high = middle - reach, middle + reach
        hours = {"estimate": np.exp(middle), "conf_low": np.exp(low), "conf_high": np.exp(high)}
        inside = table[VPD].between(self.tried[0] * (1 - 1e-9), self.tried[1] * (1 + 1e-9))
        return table.assign(**hours, extrapolated=~inside)

    def _df(self, u: Array) -> Array:
        """Degrees of freedom at log VPD `u`: the level's where level and slope are known apart, then both."""
        covariance, df = self.covariance, self.coefficients["df"].to_numpy(float)
        pivot = -covariance[0, 1] / covariance[1, 1]
        at_pivot = covariance[0, 0] - covariance[0, 1] ** 2 / covariance[1, 1]
        tilt = covariance[1, 1] * (u - pivot) ** 2
        return np.asarray((at_pivot + tilt) ** 2 / (at_pivot**2 / df[0] + tilt**2 / df[1]), float)

    def dry_by(self, vpd_kpa: float, share: float) -> float:
        """Hours by which a piece of a new batch of a new trial is dry with a chance of `share`."""
        new = self._new(self._rows(vpd_kpa), self.spread**2)
        return float(np.exp(self.mixture.quantile(*new, share)[0]))

    def chance_dry(self, vpd_kpa: float, hours: float) -> float:
        """Chance that a piece of a new batch of a new trial is dry after so many hours."""
        centre, sd = self._new(self._rows(vpd_kpa), self.spread**2)
        return float((ndtr((np.log(hours) - centre) / sd) @ self.mixture.weight)[0])


def pool_trials(
    trials: Mapping[str, CuringFit] | Sequence[TrialLine],
    *,
    at: float | None = None,
    conf_level: float = 0.95,
) -> SeasonFit:
    """Pool the dry-time lines of earlier trials of one workshop.

    Parameters
    ----------
    trials : mapping of str to CuringFit, or sequence of TrialLine
        All of the same recipe. A trial that met one air only still tells its level there.
    at : float, optional
        VPD in kPa at which to tell the level, and at which trials are supposed to differ in level and slope
        independently; the middle (geometric) of the trials' air if not given.

    Raises
    ------
    CannotAnswer
        Fewer than 3 trials, or none that met more than one air.

    Notes
    -----
    (a_i, b_i) ~ N((a, b), S_i + diag(tau_a^2, tau_b^2)); a trial with one air u_i tells a_i + b_i u_i. The
    two tau by restricted maximum likelihood; covariance (Z'V^-1Z)^-1 times max(1, r'V^-1r / (n - 2)), after
    Hartung and Knapp (D. Jackson, R. D. Riley, Statist. Med. 33 (2014) 541-554). Fewer than 3 slopes are
    taken as common. A new trial's line is the mixture of the normal forecasts for every pair of tau, weighted
    by restricted likelihood.

    Examples
    --------
    >>> lines = [TrialLine(name, level, slope, 0.6, np.diag([0.01, 0.03]), (0.4, 0.9), 0.2, 6)
    ...          for name, level, slope in [("March", 2.3, -0.6), ("May", 2.5, -0.5), ("July", 2.2, -0.8)]]
    >>> season = pool_trials(lines)
    >>> season.coefficients["estimate"].round(2).tolist(), season.predict()["estimate"].round(1).tolist()
    ([2.33, -0.63], [10.3])
    """
    lines = [line_of(*each) for each in trials.items()] if isinstance(trials, Mapping) else list(trials)
    if len({line.name for line in lines}) < len(lines):
        raise ValueError("every trial needs a name of its own")
    _enough(len(lines))
    sloped = sum(line.slope is not None for line in lines)
    if not sloped:
        raise cannot("one_air")
    at = middle_air(lines) if at is None else float(at)
    y, z, within, owner = _stack(lines, at)
    trial = (owner[:, None] == owner[None, :]).astype(float)
    common = sloped < LEAST
    kinds = [trial * np.outer(column, column) for column in z.T[: 1 if common else 2]]
    tau2, beta, covariance = _random_effects(y, z, within, kinds)
    df = np.array([len(lines) - 1, (len(lines) if common else sloped) - 1], float)
    se = np.sqrt(np.diag(covariance))
    typical = [float(np.median(np.diag(within)[z[:, 0] == level])) for level in (1, 0)]
    known = zip(beta.tolist(), se.tolist(), df.tolist(), strict=True)
    numbers = [t_interval(value, error, freedom, conf_level) for value, error, freedom in known]
    coefficients = pd.DataFrame(numbers, ["level", "slope"]).drop(columns=["t", "p_value"])
    n_batches = [line.n_batches for line in lines]
    ends = level_name(_AIR, at / 2), level_name(_AIR, at)
    told = t_interval(float(-np.log(2) * beta[1]), float(np.log(2) * se[1]), float(df[1]), conf_level)
    more: dict[str, Any] = {"judged_by": "trials", "n_batches": sum(n_batches), "conf_level": conf_level}
    drier = effect_of("dry_h", _AIR, ends, told, **more)
    notes = [say("note_few_trials", n=len(lines))] if len(lines) < FEW else []
    if common:
        notes.append(say("note_common_slope", n=sloped))
    levels, errors = [], []
    for line in lines:  # each moved to one air by its trial's slope, or by the pooled one
        row = np.array([1.0, np.log(at / line.at)])
        own = block_diag(line.covariance, se[1] ** 2) if line.slope is None else line.covariance
        levels.append(line.level + row[1] * (beta[1] if line.slope is None else line.slope))
        errors.append(float(np.sqrt(row @ own @ row)))
    return SeasonFit(
        response="dry_h",
        effects=(drier,),
        batches=pd.DataFrame([vars(line) for line in lines])[["name", "level", "slope", "at", "n_batches"]],
        terms=(_AIR,),
        conf_level=conf_level,
        n_batches=sum(n_batches),
        notes=tuple(notes),
        lines=tuple(lines),
        coefficients=coefficients.assign(tau=np.sqrt([*tau2, np.nan][:2])),
        at=at,
        between=pool(levels, errors, conf_level, [line.df for line in lines]),
        spread=float(np.sqrt(np.average([line.spread**2 for line in lines], weights=n_batches))),
        tried=(min(line.tried[0] for line in lines), max(line.tried[1] for line in lines)),
        covariance=covariance,
        mixture=possible(y, z, within, kinds, typical[: len(kinds)]),
    )


def middle_air(lines: Sequence[TrialLine]) -> float:
    """The geometric mean of the trials' air, in kPa."""
    return float(np.exp(np.mean([np.log(line.at) for line in lines])))


def _stack(lines: Sequence[TrialLine], at: float) -> tuple[Array, Array, Array, Array]:
    """All trials' numbers, what of (level at `at`, slope) each tells, their own covariance, whose each is."""
    rows = []
    for place, line in enumerate(lines):
        rows.append((line.level, 1.0, np.log(line.at / at), place))
        if line.slope is not None:
            rows.append((line.slope, 0.0, 1.0, place))
    y, z, owner = np.hsplit(np.array(rows), [1, 3])
    return y[:, 0], z, block_diag(*(line.covariance for line in lines)), owner[:, 0]
