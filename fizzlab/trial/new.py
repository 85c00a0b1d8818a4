"""Starting a trial: from answers to a commented `trial.toml`, new or as somebody wrote it."""

from __future__ import annotations

import datetime as dt
import re
import tempfile
import textwrap
from collections.abc import Iterator, Mapping, MutableMapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, get_args

import tomlkit
from tomlkit.items import Comment, Table, Whitespace

from fizzlab.design.kinds import KINDS
from fizzlab.errors import BadInput, Problem, capital
from fizzlab.measures import MEASURES, TABLES
from fizzlab.recipe.ingredients import ROLES, Role
from fizzlab.recipe.units import canonical_kind
from fizzlab.trial.asking import ASKS, LATER, NAMED, NUMBERS, Answers, Ask, Row, folded, split
from fizzlab.trial.placing import write_whole
from fizzlab.trial.settings import FILE, TrialSettings, read_settings
from fizzlab.trial.settings.trial import factor_name_fault

#: Tables that nearly every drying trial needs; a plan writes its own.
FIRST_TABLES = ("runs", "touch_checks", "room_log")

Section = dict[str, Any]


@dataclass(frozen=True)
class Draft:
    """What the answers make: the text of trial.toml, its settings, or None with the problems by question."""

    text: str
    settings: TrialSettings | None
    faults: tuple[tuple[str, Problem], ...]


def draft(answers: Answers, before: str = "", code: str = "trial") -> Draft:
    """The trial.toml that the answers make: a new one, or `before` with what was answered otherwise."""
    problems: list[tuple[str, Problem]] = []
    wanted = _wanted(answers, problems)
    if before:
        document = tomlkit.parse(before)
        _merge(document, _wanted(answers_of(before), []), wanted)
        text = tomlkit.dumps(document)
    else:
        letters = "".join(sign if sign.isascii() and sign.isalnum() else "-" for sign in code).strip("-")
        text = _rendered({"code": letters[:40] or "trial", **wanted})
    with tempfile.TemporaryDirectory() as trying:
        (Path(trying) / FILE).write_text(text, encoding="utf-8")
        settings, found = read_settings(Path(trying))
    told = {key for key, _ in problems}
    problems += [(key, problem) for problem in found if (key := question_of(problem)) not in told]
    return Draft(text, None if problems else settings, tuple(problems))


def write(folder: Path, made: Draft, *, over: bool = False) -> list[Path]:
    """Write a sound draft, and without a plan the first tables with only their header; returns the files."""
    if not over:
        refuse(folder)
    if made.settings is None:
        raise BadInput(problem for _, problem in made.faults)
    names = [] if over or made.settings.plan else [f"{name}.csv" for name in FIRST_TABLES]
    files = [folder / FILE, *(folder / name for name in names)]
    folder.mkdir(parents=True, exist_ok=True)
    write_whole(files[0], made.text.encode())
    for path in files[1:]:
        header = [column.name for column in TABLES[path.stem].columns if column.name != "blind"]
        header[2:2] = made.settings.factors if path.stem == "runs" else []
        path.write_text(",".join(header) + "\n", encoding="utf-8")
    return files


def refuse(folder: Path) -> None:
    """Refuse a folder that holds a trial."""
    files = [folder / FILE, *(folder / f"{name}.csv" for name in FIRST_TABLES)]
    do = "Choose another folder; setup.ipynb opens a trial that is there."
    there = [Problem(str(path), "it is there already.", do) for path in files if path.exists()]
    if there:
        raise BadInput(there)


def answers_of(text: str) -> Answers:
    """The answers that a trial.toml holds; what is not asked for stays in it unseen."""
    raw = tomlkit.parse(text).unwrap()
    answers = Answers()
    for key, ask in ASKS.items():
        value: Any = raw
        for part in key.split("."):
            value = value.get(part) if isinstance(value, dict) else None
        if isinstance(value, dict):  # [question] with its text
            value = value.get("text")
        if value is not None and ask.kind != "rows":
            answers = answers.tell(key, _typed(value))
    factors = []
    for key, said in _tables(raw.get("factors")):
        label = said.get("label", "")
        levels, amounts = said.get("levels"), [_typed(said.get("amounts", []))]
        if "low" in said and "high" in said:
            amounts.append(f"{_typed(said['low'])} to {_typed(said['high'])}")
        ways = sorted(levels or [], key=lambda level: level != said.get("control", level))
        values = _typed(ways) if levels else " within ".join(filter(None, amounts))
        name = label if folded(label) == key else key
        factors.append({"name": name, "values": values, "unit": "" if levels else str(said.get("unit", ""))})
    answers = answers.tell("factors", tuple(factors))
    recipe = raw.get("recipe", {})
    rules = dict(_tables(recipe.get("by_factor")))
    called = {folded(row["name"]): row["name"] for row in factors}
    sets = {rule.get("sets"): called.get(name, name) for name, rule in rules.items() if "amounts" not in rule}
    rows = [_ingredient_row(item, sets.get(item.get("name"), "")) for item in recipe.get("ingredients", [])]
    for name, rule in rules.items():
        for level, items in rule.get("brings", {}).items():
            rows += [_ingredient_row(item, f"{called.get(name, name)} = {level}") for item in items]
    wishes = [
        {"name": name, **{each.name: _typed(said.get(each.name, "")) for each in ASKS["wishes"].fields[1:]}}
        for name, said in _tables(raw.get("responses"))
        if name in MEASURES
    ]
    return answers.tell("ingredients", tuple(rows)).tell("wishes", tuple(wishes))


