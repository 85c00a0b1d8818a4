"""Every step of writing is counted, and one of them, or all from there on, goes wrong."""

from __future__ import annotations

import builtins
import errno
import io
import os
import signal
from collections.abc import Callable
from typing import Any

import pytest

Work = Callable[[], object]


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
        for name in (
            "mkdir",
            "rename",
            "replace",
            "fsync",
            "unlink",
            "rmdir",
            "sendfile",
            "truncate",
            "chmod",
        ):
            if hasattr(os, name):
                needs = name in ("mkdir", "fsync", "sendfile")
                patch.setattr(os, name, self._before(getattr(os, name), needs_room=needs))
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
    """A file whose writing may stop half-way: at its first four writes, and at every sixteenth."""

    def __init__(self, file: Any, steps: Steps) -> None:
        self._file, self._steps, self._writes = file, steps, 0

    def write(self, data: Any) -> int:
        self._writes += 1
        if self._writes > 4 and self._writes % 16:
            return int(self._file.write(data))
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


def full() -> None:
    raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))


def die() -> None:
    os.kill(os.getpid(), signal.SIGKILL)


def with_steps(steps: Steps, work: Work) -> OSError | None:
    """What went wrong when the work was done under the counter, if anything did."""
    with pytest.MonkeyPatch.context() as patch:
        steps.set_on(patch)
        try:
            work()
        except OSError as error:
            return error
    return None


def in_child(work: Callable[[], object]) -> int:
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
