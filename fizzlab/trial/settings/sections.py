"""The small sections of `trial.toml`: drying, responses, choice, lots, deviations, imports, other trials."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Literal
from zoneinfo import ZoneInfo

from pydantic import BeforeValidator, Field, model_validator

from fizzlab.errors import Problem, did_you_mean
from fizzlab.measures import MEASURES, TABLES, Measure
from fizzlab.models.wishes import Limit, Wish
from fizzlab.trial.settings.base import FILE, Name, Section, Text
from fizzlab.trial.stamps import COUNTED, UNIX, Order, offset_minutes

TempUnit = Literal["°C", "°F"]
MassUnit = Literal["g", "kg", "oz", "lb"]
Column = Annotated[str, Field(min_length=1, max_length=200)]

#: The lots of one ingredient; a single one may be given without brackets.
Lots = Annotated[
    list[Name],
    Field(min_length=1, max_length=50),
    BeforeValidator(lambda value: [value] if isinstance(value, str) else value),
]


class AirPoint(Section):
    """Air for which to forecast."""

    temp_c: float = Field(ge=-5, le=45)
    rh_pct: float = Field(ge=1, le=99)


class DryingSettings(Section):
    """[drying]: how dry times are analysed and forecast."""

    air: Literal["vpd", "none"] = "vpd"
    shares: list[Annotated[float, Field(gt=0, lt=1)]] = Field(
        default=[0.5, 0.9, 0.95], min_length=1, max_length=6
    )
    night_hours: float = Field(default=12.0, gt=0, le=200)
    forecast_air: AirPoint | None = None
    remaining_share: float = Field(default=0.05, gt=0, lt=1)


class ResponseSettings(Section):
    """[responses.NAME]: what is asked of one response, and what a response of the maker's own is.

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
    shape, weight : float
        How the wish falls off between the two, and how much it counts beside the others.
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
        if self.low is not None and self.high is not None and self.low >= self.high:
            raise ValueError("low must be less than high")
        if self.at_least is not None and self.at_most is not None and self.at_least >= self.at_most:
            raise ValueError("at_least and at_most leave nothing between them")
        if self.want is not None and self.best is not None and self.worst is not None:
            ends = self.worst if isinstance(self.worst, list) else [self.worst]
            if (self.want == "near") != (len(ends) == 2):
                raise ValueError("worst is two numbers for near, and one otherwise")
            below, above = self.want != "less", self.want != "more"
            if (below and ends[0] >= self.best) or (above and ends[-1] <= self.best):
                raise ValueError("worst and best are the wrong way round")
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
        )

    def limit(self, name: str) -> Limit | None:
        """The limit on a response of this name."""
        if self.at_least is None and self.at_most is None:
            return None
        return Limit(name, self.at_least, self.at_most)

    def wish(self, name: str) -> Wish | None:
        """The wish for a response of this name."""
        if self.want is None or self.best is None or self.worst is None:
            return None
        worst = (self.worst[0], self.worst[1]) if isinstance(self.worst, list) else self.worst
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
    """[imports.NAME]: what the columns of an export are, as the maker confirmed it.

    Parameters
    ----------
    table : {"room_log", "weighings"}
        Where its readings go.
    time : str
        Name of the column of times; where `date` is given too, of times of day alone.
    date : str, optional
        Name of the column of dates, where these stand apart.
    dates : Order
        Which number of a date is which.
    temp, rh, mass : str
        Names of the columns of temperature and humidity, or of mass.
    temp_unit, rh_unit, mass_unit : str
        A share is a humidity from 0 to 1.
    offset : str, optional
        How far the device's clock is ahead of world time (UTC), as "+01:00", where its stamps do not say.
    zone : str, optional
        The workshop's time zone, as "Europe/Berlin"; its clock is the one that the tables are kept in.
    """

    table: Literal["room_log", "weighings"]
    time: Column
    date: Column | None = None
    dates: Order
    temp: Column | None = None
    temp_unit: TempUnit | None = None
    rh: Column | None = None
    rh_unit: Literal["%", "share"] | None = None
    mass: Column | None = None
    mass_unit: MassUnit | None = None
    offset: str | None = None
    zone: str | None = None

    @model_validator(mode="after")
    def _whole(self) -> ImportSettings:
        needed = ("temp", "temp_unit", "rh", "rh_unit") if self.table == "room_log" else ("mass", "mass_unit")
        for key in ("temp", "temp_unit", "rh", "rh_unit", "mass", "mass_unit"):
            if (getattr(self, key) is None) == (key in needed):
                verb = "needs the" if key in needed else "has no"
                raise ValueError(f"an import into {self.table} {verb} key {key}")
        columns = list(self.columns().values())
        if len(set(columns)) < len(columns):
            raise ValueError("one column cannot be two things")
        if self.date is not None and self.dates in COUNTED:
            raise ValueError(f"{self.dates} need no column of dates; take the key date out")
        if self.offset is not None and (offset_minutes(self.offset) is None or self.dates in UNIX):
            raise ValueError('offset is written as "+01:00", and not where stamps are unix seconds')
        if self.zone is not None and not known_zone(self.zone):
            raise ValueError(f"“{self.zone}” is no time zone; write it as Europe/Berlin")
        if (self.offset is not None or self.dates in UNIX) and self.zone is None:
            raise ValueError('it needs the key zone, the workshop\'s time zone, as "Europe/Berlin"')
        return self

    def columns(self) -> dict[str, str]:
        """The columns that are read, by what they hold."""
        named = {key: getattr(self, key) for key in ("date", "time", "temp", "rh", "mass")}
        return {key: name for key, name in named.items() if name is not None}


def known_zone(name: str) -> bool:
    """Is it a name of the tz database?

    Examples
    --------
    >>> known_zone("Europe/Berlin"), known_zone("Berlin"), known_zone("../etc/passwd")
    (True, False, False)
    """
    try:
        ZoneInfo(name)
    except (ValueError, OSError, LookupError):  # unknown names, paths, folders
        return False
    return True


def response_problems(
    responses: Mapping[str, ResponseSettings], factors: Mapping[str, object], taken: frozenset[str]
) -> list[Problem]:
    """Say what in [responses] does not fit: names that collide, keys that only a number of one's own has."""
    problems = []

    def wrong(key: str, what: str, do: str) -> None:
        problems.append(Problem(FILE, what, do, column=f"key responses.{key}"))

    for name, asked in responses.items():
        reserved = taken if asked.per != "piece" else taken | TABLES.keys() | {"piece"}
        if name in factors:
            wrong(name, "a factor has this name.", "Rename one of the two.")
        elif name in MEASURES:
            for own in ("label", "unit", "scale", "per", "low", "high"):
                if getattr(asked, own) not in (None, ""):
                    wrong(f"{name}.{own}", f"fizzlab knows the {own} of {name}.", "Take it out.")
        elif name in reserved or not plain_name(name):
            do = "Use small letters, digits and _, and no name of fizzlab's own columns."
            wrong(name, "a response may not be called so.", do)
        elif not asked.label:
            do = f"A number of your own needs a label. Known: {', '.join(MEASURES)}."
            do = f"{did_you_mean(name, MEASURES, '')} {do}".strip()
            wrong(name, "fizzlab takes no such number from the tables.", do)
    return problems


def plain_name(name: str) -> bool:
    """Is it written in small letters, digits and _ only?"""
    return name == name.strip().casefold() and name.replace("_", "").isalnum()
