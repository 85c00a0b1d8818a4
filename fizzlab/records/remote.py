"""A finished record copied elsewhere: to any address that fsspec speaks, where that extra is installed."""

from __future__ import annotations

import contextlib
from pathlib import Path
from typing import Any

from fizzlab.errors import FizzlabError

#: What marks a record as whole there, and is therefore written last.
LAST = "report.html"


class NotSent(FizzlabError):
    """A record could not be copied to the address; the local record is whole."""


class Address:
    """A place for records, opened before any work is done.

    Parameters
    ----------
    address : str
        Such as ``file:///media/stick/records``, ``s3://bucket/records`` or ``memory://records``.

    Raises
    ------
    NotSent
        fsspec is not installed, or does not know this kind of address.
    """

    def __init__(self, address: str) -> None:
        self.address = address.rstrip("/")
        try:
            from fsspec.core import url_to_fs
        except ImportError:
            raise NotSent(
                f"Records can be written to {address} only where fsspec is installed. "
                "Install it with: pip install 'fizzlab[remote]'"
            ) from None
        try:
            self._files, self._root = url_to_fs(self.address)
        except (ImportError, ValueError, OSError) as error:
            raise NotSent(f"The address {address} cannot be used: {error}") from None

    def send(self, record: Path) -> str:
        """Copy a record folder to the address and return where it lies now.

        Nothing that is there is overwritten. The page is written last, so that a folder with a page is a
        whole record; after a failure or a Ctrl-C the files that were written are taken away again.

        Raises
        ------
        NotSent
            A record of that name is there already, or the place refused.
        """
        there, shown = f"{self._root.rstrip('/')}/{record.name}", f"{self.address}/{record.name}"
        written: list[str] = []
        try:
            self._claim(there)
            for path in _page_last(record):
                target = f"{there}/{path.relative_to(record).as_posix()}"
                self._files.makedirs(target.rpartition("/")[0], exist_ok=True)
                written.append(target)
                self._files.pipe_file(target, path.read_bytes())
        except FileExistsError:
            raise NotSent(
                f"{shown} is there already and was left as it is. The new record is whole at {record}; "
                "give another address, or copy it by hand under another name."
            ) from None
        except BaseException as error:
            self._take_away(there, written)
            # storage services raise errors of their own kinds, which have no common root
            if isinstance(error, Exception):
                raise NotSent(
                    f"The record is whole at {record}, but it could not be written to {shown}: "
                    f"{_said(error)} Copy the folder there by hand."
                ) from None
            raise
        return shown

    def _claim(self, there: str) -> None:
        if self._files.exists(there):
            raise FileExistsError(there)
        self._files.makedirs(there, exist_ok=False)

    def _take_away(self, there: str, written: list[str]) -> None:
        for path in written:
            with contextlib.suppress(Exception):
                self._files.rm_file(path)
        folders = {path.rpartition("/")[0] for path in written} | {there}
        for folder in sorted(folders, key=len, reverse=True):
            with contextlib.suppress(Exception):
                self._files.rmdir(folder)


def _page_last(record: Path) -> list[Path]:
    files = sorted(path for path in record.rglob("*") if path.is_file())
    return sorted(files, key=lambda path: path == record / LAST)


def _said(error: Any) -> str:
    text = getattr(error, "strerror", None) or str(error) or type(error).__name__
    return f"{text.rstrip('.')}."
