"""Fingerprints of files, and the versions of what computed a report."""

from __future__ import annotations

import hashlib
import os
import platform
from collections.abc import Iterable
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

#: The libraries whose version can change a number or a picture.
LIBRARIES = ("fizzlab", "numpy", "scipy", "pandas", "statsmodels", "matplotlib", "seaborn", "papermill")


def fingerprint(path: Path) -> str:
    """SHA-256 of a file's bytes, in hexadecimal.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     file = Path(folder) / "runs.csv"
    ...     _ = file.write_bytes(b"abc")
    ...     fingerprint(file)[:16]
    'ba7816bf8f01cfea'
    """
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def fingerprints(folder: Path, paths: Iterable[Path]) -> dict[str, str]:
    """Fingerprints by the file's name as seen from the trial folder, ``../autumn/runs.csv`` for another's."""
    return {name_of(path, folder): fingerprint(path) for path in paths}


def name_of(path: Path, folder: Path) -> str:
    """A file's name as seen from the trial folder."""
    return Path(os.path.relpath(path, folder)).as_posix()


def kept_as(name: str) -> str:
    """Where the copy of an input stands in a record's ``inputs/``, so that another trial's stays inside it.

    Examples
    --------
    >>> kept_as("runs.csv"), kept_as("../autumn/runs.csv")
    ('runs.csv', 'earlier/autumn/runs.csv')
    """
    return "/".join("earlier" if part == ".." else part for part in name.split("/"))


def versions() -> dict[str, str]:
    """Versions of Python and of the libraries that were used."""
    found = {"python": platform.python_version()}
    for name in LIBRARIES:
        try:
            found[name] = version(name)
        except PackageNotFoundError:
            found[name] = "not installed"
    return found
