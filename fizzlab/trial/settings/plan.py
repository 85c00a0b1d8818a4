"""The section [plan] of `trial.toml`: which batches to make, and how each is to be looked at."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Annotated, Any, Literal

from pydantic import Field, model_validator

from fizzlab.design.kinds import KINDS
from fizzlab.errors import Problem, nearest
from fizzlab.measures import TableSpec
from fizzlab.trial.settings.base import FILE, FactorSettings, Name, Section

if TYPE_CHECKING:
    PlanKind = str
else:
    PlanKind = Literal[tuple(KINDS)]

Hours = Annotated[float, Field(gt=0, le=2000)]
Level = str | float | int


class PlanSettings(Section):
    """The whole section [plan]."""

    kind: PlanKind
    batches_per_day: int | None = Field(default=None, ge=1, le=50)
    days: int | None = Field(default=None, ge=1, le=200)
    control_batches: Literal["root", "equal"] | int | None = None
    repeats: int | None = Field(default=None, ge=1, le=20)
    generators: list[Name] | None = Field(default=None, min_length=1)
    resolution: int | None = Field(default=None, ge=3, le=10)
    centre_points: int | None = Field(default=None, ge=0, le=20)
    reach: Literal["circumscribed", "inscribed", "faces"] | None = None
    batches: int | None = Field(default=None, ge=2, le=200)
    model: Literal["main", "interactions", "quadratic", "full"] | list[Name] | None = None
    forbidden: list[dict[str, Level | list[Level]]] | None = None
    hard_to_change: list[Name] | None = Field(default=None, min_length=1)
    total: float | None = Field(default=None, gt=0)
    blending: Literal["linear", "quadratic", "special cubic"] | None = None
    smallest_difference: float = Field(default=1.25, gt=1, le=100)
    tables: list[str] = Field(default=["touch_checks", "room_log"], min_length=1)
    pieces: int = Field(default=4, ge=1, le=100)
    checks_h: list[Hours] = Field(default=[2.0, 3.0, 4.0, 6.0, 8.0, 12.0, 24.0], min_length=1, max_length=50)
    weighings_h: list[Annotated[float, Field(ge=0, le=2000)]] | None = Field(default=None, min_length=1)
    raters: list[Name] = Field(default=["1"], min_length=1, max_length=20)

    @model_validator(mode="after")
    def _in_order(self) -> PlanSettings:
        for key in ("checks_h", "weighings_h"):
            hours = getattr(self, key)
            if hours is not None and hours != sorted(set(hours)):
                raise ValueError(f"the hours of {key} must go up, each once")
        if len(set(self.raters)) < len(self.raters):
            raise ValueError("a rater is named twice")
        return self


def plan_problems(
    plan: PlanSettings, factors: Mapping[str, FactorSettings], tables: Mapping[str, TableSpec]
) -> list[Problem]:
    """Say what in [plan] does not fit the rest of `trial.toml`."""
    if not factors:
        return [_problem("kind", "there is no factor to plan for.", "Add one under [factors.NAME].")]
    kind = KINDS[plan.kind]
    problems = []
    # a key that the kind does not use is refused, so that no wish is ignored
    for key in dict.fromkeys(option for each in KINDS.values() for option in each.options):
        if getattr(plan, key) is not None and key not in kind.options:
            others = ", ".join(each.name for each in KINDS.values() if key in each.options)
            what = f"a plan of the kind “{plan.kind}” has no use for it."
            problems.append(_problem(key, what, f"Take it out, or change the kind ({others})."))
    for key in kind.needs:
        if getattr(plan, key) is None:
            problems.append(_problem(key, f"a plan of the kind “{plan.kind}” needs it.", "Add it."))
    for key in ("hard_to_change", "model"):
        terms = getattr(plan, key)
        for term in terms if isinstance(terms, list) else ():
            for name in term.removesuffix("^2").split(":"):
                if name not in factors:
                    problems.append(_no_factor(key, name, factors))
    for number, pair in enumerate(plan.forbidden or (), start=1):
        problems += _forbidden(f"forbidden ({number})", pair, factors)
    if kind.one_factor and len(factors) > 1:
        what = f"a plan of the kind “{plan.kind}” compares the levels of one factor, not of {len(factors)}."
        do = "Plan a factorial, or make one factor of them."
        problems.append(_problem("kind", what, do))
    if kind.blends:
        problems += _shares(factors)
    if plan.hard_to_change is not None and set(plan.hard_to_change) >= set(factors):
        what = "every factor is one of the room, so none is changed from batch to batch."
        problems.append(_problem("hard_to_change", what, "Leave at least one factor out of it."))
    readings = [name for name in tables if name != "runs"]
    for name in plan.tables:
        if name not in readings:
            guess = nearest(name, readings)
            do = f"Did you mean {guess}?" if guess else f"Choose from: {', '.join(readings)}."
            problems.append(_problem("tables", f"fizzlab has no table “{name}” to fill in.", do))
    return problems


def _shares(factors: Mapping[str, FactorSettings]) -> list[Problem]:
    problems = []
    for name, factor in factors.items():
        if factor.low is None or factor.low < 0:
            what = "an ingredient of a mixture needs bounds of zero or more."
            problems.append(Problem(FILE, what, "Give low and high.", column=f"key factors.{name}"))
    if len({factor.unit for factor in factors.values()}) > 1:
        do = "Give every ingredient of the mixture the same unit."
        problems.append(_problem("kind", "a mixture adds up in one unit, and the factors have several.", do))
    return problems


def _forbidden(key: str, pair: Mapping[str, Any], factors: Mapping[str, FactorSettings]) -> list[Problem]:
    problems = []
    if not pair:
        problems.append(_problem(key, "it names nothing.", 'Write { colour = "dye", binder_g = 1.8 }.'))
    conditions = [
        (name, level)
        for name, levels in pair.items()
        for level in (levels if isinstance(levels, list) else [levels])
    ]
    for name, level in conditions:
        factor = factors.get(name)
        if factor is None:
            problems.append(_no_factor(key, name, factors))
        elif factor.levels is not None and level not in factor.levels:
            guess = nearest(str(level), factor.levels)
            do = f"Did you mean {guess}?" if guess else f"Its levels are: {', '.join(factor.levels)}."
            problems.append(_problem(f"{key}.{name}", f"the factor has no level “{level}”.", do))
        elif factor.levels is None and isinstance(level, str):
            problems.append(_problem(f"{key}.{name}", f"“{level}” is not a number.", "Write the amount."))
    return problems


def _no_factor(key: str, name: str, factors: Mapping[str, FactorSettings]) -> Problem:
    guess = nearest(name, factors)
    do = f"Did you mean {guess}?" if guess else "Choose one of those under [factors.NAME]."
    return _problem(key, f"the trial has no factor “{name}”.", do)


def _problem(key: str, what: str, do: str) -> Problem:
    return Problem(FILE, what, do, column=f"key plan.{key}")
