"""Opening the files of a folder that a stranger may have sent: plain, not without end, not open elsewhere."""

from __future__ import annotations

from pathlib import Path
from stat import S_ISREG

from fizzlab.errors import BadInput, Problem

#: A file of more bytes, or a workbook that unpacks to more, is refused: no hand-kept notebook is so large.
MOST_BYTES = 200 * 1024 * 1024


def bytes_of(path: Path) -> bytes:
    """What a file holds; BadInput, not opened, where it is a pipe, a device or a folder, or is too large."""
    about = path.stat()
    if not S_ISREG(about.st_mode):
        do = "Put a file of that name there, or take it away."
        raise BadInput([Problem(path.name, "it is no file but a folder, a pipe or a device.", do)])
    if about.st_size > MOST_BYTES:
        what = "it is larger than 200 MB, far more than a hand-kept notebook."
        raise BadInput([Problem(path.name, what, "Keep only the readings of this trial in it.")])
    return path.read_bytes()


def open_in(path: Path) -> Path | None:
    """The mark that a spreadsheet program leaves beside a file that it has open; None if there is none."""
    marks = (path.with_name(f"~${path.name}"), path.with_name(f".~lock.{path.name}#"))
    return next((mark for mark in marks if mark.exists()), None)
