"""The first trials of docs/first-trial.md, walked as docs/walk.py does it: from the form to the verdict."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from browsers import BROWSER

DOCS = Path(__file__).parents[1] / "docs"

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(BROWSER is None, reason="no Chromium-family browser is installed"),
]

PAPER = {"plan", "sheet", "card", "labels", "check"}


@pytest.fixture(scope="module")
def workshop(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Any, Path, str]]:
    sys.path.append(str(DOCS))
    walk = sys.modules.get("walk") or __import__("walk")
    room = tmp_path_factory.mktemp("workshop")
    with walk.workshop(room) as url:
        yield walk, room, url
    sys.path.remove(str(DOCS))


@pytest.mark.parametrize(
    ("name", "finds", "drawn"),
    [
        # true: dye takes 50 % longer than pearl, lake 10 %
        ("colouring", "dye", {"setup-desk", "bench-desk", "report-desk", *PAPER}),
        # true: 4 g of polysorbate take 50 % longer than 2 g, 14 g of oil 5 % longer than 10 g
        ("liquids", "4 g of polysorbate dry", {"setup-tablet", "bench-tablet", "report-tablet"}),
        # true: drying is longer by the power 0.8 of how little thirsty the air is
        ("season", "damp air slows drying", {"setup-phone", "bench-phone", "report-phone", "chart"}),
    ],
)
def test_a_first_trial_comes_to_a_verdict(
    name: str, finds: str, drawn: set[str], workshop: Any, browser: Any, tmp_path: Path
) -> None:
    walk, room, url = workshop
    count, verdict = walk.walk(name, room, url, walk.Camera(browser, tmp_path))
    assert any(finds in line.casefold() for line in verdict), verdict
    told = [count.questions, count.commands, count.keys, count.presses, count.in_browser, count.readings]
    assert f"| {' | '.join(map(str, told))} |" in (DOCS / "first-trial.md").read_text(encoding="utf-8")
    assert count.readings > 100
    assert count.presses > 2 * count.readings > 4 * count.in_browser > 4 * 25
    assert {path.stem for path in tmp_path.glob("*.png")} == drawn
