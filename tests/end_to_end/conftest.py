"""The demo trials, copied and reported on once for all end-to-end tests."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from browsers import BROWSER

from fizzlab import shipped
from fizzlab.report import write_report


@pytest.fixture(scope="session")
def demo_reports(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """HTML report of each demo trial, by the trial's name."""
    home = tmp_path_factory.mktemp("demo")
    names = [source.name for source in shipped.demo_trials()]
    for source in shipped.demo_trials():  # all of them first: a trial may look at its neighbours
        shutil.copytree(source, home / source.name)
    return {name: write_report(home / name) for name in names}


@pytest.fixture(scope="session")
def browser() -> Iterator[Any]:
    """A Chromium without a window."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        chromium = playwright.chromium.launch(
            executable_path=BROWSER,
            args=["--no-sandbox", "--disable-gpu", "--disable-background-networking", "--disable-sync"],
        )
        yield chromium
        chromium.close()
