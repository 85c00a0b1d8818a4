"""The touch checks of a trial as one result: joined to the air, fitted, ready to be drawn and worded."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd
from scipy import stats

from fizzlab.errors import CannotAnswer
from fizzlab.models import air
from fizzlab.models.cure.drying_batches import DriedPieces, batch_dry_times, dry_pieces, regress_dry_time
from fizzlab.models.cure.forecast import Needed, driest_needed, dry_chart, forecast_dry, typical_hours
from fizzlab.models.cure.touch import DryTimeFit, brackets, compare_distributions, fit_dry_time
from fizzlab.models.terms import ALL, Amount, Category, Term, grouping, level_name, varying

AirModel = Literal["vpd", "rh and temperature", "none"]
Conditions = dict[str, object]

#: The terms that describe the room's air, by what trial.toml calls them.
AIR_TERMS: Mapping[str, tuple[Amount, ...]] = {
    "vpd": (Amount("vpd_kpa", "kPa", log=True),),
    "rh and temperature": (Amount("rh_pct", "%"), Amount("temp_c", "°C")),
    "none": (),
}

AIR_COLUMNS = ("temp_c", "rh_pct", "vpd_kpa")


@dataclass(frozen=True)
class DryingStudy:
    """What the touch checks of a trial say.

    Attributes
    ----------
    batches : DataFrame
        The batches that count, indexed by run: day, factors and, where it is known, the air of their drying.
    brackets : DataFrame
        One row a piece that counts: run, piece, lower, upper (hours), level, and the air where it is known.
    fit : DryTimeFit
    shapes : DataFrame
        The three distributions compared by AIC.
    grouped_by : Category, Amount or None
        The factor whose levels are drawn apart.
    air : tuple of Amount
        The air terms that are in the model.
    typical : dict
        The conditions at which everything else is held: the air to forecast for, each category at its
        control, each amount at its middle.
    notes : tuple of str
        What was not counted, or left out of the model, and why.
    """

    batches: pd.DataFrame
    brackets: pd.DataFrame
    fit: DryTimeFit
    shapes: pd.DataFrame
    grouped_by: Term | None
    air: tuple[Amount, ...]
    typical: Conditions
    notes: tuple[str, ...]

    def levels(self) -> dict[str, Conditions]:
        """Conditions of each level that is drawn apart, by the level's name."""
        term = self.grouped_by
        if term is None:
            return {ALL: self.typical}
        tried = sorted(set(self.batches[term.name]))
        values = [level for level in term.levels if level in tried] if isinstance(term, Category) else tried
        return {level_name(term, value): {**self.typical, term.name: value} for value in values}

    def forecast(self, shares: Sequence[float]) -> pd.DataFrame:
        """Dry times of a new batch of each level under the typical conditions, one row a level and share."""
        named = self.levels()
        return _forecast(self.fit, [(name, each) for name, each in named.items()], shares)

    def typical_batch(self, named: Mapping[str, Conditions]) -> pd.DataFrame:
        """Hours until half of the pieces of a typical batch are dry: level, mean, low, high."""
        found = _forecast(self.fit, list(named.items()), (0.5,))
        return found[["level", "hours", "typical_low", "typical_high"]].set_axis(
            ["level", "mean", "low", "high"], axis=1
        )

    def curves(self) -> pd.DataFrame:
        """Share of the pieces of a typical batch that is dry, by level: columns level, hours, share."""
        shares = np.round(stats.norm.cdf(np.linspace(-2.4, 2.4, 33)), 4)
        named = self.levels()
        conditions = pd.DataFrame(list(named.values()), index=pd.Index(list(named), name="level"))
        return typical_hours(self.fit, conditions, tuple(shares)).reset_index()

    @property
    def has_vpd(self) -> bool:
        """Is the vapour-pressure deficit in the model?"""
        return any(term.name == "vpd_kpa" for term in self.air)

    @property
    def air_matters(self) -> bool:
        """Did the batches show that thirstier air dries pieces sooner?"""
        return self.has_vpd and bool(self.fit.estimates["high"]["log vpd_kpa"] < 0)

    @property
    def least_df(self) -> float:
        """The fewest degrees of freedom behind any of the effects."""
        effects = self.fit.estimates["df"].iloc[1:]
        return float((effects if len(effects) else self.fit.estimates["df"]).min())

    def at_humidities(self, temp_c: float, rhs_pct: Sequence[float], share: float) -> pd.DataFrame:
        """Forecast the control level at one temperature and several humidities; adds rh_pct."""
        deficits = air.vapour_pressure_deficit_kpa(temp_c, np.asarray(rhs_pct, float))
        asked = [(ALL, {**self.typical, "vpd_kpa": float(deficit)}) for deficit in np.atleast_1d(deficits)]
        return _forecast(self.fit, asked, (share,)).assign(rh_pct=list(rhs_pct))

    def line(self, share: float = 0.5, points: int = 60) -> pd.DataFrame:
        """Hours until a share is dry over the vapour-pressure deficit, by level, with its bands."""
        if not self.has_vpd:
            raise ValueError("the vapour-pressure deficit is not in the model")
        low, high = self.batches["vpd_kpa"].min(), self.batches["vpd_kpa"].max()
        reach = max((high / low) ** 0.15, 1.05)
        grid = np.append(np.geomspace(low / reach, high * reach, points), [low, high])
        asked = [
            (name, {**each, "vpd_kpa": value})
            for name, each in self.levels().items()
            for value in np.sort(grid)
        ]
        found = _forecast(self.fit, asked, (share,))
        return found.assign(tried=~found["beyond_tried"])

    def chart(self, share: float) -> pd.DataFrame:
        """Hours until a share is dry over room temperature and humidity, with everything else typical.

        The column `inside` falls below 0 where the air was not tried, and changes smoothly, for drawing.
        """
        temps, deficits = self.batches["temp_c"], self.batches["vpd_kpa"]
        low, high = 2 * np.floor((temps.min() - 3) / 2), 2 * np.ceil((temps.max() + 3) / 2)
        chart = dry_chart(
            self.fit,
            np.linspace(low, max(high, low + 12), 37),
            np.linspace(30, 95, 40),
            air.vapour_pressure_deficit_kpa,
            share=share,
            conditions={name: value for name, value in self.typical.items() if name not in AIR_COLUMNS},
            tried_temps_c=(float(temps.min()), float(temps.max())),
        )
        inside = [
            chart["temp_c"] - temps.min(),
            temps.max() - chart["temp_c"],
            10 * np.log(chart["vpd_kpa"].clip(lower=1e-9) / deficits.min()),
            10 * np.log(deficits.max() / chart["vpd_kpa"].clip(lower=1e-9)),
        ]
        return chart.assign(inside=np.minimum.reduce(inside))

    def residuals(self) -> pd.DataFrame:
        """How far each batch dried from what its terms say, against what chance alone would give.

        Columns run, observed (predicted batch and day effects, standardised) and expected (normal scores),
        in ascending order.
        """
        effects = self.fit.batch_effects
        whole = effects["batch"] + effects["day"]
        spread = float(whole.std(ddof=1))
        ordered = (whole / spread if spread > 0 else whole).sort_values(kind="stable")
        places = (np.arange(1, len(ordered) + 1) - 0.375) / (len(ordered) + 0.25)
        return pd.DataFrame(
            {"run": ordered.index, "observed": ordered.to_numpy(), "expected": stats.norm.ppf(places)}
        )

    def needed(self, share: float, within_hours: float) -> dict[str, Needed]:
        """How thirsty the air must be for a share of a new batch to be dry in time, by level.

        Raises
        ------
        CannotAnswer
            Drying was not seen to be faster in thirstier air.
        """
        if not self.has_vpd:
            raise ValueError("the vapour-pressure deficit is not in the model")
        return {
            name: driest_needed(self.fit, within_hours, share, conditions=_without(each, "vpd_kpa"))
            for name, each in self.levels().items()
        }


