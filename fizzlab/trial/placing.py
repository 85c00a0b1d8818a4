"""Putting finished files into a trial folder: all of them or none, each whole at every moment."""

from __future__ import annotations

import contextlib
import os
import shutil
from collections.abc import Iterator, Sequence
from pathlib import Path


@contextlib.contextmanager
def beside(folder: Path, prefix: str) -> Iterator[Path]:
    """A folder inside another to write in, so that renaming is one step; gone afterwards in any case."""
    making = folder / f"{prefix}{os.getpid()}-{os.urandom(4).hex()}"
    try:
        making.mkdir()
        yield making
    finally:
        shutil.rmtree(making, ignore_errors=True)


def put_in_place(folder: Path, making: Path, names: Sequence[str], away: Sequence[str] = ()) -> None:
    """Rename the finished files `names` into the folder, then take some away; all are put back if one fails.

    A process that is killed half-way leaves each file as it was or as it should be, never missing.
    """
    earlier = making / "earlier"
    placed: list[str] = []
    made: list[Path] = []
    try:
        for name in [*names, *away]:
            if (folder / name).exists():
                (earlier / name).parent.mkdir(parents=True, exist_ok=True)
                shutil.copy2(folder / name, earlier / name)
        for name in [*names, *away]:
            home = (folder / name).parent
            if not home.exists():
                home.mkdir()
                made.append(home)
            if name in away:
                (folder / name).unlink()
            else:
                os.replace(making / name, folder / name)
            placed.append(name)
    except BaseException:
        for name in placed:
            if (earlier / name).exists():
                os.replace(earlier / name, folder / name)
            else:
                (folder / name).unlink(missing_ok=True)
        for home in made:
            with contextlib.suppress(OSError):
                home.rmdir()
        raise


def flushed_beside(path: Path, data: bytes) -> Path:
    """Write what a file is to hold next to it, all the way to the disk; `put` then takes one step."""
    part = path.with_name(f".{path.name}.part")
    try:
        with part.open("wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        if path.exists():
            shutil.copymode(path, part)
    except BaseException:
        part.unlink(missing_ok=True)
        raise
    return part


def put(part: Path, path: Path) -> None:
    """Let a finished file take the place of the old one, and wait until the disk has its name."""
    os.replace(part, path)
    with contextlib.suppress(OSError):  # not every system offers that
        held = os.open(path.parent, os.O_RDONLY)
        try:
            os.fsync(held)
        finally:
            os.close(held)


def write_whole(path: Path, data: bytes) -> None:
    """Put bytes into a file in one step, and onto the disk: whoever reads sees the old file or the new."""
    path = path.resolve()
    part = flushed_beside(path, data)
    try:
        put(part, path)
    finally:
        part.unlink(missing_ok=True)
