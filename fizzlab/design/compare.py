"""Comparing named levels with a control, in blocks by day: complete where a day holds them all."""

from __future__ import annotations

from typing import Literal

import numpy as np
import pandas as pd

from fizzlab.design.exchange import efficiency
from fizzlab.design.factors import plain, refuse_unusable
from fizzlab.design.layout import judge, number, scattered, streams, together, weak
from fizzlab.design.model import Matrix, model_matrix
from fizzlab.design.plan import Plan
from fizzlab.errors import CannotAnswer
from fizzlab.models.terms import Category
from fizzlab.report.phrases import count

ControlRule = Literal["equal", "root", "best"]


def compare_levels(
    factor: Category,
    days: int,
    per_day: int,
    seed: int,
    *,
    control: ControlRule | int = "root",
) -> Plan:
    """Levels against a control, every day a block.

    Parameters
    ----------
    factor : Category
        The levels; its `control` is what the others are compared with.
    days, per_day : int
        Batches are made on `days` days, `per_day` each. Where a day holds every level, each day is a
        complete block, and what room is left goes to the control and then to the levels in turn;
        where it does not, the blocks are incomplete and chosen. With one batch a day there are no
        blocks: the batches are laid out at random over the days.
    seed : int
    control : {"root", "equal", "best"} or int
        How often the control is made in a complete block: the square root of the number of other
        levels (rounded; the best share without blocks), once like the others, whatever makes the
        comparisons with the control surest on average, or so many times. Incomplete blocks always
        use "best"; without blocks it is how many times as often as another level.

    Returns
    -------
    Plan

    Raises
    ------
    CannotAnswer
        Too few batches to reach every level, days that cannot be linked, or no repeats.

    Notes
    -----
    Square-root rule: C. W. Dunnett, J. American Statistical Association 50 (1955) 1096-1121.
    Incomplete blocks for a control: R. E. Bechhofer, A. C. Tamhane, Technometrics 23 (1981) 45-57; here
    the sum of var(level - control) within days is made as small as exchange and swapping can.

    Examples
    --------
    >>> from fizzlab.models.terms import Category
    >>> colour = Category("colour", ("none", "mica", "dye", "lake", "oxide"), "none")
    >>> plan = compare_levels(colour, days=3, per_day=6, seed=11)
    >>> int((plan.runs["colour"] == "none").sum()), plan.error_df
    (6, {'runs': 11})
    """
    refuse_unusable([factor])
    if days < 1 or per_day < 1:
        raise ValueError("days and per_day must be 1 or more")
    levels = [factor.control, *(level for level in factor.levels if level != factor.control)]
    if days * per_day < len(levels):
        raise CannotAnswer(
            f"{days * per_day} batches cannot hold {len(levels)} levels of {plain(factor.name)}.",
            "Make more batches, or compare fewer levels.",
        )
    chance, order, blind = streams(seed, (factor, days, per_day))
    warnings: list[str] = []
    complete = per_day >= len(levels)
    single = per_day == 1
    if single:
        blocks = _at_random(len(levels), days, control, chance)[:, None]
    elif complete and control != "best":
        blocks = _complete(len(levels), days, per_day, _times(control, len(levels), per_day), chance)
    else:
        blocks = incomplete_blocks(len(levels), days, per_day, chance)
    shuffled = order.permutation(days)
    day = np.repeat(shuffled, per_day)
    settings = pd.DataFrame(
        {factor.name: [levels[i] for i in blocks.ravel()], "point": "factorial"}, index=range(days * per_day)
    )
    matrix, owner = model_matrix(settings, [factor], [factor.name])
    error, repeats, left = judge(matrix, owner, settings, [factor], together(day))
    if not complete and not single:
        warnings.append("A day does not hold every level: compare within days, not by plain means.")
    return Plan(
        kind=f"{count(len(levels) - 1, 'level')} against a control, "
        + (
            "at random over the days"
            if single
            else "complete blocks by day"
            if complete
            else "incomplete blocks by day"
        ),
        runs=number(settings, day, order, blind),
        factors=(factor,),
        seed=seed,
        terms=(factor.name,),
        error_df={"runs": error},
        repeat_df=repeats,
        efficiency=efficiency(matrix, matrix),
        day_efficiency=left,
        warnings=(*warnings, *weak(error, repeats), *scattered(day)),
    )


def _times(control: ControlRule | int, levels: int, per_day: int) -> int:
    """How often the control is made in a complete block, room permitting."""
    wanted = 1 if control == "equal" else round(np.sqrt(levels - 1)) if control == "root" else control
    if isinstance(wanted, str) or wanted < 1:
        raise ValueError('control must be "root", "equal", "best" or a number of times')
    return min(int(wanted), per_day - levels + 1)


