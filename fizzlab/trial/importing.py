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
from pathlib import Path

import pandas as pd

from fizzlab.errors import BadInput, Problem, count, hard
from fizzlab.measures import LEAVE_OUT, TABLES
from fizzlab.trial.folder import WORKBOOK, folder_there, read_all, refuse_records
from fizzlab.trial.loggers import TAKES, Guess, Layout, bad, guess, is_missing, lay_out, numbers, stamp_texts
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
        what = "there is no such file." if not file.exists() else "it is not a file."
        raise bad(str(file), what, "Check its name and folder.")
    data, imports = file.read_bytes(), settings.imports
    layout = lay_out(file.name, data)
    have = set(layout.cells.columns)
    fitting = [key for key, mapping in imports.items() if set(mapping.columns().values()) <= have]
    if name is None and not told and len(fitting) > 1:
        what = f"more than one mapping of {FILE} fits: {', '.join(fitting)}."
        raise bad(layout.where, what, "Name one with --mapping.")
    stored = name if name in imports else fitting[0] if fitting and not told and name is None else None
    if stored is not None and told:
        do = f"Change it there ([imports.{stored}]), or give this one another name with --mapping."
        raise bad("option --mapping", f"the mapping {stored} stands in {FILE} already.", do)
    if stored is not None:
        taken = imports[stored].columns().values()
        unused = tuple(name for name in layout.cells.columns if name not in taken)
        found = Guess(imports[stored], (f"Read with the mapping {stored} of {FILE}.",), unused)
    else:
        found = guess(layout, told)
        if name is None:
            stored = next((key for key, mapping in imports.items() if mapping == found.mapping), None)
    called = ["hygrometer", *(f"hygrometer_{n + 2}" for n in range(len(imports)))]
    name = stored or name or next(free for free in called if free not in imports)
    if not re.fullmatch(r"[a-z0-9][a-z0-9_-]{0,39}", name):
        do = "Use up to 40 small letters, digits, - and _, beginning with a letter or digit."
        raise bad("option --mapping", f"“{name}” cannot be the name of a mapping.", do)
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
    rows = _in_order(rows, offsets, mapping.zone, said)
    equal = rows.duplicated()
    said += _passed(rows.index[equal], "equal to an earlier one: taken once")
    rows = rows[~equal]
    how = "with a time that an earlier row has too, and other values: kept; the analysis takes their mean"
    said += _passed(rows.index[rows["time"].duplicated()], how)
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
    if (steps < 0).sum() > (steps > 0).sum():  # some loggers write the newest reading first
        steps = -steps
    back = rows.index[steps < 0]
    if len(back):
        often = "once" if len(back) == 1 else f"{len(back)} times"
        said.append(
            f"Times run backwards {often}, first at row {back[0]}, as when summer time ends or a clock is "
            "set: the clock was taken as it is written, and the rows were put in order of time."
        )
    return rows.sort_values("time", kind="stable")


def _passed(index: pd.Index, how: str, shown: int = 5) -> list[str]:
    """One sentence about some rows; none about no row."""
    rest = f" and {len(index) - shown} more" if len(index) > shown else ""
    named = f"row{'' if len(index) == 1 else 's'} {', '.join(map(str, index[:shown]))}{rest}"
    return [f"{count(len(index), 'row')} {how} ({named})."] if len(index) else []


def _standing(folder: Path) -> tuple[str, bytes | None, list[Problem]]:
    """The name of the log's file, and what it holds."""
    found = read_all(folder)
    path = next((p for p in found.inputs if p.suffix == ".csv" and p.stem.casefold() == LOG.name), None)
    target = f"{LOG.name}.csv" if path is None else path.name
    problems = [problem for problem in hard(found.problems) if problem.where == target]
    lock = open_in(folder / target)
    if lock is not None:
        do = f"Close it; if it is not open, delete {lock.name}."
        problems.append(Problem(target, "it is open in a spreadsheet.", do))
    if path is None and LOG.name in found.raws:
        what = f"the readings of this trial stand in {WORKBOOK}, and a table cannot be in two places."
        do = f"Save that sheet as {target} and take it out of the workbook; then import again."
        problems.append(Problem(found.raws[LOG.name].where, what, do))
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
    fresh = ~keys.isin(held)
    new = rows[fresh].sort_values("time", kind="stable")
    clash = int(new["time"].isin(set(old["time"])).sum())
    said = (
        f"{clash} of the times stand in the log already with other values: both are kept, and the analysis "
        "takes their mean. Look whether two devices, or two units, were put together."
    )
    cells = [
        {"time": f"{at:%Y-%m-%dT%H:%M}{f':{at:%S}' if at.second else ''}", "temp_c": f"{temp:.10g}"}
        | {"rh_pct": f"{rh:.10g}"}
        for at, temp, rh in new[["time", "temp_c", "rh_pct"]].itertuples(index=False)
    ]
    data = _inserted(standing, cells, list(new["time"]), old["time"].dropna())
    return Merge(data, len(new), len(rows) - len(new), (said,) if clash else ())


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
                raise bad(name, "it was changed while the export was being read.", "Import again.")
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
                do = f"Add a section [imports.{ready.name}] by hand."
                raise BadInput(problems or [Problem(FILE, "the mapping cannot be added at its end.", do)])
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
    said = [f"[imports.{name}]   # how `fizzlab import` reads such a file"]
    for key, value in mapping.model_dump(exclude_none=True).items():
        said.append(f"{key} = {json.dumps(value, ensure_ascii=False)}".replace("\x7f", "\\u007f"))
    gap = b"" if not toml else (b"" if toml.endswith(b"\n") else end) + end
    return toml + gap + b"".join(line.encode() + end for line in said)
