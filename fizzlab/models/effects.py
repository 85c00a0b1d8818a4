"""One number a batch: what each factor does to it, with the error that judges it.

Days decide which error judges which effect; the fit is by restricted likelihood (`strata`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd
from scipy import stats

from fizzlab.errors import CannotAnswer, cannot
from fizzlab.language import listed, say
from fizzlab.measures import MEASURES
from fizzlab.models.basis import Basis, factor_basis, refuse_inseparable
from fizzlab.models.comparisons import mean_ratio_limits
from fizzlab.models.days import DayModel, Days, block_columns, choose_days
from fizzlab.models.result import (
    ENDS,
    Effect,
    FitResult,
    Forecast,
    Interval,
    Settings,
    as_frame,
    effect_of,
    leaning,
    same_limits,
    scale,
)
from fizzlab.models.strata import Fits, Strata, exact, f_test, fit_many, interval, prepare
from fizzlab.models.terms import Array, Category, Term, need_columns, parse_formula

#: Where fewer days or batches are left to judge an effect by, a note says so.
FEW = 3


@dataclass(frozen=True, kw_only=True)
class ResponseFit(FitResult):
    """The fit of a response with one number a batch; with `log` of its logarithm, and effects are ratios.

    `structure` says how days enter; `tests` has df_num, df_den, F, p_value, judged_by of each term; `spread`
    variance and sd of each source of chance (a variance below zero: days were more alike than chance). `lost`
    are batches without a number; `basis`, `strata` and `fits` the columns, the plan made ready, and its fit.
    """

    log: bool
    structure: DayModel
    tests: pd.DataFrame
    spread: pd.DataFrame
    n_days: int
    lost: tuple[str, ...]
    basis: Basis = field(repr=False)
    strata: Strata = field(repr=False)
    fits: Fits = field(repr=False)

    @property
    def y(self) -> Array:
        """The response as it was fitted."""
        values = self.batches[self.response].to_numpy(float)
        return np.asarray(np.log(values) if self.log else values)

    @property
    def residuals(self) -> pd.Series:
        """How far each batch lies off what the fixed part says of it, on the scale that was fitted."""
        return pd.Series(self.y - self.strata.x @ self.fits.beta[0], index=self.batches.index)

    @property
    def coefficients(self) -> pd.DataFrame:
        """One row a column of the model, in its own coding, with what `interval` gives."""
        size, names = self.strata.x.shape[1], list(self.basis.columns)
        names += [say("day_number", day=place + 1) for place in range(size - len(names))]
        return pd.DataFrame(
            [self.interval(row) for row in np.eye(size)], index=pd.Index(names, name="column")
        )

    def weights(self, settings: pd.DataFrame) -> Array:
        """Weights of the coefficients for settings, averaged over days as blocks and factors left out."""
        return _padded(self.basis.grid(settings), self.fits)

    def interval(self, weights: Array) -> dict[str, float]:
        """Estimate, se, df, t, p_value, conf_low, conf_high of one contrast of the coefficients."""
        return interval(self.fits, weights, self.conf_level)

    def predict(
        self, new: Settings = None, *, share: float = 0.5, interval: Interval = "confidence"
    ) -> pd.DataFrame:
        """The typical batch of some settings over days, or where a new batch of them on a new day will lie.

        Categories left out are averaged with equal weights, amounts held in the middle; a batch has one
        number, so `share` can only be 0.5. Prediction: estimate ± t sqrt(x'cov(b)x + sum of the variance
        components).
        """
        if share != 0.5:
            raise ValueError(f"{self.response} has one number a batch, so there is no share of its pieces")
        settings = as_frame(new)
        unknown = {str(name) for name in settings} - {factor.name for factor in self.terms}
        if unknown and not isinstance(new, pd.DataFrame):
            raise ValueError(f"the fit has no factor {sorted(unknown)[0]}")
        forecast = self.forecast(settings)
        found = forecast.typical
        if interval == "prediction":
            ends = forecast.mean(1, 1, self.conf_level)[:3].T
            found = pd.DataFrame(np.exp(ends) if self.log else ends, columns=[*ENDS])
        return pd.concat([settings, found.assign(extrapolated=self.extrapolated(settings))], axis=1)

    def extrapolated(self, settings: pd.DataFrame) -> list[bool]:
        """Does each setting lie outside of what was tried, as far as its columns tell?"""
        return self.basis.beyond(settings, self.batches)

    def points(self, factor: str) -> pd.Series:
        """Each batch's number as if everything but one factor had been the same, by run."""
        found = self.residuals + self.weights(self.batches[[factor]]) @ self.fits.beta[0]
        return pd.Series(np.exp(found) if self.log else found)

    @cached_property
    def for_new_days(self) -> ResponseFit:
        """The fit with days at random, for a day still to come; the same where they cannot be told."""
        if not self.structure.fixed:
            return self
        try:
            return self._again(self.batches, "random")
        except CannotAnswer:
            return self

    def _spread_of(self, weights: Array | None, batches: int = 1, days: int = 1) -> tuple[float, float]:
        """Variance and df of the mean of new batches, about a forecast or (without `weights`) the truth."""
        slope = np.array([*([1 / days] if self.structure.random else []), 1 / batches])
        value = float(slope @ np.maximum(self.fits.components[0], 0.0))
        if weights is not None:
            value += float(weights @ self.fits.covariance[0] @ weights)
            slope = slope + np.einsum("a,jab,b->j", weights, self.fits.slopes[0], weights)
        moved, most = float(slope @ self.fits.uncertainty[0] @ slope), float(self.strata.spare)
        df = min(2 * value**2 / moved, most) if moved > 0 else most
        return value, max(df, float(self.fits.least_df[0]), 1.0)

    def forecast(self, settings: pd.DataFrame, share: float = 0.5) -> Forecast:
        """What new batches of some settings, each on a new day, may be."""
        used = self.for_new_days
        weights, rows = used.weights(settings), used.strata
        told = pd.DataFrame([used.interval(row) for row in weights])
        component = np.maximum(used.fits.components[0], 0.0)
        component[-1] = component[-1] or 1e-12
        variance, df = used._spread_of(None)

        def mean(batches: int, days: int, conf_level: float) -> Array:
            value, doubt = np.array([used._spread_of(row, batches, days) for row in weights]).T
            middle = weights @ used.fits.beta[0]
            reach = stats.t.ppf(0.5 + conf_level / 2, doubt) * np.sqrt(value)
            return np.stack([middle, middle - reach, middle + reach, doubt])

        notes: tuple[str, ...] = ()
        if self.structure.fixed and used is self:
            notes = (say("days_not_counted", response=self.response),)
        elif not self.structure.fixed and self.n_days == 1:
            notes = (say("one_day"),)
        return Forecast(
            typical=told[[*ENDS]].apply(np.exp) if self.log else told[[*ENDS]],
            estimate=told["estimate"].to_numpy(),
            se=told["se"].to_numpy(),
            df=told["df"].to_numpy(),
            keys=tuple(used.batches.index),
            lean=leaning(weights, rows.x, np.einsum("j,jab->ab", component, rows.full)),
            sd=float(np.sqrt(variance)),
            spread=lambda share: np.sqrt(variance) * scale(share, np.array([df]))[:, 0],
            mean=mean,
            residuals=used.residuals,
            log=self.log,
            notes=notes,
        )

    def diagnose(self) -> pd.DataFrame:
        """Batches that lie far from what others say: check (``batch NAME``), value (its joint p), says."""
        rows: list[tuple[str, float, str]] = []
        for run, row in self.odd()[lambda odd: odd["p_joint"] < 0.05].iterrows():
            more = ""
            try:
                both = zip(self.effects, self.without(str(run)).effects, strict=True)
                told = [
                    say("odd_instead", level=now.level, now=now.estimate, then=then.estimate)
                    for now, then in both
                ]
                more = say("odd_without", told=", ".join(told)) if told else ""
            except CannotAnswer:
                more = say("odd_too_few")
            says = say("odd_above" if row["t"] > 0 else "odd_below", run=run, more=more)
            rows.append((say("who_batch", run=run), float(row["p_joint"]), says))
        return pd.DataFrame(rows, columns=["check", "value", "says"])

    def odd(self) -> pd.DataFrame:
        """Each batch beside all the others: externally studentised residual t, and p_joint (Bonferroni).

        R. D. Cook, S. Weisberg, Residuals and Influence in Regression, 1982, section 2.2.2; random days as
        found.
        """
        x, df = self.strata.x, float(self.strata.spare) - 1
        component = np.maximum(self.fits.components[0], 0.0)
        component[-1] = max(component[-1], 1e-12 * max(float(component.max()), 1e-300))
        inverse = np.linalg.inv(np.tensordot(component, self.strata.full, axes=1))
        project = inverse - inverse @ x @ np.linalg.solve(x.T @ inverse @ x, x.T @ inverse)
        told = ((self.strata.outside**2).sum(axis=1) > 1e-9) & (df > 0)
        with np.errstate(divide="ignore", invalid="ignore"):
            t = np.where(told, project @ self.y / np.sqrt(np.diag(project)), np.nan)
            t = t * np.sqrt(df / np.maximum(df + 1 - t**2, 1e-12))
        joint = np.minimum(1.0, 2 * stats.t.sf(np.abs(t), df) * told.sum())
        return pd.DataFrame({"t": t, "p_joint": joint}, index=self.batches.index.rename("run"))

    def without(self, run: str) -> ResponseFit:
        """The same fit without one batch; raises `CannotAnswer` where too few are left."""
        days: Days = "fixed" if self.structure.fixed else "random" if self.structure.random else "ignore"
        return self._again(self.batches[self.batches.index != run], days)

    def _again(self, table: pd.DataFrame, days: Days) -> ResponseFit:
        """The same model on other batches, or with days otherwise."""
        kept: dict[str, Any] = {"log": self.log, "conf_level": self.conf_level, "lost": self.lost}
        return fit_basis(table, self.response, self.basis, days=days, margin=None, **kept)


