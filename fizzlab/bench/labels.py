"""Labels for trays and pieces: sheets of blind codes, with a QR code that opens the bench at the tray."""

from __future__ import annotations

from pathlib import Path
from urllib.parse import parse_qsl, urlencode, urlsplit

from fizzlab.bench.sheet import page
from fizzlab.errors import refuse
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
        raise refuse("codes_missing", "runs")
    lengths = zip(whole, size, gap, margin, strict=True)
    grid = [max(int((most - 2 * edge + g + 1e-6) // (one + g)), 0) for most, one, g, edge in lengths]
    if not all(grid):
        raise refuse("label_too_large", "--size", wide=size[0], high=size[1])
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

    url = urlsplit(address)
    kept = [each for each in parse_qsl(url.query) if each[0] not in ("tray", "token")]
    url = url._replace(path=url.path or "/", query=urlencode([*kept, ("tray", code)]))
    made = segno.make(url.geturl(), error="m", micro=False)
    if url.scheme not in ("http", "https") or not url.hostname:
        raise refuse("no_address", "--address", address=address)
    if side / made.symbol_size()[0] < FINEST:
        raise refuse("code_too_fine", "--address")
    return str(made.svg_inline(omitsize=True))
