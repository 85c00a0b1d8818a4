"""The command `fizzlab records`: what was made, what it was made from, and whether it still stands."""

from __future__ import annotations

import gc
import sys
from pathlib import Path
from typing import Any

import click

from fizzlab.cli.saying import FOLDER
from fizzlab.errors import count

ELSEWHERE = click.Path(exists=True, file_okay=False, path_type=Path)
NUMBER = click.argument("number", type=click.IntRange(min=1))


@click.group(short_help="List, find, show, verify, correct, sign, seal, adopt.")
@click.pass_context
def records(context: click.Context) -> None:
    """List, find, show, verify, correct, sign, seal and adopt the records of a trial."""
    gc.disable()  # all that is read is kept to the end, and to look through it again and again is in vain
    context.call_on_close(gc.enable)


@records.command("list")
@FOLDER
def list_(folder: Path) -> None:
    """List the records of the trial in FOLDER, or of each trial in it."""
    from fizzlab import records as kept
    from fizzlab.records.text import record_list

    found = kept.summaries(folder)
    click.echo("\n".join(record_list(found)) if found else "No report has been made yet.", err=not found)


@records.command()
@FOLDER
@click.argument("words", nargs=-1)
@click.option("--lot", default="", help="A lot of an ingredient, as trial.toml names it.")
def find(folder: Path, words: tuple[str, ...], lot: str) -> None:
    """Find records in FOLDER, a trial or a folder of trials, in which all WORDS stand.

    Looks in titles, questions, factors, findings, notes, lots, deviations and corrections.
    """
    from fizzlab import records as kept
    from fizzlab.records.text import found_lines

    found = kept.find(folder, words, lot=lot)
    click.echo("\n".join(found_lines(found)) if found else "No record was found.", err=not found)
    sys.exit(0 if found else 1)


@records.command()
@FOLDER
@NUMBER
def show(folder: Path, number: int) -> None:
    """Show record NUMBER of the trial in FOLDER in plain text, with its corrections."""
    from fizzlab import records as kept
    from fizzlab.records.text import record_in_full

    click.echo("\n".join(record_in_full(kept.one(folder, number))))


@records.command()
@FOLDER
@click.option("--hash", "known", default="", help="A hash that you kept elsewhere, or that a page prints.")
@click.option(
    "--trust", type=ELSEWHERE, help="Folder of the allowed_signers and authority.pem that you know."
)
def verify(folder: Path, known: str, trust: Path | None) -> None:
    """Check that the records in FOLDER and their ledger are as they were made, and the readings too.

    FOLDER is a trial, a folder of trials, or one record, which may be a copy elsewhere.
    """
    from fizzlab import records as kept

    trials, faults = kept.trials_with_records(folder), 0
    for trial in trials:
        found = kept.verify(trial, known=known, trust=trust)
        which, ledger = f"{trial}: " if len(trials) > 1 else "", found.ledger
        held = f"{count(len(ledger.reports()), 'record')}, {count(len(ledger.lines), 'entry', 'entries')}, "
        held += f"last hash {ledger.last}"
        for fault in found.faults:
            click.echo(f"{which}{fault.sentence}")
        if found.faults:
            things = count(len(found.faults), "thing does", "things do")
            click.echo(f"\n{which}{things} not agree ({held}).")
        else:
            click.echo(f"{which}All is well: {held}")
        for note in found.notes:
            click.echo(f"{which}{note}")
        faults += len(found.faults)
    sys.exit(1 if faults else 0)


@records.command()
@FOLDER
@NUMBER
@click.option("--reason", required=True, help="What is wrong, and why.")
@click.option("--by", required=True, help="Who says so.")
@click.option("--says", default="", help="How it should read instead.")
def correct(folder: Path, number: int, **told: str) -> None:
    """Add a correction to record NUMBER of the trial in FOLDER; the record itself stays as it is."""
    from fizzlab import records as kept

    entry = kept.correct(kept.records_home(folder), number, **told)
    click.echo(f"Record {entry.record}: the correction is entry {entry.entry} of the ledger.")


@records.command()
@FOLDER
@NUMBER
@click.option("--checked-by", required=True, help="Who checked it.")
@click.option("--date", default="", help="When it was checked, as 2026-01-31; today if not given.")
def sign(folder: Path, number: int, **told: str) -> None:
    """Say that record NUMBER of the trial in FOLDER was checked."""
    from fizzlab import records as kept

    entry = kept.sign(kept.records_home(folder), number, **told)
    click.echo(f"Record {entry.record}: checked by {entry.by} on {entry.date}, entry {entry.entry}.")


@records.command()
@FOLDER
@click.option("--reason", required=True, help="Why what does not agree is right all the same.")
@click.option("--by", default="", help="Who says so.")
def adopt(folder: Path, **told: str) -> None:
    """Accept what is wrong with the ledger in FOLDER, and enter whole records that have no line in it."""
    from fizzlab import records as kept

    entry = kept.adopt(kept.records_home(folder), **told)
    click.echo("\n".join(f"Adopted: {said}" for said in entry.adopted()))


@records.command()
@FOLDER
@click.option("--key", required=True, envvar="FIZZLAB_SEAL_KEY", type=click.Path(path_type=Path))
@click.option("--stamp", is_flag=True, help="Write a request for a time stamp (RFC 3161) too.")
def seal(folder: Path, **told: Any) -> None:
    """Seal the ledger in FOLDER up to its last line with your own SSH key.

    Where FIZZLAB_SEAL_KEY names the key, every later entry is sealed as it is made.
    """
    from fizzlab import records as kept

    line, asked = kept.seal(kept.records_home(folder), **told)
    click.echo(f"Sealed up to line {line}.")
    if asked:
        reply = f"keep its reply beside it as {asked.stem}.tsr"
        click.echo(f"Send {asked} to a time authority, and {reply}.")
