"""Reading an export with a confirmed mapping: clock times, °C, per cent, grams; everything odd is said."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from fizzlab.errors import BadInput, Problem, nearest
from fizzlab.recipe.units import UNITS
from fizzlab.trial.exports.cells import KINDS, is_missing, numbers
from fizzlab.trial.exports.clock import Jump, ahead_of_world_h, jumps, skipped, to_zone
from fizzlab.trial.exports.guess import stamp_texts
from fizzlab.trial.exports.layout import Layout, first_of
from fizzlab.trial.settings.imports import ImportSettings
from fizzlab.trial.tables import TABLES
from fizzlab.trial.tables.stamps import moment, offset_minutes


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
    zone : str or None
    said : tuple of str
        What was passed over or is odd, as sentences.
    """

    where: str
    rows: pd.DataFrame
    zone: str | None
    said: tuple[str, ...]


def read(layout: Layout, mapping: ImportSettings) -> Readings:
    """Read an export with a mapping.

    Parameters
    ----------
    layout : Layout
    mapping : ImportSettings

    Returns
    -------
    Readings
        Equal readings of one time stand there once. Rows without a reading are passed over and said.

    Raises
    ------
    BadInput
        A column is not there, or a cell cannot be read or lies outside what is possible: all of them.

    Examples
    --------
    >>> from fizzlab.trial.exports.guess import guess
    >>> from fizzlab.trial.exports.layout import lay_out
    >>> layout = lay_out("log.csv", b"Time,Temp F,RH\\n2026-01-05 08:00,70.7,64\\n2026-01-05 08:10,--,\\n")
    >>> readings = read(layout, guess(layout, "room_log").mapping)
    >>> readings.rows[["time", "temp_c", "rh_pct"]].values.tolist(), readings.said
    ([[Timestamp('2026-01-05 08:00:00'), 21.5, 64.0]], ('1 row without a reading: passed over (row 3).',))
    """
    _columns_there(layout, mapping)
    cells = layout.cells
    measured = {key: name for key, name in mapping.columns().items() if key in KINDS}
    blank = pd.Series(False, index=cells.index)
    for name in measured.values():
        blank |= is_missing(cells[name])
    said = list(layout.said)
    if blank.any():
        said.append(f"{_rows(blank.sum())} without a reading: passed over ({_named(cells.index[blank])}).")
    kept = cells[~blank]
    problems: list[Problem] = []
    rows = pd.DataFrame(index=kept.index)
    clock, offsets, found = _clock(kept, mapping, layout.where)
    problems += found
    for key, name in measured.items():
        column, values, found = _values(key, kept[name], mapping, layout.where)
        rows[column] = values
        problems += found
    if kept.empty:
        what = "no row with a reading stands in it."
        problems.append(Problem(layout.where, what, "Look at the columns that were named."))
    if problems:
        raise BadInput(problems)
    rows.insert(0, "time", clock)
    rows, more = _in_order(rows, offsets, mapping)
    return Readings(layout.where, rows, mapping.zone, (*said, *more))


def _columns_there(layout: Layout, mapping: ImportSettings) -> None:
    problems = []
    for name in mapping.columns().values():
        if name not in layout.cells.columns:
            near = nearest(name, layout.cells.columns)
            do = f"Did it become {near}? " if near else ""
            what = "the mapping names this column, but the file does not have it."
            do += "Import without --mapping to have the columns guessed again."
            problems.append(Problem(layout.where, what, do, column=f"column {name}"))
    if problems:
        raise BadInput(problems)


def _clock(
    cells: pd.DataFrame, mapping: ImportSettings, where: str
) -> tuple[pd.Series, pd.Series, list[Problem]]:
    """Clock times as written and their offsets in minutes (NaN where none is known)."""
    texts = stamp_texts(cells, mapping.time, mapping.date)
    read = [moment(text, mapping.dates) for text in texts]
    problems = [
        Problem(
            where,
            f"“{text[:40]}” is no date and time ({mapping.dates}).",
            "Mend it in a copy.",
            row,
            mapping.time,
        )
        for row, text, found in zip(cells.index.tolist(), texts, read, strict=True)
        if found is None
    ]
    clock = pd.Series(
        [pd.NaT if found is None else found.clock for found in read],
        index=cells.index,
        dtype="datetime64[ns]",
    )
    fixed = None if mapping.offset is None else offset_minutes(mapping.offset)
    offsets = pd.Series(
        [np.nan if found is None or found.offset is None else found.offset for found in read],
        index=cells.index,
        dtype=float,
    )
    return clock, offsets if fixed is None else offsets.fillna(fixed), first_of(problems)


