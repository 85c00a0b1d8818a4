"""The crumbling part of a report: a trial in, the pieces that a notebook shows out."""

from __future__ import annotations

from dataclasses import dataclass, replace

import pandas as pd

from fizzlab.errors import CannotAnswer
from fizzlab.models.crumble import (
    CrumbleStudy,
    DropFit,
    DropStudy,
    Part,
    ScoreStudy,
    TumbleStudy,
    study_crumble,
)
from fizzlab.report.analysis import Analysed
from fizzlab.report.figures import crumble as drawn
from fizzlab.report.findings import Finding
from fizzlab.report.page import Findings, Grid, Notes, Picture
from fizzlab.report.parts.general import Pieces
from fizzlab.report.phrases import crumble as worded
from fizzlab.report.phrases import crumble_notes as noted
from fizzlab.report.phrases import listed, number, percent
from fizzlab.trial.folder import Trial

TABLES = ("tumbles", "drops", "crumble_scores")

#: The response of trial.toml that a measure of crumbling stands for.
TOLD_AS = {
    worded.LOSS: "tumble_loss_pct",
    worded.LOSS_ODDS: "tumble_loss_pct",
    worded.HEIGHT: "drop_cm",
    worded.SCORE: "score",
}

#: Said where drops are shown: what can hurt.
DROP_SAFETY = (
    "Shards fly when a piece breaks, and its acid stings: drop onto a tray at arm's length, with glasses on, and "
    "tumble with the lid on."
)


@dataclass(frozen=True)
class Crumbled:
    """What the crumble tests say, with every comparison made once and shown in several places."""

    study: CrumbleStudy
    found: list[worded.Comparison]

    def findings(self, measures: tuple[worded.Measure, ...]) -> list[Finding]:
        """The findings of some measures, in order."""
        return [each.finding for each in self.found if each.measure in measures]


def crumbling(trial: Trial) -> Crumbled | None:
    """Analyse the crumble tests; None where there are none."""
    if not any(trial.has(name) for name in TABLES):
        return None
    wanted = trial.settings.crumble
    parts = {} if wanted.index is None else wanted.index.parts()
    study = study_crumble(
        trial.rows("runs"),
        trial.rows("tumbles"),
        trial.rows("drops"),
        trial.rows("crumble_scores"),
        trial.settings.terms(),
        tumble_scale=wanted.tumble_scale,
        scale_step_g=wanted.scale_step_g,
        drop_scale=wanted.drop_scale,
        drop_method=wanted.drop_method,
        survive=wanted.survive,
        index=[Part(name, part.weight, part.best, part.worst) for name, part in parts.items()],
    )
    return Crumbled(study, worded.comparisons(study, trial.settings.label))


def crumble_answer(crumbled: Crumbled | None, changed: Analysed | None = None) -> Pieces:
    """What was shown of crumbling and what could not be, in two sentences at most, unless `changed` told it."""
    if crumbled is None or not crumbled.found or (changed is not None and changed.effects):
        return []
    return [Findings(worded.answer_findings(crumbled.found))]


def crumble(trial: Trial, crumbled: Crumbled | None, changed: Analysed | None = None) -> Pieces:
    """Crumbling in full: each test with its findings, figure and doubts, and how it was worked out.

    What `changed` has told of the factors, by the fit that may judge it, is not told again.
    """
    if crumbled is None:
        return []
    if changed is not None:
        told = set(changed.responses)
        kept = [each for each in crumbled.found if TOLD_AS.get(each.measure) not in told]
        crumbled = replace(crumbled, found=kept)
    study = crumbled.study
    pieces: Pieces = ["## Crumbling"]
    steps = noted.next_steps(study)
    if steps:
        pieces.append(Notes(steps, "next"))
    if study.tumbles is not None:
        pieces += ["### In the tumble", *_tumbles(trial, crumbled)]
    if study.drops is not None:
        pieces += ["### Dropped", *_drops(trial, crumbled, study.drops)]
    if study.scores is not None:
        pieces += ["### Scored by hand", *_scores(trial, crumbled, study.scores)]
    if study.index is not None:
        pieces += ["### One index", *_index(study.index)]
    said = noted.methods(study, trial.settings.label)
    return [*pieces, "### How crumbling was worked out", said] if said else pieces


def _tumbles(trial: Trial, crumbled: Crumbled) -> Pieces:
    study = crumbled.study.tumbles
    if not isinstance(study, TumbleStudy):
        return [Notes([f"The tumbles give no losses. {study}"], "caution")]
    found = crumbled.findings((worded.LOSS, worded.LOSS_ODDS, worded.BROKEN))
    pieces: Pieces = [
        Findings([*found, *worded.loss_findings(study), *worded.broken_findings(study)], kind="plain"),
        _losses(trial, crumbled.study, study),
    ]
    said = noted.tumble_doubts(study)
    if said:
        pieces.append(Notes(said, "caution"))
    return [*pieces, Grid(noted.loss_table(study), "The loss of each batch")]


