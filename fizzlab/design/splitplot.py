"""Split plots: a factor of the room (its air) is set for a whole day, the others batch by batch."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from fizzlab.design.aliases import leaks
from fizzlab.design.exchange import choose, efficiency, grouped_choice
from fizzlab.design.factorial import grid
from fizzlab.design.factors import Factor, Range, is_forbidden, plain, refuse_unusable
from fizzlab.design.layout import (
    number,
    pairs,
    refuse_still,
    refuse_unseparated,
    streams,
    weak,
)
from fizzlab.design.model import Matrix, in_words, inseparable, model_matrix, model_terms, parts, rank
from fizzlab.design.plan import Plan
from fizzlab.errors import CannotAnswer
from fizzlab.report.phrases import count, listed

FEW_DAYS = 3


def split_plot(
    room: Sequence[Factor],
    batch: Sequence[Factor],
    days: int,
    per_day: int,
    seed: int,
    *,
    model: str | Sequence[str] = "interactions",
    ratio: float = 1.0,
    forbidden: Sequence[Mapping[str, object]] = (),
) -> Plan:
    """Days are whole plots: each has one setting of the room, and several batches.

    The room's factors are judged by how much days of the same setting differ, the batch factors, and
    how they act together with the room, by how much batches of one day differ.

    Parameters
    ----------
    room : sequence of Category or Range
        Set once for a day.
    batch : sequence of Category or Range
        Set for each batch.
    days, per_day : int
    seed : int
    model : {"main", "interactions", "quadratic", "full"} or sequence of str
    ratio : float
        Variance between days over variance between batches of a day, as guessed for choosing the
        batches where a day does not hold every combination. It hardly matters.
    forbidden : sequence of mappings
        See `is_forbidden`.

    Returns
    -------
    Plan
        ``error_df`` holds ``days`` and ``runs``; `runs` has the column whole_plot.

    Raises
    ------
    CannotAnswer
        Too few days for the factors of the room, or too few batches; see also `lay_out`.

    Notes
    -----
    P. Goos, M. Vandebroek, Technometrics 45 (2003) 12-23: det(X'V^-1 X) with V = I + ratio ZZ'.

    Examples
    --------
    >>> from fizzlab.models.terms import Category
    >>> air = Category("air", ("plain", "dehumidified"), "plain")
    >>> colour = Category("colour", ("mica", "dye", "lake"), "mica")
    >>> plan = split_plot([air], [colour], days=6, per_day=3, seed=8)
    >>> plan.error_df
    {'days': 4, 'runs': 8}
    >>> int(plan.runs.groupby("day")["air"].nunique().max())
    1
    """
    factors = (*room, *batch)
    refuse_unusable(factors)
    if not room or not batch:
        raise ValueError("a split plot needs a factor of the room and a factor of the batch")
    if days < 1 or per_day < 2:
        raise ValueError("a split plot needs days, and two batches a day or more")
    terms = model_terms(factors, model)
    names = {factor.name for factor in room}
    outer = [term for term in terms if set(parts(term)) <= names]
    steps = {True: 3, False: 2}
    room_grid = grid(room, steps[any(t.endswith("^2") for t in outer)])
    batch_grid = grid(batch, steps[any(t.endswith("^2") for t in terms if t not in outer)])
    chance, order, blind = streams(seed, (factors, days, per_day, terms))
    plots = _whole_plots(room_grid, room, outer, days, chance)
    options = [_allowed(plots.loc[[plot]], batch_grid, forbidden) for plot in range(days)]
    matrices = [model_matrix(option, factors, terms)[0] for option in options]
    picks = grouped_choice(matrices, [per_day] * days, ratio, chance)
    chosen = [option.iloc[pick] for option, pick in zip(options, picks, strict=True)]
    settings = pd.concat(chosen, ignore_index=True).assign(point=_kind(room, batch))
    refuse_still(settings, factors)
    matrix, owner = model_matrix(settings, factors, terms)
    refuse_unseparated(matrix, owner)
    shuffled = order.permutation(days)
    day = np.repeat(shuffled, per_day)
    spare_days, spare_runs, left = _strata(matrix, owner, outer, day)
    table = number(settings, day, order, blind)
    table["whole_plot"] = [f"D{value}" for value in table["day"]]
    extra, extra_owner = _outside(settings, factors, terms)
    said = list(weak(spare_runs, spare_runs))
    if spare_days < FEW_DAYS:
        spare = count(spare_days, "spare day judges", "spare days judge")
        said.insert(
            0,
            f"Only {spare} {listed([plain(f.name) for f in room])}, so only a very large effect will show; "
            "more days help, more batches a day do not.",
        )
    return Plan(
        kind=f"split plot, {listed([plain(f.name) for f in room])} by day",
        runs=table,
        factors=factors,
        seed=seed,
        terms=terms,
        error_df={"days": spare_days, "runs": spare_runs},
        repeat_df=spare_runs,
        aliases=leaks(matrix, owner, extra, extra_owner, dict.fromkeys(terms, True)),
        efficiency=efficiency(matrix, matrix),
        day_efficiency=left,
        warnings=tuple(said),
    )


def _kind(room: Sequence[Factor], batch: Sequence[Factor]) -> str:
    return "vertex" if any(isinstance(factor, Range) for factor in (*room, *batch)) else "factorial"


def _whole_plots(
    room_grid: pd.DataFrame,
    room: Sequence[Factor],
    outer: Sequence[str],
    days: int,
    chance: np.random.Generator,
) -> pd.DataFrame:
    """The setting of the room for each day: every one equally often, or the best choice of as many."""
    terms = outer or [factor.name for factor in room]
    matrix, _ = model_matrix(room_grid, room, terms)
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


def _allowed(
    plot: pd.DataFrame, batch_grid: pd.DataFrame, forbidden: Sequence[Mapping[str, object]]
) -> pd.DataFrame:
    table = plot.merge(batch_grid, how="cross")
    left = table[~is_forbidden(table, forbidden)].reset_index(drop=True)
    if left.empty:
        raise CannotAnswer(
            "The forbidden combinations leave no batch for one setting of the room.", "Forbid less."
        )
    return left


def _outside(
    settings: pd.DataFrame, factors: Sequence[Factor], terms: Sequence[str]
) -> tuple[Matrix, list[str]]:
    rest = [term for term in pairs(factors) if term not in terms]
    if not rest:
        return np.zeros((len(settings), 0)), []
    return model_matrix(settings, factors, rest, intercept=False)


def _strata(
    matrix: Matrix, owner: Sequence[str], outer: Sequence[str], day: Matrix
) -> tuple[int, int, float]:
    """Spare days, spare batches within days, and what days leave of the D criterion of the batch effects."""
    days = np.equal.outer(day, np.unique(day)).astype(float)
    is_outer = np.array([term in outer or term == "intercept" for term in owner])
    inner = matrix[:, ~is_outer]
    spare_days = days.shape[1] - rank(matrix[:, is_outer])
    joint = np.hstack([days, inner])
    if rank(joint) < joint.shape[1]:
        names = ["day"] * days.shape[1] + [t for t, out in zip(owner, is_outer, strict=True) if not out]
        lost = [t for t in inseparable(joint, names) if t != "day"]
        raise CannotAnswer(
            f"{listed([in_words(t) for t in lost]).capitalize()} cannot be told within such short days.",
            "Make more batches a day, or ask for fewer effects.",
        )
    spare_runs = len(matrix) - joint.shape[1]
    if spare_runs < 1:
        raise CannotAnswer(
            "No batch is left over within the days to judge chance variation by.",
            "Make more batches a day, more days, or ask for fewer effects.",
        )
    within = inner - days @ (days.T @ inner / days.sum(axis=0)[:, None])
    centred = inner - inner.mean(axis=0)
    change = np.linalg.slogdet(within.T @ within)[1] - np.linalg.slogdet(centred.T @ centred)[1]
    return spare_days, spare_runs, float(round(np.exp(change / inner.shape[1]), 6))
