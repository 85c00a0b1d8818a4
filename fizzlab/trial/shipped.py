"""Where the notebooks and the demo trials lie: inside the installed package, or in the checkout."""

from __future__ import annotations

import json
import os
import re
import shutil
from itertools import chain, count
from pathlib import Path
from typing import Any

from fizzlab.trial.placing import changing, write_whole

_PACKAGE = Path(__file__).resolve().parent.parent
_INSTALLED = _PACKAGE / "_shipped"

NOTEBOOKS = _INSTALLED / "notebooks" if _INSTALLED.is_dir() else _PACKAGE.parent / "notebooks"
DEMO = _INSTALLED / "demo" if _INSTALLED.is_dir() else _PACKAGE.parent / "data" / "demo"

#: One plain text is given to one name: the only cell of a notebook that is the maker's to change.
_PLAIN = re.compile(r"""\A(\w+)(?:: str)? = (?:"[^"\\]*"|'[^'\\]*') *(?:#.*)?\Z""")


def notebook(name: str) -> Path:
    """Path of a shipped notebook; ValueError where there is none of that name."""
    path = NOTEBOOKS / f"{name}.ipynb"
    if not path.is_file():
        raise ValueError(f"no notebook is called {name!r}")
    return path


def put_notebook(name: str, path: Path, trial: Path | None = None) -> Path:
    """Copy a notebook, set to a trial; where another of that name stands, it is called name-2 and so on."""
    path.parent.mkdir(parents=True, exist_ok=True)
    read = json.loads(notebook(name).read_text(encoding="utf-8"))
    for cell in read["cells"]:
        if trial is not None and _sets_folder(cell):
            to = os.path.relpath(trial, path.parent).replace(os.sep, "/")
            cell["source"] = [f"trial_folder: str = {to!r}  # the folder of the trial"]
    places = (path.with_name(f"{path.stem}-{number}.ipynb") for number in count(2))
    text = json.dumps(read, indent=1, ensure_ascii=False) + "\n"
    for place in chain([path], places):
        if not place.exists():
            write_whole(place, text.encode())
            return place
        if is_as_shipped(name, place):
            return place
    raise AssertionError("there is always a next number")


def is_as_shipped(name: str, path: Path) -> bool:
    """Does a notebook hold the shipped cells and no other, but for the folder's name and what was shown?"""
    try:
        told = [_code(json.loads(each.read_text(encoding="utf-8"))) for each in (notebook(name), path)]
    except (ValueError, LookupError, TypeError, AttributeError, OSError, RecursionError):
        return False
    return told[0] == told[1]


def _code(read: dict[str, Any]) -> list[object]:
    """What a notebook would run, and on which kernel."""
    cells: list[object] = [read["metadata"]["kernelspec"]["name"]]
    for cell in read["cells"]:
        source = "".join(cell["source"])
        one_line = _sets_folder(cell) and source.isprintable()  # IPython has more ends of lines than Python
        cells.append((cell["cell_type"], _PLAIN.sub(r"\1", source) if one_line else source))
    return cells


def _sets_folder(cell: dict[str, Any]) -> bool:
    return "parameters" in cell["metadata"].get("tags", [])


def reports() -> list[Path]:
    """The notebooks that a report can be made with: all but those that wait for presses."""
    return [path for path in notebooks() if path.stem not in ("bench", "setup", "start")]


def notebooks() -> list[Path]:
    """Every shipped notebook, by name."""
    return sorted(NOTEBOOKS.glob("*.ipynb"))


def demo_trials() -> list[Path]:
    """The folders of the demo trials, by name."""
    return sorted(path.parent for path in DEMO.glob("*/trial.toml"))


def put_demo(folder: Path) -> list[Path]:
    """Copy the demo trials that a folder lacks into it, all of them or none, and name their folders there."""
    with changing(folder) as making:
        for source in demo_trials():
            if not (folder / source.name).exists():
                without = shutil.ignore_patterns("records", "__pycache__")
                shutil.copytree(source, making / source.name, ignore=without)
    return [folder / source.name for source in demo_trials()]


def demo(name: str) -> Path:
    """The folder of one demo trial."""
    return DEMO / name
