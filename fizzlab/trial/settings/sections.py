"""The sections of `trial.toml` but for [recipe]: what each may say, and what does not fit within it."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Iterator
from contextlib import suppress
from dataclasses import replace
from typing import TYPE_CHECKING, Annotated, Any, Literal, Self
from zoneinfo import ZoneInfo

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, model_validator

from fizzlab.design.kinds import KINDS
from fizzlab.errors import BadInput, CannotAnswer, Problem, did_you_mean, problem
from fizzlab.language import say
from fizzlab.measures import Measure
from fizzlab.models.choose import Limit, Wish
from fizzlab.trial.opening import FILE
from fizzlab.trial.stamps import Order

WEEKDAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")

if TYPE_CHECKING:
    PlanKind = str
    Weekday = str
else:
    PlanKind = Literal[tuple(KINDS)]
    Weekday = Annotated[Literal[WEEKDAYS], BeforeValidator(lambda said: str(said).casefold()[:3])]

Text = Annotated[str, Field(min_length=1, max_length=2000)]
Name = Annotated[str, Field(min_length=1, max_length=60, pattern=r"^\S(.*\S)?$")]
Positive = Annotated[float, Field(gt=0)]
Share = Annotated[float, Field(gt=0, lt=1)]
Hours = Annotated[float, Field(gt=0, le=2000)]
Batches = Annotated[int, Field(ge=2, le=1000)]
Level = str | float | int
Column = Annotated[str, Field(min_length=1, max_length=200)]
Called = Annotated[str, Field(pattern=r"^[a-z0-9][a-z0-9_-]{0,39}$")]

#: The lots of one ingredient; a single one may be given without brackets.
Lots = Annotated[
    list[Name],
    Field(min_length=1, max_length=50),
    BeforeValidator(lambda value: [value] if isinstance(value, str) else value),
]


def _awake(said: object) -> tuple[dt.time, dt.time]:
    """When the maker gets up and goes to bed."""
    with suppress(ValueError):
        wake, sleep = (dt.datetime.strptime(each.strip(), "%H:%M").time() for each in str(said).split("-"))
        if wake < sleep:
            return wake, sleep
    raise ValueError(say("not_awake", said=said))


class Complaints(list[Problem]):
    """What is wrong in `trial.toml`, key by key."""

    def add(self, says: str, key: str, **filled: Any) -> None:
        self.append(problem(says, FILE, column=say("at_key", key=key), **filled))

    def take(self, key: str, error: BadInput | CannotAnswer) -> None:
        """Take down what went wrong, as problems of this key."""
        if isinstance(error, CannotAnswer):
            error = BadInput([Problem(FILE, error.why, error.would_help)])
        at = say("at_key", key=key)
        self += [replace(each, where=FILE, row=None, column=at) for each in error.problems]

    def unknown(self, says: str, key: str, name: str, known: Iterable[str], **filled: Any) -> None:
        """Complain of a name that is none of the known ones; the nearest of them is suggested."""
        known = list(known)
        if name not in known:
            do = did_you_mean(name, known)
            self.add(says, key, do=do, name=name, known=", ".join(known), **filled)


class Section(BaseModel):
    """A section that refuses unknown keys, so that a misspelt wish is never silently ignored."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, allow_inf_nan=False)

    def faults(self) -> Iterator[str]:
        """What does not fit together, a clause each."""
        return iter(())

    @model_validator(mode="after")
    def _sound(self) -> Self:
        faults = list(self.faults())
        if faults:
            raise ValueError("; ".join(faults))
        return self


def _crossed(low: float | None, high: float | None) -> bool:
    return low is not None and high is not None and low >= high


class FactorSettings(Section):
    """What is changed on purpose: named `levels`, or numbers: just these `amounts`, a range, or both."""

    levels: list[Name] | None = Field(default=None, min_length=2)
    control: Name | None = None
    amounts: list[float] | None = Field(default=None, min_length=2)
    low: float | None = None
    high: float | None = None
    unit: str = ""
    label: str = ""

    def faults(self) -> Iterator[str]:
        numbers = self._numbers()
        if (self.levels is None) == (not numbers):
            yield say("levels_or_amounts")
        if (self.low is None) != (self.high is None):
            yield say("low_and_high")
        if _crossed(self.low, self.high):
            yield say("low_below_high")
        elif self.low is not None and self.high is not None:
            for amount in {*numbers} - {min(max(number, self.low), self.high) for number in numbers}:
                yield say("amount_outside", amount=amount)
        if len({level.casefold() for level in self.levels or ()}) < len(self.levels or ()):
            yield say("level_twice")
        if self.control is not None and self.control not in (self.levels or ()):
            yield say("control_unknown", control=self.control)
        if self.amounts is not None and len(set(self.amounts)) < 2:
            yield say("amounts_two")

    @property
    def numeric(self) -> bool:
        """Is it given in numbers rather than named levels?"""
        return self.levels is None

    def range(self) -> tuple[float, float]:
        """The lowest and the highest number that it may take; named levels have none (ValueError)."""
        if self.levels is not None:
            raise ValueError("a factor with named levels has no range")
        return min(self._numbers()), max(self._numbers())

    def _numbers(self) -> list[float]:
        return [*(self.amounts or ()), *(end for end in (self.low, self.high) if end is not None)]


