"""Latin squares: one factor, two nuisances, each level once in every day and once in every place."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pydoe

from fizzlab.design.exchange import efficiency
from fizzlab.design.factors import plain, refuse_unusable
from fizzlab.design.layout import number, streams, weak
from fizzlab.design.model import Matrix, model_matrix, rank
from fizzlab.design.plan import Plan
from fizzlab.errors import CannotAnswer
from fizzlab.models.terms import Category

MOST_LEVELS = 12


def latin_square(
    factor: Category, seed: int, *, squares: int = 1, second: str = "turn", places: tuple[str, ...] = ()
) -> Plan:
    """Each level once on every day and once in every place (turn within the day, shelf, mould, scale).

    Parameters
    ----------
    factor : Category
        With L levels the plan is L days of L batches a square.
    seed : int
    squares : int
        Squares, each on days of its own; the places are the same in all.
    second : str
        Column of the second nuisance. ``turn`` is the order of making within the day.
    places : tuple of str, optional
        Its names, as many as levels; 1, 2, ... by default. With names, the order of making within a
        day is shuffled; without, it is the turn.

    Returns
    -------
    Plan

    Raises
    ------
    CannotAnswer
        No batch is left to judge chance variation by (two levels in one square), or too many levels.

    Notes
    -----
    R. A. Fisher, F. Yates, Statistical Tables (1938). Rows, columns and levels of the cyclic square are
    shuffled, which reaches every square of its class, not every Latin square.

    Examples
    --------
    >>> plan = latin_square(Category("binder", ("none", "clay", "gum", "starch"), "none"), seed=9)
    >>> len(plan.runs), plan.error_df
    (16, {'runs': 6})
    """
    refuse_unusable([factor])
    size = len(factor.levels)
    if size > MOST_LEVELS:
        raise CannotAnswer(
            f"A square of {size} levels needs {size * size} batches.", "Compare fewer levels at a time."
        )
    if places and len(places) != size:
        raise ValueError(f"{second} needs {size} places")
    if squares < 1 or second in {factor.name, "run", "day", "blind", "point"}:
        raise ValueError("squares must be 1 or more, and the second nuisance needs a name of its own")
    chance, order, blind = streams(seed, (factor, squares, second))
    grids = [shuffled_square(size, chance) for _ in range(squares)]
    cells = np.vstack(grids)
    names = list(places) or [str(place) for place in range(1, size + 1)]
    day = np.repeat(np.arange(size * squares), size)
    turn = np.tile(np.arange(size), size * squares)
    settings = pd.DataFrame(
        {
            factor.name: [factor.levels[i] for i in cells.ravel()],
            "point": "factorial",
            second: [names[i] for i in turn],
        }
    )
    matrix, _ = model_matrix(settings, [factor], [factor.name])
    nuisance = np.hstack([np.equal.outer(day, np.unique(day)), np.equal.outer(turn, np.arange(1, size))])
    error = len(day) - rank(np.hstack([nuisance.astype(float), matrix[:, 1:]]))
    if error < 1:
        raise CannotAnswer(
            f"A square of {size} levels of {plain(factor.name)} leaves no batch to judge chance by.",
            "Make two squares or more.",
        )
    return Plan(
        kind=f"Latin square of {size} levels, day by {plain(second)}"
        + (f", {squares} times" * (squares > 1)),
        runs=number(settings, day, order, blind, within=None if places else turn),
        factors=(factor,),
        seed=seed,
        terms=(factor.name,),
        error_df={"runs": error},
        repeat_df=error,
        efficiency=efficiency(matrix, matrix),
        warnings=(
            *weak(error, error),
            f"It takes for granted that {plain(factor.name)} acts alike on every day and "
            f"whatever the {plain(second)}.",
        ),
    )


def shuffled_square(size: int, rng: np.random.Generator) -> Matrix:
    """A cyclic Latin square with rows, columns and symbols shuffled.

    Examples
    --------
    >>> square = shuffled_square(5, np.random.default_rng(3))
    >>> bool((np.sort(square, axis=1) == np.arange(5)).all()), bool((np.sort(square.T) == np.arange(5)).all())
    (True, True)
    """
    square = pydoe.latin_square(size)[rng.permutation(size)][:, rng.permutation(size)]
    return rng.permutation(size)[square]  # type: ignore[no-any-return]
