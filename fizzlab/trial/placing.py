"""Putting finished files into a trial folder: all of them or none, each whole at every moment."""

from __future__ import annotations

import contextlib
import os
import shutil
from collections.abc import Iterator, Sequence
from pathlib import Path


@contextlib.contextmanager
def beside(folder: Path, prefix: str) -> Iterator[Path]:
    """A folder to write in that is gone afterwards, whatever happened.

    Parameters
    ----------
    folder : Path
        Where the files will go; what is made stands in it, so that renaming is one step.
    prefix : str
        How its name begins.
    """
    making = folder / f"{prefix}{os.getpid()}-{os.urandom(4).hex()}"
    try:
        making.mkdir()
        yield making
    finally:
        shutil.rmtree(making, ignore_errors=True)


def put_in_place(folder: Path, making: Path, names: Sequence[str], away: Sequence[str] = ()) -> None:
    """Rename finished files into the folder; if one cannot be, put back what stood there before.

    A process that is killed half-way leaves each file as it was or as it should be, never missing.

    Parameters
    ----------
    folder : Path
    making : Path
        From `beside`; holds the finished files.
    names : sequence of str
        Files to put in place, in this order; folders in a name are made.
    away : sequence of str
        Files to take away.
    """
    earlier = making / "earlier"
    placed: list[str] = []
    made: list[Path] = []
    try:
        for name in [*names, *away]:
            if (folder / name).exists():
                (earlier / name).parent.mkdir(parents=True, exist_ok=True)
                shutil.copy2(folder / name, earlier / name)
        for name in names:
            home = (folder / name).parent
            if not home.exists():
                home.mkdir()
                made.append(home)
            os.replace(making / name, folder / name)
            placed.append(name)
        for name in away:
            (folder / name).unlink()
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