class PlanSettings(Section):
    """[plan]: which batches to make, and how each is to be looked at."""

    kind: PlanKind
    batches_per_day: int | None = Field(default=None, ge=1, le=50)
    days: int | None = Field(default=None, ge=1, le=200)
    control_batches: Literal["root", "equal"] | int | None = None
    repeats: int | None = Field(default=None, ge=1, le=20)
    combinations: list[dict[str, Level]] | None = Field(default=None, min_length=1, max_length=60)
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
    looks: list[Batches] | None = Field(default=None, min_length=1, max_length=12)
    start: dt.date | None = Field(default=None, ge=dt.date(2000, 1, 1), lt=dt.date(2100, 1, 1))
    weekdays: list[Weekday] = Field(default=[*WEEKDAYS], min_length=1)
    awake: Annotated[tuple[dt.time, dt.time], BeforeValidator(_awake)] = dt.time(7), dt.time(22, 30)

    def faults(self) -> Iterator[str]:
        for key, hours in (("checks_h", self.checks_h), ("weighings_h", self.weighings_h or [])):
            if hours != sorted(set(hours)):
                yield say("hours_go_up", key=key)
        if self.looks and self.looks != sorted(set(self.looks)):
            yield say("looks_go_up")
        if len(set(self.raters)) < len(self.raters):
            yield say("rater_twice")

    @property
    def again(self) -> bool:
        """Is the same batch read again and again, each reading by a person who is named?"""
        return KINDS[self.kind].again

    def look_hours(self, table: str) -> list[float]:
        """At how many hours after making a table is planned to be read."""
        hours: list[float] | None = getattr(self, f"{table}_h", None)
        return hours or self.checks_h

    @property
    def scored(self) -> int:
        """How many pieces of each batch everybody scores."""
        return self.repeats or 1 if self.again else self.pieces

    def readers(self) -> list[tuple[str, str]]:
        """The pieces of a batch that are read by one person each, and by whom: in turn, as often as asked."""
        return [(str(piece), rater) for piece, rater in enumerate(self.raters * (self.repeats or 1), start=1)]


class AirPoint(Section):
    """Air for which to forecast."""

    temp_c: float = Field(ge=-5, le=45)
    rh_pct: float = Field(ge=1, le=99)


class DryingSettings(Section):
    """[drying]: how dry times are analysed and forecast."""

    air: Literal["vpd", "none"] = "vpd"
    shares: list[Share] = Field(default=[0.5, 0.9, 0.95], min_length=1, max_length=6)
    night_hours: float = Field(default=12.0, gt=0, le=200)
    forecast_air: AirPoint | None = None
    remaining_share: float = Field(default=0.05, gt=0, lt=1)


class BenchSettings(Section):
    """[bench]: the steps of the scale that ingredients are weighed on, and what stands beside grams."""

    scale_g: float = Field(default=0.1, ge=0.001, le=10)
    units: Literal["metric", "us"] = "metric"


class IndexPart(Section):
    """One part of the crumble index; every key must be stated."""

    weight: float = Field(gt=0, le=1)
    best: float
    worst: float

    def faults(self) -> Iterator[str]:
        if self.best == self.worst:
            yield say("best_and_worst")


class CrumbleSettings(Section):
    """[crumble]: how tumbles, drops and scores are analysed, and the parts of a stated index."""

    scale_step_g: float | None = Field(default=None, gt=0, le=100)
    drop_method: Literal["jeffreys", "likelihood"] = "jeffreys"
    survive: float = Field(default=0.9, gt=0.5, lt=1)
    index: dict[Literal["loss_pct", "broken_pct", "score"], IndexPart] | None = None

    def faults(self) -> Iterator[str]:
        total = sum(part.weight for part in (self.index or {}).values())
        if self.index is not None and abs(total - 1) > 1e-9:
            yield say("weights_total", total=total)