def fit_response(
    batches: pd.DataFrame,
    response: str,
    formula: str | Sequence[Term],
    *,
    model: str | Sequence[str] = "main",
    log: bool | None = None,
    days: Days = "auto",
    margin: float | None = None,
    conf_level: float = 0.95,
) -> ResponseFit:
    """Say what each factor of a trial does to one number a batch.

    Parameters
    ----------
    batches : DataFrame
        One row a batch; with columns run (or that index) and day. Several rows of one run are pieces of one
        batch and averaged; a row whose response is missing is a lost batch.
    response : str
        Column to fit: hours, per cent, seconds, cost.
    formula : str or sequence of Category or Amount
        ``"colour * binder + oil_g"``, as `parse_formula` reads it, or the factors.
    model : {"main", "interactions", "quadratic", "full"} or sequence of str
        Which effects of given factors: ``["oil", "colour", "oil:colour", "oil^2"]``. A formula says it.
    log : bool, optional
        Fit the natural logarithm, so that effects are ratios. Left out: as the measure of that name says,
        else where all numbers are positive.
    days : {"auto", "fixed", "random", "ignore"}
        See `choose_days`.
    margin : float, optional
        The ratio above 1 within which two levels count as the same: 1.1 says a tenth more or less.

    Returns
    -------
    ResponseFit
        Its effects: each level against its control, and each amount from the least to the most tried, other
        categories averaged with equal weights and other amounts in the middle of what was tried.

    Raises
    ------
    CannotAnswer
        Too few batches, days or settings for what is asked, or a response without any chance variation.

    Notes
    -----
    y = X b + day + batch, fitted by restricted maximum likelihood with the degrees of freedom of M. G.
    Kenward and J. H. Roger (Biometrics 53 (1997) 983-997); without random days it is least squares. Each
    interval stands by itself; `compare` has those that hold together.

    Examples
    --------
    >>> trial = pd.DataFrame({"run": list("ABCDEF"), "colour": ["dye", "lake"] * 3,
    ...                       "hours": [4.0, 6.1, 4.4, 6.5, 4.2, 6.0]})
    >>> fit_response(trial, "hours", "colour").table[["level", "estimate", "conf_low", "conf_high"]].round(2)
      level  estimate  conf_low  conf_high
    0  lake      1.48      1.33       1.64
    """
    need_columns(batches, [response], say("the_batches"))
    terms, model = parse_formula(formula, batches, model)
    if not 0 < conf_level < 1:
        raise ValueError("conf_level must lie between 0 and 1")
    if margin is not None and margin <= 1:
        raise ValueError("the margin is a ratio above 1, for example 1.1")
    table, lost, log = measured(batches, response, [term.name for term in terms], log)
    basis = factor_basis(table, terms, model)
    return fit_basis(
        table, response, basis, log=log, days=days, margin=margin, conf_level=conf_level, lost=lost
    )


