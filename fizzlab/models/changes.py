"""What a trial changed: every factor against every response, gathered from the fits that the report shows.

Dry times are compared by their own fit, which knows days. Every other response with one number a batch is
compared by `fizzlab.models.effects`, which knows them too, wherever days have several batches. The fits of
fizz times, scores and drops know batches only. They serve where days tell nothing (one day, or a batch a
day), or where there is no number a batch, and then not for what was set mostly for whole days.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import pandas as pd

from fizzlab.errors import CannotAnswer
from fizzlab.models.crumble import CrumbleStudy, DropFit, Effect, ScoreFit
from fizzlab.models.cure.study import DryingStudy, WeighedStudy
from fizzlab.models.effects import (
    Analysis,
    Change,
    changes_of,
    fit_response,
    mostly_by_days,
    ratio_limits,
    set_for_days,
)
from fizzlab.models.effects.study import Scale
from fizzlab.models.fizz.study import Compared, FizzStudy
from fizzlab.models.responses import Responses
from fizzlab.models.terms import Category, Term, level_name, varying

#: What is shown, in this order; a maker's own responses and the cost come last.
ORDER = (
    "dry_h",
    "weighed_dry_h",
    "tumble_loss_pct",
    "drop_cm",
    "score",
    "fizz_s",
    "half_out_s",
    "gas_pct",
    "colour_s",
)


#: A joint effect, or a bend, counts as shown where chance alone would show as much more rarely than this.
SHOWN_P = 0.05


@dataclass(frozen=True)
class Changed:
    """What every factor did to every response.

    Parameters
    ----------
    terms : tuple of Category or Amount
        The factors that changed between batches.
    changes : tuple of Change
        By response in the order of the report, then by factor.
    analyses : mapping of str to Analysis
        The fit of each response that has one number a batch.
    reasons : mapping of str to CannotAnswer
        Responses that were measured and cannot be compared, or factors of theirs (``"drop_cm, room"``).
    whole_day : tuple of str
        Factors that were set for whole days.
    notes : tuple of str
    joint : mapping of str to Analysis
        The same with joint effects of two factors, where the batches can carry them.
    measured : Responses
        The number of each batch.
    """

    terms: tuple[Term, ...]
    changes: tuple[Change, ...]
    analyses: Mapping[str, Analysis]
    reasons: Mapping[str, CannotAnswer]
    whole_day: tuple[str, ...]
    notes: tuple[str, ...]
    joint: Mapping[str, Analysis]
    measured: Responses

    @property
    def responses(self) -> tuple[str, ...]:
        """The responses that are compared, in order."""
        return tuple(dict.fromkeys(change.response for change in self.changes))

    def of(self, factor: str, response: str | None = None) -> list[Change]:
        """The changes by one factor, of one response or all."""
        return [
            change
            for change in self.changes
            if change.factor == factor and response in (None, change.response)
        ]

    def depends(self, response: str) -> bool:
        """Was it shown that what one factor does to a response depends on another?"""
        joint = self.joint.get(response)
        return joint is not None and bool(
            (joint.tests["p"][joint.tests.index.str.contains(":")] < SHOWN_P).any()
        )

    def with_cost(self, changes: Sequence[Change], reason: CannotAnswer | None = None) -> Changed:
        """The same with what the factors do to the cost, or why that is not known."""
        reasons = self.reasons if reason is None else {**self.reasons, "cost": reason}
        return replace(self, changes=(*self.changes, *changes), reasons=reasons)


def compare_all(
    responses: Responses,
    terms: Sequence[Term],
    scales: Mapping[str, str],
    margins: Mapping[str, float],
    *,
    dried: DryingStudy | CannotAnswer | None = None,
    weighed: WeighedStudy | None = None,
    crumbled: CrumbleStudy | None = None,
    fizzed: FizzStudy | None = None,
    models: Sequence[str | Sequence[str]] = ("main",),
) -> Changed:
    """Compare the levels of every factor in every response.

    Parameters
    ----------
    responses : Responses
    terms : sequence of Category or Amount
        The factors.
    scales : mapping of str to {"ratio", "difference"}
        How each measured response is compared.
    margins : mapping of str to float
        Where the maker stated within which ratio two ways count as the same.
    dried, weighed, crumbled, fizzed
        What the tests say.
    models : sequence
        Models to try for the responses with one number a batch, the first that can be fitted counts.
    """
    kept, notes = varying(terms, responses.batches)
    whole = set_for_days(responses.batches, kept)
    found: dict[str, list[Change]] = {}
    reasons: dict[str, CannotAnswer] = dict(responses.not_told)
    analyses: dict[str, Analysis] = {}
    joint: dict[str, Analysis] = {}
    for name in responses.measured:
        table = responses.batches
        there = table[table[name].notna()]
        varied, _ = varying(kept, there)
        try:
            if not varied:
                raise CannotAnswer(
                    "All batches with a number were made alike.", "Measure the other batches too."
                )
            log = scales[name] == "ratio"
            analyses[name] = fit_response(table, name, varied, log=log, models=models)
        except CannotAnswer as reason:
            reasons[name] = reason
            continue
        found[name] = changes_of(analyses[name], margins.get(name))
        both = _with_joint_effects(analyses[name], table)
        if both is not None:
            joint[name] = both
    special = {
        "dry_h": _of_drying("dry_h", dried, margins.get("dry_h")),
        "weighed_dry_h": None
        if weighed is None
        else _of_drying("weighed_dry_h", weighed.model, margins.get("weighed_dry_h")),
        **_of_crumbling(crumbled),
        **_of_fizz(fizzed, margins),
    }
    for name, own in special.items():
        if isinstance(own, CannotAnswer):
            reasons.setdefault(name, own)
        elif own is not None:
            knows_days = name in ("dry_h", "weighed_dry_h")
            if not knows_days and name in found and analyses[name].structure.kind != "ordinary":
                continue
            by_days = () if knows_days else mostly_by_days(responses.batches, kept)
            for factor in dict.fromkeys(change.factor for change in own if change.factor in by_days):
                reasons[f"{name}, {factor}"] = reasons.get(name) or CannotAnswer(
                    "It was set for whole days, and this test has no comparison by days."
                    if factor in whole
                    else "It changed mostly from day to day, and this test has no comparison by days.",
                    "Change it from batch to batch within a day.",
                )
            found[name] = [change for change in own if change.factor not in by_days]
            if found[name]:
                reasons.pop(name, None)
    order = [*ORDER, *(name for name in found if name not in ORDER)]
    rank = {term.name: place for place, term in enumerate(kept)}
    changes = [
        change
        for name in order
        for change in sorted(found.get(name, []), key=lambda each: rank.get(each.factor, len(rank)))
    ]
    return Changed(tuple(kept), tuple(changes), analyses, reasons, whole, tuple(notes), joint, responses)


#: Fewest degrees of freedom on which a joint effect is worth testing.
FEW_DF = 3.0


def _with_joint_effects(analysis: Analysis, table: pd.DataFrame) -> Analysis | None:
    """The same response with every joint effect of two factors, if enough is left to judge them by."""
    if len(analysis.basis.factors) < 2 or any(":" in term for term in analysis.basis.terms):
        return None
    try:
        found = fit_response(
            table, analysis.response, analysis.basis.factors, log=analysis.log, models=["interactions"]
        )
    except CannotAnswer:
        return None
    return found if (found.tests["df_den"] >= FEW_DF).all() else None


def _of_drying(
    response: str, study: DryingStudy | CannotAnswer | None, margin: float | None
) -> list[Change] | CannotAnswer | None:
    if study is None or isinstance(study, CannotAnswer):
        return study
    found = []
    for term in study.fit.terms:
        if term in study.air:
            continue
        tried = study.fit.tried[term.name]
        pairs: list[tuple[object, object]] = (
            [(level, term.control) for level in term.levels if level != term.control]
            if isinstance(term, Category)
            else [(float(tried[1]), float(tried[0]))]
        )
        for to, start in pairs:
            effect = study.fit.between({**study.typical, term.name: to}, {**study.typical, term.name: start})
            ratio, low, high = effect.ratio
            judge = "batches"
            if study.fit.n_days is not None and set_for_days(study.batches, [term]):
                judge = "days"
            found.append(
                _ratio(
                    response,
                    term,
                    to,
                    start,
                    (ratio, low, high),
                    effect.df,
                    study.fit.n_batches,
                    judge,
                    margin,
                )
            )
    return found


def _of_crumbling(study: CrumbleStudy | None) -> dict[str, list[Change] | CannotAnswer | None]:
    found: dict[str, list[Change] | CannotAnswer | None] = {}
    if study is None:
        return found
    for name, part in (("drop_cm", study.drops), ("score", study.scores)):
        if part is None:
            continue
        if isinstance(part.fit, CannotAnswer):
            found[name] = part.fit
            continue
        batches = part.known.batches
        found[name] = [change for term in part.known.terms for change in _odds(name, term, part.fit, batches)]
    return found


def _odds(response: str, term: Term, fit: DropFit | ScoreFit, batches: pd.DataFrame) -> list[Change]:
    """The effects of one term; of an amount from the least to the most, as a power of a ratio."""
    found = []
    by_name: dict[str, Effect] = {effect.name: effect for effect in fit.effects}
    if isinstance(term, Category):
        pairs = [
            (level, term.control, f"{term.name}[{level}]", 1.0)
            for level in term.levels
            if level != term.control
        ]
    else:
        least, most = float(batches[term.name].min()), float(batches[term.name].max())
        pairs = [(level_name(term, most), level_name(term, least), term.columns()[0], most - least)]
    for level, control, column, span in pairs:
        effect = by_name.get(column)
        if effect is None:
            continue
        apart = effect.kind == "difference"
        estimate, low, high = (
            value * span if apart else value**span for value in (effect.estimate, effect.low, effect.high)
        )
        scale: Scale = "difference" if apart else ("ratio" if response == "drop_cm" else "odds ratio")
        found.append(
            Change(
                response=response,
                term=term,
                level=level,
                control=control,
                scale=scale,
                estimate=estimate,
                low=low,
                high=high,
                df=effect.df,
                judged_by="batches",
                batches=len(batches),
                coverage=fit.level,
            )
        )
    return found


def _of_fizz(
    study: FizzStudy | None, margins: Mapping[str, float]
) -> dict[str, list[Change] | CannotAnswer | None]:
    if study is None:
        return {}
    found: dict[str, list[Change] | CannotAnswer | None] = {}
    for name, part in (("fizz_s", study.lasting), ("colour_s", study.colour), ("half_out_s", study.half_out)):
        if part is None or isinstance(part, CannotAnswer):
            found[name] = part
        else:
            found[name] = _of_times(name, part, margins.get(name))
    return found


def _of_times(response: str, compared: Compared, margin: float | None) -> list[Change]:
    found = []
    for term in compared.fit.terms:
        pairs: list[tuple[object, object]] = (
            [(level, term.control) for level in term.levels if level != term.control]
            if isinstance(term, Category)
            else [compared.tried[term.name][::-1]]
        )
        for to, start in pairs:
            ratio, low, high, _, df = compared.change(term, start, to)
            found.append(
                _ratio(
                    response, term, to, start, (ratio, low, high), df, compared.fit.batches, "batches", margin
                )
            )
    return found


def of_cost(settings: pd.DataFrame, each: Sequence[float], terms: Sequence[Term]) -> list[Change]:
    """What each level adds to the cost of a piece, averaged over the other settings that were made.

    Parameters
    ----------
    settings : DataFrame
        The combinations that were made, once each.
    each : sequence of float
        What a piece of each costs.
    terms : sequence of Category or Amount

    Examples
    --------
    >>> colour = Category("colour", ("dye", "lake"), "dye")
    >>> change = of_cost(pd.DataFrame({"colour": ["dye", "lake"]}), [0.20, 0.26], [colour])[0]
    >>> round(change.estimate, 2), change.sure, change.verdict
    (0.06, True, 'more')
    """
    names = [term.name for term in terms]
    priced = settings[names].assign(cost=list(each))
    found = []
    for term in terms:
        others = [name for name in names if name != term.name]
        values = priced[term.name]
        pairs: list[tuple[object, object]] = (
            [(level, term.control) for level in term.levels if level != term.control]
            if isinstance(term, Category)
            else [(values.max(), values.min())]
        )
        for to, start in pairs:
            ends = [priced[values == end].drop(columns=term.name) for end in (to, start)]
            both = ends[0].merge(ends[1], on=others, suffixes=("_to", "_start")) if others else None
            if both is None:
                gap = float(ends[0]["cost"].iloc[0] - ends[1]["cost"].iloc[0])
            elif both.empty:
                continue
            else:
                gap = float((both["cost_to"] - both["cost_start"]).mean())
            found.append(
                Change(
                    response="cost",
                    term=term,
                    level=level_name(term, to),
                    control=level_name(term, start),
                    scale="difference",
                    estimate=gap,
                    low=gap,
                    high=gap,
                    df=float("inf"),
                    judged_by="",
                    batches=0,
                )
            )
    return found


def _ratio(
    response: str,
    term: Term,
    to: object,
    start: object,
    ends: tuple[float, float, float],
    df: float,
    batches: int,
    judged_by: str,
    margin: float | None,
) -> Change:
    same = ratio_limits(*ends, df) if margin is not None else (float("nan"), float("nan"))
    return Change(
        response=response,
        term=term,
        level=level_name(term, to),
        control=level_name(term, start),
        scale="ratio",
        estimate=ends[0],
        low=ends[1],
        high=ends[2],
        df=df,
        judged_by=judged_by,
        batches=batches,
        margin=margin,
        same_low=same[0],
        same_high=same[1],
    )
