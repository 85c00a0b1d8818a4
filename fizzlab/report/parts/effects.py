"""What changed: the comparisons of a trial, a factor at a time, for every response at once.

Nothing is computed here that an analysis does not already hold.
"""

from __future__ import annotations

import contextlib
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from fizzlab.errors import CannotAnswer
from fizzlab.models.changes import Changed, compare_all, of_cost
from fizzlab.models.crumble import DropStudy
from fizzlab.models.cure import DryingStudy, WeighedStudy
from fizzlab.models.effects import (
    Analysis,
    PowerAdvice,
    adjusted_means,
    analyse_mixture,
    as_if_alike,
    curvature,
    lack_of_fit,
    odd_batches,
    power_advice,
    surface,
    unreplicated,
)
from fizzlab.models.fizz.study import Compared
from fizzlab.models.responses import batch_responses, costs
from fizzlab.models.terms import Amount, Category, Term, grouping, level_name
from fizzlab.report.figures.effects import Panel, factor_panels
from fizzlab.report.findings import Finding
from fizzlab.report.page import Findings, Grid, Notes, Picture
from fizzlab.report.parts.crumble import Crumbled
from fizzlab.report.parts.drying import Dried, Drying, spoken
from fizzlab.report.parts.fizz import Fizzed
from fizzlab.report.parts.general import Pieces
from fizzlab.report.parts.weighing import Weighed
from fizzlab.report.phrases import capital, listed, number
from fizzlab.report.phrases import effects as worded
from fizzlab.report.phrases import shape as shaped
from fizzlab.trial.folder import Trial
from fizzlab.trial.settings import PlanSettings

#: Kinds of plan that can show bends.
BENDS = ("central composite", "box-behnken", "definitive screening")

#: Kinds of plan whose factors have two levels each.
TWO_LEVELS = ("factorial", "fractional factorial", "screening")

#: Said once above the tables of the details.
JUDGED_TOGETHER = (
    "Judged together: in 95 of 100 trials every interval of one kind (with the control, or all pairs) holds, so they are "
    "wider than those above. p: how often chance alone would show so great a difference."
)

#: What a plan of shares cannot be asked: one share does not change alone.
SHARES = (
    "The amounts of this plan add up to a total, so none changes alone: an effect is what more of one does while the "
    "others make room."
)


@dataclass(frozen=True)
class Tests:
    """What each kind of test says: the outcomes of `drying`, `weighing`, `crumbling` and `fizzing`."""

    dried: Dried
    weighed: Weighed
    crumbled: Crumbled | None
    fizzed: Fizzed | None


def comparing(trial: Trial, tests: Tests) -> Changed | None:
    """Compare every factor in every response; None where no factor is named."""
    settings = trial.settings
    terms = settings.terms()
    if not terms:
        return None
    dried = tests.dried.study if isinstance(tests.dried, Drying) else tests.dried
    weighed = None if isinstance(tests.weighed, CannotAnswer) else tests.weighed
    crumbled = None if tests.crumbled is None else tests.crumbled.study
    fizzed = None if tests.fizzed is None else tests.fizzed.study
    measured = batch_responses(
        trial.rows("runs"), weighed=weighed, crumbled=crumbled, fizzed=fizzed, own=settings.own_responses()
    )
    found = compare_all(
        measured,
        terms,
        {name: settings.measure(name).scale for name in measured.measured},
        {name: each.same_within for name, each in settings.responses.items() if each.same_within is not None},
        dried=dried,
        weighed=weighed,
        crumbled=crumbled,
        fizzed=fizzed,
        models=_models(settings.plan),
    )
    return _with_cost(trial, found)


def _models(plan: PlanSettings | None) -> list[str | Sequence[str]]:
    """The models to try: as the plan says, a bend where it can show one, and main effects if all else fails."""
    if plan is None:
        return ["main"]
    if plan.model is not None:
        return [plan.model, "main"]
    return ["quadratic", "main"] if plan.kind in BENDS else ["main"]


