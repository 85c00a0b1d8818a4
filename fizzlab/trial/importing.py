"""`fizzlab import`: from an export to the room log, with the mapping kept and the original put aside.

`prepare` reads, guesses and works out what would be written, `write` writes it. No reading is added twice.
"""

from __future__ import annotations

import csv
import io
import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import pandas as pd

from fizzlab.errors import BadInput, Problem, hard, problem, refuse
from fizzlab.language import say
from fizzlab.measures import LEAVE_OUT, TABLES
from fizzlab.trial.folder import WORKBOOK, folder_there, read_all, refuse_records
from fizzlab.trial.loggers import TAKES, Guess, Layout, guess, is_missing, lay_out, numbers, stamp_texts
from fizzlab.trial.opening import open_in
from fizzlab.trial.placing import changing
from fizzlab.trial.settings import FILE, ImportSettings, read_settings
from fizzlab.trial.stamps import moment
from fizzlab.trial.tables import RawTable, csv_of, outside, parse, range_words, separator_of, shortened

#: The table that readings go to.
LOG = TABLES["room_log"]

#: Originals are kept here, inside the trial folder, and never altered.
EXPORTS = "exports"


@dataclass(frozen=True)
class Readings:
    """What an export holds, in order of time and by row of the file (time, temp_c, rh_pct); what is odd."""

    where: str
    rows: pd.DataFrame
    said: tuple[str, ...]


@dataclass(frozen=True)
class Merge:
    """The whole log with readings added: how many, how many stood there already, and what is odd."""

    data: bytes
    added: int
    held: int
    said: tuple[str, ...]


@dataclass(frozen=True)
class ImportPlan:
    """What would be written to the log, `target`, which now holds `standing`; was the mapping `stored`?"""

    folder: Path
    file: Path
    data: bytes
    layout: Layout
    guess: Guess
    name: str
    stored: bool
    readings: Readings
    merged: Merge
    target: str
    standing: bytes | None
    toml: bytes


def prepare(
    folder: str | Path, file: str | Path, name: str | None = None, told: Mapping[str, str] | None = None
) -> ImportPlan:
    """Read an export, by a stored mapping that fits or else by a guess, and work out what would be written.

    `name` is that of a mapping in trial.toml, or to be; `told` is what the maker says of the columns. Nothing
    is written. The problems of the export and of the log as it stands raise BadInput together.
    """
    folder, file, told = Path(folder), Path(file), told or {}
    refuse_records(folder)
    folder_there(folder)
    toml = (folder / FILE).read_bytes() if (folder / FILE).is_file() else b""
    settings, problems = read_settings(folder)
    if settings is None:
        raise BadInput(problems)
    if not file.is_file():
        raise refuse("not_a_file" if file.exists() else "file_missing", str(file))
    data, imports = file.read_bytes(), settings.imports
    layout = lay_out(file.name, data)
    have = set(layout.cells.columns)
    fitting = [key for key, mapping in imports.items() if set(mapping.columns().values()) <= have]
    if name is None and not told and len(fitting) > 1:
        raise refuse("mappings_fit", layout.where, fitting=", ".join(fitting))
    stored = name if name in imports else fitting[0] if fitting and not told and name is None else None
    option = say("at_option", option="--mapping")
    if stored is not None and told:
        raise refuse("mapping_stands", option, name=stored)
    if stored is not None:
        taken = imports[stored].columns().values()
        unused = tuple(name for name in layout.cells.columns if name not in taken)
        found = Guess(imports[stored], (say("read_with_mapping", name=stored),), unused)
    else:
        found = guess(layout, told)
        if name is None:
            stored = next((key for key, mapping in imports.items() if mapping == found.mapping), None)
    called = ["hygrometer", *(f"hygrometer_{n + 2}" for n in range(len(imports)))]
    name = stored or name or next(free for free in called if free not in imports)
    if not re.fullmatch(r"[a-z0-9][a-z0-9_-]{0,39}", name):
        raise refuse("mapping_name", option, name=name)
    target, standing, problems = _standing(folder)
    try:
        readings = read(layout, found.mapping)
    except BadInput as error:
        raise BadInput([*error.problems, *problems]) from None
    if problems:
        raise BadInput(problems)
    merged, had = into_room_log(standing, readings), stored is not None
    return ImportPlan(folder, file, data, layout, found, name, had, readings, merged, target, standing, toml)


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
    gone = [say("at_column", column=name) for name in columns.values() if name not in cells.columns]
    if gone:
        raise BadInput(problem("mapped_column_missing", where, column=name) for name in gone)
    blank = is_missing(cells[mapping.temp]) | is_missing(cells[mapping.rh])
    said = [*layout.said, *_passed(cells.index[blank], "rows_blank")]
    kept = cells[~blank]
    texts = stamp_texts(kept, mapping.time, mapping.date)
    stamps = {int(str(row)): moment(text, mapping.dates) for row, text in texts.items()}
    problems = []
    for row in [row for row, stamp in stamps.items() if stamp is None]:
        told: dict[str, Any] = {"shown": texts[row][:40], "dates": mapping.dates}
        problems.append(problem("stamp_unreadable", where, row, mapping.time, **told))
    problems = shortened(problems, "more_rows")
    clock = [pd.NaT if stamp is None else stamp.clock for stamp in stamps.values()]
    rows = pd.DataFrame({"time": pd.Series(clock, index=kept.index, dtype="datetime64[ns]")})
    for kind, column in TAKES.items():
        rows[column], found = _values(kind, kept[columns[kind]], mapping, where)
        problems += found
    if kept.empty:
        problems.append(problem("export_blank", where))
    if problems:
        raise BadInput(problems)
    offsets = pd.Series([each and each.offset for each in stamps.values()], index=kept.index, dtype=float)
    rows = _in_order(rows, offsets, mapping.zone, said)
    equal = rows.duplicated()
    said += _passed(rows.index[equal], "rows_equal")
    rows = rows[~equal]
    said += _passed(rows.index[rows["time"].duplicated()], "rows_of_one_time")
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
    elif unit == "K":
        values = (values - 273.15).round(2)
    elif unit == "share":
        values = values.where(units == "%", (values * 100).round(2))
    spec = next(each for each in LOG.columns if each.name == TAKES[kind])
    problems = []
    for row in cells.index[values.isna() | other | outside(values, spec)]:
        says = "read_other_unit" if other[row] else "read_outside"
        says = "read_no_number" if pd.isna(values[row]) else says
        odd = partial(problem, says, where, int(row), str(cells.name), unit=unit, own=units[row])
        problems.append(odd(shown=cells[row][:40], range=range_words(spec)))
    return values, shortened(problems)


