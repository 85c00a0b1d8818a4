"""What every report says of every measure: what changed, the typical values, and how that was worked out."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import suppress
from functools import partial
from itertools import combinations
from math import isfinite
from typing import Any

import numpy as np
import pandas as pd

from fizzlab.errors import CannotAnswer
from fizzlab.measures import Measure
from fizzlab.models.comparisons import compare
from fizzlab.models.curing import CuringFit
from fizzlab.models.effects import ResponseFit
from fizzlab.models.surfaces import bend, best, fit_mixture
from fizzlab.models.terms import Amount, Category, Term, level_name
from fizzlab.report import phrases as words
from fizzlab.report.analysis import SHOWN_P, Analysis, at_levels, by_levels
from fizzlab.report.figures.panels import Panel, factor_panels
from fizzlab.report.page import Finding, Findings, Grid, Notes, Picture
from fizzlab.report.parts.crumble import Levels, more_levels
from fizzlab.report.parts.general import Pieces, caution, is_blend, standing
from fizzlab.report.phrases import capital, listed, number

#: From so many comparisons on, chance is likelier than 1 in 3 to show one.
FEW_LINES = 8

#: Topics of typical values that have names of their own in findings.json.
TOPICS = {
    "tumble_loss_pct": "crumble.loss.level",
    "drop_cm": "crumble.drop.median",
    "score": "crumble.score.level",
    "fizz_s": "fizz_time.typical",
    "half_out_s": "gas_half.typical",
    "colour_s": "colour_time.typical",
}

Told = tuple[bool, Finding]


@standing
def what_changed(done: Analysis) -> Pieces:
    """What each factor was shown to do: sentences and a picture a factor."""
    settings = done.trial.settings
    if not settings.terms():
        return []
    open_ = [words.spoken(each, settings) for each in (*done.notes, *_not_compared(done))]
    if not done.effects:
        return ["## What changed", caution(open_ or ["Nothing was measured."])]
    pieces: Pieces = ["## What changed"]
    if is_blend(done.trial):
        pieces.append("The amounts add up to a total: more of one leaves less room for the others.")
    for term in done.terms:
        pieces += _of_factor(done, term)
    depends = [finding for shown, finding in _joint(done) if shown]
    if depends:
        pieces += ["### One change depends on another", Findings(depends)]
    return [*pieces, caution([*by_chance(done), *_by_days(done), *open_])]


def _of_factor(done: Analysis, term: Term) -> Pieces:
    label, measures = done.trial.settings.label, done.trial.settings.measures()
    effects = done.of(term.name)
    if not effects:
        return []
    of = [(each, measures[each.response]) for each in effects]
    found = [words.of_effect(*each, words.sentence(*each, label)) for each in of]
    told = [f.sentence for e, f in zip(effects, found, strict=True) if (e.shown or e.same) and not e.exact]
    return [
        f"### {capital(label(term.name))}",
        Notes(told or ["Nothing is clear yet; the table above says what is possible."], "answer"),
        Findings(found, kind="silent"),
        _picture(done, term),
    ]


def _picture(done: Analysis, term: Term) -> Picture | None:
    """A panel a response that has forecasts: every batch, all else made equal, and the typical ones."""
    panels, told = [], []
    for response in done.responses:
        fit, measure = done.fits[response], done.trial.settings.measure(response)
        own = next((each for each in fit.terms if each.name == term.name and fit.of(each.name)), None)
        with suppress(CannotAnswer):
            if own is not None:
                means, points = at_levels(fit, own), fit.points(term.name)
                made = fit.batches[term.name].reindex(points.index)
                names = [level_name(own, value) for value in made]
                if isinstance(own, Amount):  # beside the nearest amount that is shown
                    near = np.abs(np.subtract.outer(made.to_numpy(float), means["value"].to_numpy(float)))
                    names = means["level"].to_numpy()[near.argmin(axis=1)].tolist()
                table = pd.DataFrame({"level": names, "value": points.to_numpy()})
                title = capital(measure.titled).replace(", ", ",\u00a0")
                panels.append(Panel(title, means, table, measure.scale == "ratio"))
                told.append(capital(measure.titled))
    if not panels:
        return None
    return Picture(
        f"changed-{term.name}",
        factor_panels(panels),
        "Large marks: the typical batch, with its 95 % interval. Small marks: the batches, all else made equal.",
        f"A panel by {done.trial.settings.label(term.name)} for each of: {'; '.join(told)}.",
    )


def by_chance(done: Analysis) -> list[str]:
    """How many of the comparisons chance alone would show, where there are enough to mislead."""
    measured = [effect for effect in done.effects if not effect.exact]
    if len(measured) < FEW_LINES:
        return []
    shown = sum(effect.shown for effect in measured)
    expected = max(round(sum(1 - effect.conf_level for effect in measured)), 1)
    told = f"{shown} of {len(measured)} comparisons show a difference; chance alone would show about "
    return [f"{told}{expected}. Make one again that you did not look for."]


def _by_days(done: Analysis) -> list[str]:
    """Which factors only more days tell more about."""
    names = [n for n in done.whole_day if any(effect.judged_by == "days" for effect in done.of(n))]
    whole = listed([done.trial.settings.label(name) for name in names])
    told = f"{capital(whole)}: the same all day, so more days tell more, more batches a day do not."
    return [told] if names else []


def _not_compared(done: Analysis) -> Iterator[str]:
    """What was measured and could not be compared, and what would help."""
    settings = done.trial.settings
    for key, reason in done.reasons.items():
        name, _, factor = key.partition(", ")
        if factor or name not in done.responses:
            by = f" by {settings.label(factor)}" if factor else ""
            yield f"{capital(settings.measure(name).label)}{by} is not compared. {reason}"


@standing
def typical_values(done: Analysis) -> Pieces:
    """What the typical batch gives at each level of each factor: one table of every measure."""
    settings, findings, cells = done.trial.settings, list[Finding](), dict[str, dict[str, str]]()
    tables: dict[str, Levels] = {}
    for response, fit in done.fits.items():
        measure, topic = settings.measure(response), TOPICS.get(response, f"typical.{response}")
        with suppress(CannotAnswer):
            df = getattr(fit, "df", None)
            tables[response] = (topic, measure.label, measure.unit, by_levels(fit).assign(df=df))
    for topic, label, unit, table in (tables | more_levels(done)).values():
        seen = set[str]()
        for row in table.to_dict("records"):
            name, told = str(row["level"]), words.estimate(row, unit)
            where = f"{settings.label(row['factor'])} {name}" if row["factor"] else name
            place = name if name not in seen else f"{row['factor']}={name}"
            seen.add(name)
            if row["factor"] or len(table) == 1:
                cells.setdefault(where, {})[capital(label)] = told
            more = {"batches": int(row["n_batches"]), "df": row.get("df")}
            said = f"{capital(label)}, {where}: {told}."
            findings.append(words.numbers_of(f"{topic}[{place}]", said, row, unit, **more))
    told = "The typical batch with its 95 % interval, the other factors averaged (for dry times: at their control)"
    grid = Grid(words.wide(cells, "measure", "with"), told)
    return ["### Typical values", Findings(findings, "silent"), grid] if cells else []


@standing
def in_detail(done: Analysis) -> Pieces:
    """All pairs, joint effects, bends and best points, odd batches."""
    settings = done.trial.settings
    if not settings.terms() or not done.effects:
        return []
    told = [*_joint(done), *_shape(done)]
    shown = [f for sign, f in told if sign and not f.topic.startswith("joint")]
    quiet = [finding for sign, finding in told if not sign]
    loud = {f.topic.split(".")[1] for sign, f in told if sign}
    still = [name for name in dict.fromkeys(f.topic.split(".")[1] for f in quiet) if name not in loud]
    doubts = [
        f"{capital(settings.measure(name).label)}. {words.spoken(says, settings)}"
        for name, fit in done.fits.items()
        for says in (fit.diagnose()["says"] if isinstance(fit, ResponseFit) and fit.effects else ())
    ]
    pieces: Pieces = []
    if shown:
        pieces += ["### Bends, best points and shares", Findings(shown, kind="plain")]
    if quiet:
        pieces.append(Findings(quiet, kind="silent"))
    if still:
        names = listed([settings.measure(name).label for name in still])
        pieces.append(Notes([f"No sign of a bend, or that one change depends on another, in {names}."]))
    if doubts:
        pieces += ["### Worth a second look", caution(doubts)]
    return ["## In detail", *pieces] if any(not isinstance(each, Findings) for each in pieces) else pieces


def _pairs(done: Analysis) -> Pieces:
    """Every level against every other, of factors with three or more."""
    settings, cells = done.trial.settings, dict[str, dict[str, str]]()
    for response, term in dict.fromkeys((effect.response, effect.term) for effect in done.effects):
        fit, rows, measure = done.fits[response], list[Mapping[Any, Any]](), settings.measure(response)
        if not isinstance(term, Category) or len(term.levels) < 3:
            continue
        if isinstance(fit, CuringFit):
            rows = [vars(fit.compare(term, to, start)) for start, to in combinations(term.levels, 2)]
        elif isinstance(fit, ResponseFit):
            rows = [*compare(fit, term.name, "pairs").to_dict("records")]
        cell = partial(words.row_cell, response=response, term=term, measure=measure)
        told = {f"{row['level']} against {row['control']}": cell(row) for row in rows}
        if told:
            cells[capital(measure.label)] = cells.get(capital(measure.label), {}) | told
    how = "Every way against every other: all 95 % intervals of a response hold together (of dry times, each by itself)"
    return [Grid(words.wide(cells, "compared", "response"), how)] if cells else []


def _chance(p: float) -> str:
    return f"chance alone shows as much in {words.of_hundred(p)} trials"


def _joint(done: Analysis) -> Iterator[Told]:
    """Whether what one factor does depends on another, and whether an amount bends: was it shown, and how."""
    settings = done.trial.settings
    for response, plain in done.fits.items():
        fit = done.joint.get(response, plain)
        if not isinstance(fit, ResponseFit):
            continue
        measure = settings.measure(response)
        for name, row in fit.tests.iterrows():
            one, _, two = str(name).removesuffix("^2").partition(":")
            if not two and not str(name).endswith("^2"):
                continue
            shown = bool(row["p_value"] < SHOWN_P)
            told = f"{settings.label(one)}'s effect on {measure.label} bends"
            if two:
                told = f"{settings.label(one)}'s effect on {measure.label} depends on {settings.label(two)}"
            said = f"{capital(told)} ({_chance(row['p_value'])})." if shown else f"No sign that {told}."
            said += _apart(fit, one, two, measure) if shown and two else ""
            topic, df = f"joint.{response}.{name}", float(row["df_den"])
            yield shown, Finding(topic, said, df=df, batches=fit.n_batches)


def _apart(fit: ResponseFit, one: str, two: str, measure: Measure) -> str:
    """What the first factor does at each level of the second."""
    terms = {term.name: term for term in fit.terms}
    first, second = terms[one], terms[two]
    if not (isinstance(first, Category) and isinstance(second, Category)):
        return ""
    parts = [
        f"with {level}, {row['level']} against {row['control']}: "
        f"{words.row_cell(row, fit.response, first, measure)}"
        for level in second.levels
        for row in compare(fit, one, at={two: level}).to_dict("records")
    ]
    return f" {capital('; '.join(parts))}."


def _shape(done: Analysis) -> Iterator[Told]:
    """Bends, best points and shares of a mixture."""
    for response, fit in done.fits.items():
        if not isinstance(fit, ResponseFit) or not fit.effects:
            continue
        measure = done.trial.settings.measure(response)
        amounts = {f.name for f in fit.terms if isinstance(f, Amount)}
        bends = {term.removesuffix("^2") for term in fit.basis.terms if term.endswith("^2")}
        with suppress(CannotAnswer):
            if amounts and bends >= amounts:
                yield _best(done, fit, measure)
            elif amounts and not bends:
                yield _bend(bend(fit), fit, measure)
    yield from _mixtures(done)


def _bend(found: Mapping[str, float], fit: ResponseFit, measure: Measure) -> Told:
    """Whether the middle of the amounts lies where a straight line between their ends would put it."""
    row, unit, shown = _back(found, fit.log), "ratio" if fit.log else measure.unit, found["p_value"] < SHOWN_P
    told = [f"{(v - 1) * 100:+.0f} %" if fit.log else f"{words.signed(v)} {unit}" for v in row.values()]
    size = f"batches in the middle lie {told[0]} off the straight line ({told[1]} to {told[2]})"
    said = f"No sign that {measure.label} bends: {size}."
    if shown:
        said = f"{capital(measure.label)} bends: {size}. Do not read off amounts in between."
    more = {"df": found["df"], "batches": fit.n_batches}
    return shown, words.numbers_of(f"bend.{fit.response}", said, row, unit, **more)


def _best(done: Analysis, fit: ResponseFit, measure: Measure) -> Told:
    """At which of the amounts tried a response is greatest or least, and between which that lies."""
    settings, terms, places = done.trial.settings, {term.name: term for term in fit.terms}, list[str]()
    asked = settings.responses.get(fit.response)
    found = best(fit, greatest={"more": True, "less": False}.get((asked and asked.want) or ""))
    for name, amount in found.point.items():
        said, ends = f"{level_name(terms[name], amount)} of {settings.label(name)}", found.ends[name]
        if found.inside:
            whole = np.allclose(ends, (fit.batches[name].min(), fit.batches[name].max()))
            low, high = (level_name(terms[name], end) for end in ends)
            said += " (any tried is possible)" if whole else f" ({low} to {high})"
        places.append(said)
    row = _back(vars(found), fit.log)
    way, size = "greatest" if found.greatest else "least", words.estimate(row, measure.unit)
    where = listed(places) if found.inside else f"the edge of what was tried, {listed(places)}"
    told = f"{capital(measure.label)} is {way} at {where}: {size}.{'' if found.inside else ' Try past that edge.'}"
    return True, words.numbers_of(f"best.{fit.response}", told, row, measure.unit, batches=fit.n_batches)


def _back(found: Mapping[str, float], log: bool) -> dict[str, float]:
    """Estimate, conf_low, conf_high, from the scale of the fit."""
    ends = {name: float(found[name]) for name in ("estimate", "conf_low", "conf_high")}
    return {name: float(np.exp(end)) for name, end in ends.items()} if log else ends


def _mixtures(done: Analysis) -> Iterator[Told]:
    """What more of each part does while the others keep their proportions, where the plan is a mixture."""
    settings = done.trial.settings
    parts = [term for term in settings.terms() if isinstance(term, Amount)]
    if not is_blend(done.trial) or settings.plan is None or len(parts) < 2:
        return
    for response in done.numbers:
        measure = settings.measure(response)
        for blending in (settings.plan.blending or "quadratic", "linear"):
            with suppress(CannotAnswer):
                log = measure.scale == "ratio"
                fit = fit_mixture(done.batches, response, parts, blending=blending, log=log)
                for each in fit.effects:
                    said = words.sentence(each, measure, settings.label)
                    yield True, words.of_effect(each, measure, said, f"share.{response}.{each.factor}")
                break


@standing
def worked_out(done: Analysis) -> Pieces:
    """What each fit rests on, how it was fitted, and how much pieces, batches and days differ by chance."""
    rows, reasons = list[dict[str, str]](), list[str]()
    for name, fit in done.fits.items():
        row = {"response": capital(done.trial.settings.measure(name).label), "batches": str(fit.n_batches)}
        chance: dict[str, float] = {}
        if isinstance(fit, ResponseFit):
            reasons.append(fit.structure.reason)
            row |= {"days": str(fit.n_days), "fitted as": "logarithm, REML" if fit.log else "it is, REML"}
            chance = {str(source).removeprefix("between "): sd for source, sd in fit.spread["sd"].items()}
        elif isinstance(fit, CuringFit):
            row |= {"days": str(fit.n_days or "–"), "fitted as": "logarithm, brackets"}
            chance = {"pieces": fit.sigma, "batches": fit.tau, "days": fit.delta}
        elif hasattr(fit, "spread"):
            row |= {"days": "–", "fitted as": "logarithm, probit"}
            chance = {"pieces": fit.spread}
        else:
            continue
        known = {f"sd of {source}": sd for source, sd in chance.items() if isfinite(sd)}
        rows.append(row | {name: number(sd) if sd > 1e-6 else "none seen" for name, sd in known.items()})
    if not rows:
        return []
    said = "Formulas and sources stand in docs/methods of fizzlab. "
    told = "What each rests on; sd: spread by chance, on the scale fitted"
    table = Grid(pd.DataFrame(rows).fillna(""), told)
    return ["## How this was worked out", said + " ".join(dict.fromkeys(reasons)), table, *_pairs(done)]
