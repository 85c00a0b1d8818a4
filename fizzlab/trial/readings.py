"""The readings of an export with a confirmed mapping, in the units of the tables; all that is odd is said.

Where the stamps say nothing of world time, a step back of about an hour at night is the hour that comes twice
when summer time ends; with a time zone, only where the tz database has that change.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from fizzlab.errors import BadInput, Problem, count
from fizzlab.measures import TABLES
from fizzlab.recipe.units import UNITS
from fizzlab.trial.loggers import TAKES, Layout, is_missing, numbers, stamp_texts
from fizzlab.trial.settings import ImportSettings
from fizzlab.trial.stamps import moment
from fizzlab.trial.tables import outside, range_words, shortened

_HOUR = 3600.0


@dataclass(frozen=True)
class Readings:
    """The readings of an export, in the order in which they were taken, and what is odd about them.

    `rows` is indexed by row of the file: `time` (the workshop's clock), `temp_c` and `rh_pct`, or `mass_g`;
    and `ahead_h`, what to take from differences of `time` to get hours that really went by.
    """

    where: str
    rows: pd.DataFrame
    zone: str | None
    said: tuple[str, ...]


def read(layout: Layout, mapping: ImportSettings) -> Readings:
    """Read an export with a mapping; equal readings of one time are taken once.

    A column that is not there, and every cell that cannot be read or lies outside what is possible, raise
    BadInput together.

    >>> from fizzlab.trial.loggers import guess, lay_out
    >>> layout = lay_out("log.csv", b"Time,Temp F,RH\\n2026-01-05 08:00,70.7,64\\n2026-01-05 08:10,--,\\n")
    >>> readings = read(layout, guess(layout, "room_log").mapping)
    >>> readings.rows[["time", "temp_c", "rh_pct"]].values.tolist(), readings.said
    ([[Timestamp('2026-01-05 08:00:00'), 21.5, 64.0]], ('1 row without a reading: passed over (row 3).',))
    """
    cells, where, columns = layout.cells, layout.where, mapping.columns()
    what = "the mapping names this column, but the file does not have it."
    do = "Import without --mapping to have the columns guessed again."
    gone = [name for name in columns.values() if name not in cells.columns]
    if gone:
        raise BadInput(Problem(where, what, do, column=f"column {name}") for name in gone)
    takes = TAKES[mapping.table]
    blank = pd.concat([is_missing(cells[columns[kind]]) for kind in takes], axis=1).any(axis=1)
    said = [*layout.said, *_passed(cells.index[blank], "without a reading: passed over")]
    kept = cells[~blank]
    rows, problems = _clock(kept, mapping, where)
    for kind, column in takes.items():
        rows[column], found = _values(kind, kept[columns[kind]], mapping, where)
        problems += found
    if kept.empty:
        what = "no row with a reading stands in it."
        problems.append(Problem(where, what, "Look at the columns that were named."))
    if problems:
        raise BadInput(problems)
    return Readings(where, _each_once(_in_order(rows, mapping.zone, said), said), mapping.zone, tuple(said))


def _clock(cells: pd.DataFrame, mapping: ImportSettings, where: str) -> tuple[pd.DataFrame, list[Problem]]:
    """Clock times as written and their offsets in minutes (NaN where none is known)."""
    texts = stamp_texts(cells, mapping.time, mapping.date)
    read = {int(str(row)): moment(text, mapping.dates) for row, text in texts.items()}
    problems = []
    for row in [row for row, found in read.items() if found is None]:
        what = f"“{texts[row][:40]}” is no date and time ({mapping.dates})."
        problems.append(Problem(where, what, "Mend it in a copy.", row, mapping.time))
    pairs = [(pd.NaT, None) if found is None else found for found in read.values()]
    rows = pd.DataFrame(pairs, index=cells.index, columns=["time", "offset"])
    return rows.astype({"time": "datetime64[ns]", "offset": float}), shortened(problems, "rows")


def _values(
    kind: str, cells: pd.Series, mapping: ImportSettings, where: str
) -> tuple[pd.Series, list[Problem]]:
    """One kind of reading in the unit of the table."""
    values, units = numbers(cells)
    unit = str(getattr(mapping, f"{kind}_unit"))
    other = (units != "") & (units != unit) & ~((unit == "share") & (units == "%"))
    if unit == "°F":
        values = ((values - 32) / 1.8).round(2)
    elif unit == "share":
        values = values.where(units == "%", (values * 100).round(2))
    elif unit in ("kg", "oz", "lb"):
        values = (values * UNITS[unit].size).round(3)
    spec = next(each for each in TABLES[mapping.table].columns if each.name == TAKES[mapping.table][kind])
    problems = []
    for row in cells.index[values.isna() | other | outside(values, spec)]:
        shown = cells[row][:40]
        what = f"{shown} read in {unit} is outside what is possible here ({range_words(spec)})."
        do = "Look at the unit, or take the row out of a copy."
        if pd.isna(values[row]):
            what, do = f"“{shown}” is not a number.", "Mend it in a copy, without thousands separators."
        elif other[row]:
            what, do = f"“{shown}” is in {units[row]}, but the column is read in {unit}.", "Keep one unit."
        problems.append(Problem(where, what, do, row=int(row), column=str(cells.name)))
    return values, shortened(problems)


def _in_order(rows: pd.DataFrame, zone: str | None, said: list[str]) -> pd.DataFrame:
    """Put the readings in the order in which they were taken, on the workshop's clock."""
    if zone is not None and rows["offset"].notna().all():
        world = rows["time"] - pd.to_timedelta(rows["offset"], unit="min")
        clock = world.dt.tz_localize("UTC").dt.tz_convert(zone).dt.tz_localize(None)
        said.append(f"Times were turned into the clock of {zone}.")
        rows = rows.assign(time=clock, ahead_h=(clock - world).dt.total_seconds() / _HOUR)
        return rows.loc[world.sort_values(kind="stable").index]
    if rows["offset"].notna().any():
        said.append("The offsets in the stamps were passed over: the clock was taken as it is written.")
    steps = rows["time"].diff().dt.total_seconds()
    if (steps < 0).sum() > (steps > 0).sum():
        rows = rows.iloc[::-1]
        said.append("The newest reading stands first; the rows were turned round.")
    times = rows["time"]
    steps = times.diff().dt.total_seconds().fillna(0.0)
    usual = float(steps[steps > 0].median()) if (steps > 0).any() else 600.0
    slack = max(1.5 * usual, 600.0)
    night = times.dt.hour < 5  # clocks are changed at night; a jump at another time of day is something else
    twice = (steps < 0) & (steps >= -_HOUR) & (steps <= slack - _HOUR) & night
    if zone is not None:
        twice &= times.dt.tz_localize(zone, ambiguous="NaT", nonexistent="shift_forward").isna()
    late = pd.Series(False, index=rows.index)
    for row in times.index[twice]:
        before = times.shift()[row]
        late |= (twice.cumsum() >= twice.cumsum()[row]) & (times <= before + pd.Timedelta(hours=1))
        said.append(
            f"Row {row}: the clock goes back from {before:%Y-%m-%d %H:%M} to {times[row]:%H:%M}, the end of "
            "summer time. Both passes through the hour are kept under the times that were shown."
        )
    ahead = -twice.cumsum().astype(float) if zone is None else ahead_of_world_h(times, zone, late)
    rows = rows.assign(ahead_h=ahead)
    back = times.index[(steps < 0) & ~twice]
    if len(back):
        often = "once" if len(back) == 1 else f"{len(back)} times"
        said.append(
            f"Times run backwards {often}, first at row {back[0]} (to {times[back[0]]:%Y-%m-%d %H:%M}); the "
            "rows were put in order of time. Look whether the clock was set."
        )
        rows = rows.sort_values("time", kind="stable")
    return rows


def ahead_of_world_h(times: pd.Series, zone: str, second_pass: Any = False) -> pd.Series:
    """Hours by which a zone's clock is ahead of world time; `second_pass` through a repeated hour, if told.

    >>> times = pd.Series(pd.to_datetime(["2026-01-05T09:00", "2026-07-05T09:00"]))
    >>> ahead_of_world_h(times, "Europe/Berlin").tolist()
    [1.0, 2.0]
    """
    first_pass = ~np.broadcast_to(np.asarray(second_pass, dtype=bool), len(times))
    local = times.dt.tz_localize(zone, ambiguous=first_pass, nonexistent="shift_forward")
    ahead: pd.Series = (local.dt.tz_localize(None) - local.dt.tz_convert(None)).dt.total_seconds() / _HOUR
    return ahead


def _each_once(rows: pd.DataFrame, said: list[str]) -> pd.DataFrame:
    masses, rows = "mass_g" in rows, rows.drop(columns="offset")
    equal = rows.duplicated([name for name in rows.columns if masses or name != "ahead_h"])
    said += _passed(rows.index[equal], "equal to an earlier one: taken once")
    rows = rows[~equal]
    shared = rows.index[rows["time"].duplicated() & (not masses)]
    how = "with a time that an earlier row has too, and other values: kept; the analysis takes their mean"
    said += _passed(shared, how)
    return rows


def _passed(index: pd.Index, how: str, shown: int = 5) -> list[str]:
    """One sentence about some rows; none about no row."""
    rest = f" and {len(index) - shown} more" if len(index) > shown else ""
    named = f"row{'' if len(index) == 1 else 's'} {', '.join(map(str, index[:shown]))}{rest}"
    return [f"{count(len(index), 'row')} {how} ({named})."] if len(index) else []
