"""The sections that every report has: the opening, what was left out, the record block."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from fizzlab import records
from fizzlab.report.deviations import deviations
from fizzlab.report.page import Grid, Notes
from fizzlab.report.phrases import count, listed
from fizzlab.trial.folder import RECORDS, Trial

Pieces = list[object]

#: Said in every report, where the trial is read: what can hurt.
SAFETY = (
    "Acid and pigment dust hurt eyes and lungs; alcohol burns; oil makes a tub slippery.",
    "Use only colours allowed on skin where you live. Local cosmetic rules and a qualified safety assessor "
    "decide what may be sold; this report does not.",
)


def opening(trial: Trial) -> Pieces:
    """Title, question, and what was made when."""
    settings, runs = trial.settings, trial.rows("runs")
    made = runs["made_at"].dropna()
    when = f", made {_date(made.min())} to {_date(made.max())}" if len(made) else ""
    who = f" by {settings.made_by}" if settings.made_by else ""
    days = runs["day"].nunique()
    line = f"{count(len(runs), 'batch', 'batches')} on {count(days, 'day')}{when}{who}."
    return [f"# {plain(settings.title)}\n\n> {plain(settings.question)}\n\n{plain(line)}"]


def _date(moment: pd.Timestamp) -> str:
    return f"{moment.day} {moment:%B %Y}"


def left_out(trial: Trial) -> Pieces:
    """What was left out and why, what is doubtful, and which tables are not there."""
    pieces: Pieces = ["## Left out, and why"]
    gone = trial.left_out()
    if gone.empty:
        pieces.append("Nothing was left out.")
    else:
        many = gone.groupby(["table", "run", "reason"], sort=False)["row"]
        rows = many.agg(rows=lambda values: _row_span(list(values))).reset_index()
        pieces.append(Grid(rows[["table", "rows", "run", "reason"]]))
    if trial.doubts:
        pieces += ["## Doubts", Notes([str(doubt) for doubt in trial.doubts], "caution")]
    absent = [name.replace("_", " ") for name in trial.absent()]
    return [*pieces, plain(f"No readings of: {listed(absent)}.") if absent else None]


def _row_span(rows: Sequence[int]) -> str:
    if len(rows) > 2 and rows[-1] - rows[0] == len(rows) - 1:
        return f"{rows[0]} to {rows[-1]}"
    return listed([str(row) for row in rows])


def record_block(trial: Trial) -> Pieces:
    """What the report was made from: lots, deviations, files with their fingerprints, and versions."""
    prints = records.fingerprints(trial.folder, trial.inputs)
    files = pd.DataFrame({"file": list(prints), "SHA-256": [f"{value[:16]}…" for value in prints.values()]})
    versions = ", ".join(f"{name} {version}" for name, version in records.versions().items())
    return [
        "## Record",
        *_lots(trial),
        *_deviations(trial),
        Grid(files, "The files this report was made from, with the first characters of each checksum"),
        plain(f"Computed with {versions}. Random numbers started from seed {trial.settings.seed}."),
    ]


def _lots(trial: Trial) -> Pieces:
    lots = trial.settings.lots
    if not lots:
        return ["No lots of ingredients were written down (section \\[lots\\] of trial.toml)."]
    rows = pd.DataFrame(
        {
            "ingredient": [name.replace("_", " ") for name in lots],
            "lots": [", ".join(names) for names in lots.values()],
        }
    )
    return [Grid(rows, "Lots of ingredients")]


def _deviations(trial: Trial) -> Pieces:
    plan = records.read_ledger(trial.folder / RECORDS).plan()
    found = deviations(trial, plan.runs if plan is not None else ())
    said: Pieces = []
    if plan is not None:
        when = f"{plan.at[:10]} at {plan.at[11:16]}"
        said.append(plain(f"The plan of {len(plan.runs)} batches was entered in the ledger on {when}."))
    if not found:
        return [*said, "No deviation was written down, and the tables show none."]
    rows = pd.DataFrame(
        {
            "batch": [deviation.run or "–" for deviation in found],
            "what": [deviation.what for deviation in found],
            "why": [deviation.why or "–" for deviation in found],
            "known from": ["the tables" if deviation.seen else "the maker" for deviation in found],
        }
    )
    return [*said, Grid(rows, "What went otherwise than planned")]


def plain(text: str) -> str:
    """A maker's text inside Markdown, with the signs that Markdown obeys put out of force."""
    escaped = "".join(f"\\{sign}" if sign in r"\`*_{}[]()#+!|<>~" else sign for sign in text)
    return " ".join(escaped.split())
