"""Optimal plans: any number of batches, named levels and amounts, any terms, forbidden combinations."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from fizzlab.design.exchange import Criterion, choose
from fizzlab.design.factorial import grid
from fizzlab.design.factors import Factor, Range, Share, is_forbidden, refuse_unusable
from fizzlab.design.layout import (
    FEW,
    lay_out,
    made_runs,
    pairs,
    refuse_no_spare,
    refuse_still,
    refuse_tied,
    streams,
)
from fizzlab.design.model import model_matrix, model_terms
from fizzlab.design.plan import Plan
from fizzlab.errors import CannotAnswer
from fizzlab.report.phrases import count

MOST_CANDIDATES = 20_000


def candidate_settings(
    factors: Sequence[Factor],
    terms: Sequence[str],
    forbidden: Sequence[Mapping[str, object]] = (),
    steps: int | None = None,
) -> pd.DataFrame:
    """Every setting that an optimal plan may pick from.

    Parameters
    ----------
    factors, terms
        See `model_terms`.
    forbidden : sequence of mappings
        See `is_forbidden`.
    steps : int, optional
        Even steps of each amount without its own amounts: 2 by default, 3 for an amount whose bend is
        asked, 5 where combinations are forbidden, so that the rim of what is allowed can be reached.

    Raises
    ------
    CannotAnswer
        Nothing is left.

    Examples
    --------
    >>> oil = Range("oil", 4, 8, "g")
    >>> candidate_settings([oil], ["oil", "oil^2"])["oil"].tolist()
    [4.0, 6.0, 8.0]
    """
    bent = {term.removesuffix("^2") for term in terms if term.endswith("^2")}
    least = {factor.name: 3 if factor.name in bent else 2 for factor in factors}
    number = {name: steps or (5 if forbidden else few) for name, few in least.items()}
    while steps is None and number != least and _size(factors, number) > MOST_CANDIDATES:
        number = {name: max(most - 1, least[name]) for name, most in number.items()}
    if _size(factors, number) > MOST_CANDIDATES:
        raise CannotAnswer(
            f"There are more than {MOST_CANDIDATES} combinations to choose from.",
            "Plan fewer factors at once, or screen them first.",
        )
    table = grid(factors, number)
    left = table[~is_forbidden(table, forbidden)].reset_index(drop=True)
    if left.empty:
        raise CannotAnswer(
            "The forbidden combinations leave no run that may be made.", "Forbid less, or change the levels."
        )
    refuse_still(left, factors)
    return left


def _size(factors: Sequence[Factor], steps: Mapping[str, int]) -> int:
    sizes = [
        len(factor.amounts) or steps[factor.name] if isinstance(factor, Range) else len(factor.levels)
        for factor in factors
        if not isinstance(factor, Share)
    ]
    return int(np.prod(sizes, dtype=float))


def optimal_plan(
    factors: Sequence[Factor],
    runs: int,
    seed: int,
    *,
    model: str | Sequence[str] = "main",
    criterion: Criterion = "D",
    forbidden: Sequence[Mapping[str, object]] = (),
    made: pd.DataFrame | None = None,
    steps: int | None = None,
    repeats: int = 0,
    per_day: int | None = None,
    starts: int | None = None,
) -> Plan:
    """The batches that tell the wanted effects best.

    Parameters
    ----------
    factors : sequence of Category or Range
    runs : int
        Batches to make now.
    seed : int
    model : {"main", "interactions", "quadratic", "full"} or sequence of str
        What it must be able to tell; see `model_terms`.
    criterion : {"D", "A", "I"}
        D tells the effects best together (the choice for "what matters"); A on average; I forecasts
        best on average over everything allowed (the choice for "which amount is best").
    forbidden : sequence of mappings
        See `is_forbidden`.
    made : DataFrame, optional
        Runs already made, with run, day and the factors: they are counted in, and only new runs are
        planned; names and days go on where those end.
    steps : int, optional
        See `candidate_settings`.
    repeats : int
        How many of the `runs` are kept for repeating picked runs (the ones least known), to judge
        chance variation by true repeats.
    per_day : int, optional
    starts : int, optional
        Random starts of the search (3 to 40 by default, by its size). It finds a good plan, often the
        best; it does not prove it.

    Returns
    -------
    Plan

    Raises
    ------
    CannotAnswer
        More effects than batches; forbidden combinations leave nothing, or not enough to tell the
        effects; see also `lay_out`.

    Examples
    --------
    >>> from fizzlab.design import Range
    >>> from fizzlab.models.terms import Category
    >>> oil, alcohol = Range("oil", 4, 8, "g"), Range("alcohol", 2, 6, "g")
    >>> colour = Category("colour", ("none", "mica", "lake"), "none")
    >>> plan = optimal_plan([oil, alcohol, colour], 12, seed=4, model=["oil", "alcohol", "colour"])
    >>> len(plan.runs), plan.efficiency.d, plan.error_df
    (12, 1.0, {'runs': 7})
    """
    refuse_unusable(factors)
    terms = model_terms(factors, model)
    earlier = made_runs(made, factors)
    candidates = candidate_settings(factors, terms, forbidden, steps)
    region, owner = model_matrix(candidates, factors, terms)
    total = runs + (0 if earlier is None else len(earlier))
    if total < region.shape[1]:
        raise CannotAnswer(
            f"There are {region.shape[1]} numbers to find, and only {count(total, 'batch', 'batches')} to "
            "find them by.",
            f"Plan {region.shape[1] + FEW - (total - runs)} batches or more, or ask for fewer effects.",
        )
    days = (-(-runs // per_day) if per_day else 1) + (0 if earlier is None else earlier["day"].nunique())
    days = 1 if days == total else days  # each batch on a day of its own: no blocks
    refuse_no_spare(total - region.shape[1] - (days - 1), days)
    if not 0 <= repeats < runs:
        raise ValueError("repeats must be fewer than runs")
    before = None if earlier is None else model_matrix(earlier, factors, terms)[0]
    refuse_tied(region if before is None else np.vstack([region, before]), owner)
    chance, _, _ = streams(seed, (tuple(factors), runs, terms))
    rows = choose(region, runs - repeats, chance, criterion, before, starts=starts)
    if repeats:
        fixed = region[rows] if before is None else np.vstack([region[rows], before])
        again = choose(region[np.unique(rows)], repeats, chance, criterion, fixed, region, starts, most=1)
        rows = np.concatenate([rows, np.unique(rows)[again]])
    table = candidates.iloc[rows].reset_index(drop=True)
    return lay_out(
        f"{criterion}-optimal" + ("" if earlier is None else f", added to {len(earlier)} runs made before"),
        table.assign(point=_kinds(table, factors)),
        factors,
        terms,
        seed,
        per_day,
        nice=pairs(factors),
        region=candidates,
        made=earlier,
    )


def _kinds(table: pd.DataFrame, factors: Sequence[Factor]) -> list[str]:
    """vertex where every amount is at a bound, centre where all are half-way, edge in between."""
    ranges = [factor for factor in factors if isinstance(factor, Range)]
    if not ranges:
        return ["factorial"] * len(table)
    coded = np.column_stack([factor.encode(table[factor.name]) for factor in ranges])
    extreme, middle = np.isclose(np.abs(coded), 1).all(axis=1), np.isclose(coded, 0).all(axis=1)
    return [str(kind) for kind in np.select([extreme, middle], ["vertex", "centre"], "edge")]
