"""From trial.toml to a plan: which batches, in which order, what goes into each, and what they can tell."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from fizzlab.bench.cards import Cards, make_cards
from fizzlab.design.detect import Power, power
from fizzlab.design.kinds import KINDS
from fizzlab.design.plans import Plan, plan
from fizzlab.design.trials import ASSUMED, Spreads
from fizzlab.errors import BadInput, CannotAnswer, Problem, listed
from fizzlab.measures import Measure, TableSpec, number
from fizzlab.trial.settings import FILE, FactorSettings, PlanSettings, TrialSettings

if TYPE_CHECKING:
    from fizzlab.models.result import FitResult

#: Columns of the air that each model of it has.
_AIR = {"vpd": 1, "none": 0}


@dataclass(frozen=True)
class Planned:
    """A trial, planned: the design, its runs (run, day, blind, factors) in the order of making, the cards."""

    settings: TrialSettings
    plan: Plan
    runs: pd.DataFrame
    cards: Cards

    @property
    def wishes(self) -> PlanSettings:
        """The section [plan]."""
        assert self.settings.plan is not None
        return self.settings.plan

    @property
    def labels(self) -> dict[str, str]:
        """The plain words for each factor, with its name where another has the same."""
        labels = {name: self.settings.label(name) for name in self.settings.factors}
        said = list(labels.values())
        return {
            name: label if said.count(label) == 1 else f"{label} ({name})" for name, label in labels.items()
        }

    def statements(self, detectable: Sequence[str] = ()) -> tuple[str, ...]:
        """What the plan can and cannot tell, one sentence each; `detectable` is said of its power."""
        said = [*self.plan.statements(self.labels), *detectable]
        recipe = self.settings.recipe
        same = [self.settings.label(n) for n in self.settings.factors if recipe and n not in recipe.by_factor]
        if same:
            said.append(f"The recipe is the same at every level of {listed(same)}.")
        cost = self.cards.cost_each
        if cost is not None:
            span = f"{number(cost.low)} to {number(cost.high)}"
            said.append(f"Ingredients cost about {number(cost.typical)} a piece ({span}).")
        return tuple(said)

    def level_table(self) -> pd.DataFrame:
        """The levels of each batch in words, one column a factor under its plain name."""
        levels = [[level for _, level in card.levels] for card in self.cards.cards]
        return pd.DataFrame(levels, columns=list(self.labels.values()), index=self.runs.index)

    def amounts_table(self) -> pd.DataFrame:
        """Grams of each ingredient (columns) in each batch (rows), in words; empty without a recipe."""
        grams = [
            {"batch": card.run}
            | {row["ingredient"]: number(row["grams"], 3) for row in card.amounts.to_dict("records")}
            for card in self.cards.cards
            if card.amounts is not None
        ]
        return pd.DataFrame(grams).fillna("0")

    def in_words(self) -> str:
        """The order of making in one text, for those who cannot see a picture of it."""
        said: dict[str, list[str]] = {}
        for card in self.cards.cards:
            levels = ", ".join(level for _, level in card.levels)
            said.setdefault(card.day, []).append(f"{card.run} with {levels}")
        days = [f"day {day}: {'; '.join(batches)}" for day, batches in said.items()]
        return f"The batches in the order of making. {'. '.join(days)}."


def plan_trial(settings: TrialSettings) -> Planned:
    """Plan the batches that the section [plan] asks for.

    Raises
    ------
    BadInput
        There is no section [plan], it does not fit the factors, or an amount of the recipe does not
        work out at some level.
    CannotAnswer
        A plan of these batches could not answer: nothing to judge chance variation by, a factor that
        never changes, effects that cannot be told apart, more effects than batches.
    """
    wishes = settings.plan
    if wishes is None:
        do = 'Add one with the kind of plan, for example: kind = "compare".'
        raise BadInput([Problem(FILE, "there is no section [plan].", do, column="key plan")])
    kind = KINDS[wishes.kind]
    try:
        made = plan(
            wishes.kind,
            {name: _given(factor, kind.blends) for name, factor in settings.factors.items()},
            seed=settings.seed,
            batches_per_day=wishes.batches_per_day,
            **{key: getattr(wishes, key) for key in kind.options},
        )
    except ValueError as error:  # what the models of [plan] cannot see by themselves
        said = str(error)
        raise BadInput(
            [Problem(FILE, f"{said[:1].lower()}{said[1:].rstrip('.')}.", "Change it.", column="key plan")]
        ) from error
    runs = pd.DataFrame({name: made.runs[name].astype(str) for name in ("run", "day", "blind")})
    for name, factor in settings.factors.items():
        runs[name] = made.runs[name].astype(float if factor.numeric else str)
    problems = _amounts_fit(settings, runs)
    if problems:
        raise BadInput(problems)
    return Planned(settings, made, runs, make_cards(settings, runs))


def _given(factor: FactorSettings, share: bool = False) -> dict[str, object]:
    if not share:
        return factor.model_dump()
    low, high = factor.range()
    return {"low": low, "high": high, "unit": factor.unit}


def _amounts_fit(settings: TrialSettings, runs: pd.DataFrame) -> list[Problem]:
    """Refuse amounts that trial.toml does not foresee, and named amounts that the kind cannot use."""
    assert settings.plan is not None
    kind = settings.plan.kind
    problems = []
    for name, factor in settings.factors.items():
        if factor.amounts is None:
            continue
        named, used = {float(amount) for amount in factor.amounts}, {float(value) for value in runs[name]}
        if used - named and factor.low is None:
            need = f"{min(used - named):.4g} {factor.unit}".rstrip()
            what = f"this plan would need {need}, which is not among its amounts."
            do = "Give low and high, if any amount between them can be made, or another kind of plan."
            problems.append(Problem(FILE, what, do, column=f"key factors.{name}"))
        if named - used and KINDS[kind].two_levels:
            left = f"{min(named - used):.4g}"
            what = f"a plan of the kind “{kind}” tries two amounts, and leaves {left} out."
            do = "Name two amounts, or choose a factorial or an optimal plan."
            problems.append(Problem(FILE, what, do, column=f"key factors.{name}.amounts"))
    return problems


@dataclass(frozen=True)
class Detects:
    """What a planned trial can detect, in sentences, and by response where it was worked out."""

    sentences: tuple[str, ...]
    power: Mapping[str, Power]


def plan_power(planned: Planned, earlier: Mapping[str, Spreads] | None = None, trials: int = 1000) -> Detects:
    """Simulate a planned trial and say what it can detect, response by response.

    Without `earlier` spreads of a response an assumption stands in where ways are compared by ratios, and
    nothing is worked out where they are compared by differences.
    """
    settings, wishes = planned.settings, planned.wishes
    tables = settings.tables()
    known = earlier or {}
    found: dict[str, Power] = {}
    reasons: dict[str, list[str]] = {}
    for name, measure in settings.measures().items():
        if measure.table not in wishes.tables:
            continue
        if name not in known and measure.scale != "ratio":
            continue
        spreads = known.get(name, ASSUMED)
        like = next((f for f in found.values() if not f.looks_h and f.spreads is spreads), None)
        looks = _looked_at(measure, tables[measure.table])
        if like is not None and not looks:  # the same chances, whatever the number is
            found[name] = replace(like, response=measure.label)
            continue
        try:
            found[name] = power(
                planned.runs,
                ratio=wishes.smallest_difference,
                difference=None if measure.scale == "ratio" else spreads.of_batch_mean(wishes.pieces),
                looks_h=wishes.checks_h if looks else None,
                pieces=wishes.pieces,
                spreads=spreads,
                terms=settings.terms(),
                air=_AIR[settings.drying.air] if looks and "room_log" in wishes.tables else 0,
                trials=trials,
                seed=settings.seed,
                hardest=True,
                label=settings.label,
                response=measure.label,
            )
        except CannotAnswer as reason:
            reasons.setdefault(str(reason), []).append(measure.label)
    return Detects(tuple(_said(found, reasons)), found)


def _looked_at(measure: Measure, table: TableSpec) -> bool:
    """Is it read by looks at planned hours, rather than as a number?"""
    read = {column.name: column.kind for column in table.columns}
    return "hours" in table.planned and read.get(measure.column) == "yes_no"


def _said(found: Mapping[str, Power], reasons: Mapping[str, list[str]]) -> list[str]:
    """The first response in full, of the others the smallest effect, and why some are not worked out."""
    if not found and not reasons:
        return ["How small a difference this plan would see is not worked out: no spread is known."]
    said = [
        f"How small a difference of {listed(named)} it would see: {why}" for why, named in reasons.items()
    ]
    if not found:
        return said
    first, *others = found.values()
    more: dict[str, list[str]] = {}
    for each in others:
        more.setdefault(each.smallest(), []).append(each.response)
    return [
        *first.statements(),
        *(f"Of {listed(named)}, {sentence}" for sentence, named in more.items()),
        *said,
    ]


def earlier_spreads(fits: Mapping[str, FitResult], code: str) -> dict[str, Spreads]:
    """How much pieces, batches and days differed in an earlier trial of that code, by response.

    Numbers of a batch keep what its pieces add. Nothing is learnt of a response whose days were taken as
    fixed blocks, or whose spread was not seen.

    Raises
    ------
    CannotAnswer
        None of its readings can tell.
    """
    from fizzlab.models.curing_fit import CuringFit
    from fizzlab.models.effects import ResponseFit

    origin = f"those found in the trial {code}"
    found = {}
    for name, fit in fits.items():
        if isinstance(fit, CuringFit) and np.isfinite(fit.sigma) and np.isfinite(fit.tau):
            typical = float(np.exp(fit.location(fit.matrix(fit.batches))[0].mean()))
            days = 0.0 if np.isnan(fit.delta) else fit.delta
            found[name] = Spreads(fit.sigma, fit.tau, days, origin, typical)
        elif isinstance(fit, ResponseFit) and not fit.structure.fixed:
            sd = fit.spread["sd"]
            if sd["between batches"] > 0:
                days = float(sd.get("between days", 0.0))
                found[name] = Spreads(0.0, float(sd["between batches"]), days, origin)
    if not found:
        raise CannotAnswer(
            f"The earlier trial {code} cannot tell how much batches differ in what is planned here.",
            "Name one that measured the same, or leave --earlier out.",
        )
    return found
