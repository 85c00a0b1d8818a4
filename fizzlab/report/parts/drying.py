"""The drying part of a report: what the touch checks say, shown once each."""

from __future__ import annotations

import re

import numpy as np
import pandas as pd

from fizzlab.models.air import vapour_pressure_deficit
from fizzlab.models.curing import VPD, CuringFit, TouchStudy
from fizzlab.models.terms import Category, level_name
from fizzlab.report.analysis import Analysed
from fizzlab.report.figures import drying as drawn
from fizzlab.report.page import Findings, Grid, Notes, Picture
from fizzlab.report.parts.general import SAFETY, Pieces
from fizzlab.report.phrases import count, duration, listed, number, percent
from fizzlab.report.phrases import drying as worded
from fizzlab.trial.folder import Trial


def dried(done: Analysed) -> CuringFit | None:
    """The fit of dry times."""
    fit = done.fits.get("dry_h")
    return fit if isinstance(fit, CuringFit) else None


def answer(done: Analysed) -> Pieces:
    """When pieces are dry, in a few sentences and one figure; what factors did stands under “What changed”."""
    trial, study, fit = done.trial, done.study("dry_h"), dried(done)
    pieces: Pieces = ["## How soon pieces dry"]
    if not isinstance(study, TouchStudy):
        nothing = "There are no touch checks, so this report has no dry times."
        return [] if done.effects else [*pieces, nothing]
    if fit is None:
        why = spoken(f"No dry times can be given. {done.reasons['dry_h'].why}", trial)
        return [*pieces, Notes([why, *_seen(study)], "caution"), _figure(done, study)]
    held = worded.standard(fit, study.grouped_by)
    first, numbers = worded.forecast_findings(
        fit, study.levels, max(trial.settings.drying.shares), worded.air_words(fit, trial)
    )
    shown = [first, *worded.soonest(study, fit)]
    shown += worded.air_findings(fit, worded.room_temp(fit, trial)) if fit.air else []
    note = f"Forecasts are for pieces{held}; other combinations are under “Dry time in detail”."
    silent = Findings(numbers, "silent")
    return [*pieces, Findings(shown), silent, note if held else None, _figure(done, study)]


def _seen(study: TouchStudy) -> list[str]:
    """The plain count of what the looks showed, where nothing can be fitted."""
    said = []
    for level, part in study.brackets.groupby("level", sort=False):
        dry = part[np.isfinite(part["upper"])]
        name = "" if study.grouped_by is None else f"{level}: "
        ends = (duration(float(end)) for end in (dry["lower"].min(), dry["upper"].max()) if len(dry))
        between = f", between {' and '.join(ends)}" if len(dry) else ""
        said.append(f"{name}{len(dry)} of {count(len(part), 'piece')} became dry{between}.")
    return said + [worded.order_words(each) for each in study.order]


def spoken(text: str, trial: Trial) -> str:
    """A sentence with the names of columns replaced by what the maker calls them."""
    for name in trial.settings.factors:
        text = text.replace(name, trial.settings.label(name))
    text = text.replace("log vpd_kpa", "the room's air").replace("vpd_kpa", "vapour-pressure deficit")
    return re.sub(r"(^|[.:] )the room's air", r"\1The room's air", text)


def next_steps(done: Analysed) -> Pieces:
    """What to do next."""
    fit = dried(done)
    lines = ["Touch the pieces of the next batches at set hours, and write down which are dry."]
    if fit is not None:
        lines = worded.next_steps(fit, done.trial.settings.label)
    elif "dry_h" in done.reasons:
        lines = [spoken(done.reasons["dry_h"].would_help, done.trial)]
    return ["## What to do next", Notes(lines, "next")]


def cautions(done: Analysed) -> Pieces:
    """What limits the answer, and what can hurt."""
    trial, fit = done.trial, dried(done)
    said = [] if fit is None else worded.cautions(fit, trial.settings.label)
    lines = [spoken(line, trial) for line in said]
    if trial.doubts:
        lines.append(f"The readings raise {count(len(trial.doubts), 'doubt')}, listed below.")
    if not trial.left_out().empty:
        lines.append("Some rows were left out, listed below with the reason.")
    return ["## Cautions", Notes([*lines, *SAFETY], "caution")]


