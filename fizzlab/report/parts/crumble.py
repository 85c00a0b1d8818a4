"""The crumbling part of a report: each test with what it rests on, its typical numbers, figure and doubts."""

from __future__ import annotations

from collections.abc import Sequence

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
from fizzlab.report.findings import Finding
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

#: Heads the table of each test.
TYPICAL = "The typical batch, the other factors averaged, with 95 % intervals"


def crumble(analysed: Analysed) -> Pieces:
    """Crumbling in full; what "What changed" tells of it is not told again."""
    study = analysed.studies.get(STUDY)
    if not isinstance(study, CrumbleStudy):
        return []
    pieces: Pieces = []
    if len(study.losses):
        pieces += ["### In the tumble", *_tumbles(analysed, study)]
    if len(study.drops):
        pieces += ["### Dropped", *_drops(analysed, study)]
    if len(study.scores):
        pieces += ["### Scored by hand", *_scores(analysed, study)]
    if len(study.index):
        caption = "The crumble index as trial.toml states it, 0 (holds) to 1 (crumbles), the best batch first"
        pieces += ["### One index", Grid(worded.index_table(study.index), caption)]
    steps = worded.next_steps(study)
    refused = [reason.why for reason in study.refused.values()]
    if not analysed.trial.settings.terms():  # else told with what changed
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
    batches = trial.batches().loc[losses.index]
    terms = trial.settings.terms()
    fit, tables = _fit(analysed, LOSS), {}
    doubts = []
    if fit is not None:
        tables["typical loss"] = typical(fit)
        if losses["below_step"].any():
            doubts.append(worded.step_doubt(losses, step_decides(fit, losses)))
    if BROKEN in study.numbers:
        tables["broken pieces"] = _broken(losses.dropna(subset="broken"), batches, terms)
    findings = [
        *_findings(
            "loss.level", tables.get("typical loss"), "%", "{who} lose {size} of their mass in the tumble"
        ),
        *_findings(
            "broken.level", tables.get("broken pieces"), "%", "{size} of the {who} break in the tumble"
        ),
    ]
    made = pd.DataFrame(
        {trial.settings.label(t.name): [level_name(t, v) for v in batches[t.name]] for t in terms},
        batches.index,
    )
    return [
        worded.rests_on(study, "tumbles"),
        Findings(findings, "silent"),
        _levels(trial, tables, "%"),
        Picture(
            "tumble-losses",
            drawn.tumble_losses(losses, drawn_apart(batches, terms)[0]),
            "Loss of each batch."
            + (" An open arrow lost less than the scale can show." if losses["below_step"].any() else ""),
            f"Tumble losses of {len(losses)} batches, {number(losses['loss_pct'].min())} to "
            f"{number(losses['loss_pct'].max())} %.",
        ),
        Notes(doubts, "caution") if doubts else None,
        Grid(worded.loss_table(losses, made), "The loss of each batch"),
    ]


def _drops(analysed: Analysed, study: CrumbleStudy) -> Pieces:
    trial, survive = analysed.trial, analysed.trial.settings.crumble.survive
    fit, doubts = study.fits.get(DROP), [DROP_SAFETY]
    tables: dict[str, pd.DataFrame] = {}
    findings: list[Finding] = []
    with house_style():
        figure, axes = new_figure(height=4.0)
        if isinstance(fit, DropFit):
            fit.plot(axes, survive=survive)
        else:
            levels = drawn_apart(_batches(trial, study.drops), trial.settings.terms())[0]
            plot_drops(study.drops, levels, ax=axes)
    if isinstance(fit, DropFit):
        half, most = typical(fit).assign(df=float(fit.df)), typical(fit, share=1 - survive)
        tables = {"half break from": half, f"{percent(survive)} survive from": most}
        findings = _findings("drop.median", half, "cm", "half of the {who} break in a fall from {size}")
        doubts = [*worded.drop_doubts(fit), DROP_SAFETY]
    broke = int(study.drops["broke"].sum())
    return [
        worded.rests_on(study, "drops"),
        Findings(findings, "silent"),
        _levels(trial, tables, "cm"),
        Picture(
            "drop-sequence",
            figure,
            "Every drop in order. Band: 95 % interval of the height at which half break; it may go on past the frame.",
            f"{len(study.drops)} drops by height, {broke} of them broken.",
        ),
        Notes(doubts, "caution"),
    ]


