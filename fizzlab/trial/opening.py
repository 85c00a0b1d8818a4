"""Opening the files of a folder that a stranger may have sent: plain, not without end, not open elsewhere."""

from __future__ import annotations

import os
import tomllib
from contextlib import suppress
from pathlib import Path
from stat import S_ISREG

from fizzlab.errors import FizzlabError, refuse
from fizzlab.language import languages, spoken

#: The name of the file that makes a folder a trial.
FILE = "trial.toml"

#: Names to a kernel the folder in which it and the process that started it hand things to each other;
#: there lies the trial that was read, under no name that makes that folder a trial.
EXCHANGE, READ = "FIZZLAB_EXCHANGE", "trial.pickle"

#: A file of more bytes, or a workbook that unpacks to more, is refused: no hand-kept notebook is so large.
MOST_BYTES = 200 * 1024 * 1024


def exchanged(name: str) -> Path | None:
    """What lies in the folder `EXCHANGE` under a name; None where nothing does, or outside such a kernel."""
    folder = os.environ.get(EXCHANGE)
    return path if folder and (path := Path(folder) / name).exists() else None


def bytes_of(path: str | Path) -> bytes:
    """What a file holds; BadInput, not opened, where it is a pipe, a device or a folder, or is too large."""
    about = os.stat(path)
    if not S_ISREG(about.st_mode):
        raise refuse("no_file", os.path.basename(path))
    if about.st_size > MOST_BYTES:
        raise refuse("file_too_large", os.path.basename(path))
    with open(path, "rb", buffering=0) as file:  # plain, since a search of the records opens thousands
        return file.readall()


def language_of(folder: Path) -> str:
    """The language that a trial asks for; the one that is spoken where its trial.toml does not say."""
    with suppress(OSError, ValueError, RecursionError, FizzlabError):
        said = tomllib.loads(bytes_of(folder / FILE).decode("utf-8-sig")).get("language")
        return said if said in languages() else spoken()
    return spoken()


def open_in(path: Path) -> Path | None:
    """The mark that a spreadsheet program leaves beside a file that it has open; None if there is none."""
    marks = (path.with_name(f"~${path.name}"), path.with_name(f".~lock.{path.name}#"))
    return next((mark for mark in marks if mark.exists()), None)
