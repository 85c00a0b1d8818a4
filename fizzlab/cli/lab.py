"""Opening JupyterLab on copies of the notebooks."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

from fizzlab.trial import shipped

#: Settings under which JupyterLab asks the network for nothing: no news, no look for a newer version.
SETTINGS = Path(__file__).resolve().parent / "templates" / "lab_config"


def put_notebooks(folder: Path) -> None:
    """Copy the notebooks into a folder; those that are there already stay as they are."""
    folder.mkdir(parents=True, exist_ok=True)
    for source in shipped.notebooks():
        if not (folder / source.name).exists():
            shutil.copy(source, folder / source.name)


def put_bench(folder: Path) -> Path:
    """Put the notebook of the bench into a trial folder, set to that folder, and return its path.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as home:
    ...     put_bench(Path(home)).name
    'bench.ipynb'
    """
    import nbformat

    path = folder / "bench.ipynb"
    if not path.exists():
        notebook = nbformat.read(shipped.notebook("bench"), as_version=4)  # type: ignore[no-untyped-call]
        for cell in notebook.cells:
            if "parameters" in cell.metadata.get("tags", []):
                cell.source = 'trial_folder = "."'
        nbformat.write(notebook, path)  # type: ignore[no-untyped-call]
    return path


def start(folder: Path, page: str = "") -> int:
    """Run JupyterLab on a folder until it is stopped; its exit code.

    Parameters
    ----------
    folder : Path
    page : str
        A notebook of the folder to open alone, with nothing beside it.
    """
    alone = [f"--LabApp.default_url=/doc/tree/{page}"] if page else []
    return subprocess.call([sys.executable, "-m", "jupyterlab", *alone, str(folder)], env=surroundings())


def surroundings() -> dict[str, str]:
    """The environment to run JupyterLab in: this one, and our settings besides the maker's own."""
    paths = [str(SETTINGS), *filter(None, [os.environ.get("JUPYTER_CONFIG_PATH")])]
    return {**os.environ, "JUPYTER_CONFIG_PATH": os.pathsep.join(paths)}
