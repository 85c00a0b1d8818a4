"""Dry times in sentences and tables: the answer first, then how sure."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from fizzlab.measures import MEASURES
from fizzlab.models.air import rh_for_deficit
from fizzlab.models.curing import VPD, CuringFit, Levels, TouchStudy
from fizzlab.models.result import Effect
from fizzlab.models.terms import Category, level_name
from fizzlab.models.touch import SeenOrder
from fizzlab.report.findings import Finding
from fizzlab.report.phrases.effects import against, cell, directed
from fizzlab.report.phrases.effects import finding as of_effect
from fizzlab.report.phrases.numbers import (
    capital,
    count,
    duration,
    listed,
    number,
    of_hundred,
    percent,
    ratio,
)
from fizzlab.trial.folder import Trial

Label = Callable[[str], str]

#: With fewer degrees of freedom than this, a forecast for a new batch says nothing of use.
FEW_DF = 1.5

#: With fewer degrees of freedom than this, the report says that little is left to judge the scatter by.
FEW_ENOUGH_TO_SAY = 8.0

#: What the effect of the air is told for.
AIR_STEPS = {
    VPD: "In air of half the vapour-pressure deficit",
}

GUESS = " Such air was not tried: this is the formula's guess."

DRY = MEASURES["dry_h"]


def hours_finding(topic: str, said: str, row: Mapping[Any, Any], n_batches: int, **more: Any) -> Finding:
    """A finding in hours from a row of a forecast."""
    middle, low, high = (float(row[end]) for end in ("estimate", "conf_low", "conf_high"))
    beyond = bool(row["extrapolated"])
    return Finding(topic, said, middle, low, high, "h", batches=n_batches, beyond_tried=beyond, **more)


def span(row: Mapping[Any, Any]) -> str:
    """The interval of a row of a forecast."""
    return f"{duration(float(row['conf_low']))} to {duration(float(row['conf_high']))}"


def room_temp(fit: CuringFit, trial: Trial) -> float:
    """The temperature that is forecast for, else that of the middle batch."""
    point = trial.settings.drying.forecast_air
    return float(round(float(fit.batches["temp_c"].median()))) if point is None else point.temp_c


def air_words(fit: CuringFit, trial: Trial) -> str:
    """The air of a forecast in words, or an empty text where the air is not in the model."""
    point = trial.settings.drying.forecast_air
    if not fit.air:
        return ""
    if point is not None:
        return f"at {point.temp_c:g} °C and {point.rh_pct:g} % humidity"
    temp = room_temp(fit, trial)
    rh = float(rh_for_deficit(float(fit.batches[VPD].median()), temp))
    return f"in the air of the middle batch (about {temp:g} °C and {rh:.0f} % humidity)"


def standard(fit: CuringFit, grouped_by: object = None) -> str:
    """What a forecast holds but for the factor it goes by, as it goes on after "pieces"."""
    named = [level_name(t, fit.typical[t.name]) for t in fit.terms if t != grouped_by]
    return f" with {listed(named)}" if named else ""


def soonest(study: TouchStudy, fit: CuringFit) -> list[Finding]:
    """Which of three or more levels dries soonest, and before which of the others that is clear."""
    term = study.grouped_by
    if not isinstance(term, Category) or len(study.levels) < 3:
        return []
    hours = {level: fit.predict(each)["estimate"].iloc[0] for level, each in study.levels.items()}
    best = min(hours, key=lambda level: hours[level])
    others = {level: fit.compare(term, level, best).conf_low > 1 for level in hours if level != best}
    clear, unclear = ([level for level in others if others[level] == sure] for sure in (True, False))
    before = f", clearly before {listed(clear)}" if clear else ""
    but = f", but not surely before {listed(unclear)}" if unclear else ""
    said = f"{capital(best)} dried soonest{before}{but}."
    return [Finding(f"dry_time.{term.name}.soonest", said, batches=fit.n_batches)]


def air_findings(fit: CuringFit, temp_c: float, topic: str = "dry_time", lead: str = "") -> list[Finding]:
    """What each term of the room's air does; `lead` begins the sentences."""
    found = []
    for effect in fit.air_effects:
        told = cell(effect, DRY).replace("can’t tell: ", "can’t tell yet, anything possible from ")
        said = f"{lead}{AIR_STEPS[effect.factor]}: {told}."
        rh = rh_for_deficit(np.array(fit.tried(VPD)), temp_c) if fit.air_matters else np.array([np.nan])
        if not lead and np.isfinite(rh).all():
            damp, dry = fit.predict({VPD: list(fit.tried(VPD))})["estimate"]
            said = (
                f"Damp air slows drying: half the pieces are dry after {duration(dry)} at {rh[1]:.0f} % humidity, "
                f"{duration(damp)} at {rh[0]:.0f} % ({temp_c:g} °C). {said}"
            )
        found.append(replace(of_effect(effect, DRY, said), topic=f"{topic}.{effect.factor}"))
    return found


