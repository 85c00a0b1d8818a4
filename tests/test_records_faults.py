"""What the records survive: reports at once, a full disk, a killed process, a folder that may not be written.

Each is done, not pretended, where the system allows; a full disk is also played at every step of writing.
"""

from __future__ import annotations

import concurrent.futures
import errno
import multiprocessing
import os
import random
import shutil
import signal
import stat
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from click.testing import CliRunner
from kept_trial import keep_record, write_tables
from steps import Steps, die, full, in_child, with_steps

import fizzlab.report.run
from fizzlab import records
from fizzlab.cli.main import main
from fizzlab.trial.folder import load
from fizzlab.trial.locks import Busy, locked
from fizzlab.trial.placing import changing, recover

posix = pytest.mark.skipif(os.name == "nt", reason="forks, kills and permission bits are those of POSIX")


def _snapshot(folder: Path) -> dict[str, bytes]:
    return {
        path.relative_to(folder).as_posix(): path.read_bytes() if path.is_file() else b""
        for path in folder.rglob("*")
    }


ADDERS: dict[str, Callable[[Path], object]] = {
    "report": keep_record,
    "correction": lambda folder: records.correct(folder / "records", 1, reason="a slip", by="Ann"),
    "sign-off": lambda folder: records.sign(folder / "records", 1, checked_by="Bo"),
    "plan": lambda folder: _plan(folder),
}


#: One of them stands for all where time is short.


def _plan(folder: Path) -> None:
    about = {"trial": "quay", "title": "t", "by": "Ann", "plan": "compare", "seed": 1}
    with changing(folder) as room:
        records.enter_plan(folder / "records", room, runs=[{"run": "A"}], **about)


