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
