"""The command `fizzlab new`: the questions of questions.toml, asked in the terminal."""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import replace
from itertools import count
from pathlib import Path

import click

from fizzlab.cli.saying import FOLDER
from fizzlab.errors import BadInput, Problem, did_you_mean
from fizzlab.trial.asking import ASKS, NAMED, NUMBERS, Answers, Ask, Row

Command = Callable[..., None]


def _options(command: Command) -> Command:
    """An option for each question with one answer."""
    for key, ask in reversed(ASKS.items()):
        if ask.kind != "rows":
            command = click.option(ask.flag, key.replace(".", "__"), metavar="TEXT", help=ask.words)(command)
    return command


@click.command(short_help="Start a trial.")
@FOLDER
@click.option("--levels", multiple=True, metavar="NAME=A,B,C", help="What is changed, by named ways.")
@click.option("--amounts", multiple=True, metavar="NAME=1,2,3:UNIT", help="What is changed in amount.")
@_options
def new(folder: Path, levels: tuple[str, ...], amounts: tuple[str, ...], **told: str | None) -> None:
    """Start a trial in FOLDER: a commented trial.toml, by answers.

    What no option says is asked; whoever gives the title, the question and what is changed is asked no more.
    """
    from fizzlab.bench.trying import try_out
    from fizzlab.trial.new import refuse, write

    refuse(folder)
    answers = Answers({key.replace("__", "."): said.strip() for key, said in told.items() if said})
    rows = [_row(each, NAMED) for each in levels] + [_row(each) for each in amounts]
    answers = answers.tell("factors", tuple(rows)) if rows else answers
    named = {"title", "question"} <= {*answers.told}
    if sys.stdin.isatty() or not named:
        answers = _interview(answers, folder.resolve().name, short=named and bool(rows))
    tried = try_out(answers, code=folder.resolve().name)
    if tried.draft.faults:
        flag = {"factors": "--levels" if levels else "--amounts"}
        places = [
            (flag.get(key) or ASKS.get(key, ASKS["plan.kind"]).flag, p) for key, p in tried.draft.faults
        ]
        raise BadInput(replace(problem, where=f"option {flag}", column=None) for flag, problem in places)
    written = write(folder, tried.draft)
    click.echo("\n".join(map(str, written)))
    if tried.faults:
        click.echo(f"\n{tried.faults[0][1]}")
    named = f'"{folder}"' if " " in str(folder) else str(folder)
    edit = "Plan" if tried.planned else f"Edit {written[0]}, then plan"
    click.echo(f"\n{edit} the batches with: fizzlab plan {named}")


def _row(option: str, unit: str = "") -> Row:
    name, _, values = option.partition("=")
    if not unit:
        values, _, unit = values.partition(":")
    return {"name": name.strip() or "?", "values": values.strip(), "unit": unit.strip()}


def _interview(answers: Answers, code: str, *, short: bool) -> Answers:
    """Ask what is open, and whatever does not fit again with the reason; what was answered stays."""
    from fizzlab.bench.trying import try_out
    from fizzlab.trial.new import draft, reason

    done = {*answers.told, *answers.rows, *(ASKS if short else ())}
    click.echo("Return takes what stands in [brackets], or leaves it open; a - leaves it empty.")
    unfit = {*answers.told} - {ask.key for ask in answers.asked()}
    while True:
        fit = answers.fitting()
        open_ = [a for a in answers.asked() if a.key not in done and (not a.seldom or answers.default(a.key))]
        faults = [(key, problem) for key, problem in draft(fit, code=code).faults if key in done]
        if not (faults or open_):
            if unfit and "plan.kind" in done:
                flags = ", ".join(ASKS[key].flag for key in unfit)
                click.echo(f"\nA plan of the kind “{answers.kind}” has no use for {flags}.")
                unfit, open_ = set(), [ASKS["plan.kind"]]
            else:
                tried = try_out(fit, code=code)
                faults = list(tried.faults)
        if faults:
            for problem in dict.fromkeys(problem for _, problem in faults):
                click.echo(f"\n{reason(problem)}")
            open_ = [ask for ask in answers.asked() if ask.key in {key for key, _ in faults}]
            for ask in open_:  # what cannot be is not offered again
                answers = answers if ask.kind == "rows" else answers.tell(ask.key, "")
            if not open_:  # no answer alone is at fault: those that say how many batches there are
                open_ = [ask for ask in answers.asked() if ask.key.startswith("plan.") and _sizes(ask)]
        for ask in open_ if faults else open_[:1]:
            answers = _asked(answers, ask)
            done.add(ask.key)
        if not (faults or open_):
            for heading, lines in tried.told().items():
                click.echo("\n".join(["", heading, *(f"  {line}" for line in lines)]))
            names = {ask.name: ask for ask in answers.asked()}
            said = "" if short else _prompt("\nReturn writes it. To change an answer, name it (names: ?)", "")
            if not said:
                return fit
            if said not in names:
                click.echo(did_you_mean(said, names, f"The answers are: {', '.join(names)}."))
            else:
                answers = _asked(answers, names[said])


def _sizes(ask: Ask) -> bool:
    return (ask.kind == "whole" and (not ask.seldom) and ask.name != "pieces") or ask.name == "kind"


def _asked(answers: Answers, ask: Ask) -> Answers:
    """Put one question."""
    click.echo("")
    for name, words in answers.choices(ask.key).items():
        click.echo(f"  {name}: {words}")
    if ask.kind != "rows":
        return answers.tell(ask.key, _prompt(ask.words, answers.text(ask.key), ask.example))
    click.echo(ask.words + (f" {ask.say}" if ask.say else ""))
    return answers.tell(ask.key, tuple(_lines(answers, ask)))


def _lines(answers: Answers, ask: Ask) -> list[Row]:
    """The lines of an answer; one that does not fit is asked again with the reason."""
    from fizzlab.trial.new import draft, reason

    rows: list[Row] = []
    before = answers.rows.get(ask.key, ())
    for place in count():
        row = dict(before[place]) if place < len(before) else {}
        problems: list[Problem] = []
        while True:
            for each in ask.fields:
                if not _needed(each.key, row, answers):
                    continue
                choices = answers.choices(f"{ask.key}.{each.key}")
                if choices and not rows:
                    click.echo("\n".join(f"  {name or 'return'}: {words}" for name, words in choices.items()))
                row[each.key] = _prompt(f"  {each.words}", row.get(each.key, ""), each.example)
                if not row["name"]:
                    break
            fit = answers.tell(ask.key, (*rows, row)).fitting()
            problems = [problem for key, problem in draft(fit).faults if key == ask.key]
            if not row["name"] or not problems:
                break
            click.echo("\n".join(map(reason, problems)))
        if row["name"]:
            rows.append(row)
        elif place >= len(before):
            return rows
    return rows


def _needed(field: str, row: Row, answers: Answers) -> bool:
    """Is this part of a line to be asked, by what was said before?"""
    if field == "unit":
        return bool(NUMBERS.fullmatch(row.get("values", ""))) and row.get("unit") != NAMED
    return bool(
        answers.rows.get("factors") if field == "goes" else row.get("best") if field == "worst" else True
    )


def _prompt(words: str, default: str, example: str = "") -> str:
    """The answer; a - leaves it empty."""
    such = f" (such as {example})" if example and not default else ""
    said: str = click.prompt(f"{words}{such}", default=default, show_default=bool(default))
    return "" if said.strip() == "-" else said.strip()
