"""Locks on a file that two processes, or two threads, respect, and that end with whoever holds them.

The operating system lets go of the lock when its holder dies, so a killed report never blocks the next one.
The file goes with the lock, and whoever waited on it opens a new one. The package `filelock` does not keep
these promises: on Unix it leaves the file (or, in 3.20.4 to mid-2026, deleted it so that two could hold one
lock), and on a drive without locks it falls back to a file that outlives its holder.
"""

from __future__ import annotations

import contextlib
import errno
import os
import sys
import time
from collections.abc import Iterator
from pathlib import Path

from fizzlab.errors import FizzlabError
from fizzlab.language import say

_AGAIN_S = 0.02

_BUSY = {errno.EACCES, errno.EAGAIN, errno.EWOULDBLOCK, errno.EDEADLK}
_NO_LOCKS = {errno.ENOLCK, errno.ENOSYS, errno.ENOTSUP, errno.EOPNOTSUPP}


class Busy(FizzlabError):
    """Someone else holds the lock, and has for as long as one would wait."""


@contextlib.contextmanager
def locked(path: Path, *, patience_s: float = 0.0) -> Iterator[None]:
    """Hold the lock of a file, which is made for it, with its folder, and taken away afterwards.

    Busy is raised where somebody else still holds it after `patience_s` seconds.
    """
    deadline = time.monotonic() + patience_s
    while (held := _taken(path)) is None:
        if time.monotonic() >= deadline:
            raise Busy(say("busy", folder=path.parent, seconds=patience_s))
        time.sleep(_AGAIN_S)
    try:
        yield
    finally:
        _release(held, path)


def _taken(path: Path) -> int | None:
    """The file descriptor that holds the lock, or None while someone else does."""
    with contextlib.suppress(FileExistsError):  # `exist_ok` looks again, when its last user may have gone
        path.parent.mkdir()
    try:
        held = os.open(path, os.O_RDWR | os.O_CREAT | getattr(os, "O_CLOEXEC", 0), 0o666)
    except FileNotFoundError:
        return None  # the folder went away in between
    except PermissionError:
        if sys.platform == "win32" and path.exists():
            return None  # it is being taken away by the one who held it
        raise
    try:
        _try(held)
        if os.path.samestat(os.fstat(held), os.stat(path)):  # it is still the file of that name
            return held
    except BaseException as error:
        code = error.errno if isinstance(error, OSError) else None
        if code not in _BUSY and not isinstance(error, FileNotFoundError):
            os.close(held)
            if code in _NO_LOCKS:
                raise FizzlabError(say("no_locks")) from None
            raise
    os.close(held)
    return None


if sys.platform == "win32":
    import msvcrt

    def _try(held: int) -> None:
        msvcrt.locking(held, msvcrt.LK_NBLCK, 1)

    def _release(held: int, path: Path) -> None:
        with contextlib.suppress(OSError):
            msvcrt.locking(held, msvcrt.LK_UNLCK, 1)
        os.close(held)
        with contextlib.suppress(OSError):  # refused while another has it open, who then takes it away
            os.unlink(path)

else:
    import fcntl

    def _try(held: int) -> None:
        fcntl.flock(held, fcntl.LOCK_EX | fcntl.LOCK_NB)

    def _release(held: int, path: Path) -> None:
        with contextlib.suppress(OSError):  # while it is held: afterwards the name may be someone else's
            os.unlink(path)
        os.close(held)
