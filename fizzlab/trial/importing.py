"""`fizzlab import`: from an export to the trial's table, with the mapping kept and the original put aside.

`look` reads and guesses, `prepare` works out what would be written, `write` writes it: the table, the
section [imports.NAME] at the end of trial.toml, and a copy of the export, byte for byte, in `exports/`. No
reading is added twice, and every other row stays as it stood.
"""

from __future__ import annotations

import csv
import io
import json
import re
from bisect import bisect_right
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from fizzlab.errors import BadInput, Problem, did_you_mean
from fizzlab.measures import LEAVE_OUT, TABLES
from fizzlab.trial.folder import WORKBOOK, columns_of, folder_there, read_all, refuse_records
from fizzlab.trial.loggers import TAKES, Guess, Layout, guess, lay_out
from fizzlab.trial.placing import beside, put_in_place
from fizzlab.trial.readings import Readings, ahead_of_world_h, read
from fizzlab.trial.settings import FILE, ImportSettings, TrialSettings, read_settings
from fizzlab.trial.tables import RawTable, guarded, parse, read_csv, separator_of, shortened, unread

#: Originals are kept here, inside the trial folder, and never altered.
EXPORTS = "exports"

#: What a mapping is called if the maker does not name it.
_CALLED = {"room_log": "hygrometer", "weighings": "scale"}

#: Hours are written to a third of a second; two looks that are nearer than this are one.
_SAME_HOUR = 2e-4


@dataclass(frozen=True)
class Standing:
    """A table of the trial as it stands: its bytes, and its cells as `read_csv` gives them."""

    data: bytes
    raw: RawTable


@dataclass(frozen=True)
class Merged:
    """A whole table with readings added: how many, how many stood there already, and what is odd."""

    data: bytes
    added: int
    held: int
    said: tuple[str, ...]


@dataclass(frozen=True)
class Look:
    """An export, what its columns are, the name of the mapping, and whether trial.toml held it already."""

    folder: Path
    file: Path
    data: bytes
    table: str
    layout: Layout
    guess: Guess
    name: str
    stored: bool


@dataclass(frozen=True)
class Prepared:
    """What would be written to the table's file, `target`, and what that file holds now."""

    look: Look
    mapping: ImportSettings
    readings: Readings
    merged: Merged
    target: str
    standing: bytes | None


def _bad(where: str, what: str, do: str) -> BadInput:
    return BadInput([Problem(where, what, do)])


def look(
    folder: str | Path,
    file: str | Path,
    table: str = "room_log",
    name: str | None = None,
    told: Mapping[str, str] | None = None,
) -> Look:
    """Read an export and tell its columns: by a stored mapping that fits, else by a guess.

    `name` is that of a mapping in trial.toml, or to be; `told` is what the maker says of the columns.
    """
    folder, file, told = Path(folder), Path(file), told or {}
    refuse_records(folder)
    folder_there(folder)
    settings, problems = read_settings(folder)
    if settings is None:
        raise BadInput(problems)
    if not file.is_file():
        what = "there is no such file." if not file.exists() else "it is not a file."
        raise _bad(str(file), what, "Check its name and folder.")
    data, imports = file.read_bytes(), settings.imports
    layout = lay_out(file.name, data)
    stored = _stored(settings, table, name, layout) if not told or name in imports else None
    if stored is not None and told:
        do = f"Change it there ([imports.{stored}]), or give this one another name with --mapping."
        raise _bad("option --mapping", f"the mapping {stored} stands in {FILE} already.", do)
    if stored is not None:
        mapping = imports[stored]
        unused = tuple(column for column in layout.cells.columns if column not in mapping.columns().values())
        found = Guess(mapping, (f"Read with the mapping {stored} of {FILE}.",), (), unused)
    else:
        found = guess(layout, table, told)
        if name is None:
            stored = next((key for key, mapping in imports.items() if mapping == found.mapping), None)
    called = [_CALLED[table], *(f"{_CALLED[table]}_{n + 2}" for n in range(len(imports)))]
    name = stored or name or next(free for free in called if free not in imports)
    if not re.fullmatch(r"[a-z0-9][a-z0-9_-]{0,39}", name):
        do = "Use up to 40 small letters, digits, - and _, beginning with a letter or digit."
        raise _bad("option --mapping", f"“{name}” cannot be the name of a mapping.", do)
    return Look(folder, file, data, table, layout, found, name, stored is not None)


