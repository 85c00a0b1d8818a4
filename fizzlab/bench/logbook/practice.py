"""A planned, invented trial to practise logging on."""

from __future__ import annotations

import shutil
from pathlib import Path

from fizzlab.bench.planfiles import write_plan
from fizzlab.trial.settings import FILE

TEMPLATE = Path(__file__).resolve().parent.parent / "templates" / "bench_demo"


def practice_folder(home: Path) -> Path:
    """Make the folder ``bench-practice`` in `home`, unless it is there, and return it.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as home:
    ...     sorted(path.name for path in practice_folder(Path(home)).iterdir() if path.is_file())
    ['bench-sheet.html', 'readings.xlsx', 'runs.csv', 'trial.toml']
    """
    folder = home / "bench-practice"
    if not (folder / FILE).exists():
        folder.mkdir(parents=True, exist_ok=True)
        shutil.copy(TEMPLATE / FILE, folder / FILE)
    if not (folder / "runs.csv").exists():
        write_plan(folder)
    return folder
