"""Why readings carry no answer, and what would help: by name, worded in the language that is spoken."""

from __future__ import annotations

from typing import Any

from fizzlab.errors import CannotAnswer
from fizzlab.language import say


def cannot(name: str, /, **filled: Any) -> CannotAnswer:
    """The reason of a name, ``cannot.NAME`` in the file of a language, filled in."""
    return CannotAnswer(say(f"cannot.{name}.why", **filled), say(f"cannot.{name}.do", **filled))
