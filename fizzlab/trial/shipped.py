"""Where the notebooks and the demo trials lie: inside the installed package, or in the checkout."""

from __future__ import annotations

import json
import os
from pathlib import Path

_PACKAGE = Path(__file__).resolve().parent.parent
_INSTALLED = _PACKAGE / "_shipped"

NOTEBOOKS = _INSTALLED / "notebooks" if _INSTALLED.is_dir() else _PACKAGE.parent / "notebooks"
DEMO = _INSTALLED / "demo" if _INSTALLED.is_dir() else _PACKAGE.parent / "data" / "demo"


def notebook(name: str) -> Path:
    """Path of a shipped notebook; ValueError where there is none of that name."""
    path = NOTEBOOKS / f"{name}.ipynb"
    if not path.is_file():
        raise ValueError(f"no notebook is called {name!r}")
    return path


def put_notebook(name: str, path: Path, trial: Path) -> Path:
    """Copy a notebook, set to a trial, and return its path; one that is there already stays as it is."""
    if not path.exists():
        path.parent.mkdir(parents=True, exist_ok=True)
        read = json.loads(notebook(name).read_text(encoding="utf-8"))
        for cell in read["cells"]:
            if "parameters" in cell["metadata"].get("tags", []):
                to = os.path.relpath(trial, path.parent).replace(os.sep, "/")
                cell["source"] = [f"trial_folder: str = {to!r}  # the folder of the trial"]
        path.write_text(json.dumps(read, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")
    return path


def reports() -> list[Path]:
    """The notebooks that a report can be made with: all but those that wait for presses."""
    return [path for path in notebooks() if path.stem not in ("bench", "start")]


def notebooks() -> list[Path]:
    """Every shipped notebook, by name."""
    return sorted(NOTEBOOKS.glob("*.ipynb"))


def demo_trials() -> list[Path]:
    """The folders of the demo trials, by name."""
    return sorted(path.parent for path in DEMO.glob("*/trial.toml"))


def demo(name: str) -> Path:
    """The folder of one demo trial."""
    return DEMO / name
