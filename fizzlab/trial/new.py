"""Starting a trial: from answers to a commented `trial.toml`, new or as somebody wrote it."""

from __future__ import annotations

import re
import tempfile
import textwrap
import tomllib
from collections.abc import Iterator, MutableMapping
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, get_args

import tomlkit
from tomlkit.items import Comment, Table, Whitespace

from fizzlab.design.kinds import KINDS
from fizzlab.errors import BadInput, Problem, capital, problem, refuse
from fizzlab.language import lines, say
from fizzlab.measures import MEASURES, TABLES
from fizzlab.recipe.ingredients import ROLES, Role
from fizzlab.recipe.units import canonical_kind
from fizzlab.trial.asking import ASKS, LATER, NAMED, NUMBERS, Answers, Ask, Row, folded, split
from fizzlab.trial.opening import bytes_of
from fizzlab.trial.placing import changing
from fizzlab.trial.settings import FILE, TrialSettings, read_settings

Section = dict[str, Any]
Faults = list[tuple[str, Problem]]


@dataclass(frozen=True)
class Draft:
    """What the answers make: the text of trial.toml, its settings, or None with the problems by question."""

    text: str
    settings: TrialSettings | None
    faults: Faults


def draft(answers: Answers, before: str = "", code: str = "trial") -> Draft:
    """The trial.toml that the answers make: a new one, or `before` with what was answered otherwise."""
    faults: Faults = []
    wanted = _wanted(answers, faults)
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
    told = {key for key, _ in faults}
    faults += [(key, each) for each in found if (key := question_of(each)) not in told]
    return Draft(text, None if faults else settings, faults)


def write(folder: Path, made: Draft, before: str = "") -> Path:
    """Write a sound draft in place of `before`, or where nothing stands; returns the path."""
    path = folder / FILE
    if made.faults:
        raise BadInput(each for _, each in made.faults)
    with changing(folder) as making:
        there = text_of(path) if path.exists() else ""
        if there and there != before:
            raise refuse("changed_since_opened" if before else "there_already", str(path))
        (making / FILE).write_bytes(made.text.encode())
    return path


def text_of(path: Path) -> str:
    """The text of a trial.toml; BadInput where it cannot be read."""
    try:
        text = bytes_of(path).decode("utf-8-sig").replace("\r\n", "\n")
        tomlkit.parse(text)
    except ValueError as error:
        raise refuse("mend_by_hand", str(path), error=error) from None
    return text


def answers_of(text: str) -> Answers:
    """The answers that a trial.toml holds; what is not asked for stays in it unseen."""
    raw: Any = tomlkit.parse(text).unwrap()
    answers = Answers()
    for key, ask in ASKS.items():
        value = raw
        for part in key.split("."):
            value = value.get(part) if isinstance(value, dict) else None
        value = value.get("text") if isinstance(value, dict) else value  # [question] with its text
        if value is not None and ask.kind != "rows":
            answers = answers.tell(key, _typed(value))
    factors = []
    for key, said in _tables(raw.get("factors")):
        ways = sorted(said.get("levels", []), key=lambda level: level != said.get("control", level))
        span = f"{_typed(said['low'])} to {_typed(said['high'])}" if {"low", "high"} <= {*said} else ""
        values = _typed(ways) or " within ".join(filter(None, [_typed(said.get("amounts", [])), span]))
        label = str(said.get("label", ""))
        unit = NAMED if NUMBERS.fullmatch(values) and ways else str(said.get("unit", ""))
        factors.append({"name": label if folded(label) == key else key, "values": values, "unit": unit})
    called = {folded(row["name"]): row["name"] for row in factors}
    recipe = raw.get("recipe", {})
    rules = [(called.get(key, key), rule) for key, rule in _tables(recipe.get("by_factor"))]
    sets = {rule.get("sets"): name for name, rule in rules if "amounts" not in rule}
    rows = [_part(item, sets.get(item.get("name"), "")) for item in recipe.get("ingredients", [])]
    for name, rule in rules:
        for level, items in _tables(rule.get("brings"), list):
            rows += [_part(item, f"{name} = {level}") for item in items]
    wishes = []
    for name, said in _tables(raw.get("responses")):
        if name in MEASURES:
            asked = {each.key: _typed(said.get(each.key, "")) for each in ASKS["wishes"].fields}
            wishes.append(asked | {"name": MEASURES[name].label})
    answers = answers.tell("factors", tuple(factors)).tell("ingredients", tuple(rows))
    return answers.tell("wishes", tuple(wishes))


def _tables(section: object, kind: type = dict) -> Iterator[tuple[str, Any]]:
    return ((k, v) for k, v in (section if isinstance(section, dict) else {}).items() if isinstance(v, kind))


