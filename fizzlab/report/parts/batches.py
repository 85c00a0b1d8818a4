"""Batch by batch: every number a batch has, what its maker noted, and photographs of it."""

from __future__ import annotations

import io
import re
import warnings
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pandas as pd

from fizzlab.errors import capital
from fizzlab.language import listed, say
from fizzlab.models.curing import CuringFit
from fizzlab.models.terms import level_name
from fizzlab.report.analysis import Analysis
from fizzlab.report.page import Grid, Notes, Photos, parted
from fizzlab.report.parts.again import drift, lost
from fizzlab.report.parts.general import Pieces, caution, standing
from fizzlab.report.phrases import number
from fizzlab.trial.folder import Trial

#: The folder of photographs within a trial's, and the kinds that are read.
PHOTOS, KINDS = "photos", (".jpg", ".jpeg", ".png", ".webp")

#: No photograph with more bytes or pixels is read; no more of them, and none wider on the page than this.
MOST_BYTES, MOST_PIXELS, MOST_PHOTOS, WIDE = 20_000_000, 60_000_000, 40, 360


@standing
def batch_by_batch(done: Analysis) -> Pieces:
    """The batches that something was noted of, the photographs, and at the end the numbers of every batch."""
    notes, settings, label = notes_of(done.trial), done.settings, done.settings.label
    if done.batches.empty:
        return []
    made: dict[str, Any] = {"batch": done.batches["run"].astype(str)}
    made |= {label(t.name): [level_name(t, value) for value in done.batches[t.name]] for t in done.terms}
    table = pd.DataFrame(made)
    noted = table.assign(notes=table["batch"].map(notes)).dropna(subset=["notes"])
    for name, fit in done.fits.items():
        if isinstance(fit, CuringFit) or name in done.batches:
            placed = done.batches["run"].map(fit.placed) if isinstance(fit, CuringFit) else None
            values = done.batches[name] if placed is None else placed
            told = ["" if pd.isna(value) else number(float(value)) for value in values]
            table[capital(settings.measure(name).titled)] = told
    shots, doubts = photos(done.trial, notes)
    said = say("maker_noted", batches=say("n_batches", n=len(table)), noted=len(noted) or say("none"))
    pieces = [
        Notes([said], "answer"),
        Grid(noted) if len(noted) else None,
        Photos(shots) if shots else None,
        caution(doubts),
        Grid(table, say("dry_times_those"), method=True),
    ]
    losses = [each.said for each in lost(done)]
    worked = filter(None, [drift(done)[0], Notes(losses) if losses else None])
    return [say("batch_batch"), *parted(filter(None, pieces), [*worked])]


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


def photos(trial: Trial, notes: Mapping[str, str]) -> tuple[list[tuple[str, bytes]], list[str]]:
    """The photographs whose names begin with a batch's, made small; and what is to be said of the others."""
    runs, folder = [str(run) for run in trial.tables["runs"].rows["run"]], trial.folder / PHOTOS
    shots, strange, refused = list[tuple[str, bytes]](), list[str](), list[str]()
    for path in sorted(folder.iterdir()) if folder.is_dir() else []:
        begun = (re.match(rf"{re.escape(run)}(?![^\W_])", path.stem, re.IGNORECASE) for run in runs)
        run = next((run for run, called in zip(runs, begun, strict=True) if called), None)
        if path.suffix.casefold() not in KINDS:
            continue
        if run is None:
            strange.append(path.name)
        elif (jpeg := small(path) if len(shots) < MOST_PHOTOS else None) is None:
            refused.append(path.name)
        else:
            shots.append((f"{run}: {notes[run]}" if run in notes else run, jpeg))
    most = {"mb": MOST_BYTES // 1_000_000, "dots": MOST_PIXELS // 1_000_000, "most": MOST_PHOTOS}
    doubts = {
        say("no_batch_called", files=listed(strange), folder=PHOTOS): strange,
        say("not_shown", **most, files=listed(refused), folder=PHOTOS): refused,
    }
    return shots, [said for said, names in doubts.items() if names]


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
