"""The fizz part of a report: the water, the cups on the scale, storage, and doubts."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np
import pandas as pd

from fizzlab.measures import Measure
from fizzlab.models.fizz import LEAST_SPREAD_C, FizzStudy, Times
from fizzlab.models.gas import GasCurves
from fizzlab.models.plotting import drawn_apart, house_style, new_figure
from fizzlab.models.result import FitResult
from fizzlab.models.shelf import ShelfFit
from fizzlab.report import phrases as words
from fizzlab.report.analysis import Analysis, theory_spans
from fizzlab.report.figures.pieces import gas_curves
from fizzlab.report.page import Finding, Findings, Grid, Picture
from fizzlab.report.parts.general import Pieces, caution, standing
from fizzlab.report.phrases import amount, between, capital, count, listed, number, percent

#: What the topics of the findings of a response begin with.
TOPICS = {"fizz_s": "fizz_time", "colour_s": "colour_time", "half_out_s": "gas_half"}

#: Said where fizz is read about: what can hurt, and what is no promise.
SAFETY = "Hot water scalds: measure it before a hand goes in. Oil makes a tub and the floor slippery."
HOME_STORAGE = "Home storage is not a stability study: another cupboard or season may give another answer."

#: What may be wrong with a weighed cup, by the property of its fit that is False then; and its jumps.
CUPS = {
    "plateau_seen": "stopped before nine tenths was out, so its gas is partly a guess",
    "drift_seen": "was not read long enough to take off what dried up",
}
JUMPS = {
    "touched": "the reading at {at} was {grams} g out of line and is not used",
    "splash": "{grams} g went at once by {at}, a splash; it is not counted as gas",
    "added": "{grams} g came at once by {at}; it is taken off",
}


@standing
def fizz(done: Analysis) -> Pieces:
    """Fizz in full, but for what the comparison and the typical values tell of it."""
    study = done.study("fizz_s")
    if not isinstance(study, FizzStudy):
        return []
    water = [w for name, each in study.times.items() for w in warmth(each, done.trial.settings.measure(name))]
    pieces: Pieces = [Findings(water, "plain") if water else None]
    if study.curves is not None:
        came: Pieces = []
        if study.reached is not None and "gas_pct" in done.fits:
            came = [Findings([spent(study.reached, done.fits["gas_pct"])], "answer")]
        pieces += ["### How the gas comes", *came, *_cups(done, study.curves)]
    if study.shelf is not None:
        told = [_loss(study.shelf, row) for row in study.shelf.storages.to_dict("records")]
        told += _humidity(study.shelf)
        pieces += ["### In storage", Findings(told, "plain"), _storage(study.shelf)]
    untold = [] if done.terms else [str(reason) for reason in study.reasons.values()]
    return [*pieces, caution([*untold, *doubts(study), *_assumed(done, study), SAFETY])]


def warmth(times: Times, measure: Measure) -> list[Finding]:
    """What warmer water does; none where its warmth was not varied."""
    effect, (low, high) = times.water, times.tried_c
    if effect is None:
        return []
    beyond = times.bath_c - 5 < low - 0.5 or times.bath_c + 5 > high + 0.5
    said = f"From {effect.control.removesuffix(' °C')} to {effect.level}, {measure.label}: {words.told(effect, measure)}"
    said += f". Only {low:g} to {high:g} °C were tried." if beyond else "."
    row, topic = {**vars(effect), "extrapolated": beyond}, f"{TOPICS[effect.response]}.water"
    return [words.numbers_of(topic, said, row, "ratio", batches=effect.n_batches, df=effect.df)]


def spent(reached: pd.DataFrame, fit: FitResult) -> Finding:
    """The gas that came against the gas that the recipe could give, by the fit of the share that came."""
    came = fit.predict().iloc[0] / 100
    mean, low, high = 1 - came["estimate"], 1 - came["conf_high"], 1 - came["conf_low"]
    gas, theory, held = (number(reached[name].mean()) for name in ("gas_g", "theory_g", "dissolved_g"))
    none = percent((1 - reached["gas_g"] / reached["theory_g"]).mean())
    ends = between(100 * low, 100 * high, "%")
    said = f"Fizz spent before the bath: can't tell yet; anything from {ends} is possible."
    if low > 0:
        said = f"{percent(mean)} of the fizz was spent before the bath, or never reacted ({ends})."
    elif high < 0:
        said = f"More gas came than the recipe could give: {percent(-mean)} more. Look at theory_g and water_ml in "
        said += "trial.toml, and for water lost from the cup."
    said += f" A piece gave {gas} g of gas. The recipe could give {theory} g, and the cup can hold {held} g "
    said += f"of it dissolved; if none stays there, {none} was spent."
    row = {"estimate": mean, "conf_low": low, "conf_high": high}
    return words.numbers_of("gas_reached.spent", said, row, "share", batches=len(reached))


def _cups(done: Analysis, curves: GasCurves) -> Pieces:
    """The curve of each weighed piece, drawn and as a table."""
    labels = drawn_apart(done.trial.batches(), done.terms)[0]
    readings, lines, rows = list[pd.DataFrame](), list[pd.DataFrame](), list[dict[str, str]]()
    for row, fit in zip(curves.pieces.to_dict("records"), curves.fits, strict=True):
        run, piece, level = str(row["run"]), str(row["piece"]), str(labels[row["run"]])
        who = {"cup": f"{piece} of {run}", "level": level}
        grid = np.linspace(0, float(fit.readings["seconds"].max()), 60)
        readings.append(fit.readings.assign(**who))
        lines.append(pd.DataFrame({"seconds": grid, "gas_g": fit.gas_at(grid)}).assign(**who))
        grams = fit.estimates.loc[["gas_g"]].to_numpy(float).ravel()
        gas, low, high = (number(each, 3) for each in grams.tolist())
        cells = {"batch": run, "piece": piece, "drawn as": level, "water": f"{row['water_c']:.1f} °C"}
        cells |= {"gas": f"{gas} g ({low} to {high})", "half out": amount(row["t50_s"], "s")}
        cells["nine tenths out"] = amount(row["t90_s"], "s") + ("" if fit.plateau_seen else " (guessed)")
        rows.append(cells | {"at first, g a minute": number(60 * row["start_g_s"])})
    least, most = curves.pieces.min(numeric_only=True), curves.pieces.max(numeric_only=True)
    step, order = max(fit.step_g for fit in curves.fits), list(labels.cat.categories)
    picture = Picture(
        "fizz-curves",
        gas_curves(pd.concat(readings, ignore_index=True), pd.concat(lines, ignore_index=True), order, step),
        "Above, the gas of each weighed piece with its curve; drying up and splashes are taken off. Below, what the "
        "curve leaves over; the grey band is one step of the scale.",
        f"Rising curves of the gas of {len(curves.fits)} pieces, levelling off at {number(least['gas_g'])} to "
        f"{number(most['gas_g'])} g; half is out after {between(least['t50_s'], most['t50_s'], 's')}.",
    )
    return [picture, Grid(pd.DataFrame(rows), "The weighed cups", method=True)]


def _where(storage: str) -> str:
    """A storage in a sentence."""
    where = f"at {storage}" if "%" in storage else "where no humidity was noted"
    return "in storage" if storage == "all" else where


def _loss(fit: ShelfFit, row: Mapping[Any, Any]) -> Finding:
    """How long the fizz lasts in one storage."""
    left, place, ends = percent(fit.share), _where(row["storage"]), (row["weeks_low"], row["weeks_high"])
    rates = [row[rate] for rate in ("per_week", "conf_low", "conf_high")]
    lost, low, high = (number(100 * (1 - np.exp(-rate))) for rate in rates)
    if row["conf_low"] > 0:
        said = f"{capital(place)}, pieces lose {lost} % of their fizz a week ({low} to {high} %); {left} is left after "
        said += f"{number(row['weeks'])} weeks ({number(ends[0])} to {number(ends[1])})"
        said += ". That is longer than was tried." if row["extrapolated"] else "."
    elif row["conf_high"] < 0:
        said = f"{capital(place)}, pieces seem to gain fizz: look at how the fresh ones were tried."
    else:
        said = f"Loss of fizz {place}: can't tell yet"
        said += (
            f"; {left} may be left after {number(ends[0])} weeks or any longer time."
            if np.isfinite(ends[0])
            else "."
        )
    numbers = {**row, "estimate": row["weeks"], "conf_low": ends[0], "conf_high": ends[1]}
    more = {"batches": int(row["n_batches"]), "df": float(row["df"])}
    return words.numbers_of(f"shelf.weeks[{row['storage']}]", said, numbers, "weeks", **more)


def _humidity(fit: ShelfFit) -> Iterator[Finding]:
    """What humidity does in storage."""
    for effect in fit.effects:
        size, low, high = (number(100 * end) for end in (effect.estimate, effect.conf_low, effect.conf_high))
        said = f"10 % more humidity in storage changes the weekly loss by {size} points ({low} to {high})."
        if not effect.shown:
            said = "What humidity does in storage: can't tell yet; for 10 % more, anything from "
            said += f"{low} to {high} points a week is possible."
        more = {"batches": effect.n_batches, "df": effect.df}
        yield words.numbers_of("shelf.humidity", said, vars(effect), "1/week", **more)


def _storage(fit: ShelfFit) -> Picture:
    """Fizz left against weeks."""
    said = [f"{row['storage']} {percent(row['estimate'])}" for row in fit.predict().to_dict("records")]
    with house_style():
        figure, axes = new_figure(height=3.7)
        fit.plot(axes)
    told = "Each mark is a piece against the fresh ones of its batch; lines and bands (95 %): the mean of the batches."
    alt = f"Fizz left falls over {fit.last_week:g} weeks of storage; at the end: {listed(said)}."
    return Picture("shelf-life", figure, told, alt)


def doubts(study: FizzStudy) -> Iterator[str]:
    """What could not be answered and why, and what to mind about single pieces."""
    for name, times in study.times.items():
        low, high = times.tried_c
        if times.water is None:
            yield f"All water was within {LEAST_SPREAD_C:g} °C, so no time is corrected for warmth."
        if times.extrapolated:
            yield f"Water of {times.bath_c:g} °C was not tried, only {low:g} to {high:g} °C."
        if times.never:
            yield f"No piece of batch {listed(times.never)} was seen to the end: it counts as “longer than that”."
        if name == "fizz_s" and times.unfinished:
            many = count(times.unfinished, "piece")
            yield f"{many} still fizzed when the watching ended: counted as “longer than that”."
    if study.curves is not None:
        yield from _about_cups(study.curves)
        if study.reached is None and "gas_pct" not in study.reasons:
            yield "What the recipe could give is not known: add theory_g to [fizz], or a weighed [recipe]."
    if study.no_shelf is not None:
        yield f"How fast stored pieces lose their fizz is not known. {study.no_shelf}"
    if study.shelf is not None:
        yield HOME_STORAGE
        for name in study.shelf.storages[study.shelf.storages["bend_p"] < 0.05]["storage"]:
            yield f"The loss {_where(name)} did not keep one pace: do not trust its weeks."
        if study.shelf.no_humidity is not None:
            yield f"What humidity does in storage is not known. {study.shelf.no_humidity}"


def _about_cups(curves: GasCurves) -> Iterator[str]:
    """Cups without a curve, jumps that were taken off, and cups to trust less."""
    for run, piece, why in curves.not_fitted.itertuples(index=False):
        yield f"Piece {piece} of {run} has no curve. {why}"
    names = (curves.pieces["piece"].astype(str) + " of " + curves.pieces["run"].astype(str)).to_list()
    for name, fit in zip(names, curves.fits, strict=True):
        for jump in fit.jumps:
            told = JUMPS[jump.kind].format(at=amount(jump.seconds, "s"), grams=number(abs(jump.change_g)))
            yield f"Piece {name}: {told}."
    for flag, told in CUPS.items():
        some = [name for name, fit in zip(names, curves.fits, strict=True) if not getattr(fit, flag)]
        if some:
            shown = some if len(some) <= 4 else [*some[:3], f"{len(some) - 3} more"]
            yield f"The cup of piece {listed(shown)} {told}."


def _assumed(done: Analysis, study: FizzStudy) -> list[str]:
    """What had to be assumed of the recipe."""
    if study.reached is None or done.trial.settings.fizz.theory_g is not None:
        return []
    loose = [span for span in theory_spans(done.trial).values() if not span.is_exact]
    ends = f"{number(min(s.low for s in loose))} to {number(max(s.high for s in loose))} g" if loose else ""
    told = f"Soda or acid is measured by volume: a piece could give {ends} of gas; the typical mass is used."
    return [f"{told} Weigh both."] if loose else []
