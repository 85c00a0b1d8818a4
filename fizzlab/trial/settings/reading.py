"""Reading `trial.toml`: every complaint becomes a `Problem` in plain words, with the nearest right key."""

from __future__ import annotations

import re
import tomllib
import types
import typing
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ValidationError

from fizzlab.errors import BadInput, Problem, did_you_mean
from fizzlab.trial.settings.base import FILE
from fizzlab.trial.settings.plan import plan_problems
from fizzlab.trial.settings.sections import response_problems
from fizzlab.trial.settings.trial import TAKEN, TrialSettings


def read_settings(folder: Path) -> tuple[TrialSettings | None, list[Problem]]:
    """Read and check `trial.toml`; return None with the problems when it cannot be used."""
    path = folder / FILE
    try:
        raw = tomllib.loads(path.read_bytes().decode("utf-8-sig"))
    except FileNotFoundError:
        return None, [_not_there(folder)]
    except UnicodeDecodeError:
        return None, [Problem(FILE, "it is not plain UTF-8 text.", "Save it again as UTF-8.")]
    except tomllib.TOMLDecodeError as error:
        do = "Look there for a missing quotation mark (it must be a straight one), bracket or equals sign."
        return None, [Problem(FILE, f"it cannot be read: {error}.", do)]
    except (ValueError, RecursionError):
        return None, [_ENDLESS]
    texts = list(_texts(raw))
    if any(len(place) > _DEEPEST for place, _ in texts):
        return None, [_ENDLESS]
    hidden = [_hidden_sign(place, text) for place, text in texts if _HIDDEN.search(text)]
    if hidden:
        return None, hidden
    try:
        settings = TrialSettings.model_validate(raw)
    except ValidationError as error:
        return None, [_problem(item, raw) for item in error.errors()]
    problems = []
    if settings.plan is not None:
        problems = plan_problems(settings.plan, settings.factors, settings.tables())
    problems += response_problems(settings.responses, settings.factors, TAKEN)
    try:
        settings.made_recipe()
    except BadInput as error:
        problems += error.problems
    return (None if problems else settings), problems


def _not_there(folder: Path) -> Problem:
    """The folder holds no trial; those of its sub-folders that do are named."""
    trials = sorted(path.parent.name for path in folder.glob(f"*/{FILE}"))
    do = "Write one with: fizzlab new FOLDER."
    if trials:
        more = " and more" if len(trials) > 3 else ""
        do = f"Name a trial in it: it holds {', '.join(trials[:3])}{more}."
    return Problem(FILE, f"it is not in the folder {folder.resolve().name}.", do)


#: Signs that no one can see or type, and that neither a workbook nor a page can hold.
_HIDDEN = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\ufffe\uffff]")


#: Keys within keys; the settings themselves go down to five.
_DEEPEST = 20

_ENDLESS = Problem(
    FILE,
    "it holds a number of thousands of digits, or brackets or keys within each other without end.",
    "Take that out.",
)


def _texts(raw: object) -> Iterator[tuple[tuple[str | int, ...], str]]:
    """Every text of the file, keys too, with its place; nothing further down than `_DEEPEST` and one."""
    left: list[tuple[tuple[str | int, ...], object]] = [((), raw)]
    while left:
        place, inside = left.pop()
        if isinstance(inside, str):
            yield place, inside
        elif len(place) > _DEEPEST:
            yield place, ""
        elif isinstance(inside, dict):
            for key, value in inside.items():
                yield (*place, key), key
                left.append(((*place, key), value))
        elif isinstance(inside, list):
            left.extend(((*place, i), value) for i, value in enumerate(inside))


def _hidden_sign(place: Sequence[str | int], text: str) -> Problem:
    shown = _HIDDEN.sub("�", text)
    what = f"a sign that cannot be seen or printed stands in “{shown[:40]}”."
    key = _HIDDEN.sub("�", _spoken(place, None))
    return Problem(FILE, what, "Type the text again.", column=f"key {key}")


def _problem(item: Any, raw: dict[str, Any]) -> Problem:
    """Say one pydantic complaint in plain words."""
    place = [part for part in item["loc"] if not (isinstance(part, str) and part in _UNION_TAGS)]
    kind, given = item["type"], item["input"]
    what, do = item["msg"][0].lower() + item["msg"][1:] + f" (it says {given!r}).", "Change it."
    if kind == "extra_forbidden":
        what = "fizzlab knows no such key."
        do = did_you_mean(str(place[-1]), _keys_beside(place[:-1]), "Take it out.")
    elif kind == "missing":
        what, do = "the key is missing.", "Add it."
    elif kind == "value_error":
        what = f"{item['ctx']['error']}."
    elif kind == "string_pattern_mismatch" and place[-1] == "code":
        what = f"“{given}” cannot be a trial code."
        do = "Use up to 40 letters, digits, - and _, beginning with a letter or digit."
    elif kind == "literal_error":
        choices = re.findall("'([^']*)'", item["ctx"]["expected"])
        what = f"“{given}” is none of its choices."
        do = f"{did_you_mean(str(given), choices, '')} Choose from: {', '.join(choices)}.".strip()
    key = _spoken(place, raw)
    return Problem(FILE, what, do, column=f"key {key}" if key else None)


#: Pydantic names the member of a union that it tried; a maker does not know these words.
_UNION_TAGS = frozenset({"float", "int", "str"})


def _spoken(place: Sequence[str | int], raw: Any) -> str:
    """A key with dots; an entry of a list is called by its name, or counted from one."""
    said = ""
    for part in place:
        try:
            raw = raw[part]
        except (KeyError, IndexError, TypeError):
            raw = None
        if isinstance(part, int):
            name = raw.get("name") if isinstance(raw, dict) else None
            said += f" ({name if isinstance(name, str) else part + 1})"
        else:
            said += f".{part}" if said else part
    return said


def _keys_beside(place: Sequence[str | int]) -> list[str]:
    """The keys that are known at a place in the file."""
    here: Any = TrialSettings
    for part in place:
        if isinstance(here, type) and issubclass(here, BaseModel):
            field = here.model_fields.get(str(part))
            inner = None if field is None else field.annotation
        else:  # a list or a table with names of the maker's own: its entries are all of one type
            inner = (typing.get_args(here) or (None,))[-1]
        here = next(_members(inner), None)
    return list(here.model_fields) if isinstance(here, type) and issubclass(here, BaseModel) else []


def _members(kind: Any) -> Iterator[Any]:
    """The members of a union other than None, without their bounds."""
    if typing.get_origin(kind) is typing.Annotated:
        yield from _members(typing.get_args(kind)[0])
    elif typing.get_origin(kind) in (typing.Union, types.UnionType):
        for member in typing.get_args(kind):
            yield from _members(member)
    elif kind is not None and kind is not type(None):
        yield kind
