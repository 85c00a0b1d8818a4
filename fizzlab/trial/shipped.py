"""Where the notebooks and the demo trials lie: inside the installed package, or in the checkout."""

from __future__ import annotations

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


def reports() -> list[Path]:
    """The notebooks that a report can be made with: all but the bench, which waits for presses."""
    return [path for path in notebooks() if path.stem != "bench"]


def notebooks() -> list[Path]:
    """Every shipped notebook, by name."""
    return sorted(NOTEBOOKS.glob("*.ipynb"))


def demo_trials() -> list[Path]:
    """The folders of the demo trials, by name."""
    return sorted(path.parent for path in DEMO.glob("*/trial.toml"))


def demo(name: str) -> Path:
    """The folder of one demo trial."""
    return DEMO / name