def _tables(section: object) -> Iterator[tuple[str, Section]]:
    return ((k, v) for k, v in (section if isinstance(section, dict) else {}).items() if isinstance(v, dict))


def _ingredient_row(item: Section, goes: str) -> Row:
    role = "role" in item and canonical_kind(str(item.get("kind"))) not in ROLES
    kind = item["role"] if role and item.get("kind") == item.get("name") else item.get("kind", "")
    return {
        "name": str(item.get("name", "")),
        "kind": kind,
        "amount": str(item.get("amount", "")),
        "goes": goes,
    }


def _typed(value: object) -> str:
    """A value of trial.toml as somebody would type it."""
    if isinstance(value, list):
        parts = [_typed(each) for each in value]
        return ("; " if any("," in part for part in parts) else ", ").join(parts)
    if isinstance(value, bool):
        return "yes" if value else "no"
    return f"{value:.12g}" if isinstance(value, float) else str(value)


class _Wrong(Exception):
    """What is wrong with one answer, and what to do."""


def _wanted(answers: Answers, problems: list[tuple[str, Problem]]) -> Section:
    """What trial.toml is to hold of all that is asked, in its sections."""
    wanted: Section = {}
    kind, asked = answers.kind, {ask.key for ask in answers.asked()}

    def take(key: str, make: Any, *given: Any) -> Any:
        try:
            return make(*given)
        except _Wrong as wrong:
            problems.append((key, Problem(ASKS[key].label, *wrong.args)))
        return None

    for key, ask in ASKS.items():
        text = answers.text(key) if key in asked else answers.told.get(key, "")
        part, _, name = key.rpartition(".")
        if not text and key in ("title", "question"):
            problems.append((key, Problem(ask.label, "it is empty.", "Say it in a few words.")))
        if ask.kind == "rows" or not text or (part == "plan" and kind == LATER):
            continue
        value = take(key, _value, ask, text)
        if value is not None:
            (wanted.setdefault(part, {}) if part else wanted)[name] = value
    told = [take("factors", _factor, row) for row in answers.rows.get("factors", ())]
    factors = dict(filter(None, told))
    if len(factors) < len([*filter(None, told)]):
        problems.append(("factors", Problem("factors", "two of them have one name.", "Name one otherwise.")))
    wanted["factors"] = factors
    recipe = wanted.get("recipe", {}) | {"ingredients": [], "by_factor": {}}
    for row in answers.rows.get("ingredients", ()):
        take("ingredients", _ingredient, row, recipe, factors)
    if answers.rows.get("ingredients"):
        wanted["recipe"] = recipe
    wishes = [take("wishes", _wish, row) for row in answers.rows.get("wishes", ())]
    wanted["responses"] = dict(filter(None, wishes))
    return wanted


def _number(text: str) -> float:
    try:
        number = float(text.replace(",", "."))
    except ValueError:
        raise _Wrong(f"“{text}” is not a number.", "Write 2 or 0.6.") from None
    return int(number) if number.is_integer() and "." not in text and "," not in text else number


def _value(ask: Ask, text: str) -> object:
    """A typed answer as a value of trial.toml."""
    if ask.kind == "whole":
        if not text.isdigit():
            raise _Wrong(f"“{text}” is not a whole number.", f"Write {ask.default.get('', '') or '4'}, say.")
        return int(text)
    if ask.kind == "number":
        return _number(text)
    if ask.kind == "numbers":
        return [_number(each) for each in split(text)]
    if ask.kind == "date":
        try:
            return dt.date.fromisoformat(text)
        except ValueError:
            raise _Wrong(f"“{text}” is not a date.", "Write it as 2026-02-03.") from None
    if ask.kind == "yes":
        if text.casefold() not in ("y", "yes", "n", "no"):
            raise _Wrong(f"“{text}” is neither yes nor no.", "Write yes or no.")
        return text.casefold() in ("y", "yes")
    if ask.kind == "names" or (ask.kind == "word" and ("," in text or ":" in text)):
        keys = ask.name in ("hard_to_change", "tables", "weekdays")
        return [folded(each) if keys else each for each in split(text)]
    return int(text) if ask.kind == "word" and text.isdigit() else text