def _with_cost(trial: Trial, changed: Changed) -> Changed:
    """Add what a piece costs, where the recipe says and a factor changes it."""
    settings = trial.settings
    recipe, written = settings.made_recipe(), settings.recipe
    if recipe is None or written is None or written.pieces is None or not changed.terms:
        return changed
    if all(item.price is None for item in recipe.ingredients):
        return changed
    names = [term.name for term in settings.terms()]
    made = trial.batches()[names].drop_duplicates().reset_index(drop=True)
    try:
        each = costs(recipe, written.pieces, made, settings.terms())
    except CannotAnswer as reason:
        return changed.with_cost([], reason)
    return changed.with_cost(of_cost(made, each, changed.terms))


def what_changed(trial: Trial, changed: Changed | None, tests: Tests) -> Pieces:
    """What each factor did: the table of all of it, then a factor at a time, a sentence a response and a picture."""
    if changed is None:
        return []
    settings = trial.settings
    pieces: Pieces = ["## What changed"]
    if not changed.changes:
        lines = [*changed.notes, *worded.not_compared(changed, settings.measure, settings.label)]
        return [
            *pieces,
            Notes([spoken(line, trial) for line in lines] or ["Nothing was measured."], "caution"),
        ]
    grid = Grid(worded.table(changed, settings.measure, settings.label), worded.TABLE_CAPTION)
    if settings.plan is not None and settings.plan.kind == "mixture":
        pieces.append(SHARES)
    for term in changed.terms:
        pieces += _of_factor(trial, changed, term, tests)
    depends = [each for each in _joint(trial, changed) if each.shown]
    if depends:
        pieces += ["### One change depends on another", Findings([each.finding for each in depends])]
    pieces += ["### All of it", grid]
    lines = [
        *worded.judged(changed, settings.label),
        *changed.notes,
        *worded.not_compared(changed, settings.measure, settings.label),
    ]
    return [*pieces, Notes([spoken(line, trial) for line in lines], "caution") if lines else None]


def _of_factor(trial: Trial, changed: Changed, term: Term, tests: Tests) -> Pieces:
    settings = trial.settings
    mine = changed.of(term.name)
    if not mine:
        return []
    said: list[str] = []
    findings: list[Finding] = []
    for response in dict.fromkeys(change.response for change in mine):
        measure = settings.measure(response)
        of_it = changed.of(term.name, response)
        said.append(worded.sentence(of_it, measure, settings.label))
        findings += [worded.finding(change, measure, said[-1]) for change in of_it]
    title = settings.label(term.name)
    panels = _panels(trial, changed, term, tests)
    return [
        f"### {capital(title)}",
        Notes(said, "answer"),
        Findings(findings, kind="silent"),
        _picture(trial, term, panels) if panels else None,
    ]


def _picture(trial: Trial, term: Term, panels: Sequence[Panel]) -> Picture:
    told = []
    for panel in panels:
        means = [f"{row['level']} {number(row['mean'])}" for row in panel.means.to_dict("records")]
        told.append(f"{panel.title}: {listed(means)}")
    return Picture(
        f"changed-{term.name}",
        factor_panels(panels),
        "Large marks: the typical batch of each, with its 95 % interval. Small marks: the batches, set to the same of "
        "everything else, where each has a number of its own.",
        f"Panels by {trial.settings.label(term.name)}. " + "; ".join(told) + ".",
    )


def _panels(trial: Trial, changed: Changed, term: Term, tests: Tests) -> list[Panel]:
    """One a response, from the fit that its comparison comes from."""
    by_day = term.name in changed.whole_day
    found: list[Panel | None] = []
    for response in dict.fromkeys(change.response for change in changed.of(term.name)):
        measure = trial.settings.measure(response)
        title = f"{capital(measure.label)}, {measure.unit}".rstrip(", ")
        study = _dry_times(response, tests)
        if study is not None:
            found.append(_of_study(title, study, term))
        elif response in changed.analyses:
            found.append(_of_analysis(title, changed.analyses[response], term))
        elif not by_day and tests.fizzed is not None and response in ("fizz_s", "colour_s"):
            part = tests.fizzed.study.lasting if response == "fizz_s" else tests.fizzed.study.colour
            found.append(_of_times(title, part, term))
        elif not by_day and tests.crumbled is not None and response == "drop_cm":
            found.append(_of_drops(title, tests.crumbled.study.drops, term))
    return [panel for panel in found if panel is not None and len(panel.means) > 1]


