"""The fizz tests of a trial as one result: every part an answer, the reason why not, or absent."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal, TypeVar

import numpy as np
import pandas as pd
from scipy import stats

from fizzlab.errors import CannotAnswer
from fizzlab.models.days import set_for_days
from fizzlab.models.fizz.durations import DurationFit, fit_durations, typical_durations
from fizzlab.models.fizz.reached import GasFits, GasReached, fit_gas_curves, gas_reached
from fizzlab.models.fizz.release import Release, colour_seen, fit_release
from fizzlab.models.fizz.shelf import HumidityEffect, LossRate, humidity_effect, loss_rates
from fizzlab.models.terms import ALL, Amount, Category, Term, grouping, level_name, varying
from fizzlab.recipe import BATH_C, Recipe, batch_mass, fizz_balance, for_run, soluble_g
from fizzlab.recipe.units import Span

T = TypeVar("T")
Measure = Literal["share_left", "gas_g", "seconds"]


@dataclass(frozen=True)
class Compared:
    """Times compared between the levels, all at one water temperature.

    Attributes
    ----------
    fit : DurationFit
    times : DataFrame
        One row a piece: run, piece, level, water_c, seconds, done.
    typical : DataFrame
        Typical seconds by level at the common water temperature; from `typical_durations`.
    tried : dict
        Lowest and highest amount of each numeric factor.
    notes : tuple of str
        What the fit leaves out, and why.
    whole_day : tuple of str
        Factors that were set for whole days: this fit counts batches and cannot judge them.
    """

    fit: DurationFit
    times: pd.DataFrame
    typical: pd.DataFrame
    tried: dict[str, tuple[float, float]]
    notes: tuple[str, ...]
    whole_day: tuple[str, ...]

    @property
    def factor(self) -> Category | None:
        """The factor whose levels `typical` tells apart."""
        return _drawn_apart(self.fit.terms)

    def change(self, term: Term, start: object, end: object) -> tuple[float, float, float, float, float]:
        """Ratio of times from one setting of a factor to another: estimate, low, high, p, df."""
        step = pd.Series(0.0, index=list(self.fit.columns))
        ends = [
            pd.Series([value], dtype=object if isinstance(term, Category) else float)
            for value in (start, end)
        ]
        step[term.columns()] = (term.matrix(ends[1]) - term.matrix(ends[0]))[0]
        estimate, se, df = self.fit.of(np.asarray(step, dtype=np.float64))
        margin = float(stats.t.ppf(0.5 + self.fit.level / 2, df)) * se
        ratio, low, high = np.exp([estimate, estimate - margin, estimate + margin]).tolist()
        return ratio, low, high, float(2 * stats.t.sf(abs(estimate) / se, df)), df

    def line(self, points: int = 30) -> pd.DataFrame:
        """Typical seconds by level over the water temperatures tried, the common one included."""
        low, high = self.fit.tried_c
        grid = np.linspace(min(low, self.fit.at_water_c), max(high, self.fit.at_water_c), points)
        factor = self.factor
        found = typical_durations(self.fit, factor.name if factor else None, [float(at) for at in grid])
        return found.replace({"level": {"all": ALL}})


@dataclass(frozen=True)
class Reached:
    """Gas that came against what the recipe could give.

    Attributes
    ----------
    groups : tuple of GasReached
        All batches first, then each level of which two batches or more were weighed.
    batches : DataFrame
        One row a batch of a group: group, run, share.
    """

    groups: tuple[GasReached, ...]
    batches: pd.DataFrame


@dataclass(frozen=True)
class Stored:
    """What storage does to the fizz.

    Attributes
    ----------
    measure : {"gas_g", "share_left", "seconds"}
    rates : tuple of LossRate
        One a storage, dry first.
    humidity : HumidityEffect or CannotAnswer
    left : DataFrame
        One row a piece: run, weeks, storage, left (share of its batch's fresh pieces; nan without any).
    """

    measure: Measure
    rates: tuple[LossRate, ...]
    humidity: HumidityEffect | CannotAnswer
    left: pd.DataFrame

    @property
    def last_week(self) -> float:
        """The last week tried."""
        return float(self.left["weeks"].max())

    def lines(self, points: int = 40) -> pd.DataFrame:
        """Mean loss of each storage until a quarter past the last week, with its band."""
        weeks = np.append(np.linspace(0, self.last_week, points), self.last_week * 1.25)
        parts = [
            pd.DataFrame(
                {
                    "storage": rate.storage,
                    "weeks": weeks,
                    "left": np.exp(-rate.per_week * weeks),
                    "low": np.exp(-rate.high * weeks),
                    "high": np.exp(-rate.low * weeks),
                    "tried": weeks <= self.last_week,
                }
            )
            for rate in self.rates
        ]
        return pd.concat(parts, ignore_index=True)


@dataclass(frozen=True)
class FizzStudy:
    """What the fizz tests of a trial say. A part is None where its table, or its column, is not there.

    Attributes
    ----------
    at_water_c : float
        The common water temperature.
    levels : Series
        The level that each batch is drawn with, by run.
    order : tuple of str
        The levels in the order of the other figures.
    lasting : Compared, CannotAnswer or None
        How long pieces fizz, by stopwatch.
    colour : Compared, CannotAnswer or None
        Seconds until colour is first seen.
    seen : tuple of Release, CannotAnswer or None
        Share of pieces that have shown colour, by level.
    curves : GasFits, CannotAnswer or None
        The fizz curves.
    half_out, nine_out : Compared, CannotAnswer or None
        Seconds until half and nine tenths of the gas are out, compared like durations.
    reached : Reached, CannotAnswer or None
        Gas that came against what the recipe could give; None too where nothing says what that is.
    stored : Stored, CannotAnswer or None
    """

    at_water_c: float
    levels: pd.Series
    order: tuple[str, ...]
    lasting: Compared | CannotAnswer | None
    colour: Compared | CannotAnswer | None
    seen: tuple[Release, ...] | CannotAnswer | None
    curves: GasFits | CannotAnswer | None
    half_out: Compared | CannotAnswer | None
    nine_out: Compared | CannotAnswer | None
    reached: Reached | CannotAnswer | None
    stored: Stored | CannotAnswer | None


def study_fizz(
    runs: pd.DataFrame,
    fizz_times: pd.DataFrame,
    fizz_curves: pd.DataFrame,
    shelf: pd.DataFrame,
    terms: Sequence[Term],
    *,
    at_water_c: float = BATH_C,
    water_ml: float = 300.0,
    theory_g: Mapping[str, float] | float | CannotAnswer | None = None,
    curve: Literal["common", "own"] = "common",
    shelf_share: float = 0.9,
) -> FizzStudy:
    """Analyse every fizz table of a trial at one water temperature.

    Parameters
    ----------
    runs, fizz_times, fizz_curves, shelf : DataFrame
        Checked tables of the trial; all but `runs` may be empty.
    terms : sequence of Category or Amount
        The factors.
    at_water_c : float
        Common water temperature.
    water_ml : float
        Water in the cup of a fizz curve.
    theory_g : mapping of run to float, float, CannotAnswer or None
        Grams of gas that a piece could give at most, or why that is not known.
    curve : {"common", "own"}
        As `shape` of `fit_gas_curves`.
    shelf_share : float
        As `share` of `loss_rates`.

    Examples
    --------
    >>> runs = pd.DataFrame({"run": list("ABCD"), "day": list("1122")})
    >>> none = pd.DataFrame()
    >>> times = pd.DataFrame({"run": list("AABBCCDD"), "piece": list("12121212"), "water_c": 38.0,
    ...     "done": True, "seconds": [100, 110, 120, 130, 95, 105, 115, 108.0], "colour_s": np.nan})
    >>> study = study_fizz(runs, times, none, none, [])
    >>> study.lasting.typical["seconds"].round().tolist(), study.colour, study.curves
    ([110.0], None, None)
    """
    batches = runs.set_index("run")
    factor = grouping(terms)
    levels = (
        batches[factor.name].map(lambda value: level_name(factor, value))
        if factor is not None
        else batches["day"].map(lambda _: ALL)
    )
    order = _order(factor, levels)
    lasting = colour = half_out = nine_out = None
    seen: tuple[Release, ...] | CannotAnswer | None = None
    reached: Reached | CannotAnswer | None = None
    if len(fizz_times):
        lasting = _try(lambda: _compared(fizz_times, batches, levels, terms, at_water_c))
    if len(fizz_times) and fizz_times["colour_s"].notna().any():
        colour = _try(lambda: _compared(fizz_times, batches, levels, terms, at_water_c, colour=True))
        seen = _try(lambda: _seen(fizz_times, levels, order))
    curves = _try(lambda: fit_gas_curves(fizz_curves, curve)) if len(fizz_curves) else None
    if isinstance(curves, GasFits):
        pieces = curves.pieces
        known = pieces[["run", "piece", "water_c"]].assign(done=True)
        half, nine = known.assign(seconds=pieces["t50_s"]), known.assign(seconds=pieces["t90_s"])
        half_out = _try(lambda: _compared(half, batches, levels, terms, at_water_c))
        nine_out = _try(lambda: _compared(nine, batches, levels, terms, at_water_c))
        if isinstance(theory_g, CannotAnswer):
            reached = theory_g
        elif theory_g is not None:
            theory = theory_g
            reached = _try(lambda: _reached(pieces, theory, water_ml, levels, order))
    return FizzStudy(
        at_water_c=at_water_c,
        levels=levels,
        order=order,
        lasting=lasting,
        colour=colour,
        seen=seen,
        curves=curves,
        half_out=half_out,
        nine_out=nine_out,
        reached=reached,
        stored=_try(lambda: _stored(shelf, shelf_share)) if len(shelf) else None,
    )


def theory_of_recipe(
    recipe: Recipe, pieces: int | None, piece_g: float | None, batches: pd.DataFrame, terms: Sequence[Term]
) -> dict[str, Span]:
    """Return the most carbon dioxide that a piece of each batch can give, in grams, with bounds.

    Parameters
    ----------
    recipe : Recipe
        With its rules.
    pieces : int or None
        Pieces that a batch makes.
    piece_g : float or None
        Mass of a packed piece, where `pieces` is not known.
    batches : DataFrame
        One row a batch, indexed by run, with the factors.
    terms : sequence of Category or Amount

    Raises
    ------
    CannotAnswer
        The recipe has no soda or no acid, or does not say how many pieces it makes.
    """
    if pieces is None and piece_g is None:
        raise CannotAnswer(
            "The recipe does not say how many pieces a batch makes, so the gas of one piece is not known.",
            "Add pieces to [recipe], or theory_g to [fizz].",
        )
    found = {}
    for run, row in batches.iterrows():
        made = for_run(recipe, {term.name: row[term.name] for term in terms})
        share = 1 / pieces if pieces is not None else float(piece_g or 0) / batch_mass(made).typical
        found[str(run)] = fizz_balance(made).co2_g * share
    return found


def _try(work: Callable[[], T]) -> T | CannotAnswer:
    try:
        return work()
    except CannotAnswer as reason:
        return reason


def _compared(
    times: pd.DataFrame,
    batches: pd.DataFrame,
    levels: pd.Series,
    terms: Sequence[Term],
    at_water_c: float,
    colour: bool = False,
) -> Compared:
    measured = batches[batches.index.isin(set(times["run"]))]
    kept, notes = varying(terms, measured)
    rows = times.assign(done=times["done"].astype(bool), level=times["run"].map(levels))
    known = rows["colour_s"].notna() if colour else rows["done"]
    _refuse_no_scatter(rows[known], rows.loc[known, "colour_s" if colour else "seconds"])
    fit = (fit_release if colour else fit_durations)(rows, measured, kept, at_water_c)
    if colour:
        shown = rows["colour_s"].notna()
        rows = rows.assign(seconds=rows["colour_s"].where(shown, rows["seconds"]).clip(lower=0.5), done=shown)
    factor = _drawn_apart(kept)
    typical = typical_durations(fit, factor.name if factor else None).replace({"level": {"all": ALL}})
    tried = {
        term.name: (float(measured[term.name].min()), float(measured[term.name].max()))
        for term in kept
        if isinstance(term, Amount)
    }
    columns = ["run", "piece", "level", "water_c", "seconds", "done"]
    return Compared(
        fit, rows[columns].reset_index(drop=True), typical, tried, tuple(notes), set_for_days(measured, kept)
    )


def _refuse_no_scatter(pieces: pd.DataFrame, times: pd.Series) -> None:
    """Times that do not differ within a batch at all leave no chance to judge anything by."""
    several = pieces["run"].duplicated(keep=False)
    apart = np.log(times.clip(lower=0.5)).groupby(pieces["run"]).transform(lambda each: each - each.mean())
    if len(times) > 1 and (times.nunique() == 1 or (several.any() and apart[several].abs().max() < 1e-9)):
        raise CannotAnswer(
            "The pieces of each batch all have the same time, so there is no telling how far chance goes.",
            "Write down the seconds as the stopwatch shows them, not rounded.",
        )


def _seen(times: pd.DataFrame, levels: pd.Series, order: Sequence[str]) -> tuple[Release, ...]:
    found = colour_seen(times, times["run"].map(levels))
    return tuple(sorted(found, key=lambda each: order.index(each.group)))


def _drawn_apart(terms: Sequence[Term]) -> Category | None:
    return next((term for term in terms if isinstance(term, Category)), None)


def _order(factor: Term | None, levels: pd.Series) -> tuple[str, ...]:
    there = set(levels)
    if isinstance(factor, Category):
        return tuple(level for level in factor.levels if level in there)
    return (
        tuple(sorted(there, key=lambda name: float(name.split()[0])))
        if isinstance(factor, Amount)
        else (ALL,)
    )


def _reached(
    pieces: pd.DataFrame,
    theory_g: Mapping[str, float] | float,
    water_ml: float,
    levels: pd.Series,
    order: Sequence[str],
) -> Reached:
    """All batches together, then the levels of which two batches or more were weighed."""
    water_l = water_ml / 1000
    groups = gas_reached(pieces, theory_g, water_l, dict.fromkeys(pieces["run"], ALL))
    theory = pieces["run"].map(lambda run: theory_g[run] if isinstance(theory_g, Mapping) else theory_g)
    held = pieces["water_c"].map(lambda at: soluble_g(water_l, float(at)))
    each = ((pieces["gas_g"] + held) / theory).groupby(pieces["run"], sort=False).mean()
    shares = pd.DataFrame({"group": ALL, "run": each.index, "share": each.to_numpy()})
    level_of = pieces["run"].map(levels)
    many = pieces.groupby(level_of)["run"].nunique()
    enough = pieces[level_of.isin(many.index[many >= 2])]
    if many.size < 2 or enough.empty:
        return Reached(tuple(groups), shares)
    apart = gas_reached(enough, theory_g, water_l, {run: levels[run] for run in enough["run"]})
    groups += sorted(apart, key=lambda one: order.index(one.group))
    of_level = shares.assign(group=shares["run"].map(levels))
    of_level = of_level[of_level["group"].isin([one.group for one in apart])]
    return Reached(tuple(groups), pd.concat([shares, of_level], ignore_index=True))


def _stored(shelf: pd.DataFrame, share: float) -> Stored:
    measures: tuple[Measure, ...] = ("gas_g", "share_left", "seconds")
    measure = next(name for name in measures if shelf[name].notna().any())
    table = shelf if shelf["rh_pct"].notna().any() else shelf.drop(columns="rh_pct")
    rates = tuple(loss_rates(table, measure, share))
    return Stored(measure, rates, _try(lambda: humidity_effect(table, measure)), _left(table, measure, rates))


def _left(shelf: pd.DataFrame, measure: Measure, rates: Sequence[LossRate]) -> pd.DataFrame:
    """What is left as a share of the batch's own fresh pieces; a storage is the one of nearest humidity."""
    fresh = shelf[shelf["weeks"] == 0].groupby("run")[measure].mean()
    start = pd.Series(1.0, index=shelf.index) if measure == "share_left" else shelf["run"].map(fresh)
    aged = shelf[shelf["weeks"] > 0]
    if len(rates) == 1:
        storage = pd.Series(rates[0].storage, index=aged.index)
    else:
        known = [rate for rate in rates if np.isfinite(rate.rh_pct)]
        unknown = next((rate.storage for rate in rates if not np.isfinite(rate.rh_pct)), "")
        storage = aged["rh_pct"].map(
            lambda rh: (
                min(known, key=lambda rate: abs(rate.rh_pct - rh)).storage if np.isfinite(rh) else unknown
            )
        )
    left = aged[measure] / start[aged.index]
    return pd.DataFrame(
        {"run": aged["run"], "weeks": aged["weeks"], "storage": storage, "left": left}
    ).reset_index(drop=True)
