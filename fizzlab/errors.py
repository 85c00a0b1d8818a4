"""The one way of saying what is wrong and how to mend it.

Everything a maker can run into is one of two things: their *input* has a problem, which is
listed with file, row, column and mend (`Problem`, raised together as `BadInput`); or the
*numbers* cannot carry the answer that was asked for (`CannotAnswer`). Both are `FizzlabError`,
which the command turns into sentences and exit code 2, never a traceback. `problem`, `refuse` and `cannot`
make them of a name: its text in the file of the language has two lines, what is wrong and what to do.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from difflib import get_close_matches
from typing import Any, Literal

from fizzlab.language import lines, say

Weight = Literal["problem", "doubt"]

#: Signs that no one can see or type, that a terminal may obey, and that neither a workbook nor a page holds.
HIDDEN = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\ufffe\uffff]")


@dataclass(frozen=True)
class Problem:
    """One thing that is wrong, which stops the work, or looks odd, a doubt carried into the report.

    `where` is the file, or file and sheet, as the maker knows it: ``"readings.xlsx, sheet touch_checks"``.
    `what` is wrong and what to `do` are a plain sentence each. `row` is as a spreadsheet numbers it: the
    header is row 1. `column` may be a key in trial.toml. A doubt about a `reading` is one without which the
    trial is analysed once more, and one about what is `missing` is no fault of what is there.

    >>> print(Problem("runs.csv", "the mass is negative.", "Weigh it again.", row=4, column="mass_g"))
    runs.csv, row 4, column mass_g: the mass is negative. Weigh it again.
    """

    where: str
    what: str
    do: str
    row: int | None = None
    column: str | None = None
    weight: Weight = "problem"
    reading: bool = False
    missing: bool = False

    @property
    def place(self) -> str:
        """Where it stands: the file with row and column."""
        row = "" if self.row is None else f", {say('at_row', row=self.row)}"
        column = say("at_column", column=self.column) if row else self.column
        return HIDDEN.sub("�", f"{self.where}{row}{'' if self.column is None else f', {column}'}")

    def __str__(self) -> str:
        return HIDDEN.sub("�", f"{self.place}: {self.what} {self.do}".rstrip())


class FizzlabError(Exception):
    """Root of every exception that fizzlab raises on purpose; each survives being sent between processes."""

    def __reduce__(self) -> tuple[Any, ...]:
        return _again, (type(self), self.args, self.__dict__)

    def _render_traceback_(self) -> list[str]:
        """What a notebook shows instead of a traceback: the sentences alone."""
        return str(self).splitlines()


def _again(kind: type[FizzlabError], args: tuple[Any, ...], state: dict[str, Any]) -> FizzlabError:
    """Rebuild an unpickled error as it was, without asking its `__init__` for what it was made from."""
    error = kind.__new__(kind, *args)
    error.args = args
    error.__dict__.update(state)
    return error


class BadInput(FizzlabError):
    """The input cannot be used; carries every problem found, never only the first."""

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems = tuple(problems)
        super().__init__("\n".join(str(problem) for problem in self.problems))


class CannotAnswer(FizzlabError):
    """The readings cannot carry the answer: why, and what reading would help, as a plain sentence each.

    >>> print(CannotAnswer("Every piece was still wet.", "Keep checking until some are dry."))
    Every piece was still wet. Keep checking until some are dry.
    """

    def __init__(self, why: str, would_help: str) -> None:
        self.why = why
        self.would_help = would_help
        super().__init__(f"{why} {would_help}")


class Unforeseen(CannotAnswer):
    """One thing failed in a way that nobody foresaw, a mistake of ours; all the rest goes on without it.

    >>> print(Unforeseen("dry time", ValueError("no root")).why)
    Dry time could not be worked out (ValueError: no root).
    """

    def __init__(self, what: str, error: Exception) -> None:
        told = f"{type(error).__name__}: {' '.join(str(error).split())[:200]}".removesuffix(": ")
        super().__init__(*lines("unforeseen", what=capital(what), told=told))


def problem(
    name: str, where: str, /, row: int | None = None, column: str | None = None, *, do: str = "",
    weight: Weight = "problem", reading: bool = False, missing: bool = False, **filled: Any
) -> Problem:  # fmt: skip
    """The problem of a name; where `do` is given, it takes the place of what the text says to do.

    >>> print(problem("not_utf8", "runs.csv", 4))
    runs.csv, row 4: it is not plain UTF-8 text. Save it again as “CSV UTF-8” in the spreadsheet.
    """
    what, mend = lines(name, **filled)
    return Problem(where, what, do or mend, row, column, weight, reading, missing)


def refuse(name: str, where: str, /, column: str | None = None, **filled: Any) -> BadInput:
    """The one problem of a name that stops the work."""
    return BadInput([problem(name, where, column=column, **filled)])


def cannot(refusal: str, /, **filled: Any) -> CannotAnswer:
    """The refusal of a name: why, and what would help."""
    return CannotAnswer(*lines(refusal, **filled))


def hard(found: Iterable[Problem]) -> list[Problem]:
    """Those that stop the work."""
    return [problem for problem in found if problem.weight == "problem"]


def nearest(word: str, choices: Iterable[str]) -> str | None:
    """Return the choice that `word` most likely meant, or None."""
    by_fold = {choice.casefold(): choice for choice in choices}
    found = get_close_matches(word.casefold(), by_fold, n=1, cutoff=0.55)
    return by_fold[found[0]] if found else None


def did_you_mean(word: str, choices: Iterable[str]) -> str:
    """The choice that `word` most likely meant, as a question; empty where none is near.

    >>> did_you_mean("piece_no", ["piece", "dry"]), did_you_mean("z", ["dry"])
    ('Did you mean piece?', '')
    """
    guess = nearest(word, choices)
    if guess is None:
        return ""
    return say("did_you_mean_quoted" if " " in guess else "did_you_mean", guess=guess)


def count(amount: int, noun: str, plural: str = "") -> str:
    """A counted noun: ``1 batch``, ``12 batches``."""
    return f"{amount} {noun if amount == 1 else plural or noun + 's'}"


def capital(text: str) -> str:
    """A text that begins a sentence; "pH" stays as it is."""
    return text if text[1:2].isupper() else text[:1].upper() + text[1:]
