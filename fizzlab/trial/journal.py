"""The bench's journal: one line of JSON for each press, on the disk before the press is confirmed.

A reading is safe once its line is here. Putting it into its table comes second and is noted in a line of its
own, so that whatever stops the computer in between, the next opening knows what is still to be put in.
"""

from __future__ import annotations

import json
import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from fizzlab.errors import FizzlabError

JOURNAL = "bench-log.jsonl"

Line = dict[str, Any]


class OtherBench(FizzlabError):
    """Somebody else wrote into the journal since this bench last did."""

    def __init__(self) -> None:
        super().__init__(
            "This trial has been opened at another bench since; nothing was logged here. "
            "Run this notebook again to go on here."
        )


@dataclass
class Journal:
    """The journal of one trial folder, open for adding.

    Parameters
    ----------
    path : Path
    lines : list of dict
        What stands in it.
    unreadable : int
        Lines that are no JSON: each was being written when the computer stopped, and never confirmed.
    """

    path: Path
    lines: list[Line] = field(default_factory=list)
    unreadable: int = 0
    _size: int = 0

    @classmethod
    def open(cls, folder: Path) -> Journal:
        """Read the journal of a folder; an empty one where there is none. Nothing is written."""
        path = folder / JOURNAL
        data = path.read_bytes() if path.exists() else b""
        lines, unreadable = _read(data)
        return cls(path, lines, unreadable, len(data))

    def add(self, line: Mapping[str, Any]) -> None:
        """Write one line to the disk, whole or not at all.

        Raises
        ------
        OtherBench
            The file was changed by somebody else. Nothing is written.
        OSError
            The computer refused. Nothing is kept of the line.
        """
        text = json.dumps(line, ensure_ascii=False, separators=(",", ":"))
        if (self.path.stat().st_size if self.path.exists() else 0) != self._size:
            raise OtherBench
        with self.path.open("ab+") as file:
            whole = b""
            if self._size:
                file.seek(-1, os.SEEK_END)
                whole = b"" if file.read(1) == b"\n" else b"\n"  # after a line that was cut off
            data = whole + text.encode() + b"\n"
            try:
                file.write(data)
                file.flush()
                os.fsync(file.fileno())
            except OSError:
                file.truncate(self._size)
                raise
        self._size += len(data)
        self.lines.append(dict(line))


def _read(data: bytes) -> tuple[list[Line], int]:
    lines: list[Line] = []
    unreadable = 0
    for piece in data.split(b"\n"):
        if not piece.strip():
            continue
        try:
            line = json.loads(piece)
        except ValueError:
            unreadable += 1
            continue
        if _sound(line):
            lines.append(line)
        else:
            unreadable += 1
    return lines, unreadable


_NEEDED: dict[str, dict[str, type | tuple[type, ...]]] = {
    "open": {},
    "log": {"id": int, "at": (int, float), "table": str, "cells": dict, "says": str},
    "undo": {"id": int, "of": int, "at": (int, float)},
    "writing": {"id": int, "changes": list},
    "not_written": {"id": int},
    "written": {"id": int},
    "kept": {"id": int},
    "start": {"run": str, "piece": str, "water_c": str, "at": (int, float)},
    "stop": {},
}


def _sound(line: object) -> bool:
    needed = _NEEDED.get(str(line.get("did"))) if isinstance(line, dict) else None
    return (
        needed is not None
        and isinstance(line, dict)
        and all(isinstance(line.get(key), kind) for key, kind in needed.items())
        and all(isinstance(change, list) and len(change) == 3 for change in line.get("changes", []))
    )


def not_put_in(lines: Sequence[Line]) -> list[int]:
    """Numbers of the entries that have not reached their table (or, undone, have not left it).

    Examples
    --------
    >>> log = {"did": "log", "id": 1}
    >>> not_put_in([log]), not_put_in([log, {"did": "written", "id": 1}])
    ([1], [])
    >>> not_put_in([log, {"did": "undo", "id": 2, "of": 1}])
    []
    """
    logs: list[int] = []
    undos: dict[int, int] = {}
    begun: set[int] = set()
    written: set[int] = set()
    for line in lines:
        number = int(line.get("id", 0))
        match line["did"]:
            case "log":
                logs.append(number)
            case "undo":
                undos[number] = int(line["of"])
            case "writing":
                begun.add(number)
            case "not_written":
                begun.discard(number)
            case "written":
                written.add(number)
            case "kept":
                undos.pop(number, None)
    touched = begun | written  # what may stand in a table
    open_ = [number for number in logs if number not in undos.values() or number in touched]
    open_ += [number for number, of in undos.items() if of in touched]
    return sorted(set(open_) - written)
