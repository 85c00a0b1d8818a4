"""Adding readings to a table of the trial: no reading twice, every other row as it stood."""

from __future__ import annotations

import csv
import io
from bisect import bisect_right
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import pandas as pd

from fizzlab.errors import BadInput, Problem
from fizzlab.trial.exports.clock import ahead_of_world_h
from fizzlab.trial.exports.layout import first_of
from fizzlab.trial.exports.read import Readings
from fizzlab.trial.tables import CHECKED_AT, LEAVE_OUT, TABLES, RawTable, guarded, parse, separator_of

#: Hours are written to a third of a second; two looks that are nearer than this are one.
_SAME_HOUR = 2e-4


@dataclass(frozen=True)
class Standing:
    """A table of the trial as it stands: its bytes, and its cells as `read_csv` gives them."""

    data: bytes
    raw: RawTable


@dataclass(frozen=True)
class Merged:
    """The table with the readings added.

    Parameters
    ----------
    data : bytes
        The whole file.
    added, held : int
        Readings that were added, and that already stood there.
    said : tuple of str
        What is odd, as sentences.
    """

    data: bytes
    added: int
    held: int
    said: tuple[str, ...]


def into_room_log(standing: Standing | None, readings: Readings) -> Merged:
    """Add hygrometer readings to the room log.

    A reading whose time, temperature and humidity stand there already, be it in a row that was left out, is
    not added again. A log in order of time stays so.

    Parameters
    ----------
    standing : Standing or None
        None where there is no log yet.
    readings : Readings

    Returns
    -------
    Merged

    Raises
    ------
    BadInput
        The log as it stands has problems.
    """
    rows = readings.rows
    old = pd.DataFrame(columns=["time", "temp_c", "rh_pct"])
    if standing is not None:
        old = _typed(standing.raw, "room_log")
    keys = set(
        zip(
            old["time"],
            old["temp_c"].astype(float).round(2),
            old["rh_pct"].astype(float).round(2),
            strict=True,
        )
    )
    fresh = [
        key not in keys
        for key in zip(rows["time"], rows["temp_c"].round(2), rows["rh_pct"].round(2), strict=True)
    ]
    new = rows[fresh].sort_values("time", kind="stable")
    clash = int(new["time"].isin(set(old["time"])).sum())
    said = []
    if clash:
        said.append(
            f"{clash} of the times stand in the log already with other values: both are kept, and the "
            "analysis takes their mean. Look whether two devices, or two units, were put together."
        )
    cells = [
        {"time": _stamp(time), "temp_c": _number(temp), "rh_pct": _number(rh)}
        for time, temp, rh in zip(new["time"], new["temp_c"], new["rh_pct"], strict=True)
    ]
    data = _inserted(standing, "room_log", cells, list(new["time"]), old["time"])
    return Merged(data, len(new), len(rows) - len(new), tuple(said))


def into_weighings(
    standing: Standing | None, readings: Readings, *, run: str, piece: str, made_at: pd.Timestamp
) -> Merged:
    """Add a scale's readings to the weighings of one piece, with hours counted from the batch's making.

    Parameters
    ----------
    standing : Standing or None
    readings : Readings
    run, piece : str
    made_at : Timestamp
        On the workshop's clock.

    Returns
    -------
    Merged

    Raises
    ------
    BadInput
        A reading stands before the batch was made, or another mass stands at the same hour already.
    """
    rows = readings.rows.drop_duplicates(["time", "ahead_h"])
    said = []
    if len(rows) < len(readings.rows):
        more = len(readings.rows) - len(rows)
        said.append(f"{more} more readings at a time that has one already: only the first of each was taken.")
    made = pd.Series([made_at])
    ahead = 0.0 if readings.zone is None else float(ahead_of_world_h(made, readings.zone).iloc[0])
    hours = (rows["time"] - made_at).dt.total_seconds() / 3600 - (rows["ahead_h"] - ahead)
    hours = hours.round(4)
    problems = [
        Problem(
            readings.where,
            f"{_stamp(rows['time'][row])} stands before batch {run} was made ({_stamp(made_at)}).",
            "Take it out of a copy of the export, or correct made_at in runs.",
            row=int(row),
        )
        for row in rows.index[hours < 0]
    ]
    problems = first_of(problems)
    most = float(TABLES["weighings"].columns[2].high or 0)
    if (hours > most).any():
        what = (
            f"its last reading is {hours.max():.0f} hours after batch {run} was made; {most:g} is the most."
        )
        problems.append(Problem(readings.where, what, "Look whether it is the right batch."))
    mine = pd.DataFrame(columns=["hours", "mass_g"])
    if standing is not None:
        old = _typed(standing.raw, "weighings")
        mine = old[(old["run"].str.casefold() == run.casefold()) & (old["piece"] == piece)]
        if "checked_at" in mine:
            counted = (mine["checked_at"] - made_at).dt.total_seconds() / 3600
            mine = mine.assign(hours=mine["hours"].fillna(counted))
    fresh = []
    for row, hour, mass in zip(rows.index.tolist(), hours, rows["mass_g"], strict=True):
        same = mine[(mine["hours"].astype(float) - hour).abs() < _SAME_HOUR]
        fresh.append(same.empty)
        if not same.empty and not ((same["mass_g"].astype(float) - mass).abs() < 5e-4).any():
            there = _number(float(same["mass_g"].iloc[0]))
            stands = f"weighings has {there} g then (row {same.index[0]})"
            what = f"{_number(mass)} g at {_number(hour)} h, but {stands}."
            problems.append(Problem(readings.where, what, "Look whether it is the right piece.", row=row))
    if problems:
        raise BadInput(problems)
    new = pd.DataFrame({"hours": hours, "mass_g": rows["mass_g"], "time": rows["time"]})[fresh].sort_values(
        "hours"
    )
    header = ["hours"] if standing is None else list(standing.raw.cells.columns)
    cells = []
    for hour, mass, time in zip(new["hours"], new["mass_g"], new["time"], strict=True):
        when = {"hours": _number(hour)} if "hours" in header else {"checked_at": _stamp(time)}
        cells.append({"run": guarded(run), "piece": guarded(piece), **when, "mass_g": _number(mass)})
    data = _inserted(standing, "weighings", cells, list(new["hours"]), mine["hours"])
    return Merged(data, len(new), len(rows) - len(new), tuple(said))


