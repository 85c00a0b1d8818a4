"""Mixtures: shares that add up to a total (oil, alcohol, emulsifier of the liquid), each with bounds."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations
from typing import Literal

import numpy as np
import pandas as pd
import pydoe

from fizzlab.design.aliases import leaks
from fizzlab.design.exchange import Criterion, choose, efficiency
from fizzlab.design.factors import FIGURES, Share, plain, refuse_unusable
from fizzlab.design.layout import (
    FEW,
    judge,
    number,
    refuse_still,
    refuse_unseparated,
    scattered,
    share_out,
    streams,
    together,
    weak,
)
from fizzlab.design.model import Matrix, rank
from fizzlab.design.plan import Plan
from fizzlab.errors import CannotAnswer
from fizzlab.report.phrases import count

Blending = Literal["linear", "quadratic", "special cubic"]
Points = Literal["vertices", "lattice", "centroid", "optimal"]
ORDERS: dict[str, int] = {"linear": 1, "quadratic": 2, "special cubic": 3}


def tightened(shares: Sequence[Share], total: float) -> tuple[Matrix, Matrix, list[str]]:
    """Bounds as parts of 1, narrowed to what the other ingredients leave, and what was narrowed.

    Raises
    ------
    CannotAnswer
        The bounds cannot add up to the total, or leave no choice.

    Examples
    --------
    >>> low, high, said = tightened([Share("oil", 2, 12), Share("alcohol", 4, 8), Share("water", 1, 6)], 12)
    >>> np.round(high * 12, 6).tolist(), said
    ([7.0, 8.0, 6.0], ['oil can be 7 g at most, as the others need the rest.'])
    """
    if not total > 0:
        raise ValueError("total must be positive")
    low = np.array([share.low for share in shares], float) / total
    high = np.array([share.high for share in shares], float) / total
    unit = shares[0].unit
    if low.sum() > 1 + 1e-9 or high.sum() < 1 - 1e-9:
        which, amount = ("least", low.sum()) if low.sum() > 1 else ("most", high.sum())
        raise CannotAnswer(
            f"The {which} of every ingredient together is {amount * total:.4g} {unit}, "
            f"so they cannot add up to {total:.4g} {unit}.",
            "Change the bounds or the total.",
        )
    new_low = np.maximum(low, 1 - (high.sum() - high))
    new_high = np.minimum(high, 1 - (low.sum() - low))
    said = []
    for share, a, b, c, d in zip(shares, low, new_low, high, new_high, strict=True):
        if b > a + 1e-9:
            said.append(
                f"{plain(share.name)} can be {b * total:.4g} {unit} at least, as the others cannot fill "
                "the rest."
            )
        if d < c - 1e-9:
            said.append(
                f"{plain(share.name)} can be {d * total:.4g} {unit} at most, as the others need the rest."
            )
    if (new_high - new_low < 1e-9).any():
        still = next(s for s, a, b in zip(shares, new_low, new_high, strict=True) if b - a < 1e-9)
        raise CannotAnswer(
            f"Within these bounds {plain(still.name)} cannot change.", "Widen the bounds or change the total."
        )
    return new_low, new_high, said


def vertices(low: Matrix, high: Matrix) -> Matrix:
    """The corners of what the bounds allow, one a row, shares adding to 1.

    Notes
    -----
    R. A. McLean, V. L. Anderson, Technometrics 8 (1966) 447-454. By pydoe, checked against a convex
    hull and against published blends.
    """
    return np.unique(np.round(pydoe.extreme_vertices_design(low, high), 12), axis=0)


def face_centres(corners: Matrix, low: Matrix, high: Matrix, size: int) -> Matrix:
    """Means of the corners of each face of `size` dimensions (1 for edges); G. F. Piepel (1988).

    Examples
    --------
    >>> whole = np.eye(3)
    >>> face_centres(whole, np.zeros(3), np.ones(3), 1).tolist()
    [[0.0, 0.5, 0.5], [0.5, 0.0, 0.5], [0.5, 0.5, 0.0]]
    """
    tight = np.hstack([np.isclose(corners, low), np.isclose(corners, high)])
    found = []
    for bounds in combinations(range(tight.shape[1]), corners.shape[1] - 1 - size):
        on = corners[tight[:, list(bounds)].all(axis=1)]
        if len(on) > size and rank(on - on[0]) == size:
            found.append(on.mean(axis=0))
    return np.unique(np.round(found, 12), axis=0) if found else corners[:0]


def blend_candidates(low: Matrix, high: Matrix, order: int = 2) -> tuple[Matrix, list[str]]:
    """Corners, face centres, the centroid, and half-way points from corners to centroid, with their kind."""
    corners = vertices(low, high)
    middle = corners.mean(axis=0)
    parts, kinds = [corners], ["vertex"] * len(corners)
    for size in range(1, min(order, len(low) - 2) + 1):
        centres = face_centres(corners, low, high, size)
        parts.append(centres)
        kinds += ["edge" if size == 1 else "face"] * len(centres)
    parts += [middle[None], (corners + middle) / 2]
    kinds += ["centroid"] + ["axial"] * len(corners)
    table = np.vstack(parts)
    _, first = np.unique(np.round(table, 9), axis=0, return_index=True)
    return table[np.sort(first)], [kinds[i] for i in np.sort(first)]


def scheffe(blends: Matrix, names: Sequence[str], order: int) -> tuple[Matrix, list[str]]:
    """Scheffé's model matrix: shares, products of two, products of three; no intercept.

    Notes
    -----
    H. Scheffé, J. Royal Statistical Society B 20 (1958) 344-360.
    """
    columns, owner = [], []
    for size in range(1, order + 1):
        for chosen in combinations(range(len(names)), size):
            columns.append(blends[:, list(chosen)].prod(axis=1))
            owner.append(":".join(names[i] for i in chosen))
    return np.column_stack(columns), owner


def mixture_plan(
    shares: Sequence[Share],
    total: float,
    seed: int,
    *,
    points: Points = "vertices",
    model: Blending = "quadratic",
    runs: int | None = None,
    degree: int = 2,
    edges: bool = True,
    centre: int = 3,
    repeats: int = 1,
    criterion: Criterion = "D",
    per_day: int | None = None,
) -> Plan:
    """Blends of ingredients that add up to a total.

    Parameters
    ----------
    shares : sequence of Share
        Three or more (two are one amount: plan that as a factor of its own).
    total : float
        What they add up to, in the unit of the bounds.
    seed : int
    points : {"vertices", "lattice", "centroid", "optimal"}
        Corners of what the bounds allow, with edge centres; Scheffé's simplex lattice of a `degree`, or
        simplex centroid, above the lower bounds; or `runs` blends chosen among corners, centres of
        edges and faces, centroid and half-way points.
    model : {"linear", "quadratic", "special cubic"}
        Scheffé's blending model.
    runs : int, optional
        Needed by ``optimal``.
    degree : int
        Of the lattice.
    edges : bool
        Edge centres with the vertices.
    centre : int
        How often the overall centroid is made (not in ``optimal``).
    repeats : int
        How often the other blends are made (not in ``optimal``).
    criterion : {"D", "A", "I"}
    per_day : int, optional

    Returns
    -------
    Plan
        Efficiencies are those of the model in shares above their lower bounds (pseudo-components).

    Raises
    ------
    CannotAnswer
        Bounds that cannot add up or leave no choice; a simplex that does not fit in the upper
        bounds; see also `lay_out`.

    Examples
    --------
    >>> liquid = [Share("oil", 2, 8), Share("alcohol", 2, 8), Share("emulsifier", 0, 3)]
    >>> plan = mixture_plan(liquid, 12, seed=6, points="optimal", runs=11)
    >>> len(plan.runs), plan.error_df
    (11, {'runs': 5})
    >>> set(plan.runs[["oil", "alcohol", "emulsifier"]].sum(axis=1).round(6))
    {12.0}
    """
    refuse_unusable(shares)
    if len(shares) < 3:
        raise CannotAnswer(
            "Two ingredients that add up to a total are one amount.",
            "Plan one of them as an amount with bounds; the other is the rest.",
        )
    names = [share.name for share in shares]
    low, high, said = tightened(shares, total)
    order = ORDERS[model]
    chance, shuffle, blind = streams(seed, (tuple(shares), total, points, model))
    candidates, kinds = blend_candidates(low, high, order)
    if points == "optimal":
        if runs is None:
            raise ValueError("an optimal mixture plan needs the number of runs")
        region, _ = scheffe(_pseudo(candidates, low), names, order)
        if runs < region.shape[1]:
            raise CannotAnswer(
                f"There are {region.shape[1]} numbers to find, and only {count(runs, 'batch', 'batches')} to "
                "find them by.",
                f"Plan {region.shape[1] + FEW} batches or more, or ask for a simpler blending model.",
            )
        rows = choose(region, runs, chance, criterion)
        blends, labels = candidates[rows], [kinds[i] for i in rows]
    elif points == "vertices":
        keep = [i for i, kind in enumerate(kinds) if kind == "vertex" or (edges and kind == "edge")]
        blends, labels = candidates[keep], [kinds[i] for i in keep]
    else:
        blends, labels = _simplex(low, high, points, degree, shares, total)
    if points != "optimal":
        blends, labels = _with_centroid(blends, labels, candidates[kinds.index("centroid")], centre, repeats)
    settings = _amounts(blends, names, total).assign(point=labels)
    refuse_still(settings, shares)
    scaled = _pseudo(blends, low)
    matrix, owner = scheffe(scaled, names, order)
    refuse_unseparated(matrix, owner)
    # the same model with an intercept in place of the last share, so that days can be set apart
    slack = np.hstack([np.ones((len(blends), 1)), np.delete(matrix, len(names) - 1, axis=1)])
    slack_owner = ["intercept", *owner[: len(names) - 1], *owner[len(names) :]]
    day = share_out(slack[:, 1:], np.ones(len(blends), int), per_day, shuffle, slack.shape[1] - 1)
    error, repeat_df, left = judge(slack, slack_owner, settings, shares, together(day))
    fuller, fuller_owner = scheffe(scaled, names, min(order + 1, 3))
    extra = [i for i, term in enumerate(fuller_owner) if term not in owner]
    return Plan(
        kind=f"mixture, {points}, {model} blending",
        runs=number(settings, day, shuffle, blind),
        factors=tuple(shares),
        seed=seed,
        terms=tuple(owner),
        error_df={"runs": error},
        repeat_df=repeat_df,
        aliases=leaks(matrix, owner, fuller[:, extra], [fuller_owner[i] for i in extra]),
        efficiency=efficiency(matrix, scheffe(_pseudo(candidates, low), names, order)[0]),
        day_efficiency=left,
        warnings=(*said, *weak(error, repeat_df), *scattered(day)),
    )


def _pseudo(blends: Matrix, low: Matrix) -> Matrix:
    return np.asarray((blends - low) / (1 - low.sum()))


def _simplex(
    low: Matrix, high: Matrix, points: str, degree: int, shares: Sequence[Share], total: float
) -> tuple[Matrix, list[str]]:
    room = 1 - low.sum()
    short = [s for s, a, b in zip(shares, low, high, strict=True) if b < a + room - 1e-9]
    if short:
        raise CannotAnswer(
            f"A {points} plan would need up to {(short[0].low + room * total):.4g} {short[0].unit} of "
            f"{plain(short[0].name)}, more than its bound.",
            "Use the corners of what the bounds allow (vertices), or an optimal plan.",
        )
    if points == "lattice":
        base = pydoe.simplex_lattice_design(len(shares), degree)
    else:
        base = pydoe.simplex_centroid_design(len(shares))
    labels = [
        "vertex" if row.max() > 1 - 1e-9 else "edge" if (row > 0).sum() == 2 else "face" for row in base
    ]
    labels = [
        "centroid" if np.allclose(row, 1 / len(shares)) else k for row, k in zip(base, labels, strict=True)
    ]
    return low + room * base, labels


def _with_centroid(
    blends: Matrix, labels: list[str], middle: Matrix, centre: int, repeats: int
) -> tuple[Matrix, list[str]]:
    others = [i for i in range(len(blends)) if not np.allclose(blends[i], middle)]
    table = np.vstack([np.tile(blends[others], (repeats, 1)), np.tile(middle, (centre, 1))])
    return table, [labels[i] for i in others] * repeats + ["centroid"] * centre


def _amounts(blends: Matrix, names: Sequence[str], total: float) -> pd.DataFrame:
    rounded = [[float(f"{value:.{FIGURES}g}") for value in row] for row in blends * total]
    return pd.DataFrame(rounded, columns=list(names))
