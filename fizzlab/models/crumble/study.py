"""The crumble tests of a trial as one result: every part an answer, the reason why not, or absent."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import pandas as pd

from fizzlab.errors import CannotAnswer
from fizzlab.models.crumble.agreement import (
    Agreement,
    RaterBias,
    agreement_alpha,
    rater_bias,
    whom_to_retrain,
)
from fizzlab.models.crumble.broken import BrokenFit, broken_by_level, broken_effects
from fizzlab.models.crumble.drop import DropFit, Heights, Method, drop_heights
from fizzlab.models.crumble.drop import Scale as DropScale
from fizzlab.models.crumble.estimates import Share
from fizzlab.models.crumble.index import Part, crumble_index
from fizzlab.models.crumble.scores import MeanScore, ScoreChance, ScoreFit, score_regression
from fizzlab.models.crumble.tumble import LossLevel, TumbleFit, batch_losses, tumble_effects
from fizzlab.models.crumble.tumble import Scale as TumbleScale
from fizzlab.models.days import set_for_days
from fizzlab.models.terms import ALL, Amount, Category, Term, grouping, level_name, varying

#: An amount is also shown at each of its values where there are at most so many, each in two batches or more.
MOST_AMOUNTS = 6


@dataclass(frozen=True)
class Known:
    """What a comparison rests on.

    Attributes
    ----------
    batches : DataFrame
        The batches with readings, indexed by run, with the column `level`.
    terms : tuple of Category or Amount
        The factors that changed between them.
    shown : tuple of Category or Amount
        The same, with the amount that is drawn apart as a category of its values, where they are few.
    levels : tuple of str
        The levels that are drawn apart, in order; one named `ALL` where there are none.
    notes : tuple of str
        What was left out of the comparison, and why.
    """

    batches: pd.DataFrame
    terms: tuple[Term, ...]
    shown: tuple[Term, ...]
    levels: tuple[str, ...]
    notes: tuple[str, ...]

    @property
    def whole_day(self) -> tuple[str, ...]:
        """Factors that were set for whole days, which a comparison that counts batches cannot judge."""
        return set_for_days(self.batches, self.terms)

    @property
    def apart(self) -> Category | None:
        """The category whose levels are drawn apart."""
        return next((term for term in self.shown if isinstance(term, Category)), None)

    def span(self, term: Amount) -> tuple[float, float]:
        """The least and the most that was tried of an amount."""
        values = self.batches[term.name]
        return float(values.min()), float(values.max())


@dataclass(frozen=True)
class TumbleStudy:
    """What the tumbles say.

    Attributes
    ----------
    known : Known
    losses : DataFrame
        One row a batch, indexed by run: loss_pct, below_step, tumbles, level, and pieces and broken where
        somebody counted.
    fit : TumbleFit or CannotAnswer
    levels : tuple of LossLevel
        The levels that are drawn apart, or all batches together; empty where there is no fit.
    broken : BrokenFit, CannotAnswer or None
        None where nobody counted broken pieces.
    shares : dict of str to Share
        Broken pieces by level.
    """

    known: Known
    losses: pd.DataFrame
    fit: TumbleFit | CannotAnswer
    levels: tuple[LossLevel, ...]
    broken: BrokenFit | CannotAnswer | None
    shares: Mapping[str, Share]


@dataclass(frozen=True)
class DropStudy:
    """What the drops say.

    Attributes
    ----------
    known : Known
    drops : DataFrame
        Every drop in the order of dropping within its batch, batches by level: run, piece, height_cm,
        broke, level.
    fit : DropFit or CannotAnswer
    levels : tuple of Heights
        The levels that are drawn apart, or all batches together; empty where there is no fit.
    """

    known: Known
    drops: pd.DataFrame
    fit: DropFit | CannotAnswer
    levels: tuple[Heights, ...]


@dataclass(frozen=True)
class ScoreStudy:
    """What the scores say, and whether the raters agree.

    Attributes
    ----------
    known : Known
    scores : DataFrame
        run, piece, rater, score, level.
    fit : ScoreFit or CannotAnswer
    chances : tuple of ScoreChance
        Of each score at the levels that are drawn apart, or for all batches; empty where there is no fit.
    means : tuple of MeanScore
    raters : tuple of str
    agreement : Agreement, CannotAnswer or None
        None where there is one rater only.
    leans : tuple of RaterBias
        How far each rater scores above the others, the highest first.
    retrain : tuple of str
        With whom to go through the scale.
    """

    known: Known
    scores: pd.DataFrame
    fit: ScoreFit | CannotAnswer
    chances: tuple[ScoreChance, ...]
    means: tuple[MeanScore, ...]
    raters: tuple[str, ...]
    agreement: Agreement | CannotAnswer | None
    leans: tuple[RaterBias, ...]
    retrain: tuple[str, ...]


@dataclass(frozen=True)
class CrumbleStudy:
    """What the crumble tests of a trial say. A part is None where its table is not there.

    Attributes
    ----------
    grouped_by : Category, Amount or None
        The factor whose levels are drawn apart.
    tumbles : TumbleStudy, CannotAnswer or None
    drops : DropStudy or None
    scores : ScoreStudy or None
    index : DataFrame, CannotAnswer or None
        One row a batch, from `crumble_index`, with its level; None where no index is stated.
    """

    grouped_by: Term | None
    tumbles: TumbleStudy | CannotAnswer | None
    drops: DropStudy | None
    scores: ScoreStudy | None
    index: pd.DataFrame | CannotAnswer | None


def study_crumble(
    runs: pd.DataFrame,
    tumbles: pd.DataFrame,
    drops: pd.DataFrame,
    scores: pd.DataFrame,
    terms: Sequence[Term],
    *,
    tumble_scale: TumbleScale = "log",
    scale_step_g: float | None = None,
    drop_scale: DropScale = "log",
    drop_method: Method = "jeffreys",
    survive: float = 0.9,
    index: Sequence[Part] = (),
) -> CrumbleStudy:
    """Analyse every crumble table of a trial, with the factors as terms.

    Parameters
    ----------
    runs : DataFrame
        Checked table of the batches.
    tumbles, drops, scores : DataFrame
        Checked tables `tumbles`, `drops` and `crumble_scores`; an empty one is an absent part.
    terms : sequence of Category or Amount
        The factors.
    tumble_scale, scale_step_g
        See `tumble_effects`.
    drop_scale, drop_method, survive
        See `drop_heights`.
    index : sequence of Part
        Parts of the index, of loss_pct, broken_pct (per cent of the pieces) and score (the batch's mean); no
        part, no index.

    Returns
    -------
    CrumbleStudy

    Examples
    --------
    >>> runs = pd.DataFrame({"run": list("ABCD"), "day": "1", "colour": ["dye", "lake"] * 2})
    >>> tumbles = pd.DataFrame({"run": list("ABCD"), "pieces": 4, "before_g": 200.0,
    ...     "after_g": [198.0, 195.9, 197.8, 196.3], "broken": [0, 1, 0, 2]})
    >>> colour = Category("colour", ("dye", "lake"), "dye")
    >>> study = study_crumble(runs, tumbles, tumbles[:0], tumbles[:0], [colour])
    >>> [(level.level, round(level.loss_pct, 1)) for level in study.tumbles.levels]
    [('dye', 1.0), ('lake', 1.9)]
    >>> study.drops is None, study.index is None
    (True, True)
    """
    batches = runs.set_index("run")
    tumbled = _tumbles(batches, tumbles, terms, tumble_scale, scale_step_g) if len(tumbles) else None
    scored = _scores(batches, scores, terms) if len(scores) else None
    return CrumbleStudy(
        grouping(terms),
        tumbled,
        _drops(batches, drops, terms, drop_method, drop_scale, survive) if len(drops) else None,
        scored,
        _index(tumbles, tumbled, scored, index, _known(batches, batches.index.to_series(), terms))
        if index
        else None,
    )


def _known(batches: pd.DataFrame, measured: pd.Series, terms: Sequence[Term]) -> Known:
    """The batches with readings and the factors that changed between them."""
    table = batches[batches.index.isin(set(measured))].copy()
    kept, notes = varying(terms, table)
    factor = grouping(kept)
    shown = list(kept)
    levels: tuple[str, ...] = (ALL,)
    table["level"] = ALL
    if isinstance(factor, Category):
        table["level"], levels = table[factor.name], factor.levels
    elif factor is not None:
        values = table[factor.name].value_counts().sort_index()
        if len(values) <= MOST_AMOUNTS and values.min() >= 2:
            named = {value: level_name(factor, value) for value in values.index}
            table["level"], levels = table[factor.name].map(named), tuple(named.values())
            shown[shown.index(factor)] = Category("level", levels, levels[0])
    return Known(table, tuple(kept), tuple(shown), levels, tuple(notes))


def _tumbles(
    batches: pd.DataFrame,
    tumbles: pd.DataFrame,
    terms: Sequence[Term],
    scale: TumbleScale,
    step_g: float | None,
) -> TumbleStudy | CannotAnswer:
    known = _known(batches, tumbles["run"], terms)
    try:
        losses = batch_losses(tumbles, step_g)
    except CannotAnswer as reason:
        return reason
    fit: TumbleFit | CannotAnswer
    levels: tuple[LossLevel, ...] = ()
    try:
        fit = tumble_effects(tumbles, known.batches, known.terms, scale=scale, step_g=step_g)
        apart = fit
        if known.shown != known.terms:
            apart = tumble_effects(tumbles, known.batches, known.shown, scale=scale, step_g=step_g)
        levels = tuple(level for level in apart.levels if level.term == _name(known))
    except CannotAnswer as reason:
        fit = reason
    told = tumbles[tumbles["broken"].notna()]
    broken: BrokenFit | CannotAnswer | None = None
    shares: dict[str, Share] = {}
    if len(told):
        by_level = broken_by_level(told, known.batches, "level")
        shares = {level: by_level[level] for level in known.levels if level in by_level}
        try:
            counted = _known(batches, told["run"], terms)
            broken = broken_effects(told, counted.batches, counted.terms)
        except CannotAnswer as reason:
            broken = reason
    ordered = losses.join(known.batches["level"]).join(told.groupby("run")[["pieces", "broken"]].sum())
    return TumbleStudy(known, ordered, fit, levels, broken, shares)


def _name(known: Known) -> str:
    """The term whose levels are drawn apart, as the fits call it; empty for all batches together."""
    apart = known.apart
    return "" if apart is None else apart.name


def _drops(
    batches: pd.DataFrame,
    drops: pd.DataFrame,
    terms: Sequence[Term],
    method: Method,
    scale: DropScale,
    survive: float,
) -> DropStudy:
    known = _known(batches, drops["run"], terms)
    fit: DropFit | CannotAnswer
    levels: tuple[Heights, ...] = ()
    try:
        fit = drop_heights(drops, known.batches, known.terms, method=method, scale=scale, survive=survive)
        apart = fit
        if known.shown != known.terms:
            apart = drop_heights(
                drops, known.batches, known.shown, method=method, scale=scale, survive=survive
            )
        levels = tuple(level for level in apart.heights if level.term == _name(known))
    except CannotAnswer as reason:
        fit = reason
    rank = {level: place for place, level in enumerate(known.levels)}
    shown = drops.assign(level=drops["run"].map(known.batches["level"]))
    places = {run: place for place, run in enumerate(known.batches.index)}
    shown = shown.assign(_rank=shown["level"].map(rank), _run=shown["run"].map(places))
    keys = ["_rank", "_run", "order"] if "order" in shown else ["_rank", "_run"]
    shown = shown.sort_values(keys, kind="stable").drop(columns=["_rank", "_run"])
    return DropStudy(known, shown, fit, levels)


def _scores(batches: pd.DataFrame, scores: pd.DataFrame, terms: Sequence[Term]) -> ScoreStudy:
    known = _known(batches, scores["run"], terms)
    fit: ScoreFit | CannotAnswer
    chances: tuple[ScoreChance, ...] = ()
    means: tuple[MeanScore, ...] = ()
    try:
        fit = score_regression(scores, known.batches, known.terms)
        apart = fit
        if known.shown != known.terms:
            apart = score_regression(scores, known.batches, known.shown)
        chances = tuple(each for each in apart.chances if each.term == _name(known))
        means = tuple(each for each in apart.means if each.term == _name(known))
    except CannotAnswer as reason:
        fit = reason
    raters = tuple(dict.fromkeys(scores["rater"]))
    agreement: Agreement | CannotAnswer | None = None
    leans: tuple[RaterBias, ...] = ()
    retrain: tuple[str, ...] = ()
    if len(raters) > 1:
        try:
            agreement = agreement_alpha(scores)
            leans = rater_bias(scores)
            retrain = whom_to_retrain(agreement, leans)
        except CannotAnswer as reason:
            agreement = reason if agreement is None else agreement
    shown = scores.assign(level=scores["run"].map(known.batches["level"]))
    return ScoreStudy(known, shown, fit, chances, means, raters, agreement, leans, retrain)


def _index(
    tumbles: pd.DataFrame,
    tumbled: TumbleStudy | CannotAnswer | None,
    scored: ScoreStudy | None,
    parts: Sequence[Part],
    known: Known,
) -> pd.DataFrame | CannotAnswer:
    """The stated index of every batch that has a reading of one part or more."""
    found: dict[str, pd.Series] = {}
    if isinstance(tumbled, TumbleStudy):
        found["loss_pct"] = tumbled.losses["loss_pct"]
        counted = tumbles[tumbles["broken"].notna()].groupby("run")[["broken", "pieces"]].sum()
        found["broken_pct"] = 100 * counted["broken"] / counted["pieces"]
    if scored is not None:
        found["score"] = scored.scores.groupby("run")["score"].mean()
    missing = [part.name for part in parts if part.name not in found]
    if missing:
        what = {"loss_pct": "tumbles", "broken_pct": "tumbles", "score": "crumble_scores"}[missing[0]]
        return CannotAnswer(
            f"The crumble index needs {missing[0]}, and there are no {what} to take it from.",
            "Take those readings, or leave the part out of [crumble.index] in trial.toml.",
        )
    readings = pd.DataFrame({part.name: found[part.name] for part in parts}).astype(float)
    readings = readings.loc[[run for run in known.batches.index if run in readings.index]]
    try:
        table = crumble_index(readings, parts)
    except CannotAnswer as reason:
        return reason
    return table.join(known.batches["level"])