def measured(
    batches: pd.DataFrame, response: str, names: Sequence[str], log: bool | None
) -> tuple[pd.DataFrame, tuple[str, ...], bool]:
    """One row a batch with a number, by run; the batches that have none; and whether to take logarithms."""
    need_columns(batches, [response, *names], say("the_batches"))
    table = batches.reset_index() if "run" in batches.index.names else batches
    if "run" not in table:
        table = table if table.index.is_unique else table.reset_index(drop=True)
        table = table.assign(run=table.index)
    if not pd.api.types.is_numeric_dtype(table[response]):
        raise ValueError(f"the column {response} must hold numbers")
    table = table.assign(run=table["run"].astype(str))
    kept = table[table[response].notna()]
    lost = tuple(run for run in pd.unique(table["run"]) if run not in set(kept["run"]))
    if log is None:
        known = MEASURES.get(response)
        log = known.scale == "ratio" if known else bool((kept[response] > 0).all())
    if kept.empty:
        raise cannot("no_value", response=response)
    if log and not (kept[response] > 0).all():
        raise cannot("no_ratio", response=response)
    if kept["run"].duplicated().any():
        numbers = kept[response].astype(float)
        means = (numbers.map(np.log) if log else numbers).groupby(kept["run"]).mean()
        kept = kept.drop_duplicates("run")
        kept = kept.assign(**{response: kept["run"].map(means.map(np.exp) if log else means)})
    return kept.set_index("run", drop=False).rename_axis(index=None), lost, log


