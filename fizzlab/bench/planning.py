"""From trial.toml to a plan: which batches, in which order, what goes into each, and what they can tell."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import pandas as pd

from fizzlab.bench.cards import Cards, make_cards
from fizzlab.design.detect import Power, power
from fizzlab.design.kinds import KINDS
from fizzlab.design.plans import Plan, plan
from fizzlab.design.trials import ASSUMED, Spreads
from fizzlab.errors import BadInput, CannotAnswer, Problem, cannot, problem, refuse
from fizzlab.language import dayed, listed, say
from fizzlab.measures import number
from fizzlab.recipe.units import UNITS
from fizzlab.trial.calendar import nights, times
from fizzlab.trial.folder import folder_there
from fizzlab.trial.settings import FILE, FactorSettings, PlanSettings, TrialSettings, read_settings

if TYPE_CHECKING:
    from fizzlab.models.result import FitResult

DEMO = Path(__file__).resolve().parent / "templates" / "plan_demo"

#: What a table has whose pieces are not used up: hours to look at them, or codes to score them by.
_KEPT = ("hours", "blind")

#: Columns of the air that each model of it has.
_AIR = {"vpd": 1, "none": 0}


@dataclass(frozen=True)
class TrialPlan:
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
        return {n: label if said.count(label) == 1 else f"{label} ({n})" for n, label in labels.items()}

    def statements(self, detectable: Sequence[str] = ()) -> tuple[str, ...]:
        """What the plan can and cannot tell, one sentence each; `detectable` is said of its power."""
        said = [*self.plan.statements(self.labels), *detectable]
        recipe = self.settings.recipe
        same = [self.settings.label(n) for n in self.settings.factors if recipe and n not in recipe.by_factor]
        if same:
            said.append(say("recipe_same", names=listed(same)))
        return (*said, *nights(self.settings, times(self.settings, self.runs)))

    def level_table(self) -> pd.DataFrame:
        """The levels of each batch in words, one column a factor under its plain name."""
        levels = [[level for _, level in card.levels] for card in self.cards.cards]
        return pd.DataFrame(levels, self.runs.index, list(self.labels.values()))

    def by_day(self) -> list[str]:
        """The batches in the order of making, a line a day, with date and clock where the plan has them."""
        said: dict[str, list[str]] = {}
        for card in self.cards.cards:
            date, _, clock = card.made.rpartition(" ")
            words = f"{clock} {card.run} {', '.join(dict(card.levels).values())}".strip()
            day = say("on_dated_day" if date else "on_day", day=card.day, date=date)
            said.setdefault(day, []).append(words)
        return [f"{day}: {'; '.join(batches)}." for day, batches in said.items()]


def read_plan(folder: str | Path = "") -> TrialPlan:
    """Plan the trial in a folder without writing anything; with no folder, an invented one."""
    folder = Path(folder) if str(folder) else DEMO
    folder_there(folder)
    settings, problems = read_settings(folder)
    if settings is None:
        raise BadInput(problems)
    return plan_trial(settings)


def plan_trial(settings: TrialSettings) -> TrialPlan:
    """Plan the batches that the section [plan] asks for.

    BadInput is raised where it does not fit the factors or an amount does not work out at some level;
    CannotAnswer where these batches could not answer: nothing to judge chance variation by, effects that
    cannot be told apart, more effects than batches.
    """
    wishes = settings.plan
    if wishes is None:
        raise refuse("no_plan_section", FILE, say("at_key", key="plan"))
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
        fault = f"{str(error)[:1].lower()}{str(error)[1:].rstrip('.')}"
        raise refuse("toml_value_error", FILE, say("at_key", key="plan"), error=fault) from error
    kinds = {name: float if factor.numeric else str for name, factor in settings.factors.items()}
    runs = made.runs[["run", "day", "blind", *kinds]].astype({"run": str, "day": str, "blind": str, **kinds})
    problems = _amounts_fit(settings, runs, wishes.kind)
    if problems:
        raise BadInput(problems)
    runs = runs if kind.blends else _weighable(settings, runs)
    cards, when = make_cards(settings, runs), times(settings, runs)
    if not when.empty:
        stamps = when.loc[when["table"] == "runs", "at"].dt.strftime("%Y-%m-%dT%H:%M")
        runs = runs.assign(planned_at=stamps.to_list())
    return TrialPlan(settings, made, runs, dated(cards, when))


def dated(cards: Cards, when: pd.DataFrame) -> Cards:
    """The cards with the date and clock time of making, and of the looks."""
    kept = when[~when["lost"]].assign(clock=when["at"].dt.strftime("%H:%M"))
    kept["day"] = kept["at"].map(dayed)
    said = []
    for card in cards.cards:
        rows = kept[kept["run"] == card.run]
        looks = rows[1:].drop_duplicates("at").sort_values("at").groupby("day", sort=False)["clock"]
        days = "; ".join(f"{day} {', '.join(clocks)}" for day, clocks in looks)
        said.append(replace(card, made=" ".join([*rows["day"][:1], *rows["clock"][:1]]), looks=days))
    return replace(cards, cards=tuple(said))


def _weighable(settings: TrialSettings, runs: pd.DataFrame) -> pd.DataFrame:
    """The runs, with what the plan chose within a range moved to what the scale shows, or to whole drops."""
    recipe = settings.made_recipe()
    for rule in recipe.rules if recipe else ():
        factor, unit, each = settings.factors[rule.factor], UNITS.get(rule.unit), runs[rule.factor]
        if unit is not None and unit.dimension != "volume" and factor.low is not None:
            step = settings.bench.scale_g / unit.size if unit.dimension == "mass" else 1.0
            moved = ((each / step).round() * step).clip(*factor.range()).round(9)
            runs = runs.assign(**{rule.factor: each.where(each.isin(factor.amounts or ()), moved)})
    return runs


def _given(factor: FactorSettings, share: bool) -> dict[str, object]:
    if not share:
        return factor.model_dump()
    low, high = factor.range()
    return {"low": low, "high": high, "unit": factor.unit}


def _amounts_fit(settings: TrialSettings, runs: pd.DataFrame, kind: str) -> list[Problem]:
    """Refuse amounts that trial.toml does not foresee, and named amounts that the kind cannot use."""
    problems = []
    for name, factor in settings.factors.items():
        named, used = set(factor.amounts or ()), set(runs[name]) if factor.amounts else set()
        if used - named and factor.low is None:
            need = f"{min(used - named):.4g} {factor.unit}".rstrip()
            key = say("at_key", key=f"factors.{name}")
            problems.append(problem("amount_needed", FILE, column=key, need=need))
        if named - used and KINDS[kind].two_levels:
            key, out = say("at_key", key=f"factors.{name}.amounts"), min(named - used)
            problems.append(problem("amount_unused", FILE, column=key, kind=kind, amount=out))
    return problems


class Detects(NamedTuple):
    """What a planned trial can detect, in sentences, and by response where it was worked out."""

    sentences: tuple[str, ...]
    power: dict[str, Power]


def plan_power(
    planned: TrialPlan, earlier: Mapping[str, Spreads] | None = None, trials: int = 1000
) -> Detects:
    """Simulate a planned trial and say what it can detect, response by response.

    Without `earlier` spreads of a response an assumption stands in where ways are compared by ratios, and
    nothing is worked out where they are compared by differences. The first response is told in full.
    """
    settings, wishes, known = planned.settings, planned.wishes, earlier or {}
    work = partial(power, planned.runs, trials=trials, seed=settings.seed, hardest=True, label=settings.label)
    if wishes.again:
        return Detects(tuple(_precision(planned)), {})
    if settings.factors and len(planned.runs[[*settings.factors]].drop_duplicates()) < 2:
        return Detects((say("batches_alike"),), {})
    found: dict[str, Power] = {}
    reasons: dict[str, list[str]] = {}
    for name, measure in settings.measures().items():
        ratio = measure.scale == "ratio"
        if measure.table not in wishes.tables or not (name in known or ratio):
            continue
        spreads, table = known.get(name, ASSUMED), settings.tables()[measure.table]
        kind = {column.name: column.kind for column in table.columns}.get(measure.column)
        looks = "hours" in table.planned and kind == "yes_no"  # at planned hours, rather than a number
        aired = looks or not settings.factors
        like = [f for f in found.values() if not (f.looks_h or looks) and f.spreads is spreads]
        try:
            found[name] = (
                replace(like[0], response=measure.label)  # the same chances, whatever the number is
                if like
                else work(
                    ratio=wishes.smallest_difference,
                    difference=None if ratio else spreads.of_batch_mean(wishes.pieces),
                    looks_h=wishes.checks_h if looks else None,
                    pieces=wishes.pieces,
                    spreads=spreads,
                    terms=settings.terms(),
                    air=_AIR[settings.drying.air] if aired and "room_log" in wishes.tables else 0,
                    response=measure.label,
                )
            )
        except CannotAnswer as reason:
            reasons.setdefault(str(reason), []).append(measure.label)
    said = [sentence for first in [*found.values()][:1] for sentence in first.statements()]
    more: dict[str, list[str]] = {}
    for each in [*found.values()][1:]:
        more.setdefault(each.smallest(), []).append(each.response)
    said += [say("of_others_sees", names=listed(n), sentence=sentence) for sentence, n in more.items()]
    said += [say("sees_untold", names=listed(n), why=why) for why, n in reasons.items()]
    return Detects(tuple(said or [say("no_spread_known")]), found)


def _precision(planned: TrialPlan) -> Iterator[str]:
    """How well the plan would know each spread (by chi-square), and how many pieces its tests use up."""
    from scipy import stats

    wishes, batches = planned.wishes, len(planned.runs)
    people, repeats = len(wishes.raters), wishes.repeats or 1
    spare = {"repeats": batches * people * (repeats - 1), "alike": batches - 1, "people": people - 1}
    for what, df in spare.items():
        low, high = np.sqrt(df / stats.chi2.ppf([0.975, 0.025], df)) if df else (0, 0)
        says = "spread_known" if df else "spread_unknown"
        yield say(says, what=say(f"differ_{what}"), low=number(low), high=number(high))
    specs = [spec for name, spec in planned.settings.tables().items() if name in wishes.tables]
    spent = [each for each in specs if "rater" in each.planned and not {*_KEPT} & {*each.planned}]
    need = sum(people * repeats * (wishes.pieces if "pieces" in spec.planned else 1) for spec in spent)
    if need:
        yield say("tests_use_up", pieces=need)


def earlier_spreads(fits: Mapping[str, FitResult], code: str) -> dict[str, Spreads]:
    """How much pieces, batches and days differed in an earlier trial of that code, by response.

    Numbers of a batch keep what its pieces add. Nothing is learnt of a response whose days were taken as
    fixed blocks, or whose spread was not seen; CannotAnswer is raised where none is left.
    """
    from fizzlab.models.curing_fit import CuringFit
    from fizzlab.models.effects import ResponseFit

    origin = say("found_in_trial", code=code)
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
        raise cannot("no_earlier_spread", code=code)
    return found
