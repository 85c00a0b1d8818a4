"""A season of trials reported on at once: in processes, threads and on a cluster; stopped in the middle."""

from __future__ import annotations

import asyncio
import json
import os
import shutil
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
from jupyter_client.manager import AsyncKernelManager
from sound_trial import TOUCH

from fizzlab.errors import BadInput
from fizzlab.report import run
from fizzlab.report.many import Outcome, trials_in, write_reports
from fizzlab.report.run import write_report

pytestmark = pytest.mark.slow

MakeTrial = Callable[..., Path]

WHOLE = {"report.html", "report.ipynb", "findings.json", "inputs.json", "entry.json", "inputs", "figures"}


@pytest.fixture
def season(make_trial: MakeTrial, tmp_path: Path) -> Path:
    """Two sound trials, and one with several problems."""
    home = tmp_path / "season"
    for name in ("april", "may", "june"):
        checks = TOUCH.replace("yes", "perhaps") if name == "may" else TOUCH
        shutil.copytree(make_trial(touch_checks__csv=checks), home / name)
        settings = (home / name / "trial.toml").read_text()
        (home / name / "trial.toml").write_text(settings.replace('code = "quay"', f'code = "{name}"'))
    return home


def test_in_processes_with_copies(season: Path, tmp_path: Path) -> None:
    stick = f"file://{tmp_path}/stick"
    command = [sys.executable, "-m", "fizzlab.cli.main", "report", "season", "--jobs", "2", "--to", stick]
    done = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, timeout=120)
    assert done.returncode == 2, done.stderr
    assert done.stdout.splitlines() == [
        str(Path("season/april/records/april-1/report.html")),
        f"  copied to {stick}/april-1",
        str(Path("season/june/records/june-1/report.html")),
        f"  copied to {stick}/june-1",
    ]
    assert f"{Path('season/may')}:\ntouch_checks.csv, row" in done.stderr
    assert "Traceback" not in done.stderr
    for name in ("april", "june"):
        assert {path.name for path in (season / name / "records" / f"{name}-1").iterdir()} == WHOLE
        copied = {path.name for path in (tmp_path / "stick" / f"{name}-1").iterdir()}
        assert copied == WHOLE | {"ledger.jsonl"}  # so that it verifies alone
    assert not (season / "may" / "records").exists()


def test_a_report_leaves_no_thread_behind(season: Path) -> None:
    before = set(threading.enumerate())

    async def in_a_notebook() -> list[Outcome]:
        return write_reports([season / "april", season / "june"], jobs=1)

    with ThreadPoolExecutor(1) as own:  # this thread may have a loop already
        outcomes = own.submit(asyncio.run, in_a_notebook()).result()
    assert all(outcome.page for outcome in outcomes)
    assert [thread for thread in threading.enumerate() if thread not in before] == []


@pytest.mark.skipif(os.name == "nt", reason="on Windows every report has a kernel of its own")
def test_a_report_from_a_kernel_that_made_another_is_the_same(
    season: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    left, started = tmp_path / "left", list[object]()
    left.mkdir()
    monkeypatch.setattr(tempfile, "tempdir", str(left))
    start = AsyncKernelManager.start_kernel

    async def counted(self: AsyncKernelManager, **told: object) -> None:
        started.append(self)
        await start(self, **told)

    monkeypatch.setattr(AsyncKernelManager, "start_kernel", counted)
    april, june = season / "april", season / "june"
    write_reports([april, june], jobs=1)
    assert len(started) == 1
    for folder in (april, june):
        first, alone = (folder / "records" / f"{folder.name}-1", write_report(folder).parent)
        assert (alone / "findings.json").read_bytes() == (first / "findings.json").read_bytes()
        figures = sorted(path.name for path in (first / "figures").iterdir())
        assert figures
        for name in figures:
            assert (alone / "figures" / name).read_bytes() == (first / "figures" / name).read_bytes()
        one, other = (json.loads((record / "report.ipynb").read_text()) for record in (first, alone))
        for cells in (one["cells"], other["cells"]):
            for cell in cells:
                del cell["metadata"], cell["id"]  # the times of this run
        assert one["cells"] == other["cells"]
    assert len(started) == 3
    assert not list(left.iterdir())


def test_a_kernel_that_failed_makes_no_other_report(season: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    begin = run.BEGIN
    monkeypatch.setattr(run, "BEGIN", "__import__('os')._exit(1) #{!r}")
    april, june = season / "april", season / "june"
    assert all(outcome.trouble for outcome in write_reports([april, june], jobs=1))

    def mended(outcome: Outcome) -> None:
        monkeypatch.setattr(run, "BEGIN", begin)

    one, other = write_reports([april, june], jobs=1, done=mended)
    assert one.trouble
    assert other.page


def test_in_threads_to_memory(season: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    fsspec = pytest.importorskip("fsspec", reason="fsspec, the extra 'remote', is not installed")
    monkeypatch.chdir(tmp_path)
    trials, _ = trials_in([Path("season")])
    with ThreadPoolExecutor(2) as pool:
        outcomes = write_reports(trials, pool)
    assert Path.cwd() == tmp_path
    assert [outcome.folder.name for outcome in outcomes] == ["april", "june", "may"]
    assert [outcome.page is not None for outcome in outcomes] == [True, True, False]
    assert isinstance(outcomes[2].trouble, BadInput)
    with ThreadPoolExecutor(1) as pool:
        (again,) = write_reports([season / "april"], pool, to="memory://harbour")
    assert again.sent == "memory://harbour/april-2"
    assert {
        Path(name).name for name in fsspec.filesystem("memory").ls("/harbour/april-2", detail=False)
    } == WHOLE | {"ledger.jsonl"}


def test_on_a_cluster(season: Path) -> None:
    distributed = pytest.importorskip("distributed", reason="dask.distributed is not installed")
    cluster = distributed.LocalCluster(n_workers=1, threads_per_worker=2, dashboard_address=None)
    with cluster, distributed.Client(cluster) as client, client.get_executor() as executor:
        may, june = write_reports([season / "may", season / "june"], executor)
    assert isinstance(may.trouble, BadInput)
    assert len(may.trouble.problems) > 1
    assert june.trouble is None
    assert june.page is not None
    assert {path.name for path in june.page.parent.iterdir()} == WHOLE


@pytest.mark.skipif(os.name == "nt", reason="Windows sends no SIGINT to a child in this way")
@pytest.mark.parametrize("how", ["a key at the terminal", "a signal to the command alone"])
def test_ctrl_c_stops_all_and_leaves_nothing_half_written(season: Path, how: str) -> None:
    child = subprocess.Popen(
        [sys.executable, "-m", "fizzlab.cli.main", "report", str(season), "--jobs", "2"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )
    deadline = time.monotonic() + 60
    while len(list(season.glob("*/.fizzlab/*.lock"))) < 2 and time.monotonic() < deadline:
        time.sleep(0.02)
    time.sleep(0.5)
    (os.killpg if how.startswith("a key") else os.kill)(child.pid, signal.SIGINT)
    _, said = child.communicate(timeout=60)
    assert child.returncode == 130, said
    assert "Stopped. Nothing half-written was kept." in said
    assert "Traceback" not in said
    assert not list(season.glob("*/records"))