def forecast_findings(
    fit: CuringFit, named: Levels, share: float, where: str
) -> tuple[Finding, list[Finding]]:
    """The forecast in a sentence, and its numbers: two findings a level, the typical batch and a new one."""
    hours, waits, found = [], [], []
    for level, each in named.items():
        who = f" with {level}" if each else ""
        typical, new = (
            fit.predict(each, share=share, interval=kind).to_dict("records")[0]
            for kind in ("confidence", "prediction")
        )
        hours.append(f"{duration(typical['estimate'])}{who}")
        waits.append(f"{duration(wait(fit, each, share))}{who}")
        said = f"{percent(share)} of a typical batch{who} is dry after {duration(typical['estimate'])} ({span(typical)})."
        found.append(hours_finding(f"dry_time.forecast[{level}]", said, typical, fit.n_batches))
        said = f"Wait {waits[-1]}: 19 of 20 batches are ready by then."
        found.append(hours_finding(f"dry_time.allow[{level}]", said, new, fit.n_batches, kind="prediction"))
    said = (
        f"{capital(f'{where}, {percent(share)}' if where else percent(share))} of the pieces of a typical batch are dry after "
        f"{listed(hours)}. Wait {listed(waits)}: 19 of 20 batches are ready by then."
    )
    if fit.forecast_df < FEW_DF:
        said = "These are too few batches to forecast when a new one will be dry."
    elif any(each.beyond_tried for each in found):
        said += GUESS
    return Finding("dry_time.forecast", said, batches=fit.n_batches), found


def wait(fit: CuringFit, new: Mapping[str, Any], share: float) -> float:
    """Hours by which a share of the pieces is dry in 19 of 20 new batches."""
    return float(fit.predict(new, share=share, interval="prediction", conf_level=0.9)["conf_high"].iloc[0])


def needed_findings(
    fit: CuringFit, named: Levels, share: float, hours: float, temp_c: float
) -> list[Finding]:
    """How damp the room may be for pieces to be ready after a night, one finding a level."""
    found = []
    least, most = fit.tried(VPD)
    for level, each in named.items():
        who = f"{percent(share)} of the pieces{f' with {level}' if each else ''}"
        typical, sure = fit.air_needed(hours, share, each)
        if np.isnan(typical):
            said = f"In no air near what was tried are {who} dry within {hours:g} h"
        elif np.isnan(sure):
            at = _at_most(typical, temp_c, least / 2)
            said = f"In a typical batch {who} are dry within {hours:g} h {at}; no air makes it sure"
        else:
            at, surely = (_at_most(value, temp_c, least / 2) for value in (typical, sure))
            said = f"In 19 of 20 batches {who} are dry within {hours:g} h {surely}"
            said += f"; in a typical one {at}" if at != surely else ""
        known = [value for value in (typical, sure) if np.isfinite(value)]
        beyond = not all(least <= value <= most for value in known)
        numbers: dict[str, Any] = {}
        if known:
            numbers = {"estimate": typical, "unit": "kPa", "kind": "prediction", "beyond_tried": beyond}
            numbers["high"] = None if np.isnan(sure) else sure
        said = f"{said}.{GUESS * beyond}"
        found.append(Finding(f"dry_time.needed[{level}]", said, batches=fit.n_batches, **numbers))
    return found


def _at_most(vpd_kpa: float, temp_c: float, least: float) -> str:
    """A vapour-pressure deficit as the humidity it means in a room."""
    rh = float(rh_for_deficit(vpd_kpa, temp_c))
    if not np.isfinite(rh):
        return f"from {number(vpd_kpa)} kPa on, drier than a room at {temp_c:g} °C can be"
    return f"{'even at' if vpd_kpa <= least * 1.001 else 'up to'} {rh:.0f} % humidity ({temp_c:g} °C)"


def next_steps(fit: CuringFit, label: Label) -> list[str]:
    """What to make or measure next, in the order of use."""
    steps = []
    open_ = [effect for effect in fit.effects if not (effect.shown or effect.same)]
    if open_:
        widest = max(open_, key=lambda effect: effect.conf_high / effect.conf_low)
        low, high = (
            directed(widest.estimate * (end / widest.estimate) ** 0.5**0.5, widest, DRY)
            for end in (widest.conf_low, widest.conf_high)
        )
        what = f"Twice as many {widest.judged_by} would narrow “{against(widest, label)}”"
        steps.append(f"{what} to about {low} to {high}.")
    if any(effect.shown for effect in fit.effects):
        steps.append(
            "Before you change the recipe for good, make two or three batches of each way once more."
        )
    inside = fit.brackets[np.isfinite(fit.brackets["upper"]) & (fit.brackets["lower"] > 0)]
    spread = np.sqrt(np.nansum([fit.sigma**2, fit.tau**2]))
    if len(inside) and np.log(inside["upper"] / inside["lower"]).median() > 2.5 * spread:
        low, high = (duration(inside[end].quantile(at)) for end, at in (("lower", 0.25), ("upper", 0.75)))
        steps.append(f"Look more often between {low} and {high}, when most pieces became dry.")
    if fit.censoring["right"]:
        steps.append(f"Look once more where pieces were never seen dry ({fit.censoring['right']} of them).")
    if fit.air and (fit.tried(VPD)[1] / fit.tried(VPD)[0] < 2 or not fit.air_matters):
        steps.append("To learn what humidity does, make batches on damper and on drier days.")
    return steps or ["Keep the record, and hang the dry-time chart beside the moulds."]


