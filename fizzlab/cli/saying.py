"""What a command says when something is wrong: sentences on standard error and an exit code, no traceback."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from fizzlab.errors import FizzlabError, Problem

FOLDER = click.argument("folder", type=click.Path(path_type=Path))
PAPER = click.Choice(["a4", "letter"], case_sensitive=False)


@contextmanager
def in_sentences() -> Iterator[None]:
    """Turn every expected failure into sentences on standard error and an exit code."""
    from fizzlab.errors import FizzlabError

    try:
        yield
    except (FizzlabError, OSError) as error:
        say_trouble(error)
        sys.exit(2)
    except click.Abort:  # a question that nobody answered
        click.echo("\nNot confirmed; nothing was written.", err=True)
        sys.exit(2)
    except KeyboardInterrupt:
        click.echo("\nStopped. Nothing half-written was kept.", err=True)
        sys.exit(130)


def say_trouble(error: FizzlabError | OSError) -> None:
    from fizzlab.errors import BadInput

    if isinstance(error, BadInput):
        _say_problems(error.problems)
    elif isinstance(error, OSError):
        place = f" ({error.filename})" if error.filename else ""
        click.echo(f"The computer refused: {error.strerror or error}{place}. Nothing was kept.", err=True)
    else:
        click.echo(str(error), err=True)


def _say_problems(found: tuple[Problem, ...]) -> None:
    hard = [problem for problem in found if problem.weight == "problem"]
    doubts = [problem for problem in found if problem.weight == "doubt"]
    for problem in hard:
        click.echo(str(problem), err=True)
    if hard:
        noun = "problem" if len(hard) == 1 else "problems"
        click.echo(f"\n{len(hard)} {noun} to mend first; nothing was written.", err=True)
    say_doubts(doubts, err=bool(hard))


def say_doubts(doubts: list[Problem], *, err: bool = False) -> None:
    if doubts:
        click.echo("\nDoubts, for you to look at:", err=err)
        for doubt in doubts:
            click.echo(f"  {doubt}", err=err)
