"""A fit of dry times: what it says of conditions, of a batch still to be made, and of its own doubts."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd
from scipy import stats
from scipy.optimize import brentq

from fizzlab.errors import cannot, capital
from fizzlab.language import say
from fizzlab.models.basis import FactorBasis
from fizzlab.models.censored import Array
from fizzlab.models.censored_fit import BatchFit
from fizzlab.models.result import (
    Effect,
    FitResult,
    Forecast,
    Interval,
    Settings,
    asked,
    effect_of,
    leaning,
    rows_of,
    same_limits,
    t_interval,
)
from fizzlab.models.spreads import Mixture, weigh
from fizzlab.models.terms import Amount, Category, Term, level_name

VPD = "vpd_kpa"

_LINE = 31  # nodes for the spread between batches without days
_PLANE = 15  # nodes each way with days


@dataclass(frozen=True, kw_only=True)
class CuringFit(FitResult):
    """A regression of dry times on factors, amounts and the room's air; made by `fit_curing_time`.

    `typical` is the standard recipe and air: categories at the control, amounts in the middle. `coefficients`
    are of log hours, each level against the control; `sigma`, `tau` and `delta` the standard deviations of
    log dry time between pieces of a batch, batches of a day, and days: nan where the readings cannot tell
    them. `n_days` is None without a day effect; `basis` are the columns that were fitted, `inner` the fit of
    them.
    """

    brackets: pd.DataFrame = field(repr=False)
    air: tuple[Amount, ...] = ()
    joint: tuple[str, ...] = ()
    typical: Mapping[str, Any]
    coefficients: pd.DataFrame = field(repr=False)
    sigma: float
    tau: float
    delta: float
    n_days: int | None
    basis: FactorBasis = field(repr=False)
    inner: BatchFit = field(repr=False)
    log: bool = True

    @property
    def air_effects(self) -> tuple[Effect, ...]:
        """What air of half the deficit of the middle batch does."""
        middles = [float(self.batches[term.name].median()) for term in self.air]
        return tuple(
            self.compare(*each) for each in zip(self.air, np.array(middles) / 2, middles, strict=True)
        )

    @property
    def table(self) -> pd.DataFrame:
        """One row an effect, that of the air last."""
        return rows_of((*self.effects, *self.air_effects))

    @property
    def air_matters(self) -> bool:
        """Did the batches show that thirstier air dries pieces sooner?"""
        return bool(self.air) and bool(self.coefficients["conf_high"][f"log {VPD}"] < 0)

    @property
    def censoring(self) -> dict[str, int]:
        """Pieces by kind of bracket: left (dry at the first look), interval, right (never dry), exact."""
        lower, upper = self.brackets["lower"], self.brackets["upper"]
        exact, never = lower == upper, np.isinf(upper)
        left = (lower == 0) & ~exact
        kinds = {"left": left, "interval": ~(left | exact | never), "right": never, "exact": exact}
        return {kind: int(where.sum()) for kind, where in kinds.items()}

    @cached_property
    def tests(self) -> pd.DataFrame:
        """One row a term: df_num, df_den (Fai and Cornelius), F, p_value, judged_by."""
        found, rows = self.inner.found, {}
        for term, picks in self.basis.hypotheses():
            size, turn = np.linalg.eigh(picks @ found.covariance[:-1, :-1] @ picks.T)
            parts = turn.T @ picks
            f, nu, many = float(((parts @ found.beta) ** 2 / size).mean()), self.df_of(parts), len(picks)
            df = float(nu.min())
            if many > 1 and df > 2:
                mean = float((nu / (nu - 2)).sum())
                df = 2 * mean / (mean - many)
            judge = self._judge(term.removesuffix("^2").split(":"))
            rows[term] = (many, df, f, float(stats.f.sf(f, many, df)), judge)
        names = ["df_num", "df_den", "F", "p_value", "judged_by"]
        return pd.DataFrame.from_dict(rows, orient="index", columns=names).rename_axis("term")

    def _judge(self, names: Sequence[str]) -> str:
        """Are the levels of some factors together told by days alone, or by batches?"""
        by_day = self.n_days is not None and (self.batches.groupby("day")[[*names]].nunique() == 1).all(
            axis=None
        )
        return "days" if by_day else "batches"

    def matrix(self, conditions: pd.DataFrame) -> Array:
        """The columns of the model for conditions that say all, shape (rows, columns)."""
        return self.basis.matrix(conditions)

    def conditions(self, new: Settings) -> pd.DataFrame:
        """What is asked, with the amounts and the air typical where it is not; see `weights`."""
        return asked(new, self.typical, [term.name for term in self.terms if isinstance(term, Category)])

    def weights(self, settings: Settings) -> Array:
        """Weights of the coefficients for settings: categories left out are averaged, with equal weights."""
        return self.basis.grid(self.conditions(settings))

    def interval(self, weights: Array) -> dict[str, float]:
        """Estimate, se, df, t, p_value, conf_low, conf_high of one contrast of the coefficients."""
        value = float(weights @ self.inner.found.beta)
        se = float(np.sqrt(weights @ self.inner.found.covariance[:-1, :-1] @ weights))
        return t_interval(value, se, self.inner.strata.of(weights), self.conf_level)

    def tried(self, name: str) -> tuple[float, float]:
        """Least and greatest of an amount, or of the air, in these batches."""
        return float(self.batches[name].min()), float(self.batches[name].max())

    def df_of(self, rows: Array) -> Array:
        """Degrees of freedom behind each of some rows of `matrix`, or differences of them."""
        return np.array([self.inner.strata.of(row) for row in rows])

    @property
    def forecast_df(self) -> float:
        """Degrees of freedom behind the time of a typical batch."""
        return float(self.df_of(self.weights(None))[0])

    def compare(
        self,
        term: Term,
        to: Any,
        start: Any,
        margin: float | None = None,
        at: Mapping[str, Any] | None = None,
    ) -> Effect:
        """One value of a term against another, the other categories averaged but those that stand in `at`."""
        ends = pd.DataFrame([{**(at or {}), term.name: value} for value in (to, start)])
        row = self.interval(np.subtract(*self.weights(ends)))
        same = same_limits(row, self.conf_level) if margin else {}
        levels, judge = (level_name(term, to), level_name(term, start)), self._judge([term.name])
        more: dict[str, Any] = {"n_batches": self.n_batches, "conf_level": self.conf_level, **same}
        return effect_of(self.response, term, levels, row, judged_by=judge, margin=margin, **more)

    def _reach(self, share: float) -> float:
        """How far, in log hours, a share of the pieces lies from the middle one of its batch."""
        return 0.0 if self.inner.pieces_alike else self.inner.found.sigma * float(stats.norm.ppf(share))

    def location(self, rows: Array, share: float = 0.5) -> tuple[Array, Array]:
        """Log hours until a share of a typical batch is dry, and the standard error, for rows of `matrix`."""
        found, reach = self.inner.found, self._reach(share)
        slope = np.column_stack([rows, np.full(len(rows), reach)])
        return rows @ found.beta + reach, np.sqrt(np.einsum("ri,ij,rj->r", slope, found.covariance, slope))

    def new_batch(self, rows: Array, share: float, chance: float) -> Array:
        """Log hours that a share of the pieces of a new batch stays below with the stated chance."""
        reach = self._reach(share)
        doubt = reach**2 * float(self.inner.found.covariance[-1, -1])
        new = self.mixture.normal(rows, self.mixture.variance.sum(axis=1) + doubt)
        return self.mixture.quantile(*new, chance) + reach

    def predict(
        self,
        new: Settings = None,
        *,
        share: float = 0.5,
        interval: Interval = "confidence",
        conf_level: float | None = None,
    ) -> pd.DataFrame:
        """Hours until a share of the pieces of a batch is dry: exp(x'beta + day + batch + sigma z(share)).

        Parameters
        ----------
        new : DataFrame or mapping, optional
            Conditions: ``{"colour": ["dye", "lake"], "vpd_kpa": 0.6}``. Categories left out are averaged over
            with equal weights, amounts and the air are those of `typical`.
        interval : {"confidence", "prediction"}
            Of the typical batch, or of a new one with its own batch and day.
        conf_level : float, optional
            Left out, that of the fit. 19 of 20 new batches are ready by the upper end of a 90 % prediction.
        """
        if not 0 < share < 1:
            raise ValueError("a share lies between 0 and 1")
        conditions = self.conditions(new)
        rows = self.basis.grid(conditions)
        chance = 0.5 + (conf_level or self.conf_level) / 2
        value, se = self.location(rows, share)
        if interval == "prediction":
            low, high = (self.new_batch(rows, share, each) for each in (1 - chance, chance))
        else:
            reach = stats.t.ppf(chance, self.df_of(rows)) * se
            low, high = value - reach, value + reach
        hours = {"estimate": np.exp(value), "conf_low": np.exp(low), "conf_high": np.exp(high)}
        with_air = replace(self, terms=(*self.terms, *self.air))
        return conditions.assign(**hours, extrapolated=with_air.extrapolated(conditions))

    def forecast(self, settings: pd.DataFrame, share: float = 0.5) -> Forecast:
        """What a new batch of some settings, on a new day, may be; see `Forecast`."""
        found, mixture, reach = self.inner.found, self.mixture, self._reach(share)
        conditions = self.conditions(settings[[name for name in settings if name in self.typical]])
        rows, x = self.basis.grid(conditions), self.matrix(self.batches)
        estimate, se = self.location(rows, share)
        df = self.df_of(rows)
        half = stats.t.ppf(0.5 + self.conf_level / 2, df) * se
        y, own, spread = self.summaries()
        day = self.batches["day"].to_numpy() if "day" in self.batches else np.arange(len(x))
        days = 0.0 if self.n_days is None else found.delta**2
        variance = np.diag(spread**2 + np.maximum(own, 1e-3 * max(spread**2, 1e-6)))
        lean = leaning(rows, x, variance + days * (day[:, None] == day[None, :]))
        keys = tuple(map(str, self.batches.index))
        if reach != 0:
            place = np.sqrt(np.einsum("ri,ij,rj->r", rows, found.covariance[:-1, :-1], rows))
            size = np.full(len(rows), abs(reach) * np.sqrt(found.covariance[-1, -1]))
            lean = np.column_stack([lean * place[:, None], size]) / np.hypot(place, size)[:, None]
            keys = (*keys, f"{self.response}\nsigma")
        whole, total = spread**2 + days, mixture.variance.sum(axis=1)
        order = np.argsort(total)
        weight, sd = mixture.weight[order], np.sqrt(np.maximum(total[order], 0.0))
        each = np.inf if self.inner.pieces_alike else len(self.brackets) / self.n_batches

        def spread_of(part: Array) -> Array:
            return np.asarray(np.interp(1 - part, np.cumsum(weight) - weight / 2, sd))

        def mean(batches: int, on_days: int, conf_level: float) -> Array:
            pieces = found.sigma**2 / (batches * each)
            new = mixture.normal(rows, mixture.variance @ [1 / batches, 1 / on_days] + pieces)
            ends = [mixture.quantile(*new, 0.5 + sign * conf_level / 2) for sign in (-1, 1)]
            return np.stack([rows @ found.beta, *ends, df])

        said = []
        if any(replace(self, terms=self.air).extrapolated(conditions)):
            said.append(say("air_not_tried"))
        if self.n_days is None and len(set(day)) == 1:
            said.append(say("one_day"))
        ends = {"estimate": estimate, "conf_low": estimate - half, "conf_high": estimate + half}
        off = (y - x @ found.beta) * whole / np.maximum(whole + np.maximum(own, 0), 1e-12)
        return Forecast(
            typical=pd.DataFrame(ends).apply(np.exp),
            estimate=estimate,
            se=se,
            df=df,
            keys=keys,
            lean=lean,
            # estimated as nothing, it is still as great as nine in ten of the possible ones
            sd=max(float(np.sqrt(whole)), float(spread_of(np.array([0.9]))[0])),
            spread=spread_of,
            mean=mean,
            residuals=pd.Series(off, index=self.batches.index.astype(str)),
            log=True,
            share=None if self.inner.pieces_alike else share,
            notes=tuple(said),
        )

    def air_needed(self, hours: float, share: float, new: Mapping[str, Any]) -> tuple[float, float]:
        """Least deficit in kPa for a share of the pieces to be dry in time, typically and in 19 of 20.

        Sought from half the least tried (it means: that or less) to twice the most (nan: not even that is
        enough).
        """
        if float(self.coefficients["coef"][f"log {VPD}"]) >= 0:
            raise cannot("air_no_help")

        def excess(air: Any, sure: bool) -> Array:
            rows = self.weights(pd.DataFrame({VPD: np.atleast_1d(air)}).assign(**new))
            at = self.new_batch(rows, share, 0.95) if sure else self.location(rows, share)[0]
            return np.asarray(at - np.log(hours))

        least, most = self.tried(VPD)
        grid, found = np.geomspace(least / 2, most * 2, 60), []
        for sure in (False, True):
            first = int(np.argmax(excess(grid, sure) <= 0))
            if first > 0:
                ends = grid[first - 1], grid[first]
                found.append(float(brentq(lambda at, s=sure: excess(at, s)[0], *ends, xtol=1e-8)))
            else:
                found.append(float(grid[0]) if excess(least / 2, sure)[0] <= 0 else np.nan)
        return found[0], found[1]

    def summaries(self) -> tuple[Array, Array, float]:
        """Each batch as a normal likelihood: location in log hours, variance; and the sd between batches."""
        found, point = self.inner.found, self.inner.found.point
        curvature, scale = np.maximum(point.curvature, 1e-6), found.sigma**2
        y = self.matrix(self.batches) @ found.beta + found.sigma * (point.day_mean + point.slope / curvature)
        # of pieces that are alike the fitted scale is the batches' own spread
        spread = found.sigma if self.inner.pieces_alike else found.tau
        return y, scale / curvature - spread**2, spread

    @cached_property
    def mixture(self) -> Mixture:
        """Possible variances of batches and of days, weighed on batch summaries linearised at the estimates.

        Beforehand equal chances for equal ratios of the mean square of each stratum, where no variance is
        negative.
        """
        x = self.matrix(self.batches)
        y, own, spread = self.summaries()
        least = max(float(np.median(own)), 1e-3 * spread**2, 1e-8)
        left, middle = max(len(x) - x.shape[1], 1), np.log(spread**2 + least)
        same = np.zeros((len(x), len(x)))
        if self.n_days is None:
            squares = np.exp(_mean_squares(np.log(least), middle, left, _LINE))
            variance, step = np.column_stack([squares - least, np.zeros(_LINE)]), np.ones(_LINE)
        else:
            day, spare = self.batches["day"].to_numpy(), self.inner.strata.spare_days
            same = (day[:, None] == day).astype(float)
            each = len(day) / self.n_days
            lines = _mean_squares(np.log(least), middle, max(left - spare, 1.0), _PLANE)
            most = np.log(spread**2 + least + each * self.inner.found.delta**2)
            planes = [_mean_squares(line, max(most, line), max(spare, 1.0), _PLANE) for line in lines]
            squares = np.repeat(np.exp(lines), _PLANE)
            days = np.exp(np.concatenate(planes))
            variance = np.column_stack([squares - least, (days - squares) / each])
            step = np.repeat([plane[1] - plane[0] for plane in planes], _PLANE)
        known = np.diag(np.maximum(own, 1e-3 * least))
        found = weigh(y, x, known, [np.eye(len(x)), same], variance, np.log(step), least=1e-7)
        # centred on the estimates: the mixture is there for the spread, not to move them
        return replace(found, beta=self.inner.found.beta + found.beta - found.weight @ found.beta)

    @property
    def pieces(self) -> pd.DataFrame:
        """The brackets with each piece's residual (normal score of the bracket's middle) and median hours."""
        found, batch = self.inner.found, self.batches.index.get_indexer(pd.Index(self.brackets["run"]))
        own = (self.matrix(self.batches) @ found.beta + found.effects)[batch]
        with np.errstate(divide="ignore"):
            ends = (np.log(self.brackets[["lower", "upper"]].to_numpy(float)) - own[:, None]) / found.sigma
        score = stats.norm.ppf(np.clip(stats.norm.cdf(ends).mean(axis=1), 1e-12, 1 - 1e-12))
        return self.brackets.assign(residual=score, hours=np.exp(own + found.sigma * score))

    def to_typical(self, factor: str, standard: bool = False) -> pd.Series:
        """How many times as long each batch would have taken with all but one factor the same, by run."""
        held = {name: value for name, value in self.typical.items() if name != factor} if standard else {}
        kept = self.batches[[factor] if factor in self.typical else []].assign(**held)
        moved = self.weights(kept) - self.matrix(self.batches)
        return pd.Series(np.exp(moved @ self.inner.found.beta), index=self.batches.index)

    def points(self, factor: str, standard: bool = False) -> pd.Series:
        """Dry time of each batch as if all but one factor, or the air, had been the same, by run."""
        found: pd.Series = self.placed.loc[self.batches.index] * self.to_typical(factor, standard)
        return found

    @property
    def placed(self) -> pd.Series:
        """The middle of each batch's dry times by run: the mean over pieces of the median log time."""
        found: pd.Series = np.exp(np.log(self.pieces["hours"]).groupby(self.brackets["run"]).mean())
        return found

    def diagnose(self) -> pd.DataFrame:
        """Pieces far off their batch, and batches far off their terms."""
        pieces = self.pieces[["run", "piece", "residual"]]
        off = pd.Series(self.inner.found.effects, index=self.batches.index).sort_values()
        off = off / max(float(off.std()), 1e-12)
        far = off[(off - stats.norm.ppf((np.arange(1, len(off) + 1) - 0.375) / (len(off) + 0.25))).abs() > 1]
        odd = pieces[pieces["residual"].abs() > 2.8].to_numpy()
        rows = [("piece", capital(say("who", piece=piece, run=run)), z) for run, piece, z in odd]
        rows += [("batch", capital(say("who_batch", run=run)), z) for run, z in far.items()]
        says = [(who, z, say(f"{kind}_{'later' if z > 0 else 'sooner'}", who=who)) for kind, who, z in rows]
        return pd.DataFrame(says, columns=["check", "value", "says"])


def _mean_squares(low: float, middle: float, df: float, count: int) -> Array:
    """Equally spaced logs of a mean square, from its least value until its weight is negligible."""
    return np.linspace(max(low, middle - 4.0), max(middle, low) + min(40.0 / df, 8.0), count)