def cautions(fit: CuringFit, label: Label) -> list[str]:
    """What limits these numbers, besides the doubts of the input."""
    said = list(fit.notes)
    few = [effect.factor for effect in (*fit.effects, *fit.air_effects) if effect.df < FEW_ENOUGH_TO_SAY]
    if few:
        names = ["the room's air" if name in AIR_STEPS else label(name) for name in few]
        units = count(fit.n_days, "day") if fit.n_days else count(fit.n_batches, "batch", "batches")
        said.append(f"{capital(units)} say little about {listed(list(dict.fromkeys(names)))}.")
    said += list(fit.diagnose()["says"])
    if "coverage" in fit.batches and (fit.batches["coverage"] < 0.9).any():
        thin = listed([str(run) for run in fit.batches.index[fit.batches["coverage"] < 0.9]])
        said.append(f"The room log has gaps in the drying of {thin}: the logged hours stand for the whole.")
    return said


def methods(fit: CuringFit, label: Label) -> str:
    """How the dry times were worked out, as a paragraph of Markdown."""
    kinds = ("dry at the first look", "between two looks", "still wet at the last", "timed exactly")
    seen = [f"{many} {kind}" for many, kind in zip(fit.censoring.values(), kinds, strict=True) if many]
    air = ["log vapour-pressure deficit"] * len(fit.air)
    terms = listed([*(label(term.name) for term in fit.terms), *air]) or "no factor"
    spreads = {"pieces of a batch": fit.sigma, "batches": fit.tau, "days": fit.delta}
    told = [f"{who} {number(max(sd, 0.001))}" for who, sd in spreads.items() if np.isfinite(sd)]
    return (
        f"Dry times: {count(len(fit.brackets), 'piece')} of {count(fit.n_batches, 'batch', 'batches')}, {listed(seen)}. "
        f"Interval-censored regression of log dry time (normal) on {terms}, with a random effect of the "
        f"batch{' and of the day' if fit.n_days else ''}; restricted likelihood, t intervals. "
        f"Standard deviations of log dry time: {listed(told)}."
    )


def forecast_table(
    fit: CuringFit, new: pd.DataFrame, first: Mapping[str, Sequence[str]], shares: Sequence[float]
) -> pd.DataFrame:
    """Forecasts for some conditions, with text cells; `first` has the columns that name them."""
    cells: dict[str, Sequence[str]] = dict(first)
    for share in shares:
        rows = fit.predict(new, share=share)
        cells[f"{percent(share)} dry"] = [duration(hours) for hours in rows["estimate"]]
    cells["95 % interval"] = [span(row) for row in rows.to_dict("records")]
    settings: list[Any] = new.to_dict("records") or [{}]
    cells["wait"] = [duration(wait(fit, each, shares[-1])) for each in settings]
    cells[""] = ["not tried" if beyond else "" for beyond in rows["extrapolated"]]
    return pd.DataFrame(cells) if any(cells[""]) else pd.DataFrame(cells).drop(columns="")


def pair_table(effects: Sequence[Effect]) -> pd.DataFrame:
    """Comparisons with text cells."""
    return pd.DataFrame([{"compared": against(e, str), "dries": cell(e, DRY)} for e in effects])


def order_words(seen: SeenOrder) -> str:
    """Which of two ways became dry later, day by day, by the looks alone."""
    days = count(seen.later + seen.earlier + seen.open, "day")
    if seen.later + seen.earlier == 0:
        return f"The looks of {days} do not tell whether {seen.level} dried later than {seen.control}."
    many, way = max((seen.later, "later"), (seen.earlier, "sooner"))
    other = seen.later + seen.earlier - many
    rest = f", the other way on {other}" if other else ""
    said = (
        f"{capital(seen.level)} became dry {way} than {seen.control} on {many} of {days}{rest}; chance alone would do so in "
        f"{of_hundred(seen.p_value)} trials."
    )
    if seen.least > 0 and np.isfinite(seen.most):
        said += f" It took {ratio(seen.least)} to {ratio(seen.most)} times as long here, as far as the looks tell."
    return said