def _factor(row: Row) -> tuple[str, Section]:
    """A factor from what is changed, its ways or amounts, and a unit."""
    label, values, unit = (row.get(key, "").strip() for key in ("name", "values", "unit"))
    name, named = folded(label), row.get("unit") == NAMED
    unit = "" if named else unit
    if fault := factor_name_fault(name):
        raise _Wrong(f"{fault}.", f"Call it otherwise, as {name if name.isalnum() else 'colour'}_2.")
    more: Section = {"label": label} if label != name else {}
    found = re.fullmatch(r"([\d.,;\s]*\d)\s*([^\d\s].*)?", values)
    if not named and not unit and found and found[2] and "to" not in found[2].split():
        values, unit = found[1], found[2]
    if not named and (unit or NUMBERS.fullmatch(values)):
        amounts, _, span = values.partition("within") if "within" in values else (values, "", values)
        found = re.fullmatch(r"\s*([\d.,]+)\s*(?:to|-|–)\s*([\d.,]+)\s*", span)
        factor: Section = {}
        if "within" in values or not found:
            factor["amounts"] = [_number(each) for each in split(amounts)]
            if len(factor["amounts"]) < 2:
                raise _Wrong(
                    f"“{values}” is one amount, with nothing to compare.", "Write 0.6, 1.2 or 2 to 6."
                )
        if found:
            factor |= {"low": _number(found[1]), "high": _number(found[2])}
        if not unit:
            raise _Wrong(f"“{values}” has no unit.", "Say what it is measured in, such as g or ml.")
        return name, factor | {"unit": unit} | more
    levels = split(values)
    if len(levels) < 2:
        what = (
            f"“{values}” names one way only, and nothing to compare it with." if levels else "it has no ways."
        )
        raise _Wrong(f"{label}: {what}", "Write pearl, dye, lake or 0.6, 1.2 or 2 to 6.")
    if len({level.casefold() for level in levels}) < len(levels):
        raise _Wrong(f"“{values}” names a level twice.", "Take one of the two out.")
    return name, {"levels": levels, "control": levels[0]} | more


def _ingredient(row: Row, recipe: Section, factors: Mapping[str, Section]) -> None:
    """Put an ingredient where it belongs: into every batch, or only where a factor has that level."""
    name, kind, amount, goes = (row.get(key, "").strip() for key in ("name", "kind", "amount", "goes"))
    what = canonical_kind(kind or name)
    item: Section = {"name": name, "kind": kind or name}
    if kind in get_args(Role) and what not in ROLES:
        item = {"name": name, "kind": name} | ({} if canonical_kind(name) in ROLES else {"role": kind})
    of, _, level = (part.strip() for part in goes.partition("="))
    factor = factors.get(folded(of), {})
    if of and not factor:
        raise _Wrong(
            f"{name}: nothing that is changed is called “{of}”.", f"Choose from: {', '.join(factors)}."
        )
    rule = recipe["by_factor"].setdefault(folded(of), {}) if of else {}
    if of and "levels" not in factor:
        rule["sets"] = name
        amount = amount or f"{_typed([*factor.get('amounts', []), factor.get('low')][0])} {factor['unit']}"
    if not amount:
        raise _Wrong(f"{name} has no amount.", "Write 1/2 cup, 30 drops or 12 g.")
    place = recipe["ingredients"]
    if "levels" in factor:
        if level not in factor["levels"]:
            do = f"Choose from: {', '.join(f'{of} = {each}' for each in factor['levels'])}."
            raise _Wrong(f"{name}: {of} has no way “{level}”.", do)
        place = rule.setdefault("brings", {each: [] for each in factor["levels"]})[level]
    place.append(item | {"amount": amount})