def _values(
    key: str, cells: pd.Series, mapping: ImportSettings, where: str
) -> tuple[str, pd.Series, list[Problem]]:
    """One kind of reading in the unit of the table."""
    values, units = numbers(cells)
    unit = str(getattr(mapping, f"{key}_unit"))
    column = {"temp": "temp_c", "rh": "rh_pct", "mass": "mass_g"}[key]
    bad: dict[int, tuple[str, str]] = {}
    for row in cells.index[values.isna()]:
        bad[row] = (
            f"“{cells[row][:40]}” is not a number.",
            "Mend it in a copy, without thousands separators.",
        )
    for row in cells.index[
        values.notna() & (units != "") & (units != unit) & ~((unit == "share") & (units == "%"))
    ]:
        bad[row] = (
            f"“{cells[row][:40]}” is in {units[row]}, but the column is read in {unit}.",
            "Keep one unit.",
        )
    values = _converted(values, unit)
    if unit == "share":
        values = values.where(units == "%", (values * 100).round(2))
    spec = next(c for c in TABLES[mapping.table].columns if c.name == column)
    low, high = float(spec.low or 0), float(spec.high or 0)
    if key == "temp":
        low = -20.0
    outside = (values < low) | (values > high) | ((values == low) & spec.above_low)
    for row in cells.index[outside]:
        what = f"{cells[row][:40]} read in {unit} is outside what is possible here ({low:g} to {high:g})."
        bad.setdefault(row, (what, "Look at the unit, or take the row out of a copy."))
    problems = [Problem(where, *bad[row], row=int(row), column=str(cells.name)) for row in sorted(bad)]
    return column, values, first_of(problems)


def _converted(values: pd.Series, unit: str) -> pd.Series:
    if unit == "°F":
        return ((values - 32) / 1.8).round(2)
    if unit in ("kg", "oz", "lb"):
        return (values * UNITS[unit].size).round(3)
    return values


def _in_order(
    rows: pd.DataFrame, offsets: pd.Series, mapping: ImportSettings
) -> tuple[pd.DataFrame, list[str]]:
    """Put the readings in the order in which they were taken, on the workshop's clock, each once."""
    said: list[str] = []
    known = offsets.notna()
    if mapping.zone is not None and known.all():
        world = rows["time"] - pd.to_timedelta(offsets, unit="min")
        rows = rows.assign(time=to_zone(world, mapping.zone), world=world)
        said.append(f"Times were turned into the clock of {mapping.zone}.")
        if not rows["world"].is_monotonic_increasing:
            rows = rows.sort_values("world", kind="stable")
            said.append("The rows were not in order of time; they were put in order.")
        rows["ahead_h"] = (rows["time"] - rows["world"]).dt.total_seconds() / 3600
        said += [_jump_said(jump) for jump in jumps(rows["time"], mapping.zone) if jump.kind != "backwards"]
        rows = rows.drop(columns="world")
    else:
        if known.any():
            said.append("The offsets in the stamps were passed over: the clock was taken as it is written.")
        rows, more = _by_sequence(rows, mapping.zone)
        said += more
    return _each_once(rows, said)


