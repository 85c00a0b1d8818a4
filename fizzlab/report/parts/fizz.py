"""The fizz part of a report: the water, the cups on the scale, storage, and doubts."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np
import pandas as pd

from fizzlab.language import listed, say
from fizzlab.measures import Measure
from fizzlab.models.fizz import LEAST_SPREAD_C, FizzStudy, Times
from fizzlab.models.gas import GasCurves
from fizzlab.models.plotting import drawn_apart, house_style, new_figure
from fizzlab.models.result import FitResult
from fizzlab.models.shelf import ShelfFit
from fizzlab.report import phrases as words
from fizzlab.report.analysis import Analysis, theory_spans
from fizzlab.report.figures import gas_curves
from fizzlab.report.page import Finding, Findings, Grid, Picture
from fizzlab.report.parts.general import Pieces, caution, standing
from fizzlab.report.phrases import amount, between, capital, number, percent

#: What the topics of the findings of a response begin with.
TOPICS = {"fizz_s": "fizz_time", "colour_s": "colour_time", "half_out_s": "gas_half"}

#: Said where fizz is read about: what can hurt, and what is no promise.
SAFETY = "hot_water"
HOME_STORAGE = "home_storage"

#: What may be wrong with a weighed cup, by the property of its fit that is False then; and its jumps.
CUPS = {"plateau_seen": "no_plateau", "drift_seen": "no_drift"}
JUMPS = {"touched": "jump_touched", "splash": "jump_splash", "added": "jump_added"}


@standing
def fizz(done: Analysis) -> Pieces:
    """Fizz in full, but for what the comparison and the typical values tell of it."""
    study = done.study("fizz_s")
    if not isinstance(study, FizzStudy):
        return []
    water = [w for name, each in study.times.items() for w in warmth(each, done.settings.measure(name))]
    pieces: Pieces = [Findings(water, "plain") if water else None]
    if study.curves is not None:
        came: Pieces = []
        if study.reached is not None and "gas_pct" in done.fits:
            came = [Findings([spent(study.reached, done.fits["gas_pct"])], "answer")]
        pieces += [say("how_gas_comes"), *came, *_cups(done, study.curves)]
    if study.shelf is not None:
        told = [_loss(study.shelf, row) for row in study.shelf.storages.to_dict("records")]
        told += _humidity(study.shelf)
        pieces += [say("title_in_storage"), Findings(told, "plain"), _storage(study.shelf)]
    untold = [] if done.terms else [str(reason) for reason in study.reasons.values()]
    return [*pieces, caution([*untold, *doubts(study), *_assumed(done, study), say(SAFETY)])]


def warmth(times: Times, measure: Measure) -> list[Finding]:
    """What warmer water does; none where its warmth was not varied."""
    effect, (low, high) = times.water, times.tried_c
    if effect is None:
        return []
    beyond = times.bath_c - 5 < low - 0.5 or times.bath_c + 5 > high + 0.5
    ends = {"low": effect.control.removesuffix(" °C"), "high": effect.level}
    said = say("from_water_to", **ends, label=measure.label, told=words.told(effect, measure))
    said += say("only_c_tried", low=low, high=high) if beyond else ""
    row, topic = {**vars(effect), "extrapolated": beyond}, f"{TOPICS[effect.response]}.water"
    return [words.numbers_of(topic, said, row, "ratio")]


def spent(reached: pd.DataFrame, fit: FitResult) -> Finding:
    """The gas that came against the gas that the recipe could give, by the fit of the share that came."""
    came = fit.predict().iloc[0] / 100
    mean, low, high = 1 - came["estimate"], 1 - came["conf_high"], 1 - came["conf_low"]
    gas, theory, held = (number(reached[name].mean()) for name in ("gas_g", "theory_g", "dissolved_g"))
    none = percent((1 - reached["gas_g"] / reached["theory_g"]).mean())
    ends = between(100 * low, 100 * high, "%")
    told = "fizz_spent_before" if low > 0 else "more_gas_came" if high < 0 else "fizz_spent"
    said = say(told, ends=ends, mean=percent(mean), more=percent(-mean))
    said += say("piece_gave", gas=gas, theory=theory, held=held, none=none)
    row = {"estimate": mean, "conf_low": low, "conf_high": high}
    return words.numbers_of("gas_reached.spent", said, row, "share", batches=len(reached))


def _cups(done: Analysis, curves: GasCurves) -> Pieces:
    """The curve of each weighed piece, drawn and as a table."""
    labels = drawn_apart(done.trial.batches(), done.terms)[0]
    readings, lines, rows = list[pd.DataFrame](), list[pd.DataFrame](), list[dict[str, str]]()
    for row, fit in zip(curves.pieces.to_dict("records"), curves.fits, strict=True):
        run, piece, level = str(row["run"]), str(row["piece"]), str(labels[row["run"]])
        who = {"cup": say("piece_of_batch", piece=piece, run=run), "level": level}
        grid = np.linspace(0, float(fit.readings["seconds"].max()), 60)
        readings.append(fit.readings.assign(**who))
        lines.append(pd.DataFrame({"seconds": grid, "gas_g": fit.gas_at(grid)}).assign(**who))
        grams = fit.estimates.loc[["gas_g"]].to_numpy(float).ravel()
        gas, low, high = (number(each, 3) for each in grams.tolist())
        cells = {"batch": run, "piece": piece, "drawn as": level, "water": f"{row['water_c']:.1f} °C"}
        cells |= {"gas": f"{gas} g ({words.from_to(low, high)})", "half out": amount(row["t50_s"], "s")}
        cells["nine tenths out"] = amount(row["t90_s"], "s") + ("" if fit.plateau_seen else say("guessed"))
        rows.append(cells | {"at first, g a minute": number(60 * row["start_g_s"])})
    least, most = curves.pieces.min(numeric_only=True), curves.pieces.max(numeric_only=True)
    step, order = max(fit.step_g for fit in curves.fits), list(labels.cat.categories)
    gas, half = (between(least[name], most[name], unit) for name, unit in (("gas_g", "g"), ("t50_s", "s")))
    points, drawn = (pd.concat(each, ignore_index=True) for each in (readings, lines))
    alt = say("rising_curves", pieces=len(curves.fits), gas=gas, half=half)
    picture = Picture("fizz-curves", gas_curves(points, drawn, order, step), say("above_gas"), alt)
    return [picture, Grid(pd.DataFrame(rows), say("weighed_cups"), method=True)]


def _where(storage: str) -> str:
    """A storage in a sentence."""
    where = "storage" if storage == "all" else "at_humidity" if "%" in storage else "where_no_humidity"
    return say(where, storage=storage)


def _loss(fit: ShelfFit, row: Mapping[Any, Any]) -> Finding:
    """How long the fizz lasts in one storage."""
    left, place, ends = percent(fit.share), _where(row["storage"]), (row["weeks_low"], row["weeks_high"])
    rates = [row[rate] for rate in ("per_week", "conf_low", "conf_high")]
    lost, low, high = (number(100 * (1 - np.exp(-rate))) for rate in rates)
    if row["conf_low"] > 0:
        told = {"place": capital(place), "lost": lost, "low": low, "high": high, "left": left}
        told |= zip(("weeks", "least", "most"), map(number, (row["weeks"], *ends)), strict=True)
        said = say("pieces_lose", **told) + (say("longer_than") if row["extrapolated"] else "")
    elif row["conf_high"] < 0:
        said = say("pieces_seem", place=capital(place))
    elif np.isfinite(ends[0]):
        said = say("loss_fizz_open", place=place, left=left, least=number(ends[0]))
    else:
        said = say("loss_fizz", place=place)
    numbers = {**row, "estimate": row["weeks"], "conf_low": ends[0], "conf_high": ends[1]}
    return words.numbers_of(f"shelf.weeks[{row['storage']}]", said, numbers, "weeks")


def _humidity(fit: ShelfFit) -> Iterator[Finding]:
    """What humidity does in storage."""
    for effect in fit.effects:
        size, low, high = (number(100 * end) for end in (effect.estimate, effect.conf_low, effect.conf_high))
        told = "weekly_loss_changes" if effect.shown else "what_humidity"
        said = say(told, size=size, low=low, high=high)
        yield words.numbers_of("shelf.humidity", said, vars(effect), "1/week")


def _storage(fit: ShelfFit) -> Picture:
    """Fizz left against weeks."""
    said = [f"{row['storage']} {percent(row['estimate'])}" for row in fit.predict().to_dict("records")]
    with house_style():
        figure, axes = new_figure(height=3.7)
        fit.plot(axes)
    alt = say("fizz_left", last_week=fit.last_week, said=listed(said))
    return Picture("shelf-life", figure, say("each_mark"), alt)


def doubts(study: FizzStudy) -> Iterator[str]:
    """What could not be answered and why, and what to mind about single pieces."""
    for name, times in study.times.items():
        low, high = times.tried_c
        if times.water is None:
            yield say("all_water", spread=LEAST_SPREAD_C)
        if times.extrapolated:
            yield say("water_c_not", bath_c=times.bath_c, low=low, high=high)
        if times.never:
            yield say("no_piece_batch", never=listed(times.never))
        if name == "fizz_s" and times.unfinished:
            yield say("still_fizzed", many=say("n_pieces", n=times.unfinished))
    if study.curves is not None:
        yield from _about_cups(study.curves)
        if study.reached is None and "gas_pct" not in study.reasons:
            yield say("what_recipe")
    if study.no_shelf is not None:
        yield say("how_fast_stored", why=study.no_shelf)
    if study.shelf is not None:
        yield say(HOME_STORAGE)
        for name in study.shelf.storages[study.shelf.storages["bend_p"] < 0.05]["storage"]:
            yield say("loss_did_not", where=_where(name))
        if study.shelf.no_humidity is not None:
            yield say("what_humidity_does", why=study.shelf.no_humidity)


def _about_cups(curves: GasCurves) -> Iterator[str]:
    """Cups without a curve, jumps that were taken off, and cups to trust less."""
    for run, piece, why in curves.not_fitted.itertuples(index=False):
        yield say("piece_has", piece=piece, run=run, why=why)
    who = zip(curves.pieces["piece"], curves.pieces["run"], strict=True)
    names = [say("piece_of_batch", piece=piece, run=run) for piece, run in who]
    for name, fit in zip(names, curves.fits, strict=True):
        for jump in fit.jumps:
            more = {"at": amount(jump.seconds, "s"), "grams": number(abs(jump.change_g))}
            yield say(JUMPS[jump.kind], name=name, **more)
    for flag, told in CUPS.items():
        some = [name for name, fit in zip(names, curves.fits, strict=True) if not getattr(fit, flag)]
        if some:
            shown = some if len(some) <= 4 else [*some[:3], say("so_many_more", n=len(some) - 3)]
            yield say(told, pieces=listed(shown))


def _assumed(done: Analysis, study: FizzStudy) -> list[str]:
    """What had to be assumed of the recipe."""
    if study.reached is None or done.settings.fizz.theory_g is not None:
        return []
    loose = [span for span in theory_spans(done.trial).values() if not span.is_exact]
    ends = map(number, (min(s.low for s in loose), max(s.high for s in loose))) if loose else ()
    return [say("soda_acid", ends=words.from_to(*ends))] if loose else []
