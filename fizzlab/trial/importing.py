"""`fizzlab import`: from an export to the room log, with the mapping kept and the original put aside.

`look` reads and guesses, `prepare` works out what would be written, `write` writes it: the log, the section
[imports.NAME] at the end of trial.toml, and a copy of the export, byte for byte, in `exports/`. No reading is
added twice, and every other row stays as it stood.
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

from fizzlab.errors import BadInput, Problem
from fizzlab.measures import LEAVE_OUT
from fizzlab.trial.folder import WORKBOOK, folder_there, read_all, refuse_records
from fizzlab.trial.loggers import Guess, Layout, guess, lay_out
from fizzlab.trial.placing import beside, put_in_place
from fizzlab.trial.readings import LOG, Readings, read
from fizzlab.trial.settings import FILE, ImportSettings, read_settings
from fizzlab.trial.tables import RawTable, parse, read_csv, separator_of, unread

#: Originals are kept here, inside the trial folder, and never altered.
EXPORTS = "exports"


@dataclass(frozen=True)
class Standing:
    """The room log as it stands: its bytes, and its cells as `read_csv` gives them."""

    data: bytes
    raw: RawTable


@dataclass(frozen=True)
class Merged:
    """The whole log with readings added: how many, how many stood there already, and what is odd."""

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
    layout: Layout
    guess: Guess
    name: str
    stored: bool


@dataclass(frozen=True)
class Prepared:
    """What would be written to the log's file, `target`, and what that file holds now."""

    look: Look
    mapping: ImportSettings
    readings: Readings
    merged: Merged
    target: str
    standing: bytes | None


def _bad(where: str, what: str, do: str) -> BadInput:
    return BadInput([Problem(where, what, do)])


def look(
    folder: str | Path, file: str | Path, name: str | None = None, told: Mapping[str, str] | None = None
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
    have = set(layout.cells.columns)
    fitting = [key for key, mapping in imports.items() if set(mapping.columns().values()) <= have]
    if name is None and not told and len(fitting) > 1:
        what = f"more than one mapping of {FILE} fits: {', '.join(fitting)}."
        raise _bad(layout.where, what, "Name one with --mapping.")
    stored = name if name in imports else fitting[0] if fitting and not told and name is None else None
    if stored is not None and told:
        do = f"Change it there ([imports.{stored}]), or give this one another name with --mapping."
        raise _bad("option --mapping", f"the mapping {stored} stands in {FILE} already.", do)
    if stored is not None:
        taken = imports[stored].columns().values()
        unused = tuple(name for name in layout.cells.columns if name not in taken)
        found = Guess(imports[stored], (f"Read with the mapping {stored} of {FILE}.",), (), unused)
    else:
        found = guess(layout, told)
        if name is None:
            stored = next((key for key, mapping in imports.items() if mapping == found.mapping), None)
    called = ["hygrometer", *(f"hygrometer_{n + 2}" for n in range(len(imports)))]
    name = stored or name or next(free for free in called if free not in imports)
    if not re.fullmatch(r"[a-z0-9][a-z0-9_-]{0,39}", name):
        do = "Use up to 40 small letters, digits, - and _, beginning with a letter or digit."
        raise _bad("option --mapping", f"“{name}” cannot be the name of a mapping.", do)
    return Look(folder, file, data, layout, found, name, stored is not None)


def prepare(seen: Look) -> Prepared:
    """Work out what would be written; nothing is.

    Open questions, and the problems of the export and of the log as it stands, raise BadInput together.
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
    readings = None
    try:
        readings = read(seen.layout, mapping)
    except BadInput as error:
        problems += error.problems
    target, standing, found = _standing(seen.folder)
    problems += found
    if problems or readings is None:
        raise BadInput(problems)
    merged = into_room_log(standing, readings)
    return Prepared(seen, mapping, readings, merged, target, None if standing is None else standing.data)


def _standing(folder: Path) -> tuple[str, Standing | None, list[Problem]]:
    """The log as it stands, and the name of its file."""
    found = read_all(folder)
    path = next((p for p in found.inputs if p.suffix == ".csv" and p.stem.casefold() == LOG.name), None)
    target = f"{LOG.name}.csv" if path is None else path.name
    problems = [p for p in found.problems if p.where == target and p.weight == "problem"]
    lock = folder / f".~lock.{target}#"
    if lock.exists():
        do = f"Close it; if it is not open, delete {lock.name}."
        problems.append(Problem(target, "it is open in a spreadsheet.", do))
    raw = found.raws.get(LOG.name)
    if path is None and raw is not None and not unread(raw, LOG.planned):
        what = f"the readings of this trial stand in {WORKBOOK}, and a table cannot be in two places."
        do = f"Save that sheet as {target} and take it out of the workbook; then import again."
        problems.append(Problem(raw.where, what, do))
    if problems or path is None:
        return target, None, problems
    again, problems = read_csv(path)
    return target, None if again is None else Standing(path.read_bytes(), again), problems


def into_room_log(standing: Standing | None, readings: Readings) -> Merged:
    """Add hygrometer readings to the room log (None: there is none yet); one in order of time stays so.

    A reading whose time, temperature and humidity stand there already, be it in a row that was left out, is
    not added again.
    """
    rows, old = readings.rows, _typed(standing)
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
    data = _inserted(standing, cells, list(new["time"]), old["time"].dropna())
    return Merged(data, len(new), len(rows) - len(new), (said,) if clash else ())


def _stamp(time: pd.Timestamp) -> str:
    return f"{time:%Y-%m-%dT%H:%M:%S}" if time.second else f"{time:%Y-%m-%dT%H:%M}"


def _rounded(rows: pd.DataFrame) -> list[pd.Series]:
    return [rows[name].astype(float).round(2) for name in ("temp_c", "rh_pct")]


def _typed(standing: Standing | None) -> pd.DataFrame:
    """Every row of the log as it stands, left out or not; raises its problems."""
    if standing is None:
        return pd.DataFrame(columns=[column.name for column in LOG.columns], dtype=object)
    raw = standing.raw
    table, problems = parse(raw, LOG.columns)
    if problems and not raw.cells.empty:
        raise BadInput(problems)
    if table.left_out.empty:
        return table.rows
    # a row that was left out may hold anything; what can be read of it is enough to know it again
    left = RawTable(raw.where, table.left_out.drop(columns=LEAVE_OUT.name))
    return pd.concat([table.rows, parse(left, LOG.columns)[0].rows]).sort_index()


def _inserted(
    standing: Standing | None, new: Sequence[Mapping[str, str]], times: Sequence[pd.Timestamp], old: pd.Series
) -> bytes:
    """The log with rows put in by their time, or at its end where it is in no order; the rest stays."""
    header = [column.name for column in LOG.columns]
    if standing is None:
        return _written([header, *([row[column] for column in header] for row in new)]).encode()
    if not new:
        return standing.data
    mark = b"\xef\xbb\xbf" if standing.data.startswith(b"\xef\xbb\xbf") else b""
    text = standing.data.decode("utf-8-sig")
    separator, end = separator_of(text), "\r\n" if "\r\n" in text else "\n"
    lines = list(csv.reader(io.StringIO(text, newline=""), delimiter=separator))
    cells = standing.raw.cells
    comma = any("," in cell for column in ("temp_c", "rh_pct") for cell in cells[column])
    coming = [[row.get(cell.strip().casefold(), "") for cell in lines[0]] for row in new]
    if comma:
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
