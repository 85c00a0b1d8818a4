"""The house stands as DEVELOPERS.md draws it: arrows between rooms point down, and there is no circle."""

from __future__ import annotations

import ast
import subprocess
import sys
from collections.abc import Iterator
from graphlib import TopologicalSorter
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
PACKAGE = ROOT / "fizzlab"

#: The floor of each room: a module may use its own room and the floors below it.
FLOORS = {
    "language": 0,
    "errors": 1,
    "measures": 2,
    "models": 3,
    "recipe": 4,
    "design": 4,
    "trial": 5,
    "records": 6,
    "bench": 7,
    "report": 7,
    "cli": 8,
    "__main__": 9,
}


def modules() -> dict[str, Path]:
    found = {}
    for path in sorted(PACKAGE.rglob("*.py")):
        parts = path.relative_to(ROOT).with_suffix("").parts
        found[".".join(parts[:-1] if parts[-1] == "__init__" else parts)] = path
    return found


def imported(path: Path, known: dict[str, Path]) -> Iterator[str]:
    """The modules of fizzlab that a file imports, inside functions too, but not for type hints alone."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    hints = {
        inner
        for node in ast.walk(tree)
        if isinstance(node, ast.If) and ast.unparse(node.test) == "TYPE_CHECKING"
        for part in node.body
        for inner in ast.walk(part)
    }
    for node in ast.walk(tree):
        if node in hints:
            continue
        if isinstance(node, ast.ImportFrom) and node.module and node.module.split(".")[0] == "fizzlab":
            for alias in node.names:
                whole = f"{node.module}.{alias.name}"
                yield whole if whole in known else node.module
        elif isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names if alias.name in known)


def graph() -> dict[str, set[str]]:
    known = modules()
    return {name: set(imported(path, known)) - {name} for name, path in known.items()}


def room(module: str) -> str:
    return module.split(".")[1] if "." in module else module


def test_arrows_between_rooms_point_down() -> None:
    up = [
        f"{name} -> {other}"
        for name, others in graph().items()
        for other in others
        if "." in name and "." in other and room(name) != room(other)
        if FLOORS[room(other)] >= FLOORS[room(name)]
    ]
    assert up == []


def test_no_module_waits_for_itself() -> None:
    assert len(list(TopologicalSorter(graph()).static_order())) == len(modules())


HEAVY = ("scipy", "statsmodels", "matplotlib", "seaborn", "papermill")


@pytest.mark.parametrize(
    "work",
    [
        "from fizzlab.trial.settings import read_settings; read_settings(demo)",
        "from fizzlab.cli.main import main; main(['--help'], standalone_mode=False)",
        "from fizzlab.cli.main import main; main(['check', str(demo)], standalone_mode=False)",
    ],
    ids=["reading trial.toml", "help", "check"],
)
def test_what_is_asked_often_loads_nothing_heavy(work: str) -> None:
    script = f"import sys, pathlib\ndemo = pathlib.Path({str(ROOT / 'data' / 'demo' / 'cores')!r})\n"
    script += f"try:\n    {work}\nexcept SystemExit:\n    pass\n"
    script += f"print('loaded', [name for name in {HEAVY!r} if name in sys.modules])"
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=True, cwd=ROOT
    )
    assert done.stdout.splitlines()[-1] == "loaded []"


def test_the_public_names_are_there_after_one_import() -> None:
    import fizzlab

    for name in fizzlab.__all__:
        assert callable(getattr(fizzlab, name)) or name == "__version__"
    assert set(fizzlab.__all__) <= set(dir(fizzlab))
