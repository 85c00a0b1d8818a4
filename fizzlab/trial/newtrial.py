"""Starting a trial: a commented `trial.toml` and tables with only their header."""

from __future__ import annotations

import json
import textwrap
from collections.abc import Sequence
from pathlib import Path

from fizzlab.design.kinds import KINDS
from fizzlab.errors import BadInput, Problem
from fizzlab.trial.settings import FILE, read_settings
from fizzlab.trial.settings.trial import factor_name_fault
from fizzlab.trial.tables import TABLES

#: Tables that nearly every drying trial needs; the others are added when they are used.
FIRST_TABLES = ("runs", "touch_checks", "room_log")

#: Levels of this name add nothing to a batch.
NOTHING = frozenset({"none", "no", "nothing", "without", "plain", "0"})

_TOML = """\
# What this trial asks, and how its readings are analysed. Lines that begin with # are comments.
code = {code}            # short name, used for the records
title = {title}
question = {question}
place = ""             # your workshop, as it should stand on the report
made_by = ""
paper = "a4"           # or "letter": the paper that --pdf prints on
seed = 1               # any whole number; the same seed gives the same random order again

# The factors: what is changed on purpose from batch to batch. Each has a column in runs.
{factors}
{plan}{recipe}[drying]
air = "vpd"            # "vpd": by how thirsty the air is; "rh and temperature"; or "none" without a room log
shares = [0.5, 0.9, 0.95]   # forecast when these shares of the pieces are dry
night_hours = 12       # how dry must the room be for pieces to be ready after one night?
# forecast_air = {{ temp_c = 18, rh_pct = 60 }}   # air to forecast for; otherwise that of your own batches

# Lots of ingredients, as printed on the pack; several in brackets. They are found with: fizzlab records find
# [lots]
# "baking soda" = "B77"
# acid = ["L2391", "L2402"]

# What went otherwise than planned, with or without a batch; lost rows and extra sprays show by themselves.
# [[deviations]]
# run = "B03"
# what = "pressed an hour late"
# why = "the mould was still wet"

# [fizz]
# bath_c = 38            # water that every fizz time is stated at
# water_ml = 300         # in the cup of a fizz curve; some gas stays dissolved in it
# theory_g = 8.5         # gas that a piece could give at most; otherwise worked out from [recipe]

# What a good batch is, for any of: dry_h, weighed_dry_h, tumble_loss_pct, drop_cm, score, fizz_s, colour_s,
# half_out_s, gas_pct, cost; or for a number of your own, in a column of runs.
# [responses.dry_h]
# at_most = 12           # a limit that a batch must keep to; also at_least
# same_within = 1.2      # two ways whose dry times lie within this ratio count as the same
# want = "less"          # a wish; with best it is granted in full, with worst not at all
# best = 4
# worst = 12
# [responses.shine]      # a number of your own
# label = "shine"
# unit = "points"
# scale = "difference"   # or "ratio"

# [earlier]
# trials = ["../autumn"]   # earlier trials of this workshop, or a folder that holds them: set beside this one
"""


#: How `fizzlab plan` is to plan; {off} comments the section out while there is no factor to plan for.
_PLAN = """\
# Which batches to make. After editing, run: fizzlab plan FOLDER
{off}[plan]
{others}
{off}kind = {kind}
{lines}# What will be read; also: weighings, tumbles, drops, crumble_scores, fizz_times, fizz_curves, shelf.
{off}tables = ["touch_checks", "room_log"]
{off}pieces = 4             # pieces of each batch that are looked at
{off}checks_h = [2, 3, 4, 6, 8, 12, 24]   # hours after making; hourly around when yours dry
{off}smallest_difference = 1.25   # worth knowing, as a ratio: 1.25 is a quarter longer
# raters = ["Ann", "Bo"]   # who scores crumbling, without seeing the recipe

"""

