"""The fizz part of a report in sentences."""

from __future__ import annotations

from collections.abc import Hashable, Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from fizzlab.measures import Measure
from fizzlab.models.effects import ResponseFit
from fizzlab.models.fizz import LEAST_SPREAD_C, FizzStudy, Times
from fizzlab.models.gas import GasCurves
from fizzlab.models.shelf import ShelfFit, mean_interval
from fizzlab.models.terms import Category
from fizzlab.report.findings import Finding
from fizzlab.report.phrases.effects import by_how_much, possible, span
from fizzlab.report.phrases.numbers import capital, count, duration, listed, number, percent

#: What pieces do, by response, and the topic of its findings.
DOES = {
    "fizz_s": ("fizz_time", "pieces fizz for"),
    "half_out_s": ("gas_half", "half of the gas is out after"),
    "colour_s": ("colour_time", "colour shows after"),
}

HOME_STORAGE = "Home storage is not a stability study: another cupboard or season may give another answer."


def seconds(value: float) -> str:
    """A time span of a fizz test.

    Examples
    --------
    >>> seconds(4.52), seconds(142.6), seconds(431), seconds(20000)
    ('4.5 s', '143 s', '7.2 min', '5.6 h')
    """
    if value < 10:
        return f"{number(value)} s"
    if value < 300:
        return f"{value:.0f} s"
    return f"{number(value / 60)} min" if value < 7200 else duration(value / 3600)


def spans(low: float, high: float) -> str:
    """Two time spans, the unit once where it is the same.

    Examples
    --------
    >>> spans(131.2, 154.8), spans(240, 431)
    ('131 to 155 s', '240 s to 7.2 min')
    """
    first, second = seconds(low), seconds(high)
    return f"{first.removesuffix(' ' + second.split()[-1])} to {second}"


def typical(fit: ResponseFit, times: Times, factor: Category | None) -> list[Finding]:
    """How long the typical batch takes, one finding a level, all with one sentence."""
    topic, does = DOES[fit.response]
    levels = (
        [] if factor is None else [name for name in factor.levels if name in set(fit.batches[factor.name])]
    )
    rows = fit.predict({factor.name: levels} if factor is not None else None).to_dict("records")
    told = [seconds(row["estimate"]) for row in rows]
    said = (
        listed([f"{time} with {level}" for time, level in zip(told, levels, strict=True)])
        if levels
        else told[0]
    )
    between = "" if levels else f" ({spans(rows[0]['conf_low'], rows[0]['conf_high'])})"
    guess = "; such water was not tried" if times.extrapolated else ""
    return [
        Finding(
            f"{topic}.typical[{level}]",
            f"In water of {times.bath_c:g} °C, {does} {said}{between}{guess}.",
            row["estimate"],
            row["conf_low"],
            row["conf_high"],
            "s",
            fit.conf_level,
            batches=fit.n_batches,
            beyond_tried=times.extrapolated,
        )
        for level, row in zip(levels or ["all batches"], rows, strict=True)
    ]


def water(times: Times, measure: Measure) -> list[Finding]:
    """What warmer water does; none where its warmth was not varied."""
    if times.water is None:
        return []
    effect = times.water
    start = f"From {effect.control.removesuffix(' °C')} to {effect.level}"
    way = measure.words.up if effect.greater else measure.words.down
    if effect.shown:
        size = by_how_much(effect.estimate, effect, measure)
        said = f"{start}, {measure.label} is {size} {way} ({span(effect, measure)})."
    else:
        said = f"{start}, {measure.label}: can't tell yet; {possible(effect, measure)}."
    low, high = times.tried_c
    beyond = times.bath_c - 5 < low - 0.5 or times.bath_c + 5 > high + 0.5
    if beyond:
        said = f"{said[:-1]}; only {low:g} to {high:g} °C were tried."
    topic = f"{DOES[effect.response][0]}.water"
    found = _finding(
        topic, said, (effect.estimate, effect.conf_low, effect.conf_high), "ratio", effect.n_batches
    )
    return [replace(found, level=effect.conf_level, df=effect.df, beyond_tried=beyond)]


def _finding(topic: str, said: str, ends: Sequence[float], unit: str, batches: int) -> Finding:
    low, value, high = (float(end) if np.isfinite(end) else None for end in (ends[1], ends[0], ends[2]))
    return Finding(topic, said, value, low, high, unit, batches=batches)


