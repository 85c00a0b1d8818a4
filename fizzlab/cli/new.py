"""The command `fizzlab new`: the questions of questions.toml, asked in the terminal."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import click

from fizzlab.cli.saying import FOLDER
from fizzlab.errors import BadInput, refuse
from fizzlab.language import say, translated
from fizzlab.trial.asking import ASKS, NAMED, NUMBERS, Answers, Ask, Row


@click.command(short_help="Start a trial.")
@FOLDER
@click.option("--levels", multiple=True, metavar="NAME=A,B,C", help="What is changed, by named ways.")
@click.option("--amounts", multiple=True, metavar="NAME=1,2,3:UNIT", help="What is changed in amount.")
def new(folder: Path, levels: tuple[str, ...], amounts: tuple[str, ...], **told: str | None) -> None:
    """Start a trial in FOLDER: a commented trial.toml, by answers.

    What no option says is asked; whoever gives the title, the question and what is changed is asked no more.
    """
    from fizzlab.bench.trying import try_out
    from fizzlab.trial.new import write
    from fizzlab.trial.settings import FILE

    if (folder / FILE).exists():
        raise refuse("trial_there_already", str(folder / FILE))
    answers = Answers({key.replace("__", "."): said for key, said in told.items() if said})
    rows = (*(_row(each, NAMED) for each in levels), *(_row(each) for each in amounts))
    answers, code = answers.tell("factors", rows) if rows else answers, folder.resolve().name
    named = {"title", "question"} <= {*answers.told}
    if sys.stdin.isatty() or not named:
        answers = _interview(answers, code, short=named and bool(rows))
    tried = try_out(answers, code=code)
    if tried.draft.faults:
        flags = {key: ask.flag for key, ask in KEYS.items()}
        flags["factors"] = "--levels" if levels else "--amounts"
        faults = [
            (say("at_option", option=flags.get(key, "--kind")), each) for key, each in tried.draft.faults
        ]
        raise BadInput(replace(each, where=option, column=None) for option, each in faults)
    path = write(folder, tried.draft)
    doubts = [f"\n{problem.what} {problem.do}" for _, problem in tried.faults]
    called = f'"{folder}"' if " " in str(folder) else str(folder)
    then = say("then_plan" if tried.planned else "then_edit", path=path, folder=called)
    click.echo("\n".join([str(path), *doubts, f"\n{then}"]))


#: The questions that take one answer, each an option too.
KEYS = {key: ask for key, ask in ASKS.items() if ask.kind != "rows"}
for key, ask in KEYS.items():
    new.params.append(click.Option([ask.flag, key.replace(".", "__")], metavar="TEXT", help=ask.words))


def _row(option: str, unit: str = "") -> Row:
    name, _, values = option.partition("=")
    values, _, unit = (values, "", unit) if unit else values.partition(":")
    return {"name": name.strip() or "?", "values": values.strip(), "unit": unit.strip() or unit}


def _interview(answers: Answers, code: str, *, short: bool) -> Answers:
    """Ask what is open, and whatever does not fit again with the reason; what was answered stays."""
    from fizzlab.bench.trying import try_out
    from fizzlab.trial.new import draft, reason

    given, done = {*answers.told}, {*answers.told, *answers.rows, *(ASKS if short else ())}
    click.echo(say("how_to_answer"))
    while True:
        fit, asked = answers.fitting(), {ask.key: ask for ask in answers.asked()}
        open_ = [ask for key, ask in asked.items() if key not in done]
        todo = [ask for ask in open_ if not ask.seldom or answers.default(ask.key)][:1]
        faults = [(key, problem) for key, problem in draft(fit, code=code).faults if key in done]
        if not (faults or todo):
            tried = try_out(fit, code=code)
            faults = list(tried.faults)
        if faults:
            click.echo("\n".join(["", *dict.fromkeys(reason(problem) for _, problem in faults)]))
            todo = [asked[key] for key in dict.fromkeys(key for key, _ in faults) if key in asked]
            for ask in todo:  # what cannot be is not offered again
                answers = answers if ask.kind == "rows" else answers.tell(ask.key, "")
            # where no answer alone is at fault: those that say how many batches there are
            plans = (ask for key, ask in asked.items() if key.startswith("plan."))
            todo = todo or [ask for ask in plans if ask.kind in ("choice", "whole")]
        elif not todo:
            said = [say("not_used", kind=answers.kind, flag=ASKS[key].flag) for key in given - {*asked}]
            for heading, lines in {**tried.told(), "": said}.items():
                click.echo("\n".join(["", heading, *(f"  {line}" for line in lines)]))
            names = {ask.name: ask for ask in asked.values()}
            name = "" if short else _prompt(say("return_writes"))
            if not name:
                return fit
            todo = [names[name]] if name in names else []
            click.echo("" if todo else say("answers_are", names=", ".join(names)))
        for ask in todo:
            answers = _asked(answers, ask)
            done.add(ask.key)


def _asked(answers: Answers, ask: Ask) -> Answers:
    """Put one question; a line that does not fit is asked again with the reason."""
    from fizzlab.trial.new import draft, reason

    _show(answers, ask.key)
    if ask.kind != "rows":
        return answers.tell(ask.key, _prompt(translated(ask.words), answers.text(ask.key), ask.example))
    click.echo(f"{translated(ask.words)} {translated(ask.say)}")
    before, rows = [*answers.rows.get(ask.key, ())], list[Row]()
    while True:
        row = dict(before[0]) if before else {}
        for each in ask.fields:
            amounts = bool(NUMBERS.fullmatch(row.get("values", ""))) and row.get("unit") != NAMED
            needed = {"unit": amounts, "goes": bool(answers.changed), "worst": bool(row.get("best"))}
            if not needed.get(each.key, True):
                continue
            if not rows:
                _show(answers, f"{ask.key}.{each.key}")
            row[each.key] = _prompt(f"  {translated(each.words)}", row.get(each.key, ""), each.example)
            if not row["name"]:
                break
        answers = answers.tell(ask.key, (*rows, row))
        faults = [problem for key, problem in draft(answers.fitting()).faults if key == ask.key]
        if not row["name"] and not before:
            return answers
        if row["name"] and faults:
            click.echo("\n".join(map(reason, faults)))
            before[:1] = [row]
            continue
        before = before[1:]
        rows += [row] if row["name"] else []


def _show(answers: Answers, key: str) -> None:
    """The choices of a question."""
    choices = answers.choices(key).items()
    click.echo("\n".join(f"  {name}: {words}" for name, words in choices), nl=bool(choices))


def _prompt(words: str, default: str = "", example: str = "") -> str:
    """The answer; a - leaves it empty."""
    words = say("such_as", words=words, example=translated(example)) if example and not default else words
    said: str = click.prompt(words, default=default, show_default=bool(default))
    return "" if said.strip() == "-" else said.strip()
