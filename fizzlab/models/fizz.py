"""How long pieces fizz and when their colour shows: one number a batch, at one common water temperature.

    log seconds_ij = x_i' beta + (E/R) (1/T_ij - 1/T_bath) + b_i + e_ij,  b_i and e_ij normal,

for piece j of batch i in water of T_ij kelvin; E is the activation energy of Arrhenius' law. A piece that
still fizzed when the watching ended is right-censored. The pieces, brought to the common temperature, give
their batch the number that `fizzlab.models.effects.fit_response` compares.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Literal

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from fizzlab.errors import CannotAnswer, cannot
from fizzlab.language import say
from fizzlab.models import censored_fit
from fizzlab.models.censored import NotFitted, sort
from fizzlab.models.curing import CuringFit, fit_curing_time
from fizzlab.models.effects import fit_response
from fizzlab.models.gas import GasCurves, fit_gas_curves, share_reached
from fizzlab.models.result import Effect, FitResult, Study, effect_of, noted, t_interval
from fizzlab.models.shelf import ShelfFit, fit_shelf_life
from fizzlab.models.terms import (
    Amount,
    Category,
    Term,
    by_run,
    model_matrix,
    need_columns,
    parse_formula,
    varying,
)
from fizzlab.models.water import BATH_C, arrhenius

Array = NDArray[np.float64]

#: Below this spread of water temperatures a slope would be made of the thermometer's own error.
LEAST_SPREAD_C = 2.0

#: A colour noted at 0 seconds came before the eye and the thumb could tell: somewhere up to here.
AT_ONCE_S = 1.0


@dataclass(frozen=True)
class PieceFit:
    """What single pieces say; `effect` and `ea_kj_mol` are None and 0 where the warmth was not varied.

    `effect` is the ratio of times in water 5 °C above the common temperature against 5 °C below, `ea_kj_mol`
    the activation energy; `found` has the spreads of pieces (sigma) and batches (delta).
    """

    found: censored_fit.ArrayFit = field(repr=False)
    effect: Effect | None = None
    ea_kj_mol: float = 0.0


@dataclass(frozen=True)
class Times:
    """Times of pieces, and the number of each batch.

    `pieces` has run, piece, water_c, and the seconds between which each time lies, lower and upper. `fit` is
    None where every cup had about the same temperature and every batch a number; `numbers` has, by run, the
    geometric mean of its pieces in seconds at `bath_c`.
    """

    pieces: pd.DataFrame = field(repr=False)
    bath_c: float
    fit: PieceFit | None = None
    numbers: pd.Series = field(default_factory=lambda: pd.Series(dtype=float))

    @property
    def tried_c(self) -> tuple[float, float]:
        """Lowest and highest water temperature tried."""
        return float(self.pieces["water_c"].min()), float(self.pieces["water_c"].max())

    @property
    def extrapolated(self) -> bool:
        """Is the common temperature outside of those?"""
        return not self.tried_c[0] - 0.5 <= self.bath_c <= self.tried_c[1] + 0.5

    @property
    def unfinished(self) -> int:
        """Pieces whose time had not come when the watching ended."""
        return int(np.isinf(self.pieces["upper"]).sum())

    @property
    def water(self) -> Effect | None:
        """What warmer water does; None where all had about the same: nothing is then corrected for it."""
        return None if self.fit is None else self.fit.effect

    @property
    def never(self) -> list[str]:
        """Batches none of whose pieces was seen to the end."""
        ended = np.isfinite(self.pieces["upper"]).groupby(self.pieces["run"], sort=False).any()
        return [str(run) for run in ended.index[~ended]]

    def stretch(self, water_c: ArrayLike) -> Array:
        """How many times as long it takes in such water as at the common temperature."""
        slope = 0.0 if self.fit is None else self.fit.ea_kj_mol
        return np.asarray(np.exp(slope * arrhenius(water_c, self.bath_c)))

    @property
    def at_bath(self) -> pd.DataFrame:
        """The pieces as if in water of the common temperature."""
        stretch = self.stretch(self.pieces["water_c"])
        return self.pieces.assign(**{end: self.pieces[end] / stretch for end in ("lower", "upper")})

    def fit_brackets(
        self, response: str, runs: pd.DataFrame, formula: str | Sequence[Term], **more: Any
    ) -> CuringFit:
        """The fit where some batches have no number: brackets in batches and days, as for dry times."""
        return fit_curing_time(self.at_bath, formula, runs=runs, air="none", response=response, **more)


def batch_times(
    response: str,
    pieces: pd.DataFrame,
    batches: pd.DataFrame,
    terms: Sequence[Term],
    bath_c: float = BATH_C,
    conf_level: float = 0.95,
) -> Times:
    """Bring the times of `pieces` (see `Times`) to one water temperature and give each batch its number."""
    if not (pieces["upper"] > 0).all():
        raise ValueError("seconds must be positive")
    if np.isinf(pieces["upper"]).all():
        raise cannot("none_finished")
    batches = by_run(batches, pieces["run"])
    measured = batches[batches.index.isin(pieces["run"])]
    times = Times(pieces.reset_index(drop=True), bath_c)
    if np.ptp(pieces["water_c"]) >= LEAST_SPREAD_C or times.never:
        kept, _ = varying(terms, measured)
        times = replace(times, fit=fit_pieces(response, times.pieces, measured, kept, bath_c, conf_level))
    return replace(times, numbers=_numbers(times))


def fit_pieces(
    response: str,
    pieces: pd.DataFrame,
    batches: pd.DataFrame,
    terms: Sequence[Term] = (),
    bath_c: float = BATH_C,
    conf_level: float = 0.95,
    restricted: bool = True,
) -> PieceFit:
    """Say what warmer water does to the time of a piece, by the restricted likelihood of the dry times.

    One row a piece, the batch the shared part; a location of its own where the factors leave none to spare.
    """
    batch = batches.index.get_indexer(pd.Index(pieces["run"]))
    between = model_matrix(batches, terms)
    alone = len(batches) <= between.shape[1]
    if alone:
        runs = tuple(str(run) for run in batches.index)
        between = model_matrix(pd.DataFrame({"run": runs}), [Category("run", runs, runs[0])])
    matrix = between.iloc[batch].reset_index(drop=True)
    warm = bool(np.ptp(pieces["water_c"]) >= LEAST_SPREAD_C)
    if warm:
        matrix["water"] = arrhenius(pieces["water_c"], bath_c)
    x = matrix.to_numpy(float)
    size = x.shape[1]
    if np.linalg.matrix_rank(x) < size or len(x) <= size:
        raise cannot("water_with_factor")
    day = batch if not alone and (np.bincount(batch) > 1).any() else None
    lower, upper = pieces["lower"].to_numpy(float), pieces["upper"].to_numpy(float)
    data = sort(lower, upper, np.arange(len(x)), x, day=day)
    try:
        found = censored_fit.fit(data, batch_effect=False, day_effect=day is not None, restricted=restricted)
    except NotFitted as stuck:
        columns = [matrix.columns[i] for i in stuck.columns if i]
        if columns and stuck.kind != "stopped":
            raise cannot("one_side_going", column=columns[0]) from None
        raise cannot("times_unsettled") from None
    if not warm:
        return PieceFit(found)
    df = censored_fit.strata(found, x, day).of(np.eye(size)[-1])
    slope, se = float(found.beta[-1]), float(np.sqrt(found.covariance[size - 1, size - 1]))
    step = float(arrhenius(bath_c + 5, bath_c - 5))
    told = t_interval(step * slope, abs(step) * se, df, conf_level)
    water, levels = Amount("water_c", "°C"), (f"{bath_c + 5:g} °C", f"{bath_c - 5:g} °C")
    more: dict[str, Any] = {"judged_by": "pieces", "n_batches": len(batches), "conf_level": conf_level}
    effect = effect_of(response, water, levels, told, **more)
    return PieceFit(found, effect, ea_kj_mol=slope)


def _numbers(times: Times) -> pd.Series:
    """Geometric mean of each batch; where some times are brackets, by a location a batch."""
    pieces = times.at_bath
    pieces = pieces[~pieces["run"].astype(str).isin(times.never)]
    lower, upper = pieces["lower"].to_numpy(), pieces["upper"].to_numpy()
    which, runs = pd.factorize(pieces["run"])
    if (lower == upper).all():
        return pd.Series(np.exp(np.bincount(which, np.log(lower)) / np.bincount(which)), index=runs)
    x = np.eye(len(runs))[which]
    x[:, 0] = 1.0
    try:
        data = sort(lower, upper, np.arange(len(x)), x)
        beta = censored_fit.fit(data, batch_effect=False, restricted=False).beta
    except NotFitted:
        raise cannot("means_unsettled") from None
    return pd.Series(np.exp(beta[0] + np.r_[0.0, beta[1:]]), index=runs)


def fit_fizz_duration(
    times: pd.DataFrame,
    formula: str | Sequence[Term] = "1",
    *,
    runs: pd.DataFrame,
    response: Literal["fizz_s", "colour_s"] = "fizz_s",
    bath_c: float = BATH_C,
    conf_level: float = 0.95,
) -> FitResult:
    """Compare how long pieces fizz, or how soon their colour shows, at one water temperature.

    log seconds = x'beta + (E/R) (1/T - 1/T_bath) + batch + piece, after Arrhenius' law with activation energy
    E.

    Parameters
    ----------
    times : DataFrame
        One row a piece: run, water_c, seconds, done (False: it still fizzed when the watching ended), and for
        ``"colour_s"`` that column (empty: not noted, and passed over; 0: within the first second).
    formula : str or sequence of Category or Amount
        Factors of the batch, as `fizzlab.fit_response` takes them: ``"colour * binder"``.
    runs : DataFrame
        One row a batch: run, day if known, and a column for each factor.
    bath_c : float
        The common water temperature in °C.

    Returns
    -------
    ResponseFit or CuringFit
        Of the batches' numbers; of the brackets where no piece of some batch was seen to the end. A note says
        what warmer water does.

    Raises
    ------
    CannotAnswer
        No piece finished, water that changed with a factor, no convergence, or as `fizzlab.fit_response`.

    Examples
    --------
    >>> runs = pd.DataFrame({"run": list("ABCDEF"), "colour": ["dye", "lake"] * 3})
    >>> times = pd.DataFrame({
    ...     "run": list("AABBCCDDEEFF"), "water_c": [32.0, 42.0] * 6, "done": [True] * 11 + [False],
    ...     "seconds": [150, 100, 210, 140, 160, 105, 200, 150, 145, 98, 220, 150.0]})
    >>> fit = fit_fizz_duration(times, "colour", runs=runs)
    >>> fit.table[["level", "estimate", "conf_low", "conf_high"]].round(2)
      level  estimate  conf_low  conf_high
    0  lake      1.42       1.3       1.56
    """
    wanted = ["run", "water_c", "seconds", "done", *{response} - {"fizz_s"}]
    need_columns(times, wanted, say("the_fizz_times"))
    batches = by_run(runs, times["run"])
    terms, _ = parse_formula(formula, batches)
    pieces = _brackets(times).get(response)
    if pieces is None:
        raise cannot("no_colour")
    found = batch_times(response, pieces, batches, terms, bath_c, conf_level)
    fit: FitResult
    if found.never:
        fit = found.fit_brackets(response, batches, formula, conf_level=conf_level)
    else:
        numbered = batches.assign(**{response: found.numbers})
        fit = fit_response(numbered, response, formula, log=True, conf_level=conf_level)
    water = found.water
    if water is None:
        return fit
    told = {"low": water.conf_low, "high": water.conf_high, "times": water.estimate}
    note = say("warmer_water", **told, control=water.control, level=water.level)
    return replace(fit, notes=(*fit.notes, note))


def _brackets(times: pd.DataFrame) -> dict[str, pd.DataFrame]:
    """The seconds between which each time of a piece lies, by response."""
    known = times[["run", "water_c"]].assign(piece=times.get("piece", 1))
    seconds = times["seconds"].astype(float)
    found = {"fizz_s": known.assign(lower=seconds, upper=seconds.where(times["done"].astype(bool), np.inf))}
    if "colour_s" in times and times["colour_s"].notna().any():
        colour = pd.to_numeric(times["colour_s"]).astype(float)
        if (colour > seconds + 1e-9).any():
            raise ValueError("a colour was noted after the watching ended")
        noted = known.assign(lower=colour, upper=colour.replace(0.0, AT_ONCE_S))
        found["colour_s"] = noted[colour.notna()]  # not noted does not mean that none was seen
    return found


@dataclass(frozen=True, kw_only=True)
class FizzStudy(Study):
    """What the fizz tests of a trial say, `times` by response; None, or not there, where its table is not."""

    times: Mapping[str, Times] = field(default_factory=dict)
    curves: GasCurves | None = None
    reached: pd.DataFrame | None = None
    shelf: ShelfFit | None = None
    no_shelf: CannotAnswer | None = None


def study_fizz(
    tables: Mapping[str, pd.DataFrame],
    terms: Sequence[Term],
    *,
    bath_c: float = BATH_C,
    water_ml: float = 300.0,
    theory_g: Mapping[str, float] | float | CannotAnswer | None = None,
    curve: Literal["common", "own"] = "common",
    shelf_share: float = 0.9,
    margins: Mapping[str, float | None] | None = None,
    conf_level: float = 0.95,
) -> FizzStudy:
    """Work out the tables fizz_times, fizz_curves and shelf of a trial; those that are not there are empty.

    `water_ml` is in the cup of a fizz curve; `theory_g` the grams of gas that a piece could give at most (or
    by run), or why that is not known.
    """
    runs, watched, weighed, stored = (tables[name] for name in ("runs", "fizz_times", "fizz_curves", "shelf"))
    pieces = _brackets(watched) if len(watched) else {}
    reasons: dict[str, CannotAnswer] = {}
    times: dict[str, Times] = {}
    fits: dict[str, FitResult] = {}
    found: dict[str, Any] = {}
    if len(weighed):
        with noted(reasons, "half_out_s"):
            curves = found["curves"] = fit_gas_curves(weighed, curve)
            t50 = curves.pieces["t50_s"]
            pieces["half_out_s"] = curves.pieces[["run", "piece", "water_c"]].assign(lower=t50, upper=t50)
            if isinstance(theory_g, CannotAnswer):
                reasons["gas_pct"] = theory_g
            elif theory_g is not None:
                found["reached"] = share_reached(curves.pieces, theory_g, water_ml / 1000)
    for name, rows in pieces.items():
        with noted(reasons, name):
            times[name] = batch_times(name, rows, runs.set_index("run"), terms, bath_c)
            if times[name].never:
                margin = (margins or {}).get(name)
                fits[name] = times[name].fit_brackets(name, runs, terms, margin=margin, conf_level=conf_level)
    if len(stored):
        with noted(found, "no_shelf"):
            found["shelf"] = fit_shelf_life(stored, runs=runs, share=shelf_share)
    numbers = {name: each.numbers for name, each in times.items()}
    found["readings"] = {name: each.at_bath for name, each in times.items()}
    if "reached" in found:
        numbers["gas_pct"] = 100 * found["reached"]["share"]
    return FizzStudy(numbers=numbers, fits=fits, reasons=reasons, times=times, **found)
