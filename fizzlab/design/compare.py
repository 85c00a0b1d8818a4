"""Comparing named levels with a control, in blocks by day: complete where a day holds them all."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import numpy as np
import pandas as pd

from fizzlab.design.factors import plain, refuse_unusable, wish_of
from fizzlab.design.layout import judge, number, scattered, streams, together, weak
from fizzlab.design.model import Matrix, model_matrix
from fizzlab.design.plans import Plan
from fizzlab.errors import CannotAnswer, count
from fizzlab.models.terms import Category

ControlRule = Literal["equal", "root", "best"]

_RULE = 'control_batches must be "root", "equal", "best" or a number of times'


def compare_levels(
    factors: Sequence[Category],
    seed: int,
    *,
    days: int,
    per_day: int | None = None,
    control_batches: ControlRule | int = "root",
) -> Plan:
    """Levels of one factor against its control, every day a block.

    Where a day holds every level, each day is a complete block, and what room is left goes to the control and
    then to the levels in turn. Where it does not, the blocks are incomplete: the sum of var(level - control)
    within days is made as small as exchange and swapping can (R. E. Bechhofer, A. C. Tamhane, Technometrics
    23 (1981) 45-57). With one batch a day there are no blocks: the batches are laid out at random over the
    days.

    `control_batches` is how often the control is made in a complete block: the square root of the number of
    other levels (C. W. Dunnett, J. American Statistical Association 50 (1955) 1096-1121), as often as the
    others, whatever makes the comparisons with it surest, or so many times. Incomplete blocks always use
    "best"; without blocks it is how many times as often as another level.
    """
    (factor,) = factors
    refuse_unusable([factor])
    per_day = per_day or 1
    levels = [factor.control, *(level for level in factor.levels if level != factor.control)]
    if days * per_day < len(levels):
        raise CannotAnswer(
            f"{days * per_day} batches cannot hold {len(levels)} levels of {plain(factor.name)}.",
            "Make more batches, or compare fewer levels.",
        )
    (wish,) = wish_of([factor])
    chance, order, blind = streams(seed, (wish, days, per_day))
    warnings: list[str] = []
    if per_day == 1:
        blocks = _at_random(len(levels), days, control_batches, chance)[:, None]
        layout = "at random over the days"
    elif per_day >= len(levels):
        layout = "complete blocks by day"
        if control_batches == "best":
            blocks = incomplete_blocks(len(levels), days, per_day, chance)
        else:
            blocks = _complete(len(levels), days, per_day, control_batches, chance)
    else:
        blocks = incomplete_blocks(len(levels), days, per_day, chance)
        layout = "incomplete blocks by day"
        warnings.append("A day does not hold every level: compare within days, not by plain means.")
    day = np.repeat(order.permutation(days), per_day)
    settings = pd.DataFrame({factor.name: [levels[i] for i in blocks.ravel()], "point": "factorial"})
    matrix, owner = model_matrix(settings, [factor], [factor.name])
    error, repeats = judge(matrix, owner, settings, [factor], together(day))
    return Plan(
        kind=f"{count(len(levels) - 1, 'level')} against a control, {layout}",
        runs=number(settings, day, order, blind),
        factors=(factor,),
        seed=seed,
        terms=(factor.name,),
        error_df={"runs": error},
        repeat_df=repeats,
        warnings=(*warnings, *weak(error, repeats), *scattered(day)),
    )


def _at_random(levels: int, batches: int, control: ControlRule | int, chance: np.random.Generator) -> Matrix:
    """Levels without blocks: the control as often as its rule wants, the others as evenly as can be."""
    others = levels - 1
    shares = {"equal": 1.0, "root": float(np.sqrt(others)), "best": float(np.sqrt(others))}
    share = shares.get(control, 0.0) if isinstance(control, str) else float(control)
    if share < 1:
        raise ValueError(_RULE)
    times = min(max(round(batches * share / (others + share)), 1), batches - others)
    turn = np.resize(chance.permutation(np.arange(1, levels)), batches - times)
    return np.concatenate([np.zeros(times, int), turn])


def _complete(
    levels: int, days: int, per_day: int, control: ControlRule | int, chance: np.random.Generator
) -> Matrix:
    """Each day as many rounds of all levels as fit; the room left goes to the levels in turn."""
    wanted = 1 if control == "equal" else round(np.sqrt(levels - 1)) if control == "root" else control
    if isinstance(wanted, str) or wanted < 1:
        raise ValueError(_RULE)
    rounds = 1 if isinstance(control, int) else max(per_day // (levels - 1 + wanted), 1)
    times = min(int(wanted) * rounds, per_day - levels + 1)
    fixed = np.concatenate([np.zeros(times, int), np.tile(np.arange(1, levels), rounds)])
    spare = per_day - len(fixed)
    turn = np.concatenate([chance.permutation(np.arange(1, levels)) for _ in range(days * per_day)])
    return np.array([np.concatenate([fixed, turn[row * spare : (row + 1) * spare]]) for row in range(days)])


def _information(blocks: Matrix, levels: int) -> Matrix:
    """Information on each level less the control within blocks, in units of the batch variance."""
    counts = np.zeros((len(blocks), levels))
    np.add.at(counts, (np.arange(len(blocks))[:, None], blocks), 1.0)
    information = np.diag(counts.sum(axis=0)) - counts.T @ counts / blocks.shape[1]
    return np.asarray(information[1:, 1:])


def contrast_variance(blocks: Matrix, levels: int) -> float:
    """Mean variance of level minus control (number 0) within blocks; infinite without a link between them.

    Examples
    --------
    >>> contrast_variance(np.array([[0, 1, 2], [0, 1, 2]]), 3)
    1.0
    """
    inner = _information(blocks, levels)
    if np.linalg.matrix_rank(inner) < levels - 1:
        return float("inf")
    return float(round(np.trace(np.linalg.inv(inner)) / (levels - 1), 10))


def incomplete_blocks(levels: int, days: int, per_day: int, rng: np.random.Generator) -> Matrix:
    """Blocks (days, per day) that compare levels with a control best, by exchange from random starts."""
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
    return float(np.trace(np.linalg.inv(_information(blocks, levels) + 1e-4 * np.eye(levels - 1))))