def _stored(settings: TrialSettings, table: str, name: str | None, layout: Layout) -> str | None:
    """The mapping of that name; without a name, the one mapping whose columns are all there."""
    if name is not None:
        if name in settings.imports and settings.imports[name].table != table:
            what = f"the mapping {name} is for {settings.imports[name].table}, not for {table}."
            raise _bad("option --mapping", what, "Name another, or give --as.")
        return name if name in settings.imports else None
    fitting = [
        key
        for key, mapping in settings.imports.items()
        if mapping.table == table and set(mapping.columns().values()) <= set(layout.cells.columns)
    ]
    if len(fitting) > 1:
        what = f"more than one mapping of {FILE} fits: {', '.join(fitting)}."
        raise _bad(layout.where, what, "Name one with --mapping.")
    return fitting[0] if fitting else None


def prepare(seen: Look, run: str | None = None, piece: str | None = None) -> Prepared:
    """Work out what would be written, for the weighings of which piece; nothing is.

    Open questions, and the problems of the export and of the table as it stands, raise BadInput together.
    """
    mapping = seen.guess.mapping
    problems: list[Problem] = []
    for question in seen.guess.questions:  # nobody was there to answer
        many = f" It may be: {', '.join(question.choices)}." if question.choices else ""
        example = question.choices[0] if question.choices else "Europe/Berlin"
        do = f'Say it, as in --{question.key.replace("_", "-")} "{example}".'
        problems.append(Problem(seen.file.name, question.asks + many, do))
    if mapping is None:
        raise BadInput(problems)
    readings = made_at = None
    try:
        readings = read(seen.layout, mapping)
    except BadInput as error:
        problems += error.problems
    target, standing, found = _standing(seen.folder, seen.table)
    problems += found
    if seen.table == "weighings":
        run, made_at, found = _batch(seen, run, piece)
        problems += found
    if problems or readings is None:
        raise BadInput(problems)
    if run and piece and made_at is not None:
        merged = into_weighings(standing, readings, run=run, piece=piece, made_at=made_at)
    else:
        merged = into_room_log(standing, readings)
    return Prepared(seen, mapping, readings, merged, target, None if standing is None else standing.data)


def _standing(folder: Path, table: str) -> tuple[str, Standing | None, list[Problem]]:
    """The table as it stands, and the name of its file."""
    found = read_all(folder)
    path = next((p for p in found.inputs if p.suffix == ".csv" and p.stem.casefold() == table), None)
    target = f"{table}.csv" if path is None else path.name
    problems = [p for p in found.problems if p.where == target and p.weight == "problem"]
    lock = folder / f".~lock.{target}#"
    if lock.exists():
        do = f"Close it; if it is not open, delete {lock.name}."
        problems.append(Problem(target, "it is open in a spreadsheet.", do))
    raw = found.raws.get(table)
    if path is None and raw is not None and not unread(raw, TABLES[table].planned):
        what = f"the readings of this trial stand in {WORKBOOK}, and a table cannot be in two places."
        do = f"Save that sheet as {table}.csv and take it out of the workbook; then import again."
        problems.append(Problem(raw.where, what, do))
    if problems or path is None:
        return target, None, problems
    again, problems = read_csv(path)
    return target, None if again is None else Standing(path.read_bytes(), again), problems


def _batch(
    seen: Look, run: str | None, piece: str | None
) -> tuple[str | None, pd.Timestamp | None, list[Problem]]:
    """The batch as runs spells it, and when it was made."""
    do = "Weighings are of one piece of one batch: say which, as in --run B03 --piece 2."
    problems = [
        Problem(f"option {option}", "it is not given.", do)
        for option, value in (("--run", run), ("--piece", piece))
        if not (value or "").strip()
    ]
    raw = read_all(seen.folder).raws.get("runs")
    if raw is None:
        what = "the table of batches cannot be read."
        problems.append(Problem("runs.csv", what, "Run: fizzlab check FOLDER."))
    if problems or raw is None or run is None:
        return run, None, problems
    columns = [column for column in TABLES["runs"].columns if column.name in ("run", "made_at")]
    only = [column.name for column in columns if column.name in raw.cells.columns]
    table, found = parse(RawTable(raw.where, raw.cells[only]), columns)
    if found:
        return run, None, found
    rows = table.rows[table.rows["run"].str.casefold() == run.strip().casefold()]
    if rows.empty:
        do = did_you_mean(run, table.rows["run"], "Name it as in runs.")
        return run, None, [Problem("option --run", f"there is no batch “{run}” in {raw.where}.", do)]
    name, made_at = str(rows["run"].iloc[0]), rows["made_at"].iloc[0]
    if pd.isna(made_at):
        what = f"batch {name} has no made_at, so hours cannot be counted."
        return run, None, [Problem(raw.where, what, "Fill it in.", row=int(rows.index[0]), column="made_at")]
    return name, made_at, []


