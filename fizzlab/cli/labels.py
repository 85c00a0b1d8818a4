"""The command `fizzlab labels`."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from fizzlab.cli.saying import FOLDER, PAPER

MM: dict[str, Any] = {"nargs": 2, "show_default": True}
LABEL, EDGE = click.FloatRange(5, 300), click.FloatRange(0, 100)


@click.command(short_help="Labels with blind codes, to print.")
@FOLDER
@click.option("--size", type=LABEL, default=(70, 37), help="Width and height of a label in mm.", **MM)
@click.option("--gap", type=EDGE, default=(0, 0), help="From label to label, across and down, in mm.", **MM)
@click.option("--margin", type=EDGE, default=(0, 0), help="Left and right, top and bottom, in mm.", **MM)
@click.option("--paper", type=PAPER, help="Paper of the sheets; else that of trial.toml, or A4.")
@click.option("--pieces", type=click.IntRange(0, 100), help="Pieces of a batch, or 0; else as planned.")
@click.option("--address", default="", help="Of the bench: each label gets a QR code that opens its tray.")
def labels(folder: Path, **asked: Any) -> None:
    """Write the labels of the trays and pieces in FOLDER: blind codes, which tell nothing of the recipe."""
    from fizzlab.bench.labels import write_labels

    click.echo(write_labels(folder, **asked))
