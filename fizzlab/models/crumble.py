"""How well pieces hold: one number a batch of tumbles and scores, the drops' own fit, a stated index."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Protocol

import numpy as np
import pandas as pd

from fizzlab.errors import CannotAnswer
from fizzlab.models.drops import fit_drop_height
from fizzlab.models.effects import ResponseFit, fit_response
from fizzlab.models.raters import RaterAgreement, rater_agreement
from fizzlab.models.result import FitResult, Study
from fizzlab.models.terms import Term, need_columns, varying

LOSS, BROKEN, DROP, SCORE = "tumble_loss_pct", "broken_pct", "drop_cm", "score"

#: The response that each part of a crumble index is of.
_PARTS = {"loss_pct": LOSS, "broken_pct": BROKEN, "score": SCORE}

#: Steps that kitchen and letter scales show, in grams, coarsest first.
STEPS_G = (5.0, 2.0, 1.0, 0.5, 0.2, 0.1, 0.05, 0.02, 0.01, 0.005, 0.002, 0.001)

#: More batches than this share below half a scale step, and losses are not compared.
MOST_BELOW = 1 / 3


class Part(Protocol):
    """One part of a crumble index: its weight, and the readings that count as 0 (best) and 1 (worst)."""

    weight: float
    best: float
    worst: float


@dataclass(frozen=True, kw_only=True)
class CrumbleStudy(Study):
    """What the crumble tests of a trial say.

    Parameters
    ----------
    losses : DataFrame
        One row a batch that was tumbled, from `batch_losses`.
    agreement : RaterAgreement or None
        Of two raters or more.
    index : DataFrame
        From `crumble_index`; empty where none is stated.
    refused : mapping of str to CannotAnswer
        Why there is no ``"agreement"`` or no ``"index"``.
    """

    losses: pd.DataFrame = field(repr=False)
    agreement: RaterAgreement | None = None
    index: pd.DataFrame = field(default_factory=pd.DataFrame, repr=False)
    refused: Mapping[str, CannotAnswer] = field(default_factory=dict)


def study_crumble(
    tables: Mapping[str, pd.DataFrame],
    terms: Sequence[Term],
    *,
    scale_step_g: float | None = None,
    drop_method: str = "jeffreys",
    index: Mapping[str, Part] | None = None,
) -> CrumbleStudy:
    """Study the tumbles, drops and scores of a trial.

    Parameters
    ----------
    tables : mapping of str to DataFrame
        runs, tumbles, drops, crumble_scores; empty where there are none.
    terms : sequence of Category or Amount
        The factors, for the drops.
    scale_step_g
        See `batch_losses`.
    drop_method : {"jeffreys", "likelihood"}
        With Jeffreys' penalty or without; see `fit_drop_height`.
    index : mapping of str to Part, optional
        The parts of an index, by name: loss_pct, broken_pct, score.

    Examples
    --------
    >>> runs = pd.DataFrame({"run": list("ABCD"), "day": "1"})
    >>> tumbles = pd.DataFrame({"run": list("ABCD"), "pieces": 4, "before_g": 200.0,
    ...     "after_g": [198.0, 195.9, 197.8, 196.3], "broken": [0, 1, 0, 2]})
    >>> none = pd.DataFrame({"run": [], "piece": [], "rater": [], "score": []})
    >>> study = study_crumble({"runs": runs, "tumbles": tumbles, "drops": none, "crumble_scores": none}, [])
    >>> {name: numbers.round(2).tolist() for name, numbers in study.numbers.items()}
    {'tumble_loss_pct': [1.0, 2.05, 1.1, 1.85], 'broken_pct': [0.0, 25.0, 0.0, 50.0]}
    """
    runs, tumbles, drops, scores = (tables[name] for name in ("runs", "tumbles", "drops", "crumble_scores"))
    numbers: dict[str, pd.Series] = {}
    fits: dict[str, FitResult] = {}
    reasons: dict[str, CannotAnswer] = {}
    refused: dict[str, CannotAnswer] = {}
    losses = pd.DataFrame()
    agreement = None
    if len(tumbles):
        try:
            losses = batch_losses(tumbles, scale_step_g)
            numbers[LOSS] = loss_numbers(losses)
        except CannotAnswer as reason:
            reasons[LOSS] = reason
        counts = counted(tumbles)
        if len(counts):
            numbers[BROKEN] = 100 * counts["broken"] / counts["pieces"]
    if len(drops):
        try:
            dropped = runs[runs["run"].isin(drops["run"])]
            varied, notes = varying(terms, dropped)
            fit = fit_drop_height(drops, varied, runs=dropped, penalised=drop_method == "jeffreys")
            fits[DROP] = replace(fit, notes=(*notes, *fit.notes))
            reasons |= {f"{DROP}, {name}": why for name, why in fit.withheld.items()}
        except CannotAnswer as reason:
            reasons[DROP] = reason
    if len(scores):
        numbers[SCORE] = score_numbers(scores)
        try:
            agreement = rater_agreement(scores) if scores["rater"].nunique() > 1 else None
        except CannotAnswer as reason:
            refused["agreement"] = reason
    parts = pd.DataFrame()
    if index:
        try:
            parts = crumble_index(numbers, index)
        except CannotAnswer as reason:
            refused["index"] = reason
    return CrumbleStudy(
        numbers=numbers,
        fits=fits,
        reasons=reasons,
        losses=losses,
        agreement=agreement,
        index=parts,
        refused=refused,
    )


def reading_step(readings_g: pd.Series) -> float:
    """Return the scale's step as the readings show it: the coarsest that fits them all, in grams.

    Examples
    --------
    >>> reading_step(pd.Series([251.0, 248.5, 249.9]))
    0.1
    """
    values = readings_g.to_numpy(float)
    for step in STEPS_G:
        if np.allclose(values / step, np.round(values / step), rtol=0, atol=1e-4):
            return step
    return STEPS_G[-1]


def batch_losses(tumbles: pd.DataFrame, scale_step_g: float | None = None) -> pd.DataFrame:
    """Average the tumbles of each batch: the loss in per cent, 100 (before - after) / before.

    The formula is that of the pharmacopoeias for the friability of tablets.

    Parameters
    ----------
    tumbles : DataFrame
        Columns run, before_g, after_g; pieces and broken where somebody counted.
    scale_step_g : float, optional
        Step of the scale in grams; read off the readings where it is not given.

    Returns
    -------
    DataFrame
        One row a batch, indexed by run: tumbles (how many), loss_pct (their mean), step_g, step_pct (one step
        of the scale as a loss), below_step (the mean loss is under half a step), and pieces and broken of
        those tumbles whose broken pieces were counted.

    Raises
    ------
    CannotAnswer
        Pieces that weighed more after tumbling than before, by more than the scale's rounding.
    ValueError
        A mass that cannot be.

    References
    ----------
    British Pharmacopoeia 2013, Friability of Tablets; USP <1216> has the same procedure.

    Examples
    --------
    >>> tumbles = pd.DataFrame({"run": ["A", "A"], "before_g": [200.0, 200.0], "after_g": [198.0, 196.0]})
    >>> batch_losses(tumbles)["loss_pct"].tolist()
    [1.5]
    """
    before, after = tumbles["before_g"], tumbles["after_g"]
    if not (before > 0).all() or (after < 0).any():
        raise ValueError("the mass before must be positive and the mass after not negative")
    step = reading_step(pd.concat([before, after])) if scale_step_g is None else scale_step_g
    heavier = tumbles.loc[(after - before) > 1.001 * step, "run"]
    if len(heavier):
        raise CannotAnswer(
            f"Pieces of batch {heavier.iloc[0]} weighed more after tumbling than before.",
            "Check for swapped readings, and tare the scale before each weighing.",
        )
    each = tumbles.assign(loss_pct=100 * (before - after) / before, step_pct=100 * step / before)
    by_batch = each.groupby("run", sort=False)
    table = by_batch[["loss_pct", "step_pct"]].mean()
    table.insert(0, "tumbles", by_batch.size())
    table["below_step"] = table["loss_pct"] < 0.5 * table["step_pct"] - 1e-12
    table["step_g"] = step
    if "broken" in tumbles:
        table = table.join(counted(tumbles))
    return table


def counted(tumbles: pd.DataFrame) -> pd.DataFrame:
    """Pieces and broken pieces of each batch, of the tumbles whose broken pieces were counted."""
    told = tumbles[tumbles["broken"].notna()]
    if (told["broken"] > told["pieces"]).any() or (told["broken"] < 0).any():
        raise ValueError("broken pieces must be between 0 and the number tumbled")
    return told.groupby("run", sort=False)[["pieces", "broken"]].sum().astype(float)


def loss_numbers(losses: pd.DataFrame, steps: float = 0.5) -> pd.Series:
    """The loss of each batch; `steps` of the scale stand in for a loss that it cannot show."""
    below = losses["below_step"]
    if below.sum() > MOST_BELOW * len(losses):
        raise CannotAnswer(
            f"{int(below.sum())} of {len(losses)} batches lost less than the scale can show.",
            "Tumble longer, tumble more pieces at once, or use a scale with a finer step.",
        )
    return losses["loss_pct"].where(~below, steps * losses["step_pct"])


def score_numbers(scores: pd.DataFrame) -> pd.Series:
    """The mean score of each batch: raters averaged by piece, pieces by batch."""
    pieces = scores.groupby(["run", "piece"], sort=False)["score"].mean()
    return pieces.groupby("run", sort=False).mean()


def fit_tumble_loss(
    tumbles: pd.DataFrame,
    formula: str = "",
    *,
    runs: pd.DataFrame,
    scale_step_g: float | None = None,
    conf_level: float = 0.95,
) -> ResponseFit:
    """Compare tumble losses, the mean of each batch, as ratios.

    A mean loss under half a step of the scale is not zero but unread: half a step stands in, and the batch is
    named in the notes.

    Parameters
    ----------
    tumbles : DataFrame
        Columns run, before_g, after_g.
    formula, runs, conf_level
        See `fit_response`; `runs` has a row a batch.
    scale_step_g
        See `batch_losses`.

    Raises
    ------
    CannotAnswer
        More than a third of the batches below the scale's step, or what the functions named above refuse.

    Examples
    --------
    >>> runs = pd.DataFrame({"run": list("ABCDEF"), "colour": ["dye", "lake"] * 3})
    >>> tumbles = pd.DataFrame({"run": list("ABCDEF"), "before_g": 200.0,
    ...                         "after_g": [198.0, 196.1, 197.8, 195.7, 198.1, 196.3]})
    >>> effect = fit_tumble_loss(tumbles, "colour", runs=runs).effects[0]
    >>> round(effect.estimate, 2), round(effect.conf_low, 2), round(effect.conf_high, 2), round(effect.df)
    (1.95, 1.64, 2.31, 4)
    """
    need_columns(tumbles, ["run", "before_g", "after_g"], "tumbles")
    losses = batch_losses(tumbles, scale_step_g)
    fit = _compared(loss_numbers(losses), LOSS, formula, runs, conf_level)
    below = [str(run) for run in losses.index[losses["below_step"]]]
    note = (f"Half a step of the scale stands in for the loss of {', '.join(below)}.",) if below else ()
    return replace(fit, notes=(*fit.notes, *note))


def fit_scores(
    scores: pd.DataFrame, formula: str = "", *, runs: pd.DataFrame, conf_level: float = 0.95
) -> ResponseFit:
    """Compare crumble scores, the mean of each batch (raters averaged by piece), as differences in points.

    Parameters
    ----------
    scores : DataFrame
        Columns run, piece, rater, score.
    formula, runs, conf_level
        See `fit_response`, which also says what is refused; `runs` has a row a batch.

    Examples
    --------
    >>> runs = pd.DataFrame({"run": list("ABCD"), "colour": ["dye", "lake"] * 2})
    >>> scores = pd.DataFrame({"run": list("ABCD"), "piece": 1, "rater": "Ada", "score": [1, 3, 2, 3]})
    >>> float(fit_scores(scores, "colour", runs=runs).effects[0].estimate)
    1.5
    """
    need_columns(scores, ["run", "piece", "score"], "scores")
    return _compared(score_numbers(scores), SCORE, formula, runs, conf_level)


def _compared(
    numbers: pd.Series, response: str, formula: str, runs: pd.DataFrame, conf_level: float
) -> ResponseFit:
    need_columns(runs, ["run"], "runs")
    strange = sorted(set(map(str, numbers.index)) - set(runs["run"].astype(str)))
    if strange:
        raise ValueError(f"runs has no batch {strange[0]!r}")
    batches = runs.assign(**{response: runs["run"].map(numbers)})
    return fit_response(batches, response, formula or "1", conf_level=conf_level)


def step_decides(fit: ResponseFit, losses: pd.DataFrame) -> bool:
    """Does a verdict change if an eighth of a step, or a whole one, stands in for an unread loss?"""
    verdicts = set()
    for steps in (0.125, 0.5, 1.0):
        table = fit.batches.assign(**{LOSS: fit.batches["run"].map(loss_numbers(losses, steps))})
        again = fit_response(table, LOSS, fit.terms, model=fit.basis.terms, conf_level=fit.conf_level)
        verdicts.add(tuple((each.shown, each.greater) if each.shown else None for each in again.effects))
    return len(verdicts) > 1


def broken_shares(counts: pd.DataFrame, levels: pd.Series, conf_level: float = 0.95) -> pd.DataFrame:
    """The share of broken pieces at each level, with the batch as the unit.

    Pieces of one batch tend to break together. The design effect d is the Pearson chi-square of the batches
    about their level's share, over its degrees of freedom, but at least 1; the interval is Wilson's for
    broken / d out of pieces / d. Where there is no batch to spare, d cannot be known and is taken as 1.

    Parameters
    ----------
    counts : DataFrame
        Columns pieces and broken, one row a batch, indexed by run.
    levels : Series
        The level of each batch.

    Returns
    -------
    DataFrame
        Indexed by level: pieces, broken, n_batches, estimate, conf_low, conf_high (in per cent).

    References
    ----------
    E. B. Wilson (1927), J. Am. Stat. Assoc. 22, 209; R. G. Newcombe (1998), Stat. Med. 17, 857.

    Examples
    --------
    >>> counts = pd.DataFrame({"pieces": 10.0, "broken": [0.0, 2, 7, 3]}, index=list("ABCD"))
    >>> broken_shares(counts, pd.Series(["dye", "dye", "lake", "lake"], list("ABCD")))["estimate"].tolist()
    [10.0, 50.0]
    """
    from statsmodels.stats.proportion import proportion_confint

    names = levels.loc[counts.index]
    sums = counts.groupby(names, observed=True, sort=False)[["pieces", "broken"]].sum()
    expected = names.map(sums["broken"] / sums["pieces"]).to_numpy(float)
    pieces, broken = counts["pieces"].to_numpy(), counts["broken"].to_numpy()
    variance = pieces * expected * (1 - expected)
    judged = variance > 0
    df = int(judged.sum()) - names[judged].nunique()
    effect = 1.0
    if df > 0:
        effect = max(1.0, float(((broken - pieces * expected)[judged] ** 2 / variance[judged]).sum()) / df)
    low, high = proportion_confint(sums["broken"] / effect, sums["pieces"] / effect, 1 - conf_level, "wilson")
    return sums.assign(
        n_batches=names.value_counts(),
        estimate=100 * sums["broken"] / sums["pieces"],
        conf_low=100 * np.maximum(low, 0.0),
        conf_high=100 * np.minimum(high, 1.0),
    )


def crumble_index(numbers: Mapping[str, pd.Series], parts: Mapping[str, Part]) -> pd.DataFrame:
    """Return the stated weighted mean of the stated parts, 0 (holds) to 1 (crumbles), for each batch.

        index = sum_k weight_k (x_k - best_k) / (worst_k - best_k)

    There is no default: which parts count, how much, and between which readings, is the maker's judgement.
    Readings past best or worst are not cut off.

    Parameters
    ----------
    numbers : mapping of str to Series
        One number a batch, by response.
    parts : mapping of str to Part
        By name: loss_pct, broken_pct, score.

    Returns
    -------
    DataFrame
        What each part gives, index, and beyond (some reading lies outside best to worst).

    Raises
    ------
    CannotAnswer
        A part, or a batch's reading of it, that is not there.
    """
    lacking = next((name for name in parts if _PARTS[name] not in numbers), None)
    if lacking:
        raise CannotAnswer(
            f"The crumble index needs {lacking}, which the readings do not give.",
            "Take those readings, or leave the part out of [crumble.index] in trial.toml.",
        )
    readings = pd.DataFrame({name: numbers[_PARTS[name]] for name in parts}).astype(float)
    if readings.isna().any(axis=None):
        raise CannotAnswer(
            f"Batch {readings.index[readings.isna().any(axis=1)][0]} lacks a part of the crumble index.",
            "Take that reading, or leave the part out.",
        )
    shares = pd.DataFrame(
        {name: (readings[name] - part.best) / (part.worst - part.best) for name, part in parts.items()}
    )
    table = shares * [part.weight for part in parts.values()]
    return table.assign(index=table.sum(axis=1), beyond=((shares < 0) | (shares > 1)).any(axis=1))
