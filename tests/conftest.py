"""A small sound trial folder that tests bend out of shape."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from browsers import BROWSER
from hypothesis import settings
from sound_trial import LOG, RUNS, TOML, TOUCH

# The same cases every time: a red run is the change's doing. To look further: --hypothesis-profile=default
settings.register_profile("steady", derandomize=True, deadline=None)
settings.load_profile("steady")


@pytest.fixture(autouse=True)
def _what_fails_in_a_report_fails_the_test(monkeypatch: pytest.MonkeyPatch) -> None:
    """A report goes on without a part that fails; a test does not."""

    def raised(_: str, error: Exception) -> None:
        raise error

    for module, name in (
        ("page", "failed"),
        ("drawing", "failed"),
        ("parts.general", "failed"),
        ("analysis", "Unforeseen"),
    ):
        if loaded := sys.modules.get(f"fizzlab.report.{module}"):
            monkeypatch.setattr(loaded, name, raised)


@pytest.fixture
def make_trial(tmp_path: Path) -> Callable[..., Path]:
    """Return a function that writes the sound folder, with some files replaced (None: taken away)."""

    def make(**replaced: str | bytes | None) -> Path:
        folder = tmp_path / "quay"
        folder.mkdir(exist_ok=True)
        files: dict[str, str | bytes | None] = {
            "trial.toml": TOML,
            "runs.csv": RUNS,
            "touch_checks.csv": TOUCH,
            "room_log.csv": LOG,
        }
        for name, content in replaced.items():
            files[name.replace("__", ".")] = content
        for name, content in files.items():
            if content is not None:
                data = content.encode() if isinstance(content, str) else content
                (folder / name).write_bytes(data)
        return folder

    return make


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
