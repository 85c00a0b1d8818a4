"""The commands `fizzlab lab` and `fizzlab bench`: JupyterLab on copies of the notebooks."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path
from urllib.parse import quote

import click

from fizzlab.cli.saying import FOLDER

#: Settings under which JupyterLab asks the network for nothing, no news, no newer version, and runs for
#: whoever asks, the administrator of a small computer or of a container too.
SETTINGS = Path(__file__).resolve().parent / "templates" / "lab_config"


@click.command(short_help="Open the notebooks in JupyterLab.")
@click.argument("folder", type=click.Path(path_type=Path), default=Path("fizzlab-notebooks"))
def lab(folder: Path) -> None:
    """Open JupyterLab on a copy of the notebooks in FOLDER (fizzlab-notebooks).

    The first, start.ipynb, lists the trials that lie beside FOLDER and opens what each needs.
    """
    put_notebooks(folder)
    home = folder.resolve()
    sys.exit(_start(home.parent, f"lab/tree/{quote(home.name)}/start.ipynb"))


@click.command(short_help="Log at the bench: buttons in JupyterLab.")
@FOLDER
def bench(folder: Path) -> None:
    """Open the bench in JupyterLab: buttons to log the trial in FOLDER while it is made and tried."""
    from fizzlab.bench.logbook import Logbook

    for why in Logbook(folder).waiting():
        click.echo(f"Readings wait in the journal: {why}", err=True)
    sys.exit(_start(folder, f"doc/tree/{put_bench(folder).name}"))


def put_notebooks(folder: Path) -> None:
    """Copy the notebooks into a folder; those that are there already stay as they are."""
    from fizzlab.trial import shipped

    folder.mkdir(parents=True, exist_ok=True)
    for source in shipped.notebooks():
        if not (folder / source.name).exists():
            shutil.copy(source, folder / source.name)


def put_bench(folder: Path) -> Path:
    """Put the notebook of the bench into a trial folder, set to that folder, and return its path."""
    from fizzlab.trial import shipped

    return shipped.put_notebook("bench", folder / "bench.ipynb", folder)


def _start(folder: Path, page: str) -> int:
    """Run JupyterLab on a folder until it is stopped, open at one page; its exit code."""
    command = [sys.executable, "-m", "jupyterlab", f"--LabApp.default_url=/{page}", str(folder)]
    return subprocess.call(command, env=surroundings())


def surroundings() -> dict[str, str]:
    """The environment to run JupyterLab in: this one, and our settings besides the maker's own."""
    paths = [str(SETTINGS), *filter(None, [os.environ.get("JUPYTER_CONFIG_PATH")])]
    return {**os.environ, "JUPYTER_CONFIG_PATH": os.pathsep.join(paths)}