def test_a_lock_is_made_though_its_folder_goes_while_it_is_made(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    home, make, left = tmp_path / "hidden", os.mkdir, [1, 1]

    def taken_away(path: Path, *how: int) -> None:
        make(path, *how)
        if left:  # it was there, and its last user took it away
            left.pop()
            os.rmdir(path)
            raise FileExistsError(errno.EEXIST, "File exists", str(path))

    monkeypatch.setattr(os, "mkdir", taken_away)
    with locked(home / "lock", patience_s=5):
        assert (home / "lock").is_file()
    assert not left


@pytest.mark.slow
@pytest.mark.parametrize("for_good", [False, True], ids=["one step fails", "full from there on"])
@pytest.mark.parametrize("adds", ADDERS)
def test_a_disk_that_is_full_at_any_step_leaves_everything_as_it_was(
    tmp_path: Path, adds: str, for_good: bool
) -> None:
    refused = 0
    for step in range(1, 200):
        folder = tmp_path / str(step) / "quay"
        keep_record(folder)
        before = _snapshot(folder)
        steps = Steps(step, full, for_good=for_good)
        said = with_steps(steps, lambda folder=folder: ADDERS[adds](folder))  # type: ignore[misc]
        assert records.verify(folder).faults == ()
        assert not [*folder.glob(".*"), *folder.glob("records/.*")]
        if said is None:
            assert len(records.read_ledger(folder / "records").lines) == 2
        else:
            assert said.errno == errno.ENOSPC
            assert _snapshot(folder) == before
            refused += 1
        if steps.count < step:
            break  # it needs no more steps than that
    assert steps.count < step
    assert refused > (15 if adds == "report" else 3)


def test_a_first_record_on_a_full_disk_leaves_no_folder(tmp_path: Path) -> None:
    write_tables(tmp_path / "quay")
    before, refused = _snapshot(tmp_path), 0
    for step in range(1, 40, 6):
        said = with_steps(Steps(step, full, for_good=True), lambda: keep_record(tmp_path / "quay"))
        recover(tmp_path / "quay")
        if said is not None:
            assert _snapshot(tmp_path) == before
            refused += 1
    assert refused > 4


def _only_what_a_kill_may_leave(folder: Path) -> None:
    """The ledger is sound, and each record of it whole."""
    home = folder / "records"
    if not home.is_dir():
        return
    ledger = records.read_ledger(home)
    assert ledger.faults() == []
    for entry in ledger.reports():
        assert (home / entry.record / "report.html").is_file()
    assert records.verify(folder).faults == ()


@posix
@pytest.mark.slow
@pytest.mark.parametrize("adds", ADDERS)
def test_a_process_killed_at_any_step_leaves_a_sound_ledger(tmp_path: Path, adds: str) -> None:
    folder = tmp_path / "quay"
    keep_record(folder)

    def killed_at(step: int) -> None:
        with_steps(Steps(step, die), lambda: ADDERS[adds](folder))
        os._exit(7)

    for step in range(1, 200):
        ended = in_child(lambda step=step: killed_at(step))  # type: ignore[misc]
        _only_what_a_kill_may_leave(folder)
        if ended != -signal.SIGKILL:
            break
    assert ended == 7
    assert step > 5
    keep_record(folder)
    assert records.verify(folder).faults == ()
    assert not [*folder.glob(".*"), *folder.glob("records/.*")]


@pytest.mark.slow
@posix
def test_processes_killed_at_random_moments_leave_a_sound_ledger(tmp_path: Path) -> None:
    folder = tmp_path / "quay"
    keep_record(folder)
    moments = random.Random(20260107)
    context = multiprocessing.get_context("fork")
    ledger = folder / "records" / "ledger.jsonl"
    for _ in range(40):
        before, deadline = ledger.stat().st_size, time.monotonic() + 20
        children = [context.Process(target=_keep_on, args=(folder,)) for _ in range(2)]
        for child in children:
            child.start()
        while ledger.stat().st_size == before and time.monotonic() < deadline:
            time.sleep(0.002)  # both are at work
        time.sleep(moments.uniform(0.0, 0.03))
        for child in children:
            child.kill()
        for child in children:
            child.join()
        _only_what_a_kill_may_leave(folder)
    # one that was seen in the ledger, and killed before it counted, was put back
    assert len(records.read_ledger(folder / "records").reports()) > 10
    keep_record(folder)
    assert records.verify(folder).faults == ()
    assert not [*folder.glob(".*"), *folder.glob("records/.*")]


def _keep_on(folder: Path) -> None:
    while True:
        keep_record(folder)


def _keep_some(folder: Path) -> None:
    for _ in range(6):
        keep_record(folder)
        records.sign(folder / "records", 1, checked_by="Bo")


@pytest.mark.slow
def test_reports_at_once_each_get_a_number_and_one_chain(tmp_path: Path) -> None:
    folder = tmp_path / "quay"
    write_tables(folder)
    context = multiprocessing.get_context("spawn")
    children = [context.Process(target=_keep_some, args=(folder,)) for _ in range(3)]
    for child in children:
        child.start()
    for child in children:
        child.join()
    assert [child.exitcode for child in children] == [0, 0, 0]
    ledger = records.read_ledger(folder / "records")
    assert [entry.number for entry in ledger.reports()] == list(range(1, 19))
    assert len(ledger.lines) == 36
    assert records.verify(folder).faults == ()


@posix
def test_a_lock_ends_with_its_holder(tmp_path: Path) -> None:
    path = tmp_path / "lock"
    ready, go = os.pipe()

    def hold() -> None:
        with locked(path):
            os.write(go, b".")
            time.sleep(60)

    child = multiprocessing.get_context("fork").Process(target=hold)
    child.start()
    os.read(ready, 1)
    with pytest.raises(Busy, match="Another fizzlab"), locked(path, patience_s=0.1):
        pass
    child.kill()
    child.join()
    with locked(path):
        assert path.exists()
    assert not path.exists()


@pytest.fixture
def open_place() -> Iterator[Path]:
    """A folder that other users may look into."""
    with tempfile.TemporaryDirectory() as place:
        os.chmod(place, 0o755)
        yield Path(place)


@pytest.mark.slow
@posix
def test_a_folder_that_may_not_be_written_stays_as_it_is(open_place: Path) -> None:
    folder = open_place / "quay"
    keep_record(folder)
    places = [folder / "records", folder]
    before = _snapshot(folder)
    for place in places:
        place.chmod(stat.S_IREAD | stat.S_IEXEC | stat.S_IRGRP | stat.S_IXGRP | stat.S_IROTH | stat.S_IXOTH)
    commands = (
        ["report", str(folder)],
        ["records", "correct", str(folder), "1", "--reason", "a slip", "--by", "Ann"],
        ["records", "sign", str(folder), "1", "--checked-by", "Bo"],
    )

    load(folder)  # what is imported for it must be there before this process becomes nobody
    assert fizzlab.report.run is not None
    assert concurrent.futures.ThreadPoolExecutor is not None

    def as_nobody() -> None:
        if os.getuid() == 0:  # root may write anywhere, whatever the bits say
            os.setgroups([])
            os.setgid(65534)
            os.setuid(65534)
        for command in commands:
            result = CliRunner().invoke(main, command)
            assert result.exit_code == 2, (result.output, result.exception)
            assert "The computer refused: Permission denied" in result.output, result.output
        assert CliRunner().invoke(main, ["records", "verify", str(folder)]).exit_code == 0

    ended = in_child(as_nobody)
    for place in reversed(places):
        place.chmod(0o755)
    assert ended == 0
    assert _snapshot(folder) == before


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A disk of one megabyte."""
    place = tmp_path / "disk"
    place.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "size=1m", "tmpfs", place]
    if shutil.which("mount") is None or subprocess.run(mount, capture_output=True, check=False).returncode:
        pytest.skip("this user may not mount a small file system")
    try:
        yield place
    finally:
        subprocess.run(["umount", "-l", place], check=True)


@pytest.mark.slow
@pytest.mark.skipif(sys.platform != "linux", reason="mounts a small file system as Linux does")
def test_a_report_on_a_full_disk_says_so_and_keeps_nothing(small_disk: Path) -> None:
    folder = small_disk / "quay"
    write_tables(folder)
    used = sum(path.stat().st_size for path in folder.iterdir())
    (small_disk / "ballast").write_bytes(b"\0" * (1024 * 1024 - used - 150_000))
    before = _snapshot(folder)
    result = CliRunner().invoke(main, ["report", str(folder)])
    assert result.exit_code == 2
    assert "No space left on device" in result.output
    assert "Traceback" not in result.output
    assert _snapshot(folder) == before
