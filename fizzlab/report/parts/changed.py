"""What every report says of every measure: what changed, the typical values, and how that was worked out."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import suppress
from functools import partial
from itertools import combinations
from math import isfinite
from typing import Any

import numpy as np
import pandas as pd

from fizzlab.errors import CannotAnswer
from fizzlab.language import listed, say, wording
from fizzlab.measures import Measure
from fizzlab.models.comparisons import compare
from fizzlab.models.crumble import BROKEN
from fizzlab.models.curing import CuringFit
from fizzlab.models.effects import ResponseFit
from fizzlab.models.result import ENDS, Effect
from fizzlab.models.surfaces import bend, best, fit_mixture
from fizzlab.models.terms import Amount, Category, level_name
from fizzlab.report import phrases as words
from fizzlab.report.analysis import SHOWN_P, Analysis, at_levels, by_levels, possible
from fizzlab.report.figures import Panel, factor_panels
from fizzlab.report.page import Finding, Findings, Grid, Notes, Picture, parted
from fizzlab.report.parts.choose import Voice
from fizzlab.report.parts.crumble import Levels, crumble, more_levels
from fizzlab.report.parts.drying import by_weight, drying
from fizzlab.report.parts.fizz import fizz
from fizzlab.report.parts.front import pictured as pictured_on_front
from fizzlab.report.parts.general import Pieces, caution, is_blend, standing
from fizzlab.report.phrases import capital, number
from fizzlab.trial.settings import TrialSettings

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

#: What differs by chance, as the tables of what a fit rests on have it.
SOURCES = ("pieces", "batches", "days")

Told = tuple[bool, Finding]

#: The parts of a report by the section of trial.toml that their measures share: title, and what else they tell.
SUBJECTS: dict[str, tuple[str, tuple[Callable[[Analysis], Pieces], ...]]] = {
    "drying": ("how_soon_pieces", (drying, by_weight)),
    "crumble": ("crumbling", (crumble,)),
    "fizz": ("title_fizz", (fizz,)),
    "": ("what_else", ()),
}


@standing
def subject(done: Analysis, section: str) -> Pieces:
    """One part: what every factor did to its measures, what else its tests tell, and how that was worked out."""
    title, more = SUBJECTS[section]
    each = [compared(done, section), *(tell(done) for tell in more), in_detail(done, section)]
    told = [piece for pieces in each for piece in pieces if piece is not None]
    return [f"## {say(title)}", *parted(told, worked_out(done, section)[1:])] if told else []


@standing
def what_changed(done: Analysis) -> Pieces:
    """What holds for all comparisons together."""
    settings = done.settings
    if not settings.terms():
        return []
    said = by_chance(done)
    notes = [words.spoken(each, settings) for each in done.notes]
    notes += [] if done.effects or done.reasons else [say("nothing_was_measured")]
    notes += [say("amounts_add")] if is_blend(done.trial) else []
    said, notes = (said, notes) if said else (notes[:1], notes[1:])
    return [say("what_changed"), Notes(said, "answer"), caution(notes)] if said else []


def _within(done: Analysis, section: str | None) -> list[str]:
    """The responses of one section of trial.toml, or all."""
    return [n for n, each in done.settings.measures().items() if section in (None, each.section)]


@standing
def compared(done: Analysis, section: str | None = None) -> Pieces:
    """What every factor did to the measures of a section: in short, in a table, in a picture."""
    settings, mine = done.settings, _within(done, section)
    effects, found = [each for each in done.effects if each.response in mine], list[Finding]()
    cells: dict[str, dict[str, str]] = {}
    for each in effects:
        measure = settings.measure(each.response)
        found.append(words.of_effect(each, measure, words.sentence(each, measure, settings.label)))
        change = capital(words.against(each, settings.label))
        cells.setdefault(capital(measure.label), {})[change] = words.cell_in_short(each, measure)
    depends = [finding for shown, finding in _joint(done, mine) if shown]
    open_ = [words.spoken(each, settings) for each in _not_compared(done, mine)]
    if not effects:
        return [caution(open_)]
    return [
        Notes(_in_short(settings, effects), "answer"),
        Findings(found, "silent"),
        Grid(words.wide(cells, "change (95 % interval)", "measure")),
        _picture(done, section),
        Findings(depends, "plain") if depends else None,
        caution(open_),
    ]


def _in_short(settings: TrialSettings, effects: Sequence[Effect]) -> list[str]:
    """Which changes are clear, and which are as good as none; no numbers, since the table has them."""
    found, label = dict[tuple[str, str], list[str]](), settings.label
    for each in (each for each in effects if each.shown or each.same):
        way, who = "equal_with" if each.same else "clear_with", words.with_name(each, each.level, label)
        found.setdefault((way, who), []).append(settings.measure(each.response).label)
    alike = dict[tuple[str, str], list[str]]()
    for (way, who), what in sorted(found.items(), key=lambda item: item[0][0] != "clear_with"):
        alike.setdefault((way, listed(what)), []).append(who)
    said = [say(way, who=listed(who), what=what) for (way, what), who in alike.items()]
    return [" ".join(said) or say("cant_tell_changes")]


def _picture(done: Analysis, section: str | None) -> Picture | None:
    """A panel a response that has forecasts: every batch, all else made equal, and the typical ones."""
    panels, pictured, voice = list[Panel](), pictured_on_front(done), Voice(done.terms, done.settings)
    for response in _within(done, section):
        fit, measure = done.fits.get(response), done.settings.measure(response)
        if fit is None or not fit.effects or (response == pictured and len(fit.terms) == 1):
            continue
        means, batches = list[pd.DataFrame](), list[pd.DataFrame]()
        with suppress(CannotAnswer):
            for term in (each for each in fit.terms if fit.of(each.name)):
                rows = possible(at_levels(fit, term), measure).set_index("level", drop=False)
                if response == BROKEN:  # as its table says it, of the levels that were made
                    shares = more_levels(done)[BROKEN][-1].set_index(["factor", "level"]).loc[term.name]
                    if rows.index.isin(shares.index).all():
                        rows.update(shares[[*ENDS]])
                points = fit.points(term.name).clip(measure.low, measure.high)
                named = partial(level_name if len(done.terms) == 1 else voice.part, term)
                rows["level"] = rows["value"].map(named)
                made = fit.batches[term.name].reindex(points.index)
                if isinstance(term, Amount):  # beside the nearest amount that is shown
                    near = np.abs(np.subtract.outer(made.to_numpy(float), rows["value"].to_numpy(float)))
                    made = rows["value"].to_numpy()[near.argmin(axis=1)]
                means.append(rows)
                batches.append(pd.DataFrame({"level": [*map(named, made)], "value": points.to_numpy()}))
        if means:
            of, log = (pd.concat(means), pd.concat(batches)), measure.scale == "ratio"
            panels.append(Panel(capital(measure.titled), *of, log))
    if not panels:
        return None
    alt = say("panel_each", responses="; ".join(panel.title for panel in panels))
    return Picture(f"changed-{section or 'other'}", factor_panels(panels), say("large_typical"), alt)


def by_chance(done: Analysis) -> list[str]:
    """How many of the comparisons chance alone would show, where there are enough to mislead."""
    measured = [effect for effect in done.effects if not effect.exact]
    if len(measured) < FEW_LINES:
        return []
    shown = sum(effect.shown for effect in measured)
    expected = max(round(sum(1 - effect.conf_level for effect in measured)), 1)
    return [say("comparisons_show", shown=shown, measured=len(measured), expected=expected)]


def _not_compared(done: Analysis, mine: Sequence[str]) -> Iterator[str]:
    """What was measured and could not be compared, and what would help."""
    settings = done.settings
    for key, reason in done.reasons.items():
        name, _, factor = key.partition(", ")
        if name in mine and (factor or name not in done.responses):
            by = say("by_factor", label=settings.label(factor)) if factor else ""
            yield say("not_compared", label=capital(settings.measure(name).label), by=by, reason=reason)


@standing
def typical_values(done: Analysis, section: str | None = None) -> Pieces:
    """What the typical batch gives at each level of each factor: one table of the measures of a section."""
    settings, findings, cells = done.settings, list[Finding](), dict[str, dict[str, str]]()
    tables, mine = dict[str, Levels](), _within(done, section)
    for response, fit in ((name, fit) for name, fit in done.fits.items() if name in mine):
        measure, topic = settings.measure(response), TOPICS.get(response, f"typical.{response}")
        with suppress(CannotAnswer):
            table = possible(by_levels(fit), measure).assign(df=getattr(fit, "df", None))
            tables[response] = (topic, measure.label, measure.unit, table)
    tables |= more_levels(done) if section in (None, "crumble") else {}
    for topic, label, unit, table in tables.values():
        seen = set[str]()
        for row in table.to_dict("records"):
            name, told = str(row["level"]), words.estimate(row, unit)
            where = f"{settings.label(row['factor'])} {name}" if row["factor"] else name
            place = name if name not in seen else f"{row['factor']}={name}"
            seen.add(name)
            if row["factor"] or len(table) == 1:
                cells.setdefault(where, {})[capital(label)] = told
            said = f"{capital(label)}, {where}: {told}."
            findings.append(words.numbers_of(f"{topic}[{place}]", said, row, unit))
    grid = Grid(words.wide(cells, "measure", "with"), say("typical_batch"))
    return [Findings(findings, "silent"), grid] if cells else []


@standing
def in_detail(done: Analysis, section: str | None = None) -> Pieces:
    """Bends, best points and shares, where no change depends on another, and odd batches."""
    settings, mine = done.settings, _within(done, section)
    if not settings.terms() or not done.effects:
        return []
    told = [*_joint(done, mine), *_shape(done, mine)]
    shown = [f for sign, f in told if sign and not f.topic.startswith("joint")]
    quiet = [finding for sign, finding in told if not sign]
    loud = {f.topic.split(".")[1] for sign, f in told if sign}
    calm = dict.fromkeys(f.topic.split(".")[1] for f in quiet)
    still = [settings.measure(name).label for name in calm if name not in loud]
    doubts = [
        f"{capital(settings.measure(name).label)}. {words.spoken(says, settings)}"
        for name, fit in done.fits.items()
        for says in (fit.diagnose()["says"] if isinstance(fit, ResponseFit) and fit.effects else ())
        if name in mine
    ]
    return [
        Findings(shown, "plain") if shown else None,
        Findings(quiet, "silent") if quiet else None,
        Notes([say("no_sign_bend", names=listed(still))], method=True) if still else None,
        caution(doubts),
    ]


def _pairs(done: Analysis, mine: Sequence[str]) -> Pieces:
    """Every level against every other, of factors with three or more."""
    cells = dict[str, dict[str, str]]()
    for response, term in dict.fromkeys((effect.response, effect.term) for effect in done.effects):
        fit, measure = done.fits[response], done.settings.measure(response)
        if response not in mine or not isinstance(term, Category) or len(term.levels) < 3:
            continue
        if isinstance(fit, ResponseFit | CuringFit):
            cells.setdefault(capital(measure.label), {}).update(_against(fit, term, measure))
    return [Grid(words.wide(cells, "compared", "response"), say("every_way"))] if cells else []


def _against(
    fit: ResponseFit | CuringFit, term: Category, measure: Measure, at: Mapping[str, Any] | None = None
) -> Iterator[tuple[str, str]]:
    """Each level against the control at a level of another factor, or, without one, against each other."""
    if isinstance(fit, CuringFit):
        pairs = combinations(term.levels, 2) if at is None else ((term.control, to) for to in term.others)
        rows: Sequence[Mapping[Any, Any]] = [vars(fit.compare(term, to, start, at=at)) for start, to in pairs]
    else:
        rows = compare(fit, term.name, "pairs" if at is None else "control", at=at).to_dict("records")
    for row in rows:
        pair = say("level_against_control", level=row["level"], control=row["control"])
        yield pair, words.row_cell(row, fit.response, term, measure)


def _joint(done: Analysis, mine: Sequence[str]) -> Iterator[Told]:
    """Whether what one factor does depends on another, and whether an amount bends: was it shown, and how."""
    settings = done.settings
    for response, plain in done.fits.items():
        fit = done.joint.get(response, plain)
        if response not in mine or not isinstance(fit, ResponseFit | CuringFit):
            continue
        measure = settings.measure(response)
        for name, row in fit.tests.iterrows():
            one, _, two = str(name).removesuffix("^2").partition(":")
            if not two and not str(name).endswith("^2"):
                continue
            shown = bool(row["p_value"] < SHOWN_P)
            about = {"factor": settings.label(one), "response": measure.label, "other": settings.label(two)}
            told = say("effect_depends" if two else "effect_bends", **about)
            said = f"{capital(told)}." if shown else say("no_sign", told=told)
            said += _apart(fit, one, two, measure) if shown and two else ""
            topic, df = f"joint.{response}.{name}", float(row["df_den"])
            yield shown, Finding(topic, said, df=df, batches=fit.n_batches)


def _apart(fit: ResponseFit | CuringFit, one: str, two: str, measure: Measure) -> str:
    """What the first factor does at each level of the second."""
    terms = {term.name: term for term in fit.terms}
    first, second = terms[one], terms[two]
    if not (isinstance(first, Category) and isinstance(second, Category)):
        return ""
    told = dict[str, list[str]]()
    for level in second.levels:
        for change, cell in _against(fit, first, measure, at={two: level}):
            told.setdefault(change, []).append(say("with_level", level=level, cell=cell))
    return "".join(f" {capital(change)}: {'; '.join(each)}." for change, each in told.items())


def _shape(done: Analysis, mine: Sequence[str]) -> Iterator[Told]:
    """Bends, best points and shares of a mixture."""
    for response, fit in done.fits.items():
        if response not in mine or not isinstance(fit, ResponseFit | CuringFit) or not fit.effects:
            continue
        measure = done.settings.measure(response)
        if isinstance(fit, CuringFit):  # its bends stand among the joint effects, if any could be told
            fit = done.joint.get(response, fit)
        amounts = {f.name for f in fit.terms if isinstance(f, Amount)}
        bends = {term.removesuffix("^2") for term in fit.basis.terms if term.endswith("^2")}
        with suppress(CannotAnswer):
            if amounts and bends >= amounts and (fit is done.fits[response] or done.depends(response)):
                yield _best(done, fit, measure)
            elif amounts and not bends:
                yield _bend(bend(fit), fit, measure)
    yield from _mixtures(done, mine)


def _bend(found: Mapping[str, float], fit: ResponseFit | CuringFit, measure: Measure) -> Told:
    """Whether the middle of the amounts lies where a straight line between their ends would put it."""
    row, unit, shown = _back(found, fit.log), "ratio" if fit.log else measure.unit, found["p_value"] < SHOWN_P
    told = [f"{(v - 1) * 100:+.0f} %" if fit.log else f"{words.signed(v)} {unit}" for v in row.values()]
    size = say("batches_middle", off=told[0], low=told[1], high=told[2])
    label = capital(measure.label) if shown else measure.label
    said = say("bends_do_not" if shown else "no_sign_bends", label=label, size=size)
    more = {"df": found["df"], "batches": fit.n_batches}
    return shown, words.numbers_of(f"bend.{fit.response}", said, row, unit, **more)


def _best(done: Analysis, fit: ResponseFit | CuringFit, measure: Measure) -> Told:
    """At which of the amounts tried a response is greatest or least, and between which that lies."""
    settings, terms, places = done.settings, {term.name: term for term in fit.terms}, list[str]()
    asked = settings.responses.get(fit.response)
    found = best(fit, greatest={"more": True, "less": False}.get((asked and asked.want) or ""))
    for name, amount in found.point.items():
        ends = found.ends[name]
        said = say("amount_of", level=level_name(terms[name], amount), label=settings.label(name))
        if found.inside:
            whole = np.allclose(ends, (fit.batches[name].min(), fit.batches[name].max()))
            low, high = (level_name(terms[name], end) for end in ends)
            said += say("any_tried") if whole else f" ({words.from_to(low, high)})"
        places.append(said)
    row = _back(vars(found), fit.log)
    way, size = "greatest_at" if found.greatest else "least_at", words.estimate(row, measure.unit)
    where = listed(places) if found.inside else say("edge_what", places=listed(places))
    told = say(way, label=capital(measure.label), where=where, size=size)
    told += "" if found.inside else say("try_past_edge")
    return True, words.numbers_of(f"best.{fit.response}", told, row, measure.unit, batches=fit.n_batches)


def _back(found: Mapping[str, float], log: bool) -> dict[str, float]:
    """Estimate, conf_low, conf_high, from the scale of the fit."""
    return {name: float(np.exp(found[name]) if log else found[name]) for name in ENDS}


def _mixtures(done: Analysis, mine: Sequence[str]) -> Iterator[Told]:
    """What more of each part does while the others keep their proportions, where the plan is a mixture."""
    settings = done.settings
    parts = [term for term in settings.terms() if isinstance(term, Amount)]
    if not is_blend(done.trial) or settings.plan is None or len(parts) < 2:
        return
    for response in (name for name in done.numbers if name in mine):
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
def worked_out(done: Analysis, section: str | None = None) -> Pieces:
    """What each fit rests on, how it was fitted, and how much pieces, batches and days differ by chance."""
    rows, reasons, mine = list[dict[str, str]](), list[str](), _within(done, section)
    for name, fit in ((name, fit) for name, fit in done.fits.items() if name in mine):
        row = {"response": capital(done.settings.measure(name).label), "batches": str(fit.n_batches)}
        chance: dict[str, float] = {}
        if isinstance(fit, ResponseFit):
            reasons.append(fit.structure.reason)
            row |= {"days": str(fit.n_days), "fitted as": say("logarithm_reml" if fit.log else "number_reml")}
            chance = {str(source).removeprefix("between "): sd for source, sd in fit.spread["sd"].items()}
        elif isinstance(fit, CuringFit):
            row |= {"days": str(fit.n_days or "–"), "fitted as": say("logarithm_brackets")}
            chance = {"pieces": fit.sigma, "batches": fit.tau, "days": fit.delta}
        elif hasattr(fit, "spread"):
            row |= {"days": "–", "fitted as": say("logarithm_probit")}
            chance = {"pieces": fit.spread}
        else:
            continue
        for source in SOURCES:
            if isfinite(sd := chance.get(source, float("nan"))):
                head = say("head_sd_of", source=wording(source))
                row[head] = number(sd) if sd > 1e-3 else say("none_seen")
        rows.append(row)
    said = [" ".join(dict.fromkeys(reasons))] if reasons else []
    table = [Grid(pd.DataFrame(rows).fillna(""), say("what_each_rests"))] if rows else []
    return parted([], [*said, *table, *_pairs(done, mine), *typical_values(done, section)])
