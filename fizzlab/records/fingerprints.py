"""Fingerprints of files, and the versions of what computed a report."""

from __future__ import annotations

import hashlib
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
    """Fingerprints by the file's name inside the trial folder."""
    return {path.relative_to(folder).as_posix(): fingerprint(path) for path in paths}


def versions() -> dict[str, str]:
    """Versions of Python and of the libraries that were used."""
    found = {"python": platform.python_version()}
    for name in LIBRARIES:
        try:
            found[name] = version(name)
        except PackageNotFoundError:
            found[name] = "not installed"
    return found
