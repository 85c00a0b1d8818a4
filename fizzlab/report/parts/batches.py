"""Batch by batch: every number a batch has, what its maker noted, and photographs of it."""

from __future__ import annotations

import io
import re
import warnings
from collections.abc import Iterator
from pathlib import Path

import pandas as pd

from fizzlab.errors import capital, listed
from fizzlab.models.curing import CuringFit
from fizzlab.models.terms import level_name
from fizzlab.report.analysis import Analysis
from fizzlab.report.page import Grid, Notes, Photos, parted
from fizzlab.report.parts.general import Pieces, caution
from fizzlab.report.phrases import count, number
from fizzlab.trial.folder import Trial

#: The folder of photographs within a trial's, and the kinds that are read.
PHOTOS, KINDS = "photos", (".jpg", ".jpeg", ".png", ".webp")

#: No photograph with more bytes or pixels is read; no more of them, and none wider on the page than this.
MOST_BYTES, MOST_PIXELS, MOST_PHOTOS, WIDE = 20_000_000, 60_000_000, 40, 360


def batch_by_batch(done: Analysis) -> Pieces:
    """A row a batch, in the order of making; then the photographs, each with what was noted of its batch."""
    notes, settings, rows = notes_of(done.trial), done.trial.settings, list[dict[str, str]]()
    for _, batch in done.batches.iterrows():
        cells = {"batch": str(batch["run"])}
        cells |= {settings.label(term.name): level_name(term, batch[term.name]) for term in done.terms}
        for name, fit in done.fits.items():
            value = batch.get(name)
            if isinstance(fit, CuringFit):
                value = fit.placed.get(batch["run"])
            if name in done.batches or isinstance(fit, CuringFit):
                cells[capital(settings.measure(name).titled)] = "" if pd.isna(value) else number(float(value))
        rows.append(cells | ({"notes": notes.get(str(batch["run"]), "")} if notes else {}))
    if not rows:
        return []
    shots, doubts = photos(done.trial, notes)
    many = f"{count(len(rows), 'batch', 'batches')}; the maker noted something of {len(notes) or 'none'}"
    many += f", and took {count(len(shots), 'photograph')}." if shots else "."
    table = pd.DataFrame(rows)
    told = "Dry times are those of the middle piece, in the air it had."
    pieces = [
        "## Batch by batch",
        Notes([many], "answer"),
        Grid(table[table["notes"] != ""][[*_made(done), "notes"]]) if notes else None,
        Photos(shots) if shots else None,
        caution(doubts),
        Grid(table.drop(columns="notes", errors="ignore"), told, method=True),
    ]
    return parted(piece for piece in pieces if piece is not None)


def _made(done: Analysis) -> list[str]:
    """The columns that say which batch it was and how it was made."""
    return ["batch", *(done.trial.settings.label(term.name) for term in done.terms)]


def notes_of(trial: Trial) -> dict[str, str]:
    """What was noted of each batch and its pieces, in any table, in the maker's words."""
    found = dict[str, list[str]]()
    for name in trial.tables:
        rows = trial.rows(name)
        if not {"run", "note"} <= set(rows):
            continue
        for row in rows.dropna(subset=["note"]).to_dict("records"):
            if text := str(row["note"]).strip():
                piece = f"{row['piece']}: " if row.get("piece") else ""
                found.setdefault(str(row["run"]), []).append(f"{piece}{text}")
    return {run: "; ".join(dict.fromkeys(said)) for run, said in found.items()}


def photos(trial: Trial, notes: dict[str, str]) -> tuple[list[tuple[str, bytes]], list[str]]:
    """The photographs whose names begin with a batch's, made small; and what is to be said of the others."""
    runs, folder = [str(run) for run in trial.tables["runs"].rows["run"]], trial.folder / PHOTOS
    files = sorted(each for each in folder.iterdir() if each.is_file()) if folder.is_dir() else []
    shots, strange, refused = list[tuple[str, bytes]](), list[str](), list[str]()
    for path in (each for each in files if each.suffix.casefold() in KINDS):
        run = next((run for run in runs if _names(path.stem, run)), None)
        if run is None:
            strange.append(path.name)
        elif (jpeg := small(path) if len(shots) < MOST_PHOTOS else None) is None:
            refused.append(path.name)
        else:
            shots.append((f"{run}: {notes[run]}" if run in notes else run, jpeg))
    return shots, [*_doubts(strange, refused)]


def _doubts(strange: list[str], refused: list[str]) -> Iterator[str]:
    if strange:
        yield f"No batch is called so: {listed(strange)} in {PHOTOS}/. Begin the name with the batch's."
    if refused:
        most = f"{MOST_BYTES // 1_000_000} MB, {MOST_PIXELS // 1_000_000} million dots and {MOST_PHOTOS} photographs"
        yield f"Not shown, since it is no picture or beyond {most}: {listed(refused)} in {PHOTOS}/."


def _names(stem: str, run: str) -> bool:
    """Is a file of this stem called by the batch: ``B03``, ``B03-2``, ``B03 after the bath``?"""
    return re.match(rf"{re.escape(run)}(?![\w])|{re.escape(run)}_", stem, re.IGNORECASE) is not None


def small(path: Path) -> bytes | None:
    """A photograph as a small JPEG without where and when it was taken; None if it is too large, or none."""
    from PIL import Image, ImageOps

    try:
        if path.stat().st_size > MOST_BYTES:
            return None
        with warnings.catch_warnings(action="ignore"), Image.open(path) as shot:
            if shot.width * shot.height > MOST_PIXELS:
                return None
            shot.draft("RGB", (2 * WIDE, 2 * WIDE))
            turned = ImageOps.exif_transpose(shot).convert("RGB")
    except (OSError, ValueError, SyntaxError, Image.DecompressionBombError):
        return None
    turned.thumbnail((WIDE, WIDE))
    out = io.BytesIO()
    Image.frombytes("RGB", turned.size, turned.tobytes()).save(out, "JPEG", quality=72)
    return out.getvalue()
