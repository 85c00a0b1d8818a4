"""One page over all trials of a folder: what each asked and answered, what each change did, the air, drift.

What stands there is what the records say. A trial whose tables changed since its last report, or that was
never reported, has a row and its state; nothing is worked out of readings that nobody has reported on.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from html import escape
from pathlib import Path
from urllib.parse import quote

import pandas as pd

from fizzlab import records
from fizzlab.errors import BadInput, Problem
from fizzlab.models.result import Effect
from fizzlab.report import phrases as words
from fizzlab.report.analysis import Analysis, analyse
from fizzlab.report.many import trials_in
from fizzlab.report.page import Findings, Grid, Notes, Piece, Prose, unbroken, verdict_of
from fizzlab.report.parts.general import Pieces, made
from fizzlab.report.parts.season import (
    answer_of,
    drift,
    in_order,
    not_counted,
    pooled,
    pooled_effects,
    set_beside,
)
from fizzlab.report.phrases import capital, listed
from fizzlab.trial.folder import RECORDS, Trial, folder_there, load, refuse_records
from fizzlab.trial.placing import write_whole
from fizzlab.trial.settings import read_settings

PAGE = "overview.html"

#: What tells a page of ours from a page that a maker keeps under the same name.
OURS = '<meta name="generator" content="fizzlab overview">'

#: Tables that are not readings of batches.
NO_READINGS = ("runs", "room_log")


@dataclass(frozen=True)
class Row:
    """What the overview says of one trial; `done` is there where its last report still holds."""

    name: str
    title: str
    question: str
    verdict: Sequence[str]
    made: str
    state: Sequence[str]
    link: str
    begun: pd.Timestamp
    done: Analysis | None


@dataclass(frozen=True)
class Trials(Piece):
    """A row a trial; on a narrow screen, a card a trial."""

    rows: Sequence[Row]

    def html(self) -> str:
        heads = ("Trial", "Question", "Verdict", "Made", "State")
        head = "".join(f'<th scope="col">{name}</th>' for name in heads)
        body = "".join(f"<tr>{''.join(self._cells(row, heads))}</tr>" for row in self.rows)
        return f'<table class="trials"><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>'

    def _cells(self, row: Row, heads: Sequence[str]) -> Iterator[str]:
        title = escape(row.title)
        title = f'<a href="{escape(row.link)}">{title}</a>' if row.link else title
        yield f'<th scope="row">{title}<br><small>{escape(row.name)}</small></th>'
        for head, lines in zip(heads[1:], ([row.question], row.verdict, [row.made], row.state), strict=True):
            told = "".join(f"<p>{unbroken(line)}</p>" for line in lines)
            yield f'<td data-label="{head}">{told}</td>'


def write_overview(folder: str | Path) -> Path:
    """Write the overview of a folder of trials, ``overview.html`` in it, and return its path.

    Raises
    ------
    BadInput
        The folder holds no trials, is one itself, or keeps another page of that name; nothing is written.
    """
    from jinja2 import Environment, PackageLoader

    folder = Path(folder)
    folder_there(folder)
    refuse_records(folder)
    trials, _ = trials_in([folder])
    if trials == [folder]:
        what, do = "it holds no trial.", "Name the folder whose sub-folders are your trials."
        if any(path.suffix in (".toml", ".csv", ".xlsx") for path in folder.iterdir()):
            what = "it is one trial, not a folder of trials."
        raise BadInput([Problem(str(folder), what, do)])
    path = folder / PAGE
    if path.exists() and OURS not in path.read_text(encoding="utf-8", errors="replace"):
        do = "Give it another name, and run this again."
        raise BadInput(
            [Problem(str(path), "it is a page of yours, not of fizzlab, and was left as it is.", do)]
        )
    rows = sorted(map(row_of, trials), key=lambda row: (row.begun, row.name))
    body = "".join(
        Prose(piece).html() if isinstance(piece, str) else piece.html()
        for piece in pieces(rows)
        if isinstance(piece, str | Piece)
    )
    template = Environment(loader=PackageLoader("fizzlab.report"), autoescape=True).get_template(PAGE)
    told = {"title": f"All trials of {folder.resolve().name}", "body": body, "ours": OURS}
    page = template.render(**told, date=f"{dt.date.today():%d %B %Y}")
    write_whole(path, page.encode("utf-8"))
    return path


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
        state = [f"Reported on {date.day} {date:%B %Y}, {last.state}."]
        verdict = verdict_of((last.folder / "report.html").read_text(encoding="utf-8"))[:2]
        link = quote(f"{folder.name}/{RECORDS}/{last.folder.name}/report.html")
        state += [f"Correction: {entry.says or entry.reason}" for entry in last.corrections[-1:]]
        changed = [] if trial is None else _changed(trial, last.report.inputs)
        if changed:
            state.append(f"Stale: {listed(changed)} changed since. Run fizzlab report again.")
        elif trial is not None:
            done = analyse(trial)
    if trouble:
        state.append(f"To mend: {trouble}")
    begun = pd.NaT if trial is None else trial.rows("runs")["made_at"].min()
    return Row(
        name=folder.name,
        title=settings.title if settings else folder.name,
        question=settings.question if settings else "",
        verdict=verdict,
        made="" if trial is None else made(trial),
        state=state,
        link=link,
        begun=pd.Timestamp.max if pd.isna(begun) else begun,
        done=done,
    )


def _unreported(trial: Trial) -> str:
    """How far a trial without a report has come: planned, half read, or read."""
    runs = list(trial.rows("runs")["run"])
    asked = trial.settings.plan.tables if trial.settings.plan is not None else tuple(trial.tables)
    seen = [set(trial.rows(name)["run"]) for name in asked if name not in NO_READINGS]
    read = sum(all(run in each for each in seen) for run in runs) if seen else 0
    if not any(seen):
        return "Planned: no readings yet."
    if read < len(runs):
        return f"Half read: {read} of {len(runs)} batches have all their readings."
    return "Read, not reported yet."


def _changed(trial: Trial, reported: Mapping[str, str]) -> list[str]:
    """The files that are not as they were when the last report was made."""
    now = records.fingerprints(trial.folder, trial.inputs)
    return [name for name in {**reported, **now} if now.get(name) != reported.get(name)]


def pieces(rows: Sequence[Row]) -> Pieces:
    """The page, below its title."""
    told: Pieces = [Trials(rows)]
    left = [row.title for row in rows if row.done is None]
    known = [row.done for row in rows if row.done is not None]
    if left and known:
        told.append(Notes([f"Left out below until reported (again): {listed(left)}."], "caution"))
    if not known:
        return told
    worked_out = in_order(known)
    across = set_beside(worked_out, list(worked_out.values())[-1].trial.settings.drying)
    drying = [*pooled(across), *drift(across), *not_counted(across)]
    return [*told, *what_each_did(worked_out), "## All trials together", *drying]


def what_each_did(worked_out: Mapping[str, Analysis]) -> Pieces:
    """A table a factor: what it did in every trial that tried it, and together where several did."""
    changes = dict[str, dict[tuple[str, str], dict[str, list[Effect]]]]()
    for name, done in worked_out.items():
        for effect in done.effects:
            of = changes.setdefault(effect.factor, {}).setdefault((effect.level, effect.control), {})
            of.setdefault(name, []).append(effect)
    told: Pieces = ["## What each change did"] if changes else []
    for factor, comparisons in changes.items():
        rows, found = list[dict[str, str]](), []
        for each in comparisons.values():
            done, first = worked_out[list(each)[-1]], next(iter(each.values()))[0]
            unique = {effect.response: effect for effects in each.values() for effect in effects}
            again = pooled_effects(worked_out, list(unique.values()))
            label = done.trial.settings.label
            parts = {**each, "together": [one.effect for one in again]} if again else each
            for name, effects in parts.items():
                change = words.against(first, label, " instead of ") if name == next(iter(each)) else ""
                rows.append({"change": change, "trial": name} | _cells(effects, done))
            found += [answer_of(one, done) for one in again]
        told += [f"### {capital(label(factor))}", Findings(found, "plain") if found else None]
        told.append(Grid(pd.DataFrame(rows).fillna("")))
    return told


def _cells(effects: Sequence[Effect], done: Analysis) -> dict[str, str]:
    measures = [done.trial.settings.measures().get(each.response) for each in effects]
    return {
        capital(measure.label): words.cell(effect, measure)
        for effect, measure in zip(effects, measures, strict=True)
        if measure is not None
    }