class FizzSettings(Section):
    """[fizz]: the bath that fizz times are stated at, the water in the cup of a curve (some gas stays in it),
    the most gas a piece could give (else from [recipe]), the curve, and the share that a shelf life keeps.
    """

    bath_c: float = Field(default=38.0, ge=1, le=50)
    water_ml: float = Field(default=300.0, gt=0, le=200_000)
    theory_g: float | None = Field(default=None, gt=0, le=2000)
    curve: Literal["common", "own"] = "common"
    shelf_share: float = Field(default=0.9, gt=0, lt=1)


class ResponseSettings(Section):
    """[responses.NAME]: what is asked of one response, and what a response of the maker's own is.

    `label` to `high` are for a number of the maker's own: a column of `runs`, or `per` piece a table of its
    name. `same_within` is a ratio within which two ways count as the same; the wish is granted in full at
    `best`, not at all at `worst` (for "near": two of them).
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

    def faults(self) -> Iterator[str]:
        if _crossed(self.low, self.high):
            yield say("low_below_high")
        if _crossed(self.at_least, self.at_most):
            yield say("limits_crossed")
        if self.want is None or self.best is None or self.worst is None:
            if any(each is not None for each in (self.want, self.best, self.worst)):
                yield say("wish_whole")
            return
        ends = self.worst if isinstance(self.worst, list) else [self.worst]
        if len(ends) != (2 if self.want == "near" else 1):
            yield say("worst_for_near")
        elif (self.want != "less" and ends[0] >= self.best) or (
            self.want != "more" and ends[-1] <= self.best
        ):
            yield say("wish_reversed")

    def measure(self, name: str) -> Measure:
        """The maker's own measure of this name."""
        table, scale = name if self.per == "piece" else "runs", self.scale or "ratio"
        return Measure(name, self.label, self.unit, scale, table, name, low=self.low, high=self.high)

    def limit(self, name: str) -> Limit | None:
        """The limit on a response of this name."""
        asked = self.at_least is not None or self.at_most is not None
        return Limit(name, self.at_least, self.at_most) if asked else None

    def wish(self, name: str) -> Wish | None:
        """The wish for a response of this name."""
        if self.want is None or self.best is None or self.worst is None:
            return None
        worst = (self.worst[0], self.worst[-1]) if isinstance(self.worst, list) else self.worst
        return Wish(name, self.want, self.best, worst, self.shape, self.weight)


class ChooseSettings(Section):
    """[choose]: how to choose between the combinations, and what to make next.

    `steps` also judges so many even steps of each amount between the least and the most tried;
    `confirm_batches` of the best combination are to be made, and `next_batches` where the choice is open.
    """

    steps: int | None = Field(default=None, ge=2, le=21)
    confirm_batches: int = Field(default=3, ge=1, le=20)
    next_batches: int = Field(default=6, ge=1, le=60)


class DeviationSettings(Section):
    """[[deviations]]: what went otherwise than planned; `run` where it befell one batch."""

    run: Name | None = None
    what: Text
    why: Text | None = None


class EarlierSettings(Section):
    """[earlier]: folders of earlier trials, or of a season that holds them, as seen from the trial's own."""

    trials: list[Text] = Field(min_length=1, max_length=60)


class ConfirmsSettings(Section):
    """[confirms]: the folder, as seen from this one, of the trial whose choice these batches confirm."""

    trial: Text


class ImportSettings(Section):
    """[imports.NAME]: what the columns of a hygrometer's export are, as the maker confirmed it.

    `time` is the column of times, of times of day where `date` is given too; `dates` says which number of a
    date is which. A share is a humidity from 0 to 1. `zone` is the workshop's time zone, as "Europe/Berlin".
    """

    time: Column
    date: Column | None = None
    dates: Order
    temp: Column
    temp_unit: Literal["°C", "°F", "K"]
    rh: Column
    rh_unit: Literal["%", "share"]
    zone: str | None = None

    def faults(self) -> Iterator[str]:
        columns = list(self.columns().values())
        if len(set(columns)) < len(columns):
            yield say("column_two_things")
        if self.date is not None and self.dates == "unix seconds":
            yield say("unix_with_date")
        if self.zone is not None and not known_zone(self.zone):
            yield say("zone_unknown", zone=self.zone)
        if self.dates == "unix seconds" and self.zone is None:
            yield say("unix_without_zone")

    def columns(self) -> dict[str, str]:
        """The columns that are read, by what they hold."""
        dated = {} if self.date is None else {"date": self.date}
        return {**dated, "time": self.time, "temp": self.temp, "rh": self.rh}


def known_zone(name: str) -> bool:
    """Is it a name of the tz database?"""
    try:
        ZoneInfo(name)
    except (ValueError, OSError, LookupError):  # unknown names, paths, folders
        return False
    return True
