"""The sections that every report has: the opening, what was left out, the record block."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import wraps
from typing import Any, ParamSpec

import pandas as pd

from fizzlab import records
from fizzlab.language import dated, listed, say, speaking
from fizzlab.report.analysis import Analysis
from fizzlab.report.deviations import deviations
from fizzlab.report.notebook import NO_TRIAL
from fizzlab.report.page import Grid, Notes, failed, part_name
from fizzlab.report.phrases import capital
from fizzlab.trial.folder import RECORDS, Trial

Pieces = list[object]

P = ParamSpec("P")


def standing(part: Callable[P, Pieces]) -> Callable[P, Pieces]:
    """Let a section of the report stand by itself: where it fails, its heading and a sentence stand there."""

    @wraps(part)
    def alone(*of: P.args, **told: P.kwargs) -> Pieces:
        try:
            trial: Any = of[0].trial if isinstance(of[0], Analysis) else of[0]
            with speaking(trial.settings.language):
                return part(*of, **told)
        except Exception as error:
            if of[0] is NO_TRIAL:  # which says so itself
                raise
            name = str(told.get("section") or part.__name__)
            return [f"## {capital(part_name(name))}", failed(name, error)]

    return alone


@standing
def opening(trial: Trial) -> Pieces:
    """Title, question, and what was made when."""
    settings = trial.settings
    line = f"{made(trial)}{say('by_maker', maker=settings.made_by) if settings.made_by else ''}."
    return [f"# {plain(settings.title)}\n\n> {plain(settings.question)}\n\n{plain(line)}"]


def made(trial: Trial) -> str:
    """How many batches were made, on how many days, and from when to when."""
    runs = trial.rows("runs")
    dates = [dated(moment) for moment in sorted(runs["made_at"].dropna())]
    when = say("made_from_to", first=dates[0], last=dates[-1]) if dates else ""
    many, days = say("n_batches", n=len(runs)), say("n_days", n=runs["day"].nunique())
    return say("batches_on_days", batches=many, days=days, when=when)


@standing
def left_out(trial: Trial) -> Pieces:
    """What was left out and why, what is doubtful, and which tables are not there."""
    gone = trial.left_out()
    rows = gone.groupby(["table", "run", "reason"], sort=False)["row"].agg(_row_span).rename("rows")
    told = Grid(rows.reset_index()[["table", "rows", "run", "reason"]])
    doubts = [say("doubts"), Notes([str(doubt) for doubt in trial.doubts], "caution")] if trial.doubts else []
    absent = [name.replace("_", " ") for name in trial.absent()]
    none = plain(say("no_readings", absent=listed(absent))) if absent else None
    return [say("left_out_why"), told if len(gone) else say("nothing_left"), *doubts, none]


def _row_span(numbers: pd.Series) -> str:
    rows = list(numbers)
    if len(rows) > 2 and rows[-1] - rows[0] == len(rows) - 1:
        return say("rows_from_to", first=rows[0], last=rows[-1])
    return listed([str(row) for row in rows])


@standing
def record_block(trial: Trial) -> Pieces:
    """What the report was made from: lots, deviations, files with their checksums, and versions."""
    prints = records.fingerprints(trial.folder, trial.inputs)
    files = pd.DataFrame({"file": list(prints), "SHA-256": [f"{value[:16]}…" for value in prints.values()]})
    versions = ", ".join(f"{name} {version}" for name, version in records.versions().items())
    lots = [(name.replace("_", " "), ", ".join(names)) for name, names in trial.settings.lots.items()]
    return [
        say("record"),
        Grid(pd.DataFrame(lots, columns=["ingredient", "lots"]), say("lots_ingredients"))
        if lots
        else say("no_lots_ingredients"),
        *_deviations(trial),
        Grid(files, say("files_this")),
        plain(say("computed_random", versions=versions, seed=trial.settings.seed)),
    ]


def _deviations(trial: Trial) -> Pieces:
    plan = records.read_ledger(trial.folder / RECORDS).plan()
    found = deviations(trial)
    said: Pieces = []
    if plan is not None:
        when = say("day_at_hour", day=plan.at[:10], hour=plan.at[11:16])
        said.append(plain(say("plan_batches", runs=len(plan.runs), when=when)))
    if not found:
        return [*said, say("no_deviation")]
    who = {seen: say(f"known_from_{'tables' if seen else 'maker'}") for seen in (True, False)}
    rows = [(e.run or "–", e.what, e.why or "–", who[e.seen]) for e in found]
    table = pd.DataFrame(rows, columns=["batch", "what", "why", "known from"])
    return [*said, Grid(table, say("what_went"))]


def plain(text: str) -> str:
    """A maker's text inside Markdown, with the signs that Markdown obeys put out of force."""
    escaped = "".join(f"\\{sign}" if sign in r"\`*_{}[]()#+!|<>~" else sign for sign in text)
    return " ".join(escaped.split())


def about(done: Analysis) -> list[str]:
    """The responses that the question is about: those that trial.toml names, limits or wishes for, or the first."""
    settings = done.settings
    asked = [name for name, each in settings.responses.items() if each.limit(name) or each.wish(name)]
    named = [name for name in settings.about or asked if name in done.fits]
    return named or [name for name in ("dry_h", *done.fits) if name in done.fits][:1]


def is_blend(trial: Trial) -> bool:
    """Are the factors the parts of a whole?"""
    return trial.settings.plan is not None and trial.settings.plan.kind == "mixture"


def caution(lines: Sequence[str]) -> Notes | None:
    """What to mind, once each; None where there is nothing."""
    return Notes(list(dict.fromkeys(lines)), "caution") if lines else None
