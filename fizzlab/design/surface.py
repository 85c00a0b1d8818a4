"""Amounts with a bend: central composite and Box-Behnken plans."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import numpy as np
import pandas as pd

from fizzlab.design.factorial import fraction_of
from fizzlab.design.factors import Factor, Range, plain, refuse_unusable, require_ranges, two_levels
from fizzlab.design.layout import lay_out
from fizzlab.design.model import Matrix, model_terms
from fizzlab.design.plans import Plan
from fizzlab.errors import CannotAnswer

Reach = Literal["circumscribed", "inscribed", "faces"]


def central_composite(
    factors: Sequence[Factor],
    seed: int,
    *,
    reach: Reach = "inscribed",
    centre_points: int = 6,
    per_day: int | None = None,
) -> Plan:
    """Corners, stars and centre points: main effects, joint effects of two and bends of 2 to 6 amounts.

    The stars stand at the fourth root of the number of corners, so that a forecast is as sure in every
    direction (rotatable; G. E. P. Box, J. S. Hunter, Annals of Mathematical Statistics 28 (1957) 195-241).
    Circumscribed: stars beyond the bounds, corners at them. Inscribed: everything within the bounds, stars at
    them. Faces: stars at the bounds in the middle of each face, so that three amounts each do.
    """
    refuse_unusable(factors)
    ranges = require_ranges(factors, "a central composite plan")
    if not 2 <= len(ranges) <= 6:
        raise CannotAnswer(
            "A central composite plan is for two to six amounts.",
            "Find the few that matter by a fraction first, or ask for an optimal plan.",
        )
    centre = (centre_points - centre_points // 2, centre_points // 2)
    corners = _corners(ranges)
    distance = 1.0 if reach == "faces" else float(len(corners) ** 0.25)
    axes = np.vstack([np.kron(row, [[-distance], [distance]]) for row in np.eye(len(ranges))])
    middle = [np.zeros((number, len(ranges))) for number in centre]
    coded = np.vstack([corners, middle[0], axes, middle[1]])
    if reach == "inscribed":
        coded = coded / max(distance, 1.0)
    table = two_levels(ranges, coded)
    _refuse_unreachable(ranges, table)
    table["point"] = np.repeat(
        ["factorial", "centre", "axial", "centre"], [len(corners), centre[0], len(axes), centre[1]]
    )
    kind = f"central composite ({reach}, stars at {distance:.3f})"
    return lay_out(kind, table, ranges, model_terms(ranges, "quadratic"), seed, per_day)


def _corners(ranges: Sequence[Range]) -> Matrix:
    """Corners: all of them up to four amounts, the half of highest resolution (V or VI) above."""
    import pydoe

    if len(ranges) >= 5:
        return fraction_of([factor.name for factor in ranges], resolution=5).design()
    return np.asarray(pydoe.ff2n(len(ranges)))


def _refuse_unreachable(ranges: Sequence[Range], table: pd.DataFrame) -> None:
    for factor in ranges:
        low, high = table[factor.name].min(), table[factor.name].max()
        too_low = factor.smallest is not None and low < factor.smallest - 1e-9
        if too_low or (factor.largest is not None and high > factor.largest + 1e-9):
            raise CannotAnswer(
                f"A star point would need {low if too_low else high:.3g} {factor.unit} of "
                f"{plain(factor.name)}, which cannot be made.",
                "Move its bounds, or keep the plan within them (reach inscribed or faces).",
            )


def box_behnken(
    factors: Sequence[Factor], seed: int, *, centre_points: int | None = None, per_day: int | None = None
) -> Plan:
    """Bends and joint effects of 3 to 5 amounts with no run at a corner (all at an extreme at once).

    From six amounts on the plan that pydoe gives is not the published one (pairs instead of triples), so it
    is not offered. G. E. P. Box, D. W. Behnken, Technometrics 2 (1960) 455-475.
    """
    import pydoe

    refuse_unusable(factors)
    ranges = require_ranges(factors, "a Box-Behnken plan")
    if not 3 <= len(ranges) <= 5:
        raise CannotAnswer(
            "A Box-Behnken plan here is for three to five amounts.",
            "Use a central composite or an optimal plan.",
        )
    middle = centre_points if centre_points is not None else (6 if len(ranges) == 5 else 3)
    edges = pydoe.bbdesign(len(ranges), center=1)[:-1]
    coded = np.vstack([edges, np.zeros((middle, len(ranges)))])
    table = two_levels(ranges, coded).assign(point=["edge"] * len(edges) + ["centre"] * middle)
    return lay_out("Box-Behnken", table, ranges, model_terms(ranges, "quadratic"), seed, per_day)
