"""The sections [responses.NAME] and [choose] of `trial.toml`: what a good batch is, and how to choose."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Literal

from pydantic import Field, model_validator

from fizzlab.errors import Problem, nearest
from fizzlab.measures import MEASURES, TABLES, Measure
from fizzlab.trial.settings.base import FILE, Section

if TYPE_CHECKING:
    from fizzlab.models.choose import Limit, Wish


class ResponseSettings(Section):
    """What is asked of one response: a limit, a wish, a margin of sameness.

    Parameters
    ----------
    label, unit, scale, per, low, high
        For a number of the maker's own; the others have theirs. Per batch it is a column of `runs`; per piece
        it has a table of its name, with one row a piece. `low` and `high` are the ends of its scale.
    at_least, at_most : float or None
        The limit that a batch must keep to.
    same_within : float or None
        A ratio above 1: two ways whose values lie within it count as the same.
    want : {"less", "more", "near"} or None
        The wish; `best` grants it in full, `worst` (for "near": two of them) not at all.
    weight : float
        How much the wish counts beside the others.
    """

    label: str = ""
    unit: str = ""
    scale: Literal["ratio", "difference"] | None = None
    per: Literal["batch", "piece"] | None = None
    low: float | None = None
    high: float | None = None
    at_least: float | None = None
    at_most: float | None = None
    same_within: float | None = Field(default=None, gt=1, le=10)
    want: Literal["less", "more", "near"] | None = None
    best: float | None = None
    worst: float | list[float] | None = None
    shape: float = Field(default=1.0, gt=0, le=10)
    weight: float = Field(default=1.0, gt=0, le=100)

    @model_validator(mode="after")
    def _can_be_judged(self) -> ResponseSettings:
        asked = (self.want, self.best, self.worst)
        if any(each is not None for each in asked) and any(each is None for each in asked):
            raise ValueError("want, best and worst belong together")
        if isinstance(self.worst, list) and len(self.worst) != 2:
            raise ValueError("worst is one number, or the two on either side of best")
        if self.low is not None and self.high is not None and self.low >= self.high:
            raise ValueError("low must be less than high")
        self.limit("it")
        self.wish("it")
        return self

    def measure(self, name: str) -> Measure:
        """The maker's own measure of this name."""
        return Measure(
            name,
            self.label,
            self.unit,
            self.scale or "ratio",
            table=name if self.per == "piece" else "runs",
            column=name,
            low=self.low,
            high=self.high,
            own=True,
        )

    def limit(self, name: str) -> Limit | None:
        """The limit on a response of this name."""
        if self.at_least is None and self.at_most is None:
            return None
        from fizzlab.models.choose import Limit

        return Limit(name, self.at_least, self.at_most)

    def wish(self, name: str) -> Wish | None:
        """The wish for a response of this name."""
        if self.want is None or self.best is None or self.worst is None:
            return None
        from fizzlab.models.choose import Wish

        worst = (self.worst[0], self.worst[1]) if isinstance(self.worst, list) else self.worst
        return Wish(name, self.want, self.best, worst, self.shape, self.weight)


class ChooseSettings(Section):
    """How to choose between the combinations, and what to make next.

    Parameters
    ----------
    steps : int or None
        Also judge so many even steps of each amount between the least and the most tried.
    confirm_batches : int
        Confirmation batches to make of the best combination.
    next_batches : int
        Batches to add to the trial where the choice is open.
    """

    steps: int | None = Field(default=None, ge=2, le=21)
    confirm_batches: int = Field(default=3, ge=1, le=20)
    next_batches: int = Field(default=6, ge=1, le=60)


def response_problems(
    responses: Mapping[str, ResponseSettings], factors: Mapping[str, object], taken: frozenset[str]
) -> list[Problem]:
    """Say what in [responses] does not fit: names that collide, keys that only a number of one's own has."""
    problems = []
    for name, asked in responses.items():
        key = f"key responses.{name}"
        reserved = taken if asked.per != "piece" else taken | TABLES.keys() | {"piece"}
        if name in factors:
            problems.append(Problem(FILE, "a factor has this name.", "Rename one of the two.", column=key))
        elif name in MEASURES:
            for own in ("label", "unit", "scale", "per", "low", "high"):
                if getattr(asked, own) not in (None, ""):
                    what = f"fizzlab knows the {own} of {name}."
                    problems.append(Problem(FILE, what, "Take it out.", column=f"{key}.{own}"))
        elif name in reserved or name != name.strip().casefold() or not name.replace("_", "").isalnum():
            what = "a response may not be called so."
            do = "Use small letters, digits and _, and no name of fizzlab's own columns."
            problems.append(Problem(FILE, what, do, column=key))
        elif not asked.label:
            guess = nearest(name, MEASURES)
            do = f"Did you mean {guess}? " if guess else ""
            what = "fizzlab takes no such number from the tables."
            do += f"A number of your own needs a label. Known: {', '.join(MEASURES)}."
            problems.append(Problem(FILE, what, do, column=key))
    return problems
