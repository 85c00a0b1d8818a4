"""The demo trials, copied and reported on once for all end-to-end tests."""

from __future__ import annotations

import shutil
import time
from pathlib import Path

import pytest

from fizzlab.report.run import write_report
from fizzlab.trial import shipped


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """A test that looks at every demo's report, or through a browser, is a slow one."""
    for item in items:
        if {"demo_reports", "browser", "lab"} & set(getattr(item, "fixturenames", ())):
            item.add_marker(pytest.mark.slow)


@pytest.fixture(scope="session")
def demo_reports(tmp_path_factory: pytest.TempPathFactory, request: pytest.FixtureRequest) -> dict[str, Path]:
    """HTML report of each demo trial, by the trial's name; made by the first worker and copied by each."""
    base = tmp_path_factory.getbasetemp()
    made = (base.parent if hasattr(request.config, "workerinput") else base) / "demo-reports"
    names = [source.name for source in shipped.demo_trials()]
    try:
        made.mkdir()
    except FileExistsError:
        end = time.monotonic() + 300
        while not (made / "done").exists():
            assert time.monotonic() < end, "the demo reports of the other worker did not come"
            time.sleep(0.2)
    else:
        for source in shipped.demo_trials():  # all of them first: a trial may look at its neighbours
            shutil.copytree(source, made / source.name)
        for name in names:
            page = write_report(made / name)
            assert '"failed.' not in page.with_name("findings.json").read_text(encoding="utf-8")
        (made / "done").touch()
    home = tmp_path_factory.mktemp("demo")
    for name in names:
        shutil.copytree(made / name, home / name)
    return {name: home / name / "records" / f"{name}-1" / "report.html" for name in names}
