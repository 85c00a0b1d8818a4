"""What the records survive: reports at once, a full disk, a killed process, a folder that may not be written.

Each is done, not pretended, where the system allows; a full disk is also played at every step of writing.
"""

from __future__ import annotations

import builtins
import errno
import io
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
from typing import Any

import pytest
from click.testing import CliRunner
from kept_trial import keep_record, write_tables

import fizzlab.report.run
from fizzlab import records
from fizzlab.cli.main import main
from fizzlab.records.locks import Busy, locked
from fizzlab.trial.folder import load

posix = pytest.mark.skipif(os.name == "nt", reason="forks, kills and permission bits are those of POSIX")


def _snapshot(folder: Path) -> dict[str, bytes]:
    return {
        path.relative_to(folder).as_posix(): path.read_bytes() if path.is_file() else b""
        for path in folder.rglob("*")
    }


def _in_child(work: Callable[[], None]) -> int:
    """Run in a forked child; its exit code, or minus the signal that ended it."""
    child = os.fork()
    if child == 0:
        try:
            work()
            os._exit(0)
        except BaseException as error:
            os.write(2, f"{type(error).__name__}: {error}\n".encode())
            os._exit(99)
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])


class Steps:
    """Counts every step of writing, and lets one of them, or all from there on, go wrong.

    Parameters
    ----------
    fail_at : int
        The first step that goes wrong, from 1; 0 for none.
    wrong : callable
        Called there.
    for_good : bool
        Do the later steps that need room on the disk go wrong too?
    """

    def __init__(self, fail_at: int, wrong: Callable[[], None], *, for_good: bool = False) -> None:
        self.count, self.fail_at, self.wrong, self.for_good = 0, fail_at, wrong, for_good

    def take(self, *, needs_room: bool) -> None:
        self.count += 1
        later = self.for_good and needs_room and self.count > self.fail_at > 0
        if self.count == self.fail_at or later:
            self.wrong()

    def set_on(self, patch: pytest.MonkeyPatch) -> None:
        """Put the counter before every call that writes."""
        for name in ("mkdir", "rename", "replace", "fsync"):
            patch.setattr(os, name, self._before(getattr(os, name), needs_room=name in ("mkdir", "fsync")))
        really_open, really_os_open = io.open, os.open

        def counted(file: Any, mode: str = "r", *rest: Any, **named: Any) -> Any:
            if not set(mode) & set("wax"):
                return really_open(file, mode, *rest, **named)
            self.take(needs_room=True)
            return _Halting(really_open(file, mode, *rest, **named), self)

        def os_counted(path: Any, flags: int, *rest: Any, **named: Any) -> int:
            if flags & os.O_CREAT:
                self.take(needs_room=True)
            return really_os_open(path, flags, *rest, **named)

        patch.setattr(io, "open", counted)
        patch.setattr(builtins, "open", counted)
        patch.setattr(os, "open", os_counted)

    def _before(self, call: Callable[..., Any], *, needs_room: bool) -> Callable[..., Any]:
        def counted(*given: Any, **named: Any) -> Any:
            self.take(needs_room=needs_room)
            return call(*given, **named)

        return counted


class _Halting:
    """A file whose writing may stop half-way."""

    def __init__(self, file: Any, steps: Steps) -> None:
        self._file, self._steps = file, steps

    def write(self, data: Any) -> int:
        half = len(data) // 2
        self._file.write(data[:half])
        self._file.flush()
        self._steps.take(needs_room=True)
        return half + int(self._file.write(data[half:]))

    def __getattr__(self, name: str) -> Any:
        return getattr(self._file, name)

    def __enter__(self) -> _Halting:
        return self

    def __exit__(self, *why: object) -> None:
        self._file.close()


def _full() -> None:
    raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))


def _die() -> None:
    os.kill(os.getpid(), signal.SIGKILL)


