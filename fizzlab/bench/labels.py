"""Labels for trays and pieces: sheets of blind codes, with a QR code that opens the bench at the tray."""

from __future__ import annotations

from pathlib import Path
from urllib.parse import parse_qsl, urlencode, urlsplit

from fizzlab.bench.sheet import page
from fizzlab.errors import BadInput, Problem
from fizzlab.trial.folder import load
from fizzlab.trial.placing import write_whole

PAPERS = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}

#: Millimetres of the smallest square of a QR code that a phone still reads (from memory).
FINEST = 0.35

MM = tuple[float, float]


def write_labels(
    folder: Path, size: MM, gap: MM, margin: MM, paper: str | None, pieces: int | None, address: str
) -> Path:
    """Write labels.html: each tray's code, then its pieces'; as many as fit between the margins, in mm."""
    trial = load(folder)
    runs, plan, whole = trial.rows("runs"), trial.settings.plan, PAPERS[paper or trial.settings.paper]
    codes = sorted(runs["blind"].dropna()) if "blind" in runs else []
    if len({*codes}) < len(runs):
        what, do = "not every batch has a blind code of its own.", "Let fizzlab plan give them."
        raise BadInput([Problem("runs", what, do)])
    lengths = zip(whole, size, gap, margin, strict=True)
    grid = [max(int((most - 2 * edge + g + 1e-6) // (one + g)), 0) for most, one, g, edge in lengths]
    if not all(grid):
        what = f"no sheet holds a label of {size[0]:g} x {size[1]:g} mm between its margins."
        raise BadInput([Problem("--size", what, "Give width and height in mm.")])
    many = pieces if pieces is not None else plan.pieces if plan else 0
    side = min(size[1] - 3, size[0] / 2)
    squares = {code: _square(address, code, side) if address else "" for code in codes}
    cells = [(code, piece, squares[code]) for code in codes for piece in range(many + 1)]
    said = {"trial": trial.settings, "cells": cells, "size": size, "gap": gap, "grid": grid, "side": side}
    write_whole(folder / "labels.html", page("labels.html", whole=whole, **said).encode())
    return folder / "labels.html"


def _square(address: str, code: str, side: float) -> str:
    """The QR code of the bench at a tray, to stand in the page; without a token, which does not last."""
    import segno

    url, do = urlsplit(address), "Write it as http://192.168.1.5:8866/, take larger labels, or leave it out."
    kept = [each for each in parse_qsl(url.query) if each[0] not in ("tray", "token")]
    url = url._replace(path=url.path or "/", query=urlencode([*kept, ("tray", code)]))
    made = segno.make(url.geturl(), error="m", micro=False)
    if url.scheme not in ("http", "https") or not url.hostname:
        raise BadInput([Problem("--address", f"“{address}” is no address.", do)])
    if side / made.symbol_size()[0] < FINEST:
        raise BadInput([Problem("--address", "on labels so small no phone reads its QR code.", do)])
    return str(made.svg_inline(omitsize=True))
