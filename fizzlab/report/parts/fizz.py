"""The fizz part of a report: the water, the cups on the scale, storage, and doubts."""

from __future__ import annotations

from collections.abc import Hashable, Mapping

import numpy as np
import pandas as pd

from fizzlab.measures import Measure
from fizzlab.models.fizz import LEAST_SPREAD_C, FizzStudy, Times
from fizzlab.models.gas import GasCurves
from fizzlab.models.plotting import drawn_apart, house_style, new_figure
from fizzlab.models.shelf import ShelfFit, mean_interval
from fizzlab.models.terms import grouping
from fizzlab.report import phrases as words
from fizzlab.report.analysis import Analysed, theory_spans
from fizzlab.report.figures import fizz as drawn
from fizzlab.report.page import Finding, Findings, Grid, Picture
from fizzlab.report.parts.general import Pieces, caution
from fizzlab.report.phrases import amount, capital, count, listed, number, percent

#: By response: the topic of its findings, the name of its figure, what is waited for.
TIMES = {
    "fizz_s": ("fizz_time", "fizz", "the fizz is over"),
    "colour_s": ("colour_time", "colour", "colour shows"),
    "half_out_s": ("gas_half", "", ""),
}

#: Said where fizz is read about: what can hurt, and what is no promise.
SAFETY = (
    "Hot water scalds: measure it before a hand goes in. Oil from a piece makes a tub and the floor slippery."
)
HOME_STORAGE = "Home storage is not a stability study: another cupboard or season may give another answer."

#: What may be wrong with a weighed cup, by the property of its fit that is False then.
CUPS = {
    "plateau_seen": "stopped before nine tenths was out, so its gas is partly a guess",
    "drift_seen": "was not read long enough to take off what dried up",
}

JUMPS = {
    "touched": "the reading at {at} was {grams} g out of line and is not used",
    "splash": "{grams} g went at once by {at}, a splash; it is not counted as gas",
    "added": "{grams} g came at once by {at}; it is taken off",
}


def fizz(done: Analysed) -> Pieces:
    """Fizz in full, but for what "What changed" and the typical values tell of it."""
    study = done.study("fizz_s")
    if not isinstance(study, FizzStudy):
        return []
    water = [w for name, each in study.times.items() for w in warmth(each, done.trial.settings.measure(name))]
    pieces: Pieces = ["## Fizz", Findings(water, "plain") if water else None]
    pieces += [_by_water(done, name, each) for name, each in study.times.items() if TIMES[name][1]]
    if study.curves is not None:
        spent_ = [] if study.reached is None else [Findings([spent(study.reached)], "answer")]
        pieces += ["### How the gas comes", *spent_, *_cups(done, study.curves)]
    if study.shelf is not None:
        pieces += ["### In storage", Findings(shelf(study.shelf), "plain"), _storage(study.shelf)]
    untold = [] if done.terms else [str(reason) for reason in study.reasons.values()]
    return [*pieces, caution([*untold, *doubts(study), *_assumed(done, study), SAFETY])]


def warmth(times: Times, measure: Measure) -> list[Finding]:
    """What warmer water does; none where its warmth was not varied."""
    effect = times.water
    if effect is None:
        return []
    start = effect.control.removesuffix(" °C")
    said = f"From {start} to {effect.level}, {measure.label}: {words.told(effect, measure)}"
    low, high = times.tried_c
    beyond = times.bath_c - 5 < low - 0.5 or times.bath_c + 5 > high + 0.5
    said += f"; only {low:g} to {high:g} °C were tried." if beyond else "."
    row = {**vars(effect), "extrapolated": beyond}
    topic = f"{TIMES[effect.response][0]}.water"
    return [words.numbers_of(topic, said, row, "ratio", batches=effect.n_batches, df=effect.df)]


def _by_water(done: Analysed, response: str, times: Times) -> Picture:
    """Every piece against its water, with the typical piece of each level."""
    labels = _labels(done)
    pieces = times.pieces.assign(level=times.pieces["run"].map(labels).astype(str))
    means = np.exp(np.log(times.numbers).groupby(labels.reindex(times.numbers.index), observed=True).mean())
    (low, high), bath = times.tried_c, times.bath_c
    grid = np.linspace(min(low, bath), max(high, bath), 30)
    lines = [
        pd.DataFrame({"level": str(level), "water_c": grid, "seconds": value * times.stretch(grid)})
        for level, value in means.items()
    ]
    _, name, waits = TIMES[response]
    ends = listed([f"{level} {amount(value, 's')}" for level, value in means.items()])
    return Picture(
        f"{name}-by-water",
        drawn.fizz_by_water(pieces, pd.concat(lines), list(labels.cat.categories), bath, waits),
        "Each mark is a piece; an arrow upwards was not there when the watching ended. Lines: the mean of the batches.",
        f"Seconds until {waits} against water of {low:g} to {high:g} °C. At {bath:g} °C: {ends}.",
    )