def _in_order(rows: pd.DataFrame, offsets: pd.Series, zone: str | None, said: list[str]) -> pd.DataFrame:
    """Put the readings on the workshop's clock, and in order of time."""
    if zone is not None and offsets.notna().all():
        world = rows["time"] - pd.to_timedelta(offsets, unit="min")
        said.append(say("times_turned", zone=zone))
        rows = rows.assign(time=world.dt.tz_localize("UTC").dt.tz_convert(zone).dt.tz_localize(None))
        return rows.loc[world.sort_values(kind="stable").index]
    if offsets.notna().any():
        said.append(say("offsets_passed_over"))
    steps = rows["time"].diff().dt.total_seconds()
    if (steps < 0).sum() > (steps > 0).sum():  # some loggers write the newest reading first
        steps = -steps
    back = rows.index[steps < 0]
    if len(back):
        said.append(say("times_backwards", n=len(back), first=back[0]))
    return rows.sort_values("time", kind="stable")


def _passed(index: pd.Index, says: str, shown: int = 5) -> list[str]:
    """One sentence about some rows; none about no row."""
    named = ", ".join(map(str, index[:shown]))
    named = say("and_more", named=named, n=len(index) - shown) if len(index) > shown else named
    return [say(says, n=len(index), named=named)] if len(index) else []


def _standing(folder: Path) -> tuple[str, bytes | None, list[Problem]]:
    """The name of the log's file, and what it holds."""
    found = read_all(folder)
    path = next((p for p in found.inputs if p.suffix == ".csv" and p.stem.casefold() == LOG.name), None)
    target = f"{LOG.name}.csv" if path is None else path.name
    problems = [problem for problem in hard(found.problems) if problem.where == target]
    lock = open_in(folder / target)
    if lock is not None:
        problems.append(problem("log_open", target, lock=lock.name))
    if path is None and LOG.name in found.raws:
        told: dict[str, Any] = {"book": WORKBOOK, "target": target}
        problems.append(problem("log_in_book", found.raws[LOG.name].where, **told))
    return target, None if path is None else path.read_bytes(), problems


def into_room_log(standing: bytes | None, readings: Readings) -> Merge:
    """Add readings to the room log (None: there is none yet); one in order of time stays so.

    What stands there already to two digits, be it in a row that was left out, is not added again.
    """
    rows, old = readings.rows, _typed(standing or b"time,temp_c,rh_pct\n")
    to_digits = dict.fromkeys(TAKES.values(), 2)
    keys, held = (
        pd.MultiIndex.from_frame(each[["time", *to_digits]].round(to_digits)) for each in (rows, old)
    )
    new = rows[~keys.isin(held)].sort_values("time", kind="stable")
    clash = int(new["time"].isin(set(old["time"])).sum())
    cells = [
        {"time": f"{at:%Y-%m-%dT%H:%M}{f':{at:%S}' if at.second else ''}", "temp_c": f"{temp:.10g}"}
        | {"rh_pct": f"{rh:.10g}"}
        for at, temp, rh in new[["time", "temp_c", "rh_pct"]].itertuples(index=False)
    ]
    data = _inserted(standing, cells, list(new["time"]), old["time"].dropna())
    return Merge(data, len(new), len(rows) - len(new), (say("times_clash", clash=clash),) if clash else ())