def _dry_times(response: str, tests: Tests) -> DryingStudy | None:
    if response == "dry_h" and isinstance(tests.dried, Drying):
        return tests.dried.study
    if response == "weighed_dry_h" and isinstance(tests.weighed, WeighedStudy):
        return tests.weighed.model if isinstance(tests.weighed.model, DryingStudy) else None
    return None


#: For responses of which no batch has a point of its own.
NO_BATCHES = pd.DataFrame({"level": [], "value": []})


def _of_times(title: str, part: object, term: Term) -> Panel | None:
    if not isinstance(part, Compared) or part.factor is None or part.factor.name != term.name:
        return None
    means = part.typical[["level", "seconds", "low", "high"]].set_axis(
        ["level", "mean", "low", "high"], axis=1
    )
    return Panel(title, tuple(means["level"]), means, NO_BATCHES, log=True)


def _of_drops(title: str, part: DropStudy | None, term: Term) -> Panel | None:
    grouped = None if part is None else grouping(part.known.terms)
    if part is None or grouped is None or grouped.name != term.name:
        return None
    rows = [(each.level, each.median_cm, each.median_low, each.median_high) for each in part.levels]
    means = pd.DataFrame(rows, columns=["level", "mean", "low", "high"])
    if not np.isfinite(means[["low", "high"]].to_numpy()).all() or (means["low"] <= 0).any():
        return None
    return Panel(title, tuple(means["level"]), means, NO_BATCHES, log=True)


def _of_study(title: str, study: DryingStudy, term: Term) -> Panel:
    """Dry times come as brackets, so no batch has a point of its own."""
    values = _values(study.batches, term)
    conditions = {level_name(term, value): {**study.typical, term.name: value} for value in values}
    means = study.typical_batch(conditions) if term.name in study.typical else pd.DataFrame()
    return Panel(title, tuple(conditions), means, NO_BATCHES, log=True)


def _of_analysis(title: str, analysis: Analysis, term: Term) -> Panel | None:
    own = next((each for each in analysis.basis.factors if each.name == term.name), None)
    if own is None:
        return None
    values = _values(analysis.table, own)
    means = adjusted_means(analysis, term.name, {term.name: values})
    columns = ["typical", "typical_low", "typical_high"] if analysis.log else ["mean", "low", "high"]
    shown = means[columns].set_axis(["mean", "low", "high"], axis=1)
    levels = tuple(level_name(own, value) for value in values)
    batches = pd.DataFrame(
        {
            "level": [level_name(own, value) for value in analysis.table[term.name]],
            "value": as_if_alike(analysis, term.name),
        }
    )
    return Panel(title, levels, shown.assign(level=levels), batches, log=analysis.log)


def _values(batches: pd.DataFrame, term: Term) -> list[str] | list[float]:
    """The levels that were made, or up to five amounts: those tried, or even steps between them."""
    if isinstance(term, Category):
        return [level for level in term.levels if level in set(batches[term.name])]
    tried = sorted(set(batches[term.name].astype(float)))
    return tried if len(tried) <= 5 else [float(value) for value in np.linspace(tried[0], tried[-1], 3)]


def _shape(trial: Trial, changed: Changed) -> list[Finding]:
    """Bends by batches in the middle, what a model misses, and where a curved surface is level."""
    settings, found = trial.settings, []
    for response, analysis in changed.analyses.items():
        measure = settings.measure(response)
        amounts = [f.name for f in analysis.basis.factors if isinstance(f, Amount)]
        bends = {term.removesuffix("^2") for term in analysis.basis.terms if term.endswith("^2")}
        with contextlib.suppress(CannotAnswer):
            found.append(shaped.lack_finding(lack_of_fit(analysis), analysis, measure))
        if amounts and not bends:
            with contextlib.suppress(CannotAnswer):
                found.append(shaped.curvature_finding(curvature(analysis), analysis, measure))
        if len(amounts) > 1 and bends >= set(amounts):
            with contextlib.suppress(CannotAnswer):
                found.append(shaped.surface_finding(surface(analysis), analysis, measure, settings.label))
    return found