def spent(reached: pd.DataFrame) -> Finding:
    """The gas that came against the gas that the recipe could give, all batches together."""
    mean, low, high, df = mean_interval(1 - reached["share"])
    gas, theory, held = (number(reached[name].mean()) for name in ("gas_g", "theory_g", "dissolved_g"))
    if low > 0:
        said = f"{percent(mean)} of the fizz was spent before the bath, or never reacted ({_percents(low, high)})."
    elif high < 0:
        said = (
            f"More gas came than the recipe could give: {percent(-mean)} more ({_percents(-high, -low)}). Look at theory_g and "
            "water_ml in trial.toml, and for water lost from the cup."
        )
    else:
        said = f"Whether fizz was spent before the bath: can't tell yet; anything from {_percents(low, high)} is possible."
    none = percent(float((1 - reached["gas_g"] / reached["theory_g"]).mean()))
    said += (
        f" A piece gave {gas} g of gas; the recipe could give {theory} g, {held} g of it dissolved in the cup"
    )
    said += f" ({none} spent if none stays there)."
    return Finding("gas_reached.spent", said, mean, low, high, "share", df=df, batches=len(reached))


def _percents(low: float, high: float) -> str:
    return f"{low * 100:.0f} to {high * 100:.0f} %"


def shelf(fit: ShelfFit) -> list[Finding]:
    """How fast fizz goes in each storage, and what humidity does to it."""
    found = [_loss(fit, row) for row in fit.storages.to_dict("records")]
    for effect in fit.effects:
        ends = [100 * end for end in (effect.conf_low, effect.conf_high)]
        size = f"{number(100 * abs(effect.estimate))} points {'more' if effect.greater else 'less'} a week"
        between = f"{number(ends[0])} to {number(ends[1])}"
        said = (
            f"Each 10 % of humidity in storage costs {size} of the fizz ({between})."
            if effect.shown
            else f"What humidity does in storage: can't tell yet; anything from {between} points a week for each 10 % is possible."
        )
        ends = [effect.estimate, effect.conf_low, effect.conf_high]
        told = _finding("shelf.humidity", said, ends, "1/week", effect.n_batches)
        found.append(replace(told, level=effect.conf_level, df=effect.df))
    return found


def where(storage: str) -> str:
    """A storage in a sentence."""
    return (
        "in storage"
        if storage == "all"
        else f"at {storage}"
        if "%" in storage
        else "where no humidity was noted"
    )


def _loss(fit: ShelfFit, row: Mapping[Hashable, Any]) -> Finding:
    storage = str(row["storage"])
    lost, low, high = (100 * (1 - float(np.exp(-row[key]))) for key in ("per_week", "conf_low", "conf_high"))
    left, place = percent(fit.share), where(storage)
    if row["conf_low"] > 0:
        said = (
            f"{capital(place)}, pieces lose {number(lost)} % of their fizz a week ({number(low)} to {number(high)} %); {left} is "
            f"left after {number(row['weeks'])} weeks ({number(row['weeks_low'])} to {number(row['weeks_high'])})"
        )
        said += ", longer than was tried." if row["extrapolated"] else "."
    elif row["conf_high"] < 0:
        said = f"{capital(place)}, pieces seem to gain fizz: look at how the fresh ones were tried."
    else:
        said = f"Loss of fizz {place}: can't tell yet; {left} may be left after {number(row['weeks_low'])} weeks or any longer time."
    ends = [row[key] for key in ("weeks", "weeks_low", "weeks_high")]
    found = _finding(f"shelf.weeks[{storage}]", said, ends, "weeks", int(row["n_batches"]))
    return replace(found, level=fit.conf_level, df=float(row["df"]), beyond_tried=bool(row["extrapolated"]))


def doubts(study: FizzStudy) -> list[str]:
    """What could not be answered and why, and what to mind about single pieces."""
    said: list[str] = []
    for times in study.times.values():
        low, high = times.tried_c
        if times.water is None:
            said.append(f"All water was within {LEAST_SPREAD_C:g} °C, so no time is corrected for warmth.")
        if times.never:
            said.append(
                f"No piece of batch {listed(times.never)} was seen to the end: it counts with the time expected of it."
            )
        if times.extrapolated:
            said.append(f"Water of {times.bath_c:g} °C was not tried, only {low:g} to {high:g} °C.")
    if "fizz_s" in study.times and study.times["fizz_s"].unfinished:
        many = study.times["fizz_s"].unfinished
        said.append(
            f"{count(many, 'piece')} still fizzed when the watching ended: counted as “longer than that”."
        )
    if study.curves is not None:
        said += _about_curves(study.curves)
        if study.reached is None and "gas_pct" not in study.reasons:
            said.append(
                "What the recipe could give is not known. Add theory_g to [fizz], or [recipe] with soda, acid and pieces."
            )
    if study.no_shelf is not None:
        said.append(f"How fast stored pieces lose their fizz is not known. {study.no_shelf}")
    if study.shelf is not None:
        said.append(HOME_STORAGE)
        for row in study.shelf.storages.to_dict("records"):
            if row["bend_p"] < 0.05:
                said.append(
                    f"The loss {where(row['storage'])} did not keep one pace: do not trust its weeks."
                )
        if study.shelf.no_humidity is not None:
            said.append(f"What humidity does in storage is not known. {study.shelf.no_humidity}")
    return list(dict.fromkeys(said))