def _labels(done: Analysed) -> pd.Series:
    """The level that each batch is drawn with, by run."""
    term = grouping(done.terms)
    return drawn_apart(done.trial.batches(), [] if term is None else [term])[0]


def spent(reached: pd.DataFrame) -> Finding:
    """The gas that came against the gas that the recipe could give, all batches together."""
    mean, low, high, df = mean_interval(1 - reached["share"])
    gas, theory, held = (number(reached[name].mean()) for name in ("gas_g", "theory_g", "dissolved_g"))
    none = percent(float((1 - reached["gas_g"] / reached["theory_g"]).mean()))
    ends = words.between(100 * low, 100 * high, "%")
    said = f"Fizz spent before the bath: can't tell yet; anything from {ends} is possible."
    if low > 0:
        said = f"{percent(mean)} of the fizz was spent before the bath, or never reacted ({ends})."
    elif high < 0:
        said = f"More gas came than the recipe could give: {percent(-mean)} more. Look at theory_g and water_ml in "
        said += "trial.toml, and for water lost from the cup."
    said += (
        f" A piece gave {gas} g of gas. The recipe could give {theory} g, and the cup can hold {held} g of it"
    )
    said += f" dissolved; if none stays there, {none} was spent."
    row = {"estimate": mean, "conf_low": low, "conf_high": high}
    return words.numbers_of("gas_reached.spent", said, row, "share", batches=len(reached), df=df)


def _cups(done: Analysed, curves: GasCurves) -> Pieces:
    """The curve of each weighed piece, drawn and as a table."""
    labels = _labels(done)
    readings, lines, rows = list[pd.DataFrame](), list[pd.DataFrame](), list[dict[str, str]]()
    for row, fit in zip(curves.pieces.to_dict("records"), curves.fits, strict=True):
        run, piece, level = str(row["run"]), str(row["piece"]), str(labels[row["run"]])
        who = {"cup": f"{piece} of {run}", "level": level}
        readings.append(fit.readings.assign(**who))
        grid = np.linspace(0, float(fit.readings["seconds"].max()), 60)
        lines.append(pd.DataFrame({"seconds": grid, "gas_g": fit.gas_at(grid)}).assign(**who))
        gas, low, high = (
            number(float(each), 3) for each in fit.estimates.loc[["gas_g"]].to_numpy(float).ravel()
        )
        cells = {"batch": run, "piece": piece, "drawn as": level, "water": f"{row['water_c']:.1f} °C"}
        cells |= {"gas": f"{gas} g ({low} to {high})", "half out": amount(row["t50_s"], "s")}
        guessed = "" if fit.plateau_seen else " (guessed)"
        cells["nine tenths out"] = amount(row["t90_s"], "s") + guessed
        rows.append(cells | {"at first, g a minute": number(60 * row["start_g_s"])})
    least, most = curves.pieces.min(numeric_only=True), curves.pieces.max(numeric_only=True)
    step, order = max(fit.step_g for fit in curves.fits), list(labels.cat.categories)
    return [
        Picture(
            "fizz-curves",
            drawn.gas_curves(
                pd.concat(readings, ignore_index=True), pd.concat(lines, ignore_index=True), order, step
            ),
            "Above, the gas of each weighed piece with its curve; drying up and splashes are taken off. Below, what the "
            "curve leaves over; the grey band is one step of the scale.",
            f"Rising curves of the gas of {len(curves.fits)} pieces, levelling off at {number(least['gas_g'])} to "
            f"{number(most['gas_g'])} g; half is out after {words.between(least['t50_s'], most['t50_s'], 's')}.",
        ),
        Grid(pd.DataFrame(rows), "The weighed cups"),
    ]


def shelf(fit: ShelfFit) -> list[Finding]:
    """How fast fizz goes in each storage, and what humidity does to it."""
    found = [_loss(fit, row) for row in fit.storages.to_dict("records")]
    for effect in fit.effects:
        ends = (effect.estimate, effect.conf_low, effect.conf_high)
        size, low, high = (number(100 * end) for end in ends)
        said = f"10 % more humidity in storage changes the weekly loss by {size} points ({low} to {high})."
        if not effect.shown:
            said = "What humidity does in storage: can't tell yet; for 10 % more, anything from "
            said += f"{low} to {high} points a week is possible."
        more = {"batches": effect.n_batches, "df": effect.df}
        found.append(words.numbers_of("shelf.humidity", said, vars(effect), "1/week", **more))
    return found


def _where(storage: str) -> str:
    """A storage in a sentence."""
    return (
        "in storage"
        if storage == "all"
        else f"at {storage}"
        if "%" in storage
        else "where no humidity was noted"
    )


