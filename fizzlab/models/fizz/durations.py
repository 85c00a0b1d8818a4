"""How long pieces fizz, by stopwatch, at one common water temperature.

The model, for piece j of batch i in water of T_ij kelvin, is

    log seconds_ij = x_i' beta + (E/R) (1/T_ij - 1/T_ref) + b_i + e_ij,
    b_i ~ N(0, tau^2),  e_ij ~ N(0, sigma^2).

A piece that still fizzed when the watching ended counts as "longer than that" (right-censored). Fizzing
is as fast as 1/seconds, so E is the activation energy of Arrhenius' law k = A exp(-E/(R T)).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import stats

from fizzlab.errors import CannotAnswer
from fizzlab.models.censored import NotFitted, sort
from fizzlab.models.censored_fit import ArrayFit
from fizzlab.models.censored_fit import fit as fit_brackets
from fizzlab.models.fizz.split import Split, split
from fizzlab.models.terms import INTERCEPT, Category, Term, model_matrix
from fizzlab.recipe import BATH_C, GAS_CONSTANT

Array = NDArray[np.float64]

#: Below this spread of water temperatures a slope would be made of the thermometer's own error.
LEAST_SPREAD_C = 2.0

WATER = "water"
_ZERO_C = 273.15


@dataclass(frozen=True)
class Effect:
    """How many times as long, with interval.

    Parameters
    ----------
    name : str
        Column of the model: ``"colour[lake]"`` against the control, ``"binder_pct"`` for one unit more.
    term : str
        The factor it belongs to.
    ratio, low, high : float
        Ratio of durations; 1 is "equally long".
    p : float
        Two-sided p-value of a ratio of 1.
    df : float
        Denominator degrees of freedom, counted in batches for a factor of the batch.
    """

    name: str
    term: str
    ratio: float
    low: float
    high: float
    p: float
    df: float


@dataclass(frozen=True)
class WaterSlope:
    """What warmer water does.

    Parameters
    ----------
    ea_kj_mol, ea_low, ea_high : float
        Activation energy, kJ/mol.
    per_10c, per_10c_low, per_10c_high : float
        Ratio of durations when the water goes from 5 °C below to 5 °C above the common temperature.
    p, df : float
    """

    ea_kj_mol: float
    ea_low: float
    ea_high: float
    per_10c: float
    per_10c_low: float
    per_10c_high: float
    p: float
    df: float


@dataclass(frozen=True)
class DurationFit:
    """Durations fitted; `typical_durations` reads levels from it.

    Parameters
    ----------
    effects : tuple of Effect
    water : WaterSlope or None
        None where every cup had about the same temperature: nothing is then corrected for it.
    at_water_c : float
        The common temperature that everything is stated at.
    tried_c : tuple of float
        Lowest and highest water temperature tried.
    beyond_tried : bool
        Is `at_water_c` outside of those?
    sd_pieces, sd_batches : float
        Standard deviations of log seconds within and between batches; `sd_batches` is 0 where no batch has
        two pieces, and `sd_pieces` then holds both.
    pieces, unfinished, batches : int
    level : float
        Coverage of every interval.
    loglik : float
        Greatest log-likelihood, on the time scale.
    columns : tuple of str
        Model columns, the intercept first.
    coefficients, covariance : arrays
        Of log seconds, in the order of `columns`.
    """

    effects: tuple[Effect, ...]
    water: WaterSlope | None
    at_water_c: float
    tried_c: tuple[float, float]
    beyond_tried: bool
    sd_pieces: float
    sd_batches: float
    pieces: int
    unfinished: int
    batches: int
    level: float
    loglik: float
    columns: tuple[str, ...]
    coefficients: Array
    covariance: Array
    matrix: pd.DataFrame
    terms: tuple[Term, ...]
    strata: Split

    def of(self, combination: Array) -> tuple[float, float, float]:
        """Return estimate, standard error and degrees of freedom of combination @ coefficients."""
        estimate = float(combination @ self.coefficients)
        se = float(np.sqrt(combination @ self.covariance @ combination))
        return estimate, se, self.strata.df(combination)


def fit_durations(
    times: pd.DataFrame,
    batches: pd.DataFrame,
    terms: Sequence[Term] = (),
    at_water_c: float = BATH_C,
    level: float = 0.95,
    restricted: bool = True,
) -> DurationFit:
    """Compare how long pieces fizz, at one common water temperature.

    Log-normal regression of right-censored times with a random effect of the batch, fitted by restricted
    maximum likelihood; t intervals whose degrees of freedom are counted in batches for a factor of the batch
    and in pieces for the water. The likelihood is that of the dry-time regression.

    Parameters
    ----------
    times : DataFrame
        One row a piece: run, water_c, seconds, done (False: it still fizzed when the watching ended).
    batches : DataFrame
        One row a batch, indexed by run, with a column for each term.
    terms : sequence of Category or Amount
        Factors of the batch.
    at_water_c : float
        Common water temperature.
    level : float
        Coverage of the intervals.
    restricted : bool
        False fits by plain maximum likelihood, which makes spreads too small; for comparison with
        other programs.

    Returns
    -------
    DurationFit

    Raises
    ------
    CannotAnswer
        No piece finished, a level without a finished piece, factors that cannot be told apart, too few
        batches, or no convergence.
    ValueError
        A run that is not in `batches`, or times that are not positive.

    References
    ----------
    J. D. Kalbfleisch and R. L. Prentice, The Statistical Analysis of Failure Time Data, chapter 3
    (log-linear models of censored times); S. Arrhenius, Z. Phys. Chem. 4 (1889) 226. From memory, not seen.

    Examples
    --------
    >>> from fizzlab.models.terms import Category
    >>> batches = pd.DataFrame({"colour": ["dye", "lake"] * 3}, index=list("ABCDEF"))
    >>> times = pd.DataFrame({
    ...     "run": list("AABBCCDDEEFF"), "water_c": [32.0, 42.0] * 6, "done": [True] * 11 + [False],
    ...     "seconds": [150, 100, 210, 140, 160, 105, 200, 150, 145, 98, 220, 150.0]})
    >>> fit = fit_durations(times, batches, [Category("colour", ("dye", "lake"), control="dye")])
    >>> lake = fit.effects[0]
    >>> lake.name, round(lake.ratio, 1), lake.low > 1
    ('colour[lake]', 1.4, True)
    >>> round(fit.water.per_10c, 1)
    0.7
    """
    if not (times["seconds"] > 0).all():
        raise ValueError("seconds must be positive")
    seconds = times["seconds"].to_numpy(float)
    upper = np.where(times["done"].to_numpy(bool), seconds, np.inf)
    return fit_times(times, seconds, upper, batches, terms, at_water_c, level, restricted)


def fit_times(
    pieces: pd.DataFrame,
    lower: Array,
    upper: Array,
    batches: pd.DataFrame,
    terms: Sequence[Term] = (),
    at_water_c: float = BATH_C,
    level: float = 0.95,
    restricted: bool = True,
) -> DurationFit:
    """Do the work of `fit_durations` for any times known to lie between `lower` and `upper` seconds.

    Parameters
    ----------
    pieces : DataFrame
        One row a piece: run, water_c.
    lower, upper : arrays
        Equal where the time is known; `upper` infinite where it had not come yet.
    batches, terms, at_water_c, level, restricted
        As for `fit_durations`.
    """
    runs = pieces["run"].to_numpy()
    table = _batches_seen(runs, batches, terms)
    between = model_matrix(table, terms)
    water_c = pieces["water_c"].to_numpy(float)
    tried = (float(water_c.min()), float(water_c.max()))
    matrix = between.loc[runs].reset_index(drop=True)
    if tried[1] - tried[0] >= LEAST_SPREAD_C:
        matrix[WATER] = arrhenius_column(water_c, at_water_c)
    batch = table.index.get_indexer(pd.Index(runs))
    found, strata = _fit(matrix, between.shape[1], lower, upper, batch, restricted)
    size = matrix.shape[1]
    columns = tuple(matrix.columns)
    fit = DurationFit(
        effects=(),
        water=None,
        at_water_c=at_water_c,
        tried_c=tried,
        beyond_tried=not tried[0] - 0.5 <= at_water_c <= tried[1] + 0.5,
        sd_pieces=found.sigma,
        sd_batches=found.delta,
        pieces=len(runs),
        unfinished=int(np.isinf(upper).sum()),
        batches=len(table),
        level=level,
        loglik=found.loglik,
        columns=columns,
        coefficients=found.beta,
        covariance=found.covariance[:size, :size],
        matrix=matrix,
        terms=tuple(terms),
        strata=strata,
    )
    return _with_effects(fit)


def arrhenius_column(water_c: Array, at_water_c: float) -> Array:
    """Return (1/T - 1/T_ref)/R in mol/kJ, so that its coefficient is the activation energy in kJ/mol.

    Examples
    --------
    >>> arrhenius_column(np.array([38.0, 28.0]), 38.0).round(5)
    array([0.     , 0.01284])
    """
    kelvin = np.asarray(water_c, float) + _ZERO_C
    if not (kelvin > 0).all():
        raise ValueError("water below absolute zero")
    column: Array = (1 / kelvin - 1 / (at_water_c + _ZERO_C)) / (GAS_CONSTANT / 1000)
    return column


def typical_durations(
    fit: DurationFit, term: str | None = None, water_c: Sequence[float] | None = None
) -> pd.DataFrame:
    """Return the typical (median) seconds by level of a factor and by water temperature.

    Other factors stand at their mean over the batches.

    Parameters
    ----------
    fit : DurationFit
    term : str, optional
        A Category of the fit; without it, one line over all batches.
    water_c : sequence of float, optional
        Water temperatures; by default the common one alone.

    Returns
    -------
    DataFrame
        level, water_c, seconds, low, high (where the typical value lies), next_low, next_high (where one
        piece of a further batch will lie), df, beyond_tried.

    Examples
    --------
    >>> batches = pd.DataFrame(index=["A", "B", "C", "D"])
    >>> times = pd.DataFrame({"run": list("AABBCCDD"), "water_c": 38.0, "done": True,
    ...     "seconds": [100, 110, 120, 130, 95, 105, 115, 108.0]})
    >>> typical_durations(fit_durations(times, batches))[["seconds", "low", "high"]].round().values.tolist()
    [[110.0, 94.0, 128.0]]
    """
    levels: list[tuple[str, Mapping[str, float]]] = [("all", {})]
    if term is not None:
        factor = next((t for t in fit.terms if t.name == term and isinstance(t, Category)), None)
        if not isinstance(factor, Category):
            raise ValueError(f"the fit has no factor {term!r} with levels")
        levels = [
            (name, {column: float(column == f"{term}[{name}]") for column in factor.columns()})
            for name in factor.levels
        ]
    rows = []
    for name, held in levels:
        for at in water_c if water_c is not None else (fit.at_water_c,):
            rows.append({"level": name, "water_c": float(at), **_typical(fit, held, float(at))})
    return pd.DataFrame(rows)


def _typical(fit: DurationFit, held: Mapping[str, float], water_c: float) -> dict[str, float | bool]:
    run_means = fit.matrix.drop(columns=WATER, errors="ignore").drop_duplicates().mean()
    at = fit.matrix.mean()
    at.update(run_means)
    if fit.water is not None:
        at[WATER] = arrhenius_column(np.array([water_c]), fit.at_water_c)[0]
    for column, value in held.items():
        at[column] = value
    combination = at.to_numpy(float)
    estimate, se, df = fit.of(combination)
    margin = stats.t.ppf(0.5 + fit.level / 2, df) * se
    next_se, next_df = _of_next(fit, combination)
    next_margin = stats.t.ppf(0.5 + fit.level / 2, next_df) * next_se
    return {
        "seconds": float(np.exp(estimate)),
        "low": float(np.exp(estimate - margin)),
        "high": float(np.exp(estimate + margin)),
        "next_low": float(np.exp(estimate - next_margin)),
        "next_high": float(np.exp(estimate + next_margin)),
        "df": df,
        "beyond_tried": not fit.tried_c[0] - 0.5 <= water_c <= fit.tried_c[1] + 0.5,
    }


def _of_next(fit: DurationFit, combination: Array) -> tuple[float, float]:
    """Return the standard deviation of a further piece round its estimate, and its degrees of freedom."""
    spread = (fit.sd_batches**2, fit.sd_pieces**2)
    variance = float(combination @ fit.covariance @ combination) + sum(spread)
    return float(np.sqrt(variance)), fit.strata.df(combination, *spread)


def _with_effects(fit: DurationFit) -> DurationFit:
    term_of = {column: term.name for term in fit.terms for column in term.columns()}
    effects, water = [], None
    for position, name in enumerate(fit.columns):
        if name == INTERCEPT:
            continue
        estimate, se, df = fit.of(np.eye(len(fit.columns))[position])
        margin = float(stats.t.ppf(0.5 + fit.level / 2, df)) * se
        p = float(2 * stats.t.sf(abs(estimate) / se, df))
        ends = (estimate, estimate - margin, estimate + margin)
        if name == WATER:
            step = float(arrhenius_column(np.array([fit.at_water_c + 5]), fit.at_water_c - 5)[0])
            ratio = [float(np.exp(step * end)) for end in ends]
            water = WaterSlope(*ends, ratio[0], min(ratio[1:]), max(ratio[1:]), p, df)
        else:
            ratio, low, high = np.exp(ends).tolist()
            effects.append(Effect(name, term_of[name], ratio, low, high, p, df))
    return replace(fit, effects=tuple(effects), water=water)


def _batches_seen(runs: NDArray[np.object_], batches: pd.DataFrame, terms: Sequence[Term]) -> pd.DataFrame:
    """Return the batches that have times, in the order of the table."""
    strange = set(runs) - set(batches.index)
    if strange:
        raise ValueError(f"no such batch in the table: {sorted(map(str, strange))[0]}")
    if batches.index.has_duplicates:
        raise ValueError("the table of batches names a batch twice")
    table = batches.loc[[run for run in batches.index if run in set(runs)]]
    for term in terms:
        if isinstance(term, Category):
            seen = set(table[term.name].astype(str))
            empty = [name for name in term.levels if name not in seen]
            if empty:
                raise CannotAnswer(
                    f"No batch with {term.name} {empty[0]} was timed.",
                    "Time pieces of such a batch, or take that level out of the comparison.",
                )
    return table


def _fit(
    matrix: pd.DataFrame,
    between: int,
    lower: Array,
    upper: Array,
    batch: NDArray[np.int64],
    restricted: bool,
) -> tuple[ArrayFit, Split]:
    """Fit with one row a piece; the engine's "day" is the batch here, which shares one deviation."""
    x = matrix.to_numpy(float)
    batches = int(batch.max()) + 1
    if batches - between < 1 or batches < 3:
        raise CannotAnswer(
            f"{batches} batches for {between} averages and effects leave nothing to judge chance by.",
            "Time pieces of further batches; pieces of the same batch do not count as repeats.",
        )
    if np.linalg.matrix_rank(x) < x.shape[1]:
        raise CannotAnswer(
            "Two of the factors always changed together, so their effects cannot be told apart.",
            "Make a batch in which one of them changes alone, and time cold and warm water for each.",
        )
    if np.isinf(upper).all():
        raise CannotAnswer("No piece was watched to the end.", "Watch on until some have finished.")
    several = bool((np.bincount(batch) > 1).any())
    pieces = np.arange(len(x))
    data = sort(lower, upper, pieces, x, day=batch if several else None)
    try:
        found = fit_brackets(data, batch_effect=False, day_effect=several, restricted=restricted)
    except NotFitted as stuck:
        raise _plain(stuck, matrix) from None
    return found, split(x, batch, found.pieces, found.sigma, found.delta)


def _plain(stuck: NotFitted, matrix: pd.DataFrame) -> CannotAnswer:
    names = [str(matrix.columns[i]) for i in stuck.columns if matrix.columns[i] != INTERCEPT]
    if stuck.kind == "not converged" or not names:
        return CannotAnswer(
            "The calculation did not settle on one answer.",
            "Watch more pieces to the end, and look for a mistyped time.",
        )
    return CannotAnswer(
        f"Every piece on one side of {names[0]} was still going when the watching ended, "
        "so there is no telling how much longer it takes.",
        "Watch such pieces to the end.",
    )