def _part(item: Section, goes: str) -> Row:
    kind = item.get("role") if item.get("kind") == item.get("name") else None
    said = {"name": item.get("name"), "kind": kind or item.get("kind"), "amount": item.get("amount")}
    return {key: str(value or "") for key, value in said.items()} | {"goes": goes}


def _typed(value: object) -> str:
    """A value of trial.toml as somebody would type it."""
    if isinstance(value, list):
        parts = [_typed(each) for each in value]
        return ("; " if any("," in part for part in parts) else ", ").join(parts)
    if isinstance(value, bool):
        return "yes" if value else "no"
    return f"{value:.12g}" if isinstance(value, float) else str(value)


def _wanted(answers: Answers, faults: Faults) -> Section:
    """What trial.toml is to hold of all that is asked, in its sections."""
    wanted: Section = {}
    asked = {ask.key for ask in answers.asked()}
    for key, ask in ASKS.items():
        text = answers.text(key) if key in asked else answers.told.get(key, "")
        part, _, name = key.rpartition(".")
        if not text and key in ("title", "question"):
            faults.append((key, problem("answer_empty", ask.label)))
        elif text and ask.kind != "rows" and not (part == "plan" and answers.kind == LATER):
            (wanted.setdefault(part, {}) if part else wanted)[name] = _value(ask, text)
    factors = wanted["factors"] = dict(_factor(row, faults) for row in answers.changed)
    if len(factors) < len(answers.changed):
        faults.append(("factors", problem("changes_alike", "")))
    recipe = wanted.get("recipe", {}) | {"ingredients": [], "by_factor": {}}
    for row in answers.rows.get("ingredients", ()):
        wanted["recipe"] = recipe
        _ingredient(row, recipe, factors)
    wanted["responses"] = dict(map(_wish, answers.rows.get("wishes", ())))
    return wanted


def _scalar(text: str) -> object:
    """A number, or a date, as TOML writes it, else the text."""
    with suppress(tomllib.TOMLDecodeError):
        return tomllib.loads(f"x = {text.replace(',', '.')}")["x"]
    return text


def _value(ask: Ask, text: str) -> object:
    """A typed answer as a value of trial.toml."""
    if ask.kind == "numbers":
        return [_scalar(each) for each in split(text)]
    if ask.kind == "names" or (ask.kind == "word" and re.search("[,:;]", text)):
        keys = ask.name in ("hard_to_change", "tables")
        return [folded(each) if keys else each for each in split(text)]
    if ask.kind == "yes":
        return {"y": True, "n": False}.get(text[:1].casefold(), text)
    return text if ask.kind in ("text", "choice") else _scalar(text)


def _factor(row: Row, faults: Faults) -> tuple[str, Section]:
    """A factor from what is changed, its ways or amounts, and a unit."""
    label, values, unit = (row.get(key, "").strip() for key in ("name", "values", "unit"))
    name, named = folded(label), row.get("unit") == NAMED
    more = {"label": label} if label != name else {}
    found = re.fullmatch(r"(.*\d)\s*([^\d\s,;]+)", values)
    if not (named or unit) and found and NUMBERS.fullmatch(found[1]):
        values, unit = found[1], found[2]
    wrong, levels = "one_way_only", split(values)
    factor: Section = {"levels": levels, "control": (levels or [""])[0]}
    sound = len(levels) > 1
    if not named and (unit or NUMBERS.fullmatch(values)):
        amounts, _, span = values.rpartition("within")
        ends = re.fullmatch(r"\s*([\d.,]+)\s*(?:to|-|–)\s*([\d.,]+)\s*", span)
        numbers = [_scalar(each) for each in split(amounts if ends else values)]
        factor = {"amounts": numbers} if numbers else {}
        factor |= {"low": _scalar(ends[1]), "high": _scalar(ends[2])} if ends else {}
        factor, sound = factor | {"unit": unit}, bool(unit and (ends or len(numbers) > 1))
        wrong = wrong if unit else "amounts_without_unit"
    if not sound:
        faults.append(("factors", problem(wrong, "", label=label, values=values)))
    return name, factor | more


def _ingredient(row: Row, recipe: Section, factors: Section) -> None:
    """Put an ingredient where it belongs: into every batch, or only where a factor has that level."""
    name, kind, amount, goes = (row.get(key, "").strip() for key in ("name", "kind", "amount", "goes"))
    item: Section = {"name": name, "kind": kind or name}
    if kind in get_args(Role) and kind not in ROLES and canonical_kind(kind) not in ROLES:
        item = {"name": name, "kind": name} | ({} if canonical_kind(name) in ROLES else {"role": kind})
    of, _, level = (part.strip() for part in goes.partition("="))
    factor, place = factors.get(folded(of), {}), recipe["ingredients"]
    rule = recipe["by_factor"].setdefault(folded(of), {}) if of else {}
    if level:
        brings = rule.setdefault("brings", {each: [] for each in factor.get("levels", ())})
        place = brings.setdefault(level, [])
    elif of:
        rule["sets"] = name
        first = _typed([*factor.get("amounts", []), factor.get("low")][0])
        amount = amount or f"{first} {factor.get('unit')}"
    place.append(item | ({"amount": amount} if amount else {}))


