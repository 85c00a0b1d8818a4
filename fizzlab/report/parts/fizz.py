"""The fizz part of a report: what it rests on, one figure a test, doubts."""

from __future__ import annotations

import numpy as np
import pandas as pd

from fizzlab.models.fizz import FizzStudy, Times
from fizzlab.models.gas import GasCurves
from fizzlab.models.shelf import ShelfFit
from fizzlab.models.terms import ALL, Category, grouping, level_name
from fizzlab.report.analysis import Analysed, theory_spans
from fizzlab.report.figures import fizz as drawn
from fizzlab.report.findings import Finding
from fizzlab.report.page import Findings, Grid, Notes, Picture
from fizzlab.report.parts.general import Pieces
from fizzlab.report.phrases import fizz as worded
from fizzlab.report.phrases import listed, number, percent

#: Said where fizz is read about: what can hurt.
SAFETY = (
    "Hot water scalds: measure it before a hand goes in. Oil from a piece makes a tub and the floor slippery.",
)


def fizz_answer(done: Analysed) -> Pieces:
    """What the fizz tests say, in two sentences at most, where no comparison tells it."""
    study = done.study("fizz_s")
    if not isinstance(study, FizzStudy) or done.effects:
        return []
    said = [found.sentence for response in study.times for found in _typical(done, study, response)[:1]]
    said += [] if study.reached is None else [worded.spent(study.reached).sentence]
    said += [] if study.shelf is None else [found.sentence for found in worded.shelf(study.shelf)]
    return [Notes(said[:2], "answer")] if said else []


def fizz(done: Analysed) -> Pieces:
    """Fizz in full: by stopwatch, by weight, colour, storage, what to mind, and how it was worked out."""
    study = done.study("fizz_s")
    if not isinstance(study, FizzStudy):
        return []
    pieces: Pieces = ["## Fizz"]
    for response in ("fizz_s", "colour_s"):
        if response in study.times:
            pieces += [*_times(done, study, response), _by_water(done, response, study.times[response])]
    if study.curves is not None:
        if study.reached is not None:
            pieces.append(Findings([worded.spent(study.reached)], "answer"))
        pieces += ["### How the gas comes", _curves(done, study.curves), *_times(done, study, "half_out_s")]
        pieces.append(Grid(worded.curve_table(study.curves, _levels(done)[0]), "The weighed cups"))
    if study.shelf is not None:
        pieces += ["### In storage", Findings(worded.shelf(study.shelf), "plain"), _storage(study.shelf)]
    untold = [] if done.terms else [str(reason) for reason in study.reasons.values()]
    pieces.append(Notes([*untold, *worded.doubts(study), *_assumed(done, study), *SAFETY], "caution"))
    return [*pieces, worded.methods(study)]


def _typical(done: Analysed, study: FizzStudy, response: str) -> list[Finding]:
    fit, term = done.fits.get(response), grouping(done.terms)
    if fit is None:
        return []
    factor = term if isinstance(term, Category) and term in fit.terms else None
    return worded.typical(fit, study.times[response], factor)


def _times(done: Analysed, study: FizzStudy, response: str) -> Pieces:
    """The typical time, and what warmer water does; one sentence each."""
    if response not in study.times:
        return []
    typical = _typical(done, study, response)
    warmth = worded.water(study.times[response], done.trial.settings.measure(response))
    return [
        Findings([*typical[:1], *warmth], "plain") if typical or warmth else None,
        Findings(typical[1:], "silent") if typical[1:] else None,
    ]


def _assumed(done: Analysed, study: FizzStudy) -> list[str]:
    """What had to be assumed of the recipe."""
    if study.reached is None or done.trial.settings.fizz.theory_g is not None:
        return []
    loose = [span for span in theory_spans(done.trial).values() if not span.is_exact]
    if not loose:
        return []
    low, high = number(min(span.low for span in loose)), number(max(span.high for span in loose))
    return [
        f"Soda or acid is measured by volume, so a piece could give {low} to {high} g of gas; the typical mass is used. Weigh both."
    ]