def _scores(analysed: Analysed, study: CrumbleStudy) -> Pieces:
    trial, fit = analysed.trial, _fit(analysed, SCORE)
    tables = {} if fit is None else {"mean score": typical(fit)}
    findings = _findings("score.level", tables.get("mean score"), "points", "{who} score {size} on average")
    labels, _ = drawn_apart(_batches(trial, study.scores), trial.settings.terms())
    agreement = study.agreement
    below = " Below: how far each rater scores off the others, with 95 % intervals." if agreement else ""
    return [
        worded.rests_on(study, "scores"),
        Findings(worded.agreement_findings(agreement), "plain") if agreement else None,
        Findings(findings, "silent"),
        _levels(trial, tables, "points"),
        Picture(
            "score-bars",
            drawn.score_shares(study.scores, labels, agreement),
            f"The share of the scores, 0 (holds whole) to 4 (falls to powder).{below}",
            f"Stacked bars of the scores 0 to 4 by {listed(list(labels.cat.categories))}.",
        ),
    ]


def _fit(analysed: Analysed, response: str) -> ResponseFit | None:
    """The fit of a response; where no factor is named, of all batches together."""
    fit = analysed.fits.get(response)
    if isinstance(fit, ResponseFit) or response not in analysed.numbers or analysed.trial.settings.terms():
        return fit if isinstance(fit, ResponseFit) else None
    try:
        return fit_response(analysed.batches, response, [])
    except CannotAnswer:
        return None


def _batches(trial: Trial, readings: pd.DataFrame) -> pd.DataFrame:
    """The batches that have readings."""
    batches = trial.batches()
    return batches[batches.index.isin(readings["run"])]


def typical(fit: FitResult, share: float = 0.5) -> pd.DataFrame:
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
    return list(values) if len(values) <= 4 else list(np.linspace(values[0], values[-1], 3))


def _broken(losses: pd.DataFrame, batches: pd.DataFrame, terms: Sequence[Term]) -> pd.DataFrame:
    """The observed share of broken pieces at each level of each factor."""
    levels = {t.name: batches[t.name].map(lambda value, t=t: level_name(t, value)) for t in terms}
    levels = {name: each for name, each in levels.items() if each.nunique() > 1}
    found = [
        broken_shares(losses, each.loc[losses.index]).rename_axis("level").reset_index().assign(factor=name)
        for name, each in (levels or {"": pd.Series(ALL, losses.index)}).items()
    ]
    return pd.concat(found, ignore_index=True)


def _levels(trial: Trial, tables: dict[str, pd.DataFrame], unit: str) -> Grid | None:
    """The numbers of several tables beside each other, a row a level."""
    if not tables:
        return None
    cells = [
        pd.Series(
            [worded.cell(row, unit) for row in table.to_dict("records")],
            pd.MultiIndex.from_frame(table[["factor", "level"]]),
            name=head,
        )
        for head, table in tables.items()
    ]
    rows = pd.concat([each.reindex(cells[0].index) for each in cells], axis=1).reset_index()
    rows["factor"] = [trial.settings.label(name) if name else "" for name in rows["factor"]]
    return Grid(rows if rows["factor"].any() else rows.drop(columns="factor"), TYPICAL)


def _findings(topic: str, table: pd.DataFrame | None, unit: str, sentence: str) -> list[Finding]:
    """The numbers of the first factor's levels, for the record."""
    if table is None:
        return []
    found = []
    for row in table[table["factor"] == table["factor"].iloc[0]].to_dict("records"):
        level = "all" if row["level"] == ALL else str(row["level"])
        who = "pieces" if level == "all" else f"pieces with {level}"
        said = capital(sentence.format(who=who, size=worded.cell(row, unit)))
        found.append(
            worded.finding(f"crumble.{topic}[{level}]", f"{said}.", row, unit, int(row["n_batches"]))
        )
    return found
