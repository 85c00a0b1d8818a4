"""The readings of an export with a confirmed mapping, in the units of the room log; what is odd is said."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from fizzlab.errors import BadInput, Problem, count
from fizzlab.measures import TABLES
from fizzlab.trial.loggers import TAKES, Layout, is_missing, numbers, stamp_texts
from fizzlab.trial.settings import ImportSettings
from fizzlab.trial.stamps import moment
from fizzlab.trial.tables import outside, range_words, shortened

#: The table that readings go to.
LOG = TABLES["room_log"]


@dataclass(frozen=True)
class Readings:
    """The readings of an export in order of time, and what is odd about them.

    `rows` is indexed by row of the file: `time` (the workshop's clock), `temp_c` and `rh_pct`.
    """

    where: str
    rows: pd.DataFrame
    said: tuple[str, ...]


def read(layout: Layout, mapping: ImportSettings) -> Readings:
    """Read an export with a mapping; equal readings of one time are taken once.

    A column that is not there, and every cell that cannot be read or lies outside what is possible, raise
    BadInput together.

    >>> from fizzlab.trial.loggers import guess, lay_out
    >>> layout = lay_out("log.csv", b"Time,Temp F,RH\\n2026-01-05 08:00,70.7,64\\n2026-01-05 08:10,--,\\n")
    >>> readings = read(layout, guess(layout).mapping)
    >>> readings.rows.values.tolist(), readings.said
    ([[Timestamp('2026-01-05 08:00:00'), 21.5, 64.0]], ('1 row without a reading: passed over (row 3).',))
    """
    cells, where, columns = layout.cells, layout.where, mapping.columns()
    what = "the mapping names this column, but the file does not have it."
    do = "Import without --mapping to have the columns guessed again."
    gone = [name for name in columns.values() if name not in cells.columns]
    if gone:
        raise BadInput(Problem(where, what, do, column=f"column {name}") for name in gone)
    blank = is_missing(cells[mapping.temp]) | is_missing(cells[mapping.rh])
    said = [*layout.said, *_passed(cells.index[blank], "without a reading: passed over")]
    kept = cells[~blank]
    texts = stamp_texts(kept, mapping.time, mapping.date)
    stamps = {int(str(row)): moment(text, mapping.dates) for row, text in texts.items()}
    problems = []
    for row in [row for row, stamp in stamps.items() if stamp is None]:
        what = f"“{texts[row][:40]}” is no date and time ({mapping.dates})."
        problems.append(Problem(where, what, "Mend it in a copy.", row, mapping.time))
    problems = shortened(problems, "rows")
    clock = [pd.NaT if stamp is None else stamp.clock for stamp in stamps.values()]
    rows = pd.DataFrame({"time": pd.Series(clock, index=kept.index, dtype="datetime64[ns]")})
    for kind, column in TAKES.items():
        rows[column], found = _values(kind, kept[columns[kind]], mapping, where)
        problems += found
    if kept.empty:
        what = "no row with a reading stands in it."
        problems.append(Problem(where, what, "Look at the columns that were named."))
    if problems:
        raise BadInput(problems)
    offsets = pd.Series([each and each.offset for each in stamps.values()], index=kept.index, dtype=float)
    rows = _each_once(_in_order(rows, offsets, mapping.zone, said), said)
    return Readings(where, rows, tuple(said))


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
    spec = next(each for each in LOG.columns if each.name == TAKES[kind])
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


def _in_order(rows: pd.DataFrame, offsets: pd.Series, zone: str | None, said: list[str]) -> pd.DataFrame:
    """Put the readings on the workshop's clock, and in order of time."""
    if zone is not None and offsets.notna().all():
        world = rows["time"] - pd.to_timedelta(offsets, unit="min")
        said.append(f"Times were turned into the clock of {zone}.")
        rows = rows.assign(time=world.dt.tz_localize("UTC").dt.tz_convert(zone).dt.tz_localize(None))
        return rows.loc[world.sort_values(kind="stable").index]
    if offsets.notna().any():
        said.append("The offsets in the stamps were passed over: the clock was taken as it is written.")
    steps = rows["time"].diff().dt.total_seconds()
    if (steps < 0).sum() > (steps > 0).sum():
        rows = rows.iloc[::-1]
        said.append("The newest reading stands first; the rows were turned round.")
    back = rows.index[rows["time"].diff().dt.total_seconds() < 0]
    if len(back):
        often = "once" if len(back) == 1 else f"{len(back)} times"
        said.append(
            f"Times run backwards {often}, first at row {back[0]}, as when summer time ends or a clock is "
            "set: the clock was taken as it is written, and the rows were put in order of time."
        )
    return rows.sort_values("time", kind="stable")


def _each_once(rows: pd.DataFrame, said: list[str]) -> pd.DataFrame:
    equal = rows.duplicated()
    said += _passed(rows.index[equal], "equal to an earlier one: taken once")
    rows = rows[~equal]
    how = "with a time that an earlier row has too, and other values: kept; the analysis takes their mean"
    said += _passed(rows.index[rows["time"].duplicated()], how)
    return rows


def _passed(index: pd.Index, how: str, shown: int = 5) -> list[str]:
    """One sentence about some rows; none about no row."""
    rest = f" and {len(index) - shown} more" if len(index) > shown else ""
    named = f"row{'' if len(index) == 1 else 's'} {', '.join(map(str, index[:shown]))}{rest}"
    return [f"{count(len(index), 'row')} {how} ({named})."] if len(index) else []
