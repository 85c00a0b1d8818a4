"""What a command says when something is wrong: sentences on standard error and an exit code, no traceback."""

from __future__ import annotations

import os
import sys
import threading
from collections.abc import Sequence
from contextlib import suppress
from functools import partial
from pathlib import Path
from typing import Any

import click

from fizzlab.errors import BadInput, FizzlabError, Problem, hard
from fizzlab.language import say, speaking
from fizzlab.trial.journal import JOURNAL, Journal
from fizzlab.trial.placing import refuse_records


class TrialFolder(click.Path):
    """A trial's folder, or one that holds several; what waits at the bench is put into the tables first."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Path:
        folder = Path(str(super().convert(value, param, ctx)))
        for path in (folder, *folder.glob("*/")):
            with suppress(FizzlabError, OSError):  # whoever loads the trial says what still waits
                if (path / JOURNAL).exists() and Journal.open(path).waiting():
                    refuse_records(path)  # what stands there is never changed
                    from fizzlab.bench.logbook import Logbook

                    Logbook(path)
        return folder


def _in_its_language(ctx: click.Context, _: click.Parameter, said: Any) -> Any:
    """Speak the language of the trial, or of all of them, until the command ends, in its trouble too."""
    from fizzlab.trial.opening import language_of

    asked = {language_of(folder) for folder in (said if isinstance(said, tuple) else (said,))}
    if len(asked) == 1:
        ctx.find_root().with_resource(speaking(*asked))
    return said


folder_argument = partial(click.argument, type=TrialFolder(), callback=_in_its_language)
FOLDER = folder_argument("folder")


def named(_: click.Context, option: click.Parameter, said: Any) -> Any:
    """Refuse an option that names nothing, such as ``--to ""``."""
    if said is not None and (said == Path() or not str(said).strip()):
        raise click.BadParameter(say("names_nothing"), param=option)
    return said


PAPER = click.Choice(["a4", "letter"], case_sensitive=False)


class InSentences(click.Group):
    """Commands of which every expected failure is sentences and exit code 2."""

    def invoke(self, ctx: click.Context) -> Any:
        try:
            return super().invoke(ctx)
        except (FizzlabError, OSError) as error:
            say_trouble(error)
        except click.Abort:  # a question that nobody answered
            click.echo(f"\n{say('not_confirmed')}", err=True)
        except KeyboardInterrupt:
            click.echo(f"\n{say('stopped')}", err=True)
            if threading.active_count() > 1:  # not waited for; the next command sweeps what they leave
                os._exit(130)
            sys.exit(130)
        sys.exit(2)


def say_trouble(error: FizzlabError | OSError) -> None:
    """Every problem of an input, then how many there are; any other trouble in its own sentence."""
    if isinstance(error, BadInput):
        wrong = hard(error.problems)
        for problem in wrong:
            click.echo(problem, err=True)
        say_doubts([problem for problem in error.problems if problem.weight == "doubt"], err=bool(wrong))
        if wrong:
            click.echo(f"\n{say('problems_to_mend', n=len(wrong))}", err=True)
    elif isinstance(error, OSError):
        place = f" ({error.filename})" if error.filename else ""
        click.echo(say("computer_refused", error=f"{error.strerror or error}{place}"), err=True)
    else:
        click.echo(error, err=True)


def say_step(step: str) -> None:
    """What is being done, for whoever waits."""
    click.echo(f"{step.capitalize()} …", err=True)


def say_doubts(doubts: Sequence[Problem], *, err: bool = False) -> None:
    """What looks odd, under a heading."""
    for line in [f"\n{say('doubts_to_look_at')}"] * bool(doubts) + [f"  {doubt}" for doubt in doubts]:
        click.echo(line, err=err)
