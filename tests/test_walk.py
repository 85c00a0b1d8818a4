"""The first trial of docs/first-trial.md, walked as docs/walk.py does it: from the form to the verdict."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import pytest
from browsers import BROWSER

DOCS = Path(__file__).parents[1] / "docs"

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(BROWSER is None, reason="no Chromium-family browser is installed"),
]


def test_the_first_trial_comes_to_a_verdict(
    browser: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.syspath_prepend(str(DOCS))
    walk = sys.modules.get("walk") or __import__("walk")
    pictures = tmp_path / "pictures"
    pictures.mkdir()
    count, verdict = walk.walk("colouring", tmp_path, walk.Camera(browser, pictures))
    # true: dye takes 50 % longer than pearl, lake 10 %
    assert any("dye" in line.casefold() for line in verdict), verdict
    assert count.readings > 100
    row = f"| {count.questions} | {count.commands} | {count.keys} | {count.presses} | {count.readings} |"
    assert row in (DOCS / "first-trial.md").read_text(encoding="utf-8")
    assert count.presses >= 2 * (count.readings + 12)
    named = {path.stem for path in pictures.iterdir()}
    assert named == {
        *("setup", "plan", "sheet", "card", "labels"),
        *("bench-phone", "bench-desk", "check", "report"),
    }