#: An example, commented out: amounts that nobody weighed must not find their way into a batch.
_RECIPE = """\
# What goes into a batch; with it, the bench sheet gives grams, steps and cautions. Take the # away and edit.
# An amount is a number and a unit: g, kg, oz, cup, tbsp, tsp, ml, drops. A scoop is not a mass: weigh a level
# spoon of your own once and give own_weighing = {{ measure = "1 tsp", grams = [4.4, 4.6, 4.5] }}.
# [recipe]
# pieces = 6             # pieces that a batch makes
# piece_g = 85           # what a packed mould holds
# scale_to_moulds = true   # scale every amount so that a batch fills the moulds
#
# [[recipe.ingredients]]
# name = "baking soda"
# kind = "sodium bicarbonate"
# amount = "1 cup"
# price = 2.40           # of a pack
# pack = "1 kg"
#
# [[recipe.ingredients]]
# name = "acid"
# kind = "citric acid"
# amount = "1/2 cup"
#
# [[recipe.ingredients]]
# name = "alcohol"
# kind = "isopropyl alcohol 91 %"
# amount = "1/2 tsp"
{rules}

"""


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
    title, question : str
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
    code = "".join(
        letter if letter.isascii() and letter.isalnum() else "-" for letter in folder.resolve().name
    )
    text = _TOML.format(
        code=json.dumps(code.strip("-")[:40] or "trial"),
        title=json.dumps(title, ensure_ascii=False),
        question=json.dumps(question, ensure_ascii=False),
        factors="\n".join(_factor_toml(*factor) for factor in factors),
        plan=_plan_toml(factors, kind, days, per_day),
        recipe=_RECIPE.format(rules=_rules_toml(factors)),
    )
    files = {folder / FILE: text}
    for name in FIRST_TABLES:
        header = [column.name for column in TABLES[name].columns if column.name != "blind"]
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
) -> tuple[list[tuple[str, str, list[str], str, str]], list[Problem]]:
    found, problems = [], []
    names: set[str] = set()
    for kind, options in (("levels", levels), ("amounts", amounts)):
        for option in options:
            name, sign, rest = option.partition("=")
            rest, _, unit = rest.partition(":") if kind == "amounts" else (rest, "", "")
            values = [value.strip() for value in rest.split(",") if value.strip()]
            if not sign or len(values) < 2 or not name.strip():
                alone = bool(sign and name.strip() and len(values) == 1)
                what = (
                    f"“{option}” names one way only, and nothing to compare it with."
                    if alone
                    else f"“{option}” cannot be read as a factor."
                )
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
                if not unit.strip():
                    what = f"“{option}” has no unit."
                    do = f"Write the unit behind a colon, as in {option.strip().rstrip(':')}:g."
                    problems.append(Problem(f"option --{kind}", what, do))
            label = name.strip()
            folded = "_".join(label.casefold().split())
            fault = factor_name_fault(folded)
            if fault:
                do = f"Call it otherwise, as in --{kind} {folded if folded.isalnum() else 'colour'}_2={rest}."
                problems.append(Problem(f"option --{kind}", f"{fault}.", do))
            elif folded in names:
                problems.append(
                    Problem(f"option --{kind}", f"the factor “{folded}” is given twice.", "Keep one.")
                )
            if len({value.casefold() for value in values}) < len(values):
                what = f"“{option}” names a level twice."
                problems.append(Problem(f"option --{kind}", what, "Take one of the two out."))
            names.add(folded)
            found.append((folded, kind, values, unit.strip(), label if label != folded else ""))
    return found, problems


def _plan_toml(
    factors: Sequence[tuple[str, str, list[str], str, str]],
    kind: str | None,
    days: int | None,
    per_day: int | None,
) -> str:
    chosen = kind or ("compare" if len(factors) <= 1 else "factorial")
    off = "" if factors else "# "
    lines = []
    if "days" in _keys_of(chosen) or days is not None:
        each = "" if per_day == 1 else "; each is a small trial of its own"
        lines.append(f"days = {days or 4}               # days of making{each}")
    levels = max((len(values) for _, _, values, _, _ in factors), default=3)
    fit = per_day or (levels if "days" in _keys_of(chosen) else 6)
    lines.append(f"batches_per_day = {fit}    # that fit in a day with time to spare")
    if chosen == "factorial":
        lines.append(
            "repeats = 2            # how often each combination is made; once leaves little to judge by"
        )
    return _PLAN.format(
        off=off,
        kind=json.dumps(chosen, ensure_ascii=False),
        others=textwrap.fill(
            f"Kinds of plan: {', '.join(KINDS)}.", 104, initial_indent="# ", subsequent_indent="# "
        ),
        lines="".join(f"{off}{line}\n" for line in lines),
    )


def _keys_of(kind: str) -> tuple[str, ...]:
    return KINDS[kind].options if kind in KINDS else ()


def _rules_toml(factors: Sequence[tuple[str, str, list[str], str, str]]) -> str:
    """For each factor, how it might change the recipe, commented out."""
    lines = ["#"]
    for name, sort, values, _, _ in factors or [("colour", "levels", ["none", "pearl"], "", "")]:
        key = f"recipe.by_factor.{_key(name)}"
        if sort == "levels":
            empty = [level for level in values if level.casefold() in NOTHING]
            if empty:
                lines += [
                    f"# [{key}.brings]",
                    *(f"# {_key(level)} = []   # adds nothing" for level in empty),
                    "#",
                ]
            for level in values:
                if level in empty:
                    continue
                lines += [
                    f"# [[{key}.brings.{_key(level)}]]   # what this level adds",
                    f"# name = {json.dumps(level, ensure_ascii=False)}",
                    '# kind = "mica"',
                    '# amount = "1/2 tsp"',
                    "#",
                ]
        else:
            lines += [
                f"# [{key}]",
                '# sets = "alcohol"      # the ingredient whose amount this factor is',
                "#",
            ]
    return "\n".join(lines[:-1])


def _key(name: str) -> str:
    """A key of TOML, in quotation marks where it needs them."""
    plain = name.isascii() and name.replace("-", "_").replace("_", "a").isalnum()
    return name if plain else json.dumps(name, ensure_ascii=False)


def _factor_toml(name: str, kind: str, values: list[str], unit: str, label: str) -> str:
    lines = [f"[factors.{_key(name)}]"]
    if kind == "levels":
        named = [json.dumps(value, ensure_ascii=False) for value in values]
        lines += [
            f"levels = [{', '.join(named)}]",
            f"control = {named[0]}   # what the others are compared with",
        ]
    else:
        lines += [f"amounts = [{', '.join(values)}]", f"unit = {json.dumps(unit, ensure_ascii=False)}"]
    said = f"label = {json.dumps(label, ensure_ascii=False)}   # in plain words, for the report"
    return "\n".join([*lines, said, ""])