ADDERS: dict[str, Callable[[Path], object]] = {
    "report": keep_record,
    "correction": lambda folder: records.correct(folder / "records", 1, reason="a slip", by="Ann"),
    "sign-off": lambda folder: records.sign(folder / "records", 1, checked_by="Bo"),
    "plan": lambda folder: _plan(folder),
}


#: A report takes many more steps than the others.
EACH = [pytest.param(name, marks=pytest.mark.slow) if name == "report" else name for name in ADDERS]


def _plan(folder: Path) -> None:
    with records.planning(
        folder / "records", trial="quay", title="t", by="Ann", plan="compare", seed=1, runs=[{"run": "A"}]
    ):
        pass


@pytest.mark.parametrize("for_good", [False, True], ids=["one step fails", "full from there on"])
@pytest.mark.parametrize("adds", EACH)
def test_a_disk_that_is_full_at_any_step_leaves_everything_as_it_was(
    tmp_path: Path, adds: str, for_good: bool
) -> None:
    refused = 0
    for step in range(1, 200):
        folder = tmp_path / str(step) / "quay"
        keep_record(folder)
        before = _snapshot(folder)
        steps = Steps(step, _full, for_good=for_good)
        said = _with_steps(steps, lambda folder=folder: ADDERS[adds](folder))  # type: ignore[misc]
        assert records.verify(folder).faults == ()
        assert not list(folder.glob("records/.*"))
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


def _with_steps(steps: Steps, work: Callable[[], object]) -> OSError | None:
    """What went wrong when the work was done under the counter, if anything did."""
    with pytest.MonkeyPatch.context() as patch:
        steps.set_on(patch)
        try:
            work()
        except OSError as error:
            return error
    return None


def test_a_first_record_on_a_full_disk_leaves_no_folder(tmp_path: Path) -> None:
    write_tables(tmp_path / "quay")
    before = _snapshot(tmp_path)
    for step in (1, 2, 3, 8, 15):
        said = _with_steps(Steps(step, _full, for_good=True), lambda: keep_record(tmp_path / "quay"))
        assert said is not None
        assert _snapshot(tmp_path) == before


def _only_what_a_kill_may_leave(folder: Path) -> None:
    """The ledger is sound, each record of it is whole, and at most a whole record waits for its line."""
    home = folder / "records"
    if not home.is_dir():
        return
    ledger = records.read_ledger(home)
    assert ledger.faults() == []
    for entry in ledger.reports():
        assert (home / entry.record / "report.html").is_file()
    for fault in records.verify(folder).faults:
        assert fault.kind == "stranger"
        assert "it is whole; if you know where it comes from, enter it with" in fault.sentence


@posix
@pytest.mark.parametrize("adds", EACH)
def test_a_process_killed_at_any_step_leaves_a_sound_ledger(tmp_path: Path, adds: str) -> None:
    folder = tmp_path / "quay"
    keep_record(folder)
    waited = 0

    def killed_at(step: int) -> None:
        _with_steps(Steps(step, _die), lambda: ADDERS[adds](folder))
        os._exit(7)

    for step in range(1, 200):
        ended = _in_child(lambda step=step: killed_at(step))  # type: ignore[misc]
        _only_what_a_kill_may_leave(folder)
        waited += bool(records.verify(folder).faults)
        if ended != -signal.SIGKILL:
            break
    assert ended == 7
    assert step > 5
    assert waited == (1 if adds == "report" else 0)  # between the two renames
    if waited:
        records.adopt(folder / "records", reason="the power went")
    keep_record(folder)
    assert records.verify(folder).faults == ()
    assert not list(folder.glob("records/.*"))


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
    assert len(records.read_ledger(folder / "records").reports()) > 40
    if records.verify(folder).faults:
        records.adopt(folder / "records", reason="they were killed")
    keep_record(folder)
    assert records.verify(folder).faults == ()
    assert not list(folder.glob("records/.*"))


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

    ended = _in_child(as_nobody)
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
