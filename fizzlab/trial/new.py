"""Starting a trial: a commented `trial.toml` and tables with only their header."""

from __future__ import annotations

import json
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
    """Write the first files of a trial; never overwrites one.

    Parameters
    ----------
    folder : Path
        Is made if it is not there; its name becomes the trial's code.
    levels : sequence of str
        Factors with named levels, each as ``"colour=pearl,dye,lake"``; the first level is the control. A
        name with capitals or spaces is written in small letters and _, and kept as the label.
    amounts : sequence of str
        Numeric factors, each as ``"binder_g=0.6,1.2,1.8:g"``.
    kind : str, optional
        Kind of plan; levels of one factor are compared, several factors are crossed by default.
    days, per_day : int, optional
        Days of making, and batches that fit in a day.

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
    files = [folder / FILE, *(folder / f"{name}.csv" for name in FIRST_TABLES)]
    there = [path for path in files if path.exists()]
    problems += [Problem(str(path), "it is there already.", "Choose another folder.") for path in there]
    if problems:
        raise BadInput(problems)
    texts = [_toml(folder, title, question, factors, kind, days, per_day)]
    for name in FIRST_TABLES:
        header = [column.name for column in TABLES[name].columns if column.name != "blind"]
        if name == "runs":
            header[2:2] = [factor.name for factor in factors]
        texts.append(",".join(header) + "\n")
    made_folder = not folder.exists()
    folder.mkdir(parents=True, exist_ok=True)
    for path, text in zip(files, texts, strict=True):
        path.write_text(text, encoding="utf-8")
    problems = read_settings(folder)[1]
    if problems:
        for path in files:
            path.unlink()
        if made_folder:
            folder.rmdir()
        raise BadInput(problems)
    return files


def _factors(levels: Sequence[str], amounts: Sequence[str]) -> tuple[list[Factor], list[Problem]]:
    found: list[Factor] = []
    problems: list[Problem] = []
    for kind, option in [*(("levels", each) for each in levels), *(("amounts", each) for each in amounts)]:

        def wrong(what: str, do: str, kind: str = kind) -> None:
            problems.append(Problem(f"option --{kind}", what, do))

        name, sign, rest = option.partition("=")
        rest, _, unit = rest.partition(":") if kind == "amounts" else (rest, "", "")
        values = [value.strip() for value in rest.split(",") if value.strip()]
        label = name.strip()
        folded = "_".join(label.casefold().split())
        if not sign or len(values) < 2 or not label:
            what = f"“{option}” cannot be read as a factor."
            if sign and label and len(values) == 1:
                what = f"“{option}” names one way only, and nothing to compare it with."
            example = "colour=pearl,dye,lake" if kind == "levels" else "binder_g=0.6,1.2,1.8:g"
            wrong(what, f"Write it as --{kind} {example}.")
        if kind == "amounts":
            for value in values:
                try:
                    float(value)
                except ValueError:
                    wrong(f"“{value}” is not a number.", "Write 0.6 or 2.")
                    break
            else:
                values = [repr(float(value)) for value in values]
            if not unit.strip():
                do = f"Write the unit behind a colon, as in {option.strip().rstrip(':')}:g."
                wrong(f"“{option}” has no unit.", do)
        fault = factor_name_fault(folded)
        if fault:
            other = folded if folded.isalnum() else "colour"
            wrong(f"{fault}.", f"Call it otherwise, as in --{kind} {other}_2={rest}.")
        elif folded in [factor.name for factor in found]:
            wrong(f"the factor “{folded}” is given twice.", "Keep one.")
        if len({value.casefold() for value in values}) < len(values):
            wrong(f"“{option}” names a level twice.", "Take one of the two out.")
        found.append(Factor(folded, values, unit.strip(), label if label != folded else ""))
    return found, problems


def _toml(
    folder: Path,
    title: str,
    question: str,
    factors: Sequence[Factor],
    kind: str | None,
    days: int | None,
    per_day: int | None,
) -> str:
    import jinja2

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
    return pages.from_string(text).render(
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


def _commented(text: str) -> str:
    return textwrap.fill(text, 104, initial_indent="# ", subsequent_indent="# ")