def _without(conditions: Conditions, name: str) -> Conditions:
    return {key: value for key, value in conditions.items() if key != name}


def study_touch(
    runs: pd.DataFrame,
    touch_checks: pd.DataFrame,
    weighings: pd.DataFrame,
    room_log: pd.DataFrame,
    terms: Sequence[Term],
    *,
    air_model: AirModel = "vpd",
    distribution: str = "lognormal",
    forecast_air: tuple[float, float] | None = None,
) -> DryingStudy:
    """Join touch checks to the air of their batches and fit the dry times.

    Parameters
    ----------
    runs, touch_checks, weighings, room_log : DataFrame
        Checked tables of the trial; `weighings` and `room_log` may be empty.
    terms : sequence of Category or Amount
        The factors.
    air_model : {"vpd", "rh and temperature", "none"}
    distribution : {"lognormal", "weibull", "loglogistic"}
    forecast_air : (temp_c, rh_pct), optional
        Air to forecast for; the middle of the batches' own air if left out.

    Returns
    -------
    DryingStudy

    Raises
    ------
    CannotAnswer
        The readings cannot carry the fit.
    """
    pieces = brackets(touch_checks)
    known = _known(runs, touch_checks, weighings, room_log, terms, air_model, pieces)
    return _study(pieces, known, distribution, forecast_air)


