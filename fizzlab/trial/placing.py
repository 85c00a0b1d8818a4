"""Changing a folder in one step: whoever looks sees all of a change or nothing of it, whatever stops it.

What is new is written into a room in the folder's hidden `.fizzlab`. One thing moves into place by its own
renaming. Of several, what they replace is copied first, and the copies, with a list, become `undo`; then each
is renamed, and the change counts once `undo` has gone, by one renaming too. A process that ends in between
leaves `undo`, and whoever reads or writes there next puts everything back, unless somebody changed a file
since: that is said, and both are kept. So is every trial folder made in a room of the folder around it.

One process at a time changes a folder. Its lock ends with it, and what it left is swept by the next.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import shutil
from collections.abc import Iterable, Iterator, Sequence
from contextvars import ContextVar
from pathlib import Path, PurePath

from fizzlab.errors import BadInput, problem, refuse
from fizzlab.trial.locks import Busy, locked
from fizzlab.trial.opening import bytes_of

#: In a folder that is being changed: rooms to write in, the lock, and what is needed to put a change back.
HIDDEN, LOCK, UNDO, LIST = ".fizzlab", "lock", "undo", ".list"

#: In a trial folder: the records, and the tables that stand in one file.
RECORDS, WORKBOOK = "records", "readings.xlsx"

#: How long to wait for another process, which holds a folder for some seconds at most.
PATIENCE_S = 120.0

#: What this thread holds already.
_MINE: ContextVar[frozenset[Path]] = ContextVar("folders held", default=frozenset())


def folder_there(folder: Path) -> None:
    """Refuse what is no folder (BadInput); first put back what was left half-done in it."""
    recover(folder)
    if not folder.is_dir():
        raise refuse("not_a_folder" if folder.exists() else "folder_missing", str(folder))


def refuse_records(folder: str | Path) -> None:
    """Refuse a folder that lies in a record (BadInput): what stands there is never changed, nor added to."""
    path = Path(folder).resolve()
    for home in (path, *path.parents):
        if home.name == RECORDS and (home / "ledger.jsonl").is_file():
            raise refuse("in_records", str(folder), trial=home.parent.name)


@contextlib.contextmanager
def held(folder: Path, patience_s: float = PATIENCE_S) -> Iterator[None]:
    """Be the only process that changes a folder (Busy after so long); it is whole, and swept, beforehand."""
    folder = folder.resolve()
    home = folder / HIDDEN
    if folder in _MINE.get():
        yield
        return
    if home.is_symlink():
        raise refuse("is_a_link", str(home))
    with _gone_if_empty(home), locked(home / LOCK, patience_s=patience_s):
        _put_back(folder, home / "undone")
        for name in {path.name.removesuffix(".lock") for path in home.iterdir()} - {LOCK}:
            with contextlib.suppress(Busy), locked(home / f"{name}.lock"):
                shutil.rmtree(home / name, ignore_errors=True)
        mine = _MINE.set(_MINE.get() | {folder})
        try:
            yield
        finally:
            _MINE.reset(mine)


def recover(folder: Path) -> None:
    """Before a folder is read: put back what was left half-done in it or around it, and sweep."""
    for place in (folder.resolve(), folder.resolve().parent):
        half = os.path.lexists(place / HIDDEN / UNDO)
        try:
            if place not in _MINE.get() and (place / HIDDEN).is_dir():
                with held(place, PATIENCE_S if half else 0.0):
                    pass
        except (Busy, OSError):  # somebody is at work, or nothing may be written here: leftovers harm nobody
            if half and os.path.lexists(place / HIDDEN / UNDO):
                raise


@contextlib.contextmanager
def room_in(folder: Path) -> Iterator[Path]:
    """A room to write in for as long as it takes; the folder is not held, and the room gone afterwards."""
    room = folder / HIDDEN / f"{os.getpid()}-{os.urandom(4).hex()}"
    with _gone_if_empty(room.parent), contextlib.ExitStack() as stack:
        with held(folder):
            stack.enter_context(locked(room.with_name(f"{room.name}.lock")))
            room.mkdir()
        try:
            yield room
        finally:
            shutil.rmtree(room, ignore_errors=True)


@contextlib.contextmanager
def changing(folder: Path, away: Sequence[str] = ()) -> Iterator[Path]:
    """A room whose files stand in the folder afterwards, while the files `away` do not: all or nothing.

    The folder may be a new one, and is held. It stays as it was if anything is raised or the process ends.
    """
    folder = place = folder.resolve()
    while not place.is_dir():
        place = place.parent
    with held(place), room_in(place) as room:
        inside = room / folder.relative_to(place)
        inside.mkdir(parents=True, exist_ok=True)
        yield inside
        _put(place, room, [(folder / name).relative_to(place).as_posix() for name in away])


def write_whole(path: Path, data: bytes) -> None:
    """Put bytes into a file in one step, and onto the disk."""
    path = path.resolve()
    with changing(path.parent) as room:
        (room / path.name).write_bytes(data)


def _put(folder: Path, room: Path, away: Sequence[str]) -> None:
    new, undo = [*_moves(room, folder)], folder / HIDDEN / UNDO
    if len(new) + len(away) > 1:
        told = {name: (_print(folder / name), _print(room / name)) for name in [*new, *away]}
        for name in filter(lambda name: (folder / name).exists(), told):
            (room / UNDO / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copy2(folder / name, room / UNDO / name)
        (room / UNDO).mkdir(exist_ok=True)
        (room / UNDO / LIST).write_text(json.dumps(told), encoding="utf-8")
    for path in filter(Path.is_file, room.rglob("*")):  # wait until the disk has each
        with contextlib.suppress(PermissionError), path.open("rb+") as file:
            os.fsync(file.fileno())
    for name in new:
        if (folder / name).is_file() and (room / name).is_file():
            shutil.copymode(folder / name, room / name)
    try:
        if len(new) + len(away) > 1:
            os.rename(room / UNDO, undo)
        for name in new:
            os.replace(room / name, folder / name)
        for name in away:
            (folder / name).unlink()
        _sync({(folder / name).parent for name in [*new, *away]})
        if len(new) + len(away) > 1:
            os.rename(undo, room / UNDO)  # the change counts from here
            _sync({undo.parent})
    except BaseException:
        _put_back(folder, room)
        raise


def _sync(folders: Iterable[Path]) -> None:
    """Wait until the disk has what folders hold."""
    for folder in folders:
        with contextlib.suppress(OSError):  # not every system offers that
            at = os.open(folder, os.O_RDONLY)
            try:
                os.fsync(at)
            finally:
                os.close(at)


def _moves(room: Path, folder: Path, at: str = "") -> Iterator[str]:
    """What moves from a room into a folder: files, and folders that are not there yet."""
    for path in sorted((room / at).iterdir()):
        name = path.relative_to(room).as_posix()
        if path.is_dir() and (folder / name).is_dir():
            yield from _moves(room, folder, name)
        else:
            yield name


def _put_back(folder: Path, room: Path) -> None:
    """Undo a change that does not count yet, if there is one; BadInput where that would lose something."""
    home, undo = folder / HIDDEN, folder / HIDDEN / UNDO
    if not os.path.lexists(undo):
        return
    try:
        told = json.loads(bytes_of(undo / LIST))
        ours = not undo.is_symlink() and all(_inside(folder, name) for name in told)
        now = {name: (_print(folder / name), before, after) for name, (before, after) in told.items()}
    except (ValueError, TypeError, AttributeError, FileNotFoundError, NotADirectoryError):
        ours = False
    if not ours:
        raise refuse("undo_not_ours", str(undo), home=home)
    changed = [name for name, (here, *known) in now.items() if here not in known]
    if changed:
        raise BadInput(problem("changed_since", str(folder / name), undo=undo, home=home) for name in changed)
    for name, (here, before, _) in now.items():
        if here != before and before is None:
            (room / "gone" / name).parent.mkdir(parents=True, exist_ok=True)
            os.replace(folder / name, room / "gone" / name)
        elif here != before:
            os.replace(undo / name, folder / name)
    room.mkdir(exist_ok=True)
    os.rename(undo, room / "undone")


def _inside(folder: Path, name: str) -> bool:
    parts = PurePath(name).parts
    return bool(parts) and ".." not in parts and (folder / name).parent.resolve().is_relative_to(folder)


def _print(path: Path) -> str | None:
    """The fingerprint of a file, or of all in a folder; None where there is nothing."""
    if path.is_dir():
        told = "".join(f"{each.name}/{_print(each)}/" for each in sorted(path.iterdir()))
        return f"folder {hashlib.sha256(told.encode()).hexdigest()}"
    return hashlib.sha256(path.read_bytes()).hexdigest() if path.is_file() else None


@contextlib.contextmanager
def _gone_if_empty(home: Path) -> Iterator[None]:
    try:
        yield
    finally:
        with contextlib.suppress(OSError):  # not empty
            home.rmdir()
