"""Every page that fizzlab writes, searched by axe-core for what bars a screen reader or a keyboard."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from browsers import BROWSER, barriers, needs_axe
from click.testing import CliRunner

from fizzlab.bench.logbook import practice_folder
from fizzlab.bench.planfiles import BENCH_SHEET
from fizzlab.cli.main import main
from fizzlab.report.analysis import analyse
from fizzlab.report.chart import wall_chart
from fizzlab.trial.folder import load

pytestmark = [
    pytest.mark.skipif(BROWSER is None, reason="no Chromium-family browser is installed"),
    needs_axe,
]

Page = Callable[[dict[str, Path], Path], Path]


def _report(name: str) -> Page:
    return lambda reports, _: reports[name]


def _sheet(_: dict[str, Path], home: Path) -> Path:
    return practice_folder(home / "made") / BENCH_SHEET


def _chart(reports: dict[str, Path], home: Path) -> Path:
    page = home / "chart.html"
    page.write_text(wall_chart(analyse(load(reports["cores"].parents[2]))), encoding="utf-8")
    return page


def _overview(reports: dict[str, Path], _: Path) -> Path:
    folder = reports["cores"].parents[3]
    result = CliRunner().invoke(main, ["overview", str(folder)])
    assert result.exit_code == 0, result.output
    return folder / "overview.html"


PAGES: dict[str, Page] = {
    **{name: _report(name) for name in ("binder", "colour-ways", "cores", "season")},
    "bench sheet": _sheet,
    "wall chart": _chart,
    **({"overview": _overview} if "overview" in main.commands else {}),
}


@pytest.mark.parametrize("name", PAGES)
def test_nothing_stands_in_the_way(
    name: str, demo_reports: dict[str, Path], tmp_path: Path, browser: Any
) -> None:
    path = PAGES[name](demo_reports, tmp_path)
    context = browser.new_context(bypass_csp=True)  # the page forbids itself scripts, so axe-core's too
    page = context.new_page()
    page.goto(path.as_uri())
    for width in (1280, 360):
        page.set_viewport_size({"width": width, "height": 900})
        for unfolded in (False, True):
            page.evaluate(
                "open => document.querySelectorAll('details').forEach(d => { d.open = open })", unfolded
            )
            assert barriers(page) == []
            assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth"), width
    context.close()