def _about_curves(curves: GasCurves) -> list[str]:
    said = [
        f"Piece {row['piece']} of batch {row['run']} has no curve. {row['why']}"
        for row in curves.not_fitted.to_dict("records")
    ]
    names = [f"{row['piece']} of {row['run']}" for row in curves.pieces.to_dict("records")]
    for name, fit in zip(names, curves.fits, strict=True):
        for jump in fit.jumps:
            grams, at = f"{number(abs(jump.change_g))} g", seconds(jump.seconds)
            said.append(
                {
                    "touched": f"Piece {name}: the reading at {at} was {grams} out of line and is not used.",
                    "splash": f"Piece {name}: {grams} went at once by {at}, a splash; it is not counted as gas.",
                    "added": f"Piece {name}: {grams} came at once by {at}; it is taken off.",
                }[jump.kind]
            )
    for flags, words in (
        (
            [not fit.plateau_seen for fit in curves.fits],
            "stopped before nine tenths was out, so its gas is partly a guess",
        ),
        (
            [fit.coarse for fit in curves.fits],
            "gave little gas for this scale, so its curve is mostly rounding",
        ),
        ([not fit.drift_seen for fit in curves.fits], "was not read long enough to take off what dried up"),
    ):
        some = [name for name, flag in zip(names, flags, strict=True) if flag]
        if some:
            shown = some if len(some) <= 4 else [*some[:3], f"{len(some) - 3} more"]
            said.append(f"The cup of piece {listed(shown)} {words}.")
    return said


def curve_table(curves: GasCurves, levels: pd.Series) -> pd.DataFrame:
    """One row a fizz curve, with text cells."""
    rows = []
    for row, fit in zip(curves.pieces.to_dict("records"), curves.fits, strict=True):
        low, high = (number(float(fit.estimates[end]["gas_g"]), 3) for end in ("conf_low", "conf_high"))
        rows.append(
            {
                "batch": str(row["run"]),
                "piece": str(row["piece"]),
                "drawn as": levels[row["run"]],
                "water": f"{row['water_c']:.1f} °C",
                "gas": f"{number(row['gas_g'], 3)} g",
                "95 % interval": f"{low} to {high} g",
                "half out": seconds(row["t50_s"]),
                "nine tenths out": seconds(row["t90_s"]) + ("" if fit.plateau_seen else " (guessed)"),
                "at first, g a minute": number(60 * row["start_g_s"]),
            }
        )
    return pd.DataFrame(rows)


def methods(study: FizzStudy) -> str:
    """How the fizz numbers were worked out, as a paragraph of Markdown."""
    said = []
    if study.times:
        said.append(
            "What warmer water does comes from single pieces: log times with Arrhenius' law and a random effect of the batch, by "
            "restricted likelihood; a piece not watched to the end is right-censored. So each batch gets its geometric mean at "
            f"{study.bath_c:g} °C, and those means are compared."
        )
    if study.curves is not None:
        steps = sorted({fit.step_g for fit in study.curves.fits})
        chosen = "its own best curve"
        if study.curves.common:
            others = study.curves.shapes[1:].dropna().to_dict("records")
            worse = ", ".join(f"{row['shape']} {row['delta']:.0f}" for row in others)
            chosen = f"the {study.curves.common} curve, best by AICc over all pieces" + (
                f" (worse by: {worse})" if worse else ""
            )
        said.append(
            f"The gas of each piece is read off {chosen}. The scale's step ({listed([f'{step:g}' for step in steps])} g) is in the "
            "intervals; drying up after the fizz and splashes are not counted as gas."
        )
    if study.reached is not None:
        said.append(
            f"Gas that came is (gas weighed + what {study.water_ml:g} ml of water holds under pure gas, by Henry's law) / theory, "
            "averaged over batches."
        )
    if study.shelf is not None:
        said.append(
            "In storage the same share of what is left goes each week; each batch has its own rate, and they are averaged."
        )
    return " ".join(said)
