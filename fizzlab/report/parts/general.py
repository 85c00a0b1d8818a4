"""The sections that every report has: the opening, what was left out, the record block."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import wraps
from typing import ParamSpec

import pandas as pd

from fizzlab import records
from fizzlab.report.deviations import deviations
from fizzlab.report.notebook import NO_TRIAL
from fizzlab.report.page import Grid, Notes, failed
from fizzlab.report.phrases import capital, count, listed
from fizzlab.trial.folder import RECORDS, Trial

Pieces = list[object]

P = ParamSpec("P")


def standing(part: Callable[P, Pieces]) -> Callable[P, Pieces]:
    """Let a section of the report stand by itself: where it fails, its heading and a sentence stand there."""

    @wraps(part)
    def alone(*of: P.args, **told: P.kwargs) -> Pieces:
        try:
            return part(*of, **told)
        except Exception as error:
            if of[0] is NO_TRIAL:  # which says so itself
                raise
            name = str(told.get("section") or part.__name__)
            return [f"## {capital(name.replace('_', ' '))}", failed(name, error)]

    return alone


@standing
def opening(trial: Trial) -> Pieces:
    """Title, question, and what was made when."""
    settings = trial.settings
    line = f"{made(trial)}{f' by {settings.made_by}' if settings.made_by else ''}."
    return [f"# {plain(settings.title)}\n\n> {plain(settings.question)}\n\n{plain(line)}"]


def made(trial: Trial) -> str:
    """How many batches were made, on how many days, and from when to when."""
    runs = trial.rows("runs")
    dates = [f"{moment.day} {moment:%B %Y}" for moment in sorted(runs["made_at"].dropna())]
    when = f", made {dates[0]} to {dates[-1]}" if dates else ""
    return f"{count(len(runs), 'batch', 'batches')} on {count(runs['day'].nunique(), 'day')}{when}"


@standing
def left_out(trial: Trial) -> Pieces:
    """What was left out and why, what is doubtful, and which tables are not there."""
    gone = trial.left_out()
    rows = gone.groupby(["table", "run", "reason"], sort=False)["row"].agg(_row_span).rename("rows")
    told = Grid(rows.reset_index()[["table", "rows", "run", "reason"]])
    doubts = ["## Doubts", Notes([str(doubt) for doubt in trial.doubts], "caution")] if trial.doubts else []
    absent = [name.replace("_", " ") for name in trial.absent()]
    none = plain(f"No readings of: {listed(absent)}.") if absent else None
    return ["## Left out, and why", told if len(gone) else "Nothing was left out.", *doubts, none]


def _row_span(numbers: pd.Series) -> str:
    rows = list(numbers)
    if len(rows) > 2 and rows[-1] - rows[0] == len(rows) - 1:
        return f"{rows[0]} to {rows[-1]}"
    return listed([str(row) for row in rows])


@standing
def record_block(trial: Trial) -> Pieces:
    """What the report was made from: lots, deviations, files with their checksums, and versions."""
    prints = records.fingerprints(trial.folder, trial.inputs)
    files = pd.DataFrame({"file": list(prints), "SHA-256": [f"{value[:16]}…" for value in prints.values()]})
    versions = ", ".join(f"{name} {version}" for name, version in records.versions().items())
    lots = [(name.replace("_", " "), ", ".join(names)) for name, names in trial.settings.lots.items()]
    return [
        "## Record",
        Grid(pd.DataFrame(lots, columns=["ingredient", "lots"]), "Lots of ingredients")
        if lots
        else "No lots of ingredients were written down (section \\[lots\\] of trial.toml).",
        *_deviations(trial),
        Grid(files, "The files this report was made from, with the first characters of each checksum"),
        plain(f"Computed with {versions}. Random numbers started from seed {trial.settings.seed}."),
    ]


def _deviations(trial: Trial) -> Pieces:
    plan = records.read_ledger(trial.folder / RECORDS).plan()
    found = deviations(trial, plan.runs if plan is not None else ())
    said: Pieces = []
    if plan is not None:
        when = f"{plan.at[:10]} at {plan.at[11:16]}"
        said.append(plain(f"The plan of {len(plan.runs)} batches was entered in the ledger on {when}."))
    if not found:
        return [*said, "No deviation was written down, and the tables show none."]
    rows = [(e.run or "–", e.what, e.why or "–", "the tables" if e.seen else "the maker") for e in found]
    table = pd.DataFrame(rows, columns=["batch", "what", "why", "known from"])
    return [*said, Grid(table, "What went otherwise than planned")]


def plain(text: str) -> str:
    """A maker's text inside Markdown, with the signs that Markdown obeys put out of force."""
    escaped = "".join(f"\\{sign}" if sign in r"\`*_{}[]()#+!|<>~" else sign for sign in text)
    return " ".join(escaped.split())


def is_blend(trial: Trial) -> bool:
    """Are the factors the parts of a whole?"""
    return trial.settings.plan is not None and trial.settings.plan.kind == "mixture"


def caution(lines: Sequence[str]) -> Notes | None:
    """What to mind, once each; None where there is nothing."""
    return Notes(list(dict.fromkeys(lines)), "caution") if lines else None
