"""One page over all trials of a folder: what each asked and answered, what each change did, the air, drift.

What stands there is what the records say. A trial whose tables changed since its last report, or that was
never reported, has a row and its state; nothing is worked out of readings that nobody has reported on.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple
from urllib.parse import quote

import pandas as pd

from fizzlab import records
from fizzlab.errors import BadInput, refuse
from fizzlab.language import ENGLISH, dated, listed, say, speaking
from fizzlab.report.analysis import Analysis, analyse
from fizzlab.report.many import trials_in
from fizzlab.report.page import Notes, Piece, Prose, rendered, verdict_of
from fizzlab.report.parts.general import Pieces, made
from fizzlab.report.parts.season import drift, in_order, not_counted, pooled, set_beside, what_each_did
from fizzlab.trial.folder import RECORDS, Trial, folder_there, load, refuse_records
from fizzlab.trial.placing import write_whole
from fizzlab.trial.settings import read_settings

PAGE = "overview.html"

#: What tells a page of ours from a page that a maker keeps under the same name.
OURS = '<meta name="generator" content="fizzlab overview">'


class Row(NamedTuple):
    """What is said of one trial, by column; `done` is there where its last report still holds."""

    begun: pd.Timestamp
    name: str
    title: str
    link: str
    cells: Mapping[str, Sequence[str]]
    done: Analysis | None


@dataclass(frozen=True)
class Trials(Piece):
    """A row a trial; on a narrow screen, a card a trial."""

    rows: Sequence[Row]


def write_overview(folder: str | Path) -> Path:
    """Write ``overview.html`` into a folder of trials; BadInput where that is a page of the maker's own."""
    folder = Path(folder)
    folder_there(folder)
    refuse_records(folder)
    trials, path = trials_in([folder])[0], folder / PAGE
    if trials == [folder]:
        raise refuse("no_folder", str(folder))
    if path.exists() and OURS not in path.read_text(encoding="utf-8", errors="replace"):
        raise refuse("page_yours", str(path))
    written = {each.language for each in filter(None, (read_settings(trial)[0] for trial in trials))}
    with speaking(written.pop() if len(written) == 1 else ENGLISH):
        write_whole(path, _page(folder, trials).encode("utf-8"))
    return path


def _page(folder: Path, trials: Sequence[Path]) -> str:
    rows = sorted(map(row_of, trials), key=lambda row: row[:2])
    body = "".join(
        Prose(piece).html() if isinstance(piece, str) else piece.html()
        for piece in pieces(rows)
        if isinstance(piece, str | Piece)
    )
    told = {"title": say("title_all_trials", name=folder.resolve().name), "body": body, "ours": OURS}
    return rendered(PAGE, **told, date=dated(dt.date.today()))


def row_of(folder: Path) -> Row:
    """What is known of one trial, whatever state it is in."""
    settings, trial, trouble, done = read_settings(folder)[0], None, "", None
    try:
        trial = load(folder)
    except BadInput as error:
        trouble = str(next(each for each in error.problems if each.weight == "problem"))
    found = records.summaries(folder) if (folder / RECORDS).is_dir() else []
    last = next((each for each in reversed(found) if (each.folder / "report.html").is_file()), None)
    state, verdict, link = [_unreported(trial)] if trial is not None else [], list[str](), ""
    if last is not None:
        date = dt.date.fromisoformat(last.report.date)
        state = [say("reported_on", date=dated(date), state=last.state)]
        verdict = verdict_of((last.folder / "report.html").read_text(encoding="utf-8"))[:2]
        link = quote(f"{folder.name}/{RECORDS}/{last.folder.name}/report.html")
        state += [say("correction", says=entry.says or entry.reason) for entry in last.corrections[-1:]]
        then, now = last.report.inputs, {} if trial is None else records.fingerprints(folder, trial.inputs)
        changed = [name for name in {**then, **now} if now and now.get(name) != then.get(name)]
        if changed:
            state.append(say("stale_changed", changed=listed(changed)))
        elif trial is not None:
            done = analyse(trial)
    if trouble:
        state.append(say("to_mend", trouble=trouble))
    begun = pd.NaT if trial is None else trial.rows("runs")["made_at"].min()
    begun = pd.Timestamp.max if pd.isna(begun) else begun
    name, title = (settings.code, settings.title) if settings else (folder.name, folder.name)
    cells = {say("head_question"): [settings.question] if settings else [], say("head_verdict"): verdict}
    cells |= {say("head_made"): [] if trial is None else [made(trial)], say("head_state"): state}
    return Row(begun, name, title, link, cells, done)


def _unreported(trial: Trial) -> str:
    """How far a trial without a report has come: planned, half read, or read."""
    runs = list(trial.rows("runs")["run"])
    asked = trial.settings.plan.tables if trial.settings.plan is not None else tuple(trial.tables)
    seen = [set(trial.rows(name)["run"]) for name in asked if name not in ("runs", "room_log")]
    read = sum(all(run in each for each in seen) for run in runs) if seen else 0
    if not any(seen):
        return say("planned_no")
    if read < len(runs):
        return say("half_read", read=read, runs=len(runs))
    return say("read_not_reported")


def pieces(rows: Sequence[Row]) -> Pieces:
    """The page, below its title."""
    left = [row.title for row in rows if row.done is None]
    known = [row.done for row in rows if row.done is not None]
    told: Pieces = [Trials(rows)]
    if not known:
        return told
    if left:
        told.append(Notes([say("left_out_below", left=listed(left))], "caution"))
    worked_out = in_order(known)
    across = set_beside(worked_out, list(worked_out.values())[-1].trial.settings.drying)
    drying = [*pooled(across), *drift(across), *not_counted(across)]
    did = what_each_did(worked_out)
    return [*told, *([say("what_each"), *did] if did else []), say("all_trials_together"), *drying]
