"""Whole-report wall time against its floor: papermill running a notebook that only imports and draws.

Run by hand: python benchmarks/report_vs_floor.py [PAIRS]

The floor notebook imports the same libraries and draws as many figures of the same size, each as PNG and
SVG. Both sides are whole processes, run in turn; the ratio is taken pair by pair. Goal: at most 1.3.
"""

from __future__ import annotations

import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import nbformat

from fizzlab.trial import shipped

#: What the report has loaded once its cells have run, from the same libraries, in the order of loading.
LOADED = """\
import contextlib, io, json, sys
cells = json.loads(open(sys.argv[1], encoding="utf-8").read())["cells"]
with contextlib.redirect_stdout(io.StringIO()):
    for cell in cells:
        if cell["cell_type"] == "code":
            exec("".join(cell["source"]).replace('trial_folder = ""', f"trial_folder = {sys.argv[2]!r}"))
kept = ("matplotlib", "numpy", "pandas", "pydantic", "scipy", "seaborn", "statsmodels")
print(*(name for name in list(sys.modules) if name.split(".")[0] in kept and "._" not in name))
"""

DRAW = """\
from matplotlib.figure import Figure
import io, numpy
figure = Figure(figsize=(5.4, 3.9), layout="constrained")
axes = figure.subplots()
axes.plot(numpy.arange(60), numpy.arange(60))
for kind in ("svg", "png"):
    figure.savefig(io.BytesIO(), format=kind, dpi=160)
"""

RUN = "import papermill, sys; papermill.execute_notebook(sys.argv[1], sys.argv[2], progress_bar=False)"


def _floor_notebook(path: Path, figures: int, trial: Path) -> None:
    command = [sys.executable, "-c", LOADED, str(shipped.notebook("trial_report")), str(trial)]
    names = subprocess.run(command, check=True, capture_output=True, text=True).stdout
    imports = (
        "from importlib import import_module\nfor name in "
        + repr(names.split())
        + ":\n    import_module(name)"
    )
    cells = [nbformat.v4.new_code_cell(imports), *(nbformat.v4.new_code_cell(DRAW) for _ in range(figures))]
    kernel = {"kernelspec": {"name": "python3", "language": "python", "display_name": "Python 3"}}
    nbformat.write(nbformat.v4.new_notebook(cells=cells, metadata=kernel), path)


def _seconds(*command: str | Path) -> float:
    start = time.perf_counter()
    subprocess.run([str(part) for part in command], check=True, capture_output=True)
    return time.perf_counter() - start


def main(pairs: int) -> None:
    """Print both times and the ratio for each demo trial."""
    for source in shipped.demo_trials():
        with tempfile.TemporaryDirectory() as temporary:
            home = Path(temporary)
            trial = shutil.copytree(source, home / source.name, ignore=shutil.ignore_patterns("records"))
            report = (sys.executable, "-m", "fizzlab", "report", trial)
            subprocess.run([str(part) for part in report], check=True, capture_output=True)
            figures = len(list(trial.glob("records/*/figures/*.png")))
            _floor_notebook(home / "floor.ipynb", figures, trial)
            floor = (sys.executable, "-c", RUN, home / "floor.ipynb", home / "out.ipynb")
            timed = [(_seconds(*report), _seconds(*floor)) for _ in range(pairs)]
        ours, theirs = (statistics.median(side) for side in zip(*timed, strict=True))
        ratio = statistics.median(one / other for one, other in timed)
        print(
            f"{source.name}: report {ours:.2f} s, floor {theirs:.2f} s ({figures} figures), ratio {ratio:.2f}"
        )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 5)
