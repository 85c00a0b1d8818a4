"""Reading `trial.toml`: every complaint becomes a `Problem` in plain words, with the nearest right key."""

from __future__ import annotations

import re
import tomllib
import typing
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from fizzlab.errors import Problem, did_you_mean
from fizzlab.trial.settings.sections import FILE, Section
from fizzlab.trial.settings.trial import TrialSettings, misfits

#: Signs that no one can see or type, and that neither a workbook nor a page can hold.
_HIDDEN = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\ufffe\uffff]")

_Place = tuple[str | int, ...]


def read_settings(folder: Path) -> tuple[TrialSettings | None, list[Problem]]:
    """Read and check `trial.toml`; return None with the problems when it cannot be used."""
    path = folder / FILE
    try:
        raw = tomllib.loads(path.read_bytes().decode("utf-8-sig"))
        hidden = [_hidden_sign(place, text) for place, text in _texts(raw) if _HIDDEN.search(text)]
    except FileNotFoundError:
        return None, [_not_there(folder)]
    except UnicodeDecodeError:
        return None, [Problem(FILE, "it is not plain UTF-8 text.", "Save it again as UTF-8.")]
    except tomllib.TOMLDecodeError as error:
        do = "Look there for a missing quotation mark (it must be a straight one), bracket or equals sign."
        return None, [Problem(FILE, f"it cannot be read: {error}.", do)]
    except (ValueError, RecursionError):
        what = "it holds a number of thousands of digits, or brackets or keys within each other without end."
        return None, [Problem(FILE, what, "Take that out.")]
    if hidden:
        return None, hidden
    try:
        settings = TrialSettings.model_validate(raw)
    except ValidationError as error:
        found = [_problem(item, raw) for item in error.errors()]
        # each member of a union complains of the same key
        return None, list({problem.column: problem for problem in reversed(found)}.values())[::-1]
    problems = misfits(settings)
    return (None if problems else settings), problems


def _not_there(folder: Path) -> Problem:
    """The folder holds no trial; those of its sub-folders that do are named."""
    trials = sorted(path.parent.name for path in folder.glob(f"*/{FILE}"))
    do = "Write one with: fizzlab new FOLDER."
    if trials:
        do = f"Name a trial in it: it holds {', '.join(trials[:3])}{' and more' if len(trials) > 3 else ''}."
    return Problem(FILE, f"it is not in the folder {folder.resolve().name}.", do)


def _texts(raw: object, place: _Place = ()) -> Iterator[tuple[_Place, str]]:
    """Every text of the file, keys too, with its place."""
    if isinstance(raw, str):
        yield place, raw
    elif isinstance(raw, dict):
        for key, value in raw.items():
            yield (*place, key), key
            yield from _texts(value, (*place, key))
    elif isinstance(raw, list):
        for i, value in enumerate(raw):
            yield from _texts(value, (*place, i))


def _hidden_sign(place: _Place, text: str) -> Problem:
    what = f"a sign that cannot be seen or printed stands in “{_HIDDEN.sub('�', text)[:40]}”."
    key = ".".join(_HIDDEN.sub("�", str(part)) for part in place)
    return Problem(FILE, what, "Type the text again.", column=f"key {key}")


def _problem(item: Any, raw: dict[str, Any]) -> Problem:
    """Say one pydantic complaint in plain words."""
    place, kind, given = item["loc"], item["type"], item["input"]
    what, do = f"{item['msg'][0].lower()}{item['msg'][1:]} (it says {repr(given)[:60]}).", "Change it."
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


def _spoken(place: Sequence[str | int], raw: Any) -> str:
    """A key with dots; an entry of a list is called by its name, or counted from one."""
    said = ""
    for part in place:
        if isinstance(part, int) and isinstance(raw, list):
            raw = raw[part]
            name = raw.get("name") if isinstance(raw, dict) else None
            said += f" ({name if isinstance(name, str) else part + 1})"
        elif isinstance(raw, dict):  # else pydantic's name for a member of a union
            raw = raw.get(part)
            said += f".{part}" if said else str(part)
    return said


def _keys_beside(place: Sequence[str | int]) -> list[str]:
    """The keys that are known at a place in the file."""
    here: type[Section] = TrialSettings
    for part in place:
        field = here.model_fields.get(str(part))
        here = (_section_in(field.annotation) if field else None) or here
    return list(here.model_fields)


def _section_in(kind: Any) -> type[Section] | None:
    """The section that an annotation holds, in a list, a table or a union or not."""
    if isinstance(kind, type) and issubclass(kind, Section):
        return kind
    return next(filter(None, map(_section_in, typing.get_args(kind))), None)
