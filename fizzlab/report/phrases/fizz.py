"""The fizz part of a report in sentences."""

from __future__ import annotations

from collections.abc import Hashable, Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd

from fizzlab.measures import Measure
from fizzlab.models.fizz import LEAST_SPREAD_C, FizzStudy, Times
from fizzlab.models.gas import GasCurves
from fizzlab.models.result import Effect, FitResult
from fizzlab.models.shelf import ShelfFit, mean_interval
from fizzlab.models.terms import ALL, Category
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


def _finding(
    topic: str,
    said: str,
    ends: Sequence[float],
    unit: str,
    batches: int,
    df: float | None = None,
    beyond: bool = False,
) -> Finding:
    value, low, high = (float(end) if np.isfinite(end) else None for end in ends)
    return Finding(topic, said, value, low, high, unit, df=df, batches=batches, beyond_tried=beyond)


def _ends(effect: Effect) -> tuple[float, float, float]:
    return effect.estimate, effect.conf_low, effect.conf_high


def typical(fit: FitResult, times: Times, factor: Category | None) -> list[Finding]:
    """How long the typical batch takes, one finding a level, all with one sentence."""
    topic, does = DOES[fit.response]
    made = set() if factor is None else set(fit.batches[factor.name])
    levels = [] if factor is None else [level for level in factor.levels if level in made]
    rows = fit.predict({factor.name: levels} if factor is not None else None)
    ends = [tuple(row) for row in rows[["estimate", "conf_low", "conf_high"]].to_numpy(float)]
    told = [f"{seconds(end[0])} with {level}" for end, level in zip(ends, levels, strict=False)]
    said = f"In water of {times.bath_c:g} °C, {does} {listed(told) or f'{seconds(ends[0][0])} ({spans(*ends[0][1:])})'}"
    said += "; such water was not tried." if times.extrapolated else "."
    return [
        _finding(f"{topic}.typical[{level}]", said, end, "s", fit.n_batches, beyond=times.extrapolated)
        for level, end in zip(levels or [ALL], ends, strict=True)
    ]


def water(times: Times, measure: Measure) -> list[Finding]:
    """What warmer water does; none where its warmth was not varied."""
    effect = times.water
    if effect is None:
        return []
    said = f"From {effect.control.removesuffix(' °C')} to {effect.level}, {measure.label}"
    way = measure.words.up if effect.greater else measure.words.down
    if effect.shown:
        said += f" is {by_how_much(effect.estimate, effect, measure)} {way} ({span(effect, measure)})"
    else:
        said += f": can't tell yet; {possible(effect, measure)}"
    low, high = times.tried_c
    beyond = times.bath_c - 5 < low - 0.5 or times.bath_c + 5 > high + 0.5
    said += f"; only {low:g} to {high:g} °C were tried." if beyond else "."
    topic = f"{DOES[effect.response][0]}.water"
    return [_finding(topic, said, _ends(effect), "ratio", effect.n_batches, effect.df, beyond)]


def spent(reached: pd.DataFrame) -> Finding:
    """The gas that came against the gas that the recipe could give, all batches together."""
    mean, low, high, df = mean_interval(1 - reached["share"])
    gas, theory, held = (number(reached[name].mean()) for name in ("gas_g", "theory_g", "dissolved_g"))
    none = percent(float((1 - reached["gas_g"] / reached["theory_g"]).mean()))
    if low > 0:
        said = f"{percent(mean)} of the fizz was spent before the bath, or never reacted ({_percents(low, high)})."
    elif high < 0:
        said = f"More gas came than the recipe could give: {percent(-mean)} more ({_percents(-high, -low)})."
        said += " Look at theory_g and water_ml in trial.toml, and for water lost from the cup."
    else:
        said = (
            f"Fizz spent before the bath: can't tell yet; anything from {_percents(low, high)} is possible."
        )
    said += (
        f" A piece gave {gas} g of gas. The recipe could give {theory} g, and the cup can hold {held} g of it"
    )
    said += f" dissolved; if none stays there, {none} was spent."
    return _finding("gas_reached.spent", said, (mean, low, high), "share", len(reached), df)


def _percents(low: float, high: float) -> str:
    return f"{low * 100:.0f} to {high * 100:.0f} %"


def shelf(fit: ShelfFit) -> list[Finding]:
    """How fast fizz goes in each storage, and what humidity does to it."""
    found = [_loss(fit, row) for row in fit.storages.to_dict("records")]
    for effect in fit.effects:
        size, low, high = (number(100 * end) for end in _ends(effect))
        said = f"10 % more humidity in storage changes the weekly loss by {size} points ({low} to {high})."
        if not effect.shown:
            said = "What humidity does in storage: can't tell yet; for 10 % more, anything from "
            said += f"{low} to {high} points a week is possible."
        found.append(_finding("shelf.humidity", said, _ends(effect), "1/week", effect.n_batches, effect.df))
    return found


def where(storage: str) -> str:
    """A storage in a sentence."""
    place = f"at {storage}" if "%" in storage else "where no humidity was noted"
    return "in storage" if storage == "all" else place


