"""The report in a real browser with the network refused: nothing asked for, no error, nothing cut off."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from browsers import BROWSER

pytestmark = pytest.mark.skipif(BROWSER is None, reason="no Chromium-family browser is installed")


@pytest.mark.parametrize("width", [1280, 390])
@pytest.mark.parametrize("name", ["binder", "colour-ways", "cores", "season"])
def test_report_stands_alone(name: str, width: int, demo_reports: dict[str, Path], browser: Any) -> None:
    page = browser.new_page(viewport={"width": width, "height": 900})
    asked: list[str] = []
    said: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    page.on("console", lambda message: said.append(message.text) if message.type == "error" else None)
    page.on("pageerror", lambda error: said.append(str(error)))
    page.context.set_offline(True)
    page.goto(demo_reports[name].as_uri())
    outside = [url for url in asked if not url.startswith(("file:", "data:"))]
    assert outside == []
    assert sum(url.startswith("file:") for url in asked) == 1
    assert said == []
    assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")
    images = page.evaluate("[...document.images].map(i => [i.complete && i.naturalWidth > 0, i.alt.length])")
    assert images
    assert all(drawn and alt > 20 for drawn, alt in images)
    headings = page.evaluate("[...document.querySelectorAll('h1, h2')].map(h => h.innerText)")
    assert len(headings) == len(set(headings))
    page.close()