def into_room_log(standing: Standing | None, readings: Readings) -> Merged:
    """Add hygrometer readings to the room log (None: there is none yet); one in order of time stays so.

    A reading whose time, temperature and humidity stand there already, be it in a row that was left out, is
    not added again.
    """
    rows = readings.rows
    old = _typed(standing, "room_log")
    keys = set(zip(old["time"], *_rounded(old), strict=True))
    fresh = [key not in keys for key in zip(rows["time"], *_rounded(rows), strict=True)]
    new = rows[fresh].sort_values("time", kind="stable")
    clash = int(new["time"].isin(set(old["time"])).sum())
    said = (
        f"{clash} of the times stand in the log already with other values: both are kept, and the analysis "
        "takes their mean. Look whether two devices, or two units, were put together."
    )
    cells = [
        {"time": _stamp(time), "temp_c": f"{temp:.10g}", "rh_pct": f"{rh:.10g}"}
        for time, temp, rh in zip(new["time"], new["temp_c"], new["rh_pct"], strict=True)
    ]
    data = _inserted(standing, "room_log", cells, list(new["time"]), old["time"])
    return Merged(data, len(new), len(rows) - len(new), (said,) if clash else ())


def _rounded(rows: pd.DataFrame) -> list[pd.Series]:
    return [rows[name].astype(float).round(2) for name in ("temp_c", "rh_pct")]


def into_weighings(
    standing: Standing | None, readings: Readings, *, run: str, piece: str, made_at: pd.Timestamp
) -> Merged:
    """Add a scale's readings to the weighings of one piece, with hours counted from the batch's making.

    A reading before that, or another mass at an hour that has one already, is a problem.
    """
    rows = readings.rows.drop_duplicates(["time", "ahead_h"])
    more = len(readings.rows) - len(rows)
    said = f"{more} more readings at a time that has one already: only the first of each was taken."
    made = pd.Series([made_at])
    ahead = 0.0 if readings.zone is None else float(ahead_of_world_h(made, readings.zone).iloc[0])
    hours = (rows["time"] - made_at).dt.total_seconds() / 3600 - (rows["ahead_h"] - ahead)
    hours = hours.round(4)
    problems: list[Problem] = []

    def wrong(row: int, what: str, do: str) -> None:
        problems.append(Problem(readings.where, what, do, row=row))

    for row in rows.index[hours < 0]:
        what = f"{_stamp(rows['time'][row])} stands before batch {run} was made ({_stamp(made_at)})."
        wrong(int(row), what, "Take it out of a copy of the export, or correct made_at in runs.")
    problems = shortened(problems, "rows")
    most = next(float(each.high or 0) for each in TABLES["weighings"].columns if each.name == "hours")
    if (hours > most).any():
        what = f"it stands {hours.max():.0f} hours after batch {run} was made; {most:g} is the most."
        wrong(int(hours.idxmax()), what, "Look whether it is the right batch.")
    old = _typed(standing, "weighings")
    mine = old[(old["run"].str.casefold() == run.casefold()) & (old["piece"] == piece)]
    if "checked_at" in mine:
        counted = (mine["checked_at"] - made_at).dt.total_seconds() / 3600
        mine = mine.assign(hours=mine["hours"].fillna(counted))
    fresh = []
    for row, hour, mass in zip(rows.index.tolist(), hours, rows["mass_g"], strict=True):
        same = mine[(mine["hours"].astype(float) - hour).abs() < _SAME_HOUR]
        fresh.append(same.empty)
        if not same.empty and not ((same["mass_g"].astype(float) - mass).abs() < 5e-4).any():
            there = f"weighings has {float(same['mass_g'].iloc[0]):.10g} g then (row {same.index[0]})"
            wrong(row, f"{mass:.10g} g at {hour:.10g} h, but {there}.", "Look whether it is the right piece.")
    if problems:
        raise BadInput(problems)
    new = rows.assign(hours=hours)[fresh].sort_values("hours")
    by_hours = standing is None or "hours" in standing.raw.cells.columns
    cells = []
    for hour, mass, time in zip(new["hours"], new["mass_g"], new["time"], strict=True):
        when = {"hours": f"{hour:.10g}"} if by_hours else {"checked_at": _stamp(time)}
        cells.append({"run": guarded(run), "piece": guarded(piece), **when, "mass_g": f"{mass:.10g}"})
    data = _inserted(standing, "weighings", cells, list(new["hours"]), mine["hours"])
    return Merged(data, len(new), len(rows) - len(new), (said,) if more else ())