def fit_basis(
    table: pd.DataFrame,
    response: str,
    basis: Basis,
    *,
    log: bool,
    days: Days,
    margin: float | None,
    conf_level: float,
    lost: tuple[str, ...],
) -> ResponseFit:
    """`fit_response` for columns that are ready; of a mixture too."""
    x, owners = basis.matrix(table), list(basis.columns.values())
    refuse_inseparable(x, owners)
    structure = choose_days(table, x, days)
    if structure.fixed:
        x = np.column_stack([x, block_columns(table["day"])])
        refuse_inseparable(x, owners + ["day"] * (x.shape[1] - len(owners)))
    values = table[response].to_numpy(float)
    strata, fits = fit_one(
        x, table["day"] if structure.random else None, np.log(values) if log else values, response
    )
    sources = [*(["between days"] if structure.random else []), "between batches"]
    variance = fits.components[0]
    spread = pd.DataFrame({"variance": variance, "sd": np.sqrt(np.maximum(variance, 0.0))}, index=sources)
    fit = ResponseFit(
        response=response,
        batches=table,
        terms=tuple(basis.factors),
        conf_level=conf_level,
        n_batches=len(table),
        log=log,
        structure=structure,
        tests=_tests(basis, fits),
        spread=spread,
        n_days=table["day"].nunique() if "day" in table else 1,
        lost=lost,
        basis=basis,
        strata=strata,
        fits=fits,
    )
    return replace(fit, effects=_effects(fit, margin), notes=_notes(fit))


def _effects(fit: ResponseFit, margin: float | None) -> tuple[Effect, ...]:
    """Each step of the basis, with the limits of sameness where a margin is stated."""
    found = []
    for term, level, control, weights in fit.basis.steps():
        row, same = fit.interval(_padded(weights[None], fit.fits)[0]), dict[str, float]()
        if margin is not None and fit.log:
            same = same_limits(row, fit.conf_level)
        elif margin is not None and isinstance(term, Category):
            top, bottom = fit.weights(pd.DataFrame({term.name: [level, control]}))
            limits = mean_ratio_limits(fit.fits, top, bottom, 1 - fit.conf_level)
            same = dict(zip(("same_low", "same_high"), limits, strict=True))
        judge = str(fit.tests["judged_by"].get(term.name, "batches"))
        more = {"judged_by": judge, "n_batches": fit.n_batches, "conf_level": fit.conf_level, **same}
        levels = (level, control)
        found.append(effect_of(fit.response, term, levels, row, log=fit.log, margin=margin, **more))
    return tuple(found)


def fit_one(x: Array, days: pd.Series | None, y: Array, response: str) -> tuple[Strata, Fits]:
    """Fit one response, or say what is missing."""
    strata = prepare(x, days)
    if exact(strata, y):
        raise cannot("no_chance", response=response)
    fits = fit_many(strata, y)
    if not fits.converged[0]:
        raise cannot("spread_unsettled", response=response)
    return strata, fits


def _padded(weights: Array, fits: Fits) -> Array:
    """Weights of the columns of a basis, with those of days as blocks, which are nil."""
    return np.pad(weights, ((0, 0), (0, fits.beta.shape[1] - weights.shape[1])))


def _tests(basis: Basis, fits: Fits) -> pd.DataFrame:
    rows = {}
    for term, picks in basis.hypotheses():
        weights = _padded(picks, fits)
        f, top, bottom, p = f_test(fits, weights)
        judge = "days" if fits.strata.by_days(weights) else "batches"
        rows[term] = (top, float(bottom[0]), float(f[0]), float(p[0]), judge)
    names = ["df_num", "df_den", "F", "p_value", "judged_by"]
    return pd.DataFrame.from_dict(rows, orient="index", columns=names).rename_axis("term")


def _notes(fit: ResponseFit) -> tuple[str, ...]:
    said = []
    if fit.lost:
        said.append(say("note_lost", n=len(fit.lost), response=fit.response, lost=", ".join(fit.lost)))
    few = fit.tests[fit.tests["df_den"] < FEW]
    for judge, rows in few.groupby("judged_by", sort=False):
        spare, terms = round(rows["df_den"].min()), listed([*map(str, rows.index)])
        said.append(say("note_few_days" if judge == "days" else "note_few_batches", n=spare, terms=terms))
    return tuple(said)
