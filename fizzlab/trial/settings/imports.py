"""The sections [imports.NAME] of `trial.toml`: how the export of a logger or scale is read."""

from __future__ import annotations

from typing import Literal
from zoneinfo import ZoneInfo

from pydantic import Field, model_validator

from fizzlab.trial.settings.base import Section
from fizzlab.trial.tables.stamps import COUNTED, UNIX, Order, offset_minutes

TempUnit = Literal["°C", "°F"]
HumidityUnit = Literal["%", "share"]
MassUnit = Literal["g", "kg", "oz", "lb"]


class ImportSettings(Section):
    """What the columns of an export are, as the maker confirmed it.

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
    time: str = Field(min_length=1, max_length=200)
    date: str | None = Field(default=None, min_length=1, max_length=200)
    dates: Order
    temp: str | None = Field(default=None, min_length=1, max_length=200)
    temp_unit: TempUnit | None = None
    rh: str | None = Field(default=None, min_length=1, max_length=200)
    rh_unit: HumidityUnit | None = None
    mass: str | None = Field(default=None, min_length=1, max_length=200)
    mass_unit: MassUnit | None = None
    offset: str | None = None
    zone: str | None = None

    @model_validator(mode="after")
    def _whole(self) -> ImportSettings:
        needed = ("temp", "temp_unit", "rh", "rh_unit") if self.table == "room_log" else ("mass", "mass_unit")
        for key in ("temp", "temp_unit", "rh", "rh_unit", "mass", "mass_unit"):
            if key in needed and getattr(self, key) is None:
                raise ValueError(f"an import into {self.table} needs the key {key}")
            if key not in needed and getattr(self, key) is not None:
                raise ValueError(f"an import into {self.table} has no key {key}")
        columns = [name for name in self.columns().values() if name is not None]
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
        named = {"date": self.date, "time": self.time, "temp": self.temp, "rh": self.rh, "mass": self.mass}
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
