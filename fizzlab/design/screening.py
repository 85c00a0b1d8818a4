"""Screening many factors in few batches: Plackett-Burman and definitive screening plans (from pydoe)."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
import pydoe

from fizzlab.design.factorial import centres
from fizzlab.design.factors import Factor, refuse_unusable, require_ranges, require_two_levels, two_levels
from fizzlab.design.layout import lay_out, pairs
from fizzlab.design.plan import Plan
from fizzlab.errors import CannotAnswer

MOST_SCREENED = 23


def plackett_burman(
    factors: Sequence[Factor],
    seed: int,
    *,
    runs: int | None = None,
    centre: int = 0,
    repeats: int = 1,
    per_day: int | None = None,
) -> Plan:
    """Main effects of up to 23 factors in 8, 12, 16, 20 or 24 batches.

    Every joint effect of two leaks into the main effects of the other factors (a third of it in 12
    batches); use it to find the few that matter, not to conclude.

    Parameters
    ----------
    factors : sequence of Category (two levels) or Range
    seed : int
    runs : int, optional
        A multiple of 4 above the number of factors; by default the least one that leaves four
        batches over to judge chance variation by, centre points and repeats not counted.
    centre, repeats, per_day
        See `full_factorial`.

    Returns
    -------
    Plan

    Notes
    -----
    R. L. Plackett, J. P. Burman, Biometrika 33 (1946) 305-325.

    Examples
    --------
    >>> from fizzlab.design import Range
    >>> seven = [Range(name, 1, 2) for name in "abcdefg"]
    >>> plan = plackett_burman(seven, seed=2)
    >>> len(plan.runs), plan.error_df
    (12, {'runs': 4})
    """
    refuse_unusable(factors)
    require_two_levels(factors, "a screening plan of this kind")
    number = len(factors)
    if number > MOST_SCREENED:
        raise CannotAnswer(
            f"{number} factors are more than a screening plan of 24 batches holds.",
            "Leave out those that you expect least of.",
        )
    wanted = runs or max(8, 4 * -(-(number + 5) // 4)) if number + 5 <= 24 else runs or 24
    if wanted % 4 or wanted <= number or wanted > 24:
        raise CannotAnswer(
            f"A screening plan of {number} factors needs a multiple of 4 batches above {number}, at most 24.",
            f"Choose {4 * (number // 4 + 1)} or more.",
        )
    # fewer factors than wanted - 4 would make pydoe give a smaller plan: take the columns of the larger one
    coded = pydoe.pbdesign(wanted - 1)[:, :number]
    table = two_levels(factors, np.tile(coded, (repeats, 1))).assign(point="factorial")
    table = pd.concat([table, centres(factors, centre)], ignore_index=True)
    terms = tuple(factor.name for factor in factors)
    return lay_out(
        "Plackett-Burman screening",
        table,
        factors,
        (*terms, "curvature") if centre else terms,
        seed,
        per_day,
        resolution=3,
        warnings=["Joint effects of two leak into the main effects: use it to screen, not to conclude."],
    )


def definitive_screening(
    factors: Sequence[Factor],
    seed: int,
    *,
    extra_centre: int = 0,
    spare_factors: int = 2,
    per_day: int | None = None,
) -> Plan:
    """Main effects and bends of amounts in about twice as many batches as factors, three amounts each.

    Main effects are free of every joint effect of two and of every bend; the bends are judged only one
    at a time together with the main effects when few batches are spare.

    Parameters
    ----------
    factors : sequence of Range
        Three or more.
    seed : int
    extra_centre : int
        Centre points besides the one there is.
    spare_factors : int
        Unused columns of the plan, each two more batches, to judge chance variation by.
    per_day : int, optional

    Returns
    -------
    Plan

    Notes
    -----
    B. Jones, C. J. Nachtsheim, Journal of Quality Technology 43 (2011) 1-15; conference matrices:
    L. Xiao, D. K. J. Lin, F. Bai, same journal 44 (2012) 2-8.

    Examples
    --------
    >>> from fizzlab.design import Range
    >>> six = [Range(name, 2, 6, "g") for name in "abcdef"]
    >>> plan = definitive_screening(six, seed=2, spare_factors=0)
    >>> len(plan.runs), plan.error_df
    (13, {'runs': 6})
    """
    refuse_unusable(factors)
    ranges = require_ranges(factors, "definitive screening")
    if len(ranges) < 3:
        raise CannotAnswer(
            "Definitive screening needs three amounts or more.", "Use a central composite plan for two."
        )
    coded = pydoe.definitive_screening_design(len(ranges) + spare_factors)[:, : len(ranges)]
    coded = np.vstack([coded, np.zeros((extra_centre, len(ranges)))])
    zeros = (coded == 0).sum(axis=1)
    kinds = np.where(zeros == len(ranges), "centre", "edge")
    table = two_levels(ranges, coded).assign(point=kinds)
    return lay_out(
        "definitive screening",
        table,
        ranges,
        tuple(factor.name for factor in ranges),
        seed,
        per_day,
        nice=[*(f"{factor.name}^2" for factor in ranges), *pairs(ranges)],
        warnings=["Joint effects and bends are mixed with each other: tell only the few large ones."],
    )