def _typed(raw: RawTable, name: str) -> pd.DataFrame:
    """Every row of a table as it stands, left out or not; raises its problems."""
    columns = list(TABLES[name].columns)
    if name == "weighings" and CHECKED_AT.name in raw.cells.columns:
        hours = columns[2]
        columns[2:3] = [
            type(hours)(hours.name, hours.kind, hours.meaning, False, hours.low, hours.high),
            CHECKED_AT,
        ]
    table, found = parse(raw, columns, TABLES[name].planned)
    problems = [p for p in found if p.weight == "problem"] if not raw.cells.empty else []
    if problems:
        raise BadInput(problems)
    if table.left_out.empty:
        return table.rows
    # a row that was left out may hold anything; what can be read of it is enough to know it again
    left = RawTable(raw.where, table.left_out.drop(columns=LEAVE_OUT.name))
    return pd.concat([table.rows, parse(left, columns)[0].rows]).sort_index()


def _stamp(time: pd.Timestamp) -> str:
    return f"{time:%Y-%m-%dT%H:%M:%S}" if time.second else f"{time:%Y-%m-%dT%H:%M}"


def _number(value: float) -> str:
    return f"{value:.10g}"


def _inserted(
    standing: Standing | None,
    name: str,
    new: Sequence[Mapping[str, str]],
    keys: Sequence[object],
    old_keys: pd.Series,
) -> bytes:
    """The file with rows put in by their key; what stood there stays as it was.

    Rows go behind the last row of the series with an earlier key; at the end, where the series is new or
    is not in order itself.
    """
    if standing is None:
        header = [column.name for column in TABLES[name].columns]
        return _written([header, *([row.get(column, "") for column in header] for row in new)], ",").encode()
    if not new:
        return standing.data
    mark = b"\xef\xbb\xbf" if standing.data.startswith(b"\xef\xbb\xbf") else b""
    text = standing.data.decode("utf-8-sig")
    separator = separator_of(text)
    records = list(csv.reader(io.StringIO(text, newline=""), delimiter=separator))
    header = [cell.strip().casefold() for cell in records[0]]
    comma = any(
        "," in cell
        for column in ("temp_c", "mass_g")
        if column in header
        for cell in standing.raw.cells[column]
    )
    lines = []
    for row in new:
        cells = [row.get(column, "") for column in header]
        lines.append([cell.replace(".", ",") for cell in cells] if comma else cells)
    end = "\r\n" if "\r\n" in text else "\n"
    ordered = old_keys.dropna()
    places = [len(records)] * len(lines)
    if len(ordered) and ordered.is_monotonic_increasing:
        known = list(ordered)
        last = int(ordered.index[-1])
        for i, key in enumerate(keys):
            before = bisect_right(known, key)
            if before == len(known):
                places[i] = len(records) if last == _last_row(standing.raw) else last
            else:
                places[i] = int(ordered.index[before]) - 1
    if all(place == len(records) for place in places):
        whole = text if text.endswith("\n") else text + end
        return mark + (whole + _written(lines, separator, end)).encode()
    put = dict[int, list[list[str]]]()
    for place, line in zip(places, lines, strict=True):
        put.setdefault(place, []).append(line)
    whole_table = []
    for i, record in enumerate([*records, None]):
        whole_table += put.get(i, [])
        if record is not None:
            whole_table.append(record)
    return mark + _written(whole_table, separator, end).encode()


def _last_row(raw: RawTable) -> int:
    return int(raw.cells.index[-1])


def _written(records: Sequence[Sequence[str]], separator: str, end: str = "\n") -> str:
    out = io.StringIO()
    csv.writer(out, delimiter=separator, lineterminator=end).writerows(records)
    return out.getvalue()