def _at_random(levels: int, batches: int, control: ControlRule | int, chance: np.random.Generator) -> Matrix:
    """Levels without blocks: the control as often as its rule wants, the others as evenly as can be.

    The least mean variance of a level less the control has the control made sqrt(levels - 1) times as
    often as each other level (Dunnett 1955).
    """
    others = levels - 1
    if isinstance(control, int):
        share = float(control)
    else:
        share = 1.0 if control == "equal" else float(np.sqrt(others))
    if share < 1 or (control not in ("equal", "root", "best") and not isinstance(control, int)):
        raise ValueError('control must be "root", "equal", "best" or a number of times')
    times = min(max(round(batches * share / (others + share)), 1), batches - others)
    turn = np.resize(chance.permutation(np.arange(1, levels)), batches - times)
    return np.concatenate([np.zeros(times, int), turn])


def _complete(levels: int, days: int, per_day: int, times: int, chance: np.random.Generator) -> Matrix:
    """Each day every level and the control `times` times; the room left goes round the levels in turn."""
    turn = np.concatenate([chance.permutation(np.arange(1, levels)) for _ in range(days * per_day)])
    rows, used = [], 0
    for _ in range(days):
        spare = per_day - (levels - 1) - times
        extra = turn[used : used + spare]
        used += spare
        rows.append(np.concatenate([np.zeros(times, int), np.arange(1, levels), extra]))
    return np.array(rows)


def contrast_variance(blocks: Matrix, levels: int) -> float:
    """Mean variance of level minus control within blocks, in units of the batch variance.

    Parameters
    ----------
    blocks : ndarray of int, shape (days, per day)
        Level numbers, 0 the control.
    levels : int

    Returns
    -------
    float
        Infinite when some level cannot be linked to the control.

    Examples
    --------
    >>> contrast_variance(np.array([[0, 1, 2], [0, 1, 2]]), 3)
    1.0
    """
    counts = np.array([np.bincount(row, minlength=levels) for row in blocks], float)
    information = np.diag(counts.sum(axis=0)) - counts.T @ counts / blocks.shape[1]
    inner = information[1:, 1:]
    if np.linalg.matrix_rank(inner) < levels - 1:
        return float("inf")
    return float(round(np.trace(np.linalg.inv(inner)) / (levels - 1), 10))


def incomplete_blocks(levels: int, days: int, per_day: int, rng: np.random.Generator) -> Matrix:
    """Blocks that compare levels with a control best, found by exchange from random starts.

    Parameters
    ----------
    levels : int
        Number of levels, the control among them (number 0).
    days, per_day : int
    rng : numpy Generator

    Returns
    -------
    ndarray of int, shape (days, per day)

    Raises
    ------
    CannotAnswer
        When no way was found to link every level to the control.
    """
    best, best_score = None, np.inf
    for _ in range(20):
        spread = np.resize(rng.permutation(np.arange(1, levels)), days * (per_day - 1))
        blocks = np.column_stack([np.zeros(days, int), spread.reshape(days, per_day - 1)])
        score = _loss(blocks, levels)
        changed = True
        while changed:
            changed = False
            for place in rng.permutation(blocks.size):
                row, column = divmod(int(place), per_day)
                kept = blocks[row, column]
                trials = []
                for level in range(levels):
                    blocks[row, column] = level
                    trials.append(_loss(blocks, levels))
                found = int(np.argmin(trials))
                blocks[row, column] = found if trials[found] < score - 1e-9 else kept
                if blocks[row, column] != kept:
                    score, changed = trials[found], True
            for one in range(blocks.size):
                for two in range(one + 1, blocks.size):
                    flat = blocks.reshape(-1)
                    if flat[one] == flat[two] or one // per_day == two // per_day:
                        continue
                    flat[[one, two]] = flat[[two, one]]
                    trial = _loss(blocks, levels)
                    if trial < score - 1e-9:
                        score, changed = trial, True
                    else:
                        flat[[one, two]] = flat[[two, one]]
        if score < best_score - 1e-9:
            best, best_score = blocks.copy(), score
    if best is None or not np.isfinite(contrast_variance(best, levels)):
        raise CannotAnswer(
            f"{days} days of {per_day} batches cannot link every level to the control.",
            "Make more batches a day, or more days, or compare fewer levels.",
        )
    return best


def _loss(blocks: Matrix, levels: int) -> float:
    """Sum of the variances, with a little information added so that a broken start can be mended."""
    counts = np.zeros((len(blocks), levels))
    np.add.at(counts, (np.arange(len(blocks))[:, None], blocks), 1.0)
    information = np.diag(counts.sum(axis=0)) - counts.T @ counts / blocks.shape[1]
    inner = information[1:, 1:] + 1e-4 * np.eye(levels - 1)
    return float(np.trace(np.linalg.inv(inner)))