def _drops(trial: Trial, crumbled: Crumbled, study: DropStudy) -> Pieces:
    found = crumbled.findings((worded.HEIGHT,))
    pieces: Pieces = [
        Findings([*found, *worded.height_findings(study)], kind="plain"),
        _sequence(trial, crumbled.study, study),
    ]
    pieces.append(Notes([*noted.drop_doubts(study), DROP_SAFETY], "caution"))
    if study.levels:
        pieces.append(Grid(noted.height_table(study), "The heights from which pieces break"))
    return pieces


def _scores(trial: Trial, crumbled: Crumbled, study: ScoreStudy) -> Pieces:
    found = [*crumbled.findings((worded.SCORE,)), *worded.score_findings(study)]
    pieces: Pieces = [Findings([*found, *worded.agreement_findings(study)], kind="plain")]
    if study.chances:
        pieces.append(_bars(trial, crumbled.study, study))
    said = noted.score_doubts(study)
    if said:
        pieces.append(Notes(said, "caution"))
    if study.chances:
        caption = "The share of pieces to be expected at each score, with 95 % intervals"
        pieces.append(Grid(noted.chance_table(study), caption))
    return pieces


def _index(index: pd.DataFrame | CannotAnswer) -> Pieces:
    if isinstance(index, CannotAnswer):
        return [Notes([f"No crumble index can be given. {index}"], "caution")]
    caption = "The crumble index as trial.toml states it, 0 (holds) to 1 (crumbles), the best batch first"
    return [Grid(noted.index_table(index), caption)]


def _group_label(trial: Trial, study: CrumbleStudy) -> str:
    return "" if study.grouped_by is None else trial.settings.label(study.grouped_by.name)


def _losses(trial: Trial, study: CrumbleStudy, tumbled: TumbleStudy) -> Picture:
    estimates = {each.level or tumbled.known.levels[0]: each for each in tumbled.levels}
    nothing = float("nan")
    levels = pd.DataFrame(
        [
            (name, found.loss_pct, found.low, found.high)
            if (found := estimates.get(name))
            else (name, nothing, nothing, nothing)
            for name in tumbled.known.levels
        ],
        columns=["level", "loss_pct", "low", "high"],
    )
    told = [f"{each.level or 'all batches'} {number(each.loss_pct)} %" for each in tumbled.levels]
    span, hidden = tumbled.losses["loss_pct"], bool(tumbled.losses["below_step"].any())
    return Picture(
        "tumble-losses",
        drawn.tumble_losses(tumbled.losses, levels, _group_label(trial, study)),
        "Loss of each batch in the tumble (points), and above them the typical loss with its 95 % interval (line)."
        + (" An open arrow is a batch that lost less than the scale can show." if hidden else ""),
        f"Tumble losses of {len(span)} batches, {number(span.min())} to {number(span.max())} %"
        + (f"; typical: {listed(told)}." if told else "."),
    )


def _sequence(trial: Trial, study: CrumbleStudy, dropped: DropStudy) -> Picture:
    columns = ["level", "median_cm", "median_low", "median_high", "survive_cm"]
    rows = [
        (
            each.level or dropped.known.levels[0],
            each.median_cm,
            each.median_low,
            each.median_high,
            each.survive_cm,
        )
        for each in dropped.levels
    ]
    levels = pd.DataFrame(rows, columns=columns)
    survive = dropped.fit.survive if isinstance(dropped.fit, DropFit) else trial.settings.crumble.survive
    told = (
        f" Half break from {worded.level_heights(dropped.levels)}."
        if dropped.levels
        else " No height is fitted."
    )
    broke = int(dropped.drops["broke"].sum())
    past = any(each.median_high > drawn.top_cm(dropped.drops, levels) for each in dropped.levels)
    return Picture(
        "drop-sequence",
        drawn.drop_sequence(dropped.drops, levels, _group_label(trial, study), survive),
        "Every drop in order: a cross broke, a ring held. The full line is the height at which half of the pieces "
        f"break, in its 95 % band; the broken line the height that {percent(survive)} survive."
        + (" A band that meets the frame goes on past it." if past else ""),
        f"{len(dropped.drops)} drops of {dropped.drops['run'].nunique()} batches, {broke} of them broken, by height."
        + told,
    )


def _bars(trial: Trial, study: CrumbleStudy, scored: ScoreStudy) -> Picture:
    only = scored.known.levels[0]
    chances = pd.DataFrame(
        [(each.level or only, each.score, each.chance) for each in scored.chances],
        columns=["level", "score", "chance"],
    )
    leans = pd.DataFrame(
        [(each.rater, each.difference, each.low, each.high) for each in scored.leans],
        columns=["rater", "difference", "low", "high"],
    )
    told = [f"{each.level or 'all batches'} {each.mean:.1f}" for each in scored.means]
    agreed = worded.agreement_title(scored)
    below = (
        " Below, how far each rater scores off the others on the same pieces, with 95 % intervals; a line that leaves "
        "the middle out is a lean."
        if len(leans)
        else ""
    )
    return Picture(
        "score-bars",
        drawn.score_bars(chances, leans, _group_label(trial, study), agreed),
        f"The share of pieces to be expected at each score.{below}",
        f"Stacked bars of the chances of scores 0 to 4; mean scores: {listed(told)}. {agreed}".strip(),
    )