def _levels(done: Analysed) -> tuple[pd.Series, list[str], str]:
    """The level that each batch is drawn with, by run; the levels in order; and what they are."""
    runs = done.trial.rows("runs").set_index("run")
    term = grouping(done.terms)
    if term is None:
        return pd.Series(ALL, index=runs.index), [ALL], ""
    levels = runs[term.name].map(lambda value: level_name(term, value))
    there = set(levels)
    if isinstance(term, Category):
        order = [level for level in term.levels if level in there]
    else:
        order = [level_name(term, value) for value in sorted(set(runs[term.name].astype(float)))]
    return levels, order, done.trial.settings.label(term.name)


def _by_water(done: Analysed, response: str, times: Times) -> Picture:
    levels, order, label = _levels(done)
    pieces = times.pieces.assign(level=times.pieces["run"].map(levels))
    low, high = times.tried_c
    grid = np.linspace(min(low, times.bath_c), max(high, times.bath_c), 30)
    typical = _typical_by_level(done, response, times)
    lines = [
        pd.DataFrame({"level": level, "water_c": grid, "seconds": value * times.stretch(grid)})
        for level, value in typical.items()
    ]
    name, waits_for = {"fizz_s": ("fizz", "the fizz is over"), "colour_s": ("colour", "colour shows")}[
        response
    ]
    ends = [f"{level} {worded.seconds(value)}" for level, value in typical.items()]
    return Picture(
        f"{name}-by-water",
        drawn.fizz_by_water(pieces, pd.concat(lines), label, order, times.bath_c, waits_for),
        "Each mark is a piece; an arrow upwards was not there when the watching ended. Lines: the typical piece of each level.",
        f"Seconds until {waits_for} against water of {low:g} to {high:g} °C. At {times.bath_c:g} °C: {listed(ends)}.",
    )


def _typical_by_level(done: Analysed, response: str, times: Times) -> dict[str, float]:
    """The typical batch of each level by the fit; by the batches' own means where that tells none apart."""
    fit, term = done.fits.get(response), grouping(done.terms)
    levels, order, _ = _levels(done)
    means = np.exp(np.log(times.numbers).groupby(levels.reindex(times.numbers.index)).mean())
    order = [level for level in order if level in means]
    if fit is not None and isinstance(term, Category) and term in fit.terms:
        return dict(zip(order, fit.predict({term.name: order})["estimate"], strict=True))
    return {level: float(means[level]) for level in order}


def _curves(done: Analysed, curves: GasCurves) -> Picture:
    levels, order, label = _levels(done)
    readings, lines = [], []
    for row, fit in zip(curves.pieces.to_dict("records"), curves.fits, strict=True):
        who = {"cup": f"{row['piece']} of {row['run']}", "level": levels[row["run"]]}
        readings.append(fit.readings.assign(**who))
        grid = np.linspace(0, float(fit.readings["seconds"].max()), 60)
        lines.append(pd.DataFrame({"seconds": grid, "gas_g": fit.gas_at(grid)}).assign(**who))
    table = pd.concat(readings, ignore_index=True)
    seen = [level for level in order if level in set(table["level"])]
    step = max(fit.step_g for fit in curves.fits)
    least, most = curves.pieces.min(numeric_only=True), curves.pieces.max(numeric_only=True)
    return Picture(
        "fizz-curves",
        drawn.gas_curves(table, pd.concat(lines, ignore_index=True), label, seen, step),
        "Above, the gas of each weighed piece with its curve; drying up and splashes are taken off. Below, what the "
        "curve leaves over; the grey band is one step of the scale.",
        f"Rising curves of the gas of {len(curves.fits)} pieces, levelling off at {number(least['gas_g'])} to "
        f"{number(most['gas_g'])} g; half is out after {worded.spans(least['t50_s'], most['t50_s'])}.",
    )


def _storage(fit: ShelfFit) -> Picture:
    ends = fit.predict()
    said = [f"{row['storage']} {percent(row['estimate'])}" for row in ends.to_dict("records")]
    return Picture(
        "shelf-life",
        drawn.shelf_life(fit),
        "Each mark is a piece against the fresh pieces of its batch; lines and bands (95 %) are the mean loss of the batches.",
        f"Fizz left falls over {fit.last_week:g} weeks of storage; at the end: {listed(said)}.",
    )
