"""The crumbling part of a report: each test with what it rests on, its typical numbers, figure and doubts."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import suppress

import numpy as np
import pandas as pd

from fizzlab.errors import CannotAnswer
from fizzlab.models.crumble import BROKEN, DROP, LOSS, SCORE, CrumbleStudy, broken_shares, step_decides
from fizzlab.models.drops import DropFit, plot_drops
from fizzlab.models.effects import ResponseFit, fit_response
from fizzlab.models.plotting import drawn_apart, house_style, new_figure
from fizzlab.models.result import FitResult
from fizzlab.models.terms import ALL, Category, Term, level_name
from fizzlab.report.analysis import Analysed
from fizzlab.report.figures import crumble as drawn
from fizzlab.report.page import Findings, Grid, Notes, Picture
from fizzlab.report.parts.general import Pieces
from fizzlab.report.phrases import capital, listed, number, percent
from fizzlab.report.phrases import crumble as worded
from fizzlab.trial.folder import Trial

STUDY = "fizzlab.models.crumble:study_crumble"

#: Said where drops are shown: what can hurt.
DROP_SAFETY = (
    "Shards fly when a piece breaks, and its acid stings: drop onto a tray at arm's length, with glasses on, and "
    "tumble with the lid on."
)

#: By the topic of its findings: the head of a column, and the numbers of each level.
Tables = dict[str, tuple[str, pd.DataFrame]]

#: Heads the table of each test.
TYPICAL = "The typical batch, the other factors averaged, with 95 % intervals"


def crumble(analysed: Analysed) -> Pieces:
    """Crumbling in full; what "What changed" tells of it is not told again."""
    study = analysed.studies.get(STUDY)
    if not isinstance(study, CrumbleStudy):
        return []
    pieces: Pieces = []
    trial = analysed.trial
    if len(study.losses):
        pieces += ["### In the tumble", *_tumbles(analysed, study)]
    if len(trial.rows("drops")):
        pieces += ["### Dropped", *_drops(trial, study)]
    if len(trial.rows("crumble_scores")):
        pieces += ["### Scored by hand", *_scores(analysed, study)]
    if len(study.index):
        caption = "The crumble index as trial.toml states it, 0 (holds) to 1 (crumbles), the best batch first"
        pieces += ["### One index", Grid(worded.index_table(study.index), caption)]
    steps = worded.next_steps(study, trial.rows("crumble_scores")["rater"].nunique())
    refused = [reason.why for reason in study.refused.values()]
    if not trial.settings.terms():  # else told with what changed
        refused += [str(reason) for reason in study.reasons.values()]
    if not pieces and not refused:
        return []
    said = worded.methods(study)
    return [
        "## Crumbling",
        Notes(steps, "next") if steps else None,
        Notes(refused, "caution") if refused else None,
        *pieces,
        *(["### How crumbling was worked out", said] if said else []),
    ]


def _tumbles(analysed: Analysed, study: CrumbleStudy) -> Pieces:
    trial, losses = analysed.trial, study.losses
    batches, terms = trial.batches().loc[losses.index], trial.settings.terms()
    fit, below = _fit(analysed, LOSS), bool(losses["below_step"].any())
    tables: Tables = {} if fit is None else {"loss.level": ("typical loss", _typical(fit))}
    if BROKEN in study.numbers:
        tables["broken.level"] = ("broken pieces", _broken(losses.dropna(subset="broken"), batches, terms))
    made = {trial.settings.label(t.name): [level_name(t, value) for value in batches[t.name]] for t in terms}
    doubts = [worded.step_doubt(losses, step_decides(fit, losses))] if below and fit is not None else []
    least, most = number(losses["loss_pct"].min()), number(losses["loss_pct"].max())
    return [
        worded.rests_on(trial.rows("tumbles"), "tumble"),
        *_levels(trial, tables, "%"),
        Picture(
            "tumble-losses",
            drawn.tumble_losses(losses, drawn_apart(batches, terms)[0]),
            f"Loss of each batch.{' An open arrow lost less than the scale can show.' if below else ''}",
            f"Tumble losses of {len(losses)} batches, {least} to {most} %.",
        ),
        Notes(doubts, "caution") if doubts else None,
        Grid(worded.loss_table(losses, pd.DataFrame(made, batches.index)), "The loss of each batch"),
    ]


def _drops(trial: Trial, study: CrumbleStudy) -> Pieces:
    drops, survive = trial.rows("drops"), trial.settings.crumble.survive
    fit, tables = study.fits.get(DROP), Tables()
    with house_style():
        figure, axes = new_figure(height=4.0)
        if isinstance(fit, DropFit):
            tables["drop.median"] = ("half break from", _typical(fit).assign(df=float(fit.df)))
            tables["drop.survive"] = (f"{percent(survive)} survive from", _typical(fit, share=1 - survive))
            fit.plot(axes, survive=survive)
        else:
            levels = drawn_apart(_batches(trial, drops), trial.settings.terms())[0]
            plot_drops(drops, levels, ax=axes)
    doubts = worded.drop_doubts(fit) if isinstance(fit, DropFit) else []
    return [
        worded.rests_on(drops, "drop"),
        *_levels(trial, tables, "cm"),
        Picture(
            "drop-sequence",
            figure,
            "Every drop in order. Band: 95 % interval of the height at which half break; it may go on past the frame.",
            f"{len(drops)} drops by height, broken or held.",
        ),
        Notes([*doubts, DROP_SAFETY], "caution"),
    ]


def _scores(analysed: Analysed, study: CrumbleStudy) -> Pieces:
    trial, fit, agreement = analysed.trial, _fit(analysed, SCORE), study.agreement
    scores = trial.rows("crumble_scores")
    labels, _ = drawn_apart(_batches(trial, scores), trial.settings.terms())
    below = " Below: how far each rater scores off the others, with 95 % intervals." if agreement else ""
    return [
        worded.rests_on(scores, "score"),
        Findings(worded.agreement_findings(agreement), "plain") if agreement else None,
        *_levels(trial, {} if fit is None else {"score.level": ("mean score", _typical(fit))}, "points"),
        Picture(
            "score-bars",
            drawn.score_shares(scores, labels, agreement),
            f"The share of the scores, 0 (holds whole) to 4 (falls to powder).{below}",
            f"Stacked bars of the scores 0 to 4 by {listed(list(labels.cat.categories))}.",
        ),
    ]


def _fit(analysed: Analysed, response: str) -> ResponseFit | None:
    """The fit of a response; where no factor is named, of all batches together."""
    fit = analysed.fits.get(response)
    if fit is None and response in analysed.numbers and not analysed.trial.settings.terms():
        with suppress(CannotAnswer):
            fit = fit_response(analysed.batches, response, [])
    return fit if isinstance(fit, ResponseFit) else None


def _batches(trial: Trial, readings: pd.DataFrame) -> pd.DataFrame:
    """The batches that have readings."""
    batches = trial.batches()
    return batches[batches.index.isin(readings["run"])]


def _typical(fit: FitResult, share: float = 0.5) -> pd.DataFrame:
    """The number at each level of each factor, the others averaged: factor, level, estimate with its interval."""
    withheld = fit.withheld if isinstance(fit, DropFit) else {}
    found = []
    for term in fit.terms:
        if term.name not in withheld:
            tried = fit.batches[term.name]
            values = _values(term, tried)
            rows = fit.predict({term.name: values}, share=share).drop(columns=term.name)
            names = [level_name(term, value) for value in values]
            found.append(
                rows.assign(factor=term.name, level=names, n_batches=[(tried == v).sum() for v in values])
            )
    if not found:
        found = [fit.predict(None, share=share).assign(factor="", level=ALL, n_batches=fit.n_batches)]
    return pd.concat(found, ignore_index=True)


def _values(term: Term, tried: pd.Series) -> list[object]:
    """Every level, or every amount if they are few, else the ends and the middle."""
    if isinstance(term, Category):
        return [level for level in term.levels if level in set(tried)]
    values = sorted(set(tried.astype(float)))
    return list(values) if len(values) <= 5 else list(np.linspace(values[0], values[-1], 3))


def _broken(losses: pd.DataFrame, batches: pd.DataFrame, terms: Sequence[Term]) -> pd.DataFrame:
    """The observed share of broken pieces at each level of each factor."""
    levels = {t.name: batches[t.name].map(lambda value, t=t: level_name(t, value)) for t in terms}
    levels = {name: each for name, each in levels.items() if each.nunique() > 1}
    found = [
        broken_shares(losses, each.loc[losses.index]).rename_axis("level").reset_index().assign(factor=name)
        for name, each in (levels or {"": pd.Series(ALL, losses.index)}).items()
    ]
    return pd.concat(found, ignore_index=True)


def _levels(trial: Trial, tables: Tables, unit: str) -> Pieces:
    """The numbers of several tables beside each other, a row a level; those of the first factor as findings."""
    findings, cells = [], []
    for topic, (head, table) in tables.items():
        rows = table.to_dict("records")
        shown = [worded.cell(row, unit) for row in rows]
        cells.append(pd.Series(shown, pd.MultiIndex.from_frame(table[["factor", "level"]]), name=head))
        for row, cell in zip(rows, shown, strict=True):
            if row["factor"] == rows[0]["factor"]:
                level = "all" if row["level"] == ALL else str(row["level"])
                said = f"{capital(head)}, {row['level']}: {cell}."
                topic_of_it = f"crumble.{topic}[{level}]"
                findings.append(worded.finding(topic_of_it, said, row, unit, int(row["n_batches"])))
    if not cells:
        return []
    grid = pd.concat([each.reindex(cells[0].index) for each in cells], axis=1).reset_index()
    grid["factor"] = [trial.settings.label(name) if name else "" for name in grid["factor"]]
    shown_grid = grid if grid["factor"].any() else grid.drop(columns="factor")
    return [Findings(findings, "silent"), Grid(shown_grid, TYPICAL)]
