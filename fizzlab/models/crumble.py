"""How well pieces hold: one number a batch of tumbles and scores, the drops' own fit, a stated index."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import pandas as pd

from fizzlab.errors import CannotAnswer, cannot
from fizzlab.language import say
from fizzlab.models.curves import STEPS_G, scale_step
from fizzlab.models.drops import fit_drop_height
from fizzlab.models.effects import ResponseFit, fit_response
from fizzlab.models.raters import RaterAgreement, rater_agreement
from fizzlab.models.result import FitResult, Study, noted
from fizzlab.models.terms import Term, by_run, need_columns

LOSS, BROKEN, DROP, SCORE = "tumble_loss_pct", "broken_pct", "drop_cm", "score"

#: The response that each part of a crumble index is of.
_PARTS = {"loss_pct": LOSS, "broken_pct": BROKEN, "score": SCORE}

#: More batches than this share below half a scale step, and losses are not compared.
MOST_BELOW = 1 / 3


@dataclass(frozen=True, kw_only=True)
class CrumbleStudy(Study):
    """What the crumble tests say; `losses` and `index` are empty where there are none.

    `agreement` is of two raters or more; `refused` says why there is no "agreement" or no "index".
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
    index: Mapping[str, Any] | None = None,
    conf_level: float = 0.95,
) -> CrumbleStudy:
    """Study the tumbles, drops and crumble_scores of a trial; tables that are not there are empty."""
    runs, tumbles, drops, scores = (tables[name] for name in ("runs", "tumbles", "drops", "crumble_scores"))
    numbers: dict[str, pd.Series] = {}
    readings: dict[str, pd.DataFrame] = {}
    fits: dict[str, FitResult] = {}
    reasons: dict[str, CannotAnswer] = {}
    refused: dict[str, CannotAnswer] = {}
    losses, parts, agreement = pd.DataFrame(), pd.DataFrame(), None
    if len(tumbles):
        with noted(reasons, LOSS):
            losses = batch_losses(tumbles, scale_step_g)
            numbers[LOSS] = loss_numbers(losses)
            lost = (tumbles["before_g"] - tumbles["after_g"]).clip(lower=losses["step_g"].iloc[0] / 2)
            loss = 100 * lost / tumbles["before_g"]
            readings[LOSS] = tumbles.assign(lower=loss, upper=loss)
        counts = counted(tumbles)
        if len(counts):
            numbers[BROKEN] = 100 * counts["broken"] / counts["pieces"]
    if len(drops):
        with noted(reasons, DROP):
            penalised = drop_method == "jeffreys"
            fits[DROP] = fit_drop_height(drops, terms, runs=runs, penalised=penalised, conf_level=conf_level)
    if len(scores):
        numbers[SCORE] = score_numbers(scores)
        readings[SCORE] = scores.assign(lower=scores["score"], upper=scores["score"])
        with noted(refused, "agreement"):
            agreement = rater_agreement(scores) if scores["rater"].nunique() > 1 else None
    if index:
        with noted(refused, "index"):
            parts = crumble_index(numbers, index)
    told: dict[str, Any] = {"losses": losses, "agreement": agreement, "index": parts, "refused": refused}
    return CrumbleStudy(numbers=numbers, readings=readings, fits=fits, reasons=reasons, **told)


