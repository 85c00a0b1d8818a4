"""What the notebooks in JupyterLab have beside the library: no trial yet, and the trials that are there."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from fizzlab.errors import BadInput, FizzlabError, count
from fizzlab.records import fingerprints, read_ledger
from fizzlab.report.page import Piece
from fizzlab.trial import shipped
from fizzlab.trial.folder import RECORDS, Trial, folder_there, load
from fizzlab.trial.settings import FILE, read_settings

#: What a link to a notebook says, and the tables of which a trial needs one for it.
STEPS = {
    "trial_report": ("the report, cell by cell", ()),
    "cure": ("drying", ("touch_checks", "weighings")),
    "crumble": ("crumbling", ("tumbles", "drops", "crumble_scores")),
    "fizz": ("fizz", ("fizz_times", "fizz_curves", "shelf")),
    "effects": ("what changed", ()),
}


class _NoTrial:
    """Whatever is asked of it, it says that no trial is loaded."""

    def __repr__(self) -> str:
        return "No trial is loaded. Mend the folder in the first cell, then choose Run, Run All Cells."

    def __getitem__(self, name: object) -> Any:
        raise FizzlabError(repr(self))

    def __getattr__(self, name: str) -> Any:
        raise AttributeError(name) if name.startswith("_") else FizzlabError(repr(self))


#: What a notebook holds until a trial is loaded, so that it never shows the answer of another.
NO_TRIAL: Any = _NoTrial()


@dataclass(frozen=True)
class Found(Piece):
    """The trials found: in `table` trial, question, state, and `links`, what to open by its name."""

    table: pd.DataFrame


def trials(folder: str | Path = "..") -> Found:
    """The trials in a folder, and links to copies (in `opened`) of the notebooks that each needs."""
    home = Path(folder)
    folder_there(home)
    found = sorted({*home.glob(FILE), *home.glob(f"[!.]*/{FILE}"), *home.glob(f"[!.]*/[!.]*/{FILE}")})
    return Found(pd.DataFrame([_trial(path.parent, home) for path in found]))


def _trial(folder: Path, home: Path) -> dict[str, object]:
    """One row of the table."""
    name = folder.relative_to(home).as_posix().removeprefix(".") or folder.resolve().name
    settings, _ = read_settings(folder)
    planned = settings is not None and settings.plan is not None
    notebooks, links = {"the plan": "plan"} if planned else {}, dict[str, Path]()
    try:
        trial = load(folder)
    except BadInput as error:
        hard = [problem for problem in error.problems if problem.weight == "problem"]
        state = f"{count(len(hard), 'problem')} to mend: {hard[0]}"
        if planned and not {"runs.csv", "readings.xlsx"} & {
            path.name.casefold() for path in folder.iterdir()
        }:
            state = "not planned yet"
    else:
        read = {name for name in trial.tables if name not in ("runs", "room_log") and trial.has(name)}
        state, page = _state(trial, bool(read))
        links |= {"the report": page} if page.is_file() else {}
        steps = {
            said: key for key, (said, tables) in STEPS.items() if read and (not tables or read & {*tables})
        }
        notebooks |= {"the bench": "bench", **steps}
        notebooks |= {"across trials": "season"} if trial.settings.earlier is not None else {}
    for said, notebook in notebooks.items():
        links[said] = shipped.put_notebook(notebook, Path("opened", name, f"{notebook}.ipynb"), folder)
    links[FILE] = folder / FILE
    to = {said: os.path.relpath(path).replace(os.sep, "/") for said, path in links.items()}
    return {"trial": name, "question": settings.question if settings else "", "state": state, "links": to}


def _state(trial: Trial, read: bool) -> tuple[str, Path]:
    """How far a sound trial is, and the page of its last report."""
    home, said = trial.folder / RECORDS, count(len(trial.rows("runs")), "batch", "batches")
    reports = read_ledger(home).reports()
    if not reports:
        return f"{said}, {'not reported yet' if read else 'nothing read yet'}", home / "none"
    changed = fingerprints(trial.folder, trial.inputs) != reports[-1].inputs
    said = f"reported on {reports[-1].date}" + ("; a table was changed since" if changed else "")
    return said, home / reports[-1].record / "report.html"
