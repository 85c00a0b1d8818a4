"""The demo trials, copied and reported on once for all end-to-end tests."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from fizzlab import shipped
from fizzlab.report import write_report


@pytest.fixture(scope="session")
def demo_reports(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """HTML report of each demo trial, by the trial's name."""
    home = tmp_path_factory.mktemp("demo")
    pages = {}
    for source in shipped.demo_trials():
        target = home / source.name
        shutil.copytree(source, target)
        pages[source.name] = write_report(target)
    return pages