def _mixtures(trial: Trial, changed: Changed) -> list[Finding]:
    """What the shares do, where the plan is a mixture."""
    settings, found = trial.settings, []
    plan = settings.plan
    parts = [term for term in settings.terms() if isinstance(term, Amount)]
    if plan is None or plan.kind != "mixture" or len(parts) < 2:
        return []
    for response in changed.measured.measured:
        measure = settings.measure(response)
        for blending in (plan.blending or "quadratic", "linear"):
            try:
                analysis = analyse_mixture(
                    changed.measured.batches, response, parts, blending=blending, log=measure.scale == "ratio"
                )
            except CannotAnswer:
                continue
            found += shaped.mixture_findings(analysis, measure, settings.label)
            break
    return found


def _unrepeated(trial: Trial, changed: Changed) -> Pieces:
    """Two-level plans that nothing judges but the crowd of their small effects."""
    settings = trial.settings
    plan = settings.plan
    if plan is None or plan.kind not in TWO_LEVELS:
        return []
    pieces: Pieces = []
    for response in changed.measured.measured:
        if response in changed.analyses:
            continue
        measure = settings.measure(response)
        try:
            found = unreplicated(
                changed.measured.batches, response, changed.terms, log=measure.scale == "ratio"
            )
        except CannotAnswer:
            continue
        pieces += [
            Findings([shaped.standing_out(found, measure, settings.label)], kind="plain"),
            Grid(
                shaped.standing_out_table(found, settings.label),
                f"{measure.label}: the effects, the largest first",
            ),
        ]
    return ["### Which effects stand out", *pieces] if pieces else []


def _joint(trial: Trial, changed: Changed) -> list[worded.Joint]:
    settings = trial.settings
    return [
        each
        for response, analysis in changed.analyses.items()
        for each in worded.joint_effects(
            changed.joint.get(response, analysis), settings.measure(response), settings.label
        )
    ]


def _power(analysis: Analysis) -> PowerAdvice | None:
    try:
        return power_advice(analysis)
    except CannotAnswer:
        return None


def batch_numbers(trial: Trial, changed: Changed | None) -> Pieces:
    """The batches with their number for each response, as a table."""
    if changed is None:
        return ["No factor is named in trial.toml, so there is nothing to compare."]
    if not changed.measured.measured:
        return ["No test gives a batch one number."]
    table = worded.batch_table(changed, trial.settings.measure, trial.settings.label)
    return [
        Grid(
            table,
            "The batches and their numbers, each the mean of its pieces (of their logarithms, for times)",
        )
    ]


def in_detail(trial: Trial, changed: Changed | None) -> Pieces:
    """The comparisons in full: all pairs, joint effects and bends, odd batches, and how it was worked out."""
    if changed is None or not changed.measured.measured:
        return []
    settings = trial.settings
    pieces: Pieces = ["## The comparisons in detail"]
    unrepeated = _unrepeated(trial, changed)
    if not changed.analyses:
        return [*pieces, *unrepeated] if unrepeated else []
    doubts: list[str] = []
    for response, analysis in changed.analyses.items():
        if response == "weighed_dry_h":
            continue  # compared with the room's air taken into account, under drying by weight
        measure = settings.measure(response)
        for term in changed.terms:
            table = worded.compared(analysis, term.name, measure)
            if table is not None:
                if JUDGED_TOGETHER not in pieces:
                    pieces.append(JUDGED_TOGETHER)
                pieces.append(Grid(*table))
        doubts += worded.advice(analysis, measure, odd_batches(analysis), _power(analysis))
    joint = [each.finding for each in _joint(trial, changed) if not each.shown]
    if joint:
        pieces += ["### Does one change depend on another?", Findings(joint, kind="plain")]
    shape = [*_shape(trial, changed), *_mixtures(trial, changed)]
    if shape:
        pieces += ["### Bends, best points and shares", Findings(shape, kind="plain")]
    pieces += unrepeated
    if doubts:
        pieces += ["### Worth a second look", Notes(doubts, "caution")]
    said, rests = worded.methods(changed, settings.measure)
    caption = (
        "What the comparisons rest on, and how much batches and days differ by chance on the scale analysed"
    )
    return [*pieces, "### How the comparisons were worked out", said, Grid(rests, caption)]