@dataclass(frozen=True)
class WeighedStudy:
    """What the weighings of a trial say.

    Attributes
    ----------
    dried : DriedPieces
        When each weighed piece had only the stated share of its moisture left.
    constant : DriedPieces or CannotAnswer
        When each lost less than the stated grams an hour, or why that cannot be told.
    times : DataFrame
        Dry times by batch; from `batch_dry_times`.
    model : DryingStudy or CannotAnswer
        The batches' dry times regressed on factors and air, or why they cannot be.
    levels : Series
        The level that each batch is drawn with, by run.
    """

    dried: DriedPieces
    constant: DriedPieces | CannotAnswer
    times: pd.DataFrame
    model: DryingStudy | CannotAnswer
    levels: pd.Series


def study_weighings(
    runs: pd.DataFrame,
    touch_checks: pd.DataFrame,
    weighings: pd.DataFrame,
    room_log: pd.DataFrame,
    terms: Sequence[Term],
    *,
    air_model: AirModel = "vpd",
    remaining_share: float = 0.05,
    loss_g_per_h: float = 0.02,
    forecast_air: tuple[float, float] | None = None,
) -> WeighedStudy:
    """Fit the drying curve of every weighed piece, and regress the batches' dry times.

    Parameters
    ----------
    runs, touch_checks, weighings, room_log, terms, air_model, forecast_air
        As in `study_touch`.
    remaining_share : float
        A piece counts as dry when this share of its moisture is left.
    loss_g_per_h : float
        It counts as of constant mass when it loses less than this.

    Raises
    ------
    CannotAnswer
        No weighed piece gave a dry time.
    """
    dried = dry_pieces(weighings, remaining_share=remaining_share)
    constant: DriedPieces | CannotAnswer
    try:
        constant = dry_pieces(weighings, remaining_share=None, loss_g_per_h=loss_g_per_h, fitted=dried.pieces)
    except CannotAnswer as reason:
        constant = reason
    times = batch_dry_times(dried.table)
    exact = times["hours"].dropna()
    pieces = pd.DataFrame(
        {"run": exact.index, "piece": 1, "lower": exact.to_numpy(), "upper": exact.to_numpy()}
    )
    model: DryingStudy | CannotAnswer
    try:
        known = _known(runs, touch_checks, weighings, room_log, terms, air_model, pieces)
        fit = regress_dry_time(times[times.index.isin(known.batches.index)], known.batches, known.terms)
        model = _study(pieces, known, "lognormal", forecast_air, fit)
    except CannotAnswer as reason:
        model = reason
    factor = grouping(terms)
    made = runs.set_index("run")
    levels = (
        made[factor.name].map(lambda value: level_name(factor, value))
        if factor
        else made["day"].map(lambda _: ALL)
    )
    return WeighedStudy(dried, constant, times, model, levels)


@dataclass(frozen=True)
class _Known:
    """What a model of dry times can be built on."""

    batches: pd.DataFrame
    terms: list[Term]
    air: tuple[Amount, ...]
    notes: list[str]


