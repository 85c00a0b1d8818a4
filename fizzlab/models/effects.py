"""One number a batch: what each factor does to it, with the error that judges it.

`fit_response` chooses, from how the batches hang together by day, which error judges which effect, and fits
by restricted likelihood (`strata`). `comparisons`, `surfaces` and `diagnostics` take its result.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import pandas as pd
from scipy import stats

from fizzlab.errors import CannotAnswer
from fizzlab.measures import MEASURES
from fizzlab.models.basis import Basis, factor_basis, refuse_inseparable
from fizzlab.models.days import DayModel, Days, block_columns, choose_days, constant_within, day_codes
from fizzlab.models.diagnostics import POWERS, best_power, odd_batches
from fizzlab.models.draws import ONE_DAY, Forecast, leaning, scale
from fizzlab.models.result import Effect, FitResult, Interval, as_frame
from fizzlab.models.sameness import mean_ratio_limits, ratio_limits
from fizzlab.models.strata import Array, Fits, Ints, NotEstimable, Strata, contrast, f_test, fit_many, prepare
from fizzlab.models.terms import Category, Term, need_columns, parse_formula

#: Where fewer days or batches are left to judge by, a note says so.
FEW = 3


@dataclass(frozen=True, kw_only=True)
class ResponseFit(FitResult):
    """The fit of a response with one number a batch.

    With `log` the natural logarithm was fitted, and effects are ratios. `structure` says how days enter, and
    why; `tests` has a row a term: df_num, df_den, F, p_value, judged_by ("batches" or "days"); `spread` a row
    a source of chance variation: variance, sd. A variance below zero says that days were more alike than
    chance: none was seen. `lost` are batches without a number. `basis`, `strata` and `fits` are the columns
    of the model, the plan made ready, and the fit of it.
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
    def fitted(self) -> Array:
        """What the fixed part says of each batch, on the scale that was fitted."""
        return np.asarray(self.strata.x @ self.fits.beta[0])

    @property
    def coefficients(self) -> pd.DataFrame:
        """One row a column of the model, in its own coding, with what `interval` gives."""
        size = self.strata.x.shape[1]
        days = [f"day {place + 1}" for place in range(size - len(self.basis.names))]
        rows = [self.interval(row) for row in np.eye(size)]
        return pd.DataFrame(rows, index=pd.Index([*self.basis.names, *days], name="column"))

    def weights(self, settings: pd.DataFrame) -> Array:
        """Weights of the coefficients for settings, averaged over days as blocks and factors left out."""
        columns = self.basis.grid(settings)
        return np.pad(columns, ((0, 0), (0, self.strata.x.shape[1] - columns.shape[1])))

    def interval(self, weights: Array) -> dict[str, float]:
        """Estimate, se, df, t, p_value, conf_low, conf_high of one contrast of the coefficients."""
        return interval_of(self.fits, weights, self.conf_level)

    def predict(
        self,
        new: pd.DataFrame | Mapping[str, object] | None = None,
        *,
        share: float = 0.5,
        interval: Interval = "confidence",
    ) -> pd.DataFrame:
        """The typical batch of some settings, or where a new batch of them on a new day will lie.

        Factors that the settings leave out are averaged over (categories, with equal weights) or held in the
        middle of what was tried (amounts). A batch has one number, so `share` can only be 0.5. The prediction
        is estimate ± t sqrt(x'cov(b)x + sum of the variance components), with Satterthwaite's df for the sum.
        """
        if share != 0.5:
            raise ValueError(f"{self.response} has one number a batch, so there is no share of its pieces")
        settings = as_frame(new)
        unknown = {str(name) for name in settings} - {factor.name for factor in self.terms}
        if unknown and not isinstance(new, pd.DataFrame):
            raise ValueError(f"the fit has no factor {sorted(unknown)[0]}")
        used = self.for_new_days if interval == "prediction" else self
        rows = []
        for weights in used.weights(settings):
            if interval == "prediction":
                ends = list(used.new_batches(weights)[:3])
            else:
                one = used.interval(weights)
                ends = [one["estimate"], one["conf_low"], one["conf_high"]]
            rows.append(_back(ends, self.log))
        found = pd.DataFrame(rows, columns=["estimate", "conf_low", "conf_high"])
        return pd.concat([settings, found.assign(extrapolated=self.extrapolated(settings))], axis=1)

    def extrapolated(self, settings: pd.DataFrame) -> list[bool]:
        """Does each setting lie outside of what was tried, as far as its columns tell?"""
        return self.basis.beyond(settings, self.batches)

    def points(self, factor: str) -> pd.Series:
        """Each batch's number as if everything but one factor had been the same, by run."""
        centre = self.weights(self.batches[[factor]]) @ self.fits.beta[0]
        found = centre + self.y - self.fitted
        return pd.Series(np.exp(found) if self.log else found, index=self.batches.index)

    @cached_property
    def for_new_days(self) -> ResponseFit:
        """The fit with days at random, so that a day still to come has its share of chance.

        Days taken out as blocks are right for comparing recipes; a forecast must hold for a day that was not
        among them. The same fit where days cannot be told from batches, or were not several.
        """
        if not self.structure.fixed:
            return self
        try:
            return _refit(self, self.batches, "random")
        except CannotAnswer:
            return self

    def new_batches(
        self, weights: Array, batches: int = 1, days: int = 1, conf_level: float | None = None
    ) -> tuple[float, float, float, float]:
        """Estimate, low, high and df of the mean of so many new batches on so many new days."""
        variance, df = self.new_variance(weights, batches, days)
        middle = float(weights @ self.fits.beta[0])
        reach = float(stats.t.ppf(0.5 + (conf_level or self.conf_level) / 2, df) * np.sqrt(variance))
        return middle, middle - reach, middle + reach, df

    def new_variance(self, weights: Array | None, batches: int = 1, days: int = 1) -> tuple[float, float]:
        """Variance and df of the mean of new batches about a forecast, or about the truth without `weights`.

        df = 2 v^2 / (g'Wg) (F. E. Satterthwaite, Biometrics Bulletin 2 (1946) 110-114), g the slopes of v
        by the variance components and W their covariance. A component that came out as nothing is still in
        doubt, so that its slope stays in.
        """
        share = np.array([*([1 / days] if self.structure.random else []), 1 / batches])
        value = float(share @ np.maximum(self.fits.components[0], 0.0))
        slope = share
        if weights is not None:
            value += float(weights @ self.fits.covariance[0] @ weights)
            slope = slope + np.einsum("a,jab,b->j", weights, self.fits.slopes[0], weights)
        moved = float(slope @ self.fits.uncertainty[0] @ slope)
        df = min(2 * value**2 / moved, float(self.strata.spare)) if moved > 0 else float(self.strata.spare)
        return value, max(df, float(self.fits.least_df[0]), 1.0)

    def forecast(self, settings: pd.DataFrame, share: float = 0.5) -> Forecast:
        """What new batches of some settings, each on a new day, may be."""
        used = self.for_new_days
        weights, rows = used.weights(settings), used.strata
        told = pd.DataFrame([used.interval(row) for row in weights])
        shown = pd.DataFrame([self.interval(row) for row in self.weights(settings)])
        typical = shown[["estimate", "conf_low", "conf_high"]].apply(np.exp if self.log else np.asarray)
        component = np.maximum(used.fits.components[0], 0.0)
        component[-1] = component[-1] or 1e-12
        variance, df = used.new_variance(None)
        notes: tuple[str, ...] = ()
        if self.structure.fixed and used is self:
            notes = (f"How much days differ in {self.response} is not counted in: it cannot be told here.",)
        elif not self.structure.fixed and self.n_days == 1:
            notes = (ONE_DAY,)
        return Forecast(
            typical=typical,
            estimate=told["estimate"].to_numpy(),
            se=told["se"].to_numpy(),
            df=told["df"].to_numpy(),
            keys=tuple(used.batches.index),
            lean=leaning(weights, rows.x, np.einsum("j,jab->ab", component, rows.full)),
            spread=lambda share: np.sqrt(variance) * scale(share, np.array([df]))[:, 0],
            mean=lambda batches, days, conf_level: (
                np.array([used.new_batches(row, batches, days, conf_level) for row in weights]).T
            ),
            residuals=pd.Series(used.y - used.fitted, index=used.batches.index),
            log=self.log,
            notes=notes,
        )

    def diagnose(self) -> pd.DataFrame:
        """Batches that lie far from what the others say, and whether another scale would fit better.

        One row each: check (``batch NAME`` or ``scale``), value (its joint p; the best power) and says.
        Nothing is dropped: an odd batch stays in.
        """
        rows: list[tuple[str, float, str]] = []
        odd = odd_batches(self.strata, self.y, self.fits, list(self.batches.index))
        for run, row in odd[odd["p_joint"] < 0.05].iterrows():
            way = "above" if row["residual"] > 0 else "below"
            says = f"Batch {run} lies far {way} what the others say. Look up what happened to it. It stays in"
            rows.append((f"batch {run}", float(row["p_joint"]), f"{says}{self._without(str(run))}."))
        if (self.batches[self.response] > 0).all():
            best, low, high = best_power(
                self.strata, self.batches[self.response].to_numpy(float), blocked=self.structure.fixed
            )
            used = 0.0 if self.log else 1.0
            plain = [power for power in POWERS if low <= power <= high]
            if not low <= used <= high and plain:
                word = POWERS[min(plain, key=lambda power: abs(power - best))]
                instead = "its logarithm" if self.log else "the number itself"
                says = f"With {word} for {instead} its scatter would look more even: caution with intervals."
                rows.append(("scale", best, says))
        return pd.DataFrame(rows, columns=["check", "value", "says"])

    def _without(self, run: str) -> str:
        """How the effects would change without a batch, in words."""
        try:
            others = self.without(run).effects
        except CannotAnswer:
            return "; too few batches are left to say what is without it"
        told = [
            f"{now.level} {then.estimate:.3g} instead of {now.estimate:.3g}"
            for now, then in zip(self.effects, others, strict=True)
        ]
        return f"; without it: {', '.join(told)}" if told else ""

    def without(self, run: str) -> ResponseFit:
        """The same fit without one batch; raises `CannotAnswer` where too few are left."""
        days: Days = "fixed" if self.structure.fixed else "random" if self.structure.random else "ignore"
        return _refit(self, self.batches[self.batches.index != run], days)


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
        batch: they are averaged, because they are no repeats of it. A row whose response is missing is a
        lost batch.
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
        Too few batches, days or settings for what is asked, a response without any chance variation, or
        a fit that did not converge.
    BadInput
        A column that is not there.

    Notes
    -----
    y = X b + day + batch, fitted by restricted maximum likelihood with the degrees of freedom of
    M. G. Kenward and J. H. Roger (Biometrics 53 (1997) 983-997); see `strata`. Without random groups it is
    least squares. Each interval stands by itself; `compare` has those that hold together.

    Examples
    --------
    >>> trial = pd.DataFrame({"run": list("ABCDEF"), "colour": ["dye", "lake"] * 3,
    ...                       "hours": [4.0, 6.1, 4.4, 6.5, 4.2, 6.0]})
    >>> fit_response(trial, "hours", "colour").table[["level", "estimate", "conf_low", "conf_high"]].round(2)
      level  estimate  conf_low  conf_high
    0  lake      1.48      1.33       1.64
    """
    if isinstance(formula, str):
        need_columns(batches, [response], "the batches")
        terms, model = parse_formula(formula, batches)
    else:
        terms = tuple(formula)
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
    need_columns(batches, [response, *names], "the batches")
    table = batches.reset_index() if "run" in batches.index.names else batches
    if "run" not in table:
        table = table if table.index.is_unique else table.reset_index(drop=True)
        table = table.assign(run=[str(name) for name in table.index])
    if not pd.api.types.is_numeric_dtype(table[response]):
        raise ValueError(f"the column {response} must hold numbers")
    values = table[response]
    if log is None:
        known = MEASURES.get(response)
        log = known.scale == "ratio" if known else bool((values.dropna() > 0).all())
    kept = table[values.notna()]
    runs = table["run"].astype(str)
    lost = tuple(run for run in pd.unique(runs) if run not in set(runs[values.notna()]))
    if kept.empty:
        raise CannotAnswer(f"No batch has a value of {response}.", "Measure it on each batch.")
    if log and not (kept[response] > 0).all():
        raise CannotAnswer(
            f"Some {response} is zero or less, so there are no ratios of it.",
            "Ask for differences instead, or measure more finely.",
        )
    if kept["run"].duplicated().any():
        numbers = kept[response].astype(float).to_numpy()
        means = pd.Series(np.log(numbers) if log else numbers).groupby(kept["run"].to_numpy()).mean()
        kept = kept.drop_duplicates("run")
        kept = kept.assign(**{response: [*_back(means[kept["run"]].to_list(), log)]})
    kept = kept.assign(run=kept["run"].astype(str)).set_index("run", drop=False).rename_axis(index=None)
    return kept, lost, log


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
    x = basis.matrix(table)
    refuse_inseparable(x, basis.owners)
    structure = choose_days(table, x, days)
    extra = 0
    if structure.fixed:
        blocks = block_columns(table["day"])
        extra = blocks.shape[1]
        x = np.column_stack([x, blocks])
        refuse_inseparable(x, [*basis.owners, *["day"] * extra])
    strata = strata_of(x, day_codes(table) if structure.random else None)
    values = table[response].to_numpy(float)
    fits = fit_one(strata, np.log(values) if log else values, response)
    spread = pd.DataFrame(
        {"variance": fits.components[0], "sd": np.sqrt(np.maximum(fits.components[0], 0.0))},
        index=[*(["between days"] if structure.random else []), "between batches"],
    )
    tests = _tests(basis, extra, table, structure, fits)
    effects = []
    for term, level, control, weights in basis.steps():
        row = interval_of(fits, np.pad(weights, (0, extra)), conf_level)
        estimate, low, high = _back([row["estimate"], row["conf_low"], row["conf_high"]], log)
        same = (np.nan, np.nan)
        if margin is not None and log:
            same = ratio_limits(estimate, low, high, row["df"], conf_level)
        elif margin is not None and isinstance(term, Category):
            both = np.pad(basis.grid(pd.DataFrame({term.name: [level, control]})), ((0, 0), (0, extra)))
            same = mean_ratio_limits(fits, both[0], both[1], random=structure.random)
        effects.append(
            Effect(
                response=response,
                term=term,
                level=level,
                control=control,
                scale="ratio" if log else "difference",
                estimate=estimate,
                conf_low=low,
                conf_high=high,
                df=row["df"],
                p_value=row["p_value"],
                judged_by=str(tests["judged_by"].get(term.name, "batches")),
                n_batches=len(table),
                conf_level=conf_level,
                margin=margin,
                same_low=same[0],
                same_high=same[1],
            )
        )
    return ResponseFit(
        response=response,
        effects=tuple(effects),
        batches=table,
        terms=tuple(basis.factors),
        conf_level=conf_level,
        n_batches=len(table),
        loglik=float(fits.loglik[0]),
        notes=_notes(response, lost, structure, strata, tests),
        log=log,
        structure=structure,
        tests=tests,
        spread=spread,
        n_days=table["day"].nunique() if "day" in table else 1,
        lost=lost,
        basis=basis,
        strata=strata,
        fits=fits,
    )


def _back(ends: Sequence[float], log: bool) -> list[float]:
    """Ends of an interval on the scale of the response."""
    return [float(np.exp(end)) if log else end for end in ends]


def _refit(fit: ResponseFit, table: pd.DataFrame, days: Days) -> ResponseFit:
    """The same model on other batches, or with days otherwise."""
    return fit_basis(
        table,
        fit.response,
        fit.basis,
        log=fit.log,
        days=days,
        margin=None,
        conf_level=fit.conf_level,
        lost=fit.lost,
    )


def strata_of(x: Array, day: Ints | None) -> Strata:
    """Make a plan ready, or say what is missing."""
    if len(x) <= x.shape[1]:
        raise CannotAnswer(
            f"There are {len(x)} measured batches for a model of {x.shape[1]} numbers, so nothing is left to "
            "judge chance by.",
            "Make more batches, repeat some, or ask for fewer effects.",
        )
    try:
        return prepare(x, day)
    except NotEstimable as gap:
        if gap.days:
            raise CannotAnswer(
                "The days differ in as many ways as there are days: nothing is left to judge the room by.",
                "Repeat at least one of the room's settings on another day.",
            ) from gap
        raise CannotAnswer(
            "No two batches of a day repeat each other once the effects are taken out, so nothing is left to "
            "judge chance by.",
            "Make more batches a day, or ask for fewer effects.",
        ) from gap


def fit_one(strata: Strata, y: Array, response: str) -> Fits:
    """Fit one response, or say why there is no fit."""
    fits = fit_many(strata, y)
    if np.sqrt(np.mean((y @ strata.outside) ** 2)) <= 1e-10 * (1 + np.abs(y).max()):
        raise CannotAnswer(
            f"Batches made alike have exactly the same {response}, so nothing is left to judge chance by.",
            "Write the readings down more finely, or add batches.",
        )
    if not fits.converged[0]:
        raise CannotAnswer(
            f"The search for how much days and batches vary in {response} did not settle.",
            "Add batches, or ask for fewer effects.",
        )
    return fits


def interval_of(fits: Fits, weights: Array, conf_level: float) -> dict[str, float]:
    """Estimate, se, df, t, p_value, conf_low, conf_high of one contrast."""
    estimate, se, df = (float(part[0]) for part in contrast(fits, weights))
    t = estimate / se
    reach = se * float(stats.t.ppf(0.5 + conf_level / 2, df))
    return {
        "estimate": estimate,
        "se": se,
        "df": df,
        "t": t,
        "p_value": float(2 * stats.t.sf(abs(t), df)),
        "conf_low": estimate - reach,
        "conf_high": estimate + reach,
    }


def _tests(basis: Basis, extra: int, table: pd.DataFrame, structure: DayModel, fits: Fits) -> pd.DataFrame:
    columns = basis.matrix(table)
    rows = {}
    for term, picks in basis.hypotheses():
        f, top, bottom, p = f_test(fits, np.pad(picks, ((0, 0), (0, extra))))
        by_days = structure.random and constant_within(columns @ picks.T, table["day"]).all()
        judge = "days" if by_days else "batches"
        rows[term] = (top, float(bottom[0]), float(f[0]), float(p[0]), judge)
    names = ["df_num", "df_den", "F", "p_value", "judged_by"]
    return pd.DataFrame.from_dict(rows, orient="index", columns=names).rename_axis("term")


def _notes(
    response: str, lost: tuple[str, ...], structure: DayModel, strata: Strata, tests: pd.DataFrame
) -> tuple[str, ...]:
    said = []
    if lost:
        were = "batch has" if len(lost) == 1 else "batches have"
        said.append(f"{len(lost)} {were} no {response} and could not be used: {', '.join(lost)}.")
    if "days" in set(tests["judged_by"]):
        spare = int(strata.df[0])
        if spare < FEW:
            judge = "1 spare day judges" if spare == 1 else f"{spare} spare days judge"
            said.append(
                f"Only {judge} what was set for a whole day; more days help, more batches a day do not."
            )
    rest = int(strata.df[-1])
    if rest < FEW:
        said.append(f"Only {rest} spare {'batch' if rest == 1 else 'batches'} to judge chance by.")
    return tuple(said)
