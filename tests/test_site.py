"""The site is built without a warning, its notebooks run, and no page of it asks the network for anything."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

import fizzlab

ROOT = Path(__file__).parents[1]


@pytest.mark.slow
def test_the_site_is_built_and_asks_for_no_address(tmp_path: Path, browser: Any) -> None:
    pytest.importorskip("myst_nb", reason="needs the extra fizzlab[docs], which .ci/run installs")
    build = [sys.executable, "-m", "sphinx", "-q", "-W", "--keep-going", "-d", str(tmp_path / "parts")]
    command = [*build, "-c", "docs", ".", str(tmp_path / "site")]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    pages = sorted((tmp_path / "site").rglob("*.html"))
    assert len(pages) >= 40
    asked: list[str] = []
    page = browser.new_page()
    page.on("request", lambda request: asked.append(request.url))
    for each in pages:
        page.goto(each.as_uri())
    page.close()
    assert [url for url in asked if not url.startswith(("file:", "data:", "blob:"))] == []
    names = (tmp_path / "site/docs/reference.html").read_text(encoding="utf-8")
    assert [name for name in fizzlab._PUBLIC if f'id="fizzlab.{name}"' not in names] == []
    report = (tmp_path / "site/notebooks/trial_report.html").read_text(encoding="utf-8")
    assert "cell_output" in report
