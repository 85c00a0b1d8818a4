"""All that is said to a maker: one file a language, as ``en.toml`` beside this module, and how it is said.

Code names a sentence and what fills it, ``say("keep", name="gum + dye")``; the order of the words, the
plural and how words are listed are the language's own. What a language has not translated is said in English.
"""

from __future__ import annotations

import gettext
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from contextvars import ContextVar
from datetime import date, datetime
from functools import cache
from pathlib import Path
from typing import Any

HERE = Path(__file__).parent

ENGLISH = "en"

_spoken: ContextVar[str | None] = ContextVar("language", default=None)
_otherwise = [ENGLISH]


def languages() -> list[str]:
    """The languages that a report can be written in."""
    return sorted(path.stem for path in HERE.glob("*.toml"))


def spoken() -> str:
    """The language that is spoken."""
    return _spoken.get() or _otherwise[-1]


def speak_on(language: str) -> None:
    """Say everything in a language from here on, wherever no other is being spoken: as in a notebook."""
    _otherwise[-1] = language


@contextmanager
def speaking(language: str) -> Iterator[None]:
    """Say everything in a language; works as a decorator too."""
    before = _spoken.set(language)
    try:
        yield
    finally:
        _spoken.reset(before)


@cache
def texts(language: str) -> Mapping[str, Any]:
    """Every text of a language by its name; one with a plural is a list of forms.

    The sections of the file are for whoever reads it, but for those of the measures: ``measure.dry_h.label``.
    """
    found = dict[str, Any]()
    for section, entries in tomllib.loads((HERE / f"{language}.toml").read_text(encoding="utf-8")).items():
        for name, text in entries.items():
            more = text.items() if isinstance(text, Mapping) else ()
            found |= {f"{section}.{name}.{key}": each for key, each in more} if more else {name: text}
    return found


def _found(name: str) -> tuple[str, Any]:
    """The language that has a text, spoken or else English, and the text; None where neither has."""
    for language in (spoken(), ENGLISH):
        if name in texts(language):
            return language, texts(language)[name]
    return ENGLISH, None


def wording(name: str, otherwise: str | None = None) -> Any:
    """A text as it stands in the file of its language; `otherwise` where it stands in none."""
    text = _found(name)[1]
    if text is None and otherwise is None:
        raise KeyError(name)
    return otherwise if text is None else text


def translated(text: str) -> str:
    """An English text of a data file, such as measures.toml; a language has it under that text itself."""
    return str(wording(text, text))


def lines(name: str, /, **filled: Any) -> list[str]:
    """The lines of a text by its name, filled in; of one that has plural forms, of the form for `n`."""
    text = wording(name)
    if isinstance(text, list):
        plural = texts(_found(name)[0])["plural"]
        text = text[int(gettext.c2py(plural)(filled["n"]))]
    return [str(line.format(**filled)) for line in text.split("\n")]


def say(sentence: str, /, **filled: Any) -> str:
    """A sentence by its name, filled in; of one that has plural forms, the form for `n`.

    >>> say("n_batches", n=1), say("n_batches", n=12)
    ('1 batch', '12 batches')
    """
    return "\n".join(lines(sentence, **filled))


def listed(words: Sequence[str], last: str = "and") -> str:
    """Words in a row: ``pearl, dye and lake``; `last` may be "or"."""
    if len(words) <= 1:
        return "".join(words)
    return say(f"list_{last}", first=wording("comma").join(words[:-1]), last=words[-1])


def dayed(at: datetime, form: str = "weekday_date") -> str:
    """Some day soon, ``Mon 3 May``; with its hour, ``Mon 03 May 08:30``, by the form "weekday_clock"."""
    weekday, month = wording("weekdays")[at.weekday()], wording("months")[at.month - 1]
    return say(form, weekday=weekday, day=at.day, short=month[:3], at=at)


def dated(day: date, form: str = "date") -> str:
    """A date in words: ``3 May 2027``; without its year by the form "short_date"."""
    month = wording("months")[day.month - 1]
    return say(form, day=day.day, month=month, short=month[:3], year=day.year)
