"""Curved surfaces in a few amounts: central composite and Box-Behnken plans."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import numpy as np
import pandas as pd
import pydoe

from fizzlab.design.factorial import fraction_of, grid
from fizzlab.design.factors import Factor, Range, plain, refuse_unusable, require_ranges, two_levels
from fizzlab.design.layout import lay_out
from fizzlab.design.model import Matrix, model_terms
from fizzlab.design.plan import Plan
from fizzlab.errors import CannotAnswer

Reach = Literal["circumscribed", "inscribed", "faces"]
Alpha = Literal["rotatable", "orthogonal"]


def star_distance(alpha: Alpha | float, corners: int, axes: int, centre: tuple[int, int]) -> float:
    """Distance of the star points from the centre, in coded units.

    Parameters
    ----------
    alpha : {"rotatable", "orthogonal"} or float
        ``rotatable``: the fourth root of the number of corners, so that a forecast is as sure in every
        direction. ``orthogonal``: corners and stars can be made on different days without the days
        touching the effects, alpha^2 = k (1 + c_s / 2k) / (1 + c_c / f).
    corners, axes : int
        Factorial runs f, and factors k.
    centre : (int, int)
        Centre points made with the corners, c_c, and with the stars, c_s.

    Examples
    --------
    >>> round(star_distance("rotatable", 8, 3, (0, 6)), 3)
    1.682
    >>> round(star_distance("orthogonal", 4, 2, (3, 3)), 6)
    1.414214

    Notes
    -----
    G. E. P. Box, J. S. Hunter, Annals of Mathematical Statistics 28 (1957) 195-241.
    """
    if alpha == "rotatable":
        return float(corners**0.25)
    if alpha == "orthogonal":
        return float(np.sqrt(axes * (1 + centre[1] / (2 * axes)) / (1 + centre[0] / corners)))
    distance = float(alpha)
    if not distance > 0:
        raise ValueError('alpha must be "rotatable", "orthogonal" or a positive number')
    return distance


def central_composite(
    factors: Sequence[Factor],
    seed: int,
    *,
    reach: Reach = "circumscribed",
    alpha: Alpha | float = "rotatable",
    centre: tuple[int, int] = (3, 3),
    per_day: int | None = None,
    in_blocks: bool = False,
) -> Plan:
    """Corners, stars and centre points: main effects, joint effects of two and bends of 2 to 6 amounts.

    Parameters
    ----------
    factors : sequence of Range
    seed : int
    reach : {"circumscribed", "inscribed", "faces"}
        Stars beyond the bounds (corners at the bounds); everything within the bounds (stars at them);
        stars at the bounds in the middle of each face (alpha = 1, three amounts each).
    alpha : {"rotatable", "orthogonal"} or float
        See `star_distance`; not used with faces.
    centre : (int, int)
        Centre points that go with the corners and with the stars.
    per_day : int, optional
    in_blocks : bool
        Make the corners first and the stars on later days.

    Returns
    -------
    Plan

    Raises
    ------
    CannotAnswer
        A star point that cannot be made; see also `lay_out`.

    Examples
    --------
    >>> plan = central_composite([Range("oil", 4, 8, "g"), Range("alcohol", 2, 6, "g")], seed=5,
    ...                          alpha="orthogonal", in_blocks=True)
    >>> len(plan.runs), plan.error_df, plan.day_efficiency
    (14, {'runs': 7}, 1.0)
    """
    refuse_unusable(factors)
    ranges = require_ranges(factors, "a central composite plan")
    if not 2 <= len(ranges) <= 6:
        raise CannotAnswer(
            "A central composite plan is for two to six amounts.",
            "Screen first, or ask for an optimal plan.",
        )
    corners = _cube(ranges)
    distance = 1.0 if reach == "faces" else star_distance(alpha, len(corners), len(ranges), centre)
    stars = np.vstack([np.kron(row, [[-distance], [distance]]) for row in np.eye(len(ranges))])
    coded = np.vstack(
        [corners, np.zeros((centre[0], len(ranges))), stars, np.zeros((centre[1], len(ranges)))]
    )
    if reach == "inscribed":
        coded = coded / max(distance, 1.0)
    table = two_levels(ranges, coded)
    _refuse_unreachable(ranges, table)
    table["point"] = (
        ["factorial"] * len(corners)
        + ["centre"] * centre[0]
        + ["axial"] * len(stars)
        + ["centre"] * centre[1]
    )
    if in_blocks:
        table["block"] = [1] * (len(corners) + centre[0]) + [2] * (len(stars) + centre[1])
    return lay_out(
        f"central composite ({reach}, stars at {distance:.3f})",
        table,
        ranges,
        model_terms(ranges, "quadratic"),
        seed,
        per_day,
        region=grid([Range(r.name, r.low, r.high, r.unit) for r in ranges], 5 if len(ranges) < 5 else 3),
    )


def _cube(ranges: Sequence[Range]) -> Matrix:
    """Corners: all of them up to four amounts, the half of highest resolution (V or VI) above."""
    if len(ranges) >= 5:
        return fraction_of(ranges, resolution=5).design()
    return pydoe.ff2n(len(ranges))  # type: ignore[no-any-return]


def _refuse_unreachable(ranges: Sequence[Range], table: pd.DataFrame) -> None:
    for factor in ranges:
        low, high = table[factor.name].min(), table[factor.name].max()
        if (factor.smallest is not None and low < factor.smallest - 1e-9) or (
            factor.largest is not None and high > factor.largest + 1e-9
        ):
            worst = low if factor.smallest is not None and low < factor.smallest - 1e-9 else high
            raise CannotAnswer(
                f"A star point would need {worst:.3g} {factor.unit} of {plain(factor.name)}, "
                "which cannot be made.",
                "Move its bounds, or keep the plan within them (reach inscribed or faces).",
            )


def box_behnken(
    factors: Sequence[Factor], seed: int, *, centre: int | None = None, per_day: int | None = None
) -> Plan:
    """Bends and joint effects of 3 to 5 amounts with no run at a corner (all at an extreme at once).

    Parameters
    ----------
    factors : sequence of Range
        Three to five; from six on the plan that pydoe gives is not the published one (pairs instead
        of triples), so it is not offered.
    seed : int
    centre : int, optional
        3 for three and four amounts, 6 for five by default.
    per_day : int, optional

    Returns
    -------
    Plan

    Notes
    -----
    G. E. P. Box, D. W. Behnken, Technometrics 2 (1960) 455-475.

    Examples
    --------
    >>> plan = box_behnken([Range(name, 2, 6, "g") for name in ("oil", "alcohol", "emulsifier")], seed=5)
    >>> len(plan.runs), plan.error_df, plan.repeat_df
    (15, {'runs': 5}, 2)
    """
    refuse_unusable(factors)
    ranges = require_ranges(factors, "a Box-Behnken plan")
    if not 3 <= len(ranges) <= 5:
        raise CannotAnswer(
            "A Box-Behnken plan here is for three to five amounts.",
            "Use a central composite or an optimal plan.",
        )
    middle = centre if centre is not None else (6 if len(ranges) == 5 else 3)
    edges = pydoe.bbdesign(len(ranges), center=1)[:-1]
    coded = np.vstack([edges, np.zeros((middle, len(ranges)))])
    table = two_levels(ranges, coded).assign(point=["edge"] * len(edges) + ["centre"] * middle)
    return lay_out(
        "Box-Behnken",
        table,
        ranges,
        model_terms(ranges, "quadratic"),
        seed,
        per_day,
        region=grid([Range(r.name, r.low, r.high, r.unit) for r in ranges], 5 if len(ranges) < 5 else 3),
    )
