"""The command `fizzlab records`: what was made, what it was made from, and whether it still stands."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from fizzlab.saying import in_sentences

FOLDER = click.argument("folder", type=click.Path(path_type=Path))


@click.group()
def records() -> None:
    """List, find, show, verify, correct and sign the records of a trial."""


@records.command()
@FOLDER
@click.option("--hash", "known", default="", help="A hash of the ledger that you kept elsewhere.")
def verify(folder: Path, known: str) -> None:
    """Check that the records in FOLDER and their ledger are as they were made, and the readings too."""
    with in_sentences():
        from fizzlab.records import verify as check

        found = check(folder, known=known)
        for fault in found.faults:
            click.echo(fault)
        for note in found.notes:
            click.echo(note, err=True)
        held = f"{found.records} records, {found.entries} entries, last hash {found.last}"
        if found.faults:
            click.echo(f"\n{len(found.faults)} do not agree ({held}).")
            sys.exit(1)
        click.echo(f"All is well: {held}")


@records.command()
@FOLDER
@click.argument("number", type=int)
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
@click.argument("number", type=int)
@click.option("--checked-by", required=True, help="Who checked it.")
@click.option("--date", default="", help="When it was checked, as 2026-01-31; today if not given.")
def sign(folder: Path, number: int, checked_by: str, date: str) -> None:
    """Say that record NUMBER of the trial in FOLDER was checked."""
    with in_sentences():
        from fizzlab import records as kept

        day = kept.day_of(date)
        entry = kept.sign(kept.records_home(folder), number, checked_by=checked_by, date=day)
        click.echo(f"Record {entry.record}: checked by {entry.by} on {entry.date}, entry {entry.entry}.")