def batch_losses(tumbles: pd.DataFrame, scale_step_g: float | None = None) -> pd.DataFrame:
    """Average the tumbles of each batch: the loss in per cent, 100 (before - after) / before.

    The friability of tablets in pharmacopoeias (British Pharmacopoeia 2013, USP <1216>). Indexed by run:
    tumbles, loss_pct, step_g, step_pct (a step as a loss), below_step (under half of one), pieces, broken.
    """
    before, after = tumbles["before_g"], tumbles["after_g"]
    if not (before > 0).all() or (after < 0).any():
        raise ValueError("the mass before must be positive and the mass after not negative")
    step = scale_step_g or scale_step(pd.concat([before, after])) or STEPS_G[-1]
    heavier = tumbles.loc[(after - before) > 1.001 * step, "run"]
    if len(heavier):
        raise cannot("gained_mass", run=heavier.iloc[0])
    each = tumbles.assign(loss_pct=100 * (before - after) / before, step_pct=100 * step / before)
    by_batch = each.groupby("run", sort=False)
    table = by_batch[["loss_pct", "step_pct"]].mean().assign(tumbles=by_batch.size(), step_g=step)
    table["below_step"] = table["loss_pct"] < 0.5 * table["step_pct"] - 1e-12
    return table.join(counted(tumbles)) if "broken" in tumbles else table


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
        raise cannot("losses_below_step", below=int(below.sum()), batches=len(losses))
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

    The loss is 100 (before - after) / before, in per cent. A mean under half a step of the scale is not zero
    but unread: half a step stands in, and the batch is named in the notes.

    Parameters
    ----------
    tumbles : DataFrame
        Columns run, before_g, after_g.
    formula, runs, conf_level
        See `fit_response`; `runs` has a row a batch.
    scale_step_g : float, optional
        Step of the scale; read off the readings by default.

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
    batches = by_run(runs, losses.index).assign(**{LOSS: loss_numbers(losses)})
    fit = fit_response(batches, LOSS, formula, conf_level=conf_level)
    below = [str(run) for run in losses.index[losses["below_step"]]]
    note = (say("half_step_stands_in", runs=", ".join(below)),) if below else ()
    return replace(fit, notes=(*fit.notes, *note))


def step_decides(fit: ResponseFit, losses: pd.DataFrame) -> bool:
    """Does a verdict change if an eighth of a step, or a whole one, stands in for an unread loss?"""
    verdicts = set()
    for steps in (0.125, 0.5, 1.0):
        table = fit.batches.assign(**{LOSS: fit.batches["run"].map(loss_numbers(losses, steps))})
        again = fit_response(table, LOSS, fit.terms, model=fit.basis.terms, conf_level=fit.conf_level)
        verdicts.add(tuple((each.shown, each.greater) if each.shown else None for each in again.effects))
    return len(verdicts) > 1


def broken_shares(counts: pd.DataFrame, levels: pd.Series, reach: pd.Series | None = None) -> pd.DataFrame:
    """The per cent of broken pieces at each level with its 95 % interval; `counts`: pieces, broken by run.

    Pieces of a batch break together: E. B. Wilson's interval (1927, J. Am. Stat. Assoc. 22, 209) is out of as
    many independent pieces as would have half the width `reach` of each level's typical batch, by the fit
    that knows batches and days; never of more than there were.
    """
    from scipy.stats import norm
    from statsmodels.stats.proportion import proportion_confint

    names = levels.loc[counts.index]
    sums = counts.groupby(names, observed=True, sort=False)[["pieces", "broken"]].sum()
    share, pieces = sums["broken"] / sums["pieces"], sums["pieces"].astype(float)
    if reach is not None:
        chance = float((pieces * share * (1 - share)).sum() / pieces.sum())
        pieces = np.minimum(pieces, norm.ppf(0.975) ** 2 * chance / (reach.loc[sums.index] / 100) ** 2)
    low, high = proportion_confint(share * pieces, pieces, 0.05, "wilson")
    ends = {"conf_low": 100 * np.maximum(low, 0.0), "conf_high": 100 * np.minimum(high, 1.0)}
    return sums.assign(n_batches=names.value_counts(), estimate=100 * share, **ends)


def crumble_index(numbers: Mapping[str, pd.Series], parts: Mapping[str, Any]) -> pd.DataFrame:
    """The weighted mean of the stated parts, 0 (holds) to 1 (crumbles), for each batch.

    sum_k weight_k (x_k - best_k) / (worst_k - best_k), not cut off: what each part gives, index, and beyond
    (some reading lies outside best to worst).
    """
    for name in parts:
        if _PARTS[name] not in numbers:
            raise cannot("index_needs", part=name)
    readings = pd.DataFrame({name: numbers[_PARTS[name]] for name in parts}).astype(float)
    lacking = readings.index[readings.isna().any(axis=1)]
    if len(lacking):
        raise cannot("index_lacks", run=lacking[0])
    stated = pd.DataFrame({name: vars(part) for name, part in parts.items()}).astype(float)
    shares = (readings - stated.loc["best"]) / (stated.loc["worst"] - stated.loc["best"])
    table = shares * stated.loc["weight"]
    return table.assign(index=table.sum(axis=1), beyond=((shares < 0) | (shares > 1)).any(axis=1))
