"""Which combination to keep: the limits and wishes of trial.toml, judged by all responses at once."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import pandas as pd

from fizzlab.errors import CannotAnswer
from fizzlab.models.curing import CuringFit
from fizzlab.models.effects import ResponseFit
from fizzlab.models.terms import Amount, Category, Term
from fizzlab.report.analysis import Analysed, analyse, costs
from fizzlab.report.findings import Finding
from fizzlab.report.page import Findings, Grid, Notes, Picture
from fizzlab.report.parts.confirm import TITLE as CONFIRMED
from fizzlab.report.parts.confirm import Outcome, judge_batches, outcome
from fizzlab.report.parts.drying import spoken
from fizzlab.report.parts.general import Pieces
from fizzlab.report.phrases.drying import air_words
from fizzlab.trial.folder import Trial

if TYPE_CHECKING:
    from fizzlab.design import Plan
    from fizzlab.models.choose import Choice, Confirmation, Forecaster
    from fizzlab.report.phrases.choose import Voice


@dataclass(frozen=True)
class Chosen:
    """The combinations judged, and what follows from it.

    Parameters
    ----------
    choice : Choice
        The combinations that were made.
    given : tuple of Forecaster
    not_judged : mapping of str to CannotAnswer
        Responses with a limit or wish that have no number to judge by.
    grid : Choice, CannotAnswer or None
        Amounts between those tried, where trial.toml asks for them.
    confirmation : Confirmation or CannotAnswer
    further : Plan or CannotAnswer
        Batches to add, or why none are needed or can be named.
    dry_share : float or None
        The share of the pieces of a batch that a dry time is of.
    air : str
        The air that dry times hold for, in words.
    notes : tuple of str
    """

    choice: Choice
    given: tuple[Forecaster, ...]
    not_judged: Mapping[str, CannotAnswer]
    grid: Choice | CannotAnswer | None
    confirmation: Confirmation | CannotAnswer
    further: Plan | CannotAnswer
    dry_share: float | None
    air: str
    notes: tuple[str, ...]

    @property
    def batches(self) -> int:
        """How many batches it rests on: those of the response that has most."""
        return max(each.table["run"].nunique() for each in self.given)


def choosing(done: Analysed) -> Chosen | Outcome | CannotAnswer | None:
    """Judge every combination; None where trial.toml states no limit and no wish, or no factor changed.

    A trial that confirms another's choice is set beside its forecasts instead.
    """
    if done.trial.confirms is not None:
        return _confirmed(done, done.trial.confirms)
    return _chosen(done)


def _confirmed(done: Analysed, original: Trial) -> Outcome | CannotAnswer:
    chosen = _chosen(analyse(original))
    if chosen is None:
        do = "State them there: [responses.NAME] of its trial.toml."
        return CannotAnswer(f"The trial {original.settings.code} states no limit and no wish.", do)
    if isinstance(chosen, CannotAnswer):
        return chosen
    try:
        return judge_batches(done, chosen, original)
    except CannotAnswer as reason:
        return reason


def _chosen(done: Analysed) -> Chosen | CannotAnswer | None:
    trial = done.trial
    asked = [
        name
        for name, each in trial.settings.responses.items()
        if each.limit(name) is not None or each.wish(name) is not None
    ]
    if not asked or not done.terms:
        return None
    given, missing, notes = _gathered(done, asked)
    if not given:
        why = " ".join(str(reason) for reason in missing.values())
        return CannotAnswer(f"No response that trial.toml asks for can be judged. {why}", "Measure them.")
    try:
        return _judged(done, given, missing, notes)
    except CannotAnswer as reason:
        return reason


def _judged(
    done: Analysed,
    given: list[Forecaster],
    missing: Mapping[str, CannotAnswer],
    notes: list[str],
) -> Chosen:
    from fizzlab.models.choose import confirm, judge_settings

    trial, settings = done.trial, done.trial.settings
    names = [each.response for each in given]
    limits = [limit for name in names if (limit := settings.responses[name].limit(name)) is not None]
    wishes = [wish for name in names if (wish := settings.responses[name].wish(name)) is not None]
    made, more = _made(trial, done, given)
    choice = judge_settings(given, made, limits=limits, wishes=wishes, seed=settings.seed)
    grid = _grid(trial, choice, given)
    confirmation: Confirmation | CannotAnswer
    if any(each.chance for each in given):
        confirmation = confirm(given, choice.best, settings.choose.confirm_batches)
    else:
        confirmation = CannotAnswer("Nothing that was judged varies by chance.", "Nothing need be confirmed.")
    fit = done.fits.get("dry_h")
    dry = fit if isinstance(fit, CuringFit) else None
    return Chosen(
        choice=choice,
        given=tuple(given),
        not_judged=missing,
        grid=grid,
        confirmation=confirmation,
        further=_further(trial, done, choice, given),
        dry_share=None if dry is None or dry.pieces_alike else max(settings.drying.shares),
        air="" if dry is None or "dry_h" not in names else air_words(dry, trial),
        notes=(*notes, *more),
    )


def _gathered(
    done: Analysed, asked: Sequence[str]
) -> tuple[list[Forecaster], dict[str, CannotAnswer], list[str]]:
    """What stands behind each response that has a limit or a wish, and why others have nothing."""
    given: list[Forecaster] = []
    missing: dict[str, CannotAnswer] = {}
    notes: list[str] = []
    for name in asked:
        found = _forecaster(done, name, notes)
        if isinstance(found, CannotAnswer):
            missing[name] = found
            continue
        lacking = {term.name for term in done.terms} - {factor.name for factor in found.factors}
        if lacking:
            which = " and ".join(done.trial.settings.label(factor) for factor in sorted(lacking))
            missing[name] = CannotAnswer(
                f"All batches with a number had the same {which}.", "Measure the others too."
            )
        else:
            given.append(found)
    return given, missing, notes


def _forecaster(done: Analysed, name: str, notes: list[str]) -> Forecaster | CannotAnswer:
    from fizzlab.models.choose import DryTimes, OfAnalysis

    trial = done.trial
    fit = done.fits.get(name)
    if isinstance(fit, CuringFit):
        return DryTimes(fit, max(trial.settings.drying.shares) if name == "dry_h" else 0.5, name)
    if name == "cost":
        return _cost(done)
    if isinstance(fit, ResponseFit) and fit.effects:
        if done.depends(name):
            notes.append(
                f"In {trial.settings.measure(name).label} one factor's effect depends on another, so its combinations are not "
                "taken as the sum of their factors."
            )
            return OfAnalysis(done.joint[name])
        return OfAnalysis(fit)
    if name == "drop_cm" and fit is not None:
        return CannotAnswer(
            "Drops tell of ways of making, and give no number for each batch.", "See Crumbling."
        )
    return done.reasons.get(name) or CannotAnswer("It was not measured.", "Measure it on each batch.")


def _cost(done: Analysed) -> Forecaster | CannotAnswer:
    from fizzlab.models.choose import Sure

    settings = done.trial.settings
    recipe, written = settings.made_recipe(), settings.recipe
    if recipe is None or written is None or written.pieces is None:
        return CannotAnswer("The recipe is not in trial.toml.", "Write [recipe], with prices and pieces.")
    terms, pieces = settings.terms(), written.pieces
    runs = done.trial.rows("runs")

    def value(rows: pd.DataFrame) -> list[float]:
        return costs(recipe, pieces, _whole(rows, runs, done.terms, terms), terms)

    table = runs[["run", *(term.name for term in done.terms)]]
    try:
        value(table.head(1))
    except CannotAnswer as reason:
        return reason
    return Sure("cost", tuple(done.terms), value, table)


def _whole(
    rows: pd.DataFrame, runs: pd.DataFrame, changed: Sequence[Term], terms: Sequence[Term]
) -> pd.DataFrame:
    """Settings with the factors that they leave out: what all batches had, or what a total leaves."""
    found = rows[[term.name for term in changed]].copy()
    for term in terms:
        if term.name in found:
            continue
        if runs[term.name].nunique() == 1 or isinstance(term, Category):
            found[term.name] = [runs[term.name].iloc[0]] * len(found)
        else:
            parts = [each.name for each in changed if isinstance(each, Amount) and each.unit == term.unit]
            total = float(runs[[*parts, term.name]].sum(axis=1).mean())
            found[term.name] = total - found[parts].sum(axis=1)
    return found


def _made(trial: Trial, changed: Analysed, given: Sequence[Forecaster]) -> tuple[pd.DataFrame, list[str]]:
    """The combinations that were made and that every response knows."""
    names = [term.name for term in changed.terms]
    made = trial.rows("runs")[names].drop_duplicates().reset_index(drop=True)
    notes = []
    for each in given:
        for factor in each.factors:
            if isinstance(factor, Category):
                known = made[factor.name].isin(factor.levels)
                for level in dict.fromkeys(made.loc[~known, factor.name]):
                    label = trial.settings.measure(each.response).label
                    notes.append(f"Combinations with {level} are not judged: none of them has a {label}.")
                made = made[known].reset_index(drop=True)
    if made.empty:
        raise CannotAnswer("No combination was measured in every response.", "Measure the same batches.")
    return made, list(dict.fromkeys(notes))


def _grid(trial: Trial, choice: Choice, given: Sequence[Forecaster]) -> Choice | CannotAnswer | None:
    from fizzlab.models.choose import grid_settings, judge_settings

    steps = trial.settings.choose.steps
    amounts = any(isinstance(factor, Amount) for each in given for factor in each.factors)
    if steps is None or not amounts:
        return None
    if trial.settings.plan is not None and trial.settings.plan.kind == "mixture":
        return CannotAnswer(
            "The parts of a mixture cannot be stepped alone.", "Plan blends between those made."
        )
    try:
        between = grid_settings(given, steps)
        return judge_settings(
            given, between, limits=choice.limits, wishes=choice.wishes, seed=trial.settings.seed
        )
    except CannotAnswer as reason:
        return reason


def _further(
    trial: Trial, changed: Analysed, choice: Choice, given: Sequence[Forecaster]
) -> Plan | CannotAnswer:
    from fizzlab.bench.planning import design_factor
    from fizzlab.models.choose import OfAnalysis, next_runs
    from fizzlab.models.choose.further import KEEP

    settings = trial.settings
    plan = settings.plan
    if plan is not None and plan.kind == "mixture":
        if float(choice.best["best_chance"]) >= 1 - KEEP:
            return CannotAnswer("The choice is as good as settled.", "Make confirmation batches of the best.")
        return CannotAnswer("Blends to add cannot be named here yet.", "Plan a further mixture trial.")
    if len(choice.table) < 2:
        return CannotAnswer("Only one combination was judged.", "Make others beside it.")
    factors = [
        term if isinstance(term, Category) else design_factor(term.name, settings.factors[term.name])
        for term in changed.terms
    ]
    terms = dict.fromkeys(
        term for each in given if isinstance(each, OfAnalysis) for term in each.given.basis.terms
    )
    hard = [] if plan is None or plan.hard_to_change is None else plan.hard_to_change
    try:
        return next_runs(
            choice,
            factors,
            trial.rows("runs")[["run", "day", *choice.factors]],
            settings.choose.next_batches,
            settings.seed,
            model=list(terms) or "main",
            forbidden=(plan.forbidden or ()) if plan is not None else (),
            per_day=_a_day(trial),
            hard_to_change=[name for name in hard if name in choice.factors],
        )
    except CannotAnswer as reason:
        return reason


def _a_day(trial: Trial) -> int:
    """Batches that fit in a day: as planned, or as many as were made."""
    plan = trial.settings.plan
    if plan is not None and plan.batches_per_day is not None:
        return plan.batches_per_day
    return int(trial.rows("runs").groupby("day").size().max())


TITLE = "## Which to keep"


def choice(trial: Trial, chosen: Chosen | Outcome | CannotAnswer | None) -> Pieces:
    """Which combination to keep: the answer, the trade-off, what to confirm and what to add."""
    if chosen is None:
        return []
    if isinstance(chosen, Outcome):
        return outcome(trial, chosen)
    if isinstance(chosen, CannotAnswer) and trial.confirms is not None:
        return [CONFIRMED, Notes([spoken(str(chosen), trial)], "caution")]
    if isinstance(chosen, CannotAnswer):
        return [TITLE, Notes([f"No combination can be chosen. {spoken(str(chosen), trial)}"], "caution")]
    from fizzlab.report.phrases import choose as worded

    settings = trial.settings
    terms = tuple(_terms(chosen))
    voice = worded.Voice(terms, settings.label, settings.measure, chosen.dry_share)
    aside = [name for name in chosen.not_judged if settings.responses[name].limit(name) is not None]
    found = worded.answer(chosen.choice, voice, aside, chosen.batches)
    pieces: Pieces = [TITLE, *_told(found, "answer")]
    if chosen.air:
        pieces.append(f"Dry times are forecast {chosen.air}.")
    doubts = [*worded.not_judged(chosen.not_judged, voice), *chosen.notes, *chosen.choice.notes]
    pieces.append(_picture(chosen, voice))
    pieces.append(worded.HOW_TO_READ)
    pieces.append(Grid(worded.table(chosen.choice, voice, 24), worded.TABLE_CAPTION))
    pieces += _between(trial, chosen, voice)
    pieces += _confirmation(trial, chosen, voice)
    pieces += _next(trial, chosen, voice)
    if doubts:
        pieces.append(Notes([spoken(line, trial) for line in doubts], "caution"))
    return pieces


def _terms(chosen: Chosen) -> list[Term]:
    by_name = {factor.name: factor for each in chosen.given for factor in each.factors}
    return [by_name[name] for name in chosen.choice.factors]


def _told(found: Sequence[Finding], kind: str) -> Pieces:
    """Findings of one sentence are said once and carry all their numbers."""
    return [
        Notes(list(dict.fromkeys(each.sentence for each in found)), kind),
        Findings(found, kind="silent"),
    ]


def _picture(chosen: Chosen, voice: Voice) -> Picture:
    from fizzlab.models.choose import column
    from fizzlab.report.figures.choose import Panel, trade_off
    from fizzlab.report.phrases import choose as worded
    from fizzlab.report.phrases import number

    judged = chosen.choice
    table = judged.table.head(12)
    names = [voice.name(row) for _, row in table.iterrows()]
    limits = {limit.response: limit for limit in judged.limits}
    panels = []
    if judged.limits:
        values = 100 * table[["meets_all", "meets_all_low", "meets_all_high"]]
        values = values.set_axis(["value", "low", "high"], axis=1)
        panels.append(Panel("Keeps to every limit, %", values, percent=True))
    for each in chosen.given:
        name = each.response
        at = column(name)
        values = table[[at, f"{at}_low", f"{at}_high"]].set_axis(["value", "low", "high"], axis=1)
        limit = limits.get(name)
        ends = (None, None) if limit is None else (limit.at_least, limit.at_most)
        positive = each.log and all(end is None or end > 0 for end in ends)
        panels.append(Panel(voice.titled(name), values, *ends, log=positive))
    told = [
        f"{who}: "
        + ", ".join(
            f"{voice.titled(each.response)} {number(row[column(each.response)])}" for each in chosen.given
        )
        for who, (_, row) in zip(names, table.iterrows(), strict=True)
    ]
    more = f" The best 12 of {len(judged.table)} are drawn." if len(judged.table) > 12 else ""
    kept = "Shaded: beyond a limit." if limits else ""
    return Picture(
        "choice",
        trade_off(names, list(worded.in_view(judged)[: len(names)]), panels),
        f"The combinations, the best first, with 95 % intervals. {kept} {worded.IN_VIEW}{more}",
        f"A row for each combination and a panel for each response. {'; '.join(told)}.",
    )


def _between(trial: Trial, chosen: Chosen, voice: Voice) -> Pieces:
    from fizzlab.report.phrases import choose as worded

    grid, steps = chosen.grid, trial.settings.choose.steps
    if grid is None or steps is None:
        return []
    title = "### Between the amounts that were made"
    if isinstance(grid, CannotAnswer):
        return [title, Notes([str(grid)], "caution")]
    found = worded.between_tried(grid, chosen.choice, voice, steps, chosen.batches)
    shown = worded.table(grid, voice, 8)
    return [title, Findings([found], kind="plain"), Grid(shown, "The best of them")]


def _confirmation(trial: Trial, chosen: Chosen, voice: Voice) -> Pieces:
    from fizzlab.report.phrases import choose as worded

    title, told = "### Confirm it", chosen.confirmation
    if isinstance(told, CannotAnswer):
        return [title, Notes([str(told)], "plain")]
    found = worded.confirming(told, voice, chosen.batches)
    return [
        title,
        *_told(found, "next"),
        Notes(worded.judging(told, voice, chosen.air, trial.folder.resolve().name), "plain"),
    ]


def _next(trial: Trial, chosen: Chosen, voice: Voice) -> Pieces:
    from fizzlab.report.phrases import choose as worded

    title, plan = "### Batches to add", chosen.further
    if isinstance(plan, CannotAnswer):
        return [title, Notes([spoken(f"{worded.none_to_add(chosen.choice)} {plan}", trial)], "next")]
    return [
        title,
        Notes([worded.next_batches(plan, voice)], "next"),
        Grid(worded.plan_table(plan, voice), "In this order"),
        Notes([spoken(line, trial) for line in plan.warnings], "plain") if plan.warnings else None,
    ]