def _loss(fit: ShelfFit, row: Mapping[Hashable, object]) -> Finding:
    """How long the fizz lasts in one storage."""
    left, place, storage = percent(fit.share), _where(str(row["storage"])), row["storage"]
    rates = {name: float(str(row[name])) for name in ("per_week", "conf_low", "conf_high")}
    lost, low, high = (number(100 * (1 - np.exp(-rate))) for rate in rates.values())
    names = {"estimate": "weeks", "conf_low": "weeks_low", "conf_high": "weeks_high"}
    ends = {end: float(str(row[name])) for end, name in names.items()}
    weeks, soonest, latest = (number(end) if np.isfinite(end) else "" for end in ends.values())
    said = (
        f"Loss of fizz {place}: can't tell yet; {left} may be left after {soonest} weeks or any longer time."
    )
    if rates["conf_low"] > 0:
        said = f"{capital(place)}, pieces lose {lost} % of their fizz a week ({low} to {high} %); {left} is left after"
        said += f" {weeks} weeks ({soonest} to {latest}){', longer than was tried' if row['extrapolated'] else ''}."
    elif rates["conf_high"] < 0:
        said = f"{capital(place)}, pieces seem to gain fizz: look at how the fresh ones were tried."
    more = {"batches": int(str(row["n_batches"])), "df": float(str(row["df"]))}
    numbers = {**ends, "extrapolated": row["extrapolated"]}
    return words.numbers_of(f"shelf.weeks[{storage}]", said, numbers, "weeks", **more)


def _storage(fit: ShelfFit) -> Picture:
    """Fizz left against weeks."""
    said = [f"{row['storage']} {percent(row['estimate'])}" for row in fit.predict().to_dict("records")]
    with house_style():
        figure, axes = new_figure(height=3.7)
        fit.plot(axes)
    return Picture(
        "shelf-life",
        figure,
        "Each mark is a piece against the fresh pieces of its batch; lines and bands (95 %) are the mean loss of the batches.",
        f"Fizz left falls over {fit.last_week:g} weeks of storage; at the end: {listed(said)}.",
    )


def doubts(study: FizzStudy) -> list[str]:
    """What could not be answered and why, and what to mind about single pieces."""
    said = list[str]()
    for name, times in study.times.items():
        low, high = times.tried_c
        if times.water is None:
            said.append(f"All water was within {LEAST_SPREAD_C:g} °C, so no time is corrected for warmth.")
        if times.extrapolated:
            said.append(f"Water of {times.bath_c:g} °C was not tried, only {low:g} to {high:g} °C.")
        if times.never:
            said.append(
                f"No piece of batch {listed(times.never)} was seen to the end: it counts as “longer than that”."
            )
        if name == "fizz_s" and times.unfinished:
            many = count(times.unfinished, "piece")
            said.append(f"{many} still fizzed when the watching ended: counted as “longer than that”.")
    if study.curves is not None:
        said += _about_cups(study.curves)
        if study.reached is None and "gas_pct" not in study.reasons:
            said.append(
                "What the recipe could give is not known: add theory_g to [fizz], or a weighed [recipe]."
            )
    if study.no_shelf is not None:
        said.append(f"How fast stored pieces lose their fizz is not known. {study.no_shelf}")
    if study.shelf is not None:
        said.append(HOME_STORAGE)
        uneven = study.shelf.storages[study.shelf.storages["bend_p"] < 0.05]["storage"]
        said += [f"The loss {_where(name)} did not keep one pace: do not trust its weeks." for name in uneven]
        if study.shelf.no_humidity is not None:
            said.append(f"What humidity does in storage is not known. {study.shelf.no_humidity}")
    return said


def _about_cups(curves: GasCurves) -> list[str]:
    """Cups without a curve, jumps that were taken off, and cups to trust less."""
    lost = curves.not_fitted.itertuples(index=False)
    said = [f"Piece {piece} of {run} has no curve. {why}" for run, piece, why in lost]
    runs = zip(curves.pieces["piece"], curves.pieces["run"], strict=True)
    cups = dict(zip([f"{piece} of {run}" for piece, run in runs], curves.fits, strict=True))
    for name, fit in cups.items():
        for jump in fit.jumps:
            told = JUMPS[jump.kind].format(at=amount(jump.seconds, "s"), grams=number(abs(jump.change_g)))
            said.append(f"Piece {name}: {told}.")
    for flag, told in CUPS.items():
        some = [name for name, fit in cups.items() if not getattr(fit, flag)]
        if some:
            shown = some if len(some) <= 4 else [*some[:3], f"{len(some) - 3} more"]
            said.append(f"The cup of piece {listed(shown)} {told}.")
    return said


def _assumed(done: Analysed, study: FizzStudy) -> list[str]:
    """What had to be assumed of the recipe."""
    if study.reached is None or done.trial.settings.fizz.theory_g is not None:
        return []
    loose = [span for span in theory_spans(done.trial).values() if not span.is_exact]
    if not loose:
        return []
    ends = f"{number(min(span.low for span in loose))} to {number(max(span.high for span in loose))} g"
    told = (
        f"Soda or acid is measured by volume, so a piece could give {ends} of gas; the typical mass is used."
    )
    return [f"{told} Weigh both."]
