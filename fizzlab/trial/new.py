"""Starting a trial: a commented `trial.toml` and tables with only their header."""

from __future__ import annotations

import json
import tempfile
import textwrap
from collections.abc import Sequence
from pathlib import Path
from typing import NamedTuple

from fizzlab.design.kinds import KINDS
from fizzlab.errors import BadInput, Problem
from fizzlab.measures import MEASURES, TABLES
from fizzlab.trial.settings import FILE, read_settings
from fizzlab.trial.settings.trial import factor_name_fault

#: Tables that nearly every drying trial needs; the others are added when they are used.
FIRST_TABLES = ("runs", "touch_checks", "room_log")

#: Levels of this name add nothing to a batch.
NOTHING = ("none", "no", "nothing", "without", "plain", "0")


class Factor(NamedTuple):
    """A factor to start with; named levels have no unit. `label` is the name as it was given, if another."""

    name: str
    values: list[str]
    unit: str
    label: str


def start(
    folder: Path,
    *,
    title: str,
    question: str,
    levels: Sequence[str] = (),
    amounts: Sequence[str] = (),
    kind: str | None = None,
    days: int | None = None,
    per_day: int | None = None,
) -> list[Path]:
    """Write the first files of a trial, and return them; never overwrites one.

    `levels` are factors as ``"colour=pearl,dye,lake"``, the control first, `amounts` numeric ones as
    ``"binder_g=0.6,1.2,1.8:g"``; a name with capitals or spaces is written in small letters and _, and kept
    as the label. An option that cannot be read, or a file that is there already, raises BadInput.
    """
    import jinja2

    problems: list[Problem] = []
    factors = [_factor("levels", each, problems) for each in levels]
    factors += [_factor("amounts", each, problems) for each in amounts]
    names = [factor.name for factor in factors]
    for name in sorted({name for name in names if names.count(name) > 1}):
        problems.append(Problem("option --levels", f"the factor “{name}” is given twice.", "Keep one."))
    files = [folder / FILE, *(folder / f"{name}.csv" for name in FIRST_TABLES)]
    there = [path for path in files if path.exists()]
    problems += [Problem(str(path), "it is there already.", "Choose another folder.") for path in there]
    if problems:
        raise BadInput(problems)
    chosen = kind or ("compare" if len(factors) <= 1 else "factorial")
    by_day = chosen in KINDS and "days" in KINDS[chosen].options
    letters = folder.resolve().name
    code = "".join(sign if sign.isascii() and sign.isalnum() else "-" for sign in letters).strip("-")
    most = max((len(factor.values) for factor in factors), default=3)
    pages = jinja2.Environment(
        trim_blocks=True, lstrip_blocks=True, keep_trailing_newline=True, undefined=jinja2.StrictUndefined
    )
    pages.filters["quoted"] = lambda text: json.dumps(text, ensure_ascii=False)
    pages.globals["plain"] = lambda name: (
        name.isascii() and name.replace("-", "_").replace("_", "a").isalnum()
    )
    text = Path(__file__).with_name("new_trial.toml").read_text(encoding="utf-8")
    toml = pages.from_string(text).render(
        code=code[:40] or "trial",
        title=title,
        question=question,
        factors=factors,
        example=[Factor("colour", ["none", "pearl"], "", "")],
        nothing=NOTHING,
        kind=chosen,
        kinds=_commented(f"Kinds of plan: {', '.join(KINDS)}."),
        days=days or (4 if by_day else None),
        per_day=per_day,
        fit=per_day or (most if by_day else 6),
        others=[name for name in TABLES if name not in FIRST_TABLES],
        measures=_commented(", ".join(MEASURES) + ";"),
    )
    with tempfile.TemporaryDirectory() as trying:
        (Path(trying) / FILE).write_text(toml, encoding="utf-8")
        problems = read_settings(Path(trying))[1]
    if problems:
        raise BadInput(problems)
    texts = [toml]
    for table in FIRST_TABLES:
        header = [column.name for column in TABLES[table].columns if column.name != "blind"]
        header[2:2] = names if table == "runs" else []
        texts.append(",".join(header) + "\n")
    folder.mkdir(parents=True, exist_ok=True)
    for path, text in zip(files, texts, strict=True):
        path.write_text(text, encoding="utf-8")
    return files


def _factor(kind: str, option: str, problems: list[Problem]) -> Factor:
    """The factor that an option names, and what is wrong with it."""
    name, sign, rest = option.partition("=")
    rest, _, unit = rest.partition(":") if kind == "amounts" else (rest, "", "")
    values = [value.strip() for value in rest.split(",") if value.strip()]
    label = name.strip()
    folded = "_".join(label.casefold().split())

    def wrong(what: str, do: str) -> None:
        problems.append(Problem(f"option --{kind}", what, do))

    if not sign or len(values) < 2 or not label:
        what = f"“{option}” cannot be read as a factor."
        if sign and label and len(values) == 1:
            what = f"“{option}” names one way only, and nothing to compare it with."
        example = "colour=pearl,dye,lake" if kind == "levels" else "binder_g=0.6,1.2,1.8:g"
        wrong(what, f"Write it as --{kind} {example}.")
    if kind == "amounts":
        try:
            values = [repr(float(value)) for value in values]
        except ValueError:
            wrong(f"one of the amounts in “{option}” is not a number.", "Write 0.6 or 2.")
        if not unit.strip():
            do = f"Write the unit behind a colon, as in {option.strip().rstrip(':')}:g."
            wrong(f"“{option}” has no unit.", do)
    fault = factor_name_fault(folded)
    if fault:
        other = folded if folded.isalnum() else "colour"
        wrong(f"{fault}.", f"Call it otherwise, as in --{kind} {other}_2={rest}.")
    if len({value.casefold() for value in values}) < len(values):
        wrong(f"“{option}” names a level twice.", "Take one of the two out.")
    return Factor(folded, values, unit.strip(), label if label != folded else "")


def _commented(text: str) -> str:
    return textwrap.fill(text, 104, initial_indent="# ", subsequent_indent="# ")
