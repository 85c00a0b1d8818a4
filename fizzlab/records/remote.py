"""A finished record copied elsewhere: to any address that fsspec speaks, where that extra is installed."""

from __future__ import annotations

import contextlib
from pathlib import Path

from fizzlab.errors import FizzlabError
from fizzlab.language import say
from fizzlab.records.ledger import LEDGER, PAGE, is_plain
from fizzlab.records.seals import SEALS


class NotSent(FizzlabError):
    """A record could not be copied to the address; the local record is whole."""


class Address:
    """A place for records, such as ``file:///media/stick/records`` or ``s3://bucket/records``.

    NotSent is raised where fsspec is not installed, or does not know this kind of address.
    """

    def __init__(self, address: str) -> None:
        self.address = address.rstrip("/")
        try:
            from fsspec.core import url_to_fs
        except ImportError:
            raise NotSent(say("no_fsspec", address=address)) from None
        try:
            self._files, self._root = url_to_fs(self.address)
        except (ImportError, ValueError, OSError) as error:
            raise NotSent(say("address_unusable", address=address, error=error)) from None

    def send(self, record: Path) -> str:
        """Copy a record with the ledger and seals to the address, say where it lies; NotSent if that failed.

        Nothing that is there is overwritten. The page is written last, so that a folder with a page is a
        whole record; after a failure or a Ctrl-C the files that were written are taken away again.
        """
        there, shown = f"{self._root.rstrip('/')}/{record.name}", f"{self.address}/{record.name}"
        files = {path.relative_to(record).as_posix(): path for path in record.rglob("*") if path.is_file()}
        # so that the copy can be verified alone
        carried = [record.parent / LEDGER, *record.parent.glob(f"{SEALS}/*")]
        files |= {path.relative_to(record.parent).as_posix(): path for path in carried if is_plain(path)}
        begun = False
        try:
            if self._files.exists(there):
                raise FileExistsError
            self._files.makedirs(there, exist_ok=False)
            begun = True
            for name in sorted(files, key=lambda name: name == PAGE):
                target = f"{there}/{name}"
                self._files.makedirs(target.rpartition("/")[0], exist_ok=True)
                self._files.pipe_file(target, files[name].read_bytes())
        except FileExistsError:
            raise NotSent(say("copy_there_already", shown=shown, record=record)) from None
        except BaseException as error:
            with contextlib.suppress(Exception):
                self._files.rm(there, recursive=True) if begun else None
            if not isinstance(error, Exception):
                raise
            # storage services raise errors of their own kinds, which have no common root
            why = (getattr(error, "strerror", None) or str(error) or type(error).__name__).rstrip(".")
            raise NotSent(say("not_copied", record=record, shown=shown, why=why)) from None
        return shown
