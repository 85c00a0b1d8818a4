"""Split plots: a factor of the room (its air) is set for a whole day, the others batch by batch."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from fizzlab.design.exchange import choose, grouped_choice
from fizzlab.design.factors import Factor, Range, allowed, grid, plain, refuse_unusable, wish_of
from fizzlab.design.layout import members, number, refuse_still, refuse_unseparated, streams, weak
from fizzlab.design.model import (
    Matrix,
    in_words,
    inseparable,
    leaks,
    model_matrix,
    model_terms,
    pairs,
    parts,
    rank,
)
from fizzlab.design.plans import Plan
from fizzlab.errors import CannotAnswer, count, listed

FEW_DAYS = 3

#: Variance between days over that between batches of a day, as guessed for choosing the batches where a day
#: does not hold every combination. It hardly matters.
RATIO = 1.0


def split_plot(
    factors: Sequence[Factor],
    seed: int,
    *,
    hard_to_change: Sequence[str],
    days: int,
    per_day: int | None = None,
    model: str | Sequence[str] = "interactions",
    forbidden: Sequence[Mapping[str, object]] = (),
) -> Plan:
    """Days are whole plots: each has one setting of what is hard to change, and several batches.

    What is hard to change is judged by how much days of the same setting differ, the other factors, and how
    they act together with it, by how much batches of one day differ: ``error_df`` holds both. The batches of
    each day are those of largest det(X'V^-1 X) with V = I + ratio ZZ' (P. Goos, M. Vandebroek, Technometrics
    45 (2003) 12-23).
    """
    room = [factor for factor in factors if factor.name in hard_to_change]
    batch = [factor for factor in factors if factor.name not in hard_to_change]
    if not room or not batch:
        raise ValueError("a split plot needs a factor that is hard to change and one that is not")
    if days < 1 or per_day is None or per_day < 2:
        raise ValueError("a split plot needs days, and two batches a day or more")
    factors = (*room, *batch)
    refuse_unusable(factors)
    terms = model_terms(factors, model)
    outer = [term for term in terms if set(parts(term)) <= {factor.name for factor in room}]
    room_grid = grid(room, 3 if any(t.endswith("^2") for t in outer) else 2)
    batch_grid = grid(batch, 3 if any(t.endswith("^2") for t in terms if t not in outer) else 2)
    chance, order, blind = streams(seed, (wish_of(factors), days, per_day, terms))
    plots = _whole_plots(room_grid, room, outer, days, chance)
    options = [
        allowed(plots.loc[[plot]].merge(batch_grid, how="cross"), forbidden, "batch of one day")
        for plot in range(days)
    ]
    matrices = [model_matrix(option, factors, terms)[0] for option in options]
    picks = grouped_choice(matrices, [per_day] * days, RATIO, chance)
    settings = pd.concat(
        [option.iloc[pick] for option, pick in zip(options, picks, strict=True)], ignore_index=True
    )
    settings["point"] = "vertex" if any(isinstance(factor, Range) for factor in factors) else "factorial"
    refuse_still(settings, factors)
    matrix, owner = model_matrix(settings, factors, terms)
    refuse_unseparated(matrix, owner)
    day = np.repeat(order.permutation(days), per_day)
    spare_days, spare_runs = _strata(matrix, owner, outer, day)
    table = number(settings, day, order, blind)
    table["whole_plot"] = [f"D{value}" for value in table["day"]]
    rest = [term for term in pairs(factors) if term not in terms]
    extra, extra_owner = model_matrix(settings, factors, rest, intercept=False)
    named = listed([plain(factor.name) for factor in room])
    said = list(weak(spare_runs, spare_runs))
    if spare_days < FEW_DAYS:
        spare = count(spare_days, "spare day judges", "spare days judge")
        said.insert(
            0,
            f"Only {spare} {named}, so only a very large effect will show; more days help, more batches a "
            "day do not.",
        )
    return Plan(
        kind=f"split plot, {named} by day",
        runs=table,
        factors=factors,
        seed=seed,
        terms=terms,
        error_df={"days": spare_days, "runs": spare_runs},
        repeat_df=spare_runs,
        aliases=leaks(matrix, owner, extra, extra_owner, terms),
        warnings=tuple(said),
    )


def _whole_plots(
    room_grid: pd.DataFrame,
    room: Sequence[Factor],
    outer: Sequence[str],
    days: int,
    chance: np.random.Generator,
) -> pd.DataFrame:
    """The setting of the room for each day: every one equally often, or the best choice of as many."""
    matrix, _ = model_matrix(room_grid, room, outer or [factor.name for factor in room])
    if days < matrix.shape[1] + 1 or days < 2:
        raise CannotAnswer(
            f"{count(days, 'day')} {'is' if days == 1 else 'are'} too few for "
            f"{listed([plain(f.name) for f in room])}: a setting of the room must be repeated on another "
            "day, or it cannot be told from the weather of the day.",
            f"Plan {matrix.shape[1] + 1} days at the very least, better {2 * matrix.shape[1] + 1} or more.",
        )
    if days % len(room_grid) == 0:
        rows = np.tile(np.arange(len(room_grid)), days // len(room_grid))
    else:
        rows = choose(matrix, days, chance)
    return room_grid.iloc[rows].reset_index(drop=True)


def _strata(matrix: Matrix, owner: Sequence[str], outer: Sequence[str], day: Matrix) -> tuple[int, int]:
    """Spare days, and spare batches within days."""
    days = members(day)
    is_outer = np.array([term in outer or term == "intercept" for term in owner])
    joint = np.hstack([days, matrix[:, ~is_outer]])
    if rank(joint) < joint.shape[1]:
        names = ["day"] * days.shape[1] + [t for t, out in zip(owner, is_outer, strict=True) if not out]
        raise CannotAnswer(
            f"{listed([in_words(t) for t in inseparable(joint, names)]).capitalize()} cannot be told within "
            "such short days.",
            "Make more batches a day, or ask for fewer effects.",
        )
    spare_runs = len(matrix) - joint.shape[1]
    if spare_runs < 1:
        raise CannotAnswer(
            "No batch is left over within the days to judge chance variation by.",
            "Make more batches a day, more days, or ask for fewer effects.",
        )
    return days.shape[1] - rank(matrix[:, is_outer]), spare_runs
