"""Tumble loss: what tumbled pieces leave behind as dust and crumbs, in per cent of their mass."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd
from scipy import special

from fizzlab.errors import CannotAnswer
from fizzlab.models.crumble.between import between_columns
from fizzlab.models.crumble.clusters import Array
from fizzlab.models.crumble.estimates import Effect, JointTest, Kind
from fizzlab.models.effects import ResponseFit, fit_response
from fizzlab.models.terms import Category, Term

Scale = Literal["log", "logit"]

#: Steps that kitchen and letter scales show, in grams, coarsest first.
STEPS_G = (5.0, 2.0, 1.0, 0.5, 0.2, 0.1, 0.05, 0.02, 0.01, 0.005, 0.002, 0.001)

#: More batches than this share below half a scale step, and losses are not compared.
MOST_BELOW = 1 / 3


@dataclass(frozen=True)
class LossLevel:
    """Typical loss at one level of a category, the other terms at their mean over batches.

    Parameters
    ----------
    term, level : str
        Empty for all batches together.
    loss_pct, low, high : float
        Back-transformed from the fitting scale: the loss that half of the batches stay below.
    batches : int
    """

    term: str
    level: str
    loss_pct: float
    low: float
    high: float
    batches: int


@dataclass(frozen=True)
class TumbleFit:
    """Tumble losses compared, one mean a batch.

    Parameters
    ----------
    scale : {"log", "logit"}
    effects : tuple of Effect
        Ratios of the loss (log) or odds ratios of the lost share (logit).
    joint_tests : tuple of JointTest
    levels : tuple of LossLevel
        All batches together, then each level of each category.
    analysis : ResponseFit
        The fit, of the log or logit share.
    batches, tumbles : int
    below_step : tuple of str
        Batches whose loss is under half a step of the scale; half a step stands in for it.
    if_less : tuple of Effect
        The effects if those batches had lost an eighth of a step; empty where there are none.
    if_more : tuple of Effect
        The effects if they had lost a whole step.
    step_g : float
    level : float
    """

    scale: Scale
    effects: tuple[Effect, ...]
    joint_tests: tuple[JointTest, ...]
    levels: tuple[LossLevel, ...]
    analysis: ResponseFit
    batches: int
    tumbles: int
    below_step: tuple[str, ...]
    if_less: tuple[Effect, ...]
    if_more: tuple[Effect, ...]
    step_g: float
    level: float


def loss_pct(before_g: float, after_g: float) -> float:
    """Return the tumble loss in per cent, 100 (before - after) / before.

    The formula is that of the pharmacopoeias for the friability of tablets.

    Raises
    ------
    ValueError
        `before_g` is not positive, or `after_g` is negative.

    References
    ----------
    British Pharmacopoeia 2013, Friability of Tablets; USP <1216> has the same procedure.

    Examples
    --------
    >>> loss_pct(before_g=250.0, after_g=245.0)
    2.0
    """
    if not before_g > 0 or after_g < 0:
        raise ValueError("the mass before must be positive and the mass after not negative")
    return 100.0 * (before_g - after_g) / before_g


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


def batch_losses(tumbles: pd.DataFrame, step_g: float | None = None) -> pd.DataFrame:
    """Average the tumbles of each batch.

    Parameters
    ----------
    tumbles : DataFrame
        Columns run, before_g, after_g.
    step_g : float, optional
        Step of the scale in grams; read off the readings where it is not given.

    Returns
    -------
    DataFrame
        One row a batch, indexed by run, with columns tumbles, loss_pct (mean of the tumbles), step_pct
        (one step of the scale as a loss) and below_step (the mean loss is under half a step).

    Raises
    ------
    CannotAnswer
        Pieces that weighed more after tumbling than before, by more than the scale's rounding.
    ValueError
        A mass that cannot be.

    Examples
    --------
    >>> tumbles = pd.DataFrame({"run": ["A", "A", "B"], "before_g": [200.0, 200.0, 100.0],
    ...                         "after_g": [198.0, 196.0, 100.0]})
    >>> batch_losses(tumbles, step_g=1.0)
         tumbles  loss_pct  step_pct  below_step
    run
    A          2       1.5       0.5       False
    B          1       0.0       1.0        True
    """
    before, after = tumbles["before_g"], tumbles["after_g"]
    if not (before > 0).all() or (after < 0).any():
        raise ValueError("the mass before must be positive and the mass after not negative")
    step = reading_step(pd.concat([before, after])) if step_g is None else step_g
    if not step > 0:
        raise ValueError("the scale's step must be positive")
    heavier = tumbles.loc[(after - before) > 1.001 * step, "run"]
    if len(heavier):
        raise CannotAnswer(
            f"Pieces of batch {heavier.iloc[0]} weighed more after tumbling than before.",
            "Check for swapped readings, and tare the scale before each weighing.",
        )
    each = pd.DataFrame(
        {"run": tumbles["run"], "loss_pct": 100 * (before - after) / before, "step_pct": 100 * step / before}
    )
    by_batch = each.groupby("run", sort=False)
    table = by_batch[["loss_pct", "step_pct"]].mean()
    table.insert(0, "tumbles", by_batch.size())
    table["below_step"] = table["loss_pct"] < 0.5 * table["step_pct"] - 1e-12
    return table


def tumble_effects(
    tumbles: pd.DataFrame,
    batches: pd.DataFrame,
    terms: Sequence[Term] = (),
    *,
    scale: Scale = "log",
    step_g: float | None = None,
    level: float = 0.95,
) -> TumbleFit:
    """Compare tumble losses between batches, on the logarithm or logit of the lost share.

    One number a batch, the mean of its tumbles, so the batch is the unit; days enter as
    `fizzlab.models.effects` decides, so that what was set for a whole day is judged by days. Losses are
    skewed and cannot be negative, hence the logarithm: effects are ratios. A loss under half a step of the
    scale is not zero but unread: half a step stands in, the batch is named, and the effects are given as
    well for an eighth of a step and a whole one.

    Parameters
    ----------
    tumbles : DataFrame
        Columns run, before_g, after_g.
    batches : DataFrame
        One row a batch, indexed by run, with `day` where several batches share one.
    terms : sequence of Category or Amount
    scale : {"log", "logit"}
        The logit suits losses of a tenth and more.
    step_g : float, optional
        Step of the scale; read off the readings where it is not given.
    level : float

    Raises
    ------
    CannotAnswer
        Too few batches, more than a third of them below the scale's step, all losses alike, a loss of
        everything on the logit scale, or what `batch_losses` refuses.

    Examples
    --------
    >>> batches = pd.DataFrame({"colour": ["dye", "lake"] * 3}, index=list("ABCDEF"))
    >>> tumbles = pd.DataFrame({"run": list("ABCDEF"), "before_g": 200.0,
    ...                         "after_g": [198.0, 196.1, 197.8, 195.7, 198.1, 196.3]})
    >>> fit = tumble_effects(tumbles, batches, [Category("colour", ("dye", "lake"), "dye")])
    >>> effect = fit.effects[0]
    >>> effect.name, round(effect.estimate, 2), round(effect.low, 2), round(effect.high, 2), round(effect.df)
    ('colour[lake]', 1.95, 1.64, 2.31, 4)
    """
    step = reading_step(pd.concat([tumbles["before_g"], tumbles["after_g"]])) if step_g is None else step_g
    losses = batch_losses(tumbles, step)
    columns = between_columns(losses.index.to_series(), batches, terms)
    losses = losses.loc[columns.batches.index]
    below = losses["below_step"].to_numpy(bool)
    if below.sum() > MOST_BELOW * len(losses):
        raise CannotAnswer(
            f"{int(below.sum())} of {len(losses)} batches lost less than the scale can show.",
            "Tumble longer, tumble more pieces at once, or use a scale with a finer step.",
        )
    used = batches.loc[losses.index].reset_index(names="run")
    share = losses["loss_pct"].to_numpy(float) / 100
    unit = losses["step_pct"].to_numpy(float) / 100

    def fitted(steps: float) -> ResponseFit:
        values = _transformed(np.where(below, steps * unit, share), scale)
        try:
            return fit_response(used.assign(loss=values), "loss", terms, log=False, conf_level=level)
        except CannotAnswer as reason:
            if np.ptp(values) > 1e-9:
                raise
            raise CannotAnswer(
                "Batches of the same make lost exactly the same, so chance cannot be judged.",
                "Use a scale with a finer step.",
            ) from reason

    main = fitted(0.5)
    kind: Kind = "ratio" if scale == "log" else "odds ratio"
    levels = [_loss(main, used, scale)]
    for term in terms:
        if isinstance(term, Category):
            levels += [_loss(main, used, scale, term.name, name) for name in term.levels]
    return TumbleFit(
        scale,
        _effects(main, used, terms, kind),
        tuple(
            JointTest(str(name), row["F"], row["df_num"], row["df_den"], row["p_value"])
            for name, row in main.tests.iterrows()
        ),
        tuple(levels),
        main,
        len(losses),
        len(tumbles),
        tuple(str(run) for run in losses.index[below]),
        _effects(fitted(0.125), used, terms, kind) if below.any() else (),
        _effects(fitted(1.0), used, terms, kind) if below.any() else (),
        step,
        level,
    )


def _effects(fit: ResponseFit, used: pd.DataFrame, terms: Sequence[Term], kind: Kind) -> tuple[Effect, ...]:
    """Each level against its control, and each amount for one unit more (of its logarithm, if taken)."""
    found = []
    for term in terms:
        ends: list[tuple[str | float, str | float]] = [(1.0, 0.0)]
        if isinstance(term, Category):
            ends = [(level, term.control) for level in term.levels if level != term.control]
        elif term.log:
            ends = [(np.e, 1.0)]
        for name, (to, start) in zip(term.columns(), ends, strict=True):
            step = fit.weights(used.assign(**{term.name: to})) - fit.weights(
                used.assign(**{term.name: start})
            )
            one = fit.interval(step.mean(axis=0))
            estimate, low, high = np.exp([one["estimate"], one["conf_low"], one["conf_high"]]).tolist()
            found.append(Effect(name, term.name, kind, estimate, low, high, one["p_value"], one["df"]))
    return tuple(found)


def _loss(fit: ResponseFit, used: pd.DataFrame, scale: Scale, term: str = "", level: str = "") -> LossLevel:
    """The typical loss where one category has one level; the other terms are as they are in the batches."""
    at = used.assign(**{term: level}) if term else used
    one = fit.interval(fit.weights(at).mean(axis=0))
    ends = np.array([one["estimate"], one["conf_low"], one["conf_high"]])
    back = 100 * (np.exp(ends) if scale == "log" else special.expit(ends))
    batches = int((used[term].astype(str) == level).sum()) if term else len(used)
    return LossLevel(term, level, float(back[0]), float(back[1]), float(back[2]), batches)


def _transformed(share: Array, scale: Scale) -> Array:
    if scale == "log":
        return np.log(share)
    if (share >= 1).any():
        raise CannotAnswer(
            "A batch fell apart entirely.", "Compare on the log scale, or tumble for less long."
        )
    result: Array = special.logit(share)
    return result
