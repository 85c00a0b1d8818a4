"""Starting a trial: a commented `trial.toml` and tables with only their header."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path

from fizzlab.problems import BadInput, Problem
from fizzlab.settings import FILE, read_settings
from fizzlab.tables import SPECS

#: Tables that nearly every drying trial needs; the others are added when they are used.
FIRST_TABLES = ("runs", "touch_checks", "room_log")

_TOML = """\
# What this trial asks, and how its readings are analysed. Lines that begin with # are comments.
code = {code}            # short name, used for the records
title = {title}
question = {question}
place = ""             # your workshop, as it should stand on the report
made_by = ""
seed = 1               # any whole number; the same seed gives the same random order again

# The factors: what is changed on purpose from batch to batch. Each has a column in runs.
{factors}
[drying]
air = "vpd"            # "vpd": by how thirsty the air is; "rh and temperature"; or "none" without a room log
shares = [0.5, 0.9, 0.95]   # forecast when these shares of the pieces are dry
night_hours = 12       # how dry must the room be for pieces to be ready after one night?
# forecast_air = {{ temp_c = 18, rh_pct = 60 }}   # air to forecast for; otherwise that of your own batches
"""


def start(
    folder: Path, *, title: str, question: str, levels: Sequence[str] = (), amounts: Sequence[str] = ()
) -> list[Path]:
    """Write the first files of a trial; never overwrites one.

    Parameters
    ----------
    folder : Path
        Is made if it is not there; its name becomes the trial's code.
    title, question : str
    levels : sequence of str
        Factors with named levels, each as ``"colour=pearl,dye,lake"``; the first level is the control.
    amounts : sequence of str
        Numeric factors, each as ``"binder_g=0.6,1.2,1.8:g"``.

    Returns
    -------
    list of Path
        The files that were written.

    Raises
    ------
    BadInput
        An option cannot be read, or a file is there already. Nothing is written then.
    """
    factors, problems = _factors(levels, amounts)
    code = "".join(
        letter if letter.isascii() and letter.isalnum() else "-" for letter in folder.resolve().name
    )
    text = _TOML.format(
        code=json.dumps(code.strip("-")[:40] or "trial"),
        title=json.dumps(title, ensure_ascii=False),
        question=json.dumps(question, ensure_ascii=False),
        factors="\n".join(_factor_toml(name, kind, values, unit) for name, kind, values, unit in factors),
    )
    files = {folder / FILE: text}
    for name in FIRST_TABLES:
        header = [column.name for column in SPECS[name].columns if column.name != "blind"]
        if name == "runs":
            header[2:2] = [factor[0] for factor in factors]
        files[folder / f"{name}.csv"] = ",".join(header) + "\n"
    for path in files:
        if path.exists():
            problems.append(Problem(str(path), "it is there already.", "Choose another folder."))
    if problems:
        raise BadInput(problems)
    made_folder = not folder.exists()
    folder.mkdir(parents=True, exist_ok=True)
    for path, content in files.items():
        path.write_text(content, encoding="utf-8")
    found = read_settings(folder)[1]
    if found:
        for path in files:
            path.unlink()
        if made_folder:
            folder.rmdir()
        raise BadInput(found)
    return list(files)


def _factors(
    levels: Sequence[str], amounts: Sequence[str]
) -> tuple[list[tuple[str, str, list[str], str]], list[Problem]]:
    found, problems = [], []
    for kind, options in (("levels", levels), ("amounts", amounts)):
        for option in options:
            name, sign, rest = option.partition("=")
            rest, _, unit = rest.partition(":") if kind == "amounts" else (rest, "", "")
            values = [value.strip() for value in rest.split(",") if value.strip()]
            if not sign or len(values) < 2 or not name.strip():
                what = f"“{option}” cannot be read as a factor."
                do = f"Write it as --{kind} " + (
                    "colour=pearl,dye,lake." if kind == "levels" else "binder_g=0.6,1.2,1.8:g."
                )
                problems.append(Problem(f"option --{kind}", what, do))
                continue
            if kind == "amounts":
                numbers = []
                for value in values:
                    try:
                        numbers.append(repr(float(value)))
                    except ValueError:
                        problems.append(
                            Problem(f"option --{kind}", f"“{value}” is not a number.", "Write 0.6 or 2.")
                        )
                values = numbers
            found.append((name.strip(), kind, values, unit.strip()))
    return found, problems


def _factor_toml(name: str, kind: str, values: list[str], unit: str) -> str:
    key = json.dumps(name, ensure_ascii=False)
    lines = [f"[factors.{key if not name.isidentifier() else name}]"]
    if kind == "levels":
        named = [json.dumps(value, ensure_ascii=False) for value in values]
        lines += [
            f"levels = [{', '.join(named)}]",
            f"control = {named[0]}   # what the others are compared with",
        ]
    else:
        lines += [f"amounts = [{', '.join(values)}]", f"unit = {json.dumps(unit, ensure_ascii=False)}"]
    return "\n".join([*lines, 'label = ""   # in plain words, for the report', ""])
