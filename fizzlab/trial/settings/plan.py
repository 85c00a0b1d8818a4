"""The section [plan] of `trial.toml`: which batches to make, and how each is to be looked at."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any, Literal, get_args

from pydantic import Field, model_validator

from fizzlab.errors import Problem, nearest
from fizzlab.measures import TABLES
from fizzlab.trial.settings.base import FILE, FactorSettings, Name, Section

PlanKind = Literal[
    "compare",
    "factorial",
    "fractional factorial",
    "screening",
    "definitive screening",
    "central composite",
    "box-behnken",
    "mixture",
    "latin square",
    "optimal",
    "split plot",
]
PLAN_KINDS: tuple[PlanKind, ...] = get_args(PlanKind)

#: Keys of [plan] that only some kinds use; any other kind refuses them, so that no wish is ignored.
OPTIONS: Mapping[str, tuple[PlanKind, ...]] = {
    "days": ("compare", "split plot"),
    "control_batches": ("compare",),
    "repeats": ("factorial", "fractional factorial", "screening", "mixture"),
    "generators": ("fractional factorial",),
    "resolution": ("fractional factorial",),
    "asked": ("fractional factorial",),
    "centre_points": (
        "factorial",
        "fractional factorial",
        "screening",
        "definitive screening",
        "central composite",
        "box-behnken",
        "mixture",
    ),
    "reach": ("central composite",),
    "stars": ("central composite",),
    "batches": ("fractional factorial", "screening", "optimal", "mixture"),
    "model": ("factorial", "optimal", "split plot"),
    "criterion": ("optimal", "mixture"),
    "repeated_batches": ("optimal",),
    "forbidden": ("factorial", "optimal", "split plot"),
    "squares": ("latin square",),
    "places": ("latin square",),
    "hard_to_change": ("split plot",),
    "total": ("mixture",),
    "points": ("mixture",),
    "blending": ("mixture",),
}

#: Keys without which a kind cannot be planned.
NEEDED: Mapping[str, tuple[PlanKind, ...]] = {
    "days": ("compare", "split plot"),
    "batches_per_day": ("compare", "split plot"),
    "batches": ("optimal",),
    "hard_to_change": ("split plot",),
    "total": ("mixture",),
}

Hours = Annotated[float, Field(gt=0, le=2000)]
Level = str | float | int
READINGS = tuple(name for name in TABLES if name != "runs")


class PlanSettings(Section):
    """The whole section [plan]."""

    kind: PlanKind
    batches_per_day: int | None = Field(default=None, ge=1, le=50)
    days: int | None = Field(default=None, ge=1, le=200)
    control_batches: Literal["root", "equal", "best"] | int | None = None
    repeats: int | None = Field(default=None, ge=1, le=20)
    generators: list[Name] | None = Field(default=None, min_length=1)
    resolution: int | None = Field(default=None, ge=3, le=10)
    asked: list[Name] | None = Field(default=None, min_length=1)
    centre_points: int | None = Field(default=None, ge=0, le=20)
    reach: Literal["circumscribed", "inscribed", "faces"] | None = None
    stars: Literal["rotatable", "orthogonal"] | None = None
    batches: int | None = Field(default=None, ge=2, le=200)
    model: Literal["main", "interactions", "quadratic", "full"] | list[Name] | None = None
    criterion: Literal["D", "A", "I"] | None = None
    repeated_batches: int | None = Field(default=None, ge=0, le=100)
    forbidden: list[dict[str, Level | list[Level]]] | None = None
    squares: int | None = Field(default=None, ge=1, le=20)
    places: Name | None = None
    hard_to_change: list[Name] | None = Field(default=None, min_length=1)
    total: float | None = Field(default=None, gt=0)
    points: Literal["vertices", "lattice", "centroid", "optimal"] | None = None
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


def plan_problems(plan: PlanSettings, factors: Mapping[str, FactorSettings]) -> list[Problem]:
    """Say what in [plan] does not fit the rest of `trial.toml`."""
    problems = []
    for key, kinds in OPTIONS.items():
        if getattr(plan, key) is not None and plan.kind not in kinds:
            what = f"a plan of the kind “{plan.kind}” has no use for it."
            do = f"Take it out, or change the kind ({', '.join(kinds)})."
            problems.append(_problem(key, what, do))
    for key, names in (
        ("hard_to_change", plan.hard_to_change or []),
        ("places", [plan.places] if plan.places is not None else []),
    ):
        problems += [_no_factor(key, name, factors) for name in names if name not in factors]
    for key in ("asked", "model"):
        terms = getattr(plan, key)
        for term in terms if isinstance(terms, list) else ():
            for name in term.removesuffix("^2").split(":"):
                if name not in factors:
                    problems.append(_no_factor(key, name, factors))
    for number, pair in enumerate(plan.forbidden or (), start=1):
        problems += _forbidden(f"forbidden ({number})", pair, factors)
    for key, kinds in NEEDED.items():
        if plan.kind in kinds and getattr(plan, key) is None:
            what = f"a plan of the kind “{plan.kind}” needs it."
            problems.append(_problem(key, what, "Add it."))
    if plan.kind in ("compare", "latin square") and len(set(factors) - {plan.places}) > 1:
        what = f"a plan of the kind “{plan.kind}” compares the levels of one factor, not of {len(factors)}."
        do = "Plan a factorial or an optimal plan, or make one factor of them."
        problems.append(_problem("kind", what, do))
    if plan.kind == "mixture":
        problems += _mixture(plan, factors)
    if plan.hard_to_change is not None and set(plan.hard_to_change) >= set(factors):
        what = "every factor is one of the room, so none is changed from batch to batch."
        problems.append(_problem("hard_to_change", what, "Leave at least one factor out of it."))
    for name in plan.tables:
        if name not in READINGS:
            guess = nearest(name, READINGS)
            do = f"Did you mean {guess}?" if guess else f"Choose from: {', '.join(READINGS)}."
            problems.append(_problem("tables", f"fizzlab has no table “{name}” to fill in.", do))
    if not factors:
        problems.append(_problem("kind", "there is no factor to plan for.", "Add one under [factors.NAME]."))
    return problems


def _mixture(plan: PlanSettings, factors: Mapping[str, FactorSettings]) -> list[Problem]:
    problems = []
    for name, factor in factors.items():
        if factor.low is None or factor.low < 0:
            what = "an ingredient of a mixture needs bounds of zero or more."
            problems.append(Problem(FILE, what, "Give low and high.", column=f"key factors.{name}"))
    if plan.points == "optimal" and plan.batches is None:
        problems.append(_problem("batches", "an optimal mixture plan needs it.", "Add it."))
    if plan.batches is not None and plan.points != "optimal":
        do = 'Take it out, or choose points = "optimal".'
        problems.append(_problem("batches", "the points of this mixture plan say how many.", do))
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