def dry_times(done: Analysed) -> Pieces:
    """Dry times in full: the other figure, every combination, humidity, and the chart for the wall."""
    trial, study, fit = done.trial, done.study("dry_h"), dried(done)
    if not isinstance(study, TouchStudy) or fit is None:
        return []
    wanted, label, term = trial.settings.drying, trial.settings.label, study.grouped_by
    share = max(wanted.shares)
    pieces: Pieces = ["## Dry time in detail", _figure(done, study, other=True) if fit.air else None]
    if fit.forecast_df >= worded.FEW_DF:
        made = fit.made() if fit.terms else pd.DataFrame(index=[0])
        names = {label(t.name): [level_name(t, value) for value in made[t.name]] for t in fit.terms}
        caption = f"Hours until dry {worded.air_words(fit, trial)}; wait: 19 of 20 batches are {percent(share)} dry by then"
        pieces.append(Grid(worded.forecast_table(fit, made, names, sorted(wanted.shares)), caption))
    others = [level for level in study.levels if level != getattr(term, "control", level)]
    if isinstance(term, Category) and len(others) > 1:
        pairs = [(to, start) for place, start in enumerate(others) for to in others[place + 1 :]]
        table = worded.pair_table([fit.compare(term, *pair) for pair in pairs])
        pieces.append(Grid(table, "Levels beside each other, each pair judged by itself"))
    return [*pieces, *_damper(done, study, fit)] if fit.air_matters else pieces


def _damper(done: Analysed, study: TouchStudy, fit: CuringFit) -> Pieces:
    """What humidity does to the standard recipe, and the chart for the wall."""
    wanted, temp, who = done.trial.settings.drying, worded.room_temp(fit, done.trial), worded.standard(fit)
    share, humidities = max(wanted.shares), [50.0, 60.0, 70.0, 80.0, 90.0]
    air = pd.DataFrame({VPD: vapour_pressure_deficit(temp, humidities)})
    table = worded.forecast_table(fit, air, {"humidity": [f"{rh:g} %" for rh in humidities]}, [share])
    chart = drawn.over_air(fit, share)
    tried = chart[chart["inside"] >= 0]["hours"]
    span = f" In the air tried, {duration(tried.min())} to {duration(tried.max())}." if len(tried) else ""
    return [
        "### As the room gets damper",
        Grid(table, f"Hours until {percent(share)} of the pieces{who} are dry, at {temp:g} °C"),
        Findings(worded.needed_findings(fit, study.levels, share, wanted.night_hours, temp), "plain"),
        "### For the wall",
        Picture(
            "dry-time-chart",
            drawn.dry_chart(chart, share, wanted.night_hours, who),
            f"The lines give the hours until {percent(share)} of the pieces of a typical batch{who} are dry. Hatched: not tried.",
            f"Chart of hours until {percent(share)} of the pieces are dry over room temperature and humidity.{span}",
        ),
    ]


def methods(done: Analysed) -> Pieces:
    """How it was worked out."""
    fit = dried(done)
    if fit is None:
        return []
    return ["## How it was worked out, for the curious", worded.methods(fit, done.trial.settings.label)]


def _figure(done: Analysed, study: TouchStudy, other: bool = False) -> Picture:
    """Dry time over the air where there is no factor, else the share dry over time; or the other one."""
    fit, term = dried(done), study.grouped_by
    label = "" if term is None else done.trial.settings.label(term.name)
    looks = "every piece from its last wet look to its first dry one; an arrowhead was never seen dry"
    if fit is None:
        figure = drawn.dry_curves(study.brackets, None, study.levels, label)
        alt = f"The brackets of {count(len(study.brackets), 'piece')}: {' '.join(_seen(study))}"
        return Picture("dry-brackets", figure, f"Lines: {looks}.", alt)
    if fit.air and (term is None) != other:
        told = []
        for level, each in study.levels.items():
            damp, dry = fit.predict(pd.DataFrame({VPD: fit.tried(VPD)}).assign(**each))["estimate"]
            told.append(f"{level} from {duration(damp)} to {duration(dry)}")
        low, high = (number(end) for end in fit.tried(VPD))
        light = "; light: a new batch" if term is None else ""
        return Picture(
            "dry-time-by-air",
            drawn.dry_time_by_air(study.brackets, fit, study.levels, label),
            f"Dry time against how thirsty the air was. Upright lines: pieces; band: the typical batch{light} (95 %).",
            f"Hours until half the pieces are dry, at a vapour-pressure deficit from {low} to {high} kPa: {listed(told)}.",
        )
    halves = {level: fit.predict(each)["estimate"].iloc[0] for level, each in study.levels.items()}
    ends = listed([f"{level} {duration(hours)}" for level, hours in halves.items()])
    where = f" {worded.air_words(fit, done.trial)}".rstrip()
    return Picture(
        "dry-curves",
        drawn.dry_curves(study.brackets, fit, study.levels, label),
        f"Above, the share of pieces that is dry{where}. Below, {looks}.",
        f"Curves of the share of dry pieces against hours, and the bracket of each piece. Half are dry at: {ends}.",
    )
