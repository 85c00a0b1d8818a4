"""What changed: a factor at a time, for every response at once, and the comparisons in detail."""

from __future__ import annotations

import contextlib

import numpy as np
import pandas as pd

from fizzlab.errors import CannotAnswer
from fizzlab.models.effects import ResponseFit
from fizzlab.models.result import FitResult
from fizzlab.models.surfaces import bend, best, fit_mixture
from fizzlab.models.terms import Amount, Category, Term, level_name
from fizzlab.report.analysis import SHOWN_P, Analysed
from fizzlab.report.figures.effects import Panel, factor_panels
from fizzlab.report.findings import Finding
from fizzlab.report.page import Findings, Grid, Notes, Picture
from fizzlab.report.parts.drying import spoken
from fizzlab.report.parts.general import Pieces
from fizzlab.report.phrases import capital, listed, number
from fizzlab.report.phrases import effects as worded
from fizzlab.report.phrases import shape as shaped
from fizzlab.trial.settings import TrialSettings

#: Said once above the tables of the details.
JUDGED_TOGETHER = (
    "Judged together: in 95 of 100 trials every interval of one kind holds, so they are wider than those above. p: how often "
    "chance alone would show so great a difference."
)

#: What a plan of shares cannot be asked: one share does not change alone.
SHARES = "The amounts of this plan add up to a total: more of one leaves less room for the others."


def what_changed(done: Analysed) -> Pieces:
    """What each factor did: sentences and a picture a factor, and one table of all of it."""
    settings = done.trial.settings
    if not settings.terms():
        return []
    pieces: Pieces = ["## What changed"]
    open_ = [*done.notes, *worded.not_compared(done, settings.label)]
    if not done.effects:
        return [
            *pieces,
            Notes([spoken(each, done.trial) for each in open_] or ["Nothing was measured."], "caution"),
        ]
    if settings.plan is not None and settings.plan.kind == "mixture":
        pieces.append(SHARES)
    for term in done.terms:
        pieces += _of_factor(done, term)
    depends = [finding for shown, finding in worded.joint_findings(done, settings.label) if shown]
    if depends:
        pieces += ["### One change depends on another", Findings(depends)]
    pieces += ["### All of it", Grid(worded.table(done, settings.label), worded.TABLE_CAPTION)]
    notes = [worded.by_chance(done), *worded.judged(done, settings.label), *open_]
    said = [spoken(each, done.trial) for each in notes if each]
    return [*pieces, Notes(said, "caution") if said else None]


def _of_factor(done: Analysed, term: Term) -> Pieces:
    label, measures = done.trial.settings.label, done.trial.settings.measures()
    effects = done.of(term.name)
    if not effects:
        return []
    said = [worded.sentence(each, measures[each.response], label) for each in effects]
    told = [text for each, text in zip(effects, said, strict=True) if each.shown or each.same or each.exact]
    findings = [
        worded.finding(each, measures[each.response], text) for each, text in zip(effects, said, strict=True)
    ]
    return [
        f"### {capital(label(term.name))}",
        Notes([*told, *worded.still_open(effects, measures, label)], "answer"),
        Findings(findings, kind="silent"),
        _picture(done, term),
    ]


def _picture(done: Analysed, term: Term) -> Picture | None:
    panels = [
        panel
        for response in done.responses
        if done.of(term.name, response)
        if (panel := _panel(done, done.fits[response], term)) is not None
    ]
    if not panels:
        return None
    told = []
    for panel in panels:
        means = [f"{row['level']} {number(row['estimate'])}" for row in panel.means.to_dict("records")]
        told.append(f"{panel.title}: {listed(means)}")
    label = done.trial.settings.label(term.name)
    return Picture(
        f"changed-{term.name}",
        factor_panels(panels),
        "Large marks: the typical batch, with its 95 % interval. Small marks: the batches, all else made equal.",
        f"Panels by {label}. {'; '.join(told)}.",
    )


def _panel(done: Analysed, fit: FitResult, term: Term) -> Panel | None:
    """The typical batch of each level by the fit of a response; None where it forecasts none."""
    own = next((each for each in fit.terms if each.name == term.name), None)
    if own is None:
        return None
    values = _values(fit.batches, own)
    try:
        means = fit.predict({term.name: values})
    except CannotAnswer:
        return None
    levels = tuple(level_name(own, value) for value in values)
    points = fit.points(term.name)
    made = fit.batches[term.name].reindex(points.index)
    batches = pd.DataFrame({"level": [level_name(own, value) for value in made], "value": points.to_numpy()})
    measure = done.trial.settings.measure(fit.response)
    log = measure.scale == "ratio"
    return Panel(capital(measure.titled), levels, means.assign(level=levels), batches, log)


