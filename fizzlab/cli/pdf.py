"""The command `fizzlab pdf`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from fizzlab.cli.saying import PAPER, named

if TYPE_CHECKING:
    from fizzlab.report.pdf import Paper


@click.command(short_help="Print a record or a page to a PDF.")
@click.argument("page", type=click.Path(path_type=Path))
@click.option("--paper", type=PAPER, default="a4", show_default=True)
@click.option(
    "--to", type=click.Path(path_type=Path), callback=named, help="Where the PDF goes; else beside PAGE."
)
@click.option("--whole", is_flag=True, help="Of a report, print all of it, not its front page alone.")
def pdf(page: Path, paper: Paper, to: Path | None, whole: bool) -> None:
    """Print PAGE, a record's folder or an HTML page such as the bench sheet, to a PDF."""
    from fizzlab.report.pdf import print_page

    click.echo(print_page(page, to, paper=paper, whole=whole))