def _typed(standing: bytes) -> pd.DataFrame:
    """Every row of the log as it stands, left out or not; raises its problems."""
    raw, problems = csv_of(f"{LOG.name}.csv", standing)
    if raw is None:
        raise BadInput(problems)
    table, problems = parse(raw, LOG.columns)
    if problems and not raw.cells.empty:
        raise BadInput(problems)
    if table.left_out.empty:
        return table.rows
    # a row that was left out may hold anything; what can be read of it is enough to know it again
    left = RawTable(raw.where, table.left_out.drop(columns=LEAVE_OUT.name))
    return pd.concat([table.rows, parse(left, LOG.columns)[0].rows]).sort_index()


def _inserted(
    standing: bytes | None, new: Sequence[Mapping[str, str]], times: Sequence[pd.Timestamp], old: pd.Series
) -> bytes:
    """The log with rows put in by their time, or at its end where it is in no order; the rest stays."""
    header = [column.name for column in LOG.columns]
    if standing is None:
        return _written([header, *([row[column] for column in header] for row in new)]).encode()
    if not new:
        return standing
    mark = b"\xef\xbb\xbf" if standing.startswith(b"\xef\xbb\xbf") else b""
    text = standing.decode("utf-8-sig")
    separator, end = separator_of(text), "\r\n" if "\r\n" in text else "\n"
    lines = list(csv.reader(io.StringIO(text, newline=""), delimiter=separator))
    named = [cell.strip().casefold() for cell in lines[0]]
    coming = [[row.get(name, "") for name in named] for row in new]
    numbers_at = [named.index(name) for name in TAKES.values()]
    if any("," in cell for line in lines for i, cell in enumerate(line) if i in numbers_at):
        coming = [[cell.replace(".", ",") for cell in line] for line in coming]
    # a row without a time stays behind the one before it
    keys = [*old.reindex(range(2, len(lines) + 1)).ffill().bfill(), *times]
    order = list(range(len(keys)))
    if len(old) and old.is_monotonic_increasing:
        order.sort(key=keys.__getitem__)
    body = [*lines[1:], *coming]
    if order == sorted(order):
        whole = text if text.endswith("\n") else text + end
        return mark + (whole + _written(coming, separator, end)).encode()
    return mark + _written([lines[0], *(body[i] for i in order)], separator, end).encode()


def _written(lines: Sequence[Sequence[str]], separator: str = ",", end: str = "\n") -> str:
    out = io.StringIO()
    csv.writer(out, delimiter=separator, lineterminator=end).writerows(lines)
    return out.getvalue()


def write(ready: ImportPlan) -> list[Path]:
    """Write what was prepared, all of it or nothing, and return what was written; nothing is written twice.

    A file that changed in the meantime, or a trial.toml that cannot take the mapping, raises BadInput.
    """
    with changing(ready.folder) as making:
        for name, known in ((ready.target, ready.standing), (FILE, ready.toml)):
            path = ready.folder / name
            if (path.read_bytes() if path.exists() else None) != known:
                raise refuse("changed_meanwhile", name)
        names: dict[str, bytes] = {}
        kept = _kept_name(ready)
        if kept is not None:
            names[kept] = ready.data
        if not ready.stored:
            names[FILE] = _with_mapping(ready.toml, ready.name, ready.guess.mapping)
        if ready.merged.added:
            names[ready.target] = ready.merged.data
        for name, data in names.items():
            (making / name).parent.mkdir(exist_ok=True)
            (making / name).write_bytes(data)
        if FILE in names:
            settings, problems = read_settings(making)
            if settings is None or settings.imports.get(ready.name) != ready.guess.mapping:
                raise BadInput(problems or [problem("mapping_by_hand", FILE, name=ready.name)])
    return [ready.folder / name for name in names]


def _kept_name(ready: ImportPlan) -> str | None:
    """Where the original goes; None where the same bytes are kept already."""
    home = ready.folder / EXPORTS
    number, name = 1, ready.file.name
    while (home / name).exists():
        if (home / name).read_bytes() == ready.data:
            return None
        number += 1
        name = f"{ready.file.stem}-{number}{ready.file.suffix}"
    return f"{EXPORTS}/{name}"


def _with_mapping(toml: bytes, name: str, mapping: ImportSettings) -> bytes:
    """trial.toml with a section at its end; what stood there stays, to the byte."""
    end = b"\r\n" if b"\r\n" in toml else b"\n"
    said = [f"[imports.{name}]   # {say('mapping_comment')}"]
    for key, value in mapping.model_dump(exclude_none=True).items():
        said.append(f"{key} = {json.dumps(value, ensure_ascii=False)}".replace("\x7f", "\\u007f"))
    gap = b"" if not toml else (b"" if toml.endswith(b"\n") else end) + end
    return toml + gap + b"".join(line.encode() + end for line in said)