def _typed(standing: Standing | None, name: str) -> pd.DataFrame:
    """Every row of a table as it stands, left out or not; raises its problems."""
    if standing is None:
        return pd.DataFrame(columns=[column.name for column in TABLES[name].columns], dtype=object)
    raw = standing.raw
    columns = columns_of(name, None, raw)
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
    separator, end = separator_of(text), "\r\n" if "\r\n" in text else "\n"
    lines = list(csv.reader(io.StringIO(text, newline=""), delimiter=separator))
    header, cells = [cell.strip().casefold() for cell in lines[0]], standing.raw.cells
    taken = [column for column in TAKES[name].values() if column in header]
    comma = any("," in cell for column in taken for cell in cells[column])
    coming = [[row.get(column, "") for column in header] for row in new]
    if comma:
        coming = [[cell.replace(".", ",") for cell in line] for line in coming]
    ordered = old_keys.dropna()
    places = [len(lines)] * len(coming)
    if len(ordered) and ordered.is_monotonic_increasing:
        last = int(ordered.index[-1])
        behind = len(lines) if last == int(cells.index[-1]) else last
        rows = [*(int(row) - 1 for row in ordered.index), behind]
        places = [rows[bisect_right(list(ordered), key)] for key in keys]
    if min(places) == len(lines):
        whole = text if text.endswith("\n") else text + end
        return mark + (whole + _written(coming, separator, end)).encode()
    for place, line in reversed(list(zip(places, coming, strict=True))):
        lines.insert(place, line)
    return mark + _written(lines, separator, end).encode()


def _written(lines: Sequence[Sequence[str]], separator: str, end: str = "\n") -> str:
    out = io.StringIO()
    csv.writer(out, delimiter=separator, lineterminator=end).writerows(lines)
    return out.getvalue()


def write(ready: Prepared) -> list[Path]:
    """Write what was prepared, all of it or nothing, and return what was written; nothing is written twice.

    A file that changed in the meantime, or a trial.toml that cannot take the mapping, raises BadInput.
    """
    seen = ready.look
    names: dict[str, bytes] = {}
    kept = _kept_name(seen)
    if kept is not None:
        names[kept] = seen.data
    if not seen.stored:
        names[FILE] = _with_mapping((seen.folder / FILE).read_bytes(), seen.name, ready.mapping)
    if ready.merged.added:
        names[ready.target] = ready.merged.data
    if not names:
        return []
    with beside(seen.folder, ".importing-") as making:
        for name, data in names.items():
            (making / name).parent.mkdir(exist_ok=True)
            (making / name).write_bytes(data)
        if FILE in names:
            settings, problems = read_settings(making)
            if settings is None or settings.imports.get(seen.name) != ready.mapping:
                do = f"Add a section [imports.{seen.name}] by hand."
                raise BadInput(problems or [Problem(FILE, "the mapping cannot be added at its end.", do)])
        path = seen.folder / ready.target
        if (path.read_bytes() if path.exists() else None) != ready.standing:
            raise _bad(ready.target, "it was changed while the export was being read.", "Import again.")
        put_in_place(seen.folder, making, list(names))
    return [seen.folder / name for name in names]


def _kept_name(seen: Look) -> str | None:
    """Where the original goes; None where the same bytes are kept already."""
    home = seen.folder / EXPORTS
    number, name = 1, seen.file.name
    while (home / name).exists():
        if (home / name).read_bytes() == seen.data:
            return None
        number += 1
        name = f"{seen.file.stem}-{number}{seen.file.suffix}"
    return f"{EXPORTS}/{name}"


def _with_mapping(toml: bytes, name: str, mapping: ImportSettings) -> bytes:
    """trial.toml with a section at its end; what stood there stays, to the byte."""
    end = b"\r\n" if b"\r\n" in toml else b"\n"
    said = [f"[imports.{name}]   # how `fizzlab import` reads such a file"]
    for key, value in mapping.model_dump(exclude_none=True).items():
        said.append(f"{key} = {json.dumps(value, ensure_ascii=False)}".replace("\x7f", "\\u007f"))
    gap = b"" if not toml else (b"" if toml.endswith(b"\n") else end) + end
    return toml + gap + b"".join(line.encode() + end for line in said)
