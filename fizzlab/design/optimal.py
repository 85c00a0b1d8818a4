"""Optimal plans: any number of batches, any levels and amounts, forbidden combinations, runs made before."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from fizzlab.design.exchange import Criterion, choose
from fizzlab.design.factors import Factor, Range, allowed, grid, refuse_unusable, wish_of
from fizzlab.design.layout import FEW, lay_out, refuse_no_spare, refuse_still, refuse_tied, streams
from fizzlab.design.model import model_matrix, model_terms, pairs
from fizzlab.design.plans import Plan
from fizzlab.errors import CannotAnswer, count

MOST_CANDIDATES = 20_000


def candidate_settings(
    factors: Sequence[Factor], terms: Sequence[str], forbidden: Sequence[Mapping[str, object]] = ()
) -> pd.DataFrame:
    """Every setting that an optimal plan may pick from.

    Amounts without their own take 2 even steps, 3 where their bend is asked, 5 where combinations are
    forbidden, so that the rim of what is allowed can be reached.

    Examples
    --------
    >>> candidate_settings([Range("oil", 4, 8, "g")], ["oil", "oil^2"])["oil"].tolist()
    [4.0, 6.0, 8.0]
    """
    bent = {term.removesuffix("^2") for term in terms if term.endswith("^2")}
    least = {factor.name: 3 if factor.name in bent else 2 for factor in factors}
    steps = dict.fromkeys(least, 5) if forbidden else least
    while steps != least and _size(factors, steps) > MOST_CANDIDATES:
        steps = {name: max(most - 1, least[name]) for name, most in steps.items()}
    if _size(factors, steps) > MOST_CANDIDATES:
        raise CannotAnswer(
            f"There are more than {MOST_CANDIDATES} combinations to choose from.",
            "Plan fewer factors at once, or find the few that matter by a fraction first.",
        )
    left = allowed(grid(factors, steps), forbidden)
    refuse_still(left, factors)
    return left


def _size(factors: Sequence[Factor], steps: Mapping[str, int]) -> float:
    sizes = [len(f.amounts) or steps[f.name] if isinstance(f, Range) else len(f.levels) for f in factors]
    return float(np.prod(sizes, dtype=float))


def optimal_plan(
    factors: Sequence[Factor],
    seed: int,
    *,
    batches: int,
    model: str | Sequence[str] = "main",
    criterion: Criterion = "D",
    forbidden: Sequence[Mapping[str, object]] = (),
    made: pd.DataFrame | None = None,
    repeated_batches: int = 0,
    per_day: int | None = None,
) -> Plan:
    """The batches that tell the wanted effects best; `made` are runs already made (run, day, factors).

    With `made`, names and days go on where those end. D tells the effects best together (for "what matters");
    I forecasts best on average over everything allowed (for "which amount is best"). `repeated_batches` of
    the batches are kept for repeating picked runs, the ones least known, to judge chance by true repeats.

    Examples
    --------
    >>> from fizzlab.models.terms import Category
    >>> colour = Category("colour", ("none", "mica", "lake"), "none")
    >>> plan = optimal_plan([Range("oil", 4, 8, "g"), Range("gum", 2, 6, "g"), colour], 4, batches=12)
    >>> len(plan.runs), plan.error_df
    (12, {'runs': 7})
    """
    refuse_unusable(factors)
    terms = model_terms(factors, model)
    earlier = _made(made, factors)
    candidates = candidate_settings(factors, terms, forbidden)
    region, owner = model_matrix(candidates, factors, terms)
    total = batches + (0 if earlier is None else len(earlier))
    if total < region.shape[1]:
        raise CannotAnswer(
            f"There are {region.shape[1]} numbers to find, and only {count(total, 'batch', 'batches')} to "
            "find them by.",
            f"Plan {region.shape[1] + FEW - (total - batches)} batches or more, or ask for fewer effects.",
        )
    days = (-(-batches // per_day) if per_day else 1) + (0 if earlier is None else earlier["day"].nunique())
    days = 1 if days == total else days  # each batch on a day of its own: no blocks
    refuse_no_spare(total - region.shape[1] - (days - 1), days)
    if not 0 <= repeated_batches < batches:
        raise ValueError("repeated_batches must be fewer than the batches")
    before = None if earlier is None else model_matrix(earlier, factors, terms)[0]
    refuse_tied(region if before is None else np.vstack([region, before]), owner)
    chance, _, _ = streams(seed, (wish_of(factors), batches, terms))
    rows = choose(region, batches - repeated_batches, chance, criterion, before)
    if repeated_batches:
        fixed = region[rows] if before is None else np.vstack([region[rows], before])
        picked = np.unique(rows)
        again = choose(region[picked], repeated_batches, chance, criterion, fixed, region, most=1)
        rows = np.concatenate([rows, picked[again]])
    table = candidates.iloc[rows].reset_index(drop=True)
    return lay_out(
        f"{criterion}-optimal" + ("" if earlier is None else f", added to {len(earlier)} runs made before"),
        table.assign(point=_kinds(table, factors)),
        factors,
        terms,
        seed,
        per_day,
        nice=pairs(factors),
        made=earlier,
    )


def _made(made: pd.DataFrame | None, factors: Sequence[Factor]) -> pd.DataFrame | None:
    """The runs already made: run, day, blind and factors."""
    if made is None or made.empty:
        return None
    names = ["run", "day", *(factor.name for factor in factors)]
    missing = set(names) - set(made.columns)
    if missing:
        raise ValueError(f"the runs already made need the column {sorted(missing)[0]!r}")
    kept = [*names, *(["blind"] if "blind" in made else [])]
    return made[kept].assign(point="made").reset_index(drop=True)


def _kinds(table: pd.DataFrame, factors: Sequence[Factor]) -> list[str]:
    """vertex where every amount is at a bound, centre where all are half-way, edge in between."""
    ranges = [factor for factor in factors if isinstance(factor, Range)]
    if not ranges:
        return ["factorial"] * len(table)
    coded = np.column_stack([factor.encode(table[factor.name]) for factor in ranges])
    extreme, middle = np.isclose(np.abs(coded), 1).all(axis=1), np.isclose(coded, 0).all(axis=1)
    return [str(kind) for kind in np.select([extreme, middle], ["vertex", "centre"], "edge")]
