"""`fizzlab import`: from an export to the trial's table, with the mapping kept and the original put aside.

`look` reads and guesses, `prepare` works out what would be written, `write` writes it: the table, the section
[imports.NAME] at the end of trial.toml, and a copy of the export, byte for byte, in `exports/`.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from fizzlab.errors import BadInput, Problem, nearest
from fizzlab.trial.exports import (
    Guess,
    Layout,
    Merged,
    Readings,
    Standing,
    Told,
    guess,
    into_room_log,
    into_weighings,
    lay_out,
    read,
)
from fizzlab.trial.exports.guess import Table
from fizzlab.trial.folder import WORKBOOK, read_all, refuse_records
from fizzlab.trial.placing import beside, put_in_place
from fizzlab.trial.settings import FILE, ImportSettings, TrialSettings, read_settings
from fizzlab.trial.tables import TABLES, parse, read_csv, unread

#: Originals are kept here, inside the trial folder, and never altered.
EXPORTS = "exports"

#: What a mapping is called if the maker does not name it.
_CALLED = {"room_log": "hygrometer", "weighings": "scale"}


@dataclass(frozen=True)
class Look:
    """An export, and what its columns are.

    Parameters
    ----------
    folder, file : Path
    data : bytes
    settings : TrialSettings
    table : {"room_log", "weighings"}
    layout : Layout
    guess : Guess
    name : str
        Of the mapping.
    stored : bool
        Did the mapping stand in trial.toml already?
    """

    folder: Path
    file: Path
    data: bytes
    settings: TrialSettings
    table: Table
    layout: Layout
    guess: Guess
    name: str
    stored: bool


@dataclass(frozen=True)
class Prepared:
    """What would be written.

    Parameters
    ----------
    look : Look
    mapping : ImportSettings
    readings : Readings
    merged : Merged
    target : str
        Name of the table's file.
    standing : bytes or None
        What that file holds now.
    """

    look: Look
    mapping: ImportSettings
    readings: Readings
    merged: Merged
    target: str
    standing: bytes | None


def look(
    folder: str | Path,
    file: str | Path,
    table: Table = "room_log",
    name: str | None = None,
    told: Told | None = None,
) -> Look:
    """Read an export and tell its columns: by a stored mapping that fits, else by a guess.

    Parameters
    ----------
    folder : str or Path
        The trial folder.
    file : str or Path
        The export.
    table : {"room_log", "weighings"}
    name : str, optional
        Of a mapping in trial.toml, or to be.
    told : Told, optional
        What the maker says of the columns.

    Raises
    ------
    BadInput
    """
    folder, file, told = Path(folder), Path(file), told or Told()
    refuse_records(folder)
    if not folder.is_dir():
        what = "there is no such folder." if not folder.exists() else "it is not a folder."
        raise BadInput([Problem(str(folder), what, "Check the name, or make one with: fizzlab new FOLDER.")])
    settings, problems = read_settings(folder)
    if settings is None:
        raise BadInput(problems)
    if not file.is_file():
        what = "there is no such file." if not file.exists() else "it is not a file."
        raise BadInput([Problem(str(file), what, "Check its name and folder.")])
    data = file.read_bytes()
    layout = lay_out(file.name, data)
    stored = _stored(settings, table, name, layout) if told == Told() or name in settings.imports else None
    if stored is not None:
        if told != Told():
            what = f"the mapping {stored} stands in {FILE} already."
            do = f"Change it there ([imports.{stored}]), or give this one another name with --mapping."
            raise BadInput([Problem("option --mapping", what, do)])
        mapping = settings.imports[stored]
        unused = tuple(column for column in layout.cells.columns if column not in mapping.columns().values())
        known = Guess(mapping, (f"Read with the mapping {stored} of {FILE}.",), (), unused)
        return Look(folder, file, data, settings, table, layout, known, stored, True)
    found = guess(layout, table, told)
    if name is None:
        same = next((key for key, mapping in settings.imports.items() if mapping == found.mapping), None)
        if same is not None:
            return Look(folder, file, data, settings, table, layout, found, same, True)
        name = _free_name(settings, _CALLED[table])
    _name_allowed(name)
    return Look(folder, file, data, settings, table, layout, found, name, False)


def _stored(settings: TrialSettings, table: Table, name: str | None, layout: Layout) -> str | None:
    """The mapping of that name; without a name, the one mapping whose columns are all there."""
    if name is not None:
        if name in settings.imports and settings.imports[name].table != table:
            what = f"the mapping {name} is for {settings.imports[name].table}, not for {table}."
            raise BadInput([Problem("option --mapping", what, "Name another, or give --as.")])
        return name if name in settings.imports else None
    fitting = [
        key
        for key, mapping in settings.imports.items()
        if mapping.table == table and set(mapping.columns().values()) <= set(layout.cells.columns)
    ]
    if len(fitting) > 1:
        what = f"more than one mapping of {FILE} fits: {', '.join(fitting)}."
        raise BadInput([Problem(layout.where, what, "Name one with --mapping.")])
    return fitting[0] if fitting else None


def _free_name(settings: TrialSettings, name: str) -> str:
    number, free = 1, name
    while free in settings.imports:
        number += 1
        free = f"{name}_{number}"
    return free


def _name_allowed(name: str) -> None:
    plain = name.replace("-", "a").replace("_", "a")
    if not (
        plain.isascii() and plain.isalnum() and name == name.lower() and name[0].isalnum() and len(name) <= 40
    ):
        do = "Use up to 40 small letters, digits, - and _, beginning with a letter or digit."
        raise BadInput([Problem("option --mapping", f"“{name}” cannot be the name of a mapping.", do)])


def prepare(seen: Look, run: str | None = None, piece: str | None = None) -> Prepared:
    """Work out what would be written; nothing is.

    Parameters
    ----------
    seen : Look
        Without open questions.
    run, piece : str, optional
        Whose weighings they are.

    Raises
    ------
    BadInput
        Questions are open, a cell of the export cannot be read, or the table as it stands has problems.
    """
    mapping = seen.guess.mapping
    if mapping is None:
        raise BadInput(
            [_open(seen, question.key, question.asks, question.choices) for question in seen.guess.questions]
        )
    problems: list[Problem] = []
    readings = None
    try:
        readings = read(seen.layout, mapping)
    except BadInput as error:
        problems += error.problems
    target, standing, found = _standing(seen.folder, seen.table)
    problems += found
    made_at = None
    if seen.table == "weighings":
        run, made_at, found = _batch(seen, run, piece)
        problems += found
    if problems or readings is None:
        raise BadInput(problems)
    if seen.table == "room_log":
        merged = into_room_log(standing, readings)
    else:
        if run is None or piece is None or made_at is None:
            raise ValueError("a batch without problems has a time of making")
        merged = into_weighings(standing, readings, run=run, piece=piece, made_at=made_at)
    return Prepared(seen, mapping, readings, merged, target, None if standing is None else standing.data)


def _open(seen: Look, key: str, asks: str, choices: Sequence[str]) -> Problem:
    """A question that nobody was there to answer."""
    example = choices[0] if choices else "Europe/Berlin"
    many = f" It may be: {', '.join(choices)}." if choices else ""
    return Problem(seen.file.name, f"{asks}{many}", f'Say it, as in --{key.replace("_", "-")} "{example}".')


def _standing(folder: Path, table: Table) -> tuple[str, Standing | None, list[Problem]]:
    """The table as it stands, and the name of its file."""
    found = read_all(folder)
    path = next((p for p in found.inputs if p.suffix == ".csv" and p.stem.casefold() == table), None)
    target = f"{table}.csv" if path is None else path.name
    problems = [p for p in found.problems if p.where == target]
    lock = folder / f".~lock.{target}#"
    if lock.exists():
        what = "it is open in a spreadsheet."
        problems.append(Problem(target, what, f"Close it; if it is not open, delete {lock.name}."))
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
    problems = []
    for option, value in (("--run", run), ("--piece", piece)):
        if not (value or "").strip():
            do = "Weighings are of one piece of one batch: say which, as in --run B03 --piece 2."
            problems.append(Problem(f"option {option}", "it is not given.", do))
    raw = read_all(seen.folder).raws.get("runs")
    if raw is None:
        problems.append(
            Problem("runs.csv", "the table of batches cannot be read.", "Run: fizzlab check FOLDER.")
        )
    if problems or raw is None or run is None:
        return run, None, problems
    columns = [column for column in TABLES["runs"].columns if column.name in ("run", "made_at")]
    only = [column.name for column in columns if column.name in raw.cells.columns]
    table, found = parse(type(raw)(raw.where, raw.cells[only]), columns)
    problems = [problem for problem in found if problem.weight == "problem"]
    if problems:
        return run, None, problems
    rows = table.rows[table.rows["run"].str.casefold() == run.strip().casefold()]
    if rows.empty:
        near = nearest(run, table.rows["run"])
        do = f"Did you mean {near}?" if near else "Name it as in runs."
        return run, None, [Problem("option --run", f"there is no batch “{run}” in {raw.where}.", do)]
    made_at = rows["made_at"].iloc[0]
    if pd.isna(made_at):
        what = f"batch {rows['run'].iloc[0]} has no made_at, so hours cannot be counted."
        return run, None, [Problem(raw.where, what, "Fill it in.", row=int(rows.index[0]), column="made_at")]
    return str(rows["run"].iloc[0]), made_at, []


def write(ready: Prepared) -> list[Path]:
    """Write what was prepared: all of it or nothing.

    Returns
    -------
    list of Path
        What was written; nothing twice, so importing again may write nothing at all.

    Raises
    ------
    BadInput
        A file changed in the meantime, or trial.toml cannot take the mapping.
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
        _refuse_unreadable(making, ready, names)
        path = seen.folder / ready.target
        if (path.read_bytes() if path.exists() else None) != ready.standing:
            what = "it was changed while the export was being read."
            raise BadInput([Problem(ready.target, what, "Import again.")])
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


def _refuse_unreadable(making: Path, ready: Prepared, names: dict[str, bytes]) -> None:
    """Read what is about to be put in place as the door would."""
    if FILE in names:
        settings, problems = read_settings(making)
        if settings is None or settings.imports.get(ready.look.name) != ready.mapping:
            do = f"Add a section [imports.{ready.look.name}] by hand."
            raise BadInput(problems or [Problem(FILE, "the mapping cannot be added at its end.", do)])
    if ready.target in names:
        problems = read_csv(making / ready.target)[1]
        if problems:
            raise BadInput(problems)
