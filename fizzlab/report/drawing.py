"""While a report's kernel works on, this process draws the pictures that the kernel hands on."""

from __future__ import annotations

import pickle
from pathlib import Path
from threading import Event, Lock, Thread
from typing import Any, Self

from fizzlab.report.page import HANDED, HANDED_TYPE, Bundle, Part, failed

_STYLE = Lock()  # Matplotlib's style is the whole process's


class Drawing:
    """Draws what the kernel lays into a folder, and puts it where the notebook shows the picture."""

    def __init__(self, folder: Path) -> None:
        self._folder, self._ended = folder, Event()
        self._drawn, self._shown = dict[str, Bundle](), list[Any]()
        self._thread = Thread(target=self._watch, daemon=True)

    def __enter__(self) -> Self:
        if self._folder.is_dir():
            self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._ended.set()

    def take(self, cell: Any, **_: Any) -> None:
        """Remember where a cell that has run shows pictures."""
        self._shown += [output for output in cell["outputs"] if HANDED_TYPE in output.get("data", {})]

    def put(self, **_: Any) -> bool:
        """Wait for the last picture and put each into its place; was there one?"""
        from nbformat import from_dict

        self._ended.set()
        if self._shown:
            self._thread.join()
        for output in self._shown:
            output["data"], output["metadata"] = map(from_dict, self._drawn[output["data"][HANDED_TYPE]])
        return bool(self._shown)

    def _watch(self) -> None:
        """Draw each picture once, until there is none to come."""
        import matplotlib.figure  # noqa: F401  # loaded before the first is there

        last = False
        while not last:
            last = self._ended.wait(0.02)
            for path in sorted(self._folder.glob(f"*{HANDED}")):
                if path.name not in self._drawn:
                    self._drawn[path.name] = _draw(path)


def _draw(path: Path) -> Bundle:
    """A picture as it shows itself, or the sentence that stands in its place."""
    try:
        picture = pickle.loads(path.read_bytes())
    except Exception as error:
        picture = failed("Picture", error)
    with _STYLE:
        [bundle] = Part([picture]).bundles()
    return bundle
