"""How fizzlab starts Python: kernels and JupyterLab, which run no module for lying in a folder.

A folder that someone sent may hold `numpy.py`. Python, IPython and Jupyter each look into the folder that
they work in: `-P` keeps Python from it, `ignore_cwd` IPython's kernel, and our description of the kernel,
found before all others, brings both to every notebook. Relative entries of PYTHONPATH mean that folder too.
"""

from __future__ import annotations

import os
import sys
from pathlib import Path

#: Our settings of JupyterLab (nothing is asked of the network, nor started from a folder), and our kernel.
SETTINGS = Path(__file__).resolve().parent / "templates" / "jupyter"

KERNELS = SETTINGS / "kernels"

_HOME = Path(__file__).resolve().parents[2]


def surroundings() -> dict[str, str]:
    """The environment of every child: this one, less the current folder; our settings before the maker's."""
    given = {**os.environ, "PYTHONSAFEPATH": "1"}
    entries = given.pop("PYTHONPATH", "").split(os.pathsep)
    ours = [entry for entry in entries if os.path.isabs(entry) or Path(entry).resolve() == _HOME]
    if ours:
        given["PYTHONPATH"] = os.pathsep.join(map(os.path.abspath, ours))
    for name in ("JUPYTER_CONFIG_PATH", "JUPYTER_PATH"):
        given[name] = os.pathsep.join([str(SETTINGS), *filter(None, [os.environ.get(name)])])
    return given


def server(module: str, of: Path, *options: str) -> list[str]:
    """The command that runs JupyterLab on a folder, or Voilà on a notebook, to be started in `SETTINGS`.

    It holds no module and says what is open to whom; the server ends when its stdin does.
    """
    return [sys.executable, "-P", "-m", "fizzlab.report.serving", module, *options, str(of.resolve())]


def cores() -> int:
    """Processor cores that this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
