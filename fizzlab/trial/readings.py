"""The readings of an export with a confirmed mapping, in the units of the tables; all that is odd is said.

Clocks jump: an hour comes twice in autumn, and not at all in spring. Without a time zone, a step back whose
hour added makes it an ordinary step is the repeated hour, and a gap that is an hour longer than an ordinary
step is the skipped one, both only at night. With one, they must also lie where the tz database has a change
of clocks.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import Literal
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from fizzlab.errors import BadInput, Problem
from fizzlab.measures import TABLES
from fizzlab.recipe.units import UNITS
from fizzlab.trial.loggers import TAKES, Layout, is_missing, numbers, stamp_texts
from fizzlab.trial.settings import ImportSettings
from fizzlab.trial.stamps import moment, offset_minutes
from fizzlab.trial.tables import outside, range_words, shortened

_HOUR = 3600.0

#: Clocks are changed at night; a jump at another time of day is something else.
_NIGHT = range(5)


@dataclass(frozen=True)
class Readings:
    """The readings of an export, in the order in which they were taken.

    Parameters
    ----------
    where : str
        The file's name.
    rows : DataFrame
        Indexed by row of the file: `time` (the workshop's clock), `temp_c` and `rh_pct`, or `mass_g`; and
        `ahead_h`, what to take from differences of `time` to get hours that really went by.
    said : tuple of str
        What was passed over or is odd, as sentences.
    """

    where: str
    rows: pd.DataFrame
    zone: str | None
    said: tuple[str, ...]


def read(layout: Layout, mapping: ImportSettings) -> Readings:
    """Read an export with a mapping; equal readings of one time are taken once.

    A column that is not there, and every cell that cannot be read or lies outside what is possible, raise
    BadInput together.

    Examples
    --------
    >>> from fizzlab.trial.loggers import guess, lay_out
    >>> layout = lay_out("log.csv", b"Time,Temp F,RH\\n2026-01-05 08:00,70.7,64\\n2026-01-05 08:10,--,\\n")
    >>> readings = read(layout, guess(layout, "room_log").mapping)
    >>> readings.rows[["time", "temp_c", "rh_pct"]].values.tolist(), readings.said
    ([[Timestamp('2026-01-05 08:00:00'), 21.5, 64.0]], ('1 row without a reading: passed over (row 3).',))
    """
    _columns_there(layout, mapping)
    cells, where = layout.cells, layout.where
    takes = TAKES[mapping.table]
    blank = pd.Series(False, index=cells.index)
    for kind in takes:
        blank |= is_missing(cells[mapping.columns()[kind]])
    said = list(layout.said)
    if blank.any():
        said.append(f"{_rows(blank.sum())} without a reading: passed over ({_named(cells.index[blank])}).")
    kept = cells[~blank]
    clock, offsets, problems = _clock(kept, mapping, where)
    rows = pd.DataFrame({"time": clock})
    for kind, column in takes.items():
        rows[column], found = _values(kind, kept[mapping.columns()[kind]], mapping, where)
        problems += found
    if kept.empty:
        what = "no row with a reading stands in it."
        problems.append(Problem(where, what, "Look at the columns that were named."))
    if problems:
        raise BadInput(problems)
    rows, more = _in_order(rows, offsets, mapping)
    return Readings(where, rows, mapping.zone, (*said, *more))


def _columns_there(layout: Layout, mapping: ImportSettings) -> None:
    problems = []
    for name in mapping.columns().values():
        if name not in layout.cells.columns:
            do = "Import without --mapping to have the columns guessed again."
            what = "the mapping names this column, but the file does not have it."
            problems.append(Problem(layout.where, what, do, column=f"column {name}"))
    if problems:
        raise BadInput(problems)


def _clock(
    cells: pd.DataFrame, mapping: ImportSettings, where: str
) -> tuple[pd.Series, pd.Series, list[Problem]]:
    """Clock times as written and their offsets in minutes (NaN where none is known)."""
    texts = stamp_texts(cells, mapping.time, mapping.date)
    read = {int(str(row)): moment(text, mapping.dates) for row, text in texts.items()}
    problems = [
        Problem(
            where,
            f"“{texts[row][:40]}” is no date and time ({mapping.dates}).",
            "Mend it in a copy.",
            row,
            mapping.time,
        )
        for row, found in read.items()
        if found is None
    ]
    fixed = None if mapping.offset is None else offset_minutes(mapping.offset)
    clock = [pd.NaT if found is None else found.clock for found in read.values()]
    known = [fixed if found is None or found.offset is None else found.offset for found in read.values()]
    return (
        pd.Series(clock, index=cells.index, dtype="datetime64[ns]"),
        pd.Series(known, index=cells.index, dtype=float),
        shortened(problems, "rows"),
    )


def _values(
    kind: str, cells: pd.Series, mapping: ImportSettings, where: str
) -> tuple[pd.Series, list[Problem]]:
    """One kind of reading in the unit of the table."""
    values, units = numbers(cells)
    unit = str(getattr(mapping, f"{kind}_unit"))
    bad: dict[int, tuple[str, str]] = {}
    for row in cells.index[values.isna()]:
        do = "Mend it in a copy, without thousands separators."
        bad[row] = (f"“{cells[row][:40]}” is not a number.", do)
    other = (units != "") & (units != unit) & ~((unit == "share") & (units == "%"))
    for row in cells.index[values.notna() & other]:
        what = f"“{cells[row][:40]}” is in {units[row]}, but the column is read in {unit}."
        bad[row] = (what, "Keep one unit.")
    if unit == "°F":
        values = ((values - 32) / 1.8).round(2)
    elif unit == "share":
        values = values.where(units == "%", (values * 100).round(2))
    elif unit in ("kg", "oz", "lb"):
        values = (values * UNITS[unit].size).round(3)
    spec = next(each for each in TABLES[mapping.table].columns if each.name == TAKES[mapping.table][kind])
    for row in cells.index[outside(values, spec)]:
        what = f"{cells[row][:40]} read in {unit} is outside what is possible here ({range_words(spec)})."
        bad.setdefault(row, (what, "Look at the unit, or take the row out of a copy."))
    problems = [Problem(where, *bad[row], row=int(row), column=str(cells.name)) for row in sorted(bad)]
    return values, shortened(problems, "rows")


@dataclass(frozen=True)
class _Jump:
    """A jump of the clock: its row and place, the clock before and after; `sure` by the time zone."""

    kind: Literal["back an hour", "forward an hour", "backwards"]
    row: int
    place: int
    at: pd.Timestamp
    to: pd.Timestamp
    sure: bool

    def __str__(self) -> str:
        looks = "" if self.sure else " by the look of it"
        if self.kind == "back an hour":
            return (
                f"Row {self.row}: the clock goes back from {_minute(self.at)} to {self.to:%H:%M}, the end "
                f"of summer time{looks}. Both passes through the hour are kept under the times that were "
                "shown."
            )
        return (
            f"Row {self.row}: the clock goes forward from {_minute(self.at)} to {self.to:%H:%M}, the start "
            f"of summer time{looks}. No reading is missing for the hour that was skipped."
        )


def _jumps(times: pd.Series, zone: str | None) -> list[_Jump]:
    """The jumps of a log that stands in the order of its readings."""
    steps = times.diff().dt.total_seconds().to_numpy()[1:]
    usual = float(np.median(steps[steps > 0])) if (steps > 0).any() else 600.0
    found = []
    for i in np.flatnonzero((steps < 0) | ((steps >= _HOUR) & (usual < _HOUR))).tolist():
        at, to, row = times.iloc[i], times.iloc[i + 1], int(times.index[i + 1])
        night = at.hour in _NIGHT or to.hour in _NIGHT
        change = None if zone is None else _change(at, to, zone)
        if steps[i] < 0:
            autumn = night and -_HOUR <= steps[i] <= max(1.5 * usual, 600.0) - _HOUR
            if autumn and change in (None, -1):
                found.append(_Jump("back an hour", row, i + 1, at, to, zone is not None))
            else:
                found.append(_Jump("backwards", row, i + 1, at, to, True))
        elif change == 1 or (zone is None and night and 0 < steps[i] - _HOUR <= 1.5 * usual):
            found.append(_Jump("forward an hour", row, i + 1, at, to, zone is not None))
    return found


def _change(at: pd.Timestamp, to: pd.Timestamp, zone: str) -> int:
    """+1 where the clocks go forward between two stamps, -1 where they go back, else 0."""
    around = (min(at, to) - dt.timedelta(hours=3), max(at, to) + dt.timedelta(hours=3))
    before, after = (
        stamp.to_pydatetime().replace(tzinfo=ZoneInfo(zone)).utcoffset() or dt.timedelta() for stamp in around
    )
    return int(np.sign((after - before).total_seconds()))


def ahead_of_world_h(times: pd.Series, zone: str, second_pass: pd.Series | None = None) -> pd.Series:
    """Hours by which a zone's clock is ahead of world time; `second_pass` through a repeated hour, if told.

    Examples
    --------
    >>> times = pd.Series(pd.to_datetime(["2026-01-05T09:00", "2026-07-05T09:00"]))
    >>> ahead_of_world_h(times, "Europe/Berlin").tolist()
    [1.0, 2.0]
    """
    late = pd.Series(False, index=times.index) if second_pass is None else second_pass
    local = times.dt.tz_localize(zone, ambiguous=~late.to_numpy(dtype=bool), nonexistent="shift_forward")
    ahead: pd.Series = (local.dt.tz_localize(None) - local.dt.tz_convert(None)).dt.total_seconds() / _HOUR
    return ahead


def _in_order(
    rows: pd.DataFrame, offsets: pd.Series, mapping: ImportSettings
) -> tuple[pd.DataFrame, list[str]]:
    """Put the readings in the order in which they were taken, on the workshop's clock, each once."""
    said: list[str] = []
    if mapping.zone is not None and offsets.notna().all():
        world = rows["time"] - pd.to_timedelta(offsets, unit="min")
        clock = world.dt.tz_localize("UTC").dt.tz_convert(mapping.zone).dt.tz_localize(None)
        rows = rows.assign(time=clock, ahead_h=(clock - world).dt.total_seconds() / _HOUR)
        said.append(f"Times were turned into the clock of {mapping.zone}.")
        if not world.is_monotonic_increasing:
            rows = rows.loc[world.sort_values(kind="stable").index]
            said.append("The rows were not in order of time; they were put in order.")
        said += [str(jump) for jump in _jumps(rows["time"], mapping.zone) if jump.kind != "backwards"]
    else:
        if offsets.notna().any():
            said.append("The offsets in the stamps were passed over: the clock was taken as it is written.")
        rows, more = _by_sequence(rows, mapping.zone)
        said += more
    return _each_once(rows, said)


def _by_sequence(rows: pd.DataFrame, zone: str | None) -> tuple[pd.DataFrame, list[str]]:
    """Clock times without offsets: their sequence shows whether an hour came twice."""
    said = []
    steps = rows["time"].diff().dt.total_seconds()
    if (steps < 0).sum() > (steps > 0).sum():
        rows = rows.iloc[::-1]
        said.append("The newest reading stands first; the rows were turned round.")
    found = _jumps(rows["time"], zone)
    twice = [jump for jump in found if jump.kind == "back an hour"]
    said += [str(jump) for jump in found if jump.kind != "backwards"]
    place = pd.Series(np.arange(len(rows)), index=rows.index)
    ahead, late = pd.Series(0.0, index=rows.index), pd.Series(False, index=rows.index)
    for jump in twice:
        ahead -= place >= jump.place
        late |= (place >= jump.place) & (rows["time"] <= jump.at + pd.Timedelta(hours=1))
    if zone is not None:
        ahead = ahead_of_world_h(rows["time"], zone, late)
        said += _stood_still(rows["time"], zone, bool(twice))
    rows = rows.assign(ahead_h=ahead)
    disorder = [jump for jump in found if jump.kind == "backwards"]
    if disorder:
        first, count = disorder[0], len(disorder)
        said.append(
            f"Times run backwards {'once' if count == 1 else f'{count} times'}, first at row {first.row} "
            f"({_minute(first.at)} to {_minute(first.to)}); the rows were put in order of time. Look "
            "whether the clock was set."
        )
        rows = rows.sort_values("time", kind="stable")
    return rows, said


def _stood_still(times: pd.Series, zone: str, twice: bool) -> list[str]:
    """Say where a log shows that its clock did not follow the change of clocks."""
    said = []
    give = "give --offset, the offset of its clock from world time, such as +01:00."
    never = times.dt.tz_localize(zone, ambiguous=True, nonexistent="NaT").isna() & times.notna()
    if never.any():
        said.append(
            f"{_rows(never.sum())} in an hour that the clocks of {zone} skip "
            f"({_named(times.index[never])}): the device's clock did not go forward. Its later times are "
            f"then an hour behind; {give}"
        )
    whole = pd.Series(times.dt.floor("h").unique())
    again = whole[whole.dt.tz_localize(zone, ambiguous="NaT", nonexistent="shift_forward").isna()]
    if len(again) and not twice and len(whole) > len(again):
        said.append(
            f"The clocks of {zone} show the hour from {_minute(again.iloc[0])} twice, but this log shows it "
            f"once: the device's clock may not have gone back. If so, {give}"
        )
    return said


def _each_once(rows: pd.DataFrame, said: list[str]) -> tuple[pd.DataFrame, list[str]]:
    masses = "mass_g" in rows
    equal = rows.duplicated([name for name in rows.columns if masses or name != "ahead_h"])
    if equal.any():
        which = _named(rows.index[equal])
        said.append(f"{_rows(equal.sum())} equal to an earlier one: taken once ({which}).")
    rows = rows[~equal]
    shared = rows["time"].duplicated()
    if shared.any() and not masses:
        said.append(
            f"{_rows(shared.sum())} with a time that an earlier row has too, and other values: kept; the "
            f"analysis takes their mean ({_named(rows.index[shared])})."
        )
    return rows, said


def _minute(at: pd.Timestamp) -> str:
    return f"{at:%Y-%m-%d %H:%M}"


def _rows(count: float) -> str:
    return "1 row" if count == 1 else f"{count:.0f} rows"


def _named(index: pd.Index, shown: int = 5) -> str:
    rest = f" and {len(index) - shown} more" if len(index) > shown else ""
    return f"row{'' if len(index) == 1 else 's'} {', '.join(map(str, index[:shown]))}{rest}"