def _known(
    runs: pd.DataFrame,
    touch_checks: pd.DataFrame,
    weighings: pd.DataFrame,
    room_log: pd.DataFrame,
    terms: Sequence[Term],
    air_model: AirModel,
    pieces: pd.DataFrame,
) -> _Known:
    measured = set(pieces["run"])
    batches, air_terms, notes = _batches(runs, touch_checks, weighings, room_log, air_model, measured)
    batches = batches[batches.index.isin(measured)]
    kept, left = varying([*terms, *air_terms], batches)
    return _Known(batches, kept, tuple(term for term in air_terms if term in kept), [*notes, *left])


def _study(
    pieces: pd.DataFrame,
    known: _Known,
    distribution: str,
    forecast_air: tuple[float, float] | None,
    fit: DryTimeFit | None = None,
) -> DryingStudy:
    batches, kept = known.batches, known.terms
    pieces = pieces[pieces["run"].isin(batches.index)]
    if fit is None:
        fit = fit_dry_time(pieces, batches, kept, distribution=distribution)  # type: ignore[arg-type]
        shapes = compare_distributions(pieces, batches, kept)
    else:
        shapes = pd.DataFrame(columns=["loglik", "aic", "delta_aic", "problem"])
    factors = [term for term in kept if term not in known.air]
    grouped = grouping(factors)
    shown = pieces.join(batches[[name for name in AIR_COLUMNS if name in batches]], on="run")
    shown["level"] = (
        ALL
        if grouped is None
        else pieces["run"].map(batches[grouped.name].map(lambda value: level_name(grouped, value)))
    )
    return DryingStudy(
        batches=batches,
        brackets=shown,
        fit=fit,
        shapes=shapes,
        grouped_by=grouped,
        air=known.air,
        typical=_typical(batches, kept, forecast_air),
        notes=(*known.notes, *fit.notes),
    )


def _batches(
    runs: pd.DataFrame,
    touch_checks: pd.DataFrame,
    weighings: pd.DataFrame,
    room_log: pd.DataFrame,
    air_model: AirModel,
    measured: set[str],
) -> tuple[pd.DataFrame, tuple[Amount, ...], list[str]]:
    """The batches with their air, the air terms that can be used, and what was not counted."""
    batches = runs.set_index("run")
    if air_model == "none":
        return batches, (), []
    if room_log.empty:
        return batches, (), ["There is no room log, so the effect of the air is not in these numbers."]
    windows = air.drying_windows(touch_checks, weighings, runs)
    batches = batches.join(air.drying_air(room_log, windows))
    unknown = batches.index[batches["vpd_kpa"].isna() & batches.index.isin(measured)]
    if len(unknown) == len(measured):
        return (
            batches.drop(columns=list(AIR_COLUMNS)),
            (),
            ["The room log covers the drying of no batch, so the effect of the air is not in these numbers."],
        )
    notes = []
    if len(unknown):
        noun = "batch" if len(unknown) == 1 else "batches"
        notes.append(f"The air of {noun} {', '.join(unknown)} is not known, so it is not counted here.")
        batches = batches.drop(index=unknown)
    return batches, AIR_TERMS[air_model], notes


def _typical(
    batches: pd.DataFrame, terms: Sequence[Term], forecast_air: tuple[float, float] | None
) -> Conditions:
    typical: Conditions = {}
    for term in terms:
        if isinstance(term, Category):
            typical[term.name] = term.control
        else:
            typical[term.name] = float(batches[term.name].median())
    if forecast_air is not None:
        temp, rh = forecast_air
        known = {
            "temp_c": temp,
            "rh_pct": rh,
            "vpd_kpa": float(air.vapour_pressure_deficit_kpa(temp, rh)),
        }
        typical.update({name: value for name, value in known.items() if name in typical})
    return typical


def _forecast(
    fit: DryTimeFit, asked: Sequence[tuple[str, Conditions]], shares: Sequence[float]
) -> pd.DataFrame:
    """Forecast for named conditions; the column `level` keeps the name."""
    names = pd.Index([name for name, _ in asked], name="level")
    conditions = pd.DataFrame([each for _, each in asked], index=names)
    return forecast_dry(fit, conditions, shares=tuple(shares)).reset_index()