def _values(batches: pd.DataFrame, term: Term) -> list[str] | list[float]:
    """The levels that were made, or up to five amounts: those tried, or even steps between them."""
    if isinstance(term, Category):
        return [level for level in term.levels if level in set(batches[term.name])]
    tried = sorted(set(batches[term.name].astype(float)))
    return tried if len(tried) <= 5 else [float(value) for value in np.linspace(tried[0], tried[-1], 3)]


def _no_sign(findings: list[Finding], what: str, settings: TrialSettings) -> list[str]:
    """One sentence for all responses that show nothing of a kind."""
    names = dict.fromkeys(settings.measure(each.topic.split(".")[1]).label for each in findings)
    return [f"{what}: {listed(list(names))}."] if names else []


def _shape(done: Analysed) -> tuple[list[Finding], list[Finding]]:
    """Bends, best amounts and shares of a mixture: what shows something, and what not."""
    settings = done.trial.settings
    found: list[Finding] = []
    quiet: list[Finding] = []
    for response, fit in done.fits.items():
        if not isinstance(fit, ResponseFit) or not fit.effects:
            continue
        measure = settings.measure(response)
        amounts = [f.name for f in fit.terms if isinstance(f, Amount)]
        bends = {term.removesuffix("^2") for term in fit.basis.terms if term.endswith("^2")}
        with contextlib.suppress(CannotAnswer):
            if amounts and bends >= set(amounts):
                asked = settings.responses.get(response)
                greatest = {"more": True, "less": False}.get((asked and asked.want) or "")
                found.append(shaped.best_finding(best(fit, greatest=greatest), fit, measure, settings.label))
            elif amounts and not bends:
                told = bend(fit)
                shows = found if told["p_value"] < SHOWN_P else quiet
                shows.append(shaped.bend_finding(told, fit, measure))
    return [*found, *_mixtures(done)], quiet


def _mixtures(done: Analysed) -> list[Finding]:
    """What the shares do, where the plan is a mixture."""
    settings, found = done.trial.settings, []
    plan = settings.plan
    parts = [term for term in settings.terms() if isinstance(term, Amount)]
    if plan is None or plan.kind != "mixture" or len(parts) < 2:
        return []
    for response in done.numbers:
        measure = settings.measure(response)
        for blending in (plan.blending or "quadratic", "linear"):
            with contextlib.suppress(CannotAnswer):
                log = measure.scale == "ratio"
                fit = fit_mixture(done.batches, response, parts, blending=blending, log=log)
                found += shaped.mixture_findings(fit, measure, settings.label)
                break
    return found


def in_detail(done: Analysed) -> Pieces:
    """The comparisons in full: all pairs, joint effects and bends, odd batches, and how it was worked out."""
    settings = done.trial.settings
    if not settings.terms() or not done.numbers:
        return []
    pieces: Pieces = ["## The comparisons in detail"]
    fits = {name: fit for name, fit in done.fits.items() if isinstance(fit, ResponseFit) and fit.effects}
    if not fits:
        return []
    doubts: list[str] = []
    for response, fit in fits.items():
        measure = settings.measure(response)
        for term in done.terms:
            table = worded.compared(fit, term.name, measure)
            if table is not None:
                if JUDGED_TOGETHER not in pieces:
                    pieces.append(JUDGED_TOGETHER)
                pieces.append(Grid(*table))
        doubts += [f"{capital(measure.label)}. {says}" for says in fit.diagnose()["says"]]
    joint = [finding for shown, finding in worded.joint_findings(done, settings.label) if not shown]
    nothing = _no_sign(joint, "No sign that one change depends on another", settings)
    shape, quiet = _shape(done)
    nothing += _no_sign(quiet, "No sign of a bend", settings)
    if shape:
        pieces += ["### Bends, best points and shares", Findings(shape, kind="plain")]
    pieces += [Findings([*joint, *quiet], kind="silent"), Notes(nothing) if nothing else None]
    if doubts:
        pieces += ["### Worth a second look", Notes(doubts, "caution")]
    said, rests = worded.methods(done)
    caption = (
        "What the comparisons rest on, and how much batches and days differ by chance on the scale analysed"
    )
    return [*pieces, "### How the comparisons were worked out", said, Grid(rests, caption)]
