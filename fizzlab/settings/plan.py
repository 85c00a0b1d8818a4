"""The section [plan] of `trial.toml`: which batches to make, and how each is to be looked at."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any, Literal

from pydantic import Field, model_validator

from fizzlab.problems import Problem, nearest
from fizzlab.settings.base import FILE, Name, Section
from fizzlab.settings.factors import FactorSettings
from fizzlab.tables import SPECS

PlanKind = Literal[
    "compare",
    "factorial",
    "fractional factorial",
    "screening",
    "central composite",
    "box-behnken",
    "mixture",
    "latin square",
    "optimal",
    "split plot",
]
PLAN_KINDS: tuple[PlanKind, ...] = PlanKind.__args__  # type: ignore[attr-defined]

#: Keys of [plan] that only some kinds use; any other kind refuses them, so that no wish is ignored.
OPTIONS: Mapping[str, tuple[PlanKind, ...]] = {
    "generators": ("fractional factorial",),
    "resolution": ("fractional factorial",),
    "centre_points": (
        "factorial",
        "fractional factorial",
        "screening",
        "central composite",
        "box-behnken",
        "mixture",
    ),
    "axial": ("central composite",),
    "batches": ("screening", "optimal", "fractional factorial"),
    "model": ("optimal", "mixture"),
    "criterion": ("optimal",),
    "forbidden": ("optimal",),
    "keep_made": ("optimal",),
    "hard_to_change": ("split plot",),
    "mixture_total": ("mixture",),
}

Hours = Annotated[float, Field(gt=0, le=2000)]
Level = str | float | int
TABLES = tuple(name for name in SPECS if name != "runs")


class PlanSettings(Section):
    """The whole section [plan]."""

    kind: PlanKind
    factors: list[Name] | None = Field(default=None, min_length=1)
    days: int | None = Field(default=None, ge=1, le=200)
    batches_per_day: int | None = Field(default=None, ge=1, le=50)
    repeats: int = Field(default=1, ge=1, le=20)
    generators: list[Name] | None = Field(default=None, min_length=1)
    resolution: int | None = Field(default=None, ge=3, le=10)
    centre_points: int | None = Field(default=None, ge=0, le=20)
    axial: Literal["rotatable", "face", "spherical"] | None = None
    batches: int | None = Field(default=None, ge=2, le=200)
    model: Literal["main effects", "interactions", "quadratic"] | None = None
    criterion: Literal["D", "I"] | None = None
    forbidden: list[dict[str, Level]] | None = None
    keep_made: bool | None = None
    hard_to_change: list[Name] | None = Field(default=None, min_length=1)
    mixture_total: float | None = Field(default=None, gt=0)
    smallest_difference: float = Field(default=1.25, gt=1, le=100)
    tables: list[str] = Field(default=["touch_checks", "room_log"], min_length=1)
    pieces: int = Field(default=4, ge=1, le=100)
    checks_h: list[Hours] = Field(default=[2.0, 3.0, 4.0, 6.0, 8.0, 12.0, 24.0], min_length=1, max_length=50)
    weighings_h: list[Annotated[float, Field(ge=0, le=2000)]] | None = Field(default=None, min_length=1)
    water_c: float = Field(default=38.0, ge=0, le=60)
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


def plan_problems(plan: PlanSettings, factors: Mapping[str, FactorSettings]) -> list[Problem]:
    """Say what in [plan] does not fit the rest of `trial.toml`."""
    problems = []
    for key, kinds in OPTIONS.items():
        if getattr(plan, key) is not None and plan.kind not in kinds:
            what = f"a plan of the kind “{plan.kind}” has no use for it."
            do = f"Take it out, or change the kind ({', '.join(kinds)})."
            problems.append(_problem(key, what, do))
    for key in ("factors", "hard_to_change"):
        for name in getattr(plan, key) or ():
            if name not in factors:
                problems.append(_no_factor(key, name, factors))
    for number, pair in enumerate(plan.forbidden or (), start=1):
        problems += _forbidden(f"forbidden ({number})", pair, factors)
    for name in plan.tables:
        if name not in TABLES:
            guess = nearest(name, TABLES)
            do = f"Did you mean {guess}?" if guess else f"Choose from: {', '.join(TABLES)}."
            problems.append(_problem("tables", f"fizzlab has no table “{name}” to fill in.", do))
    if not factors:
        problems.append(_problem("kind", "there is no factor to plan for.", "Add one under [factors.NAME]."))
    return problems


def _forbidden(key: str, pair: Mapping[str, Any], factors: Mapping[str, FactorSettings]) -> list[Problem]:
    problems = []
    if not pair:
        problems.append(_problem(key, "it names nothing.", 'Write { colour = "dye", binder_g = 1.8 }.'))
    for name, level in pair.items():
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
