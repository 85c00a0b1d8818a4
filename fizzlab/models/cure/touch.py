"""Dry times from touch checks: what shortens drying, by how much, and how sure that is.

A touch check says only that a piece became dry between two looks. That bracket is what is analysed
here, never its middle. Batches are the unit; pieces of one batch share a random batch effect, batches of
one day a random day effect. The arithmetic is in `fizzlab.models.censored.estimation`, the method in
docs/methods/dry_time.md.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np
import pandas as pd
from scipy import stats

from fizzlab.errors import CannotAnswer
from fizzlab.models.censored.estimation import ArrayFit, NotFitted, Strata, fit, fit_batches
from fizzlab.models.censored.likelihood import SHAPES, Array, Ints, Shape, cumulative, quantile, sort
from fizzlab.models.cure.refusals import (
    check_amount,
    check_days,
    check_terms,
    days_of,
    ends_and_batches,
    explain,
)
from fizzlab.models.terms import Amount, Term, model_matrix

LOG_SIGMA = "log sigma"


def brackets(touch_checks: pd.DataFrame) -> pd.DataFrame:
    """Turn touch checks into one bracket a piece: wet at `lower` hours, dry at `upper` hours.

    Parameters
    ----------
    touch_checks : DataFrame
        Columns run, piece, hours (>= 0) and dry (bool); other columns are passed over. Any order.

    Returns
    -------
    DataFrame
        Columns run, piece, lower, upper, in the order in which the pieces first appear. `lower` is the
        last look at which the piece was wet (0 if it was dry at the first), `upper` the first at which it was
        dry (inf if never).

    Raises
    ------
    ValueError
        A piece that was dry and later is not, one that was dry at 0 hours, or a missing value.

    Examples
    --------
    >>> checks = pd.DataFrame({"run": "A", "piece": [1, 1, 1, 2, 2], "hours": [4.0, 8, 12, 4, 8],
    ...                        "dry": [False, False, True, False, False]})
    >>> brackets(checks)
      run  piece  lower  upper
    0   A      1    8.0   12.0
    1   A      2    8.0    inf
    """
    used = touch_checks[["run", "piece", "hours", "dry"]]
    if used.isna().any().any():
        raise ValueError("touch checks have missing values")
    dry = used["dry"].astype(bool)
    hours = used["hours"].astype(float)
    ends = pd.DataFrame(
        {
            "run": used["run"],
            "piece": used["piece"],
            "lower": hours.where(~dry, 0.0),
            "upper": hours.where(dry, np.inf),
        }
    )
    found = ends.groupby(["run", "piece"], sort=False, observed=True).agg({"lower": "max", "upper": "min"})
    wrong = found[found["lower"] >= found["upper"]]
    if len(wrong):
        run, piece = wrong.index[0]
        raise ValueError(f"run {run}, piece {piece} was dry and later is not, or dry at 0 hours")
    return found.reset_index()


@dataclass(frozen=True)
class JointTest:
    """Wald F test that a set of coefficients is nothing; `p` from F(df, error_df)."""

    term: str
    f: float
    df: int
    error_df: float
    p: float


@dataclass(frozen=True)
class Linear:
    """A linear combination of the coefficients on the log scale, and as a ratio of dry times."""

    estimate: float
    se: float
    df: float
    low: float
    high: float
    p: float

    @property
    def ratio(self) -> tuple[float, float, float]:
        """Ratio of dry times, with the ends of its interval."""
        return float(np.exp(self.estimate)), float(np.exp(self.low)), float(np.exp(self.high))


@dataclass(frozen=True)
class DryTimeFit:
    """A regression of dry times on terms of the batch table; made by `fit_dry_time`.

    Attributes
    ----------
    estimates : DataFrame
        One row a coefficient: coef, se, df, low, high, p (log hours), and ratio, ratio_low, ratio_high,
        ratio_for. A ratio is of dry times: a level against the control, an amount one unit greater, or, where
        the amount enters as a logarithm, the amount doubled.
    covariance : DataFrame
        Of the coefficients and of log sigma.
    sigma, tau, delta : float
        Standard deviations of log dry time between pieces of a batch, batches of a day, and days. nan where
        the readings cannot tell them; 0 where the estimate lies at nothing.
    loglik, aic : float
        Greatest log-likelihood (time in hours) and Akaike's criterion with every parameter counted.
    restricted_loglik : float
        Restricted log-likelihood at the estimates; nan if the variances are by (enlarged) maximum likelihood.
    n_pieces, n_batches : int
    n_days : int or None
        Days in the model; None without a day effect.
    censoring : dict
        Pieces by kind of bracket: left (dry at the first look), interval, right (never dry), exact.
    pieces_alike : bool
        The pieces of each batch became dry between the same two looks (or each batch has one piece), so their
        spread cannot be told; the model is then of batches alone.
    tried : dict
        What was tried of each term: (least, greatest) of an amount, the levels of a category that were made.
    residuals : DataFrame
        One row a piece: run, piece, lower, upper, expected (median hours given its batch), p_low and p_high
        (where the bracket's ends lie in the piece's own distribution) and residual (normal score of the
        middle of p_low and p_high).
    batch_effects : DataFrame
        One row a batch, indexed by run: batch and day effects as predicted (log hours), typical (median hours
        by the terms alone).
    notes : tuple of str
        Doubts to show beside the numbers, as sentences.
    """

    distribution: Shape
    terms: tuple[Term, ...]
    estimates: pd.DataFrame
    covariance: pd.DataFrame
    sigma: float
    tau: float
    delta: float
    loglik: float
    aic: float
    restricted_loglik: float
    n_pieces: int
    n_batches: int
    n_days: int | None
    censoring: dict[str, int]
    batch_effect: bool
    day_effect: bool
    pieces_alike: bool
    level: float
    tried: dict[str, tuple[float, float] | tuple[str, ...]]
    residuals: pd.DataFrame
    batch_effects: pd.DataFrame
    nodes: tuple[int, int]
    grid_error: float
    notes: tuple[str, ...]
    converged: Literal[True] = True
    found: ArrayFit = field(repr=False, kw_only=True)
    strata: Strata | None = field(repr=False, kw_only=True)
    model_matrix: pd.DataFrame = field(repr=False, kw_only=True)

    @property
    def coef(self) -> Array:
        """Coefficients of log hours."""
        return self.estimates["coef"].to_numpy(float)

    def df(self, combination: Array) -> float:
        """Denominator degrees of freedom of a linear combination of the coefficients."""
        if self.strata is None:
            return float(self.n_pieces - len(self.estimates))
        return self.strata.of(np.asarray(combination, float))

    def linear(self, combination: Sequence[float] | Array) -> Linear:
        """Estimate a linear combination of the coefficients, with a t interval.

        Parameters
        ----------
        combination : array, one entry a row of `estimates`
        """
        weights = np.asarray(combination, float)
        width = len(self.estimates)
        value = float(weights @ self.coef)
        se = float(np.sqrt(weights @ self.covariance.to_numpy()[:width, :width] @ weights))
        df = self.df(weights)
        half = float(stats.t.ppf(0.5 + self.level / 2, df)) * se
        return Linear(value, se, df, value - half, value + half, float(2 * stats.t.sf(abs(value) / se, df)))

    def between(self, first: Mapping[str, object], second: Mapping[str, object]) -> Linear:
        """Compare the dry time under `first` conditions with that under `second` (ratio first / second).

        Parameters
        ----------
        first, second : mapping
            A value for every term.
        """
        rows = model_matrix(pd.DataFrame([dict(first), dict(second)]), self.terms).to_numpy()
        return self.linear(rows[0] - rows[1])

    def joint_test(self, term: str) -> JointTest:
        """Test all coefficients of a term at once.

        The Wald F statistic b'V^-1 b / q, with the smallest denominator degrees of freedom of the
        coefficients concerned.
        """
        columns = next(each.columns() for each in self.terms if each.name == term)
        at = self.estimates.index.get_indexer(pd.Index(columns))
        coef = self.coef[at]
        block = self.covariance.to_numpy()[np.ix_(at, at)]
        f = float(coef @ np.linalg.solve(block, coef) / len(at))
        error_df = float(self.estimates["df"].to_numpy()[at].min())
        return JointTest(term, f, len(at), error_df, float(stats.f.sf(f, len(at), error_df)))

    def __str__(self) -> str:
        kinds = ", ".join(f"{count} {kind}" for kind, count in self.censoring.items() if count)
        days = f", {self.n_days} days" if self.n_days is not None else ""
        spreads = {"pieces": self.sigma, "batches": self.tau, "days": self.delta}
        spread = ", ".join(f"{name} {value:.3g}" for name, value in spreads.items() if not np.isnan(value))
        table = self.estimates[["coef", "se", "df", "low", "high", "p", "ratio", "ratio_low", "ratio_high"]]
        lines = [
            f"Dry time, {self.distribution}: {self.n_pieces} pieces ({kinds}), {self.n_batches} batches"
            + days,
            table.to_string(float_format=lambda value: f"{value:.4g}", na_rep=""),
            f"Spread of log hours between: {spread}",
            f"Log-likelihood {self.loglik:.4f}, AIC {self.aic:.2f}",
        ]
        return "\n".join([*lines, *self.notes])


def fit_dry_time(
    brackets: pd.DataFrame,
    batches: pd.DataFrame,
    terms: Sequence[Term],
    distribution: Shape = "lognormal",
    batch_effect: bool = True,
    day_effect: bool | Literal["auto"] = "auto",
    level: float = 0.95,
    variances: Literal["restricted", "ml"] = "restricted",
) -> DryTimeFit:
    """Fit a regression of bracketed dry times on factors, amounts and the air.

    log T = x'beta + day + batch + sigma e, with normal days and batches and e of the stated shape.

    Parameters
    ----------
    brackets : DataFrame
        Columns run, piece, lower, upper (hours); from `brackets`.
    batches : DataFrame
        One row a batch, indexed by run, with a column for each term, and `day` for a day effect. Batches
        without brackets are passed over.
    terms : sequence of Category or Amount
    distribution : {"lognormal", "weibull", "loglogistic"}
    batch_effect : bool
        False treats every piece as its own unit: plain maximum likelihood, for comparison with other
        programs. Its intervals are too narrow for pieces that share a batch.
    day_effect : bool or "auto"
        "auto": if the batches have a column `day` and some day has more than one of them.
    level : float
        Of the intervals.
    variances : {"restricted", "ml"}
        "ml" leaves them at maximum likelihood: quicker, and the same `loglik` and `aic`, but with intervals
        that are too narrow.

    Returns
    -------
    DryTimeFit

    Raises
    ------
    CannotAnswer
        No piece became dry, every piece was dry at the first look, a level or a condition under which all
        pieces are on one side, terms that cannot be told apart, too few batches or days, looks too far apart,
        or no convergence.
    ValueError
        A run of `brackets` that `batches` lacks, a missing term or value, or a bracket out of order.

    Notes
    -----
    Maximum likelihood for `loglik` and `aic`; the estimates and their intervals use the variances that
    maximise the restricted likelihood, and t with degrees of freedom of the stratum each coefficient is
    judged in (`fizzlab.models.censored.estimation`). For exactly known log-normal times this is the
    restricted likelihood of a linear mixed model.

    Examples
    --------
    >>> from fizzlab.models.terms import Category
    >>> looks = pd.DataFrame({"run": list("AABBCCDDEEFF"), "piece": [1, 2] * 6,
    ...                       "lower": [6.0, 6, 8, 8, 4, 6, 10, 8, 8, 10, 6, 8]})
    >>> looks["upper"] = looks["lower"] + 2
    >>> batches = pd.DataFrame({"colour": ["dye", "lake"] * 3}, index=list("ABCDEF"))
    >>> result = fit_dry_time(looks, batches, [Category("colour", ("dye", "lake"), "dye")])
    >>> result.estimates.loc["colour[lake]", ["ratio", "df"]].astype(float).round(1).tolist()
    [1.2, 4.0]
    """
    if distribution not in SHAPES:
        raise ValueError(f"distribution must be one of {', '.join(SHAPES)}")
    lower, upper, used, batch = ends_and_batches(brackets, batches)
    check_amount(lower, upper)
    matrix = model_matrix(used, terms)
    x = matrix.to_numpy(float)
    names = list(matrix.columns)
    check_terms(lower, upper, batch, used, terms, matrix, batch_effect)
    day, notes = days_of(used, day_effect if batch_effect else False)
    try:
        layers: Strata | None = None
        alike = False
        if batch_effect:
            result = fit_batches(lower, upper, batch, x, day, distribution, variances == "restricted")
            found, layers, alike = result.found, result.strata, result.pieces_alike
        else:
            found = fit(sort(lower, upper, batch, x), distribution, batch_effect=False, restricted=False)
    except NotFitted as failure:
        raise explain(failure, names) from None
    if layers is not None and day is not None:
        check_days(layers, names)
    return _assemble(
        found, layers, alike, brackets, used, terms, matrix, distribution, batch_effect, variances, day,
        level, lower, upper, batch, notes,
    )  # fmt: skip


def compare_distributions(
    brackets: pd.DataFrame,
    batches: pd.DataFrame,
    terms: Sequence[Term],
    day_effect: bool | Literal["auto"] = "auto",
) -> pd.DataFrame:
    """Compare the three distributions by Akaike's criterion (smaller is better).

    Returns
    -------
    DataFrame
        Indexed by distribution, best first: loglik, aic, delta_aic, and problem (why there are no numbers, or
        "").
        A difference below about 2 is no reason to prefer one.

    Raises
    ------
    CannotAnswer
        None of the three could be fitted.
    """
    rows: dict[str, dict[str, object]] = {}
    last: CannotAnswer | None = None
    for shape in SHAPES:
        try:
            fitted = fit_dry_time(brackets, batches, terms, shape, day_effect=day_effect, variances="ml")
            rows[shape] = {"loglik": fitted.loglik, "aic": fitted.aic, "problem": ""}
        except CannotAnswer as problem:
            last = problem
            rows[shape] = {"loglik": np.nan, "aic": np.nan, "problem": str(problem)}
    table = pd.DataFrame.from_dict(rows, orient="index")
    if table["aic"].isna().all() and last is not None:
        raise last
    table.insert(2, "delta_aic", table["aic"] - table["aic"].min())
    return table.sort_values("aic").rename_axis("distribution")


# --- what comes out -------------------------------------------------------------------------


def _assemble(
    found: ArrayFit,
    layers: Strata | None,
    alike: bool,
    table: pd.DataFrame,
    used: pd.DataFrame,
    terms: Sequence[Term],
    matrix: pd.DataFrame,
    shape: Shape,
    batch_effect: bool,
    variances: Literal["restricted", "ml"],
    day: Ints | None,
    level: float,
    lower: Array,
    upper: Array,
    batch: Ints,
    notes: list[str],
) -> DryTimeFit:
    names = list(matrix.columns)
    x = matrix.to_numpy(float)
    exact = lower == upper
    censoring = {
        "left": int(((lower == 0) & ~exact).sum()),
        "interval": int(((lower > 0) & np.isfinite(upper) & ~exact).sum()),
        "right": int(np.isinf(upper).sum()),
        "exact": int(exact.sum()),
    }
    if alike:
        one = len(lower) == len(x)
        notes = [
            *notes,
            "Each batch has one piece, so the spread between pieces and that between batches cannot be told "
            "apart."
            if one
            else "The pieces of every batch became dry between the same two looks, so how much pieces of one "
            "batch differ cannot be told; forecasts take them as alike.",
        ]
    if variances == "ml" and batch_effect:
        notes = [*notes, "The variances are by maximum likelihood: the intervals are too narrow."]
    elif batch_effect and np.isnan(found.restricted):
        notes = [
            *notes,
            "The looks are far apart beside the spread of the batches, so the intervals are rough.",
        ]
    if not batch_effect:
        notes = [
            *notes,
            "Pieces were taken as units: the intervals are too narrow where pieces share a batch.",
        ]
    middle = float(quantile(shape, 0.5)) * found.sigma
    location = x @ found.beta
    own = location + found.batch_mean + found.day_mean
    with np.errstate(divide="ignore"):
        p_low = cumulative(shape, (np.log(lower) - own[batch]) / found.sigma)
        p_high = cumulative(shape, (np.log(upper) - own[batch]) / found.sigma)
    residuals = pd.DataFrame(
        {
            "run": table["run"].to_numpy(),
            "piece": table["piece"].to_numpy(),
            "lower": lower,
            "upper": upper,
            "expected": np.exp(own + middle)[batch],
            "p_low": p_low,
            "p_high": p_high,
            "residual": stats.norm.ppf(np.clip((p_low + p_high) / 2, 1e-12, 1 - 1e-12)),
        }
    )
    effects = pd.DataFrame(
        {"batch": found.batch_mean, "day": found.day_mean, "typical": np.exp(location + middle)},
        index=used.index,
    )
    parameters = len(names) + 1 + found.model.batch_effect + found.model.day_effect
    result = DryTimeFit(
        distribution=shape,
        terms=tuple(terms),
        estimates=pd.DataFrame({"coef": found.beta}, index=pd.Index(names, name="column")),
        covariance=pd.DataFrame(found.covariance, index=[*names, LOG_SIGMA], columns=[*names, LOG_SIGMA]),
        sigma=float("nan") if alike else found.sigma,
        tau=found.sigma if alike else (found.tau if batch_effect else float("nan")),
        delta=found.delta if day is not None else float("nan"),
        loglik=found.loglik,
        aic=2 * parameters - 2 * found.loglik,
        restricted_loglik=found.restricted,
        n_pieces=len(lower),
        n_batches=len(x),
        n_days=None if day is None else int(day.max()) + 1,
        censoring=censoring,
        batch_effect=batch_effect,
        day_effect=day is not None,
        pieces_alike=alike,
        level=level,
        tried=_tried(used, terms),
        residuals=residuals,
        batch_effects=effects,
        nodes=found.nodes,
        grid_error=found.grid_error,
        notes=tuple(notes),
        found=found,
        strata=layers,
        model_matrix=matrix,
    )
    return _with_intervals(result)


def _with_intervals(result: DryTimeFit) -> DryTimeFit:
    names = list(result.estimates.index)
    rows = [result.linear(row) for row in np.eye(len(names))]
    table = result.estimates.assign(
        se=[row.se for row in rows],
        df=[row.df for row in rows],
        low=[row.low for row in rows],
        high=[row.high for row in rows],
        p=[row.p for row in rows],
    )
    # the intercept is log hours at the controls and at amounts of 0: no ratio of anything
    factor = np.full(len(names), np.nan)
    meaning = [""] * len(names)
    at = 1
    for term in result.terms:
        for column in term.columns():
            if isinstance(term, Amount):
                factor[at] = np.log(2.0) if term.log else 1.0
                unit = f" {term.unit}" if term.unit else ""
                meaning[at] = f"{term.name} doubled" if term.log else f"{term.name} greater by 1{unit}"
            else:
                factor[at] = 1.0
                meaning[at] = f"{column[len(term.name) + 1 : -1]} against {term.control}"
            at += 1
    for ratio, source in (("ratio", "coef"), ("ratio_low", "low"), ("ratio_high", "high")):
        table[ratio] = np.exp(table[source].to_numpy(float) * factor)
    table["ratio_for"] = meaning
    return replace(result, estimates=table)


def _tried(used: pd.DataFrame, terms: Sequence[Term]) -> dict[str, tuple[float, float] | tuple[str, ...]]:
    tried: dict[str, tuple[float, float] | tuple[str, ...]] = {}
    for term in terms:
        if isinstance(term, Amount):
            values = used[term.name].to_numpy(float)
            tried[term.name] = (float(values.min()), float(values.max()))
        else:
            tried[term.name] = tuple(level for level in term.levels)
    return tried
