"""The built wheel in a fresh environment, away from the checkout: notebooks and demo trials come with it."""

from __future__ import annotations

import os
import subprocess
import sys
import sysconfig
import venv
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]


def _run(*command: str | Path, cwd: Path) -> str:
    clean = {name: value for name, value in os.environ.items() if name not in ("PYTHONPATH", "VIRTUAL_ENV")}
    done = subprocess.run(
        [str(part) for part in command], cwd=cwd, env=clean, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


@pytest.mark.slow
def test_wheel_reports_on_its_own_demo(tmp_path: Path) -> None:
    options = ("--no-deps", "--no-build-isolation", "--no-index", "-q", "-w", tmp_path)
    _run(sys.executable, "-m", "pip", "wheel", *options, ROOT, cwd=tmp_path)
    (wheel,) = tmp_path.glob("fizzlab-*.whl")
    home = tmp_path / "fresh"
    venv.create(home, with_pip=False, symlinks=os.name != "nt")
    scripts = home / ("Scripts" if os.name == "nt" else "bin")
    python = scripts / "python"
    site = Path(
        _run(python, "-c", "import sysconfig; print(sysconfig.get_path('purelib'))", cwd=tmp_path).strip()
    )
    # the dependencies come from the environment of the tests; fizzlab itself only from the wheel
    (site / "dependencies.pth").write_text(sysconfig.get_path("purelib") + "\n")
    _run(
        sys.executable,
        "-m",
        "pip",
        "--python",
        python,
        "install",
        "-q",
        "--no-deps",
        "--no-index",
        wheel,
        cwd=tmp_path,
    )
    where = _run(
        python, "-c", "import fizzlab.trial.shipped as s; print(s.DEMO); print(*s.notebooks())", cwd=tmp_path
    )
    assert str(site) in where
    assert str(ROOT) not in where
    pages = _run(scripts / "fizzlab", "demo", "trials", cwd=tmp_path).split()
    assert len(pages) == 4
    for page in pages:
        text = (tmp_path / page).read_text(encoding="utf-8")
        assert "<h2>Record</h2>" in text
        assert "<figure>" in text
