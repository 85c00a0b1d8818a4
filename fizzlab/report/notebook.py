"""What the notebooks in JupyterLab have beside the library: no trial yet, and the trials that are there."""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import dataclass
from html import escape
from pathlib import Path
from typing import Any
from urllib.parse import quote

import pandas as pd

from fizzlab.errors import BadInput, FizzlabError, count
from fizzlab.records import fingerprints, read_ledger
from fizzlab.report.page import LEFT, Piece, unbroken
from fizzlab.trial import shipped
from fizzlab.trial.folder import RECORDS, Trial, folder_there, load
from fizzlab.trial.settings import FILE, read_settings

#: The notebooks that go step by step, what a link to each says, and the tables of which one must be there.
STEPS = {
    "cure": ("drying", ("touch_checks", "weighings")),
    "crumble": ("crumbling", ("tumbles", "drops", "crumble_scores")),
    "fizz": ("fizz", ("fizz_times", "fizz_curves", "shelf")),
}


class _NoTrial:
    """Whatever is asked of it, it says that no trial is loaded."""

    def __repr__(self) -> str:
        return "No trial is loaded. Mend the folder in the first cell, then choose Run, Run All Cells."

    def __getitem__(self, name: object) -> Any:
        raise FizzlabError(repr(self))

    def __getattr__(self, name: str) -> Any:
        if name.startswith("_"):
            raise AttributeError(name)
        return self[name]


def no_trial() -> Any:
    """What a notebook holds until a trial is loaded, so that it never shows the answer of another."""
    from IPython.core.getipython import get_ipython

    kernel = getattr(get_ipython(), "kernel", None)  # type: ignore[no-untyped-call]
    if kernel is not None:
        kernel.stop_on_error_timeout = 0.5  # else cells that arrive late are run after the one that failed
    return _NoTrial()


@dataclass(frozen=True)
class Found(Piece):
    """The trials found: in `table` trial, question, state, and `links`, what to open by its name."""

    table: pd.DataFrame

    def html(self) -> str:
        if self.table.empty:
            return "<p>No trial is here yet. In a terminal: <code>fizzlab new my-trial</code></p>"
        head = "".join(
            f'<th scope="col" {LEFT}>{name}</th>' for name in ("trial", "question", "state", "open")
        )
        rows = "".join(_row(trial) for trial in self.table.to_dict("records"))
        caption = "<caption>The trials here, how far they are, and what to open</caption>"
        return f"<table>{caption}<thead><tr>{head}</tr></thead><tbody>{rows}</tbody></table>"


def _row(trial: dict[Any, Any]) -> str:
    links = " · ".join(f'<a href="{quote(to)}">{escape(words)}</a>' for words, to in trial["links"].items())
    cells = "".join(f"<td {LEFT}>{unbroken(trial[name])}</td>" for name in ("question", "state"))
    return f'<tr><th scope="row" {LEFT}>{escape(trial["trial"])}</th>{cells}<td {LEFT}>{links}</td></tr>'


def trials(folder: str | Path = "..") -> Found:
    """The trials in a folder and its sub-folders, and links to the notebooks that each needs.

    Copies of these, each set to its trial, are put into the folder `opened`; nothing is written into a trial.
    """
    home = Path(folder)
    folder_there(home)
    found = sorted({*home.glob(FILE), *home.glob(f"[!.]*/{FILE}"), *home.glob(f"[!.]*/[!.]*/{FILE}")})
    return Found(pd.DataFrame([_trial(path.parent, home) for path in found]))


def _trial(folder: Path, home: Path) -> dict[str, object]:
    """One row of the table."""
    name = folder.relative_to(home).as_posix().removeprefix(".") or folder.resolve().name
    settings, _ = read_settings(folder)
    links: dict[str, Path] = {}
    try:
        trial = load(folder)
    except BadInput as error:
        hard = [problem for problem in error.problems if problem.weight == "problem"]
        state = f"{count(len(hard), 'problem')} to mend: {hard[0]}"
        names = {path.name.casefold() for path in folder.iterdir()}
        if settings is not None and settings.plan is not None and not {"runs.csv", "readings.xlsx"} & names:
            state = "not planned yet"
        notebooks = [("the plan", "plan")] if settings is not None and settings.plan is not None else []
    else:
        state, page = _state(trial)
        links |= {"the report": page} if page is not None else {}
        notebooks = list(_notebooks(trial))
    for words, notebook in notebooks:
        links[words] = shipped.put_notebook(notebook, Path("opened", name, f"{notebook}.ipynb"), folder)
    links[FILE] = folder / FILE
    to = {words: os.path.relpath(path).replace(os.sep, "/") for words, path in links.items()}
    return {"trial": name, "question": settings.question if settings else "", "state": state, "links": to}


def _state(trial: Trial) -> tuple[str, Path | None]:
    """How far a sound trial is, and the page of its last report."""
    batches = count(len(trial.rows("runs")), "batch", "batches")
    reports = read_ledger(trial.folder / RECORDS).reports()
    if reports:
        changed = fingerprints(trial.folder, trial.inputs) != reports[-1].inputs
        page = trial.folder / RECORDS / reports[-1].record / "report.html"
        state = f"reported on {reports[-1].date}" + ("; a table was changed since" if changed else "")
        return state, page if page.is_file() else None
    return f"{batches}, {'not reported yet' if _read(trial) else 'nothing read yet'}", None


def _read(trial: Trial) -> bool:
    """Are there readings of what was made?"""
    return any(name not in ("runs", "room_log") and trial.has(name) for name in trial.tables)


def _notebooks(trial: Trial) -> Iterator[tuple[str, str]]:
    """The notebooks that a trial needs, each with what a link to it says."""
    if trial.settings.plan is not None:
        yield "the plan", "plan"
    yield "the bench", "bench"
    if not _read(trial):
        return
    yield "the report, cell by cell", "trial_report"
    for name, (words, tables) in STEPS.items():
        if any(trial.has(table) for table in tables):
            yield words, name
    if trial.settings.factors:
        yield "what changed", "effects"
    if trial.settings.earlier is not None:
        yield "across trials", "season"