def _wish(row: Row) -> tuple[str, Section]:
    """A limit or a wish for one response."""
    label = row["name"].strip()
    named = [
        each.name for each in MEASURES.values() if label.casefold() in (each.name, each.label, each.titled)
    ]
    said: Section = {}
    for key in ("at_least", "at_most", "best", "worst", "same_within"):
        numbers = [_number(each) for each in row.get(key, "").replace(";", " ").replace(", ", " ").split()]
        if numbers:
            said[key] = numbers[0] if len(numbers) == 1 else numbers
    if "best" in said and "worst" in said and not isinstance(said["best"], list):
        near = isinstance(said["worst"], list)
        said["want"] = "near" if near else "less" if said["best"] < said["worst"] else "more"
    elif "best" in said or "worst" in said:
        raise _Wrong(f"{label}: best and worst belong together.", "Give a number for both, or for none.")
    return named[0] if named else folded(label), said


def question_of(problem: Problem) -> str:
    """The question of which the answer has this problem; "plan" where it is none of them alone."""
    key = (problem.column or "").removeprefix("key ")
    found = {"factors": "factors", "recipe": "ingredients", "responses": "wishes", "plan": "plan"}
    return key if key in ASKS else found.get(key.partition(".")[0], "title")


def reason(problem: Problem) -> str:
    """What is wrong and what to do, with the line of an answer that it is about."""
    key = (problem.column or "").removeprefix("key ")
    line = re.search(r"\(([^()]+)\)", key) or re.match(r"(?:factors|responses)\.([^.]+)", key)
    what = f"{line[1].replace('_', ' ')}: {problem.what}" if line else capital(problem.what)
    return f"{what} {problem.do}"


def _merge(into: MutableMapping[str, Any], old: Section, new: Section) -> None:
    """Set what is answered otherwise than before; all else stays as somebody wrote it."""
    for key in [*new, *(key for key in old if key not in new)]:
        there, value = into.get(key), new.get(key)
        if value == old.get(key) or (value in ({}, []) and there is None):
            continue
        if key == "question" and isinstance(there, MutableMapping):
            there["text"] = value
        elif value is None:
            into.pop(key, None)
        elif isinstance(value, dict) and isinstance(there, MutableMapping):
            _merge(there, old.get(key, {}), value)
        elif isinstance(there, list) and there and value and isinstance(value[0], dict):
            _merge_list(there, old.get(key, []), value)
        elif key in into:
            into[key] = value
        else:
            _add(into, key, value)


def _merge_list(into: list[Any], old: list[Section], new: list[Section]) -> None:
    """The same for a list of tables, each known by its name."""
    before, after = ({each["name"]: each for each in items} for items in (old, new))
    for at in range(len(into) - 1, -1, -1):
        name = into[at].get("name")
        if name in after:
            _merge(into[at], before.get(name, {}), after[name])
        elif name in before:
            del into[at]
    there = {each.get("name") for each in into}
    for name, each in after.items():
        if name not in there:
            into.append(tomlkit.item(each))


def _add(into: MutableMapping[str, Any], key: str, value: Any) -> None:
    """A new key after the others, and before the comments that lead to the next section."""
    body = _end_of(into)
    end = len(body)
    while end and isinstance(body[end - 1][1], Comment | Whitespace):
        end -= 1
    rest = body[end:]
    del body[end:]
    if isinstance(value, dict) and rest:
        body.append((None, tomlkit.nl()))
    into[key] = value
    (_end_of(into[key]) if isinstance(value, dict) and rest else body).extend(rest)


def _end_of(table: object) -> list[Any]:
    """What stands in a table, or in the last table within it."""
    body = table.value.body if isinstance(table, Table) else []
    return _end_of(body[-1][1]) if body and isinstance(body[-1][1], Table) else body


def _rendered(wanted: Section) -> str:
    """A new trial.toml, with a comment on what can be said."""
    import jinja2

    pages = jinja2.Environment(
        trim_blocks=True, lstrip_blocks=True, undefined=jinja2.StrictUndefined, keep_trailing_newline=True
    )
    pages.filters["value"] = lambda value: tomlkit.item(value).as_string()
    pages.filters["section"] = lambda section, name: tomlkit.dumps({name: section}).strip()
    pages.globals["plain"] = lambda name: re.fullmatch(r"[A-Za-z0-9_-]+", name)
    text = Path(__file__).with_name("new_trial.toml").read_text(encoding="utf-8")
    return pages.from_string(text).render(
        **{"title": "", "question": "", "place": "", "made_by": "", "plan": {}, "recipe": {}, **wanted},
        notes={key: ask.note for key, ask in ASKS.items()},
        kinds=_commented(f"Kinds of plan: {', '.join(KINDS)}."),
        others=[name for name in TABLES if name not in FIRST_TABLES],
        measures=_commented(", ".join(MEASURES) + ";"),
    )


def _commented(text: str) -> str:
    return textwrap.fill(text, 104, initial_indent="# ", subsequent_indent="# ")