def _loss(fit: ShelfFit, row: Mapping[Hashable, Any]) -> Finding:
    left, place = percent(fit.share), where(row["storage"])
    lost, low, high = (number(100 * (1 - np.exp(-row[key]))) for key in ("per_week", "conf_low", "conf_high"))
    ends = [float(row[key]) for key in ("weeks", "weeks_low", "weeks_high")]
    weeks, soonest, latest = (number(end) for end in ends)
    if row["conf_low"] > 0:
        said = f"{capital(place)}, pieces lose {lost} % of their fizz a week ({low} to {high} %); {left} is left after"
        said += f" {weeks} weeks ({soonest} to {latest}){', longer than was tried' if row['extrapolated'] else ''}."
    elif row["conf_high"] < 0:
        said = f"{capital(place)}, pieces seem to gain fizz: look at how the fresh ones were tried."
    else:
        said = f"Loss of fizz {place}: can't tell yet; {left} may be left after {soonest} weeks or any longer time."
    topic = f"shelf.weeks[{row['storage']}]"
    return _finding(
        topic, said, ends, "weeks", int(row["n_batches"]), float(row["df"]), bool(row["extrapolated"])
    )


def doubts(study: FizzStudy) -> list[str]:
    """What could not be answered and why, and what to mind about single pieces."""
    said: list[str] = []
    for name, times in study.times.items():
        low, high = times.tried_c
        if times.water is None:
            said.append(f"All water was within {LEAST_SPREAD_C:g} °C, so no time is corrected for warmth.")
        if times.extrapolated:
            said.append(f"Water of {times.bath_c:g} °C was not tried, only {low:g} to {high:g} °C.")
        if times.never:
            batches = listed(times.never)
            said.append(f"No piece of batch {batches} was seen to the end: it counts as “longer than that”.")
        if name == "fizz_s" and times.unfinished:
            many = count(times.unfinished, "piece")
            said.append(f"{many} still fizzed when the watching ended: counted as “longer than that”.")
    if study.curves is not None:
        said += _about_curves(study.curves)
        if study.reached is None and "gas_pct" not in study.reasons:
            said.append(
                "What the recipe could give is not known: add theory_g to [fizz], or a weighed [recipe]."
            )
    if study.no_shelf is not None:
        said.append(f"How fast stored pieces lose their fizz is not known. {study.no_shelf}")
    if study.shelf is not None:
        said.append(HOME_STORAGE)
        uneven = study.shelf.storages[study.shelf.storages["bend_p"] < 0.05]["storage"]
        said += [f"The loss {where(name)} did not keep one pace: do not trust its weeks." for name in uneven]
        if study.shelf.no_humidity is not None:
            said.append(f"What humidity does in storage is not known. {study.shelf.no_humidity}")
    return list(dict.fromkeys(said))


def _about_curves(curves: GasCurves) -> list[str]:
    lost = curves.not_fitted
    said = [f"Piece {piece} of {run} has no curve. {why}" for run, piece, why in lost.itertuples(index=False)]
    names = [
        f"{piece} of {run}" for run, piece in zip(curves.pieces["run"], curves.pieces["piece"], strict=True)
    ]
    for name, fit in zip(names, curves.fits, strict=True):
        for jump in fit.jumps:
            grams, at = f"{number(abs(jump.change_g))} g", seconds(jump.seconds)
            happened = {
                "touched": f"the reading at {at} was {grams} out of line and is not used",
                "splash": f"{grams} went at once by {at}, a splash; it is not counted as gas",
                "added": f"{grams} came at once by {at}; it is taken off",
            }
            said.append(f"Piece {name}: {happened[jump.kind]}.")
    for words, flag in (
        ("stopped before nine tenths was out, so its gas is partly a guess", "plateau_seen"),
        ("was not read long enough to take off what dried up", "drift_seen"),
    ):
        some = [name for name, fit in zip(names, curves.fits, strict=True) if not getattr(fit, flag)]
        if some:
            shown = some if len(some) <= 4 else [*some[:3], f"{len(some) - 3} more"]
            said.append(f"The cup of piece {listed(shown)} {words}.")
    return said


def curve_table(curves: GasCurves, levels: pd.Series) -> pd.DataFrame:
    """One row a fizz curve, with text cells."""
    rows = []
    for row, fit in zip(curves.pieces.to_dict("records"), curves.fits, strict=True):
        ends = fit.estimates.loc[["gas_g"]].to_numpy(float).ravel().tolist()
        gas, low, high = (number(float(value), 3) for value in ends)
        rows.append(
            {
                "batch": str(row["run"]),
                "piece": str(row["piece"]),
                "drawn as": levels[row["run"]],
                "water": f"{row['water_c']:.1f} °C",
                "gas": f"{gas} g ({low} to {high})",
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
        steps, own = sorted({fit.step_g for fit in study.curves.fits}), "its own best curve"
        common = f"the {study.curves.common} curve, best by AICc over all pieces"
        said.append(
            f"The gas of each piece is read off {common if study.curves.common else own}. The scale's step "
            f"({listed([f'{step:g}' for step in steps])} g) is in the intervals; drying up after the fizz and splashes are not "
            "counted as gas."
        )
    if study.reached is not None:
        held = f"what {study.water_ml:g} ml of water holds under pure gas, by Henry's law"
        said.append(f"Gas that came is (gas weighed + {held}) / theory, averaged over batches.")
    if study.shelf is not None:
        said.append(
            "In storage the same share of what is left goes each week; the rates of batches are averaged."
        )
    return " ".join(said)
