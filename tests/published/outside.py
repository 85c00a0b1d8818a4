"""How a check against something outside the project says what it compares.

A check calls `agrees`, `same`, `inside` or `holds`. Each asserts, and leaves one row for docs/validation.md:
what was compared, the outside value, ours, and how far apart they may be.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from math import floor, log10
from typing import Any, Literal

import numpy as np
import pytest

#: Why a check is passed over where lifelines is not installed.
NO_LIFELINES = "lifelines holds pandas below 3: .ci/run makes this check in an environment with pandas 2"

Kind = Literal["certified", "standard", "publication", "program", "invented", "trade", "theory"]


@dataclass(frozen=True)
class Source:
    """Where an outside value is from.

    `seen` says how we came to know it, `how` is the command that gave it; `live` marks a value that is worked
    out while the check runs.
    """

    kind: Kind
    name: str
    seen: str
    how: str = ""
    live: bool = False


@dataclass(frozen=True)
class Row:
    """One line of the table. Differences are shares of the outside value where `relative`."""

    source: Source
    what: str
    outside: str
    ours: str
    differs: float | None = None
    allowed: float | None = None
    relative: bool = False

    def told(self) -> dict[str, Any]:
        return asdict(self)


ROWS: list[Row] = []
"""Rows of the test that runs now."""


def agrees(
    what: str, ours: Any, outside: Any, source: Source, *, rel: float | None = None, abs: float | None = None
) -> None:
    """Assert that numbers are those of the source, within what `pytest.approx` allows."""
    found, wanted = np.asarray(ours, float), np.asarray(outside, float)
    assert rel is None or abs is None
    assert found.shape == wanted.shape, (what, found.shape, wanted.shape)
    difference = np.abs(found - wanted)
    size = np.abs(wanted)
    relative = bool(abs is None and size.min() > 0)
    differs = float((difference / size).max() if relative else difference.max())
    # pytest.approx: 1e-6 of the value unless told otherwise
    allowed = (1e-6 if rel is None else rel) if relative else (1e-12 if abs is None else abs)
    if abs is None and not relative:
        allowed = float((1e-6 if rel is None else rel) * size.max())
    # without the absolute 1e-12 that approx adds by itself, and that swallows a small p-value
    limits = {"rel": allowed, "abs": 0.0} if relative else {"rel": rel, "abs": abs}
    if found.ndim == 0:
        assert float(found) == pytest.approx(float(wanted), **limits), what
    else:
        assert found == pytest.approx(wanted, **limits), what
    step = (allowed * size if relative else np.full(size.shape, allowed)) if source.live else None
    shown = _shown(found, wanted, step)
    # parts of 1e-12 are noise, and would differ between machines
    ROWS.append(Row(source, what, *shown, float(f"{max(differs, 1e-12):.1e}"), allowed, relative))


def same(what: str, ours: Any, outside: Any, source: Source, shown: str | None = None) -> None:
    """Assert that something is exactly that of the source; `shown` says it where it is long."""
    assert ours == outside, what
    ROWS.append(Row(source, what, shown or _worded(outside), "the same"))


def inside(what: str, ours: float, low: float, high: float, source: Source) -> None:
    """Assert that a number lies between two that the source gives."""
    assert low <= ours <= high, what
    ROWS.append(Row(source, what, f"{low:.6g} to {high:.6g}", f"{ours:.6g}"))


def holds(what: str, claim: str, so: bool, source: Source, ours: str = "so it is") -> None:
    """Assert something that the source says and that is neither a number nor a list."""
    assert so, (what, claim)
    ROWS.append(Row(source, what, claim, ours))


def _worded(value: Any) -> str:
    if isinstance(value, dict):
        return ", ".join(f"{key} {item}" for key, item in value.items())
    if isinstance(value, set | frozenset):
        value = sorted(value)
    return ", ".join(map(str, value)) if isinstance(value, list | tuple) else str(value)


def _plain(value: float) -> str:
    return f"{value:.10g}"


def _decimals(value: float) -> int:
    mantissa, _, exponent = _plain(value).partition("e")
    return max(len(mantissa.partition(".")[2]) - int(exponent or 0), 0)


def _shown(found: np.ndarray, wanted: np.ndarray, step: np.ndarray | None) -> tuple[str, str]:
    """Both as text: to the digits that the source gives, or one past the step that is allowed."""
    ours, theirs = [], []
    for i, (f, w) in enumerate(zip(found.ravel().tolist(), wanted.ravel().tolist(), strict=True)):
        places = _decimals(w)
        if step is not None:
            places = min(places, max(1 - floor(log10(step.ravel()[i])), 0))
        ours.append(_to_places(f, places))
        theirs.append(_to_places(w, places))
    return _listed(theirs), _listed(ours)


def _to_places(value: float, places: int) -> str:
    if value != 0 and (np.abs(value) < 1e-4 or np.abs(value) >= 1e7):
        return f"{value:.{max(places + floor(log10(np.abs(value))), 0)}e}"
    text = f"{value:.{places}f}"
    return text.removeprefix("-") if float(text) == 0 else text


def _listed(words: Sequence[str]) -> str:
    if len(words) <= 4:
        return ", ".join(words)
    return f"{words[0]}, {words[1]} … {words[-1]} ({len(words)} values)"
