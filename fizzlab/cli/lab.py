"""The commands `fizzlab lab` and `fizzlab bench`: JupyterLab on copies of the notebooks."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path
from urllib.parse import quote

import click

from fizzlab.cli.saying import FOLDER
from fizzlab.report.children import SETTINGS, jupyterlab, surroundings


@click.command(short_help="Open the notebooks in JupyterLab.")
@click.argument("folder", type=click.Path(path_type=Path), default=Path("fizzlab-notebooks"))
def lab(folder: Path) -> None:
    """Open JupyterLab on a copy of the notebooks in FOLDER (fizzlab-notebooks).

    The first, start.ipynb, lists the trials that lie beside FOLDER and opens what each needs.
    """
    home, start = folder.resolve(), put_notebooks(folder)
    _say_own(folder / "start.ipynb", start)
    sys.exit(_start(home.parent, f"lab/tree/{quote(home.name)}/{quote(start.name)}"))


@click.command(short_help="Log at the bench: buttons in JupyterLab.")
@FOLDER
@click.option("--own", is_flag=True, help="Open FOLDER's bench.ipynb even where its cells are not fizzlab's.")
def bench(folder: Path, own: bool) -> None:
    """Open the bench in JupyterLab: buttons to log the trial in FOLDER while it is made and tried."""
    from fizzlab.bench.logbook import Logbook

    for why in Logbook(folder).waiting():
        click.echo(f"Readings wait in the journal: {why}", err=True)
    there = folder / "bench.ipynb"
    notebook = there if own and there.is_file() else put_bench(folder)
    if not own:
        _say_own(there, notebook, f" Open it, if you trust who wrote it, with: fizzlab bench {folder} --own")
    sys.exit(_start(folder, f"doc/tree/{quote(notebook.name)}"))


def put_notebooks(folder: Path) -> Path:
    """Copy the notebooks into a folder and return the first; those that are there stay as they are."""
    from fizzlab.trial import shipped

    for source in shipped.notebooks():
        if not (folder / source.name).exists():
            shipped.put_notebook(source.stem, folder / source.name)
    return shipped.put_notebook("start", folder / "start.ipynb")


def put_bench(folder: Path) -> Path:
    """Put the notebook of the bench into a trial folder, set to that folder, and return its path."""
    from fizzlab.trial import shipped

    return shipped.put_notebook("bench", folder / "bench.ipynb", folder)


def _say_own(there: Path, opened: Path, how: str = "") -> None:
    if opened != there:
        click.echo(
            f"{there} holds other cells than fizzlab's own, so {opened.name} was opened.{how}", err=True
        )


def _start(folder: Path, page: str) -> int:
    """Run JupyterLab on a folder until it is stopped, open at one page; its exit code."""
    command = jupyterlab(folder, f"--LabApp.default_url=/{page}")
    return subprocess.call(command, cwd=SETTINGS, env=surroundings())