def _wish(row: Row) -> tuple[str, Section]:
    """A limit or a wish for one response."""
    label = row["name"].strip().casefold()
    calls = {each.name: (each.name, each.label, each.titled.casefold()) for each in MEASURES.values()}
    named = [name for name, words in calls.items() if label in words]
    said: Section = {}
    for each in ASKS["wishes"].fields[1:]:
        parts = row.get(each.key, "").replace(";", " ").replace(", ", " ").split()
        numbers = [_scalar(part) for part in parts]
        said |= {each.key: numbers[0] if len(numbers) == 1 else numbers} if numbers else {}
    if {"best", "worst"} <= {*said}:
        best, worst = said["best"], said["worst"]
        less = isinstance(best, int | float) and isinstance(worst, int | float) and best < worst
        said["want"] = "near" if isinstance(worst, list) else "less" if less else "more"
    return named[0] if named else folded(label), said


def question_of(found: Problem) -> str:
    """The question of which the answer has this problem; "plan" where it is none of them alone."""
    key = _key(found) or "factors"
    parts = {"factors": "factors", "recipe": "ingredients", "responses": "wishes", "plan": "plan"}
    asked = [each for each in ASKS if key == each or key.startswith((f"{each}.", f"{each} "))]
    return [*asked, parts.get(key.partition(".")[0], "title")][0]


def reason(found: Problem) -> str:
    """What is wrong and what to do, with the line of an answer that it is about."""
    key, what = _key(found), found.what
    line = re.search(r"\(([^()]+)\)", key) or re.match(r"(?:factors|responses)\.([^.]+)", key)
    if what == lines("toml_missing")[0]:
        what = say("answer_missing", name=key.rpartition(".")[2])
    return f"{line[1].replace('_', ' ')}: {what} {found.do}" if line else f"{capital(what)} {found.do}"


def _key(found: Problem) -> str:
    """The key of trial.toml that has a problem."""
    return (found.column or "").removeprefix(say("at_key", key=""))


def _merge(into: MutableMapping[str, Any], old: Section, new: Section) -> None:
    """Set what is answered otherwise than before; all else stays as somebody wrote it."""
    for key in dict.fromkeys([*new, *old]):
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
            before, after = ({each["name"]: each for each in items} for items in (old.get(key, []), value))
            for at in reversed(range(len(there))):
                name = there[at].get("name")
                if name in after:
                    _merge(there[at], before.get(name, {}), after.pop(name))
                elif name in before:
                    del there[at]
            for each in after.values():
                there.append(tomlkit.item(each))
        elif key in into:
            into[key] = value
        else:
            _add(into, key, value)


def _add(into: MutableMapping[str, Any], key: str, value: Any) -> None:
    """A new key after the others, and before the comments that lead to the next section."""
    body = _last(into)
    end = len(body)
    while end and isinstance(body[end - 1][1], Comment | Whitespace):
        end -= 1
    rest, section = body[end:], isinstance(value, dict)
    body[end:] = [(None, tomlkit.nl())] if section and rest else []
    into[key] = value
    (_last(into[key]) if section and rest else body).extend(rest)


def _last(table: object) -> list[Any]:
    """What stands in a table, or in the last table within it."""
    body = table.value.body if isinstance(table, Table) else []
    return _last(body[-1][1]) if body and isinstance(body[-1][1], Table) else body


def _rendered(wanted: Section) -> str:
    """A new trial.toml, with comments on what can be said."""
    import jinja2

    pages = jinja2.Environment(trim_blocks=True, lstrip_blocks=True, keep_trailing_newline=True)
    pages.filters["value"] = lambda value: tomlkit.item(value).as_string()
    pages.filters["section"] = lambda section, name: tomlkit.dumps({name: section}).strip()
    pages.filters["commented"] = lambda text: textwrap.indent(textwrap.fill(text, 104), "# ")
    pages.globals["plain"] = lambda name: re.fullmatch(r"[A-Za-z0-9_-]+", name)
    text = Path(__file__).with_name("new_trial.toml").read_text(encoding="utf-8")
    given = {"title": "", "question": "", "place": "", "made_by": "", "plan": {}, "recipe": {}} | wanted
    notes = {key: ask.note for key, ask in ASKS.items()}
    return pages.from_string(text).render(given, notes=notes, kinds=KINDS, tables=TABLES, measures=MEASURES)
