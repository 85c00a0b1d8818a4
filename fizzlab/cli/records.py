"""The command `fizzlab records`: what was made, what it was made from, and whether it still stands."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import click

from fizzlab.cli.saying import FOLDER, in_sentences


class RecordNumber(click.ParamType[int]):
    """The number of a record; its whole name is not taken, since a ledger holds one trial's numbers only."""

    name = "number"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> int:
        if not str(value).isdecimal():
            alone = str(value).rpartition("-")[2]
            such = f" alone: {alone}" if alone.isdecimal() else ", such as 1"
            self.fail(f"“{value}” is not a number. Write the record's number{such}.", param, ctx)
        return int(value)


NUMBER = click.argument("number", type=RecordNumber())


@click.group(short_help="List, find, show, verify, correct, sign.")
def records() -> None:
    """List, find, show, verify, correct and sign the records of a trial."""


@records.command("list")
@FOLDER
def list_(folder: Path) -> None:
    """List the records of the trial in FOLDER, or of each trial in it."""
    with in_sentences():
        from fizzlab import records as kept
        from fizzlab.records.text import record_list

        found = kept.summaries(folder)
        for line in record_list(found) if found else []:
            click.echo(line)
        if not found:
            click.echo("No report has been made yet.", err=True)
        for trial in kept.trials_with_records(folder):
            if not kept.is_sound(trial):
                what = "its ledger or the folders beside it do not agree; see: fizzlab records verify"
                click.echo(f"{trial}: {what} {trial}", err=True)


@records.command()
@FOLDER
@click.argument("words", nargs=-1)
@click.option("--lot", default="", help="A lot of an ingredient, as trial.toml names it.")
def find(folder: Path, words: tuple[str, ...], lot: str) -> None:
    """Find records in FOLDER, a trial or a folder of trials, in which all WORDS stand.

    Looks in titles, questions, factors, findings, notes, lots, deviations and corrections.
    """
    with in_sentences():
        from fizzlab import records as kept
        from fizzlab.records.text import found_lines

        found = kept.find(folder, words, lot=lot)
        for line in found_lines(found):
            click.echo(line)
        if not found:
            click.echo("No record was found.", err=True)
            sys.exit(1)


@records.command()
@FOLDER
@NUMBER
def show(folder: Path, number: int) -> None:
    """Show record NUMBER of the trial in FOLDER in plain text, with its corrections."""
    with in_sentences():
        from fizzlab import records as kept
        from fizzlab.records.text import record_in_full

        summary = kept.one(folder, number)
        ledger = kept.read_ledger(kept.records_home(folder))
        for line in record_in_full(summary, ledger, kept.since_the_one_before(folder, number)):
            click.echo(line)


@records.command()
@FOLDER
@click.option("--hash", "known", default="", help="A hash of the ledger that you kept elsewhere.")
def verify(folder: Path, known: str) -> None:
    """Check that the records in FOLDER and their ledger are as they were made, and the readings too.

    FOLDER is a trial, or a folder of trials.
    """
    with in_sentences():
        from fizzlab import records as kept

        trials = kept.trials_with_records(folder)
        sound = [_say_verified(trial, known, several=len(trials) > 1) for trial in trials]
        if not all(sound):
            sys.exit(1)


def _say_verified(trial: Path, known: str, *, several: bool) -> bool:
    from fizzlab import records as kept
    from fizzlab.errors import count

    found = kept.verify(trial, known=known)
    which = f"{trial}: " if several else ""
    for fault in found.faults:
        click.echo(f"{which}{fault.sentence}")
    for note in found.notes:
        click.echo(f"{which}{note}", err=True)
    ledger = found.ledger
    held = f"{count(len(ledger.reports()), 'record')}, {count(len(ledger.lines), 'entry', 'entries')}, "
    held += f"last hash {ledger.last}"
    if found.faults:
        things = count(len(found.faults), "thing does", "things do")
        click.echo(f"\n{which}{things} not agree ({held}).")
        return False
    click.echo(f"{which}All is well: {held}")
    return True


@records.command()
@FOLDER
@NUMBER
@click.option("--reason", required=True, help="What is wrong, and why.")
@click.option("--by", required=True, help="Who says so.")
@click.option("--says", default="", help="How it should read instead.")
def correct(folder: Path, number: int, reason: str, by: str, says: str) -> None:
    """Add a correction to record NUMBER of the trial in FOLDER; the record itself stays as it is."""
    with in_sentences():
        from fizzlab import records as kept

        entry = kept.correct(kept.records_home(folder), number, reason=reason, by=by, says=says)
        click.echo(f"Record {entry.record}: the correction is entry {entry.entry} of the ledger.")


@records.command()
@FOLDER
@NUMBER
@click.option("--checked-by", required=True, help="Who checked it.")
@click.option("--date", default="", help="When it was checked, as 2026-01-31; today if not given.")
def sign(folder: Path, number: int, checked_by: str, date: str) -> None:
    """Say that record NUMBER of the trial in FOLDER was checked."""
    with in_sentences():
        from fizzlab import records as kept

        home = kept.records_home(folder)
        entry = kept.sign(home, number, checked_by=checked_by, date=kept.day_of(date))
        click.echo(f"Record {entry.record}: checked by {entry.by} on {entry.date}, entry {entry.entry}.")