def _by_sequence(rows: pd.DataFrame, zone: str | None) -> tuple[pd.DataFrame, list[str]]:
    """Naive clock times: their sequence shows whether an hour came twice."""
    said = []
    steps = rows["time"].diff().dt.total_seconds()
    if (steps < 0).sum() > (steps > 0).sum():
        rows = rows.iloc[::-1]
        said.append("The newest reading stands first; the rows were turned round.")
    found = jumps(rows["time"], zone)
    twice = [jump for jump in found if jump.kind == "back an hour"]
    disorder = [jump for jump in found if jump.kind == "backwards"]
    said += [_jump_said(jump) for jump in found if jump.kind != "backwards"]
    late = pd.Series(False, index=rows.index)
    for jump in twice:
        after = np.arange(len(rows)) >= jump.place
        late |= after & (rows["time"] <= jump.at + pd.Timedelta(hours=1)).to_numpy()
    if zone is not None:
        ahead = ahead_of_world_h(rows["time"], zone, late)
        said += _stood_still(rows["time"], zone, bool(twice))
    else:
        ahead = pd.Series(0.0, index=rows.index)
        for jump in twice:
            ahead[np.arange(len(rows)) >= jump.place] -= 1.0
    rows = rows.assign(ahead_h=ahead)
    if disorder:
        first = disorder[0]
        said.append(
            f"Times run backwards {_times(len(disorder))}, first at row {first.row} "
            f"({_clock_text(first.at)} to {_clock_text(first.to)}); the rows were put in order of "
            "time. Look whether the clock was set."
        )
        rows = rows.sort_values("time", kind="stable")
    return rows, said


def _stood_still(times: pd.Series, zone: str, twice: bool) -> list[str]:
    """Say where a log shows that its clock did not follow the change of clocks."""
    said = []
    never = skipped(times, zone)
    if never.any():
        said.append(
            f"{_rows(never.sum())} in an hour that the clocks of {zone} skip ({_named(times.index[never])}): "
            "the device's clock did not go forward. Its later times are then an hour behind; give "
            "--offset, the offset of its clock from world time, such as +01:00."
        )
    whole = pd.Series(times.dt.floor("h").unique())
    again = whole[whole.dt.tz_localize(zone, ambiguous="NaT", nonexistent="shift_forward").isna()]
    if len(again) and not twice and len(whole) > len(again):
        said.append(
            f"The clocks of {zone} show the hour from {_clock_text(again.iloc[0])} twice, but this log shows "
            "it once: the device's clock may not have gone back. If so, give --offset, the offset of its "
            "clock from world time, such as +01:00."
        )
    return said


def _each_once(rows: pd.DataFrame, said: list[str]) -> tuple[pd.DataFrame, list[str]]:
    values = [column for column in rows.columns if column != "ahead_h"]
    equal = rows.duplicated(values if "mass_g" not in rows else [*values, "ahead_h"])
    if equal.any():
        said.append(
            f"{_rows(equal.sum())} equal to an earlier one: taken once ({_named(rows.index[equal])})."
        )
    rows = rows[~equal]
    shared = rows["time"].duplicated()
    if shared.any() and "mass_g" not in rows:
        said.append(
            f"{_rows(shared.sum())} with a time that an earlier row has too, and other values: kept; the "
            f"analysis takes their mean ({_named(rows.index[shared])})."
        )
    return rows, said


def _jump_said(jump: Jump) -> str:
    looks = "" if jump.sure else " by the look of it"
    if jump.kind == "back an hour":
        return (
            f"Row {jump.row}: the clock goes back from {_clock_text(jump.at)} to {jump.to:%H:%M}, the end of "
            f"summer time{looks}. Both passes through the hour are kept under the times that were shown."
        )
    return (
        f"Row {jump.row}: the clock goes forward from {_clock_text(jump.at)} to {jump.to:%H:%M}, the start "
        f"of summer time{looks}. No reading is missing for the hour that was skipped."
    )


def _clock_text(at: pd.Timestamp) -> str:
    return f"{at:%Y-%m-%d %H:%M}"


def _rows(count: float) -> str:
    return "1 row" if count == 1 else f"{count:.0f} rows"


def _times(count: int) -> str:
    return "once" if count == 1 else f"{count} times"


def _named(index: pd.Index, shown: int = 5) -> str:
    numbers_ = [str(row) for row in index[:shown]]
    rest = f" and {len(index) - shown} more" if len(index) > shown else ""
    return f"row{'' if len(index) == 1 else 's'} {', '.join(numbers_)}{rest}"
