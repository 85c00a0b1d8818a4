"""Mixtures: shares that add up to a total (oil, alcohol, emulsifier of the liquid), each with bounds."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations
from typing import Any, Literal

import numpy as np
import pandas as pd

from fizzlab.design.factors import Factor, Range, plain, require_ranges, tidy
from fizzlab.design.layout import lay_out
from fizzlab.design.model import Matrix, leaks, rank
from fizzlab.design.plans import Plan
from fizzlab.errors import cannot
from fizzlab.language import say

ORDERS: dict[str, int] = {"linear": 1, "quadratic": 2, "special cubic": 3}


def tightened(shares: Sequence[Range], total: float) -> tuple[Matrix, Matrix, list[str]]:
    """Bounds as parts of 1, narrowed to what the other ingredients leave, and what was narrowed."""
    if not total > 0:
        raise ValueError("total must be positive")
    low, high = np.array([(share.low, share.high) for share in shares], float).T / total

    def amount(part: float) -> str:
        return f"{part * total:.4g} {shares[0].unit}".rstrip()

    if low.sum() > 1 + 1e-9 or high.sum() < 1 - 1e-9:
        which, most = ("least_together", low.sum()) if low.sum() > 1 else ("most_together", high.sum())
        raise cannot(which, amount=amount(most), total=amount(1))
    new_low = np.maximum(low, 1 - (high.sum() - high))
    new_high = np.minimum(high, 1 - (low.sum() - low))
    said = []
    for place, name in enumerate(plain(share.name) for share in shares):
        if new_high[place] - new_low[place] < 1e-9:
            raise cannot("bounds_fix", name=name)
        for new, old, says in ((new_low, low, "share_at_least"), (new_high, high, "share_at_most")):
            if abs(new[place] - old[place]) > 1e-9:
                said.append(say(says, name=name, amount=amount(new[place])))
    return new_low, new_high, said


def vertices(low: Matrix, high: Matrix) -> Matrix:
    """The corners of what the bounds allow (McLean and Anderson 1966, by pydoe), shares adding to 1."""
    import pydoe

    return np.unique(np.round(pydoe.extreme_vertices_design(low, high), 12), axis=0)


def edge_centres(corners: Matrix, low: Matrix, high: Matrix) -> Matrix:
    """Half-way points of the edges between corners."""
    tight = np.hstack([np.isclose(corners, low), np.isclose(corners, high)])
    found = []
    for bounds in combinations(range(tight.shape[1]), corners.shape[1] - 2):
        on = corners[tight[:, list(bounds)].all(axis=1)]
        if len(on) > 1 and rank(on - on[0]) == 1:
            found.append(on.mean(axis=0))
    return np.unique(np.round(found, 12), axis=0) if found else corners[:0]


def scheffe(blends: Matrix, names: Sequence[str], order: int) -> tuple[Matrix, list[str]]:
    """Scheffé's model matrix (1958): shares, products of two, products of three; no intercept."""
    columns, owner = [], []
    for size in range(1, min(order, len(names)) + 1):
        for chosen in combinations(range(len(names)), size):
            columns.append(blends[:, list(chosen)].prod(axis=1))
            owner.append(":".join(names[i] for i in chosen))
    return np.column_stack(columns), owner


def mixture_plan(
    factors: Sequence[Factor],
    seed: int,
    *,
    total: float,
    blending: Literal["linear", "quadratic", "special cubic"] = "quadratic",
    centre_points: int = 3,
    repeats: int = 1,
    per_day: int | None = None,
) -> Plan:
    """Blends that add up to a total: corners of what the bounds allow, edge centres, the middle so often."""
    shares = require_ranges(factors, "a mixture")
    if len(shares) < 2 or min(share.low for share in shares) < 0:
        raise ValueError("a mixture needs two ingredients or more, with bounds of zero or more")
    names = [share.name for share in shares]
    low, high, said = tightened(shares, total)
    corners = vertices(low, high)
    middle = corners.mean(axis=0)
    outer = {"vertex": corners, "edge": edge_centres(corners, low, high)}
    around = [(kind, row) for kind, rows in outer.items() for row in rows if not np.allclose(row, middle)]
    points, rows = zip(*around * repeats, *[("centroid", middle)] * centre_points, strict=True)
    blends = np.array(rows)
    scaled = (blends - low) / (1 - low.sum())  # parts above the lower bounds (pseudo-components)
    matrix, owner = scheffe(scaled, names, ORDERS[blending])
    joint, joint_owner = scheffe(scaled, names, 2)
    extra = [i for i, term in enumerate(joint_owner) if term not in owner]
    # the same model with an intercept in place of the last share, so that days can be set apart
    last = len(names) - 1
    slack = np.hstack([np.ones((len(blends), 1)), np.delete(matrix, last, axis=1)])
    model = (slack, ["intercept", *owner[:last], *owner[last + 1 :]])
    bounds = [f"Share(name={s.name!r}, low={s.low!r}, high={s.high!r}, unit={s.unit!r})" for s in shares]
    told: Any = {"wish": f"(({', '.join(bounds)}), {float(total)}, 'vertices', {blending!r})"}
    told["aliases"] = leaks(matrix, owner, joint[:, extra], [joint_owner[i] for i in extra], owner)
    settings = pd.DataFrame(tidy(blends * total), columns=names).assign(point=points)
    kind = f"mixture, vertices, {blending} blending"
    return lay_out(kind, settings, shares, owner, seed, per_day, model=model, warnings=said, **told)
