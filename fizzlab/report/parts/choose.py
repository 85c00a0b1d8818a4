"""Which combination to keep: the limits and wishes of trial.toml, judged by all responses at once."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import pandas as pd

from fizzlab.errors import CannotAnswer
from fizzlab.models.choose import Choice, between, choose
from fizzlab.models.curing import CuringFit
from fizzlab.models.effects import ResponseFit
from fizzlab.models.result import FitResult
from fizzlab.models.terms import Amount, Category
from fizzlab.report.analysis import Analysed
from fizzlab.report.figures.choose import MOST, trade_off
from fizzlab.report.page import Findings, Grid, Notes, Picture
from fizzlab.report.parts.drying import spoken
from fizzlab.report.parts.general import Pieces
from fizzlab.report.phrases import capital, number
from fizzlab.report.phrases import choose as worded
from fizzlab.report.phrases.drying import air_words
from fizzlab.trial.folder import Trial

if TYPE_CHECKING:
    from fizzlab.design.plans import Plan

TITLE = "## Which to keep"


@dataclass(frozen=True)
class Chosen:
    """The combinations that were made, judged; `reasons` why a response that was asked for is not."""

    choice: Choice
    voice: worded.Voice
    reasons: Mapping[str, CannotAnswer]
    notes: tuple[str, ...]


def choosing(done: Analysed) -> Chosen | None:
    """Judge every combination; None where trial.toml states no limit and no wish, or no factor changed.

    Raises
    ------
    CannotAnswer
        Nothing that is asked for can be judged.
    """
    settings = done.trial.settings
    limits = [limit for name, each in settings.responses.items() if (limit := each.limit(name))]
    wishes = [wish for name, each in settings.responses.items() if (wish := each.wish(name))]
    if not (limits or wishes) or not done.terms:
        return None
    fits: dict[str, FitResult] = {}
    reasons: dict[str, CannotAnswer] = {}
    notes: list[str] = []
    for name in settings.responses:
        if name not in [each.response for each in limits] + [each.response for each in wishes]:
            continue
        try:
            fits[name] = _fit(done, name)
        except CannotAnswer as reason:
            reasons[name] = reason
            continue
        if done.depends(name):
            notes.append(
                f"In {settings.measure(name).label} one change depends on another, which is counted in."
            )
    if not fits:
        why = " ".join(str(reason) for reason in reasons.values())
        raise CannotAnswer(f"No response that trial.toml asks for can be judged. {why}", "Measure them.")
    choice = choose(
        fits,
        _made(done, fits, notes),
        limits=[limit for limit in limits if limit.response in fits],
        wishes=[wish for wish in wishes if wish.response in fits],
        share=max(settings.drying.shares),
        seed=settings.seed,
    )
    batches = max(fit.n_batches for fit in fits.values())
    voice = worded.Voice(choice.terms, settings.label, settings.measure, choice.shares, batches)
    return Chosen(choice, voice, reasons, tuple(dict.fromkeys([*notes, *choice.notes])))


def _fit(done: Analysed, name: str) -> FitResult:
    """The fit that a response is judged by."""
    fit = done.joint[name] if done.depends(name) else done.fits.get(name)
    if fit is None or not fit.terms:
        unmeasured = CannotAnswer("It was not measured.", "Measure it on each batch.")
        if not done.trial.settings.measure(name).table:
            unmeasured = CannotAnswer("It is worked out from [recipe].", "Give its prices and pieces.")
        raise done.reasons.get(name) or unmeasured
    lacking = {term.name for term in done.terms} - {term.name for term in fit.terms}
    if lacking:
        which = " and ".join(done.trial.settings.label(factor) for factor in sorted(lacking))
        raise CannotAnswer(f"All batches with a number had the same {which}.", "Measure the others too.")
    fit.forecast(fit.made().head(1))  # raises where it has none
    return fit


def _made(done: Analysed, fits: Mapping[str, FitResult], notes: list[str]) -> pd.DataFrame:
    """The combinations that were made and that every response knows."""
    made = done.trial.rows("runs")[[term.name for term in done.terms]].drop_duplicates()
    for response, fit in fits.items():
        for factor in fit.terms:
            if isinstance(factor, Category):
                known = made[factor.name].isin(factor.levels)
                for level in dict.fromkeys(made.loc[~known, factor.name]):
                    label = done.trial.settings.measure(response).label
                    notes.append(f"Combinations with {level} are not judged: none of them has a {label}.")
                made = made[known]
    if made.empty:
        raise CannotAnswer("No combination was measured in every response.", "Measure the same batches.")
    return made


def choice(done: Analysed) -> Pieces:
    """Which combination to keep: the answer, the trade-off, what to confirm and what to add."""
    trial, settings = done.trial, done.trial.settings
    if trial.confirms is not None:
        return []
    try:
        chosen = choosing(done)
    except CannotAnswer as reason:
        return [TITLE, Notes([f"No combination can be chosen. {spoken(str(reason), trial)}"], "caution")]
    if chosen is None:
        return []
    judged, voice, reasons = chosen.choice, chosen.voice, chosen.reasons
    found = worded.answer(judged, voice, [name for name in reasons if settings.responses[name].limit(name)])
    labels = {name: capital(settings.measure(name).label) for name in reasons}
    doubts = [f"{labels[name]} is not judged here. {why}" for name, why in reasons.items()]
    return [
        TITLE,
        Notes(list(dict.fromkeys(each.sentence for each in found)), "answer"),
        Findings(found, kind="silent"),
        _air(done, judged),
        _picture(judged, voice),
        worded.HOW_TO_READ,
        Grid(worded.table(judged, voice, 24), "The combinations, best first"),
        *_subpart("### Between the amounts that were made", trial, lambda: _between(trial, chosen)),
        *_subpart("### Confirm it", trial, lambda: _confirm(trial, chosen)),
        *_subpart("### Batches to add", trial, lambda: _add(trial, chosen)),
        Notes([spoken(line, trial) for line in (*doubts, *chosen.notes)], "caution")
        if doubts or chosen.notes
        else None,
    ]


def _subpart(title: str, trial: Trial, work: Callable[[], Pieces]) -> Pieces:
    """What follows from the choice, or why there is none."""
    try:
        pieces = work()
    except CannotAnswer as reason:
        pieces = [Notes([spoken(str(reason), trial)], "plain")]
    return [title, *pieces] if pieces else []


def _picture(judged: Choice, voice: worded.Voice) -> Picture:
    names = [voice.name(row) for _, row in judged.table.head(MOST).iterrows()]
    titles = {name: voice.titled(name) for name in judged.responses}
    told = [
        f"{who}: {', '.join(f'{titles[n]} {number(each.estimate[i])}' for n, each in judged.responses.items())}"
        for i, who in enumerate(names)
    ]
    more = f" The best {MOST} of {len(judged.table)} are drawn." if len(judged.table) > MOST else ""
    kept = "Shaded: beyond a limit. " if judged.limits else ""
    caption = f"The combinations, best first, with 95 % intervals. {kept}{worded.FILLED}{more}"
    alt = f"A row for each combination and a panel for each response. {'; '.join(told)}."
    return Picture("choice", trade_off(judged, names, titles), caption, alt)


def _between(trial: Trial, chosen: Chosen) -> Pieces:
    steps, tried = trial.settings.choose.steps, chosen.choice
    if steps is None or not any(isinstance(term, Amount) for term in tried.terms):
        return []
    if _of_shares(trial):
        raise CannotAnswer("Parts of a blend cannot be stepped alone.", "Plan blends between those made.")
    grid = choose(
        tried.fits,
        between(tried.fits, steps),
        limits=tried.limits,
        wishes=tried.wishes,
        share=max(trial.settings.drying.shares),
        seed=trial.settings.seed,
    )
    found = worded.between(grid, tried, chosen.voice, steps)
    return [Findings([found], kind="plain"), Grid(worded.table(grid, chosen.voice, 8), "The best of them")]


def _confirm(trial: Trial, chosen: Chosen) -> Pieces:
    many, voice = trial.settings.choose.confirm_batches, chosen.voice
    who = voice.name(chosen.choice.best)
    text, found = worded.confirming(chosen.choice.confirm(many), who, voice, many)
    return [text, Findings(found, kind="next"), Notes(worded.judging(trial.folder.resolve().name), "plain")]


def _add(trial: Trial, chosen: Chosen) -> Pieces:
    plan = further(trial, chosen.choice)
    return [
        Notes([worded.next_batches(plan.runs)], "next"),
        Grid(worded.plan_table(plan.runs, chosen.voice), "In this order"),
        Notes([spoken(line, trial) for line in plan.warnings], "plain") if plan.warnings else None,
    ]


def further(trial: Trial, choice: Choice) -> Plan:
    """The batches to add where the choice is open; CannotAnswer where it is not, or none can be named."""
    from fizzlab.design.adding import next_batches
    from fizzlab.design.factors import as_factor

    settings, plan, runs = trial.settings, trial.settings.plan, trial.rows("runs")
    if choice.settled:
        raise CannotAnswer("None are needed: the choice is as good as settled.", "Confirm it.")
    if _of_shares(trial):
        raise CannotAnswer("Blends to add cannot be named here yet.", "Plan a further trial of blends.")
    if len(choice.table) < 2:
        raise CannotAnswer("Only one combination was judged.", "Make others beside it.")
    fits = [fit for fit in choice.fits.values() if isinstance(fit, ResponseFit)]
    hard = (plan.hard_to_change if plan else None) or ()
    planned = {name: settings.factors[name].model_dump() for name in choice.factors}
    return next_batches(
        choice,
        [as_factor(t.name, planned[t.name] if isinstance(t, Amount) else t) for t in choice.terms],
        runs[["run", "day", *choice.factors]],
        settings.choose.next_batches,
        settings.seed,
        model=list(dict.fromkeys(term for fit in fits for term in fit.basis.terms)) or "main",
        forbidden=(plan.forbidden if plan else None) or (),
        per_day=(plan.batches_per_day if plan else None) or int(runs.groupby("day").size().max()),
        hard_to_change=[name for name in hard if name in choice.factors],
    )


def _of_shares(trial: Trial) -> bool:
    return trial.settings.plan is not None and trial.settings.plan.kind == "mixture"


def _air(done: Analysed, judged: Choice) -> str | None:
    """The air that dry times are forecast for."""
    for fit in judged.fits.values():
        said = air_words(fit, done.trial) if isinstance(fit, CuringFit) else ""
        if said:
            return f"Dry times are forecast {said}."
    return None
