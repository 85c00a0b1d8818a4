"""The commands `fizzlab pack` and `fizzlab unpack`."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from fizzlab.cli.saying import FOLDER, named
from fizzlab.language import say

TO = click.option("--to", type=click.Path(path_type=Path), callback=named, help="What to write.")


@click.command(short_help="One zip of a whole trial.")
@FOLDER
@TO
def pack(folder: Path, to: Path | None) -> None:
    """Pack the trial in FOLDER, with tables, photos, records and ledger, into one zip beside it."""
    from fizzlab.records.pack import pack as packed

    path, files = packed(folder, to)
    click.echo(say("packed", path=path, files=files, name=path.name))


@click.command(short_help="Open a packed trial elsewhere.")
@click.argument("archive", type=click.Path(path_type=Path))
@TO
def unpack(archive: Path, to: Path | None) -> None:
    """Take a trial out of ARCHIVE into a new folder, and verify every file and its records."""
    from fizzlab.records.pack import unpack as unpacked

    folder, faults = unpacked(archive, to)
    click.echo(say("unpacked", folder=folder))
    for fault in faults:
        click.echo(say("so_before_packed", fault=fault), err=True)
    sys.exit(1 if faults else 0)
