"""Mixtures, blocks and split plots against published blends, R and published rules."""

from __future__ import annotations

from itertools import product

import numpy as np
import pandas as pd
import pydoe
import pytest
from outside import Source, agrees, holds, same
from scipy.spatial import HalfspaceIntersection

from fizzlab.design.blocks import compare, split_plot
from fizzlab.design.factors import Range
from fizzlab.design.mixture import edge_centres, mixture_plan, vertices
from fizzlab.models.terms import Category

SNEE = Source(
    "publication",
    "R. D. Snee, D. W. Marquardt, Technometrics 18 (1976) 19-29: 16 corners of eight bounded ingredients",
    "as kept in data set SneeMq of R package mixexp 1.2.7.1 (CRAN), blends 1 to 16; bounds from the "
    "documentation of mixexp's Xvert, but for x4, whose upper bound is misprinted there as .4",
)
# as .4: no blend of the data set has more than .1 of it, and half of them have .1 exactly.
SNEE_MARQUARDT = """
0.100 0.500 0.00 0.00 0.100 0.200 0.050 0.050
0.100 0.050 0.00 0.00 0.550 0.200 0.050 0.050
0.100 0.500 0.00 0.10 0.100 0.200 0.000 0.000
0.150 0.050 0.00 0.10 0.600 0.050 0.050 0.000
0.100 0.050 0.10 0.00 0.550 0.200 0.000 0.000
0.100 0.500 0.10 0.10 0.100 0.050 0.000 0.050
0.100 0.050 0.10 0.10 0.550 0.050 0.000 0.050
0.400 0.050 0.10 0.10 0.100 0.200 0.050 0.000
0.350 0.050 0.10 0.10 0.100 0.200 0.050 0.050
0.300 0.500 0.00 0.00 0.100 0.050 0.000 0.050
0.100 0.500 0.10 0.00 0.200 0.050 0.050 0.000
0.450 0.050 0.00 0.00 0.450 0.050 0.000 0.000
0.450 0.200 0.00 0.10 0.100 0.050 0.050 0.050
0.450 0.150 0.00 0.10 0.100 0.200 0.000 0.000
0.450 0.250 0.10 0.00 0.100 0.050 0.050 0.000
0.450 0.100 0.10 0.00 0.100 0.200 0.000 0.050
"""
LOW = np.array([0.10, 0.05, 0.0, 0.0, 0.10, 0.05, 0.0, 0.0])
HIGH = np.array([0.45, 0.50, 0.10, 0.10, 0.60, 0.20, 0.05, 0.05])


def test_every_published_blend_is_a_corner() -> None:
    published = np.array([float(v) for v in SNEE_MARQUARDT.split()]).reshape(16, 8)
    corners = vertices(LOW, HIGH)
    assert published.sum(axis=1) == pytest.approx(np.ones(16))
    for blend in published:
        assert np.isclose(corners, blend, atol=1e-9).all(axis=1).sum() == 1
    holds("16 printed blends", "each one corner of ours, to 1e-9", len(published) == 16, SNEE)


QHULL = Source(
    "theory",
    "Qhull (by scipy) intersects the half-spaces of the same bounds: no code and no method in common",
    "worked out at every run",
)


@pytest.mark.parametrize(
    ("low", "high"),
    [
        ([0.1, 0.1, 0.0], [0.5, 0.7, 0.7]),
        ([0.0, 0.10, 0.05], [0.80, 0.95, 0.50]),  # "Polvoron" of mixexp's Xvert
        ([0.124, 0.064, 0.374, 0.374], [0.188, 0.128, 0.438, 0.438]),  # "page 465" of mixexp's Xvert
        ([0.2, 0.1, 0.0, 0.05], [0.6, 0.5, 0.3, 0.25]),
        ([0.0, 0.0, 0.0, 0.0, 0.0], [1.0, 1.0, 1.0, 1.0, 1.0]),
        (list(LOW), list(HIGH)),
    ],
)
def test_corners_agree_with_a_convex_hull_program(low: list[float], high: list[float]) -> None:
    a, b = np.array(low), np.array(high)
    size = len(a) - 1
    eye = np.eye(size)
    half = [
        np.column_stack([-eye, a[:-1]]),
        np.column_stack([eye, -b[:-1]]),
        [[*np.ones(size), a[-1] - 1], [*-np.ones(size), 1 - b[-1]]],
    ]
    inside = vertices(a, b).mean(axis=0)[:-1]
    found = HalfspaceIntersection(np.vstack(half), inside).intersections
    found = np.unique(np.round(found, 9), axis=0)
    ours = np.unique(np.round(vertices(a, b)[:, :-1], 9), axis=0)
    assert ours.shape == found.shape
    agrees(
        f"corners of {len(low)} bounded shares, the largest at most {max(high):g}",
        ours,
        found,
        QHULL,
        abs=1e-8,
    )


def test_edge_centres_of_a_whole_tetrahedron() -> None:
    scheffe_1963 = Source(
        "program",
        "pydoe, simplex_centroid_design (Scheffé, 1963): edges are the halves",
        "worked out at every run",
    )
    corners = np.eye(4)
    centroid = pydoe.simplex_centroid_design(4)
    wanted = centroid[np.isclose(centroid.max(axis=1), 1 / 2)]
    got = edge_centres(corners, np.zeros(4), np.ones(4))
    printed = sorted(map(tuple, np.round(wanted, 9)))
    what = "centres of 1-dimensional faces of a tetrahedron"
    same(what, sorted(map(tuple, np.round(got, 9))), printed, scheffe_1963, f"{len(printed)} points")


def test_simplex_lattice_and_centroid() -> None:
    counts = Source(
        "theory",
        "a {q, m} lattice has (q + m - 1)! / (m! (q - 1)!) points, a simplex centroid 2^q - 1",
        "combinatorics; NIST/SEMATECH e-Handbook, 5.5.4.2 and 5.5.4.3, from memory, not seen",
    )
    shares = [Range("oil", 2, 12), Range("alcohol", 3, 12), Range("emulsifier", 1, 12)]
    plan = mixture_plan(shares, 1, total=12)
    same("points of the {3, 2} lattice, with three centres", len(plan.runs), 6 + 3, counts)
    assert plan.runs["oil"].agg(["min", "max"]).tolist() == [2, 2 + 6]
    plan = mixture_plan(shares, 1, total=12, centre_points=1, repeats=2)
    same("points of the centroid of three, twice, with one centre", len(plan.runs), 2 * 6 + 1, counts)


R_LM = Source(
    "program",
    "R 4.2.2 Patched (2022-11-10 r83330), package stats: comparisons within days",
    "run for this check",
    how=(
        "m <- lm(y ~ day + level)   # y is noise, and does not matter\n"
        'mean(diag(summary(m)$cov.unscaled)[c("l1", "l2", "l3")]); m$df.residual'
    ),
)


def test_incomplete_blocks_find_the_balanced_arrangement() -> None:
    # three levels and a control in six days of three: the balanced blocks above, and R's 9 degrees of freedom
    factor = Category("colour", ("none", "a", "b", "c"), "none")
    plan = compare([factor], 3, days=6, per_day=3)
    days, levels = (pd.get_dummies(plan.runs[name]).astype(float) for name in ("day", "colour"))
    joint = np.hstack([levels.drop(columns="none"), days])
    variance = np.linalg.inv(joint.T @ joint).diagonal()[:3].mean()
    agrees("variance of a comparison, six days of three", variance, 0.45, R_LM, abs=1e-9)
    same("residual degrees of freedom, six days of three", plan.error_df["runs"], 9, R_LM)
    every = Source(
        "theory", "every choice of six blocks out of the multisets of three", "all tried at every run"
    )
    agrees(
        "variance of the plan found, six days of three of four levels",
        variance,
        brute_force(4, 6, 3),
        every,
        abs=1e-9,
    )


def brute_force(levels: int, days: int, per_day: int) -> float:
    from itertools import combinations_with_replacement

    blocks = list(combinations_with_replacement(range(levels), per_day))
    counts = np.array([np.bincount(block, minlength=levels) for block in blocks], float)
    single = np.array([np.diag(c) - np.outer(c, c) / per_day for c in counts])[:, 1:, 1:]
    chosen = np.array(list(combinations_with_replacement(range(len(blocks)), days)))
    best = np.inf
    for part in np.array_split(chosen, 20):
        total = single[part].sum(axis=1)
        usable = np.linalg.det(total) > 1e-9
        traces = np.trace(np.linalg.inv(total[usable]), axis1=1, axis2=2)
        best = min(best, float(traces.min()))
    return best / (levels - 1)


NEUHAEUSER = Source(
    "publication",
    "M. Neuhaeuser, M. M. Mackowiak, G. D. Ruxton, Ethology 127 (2021), doi 10.1111/eth.13230: n0 = sqrt(k) "
    "n",
    "there",
)


@pytest.mark.parametrize(("others", "times"), [(4, 2), (9, 3)])
def test_square_root_rule(others: int, times: int) -> None:
    levels = tuple(f"l{i}" for i in range(others + 1))
    plan = compare([Category("colour", levels, "l0")], 1, days=3, per_day=others + times)
    counts = plan.runs["colour"].value_counts()
    assert set(counts.drop("l0")) == {3}
    same(
        f"batches of the control, {others} others three times each", int(counts["l0"]), times * 3, NEUHAEUSER
    )
    # mean variance 1/n0 + 1/n with n0 + k n fixed: of every n0, none is better
    least = Source(
        "theory", "mean variance of a comparison, 1/n0 + 1/n with n0 + k n fixed", "every n0 tried"
    )
    shares = {n0: 1 / n0 + others / (len(plan.runs) - n0) for n0 in range(1, len(plan.runs))}
    best = min(shares, key=lambda n0: shares[n0])
    same(f"batches of the control of {len(plan.runs)}, {others} others", int(counts["l0"]), best, least)


def test_strata_of_a_split_plot() -> None:
    strata = Source(
        "program",
        "R 4.2.2: six days of three, air by day",
        "run for this check",
        how=(
            "summary(aov(y ~ air * colour + Error(day)))   # 6 days, air by day, 3 colours in each:\n"
            "Residuals 4 in stratum day and 8 in stratum Within"
        ),
    )
    air = Category("air", ("plain", "dry"), "plain")
    colour = Category("colour", ("mica", "dye", "lake"), "mica")
    found = split_plot([air, colour], 1, hard_to_change=["air"], days=6, per_day=3).error_df
    same("residual degrees of freedom of the strata", found, {"days": 4, "runs": 8}, strata)
    strata_ab = Source(
        "program",
        "R 4.2.2: eight days of four, two factors by day",
        "run for this check",
        how="summary(aov(y ~ (a + b + p + q)^2 + Error(day)))   # 8 days of 4, a and b by day: 4 and 17",
    )
    a, b, p, q = (Range(name, 1, 2) for name in "abpq")
    found = split_plot([a, b, p, q], 1, hard_to_change=["a", "b"], days=8, per_day=4).error_df
    same("residual degrees of freedom of the strata", found, {"days": 4, "runs": 17}, strata_ab)


def test_a_day_that_holds_every_combination_gets_every_combination() -> None:
    whole = Source(
        "theory", "with room for all, whole replicates of the batch factors are the best", "orthogonality"
    )
    a, p, q = (Range(name, 1, 2) for name in "apq")
    plan = split_plot([a, p, q], 1, hard_to_change=["a"], days=4, per_day=4)
    for _, day in plan.runs.groupby("day"):
        assert sorted(zip(day["p"], day["q"], strict=True)) == sorted(product([1.0, 2.0], repeat=2))
    inner = plan.runs[["p", "q"]].groupby(plan.runs["day"]).mean().drop_duplicates()
    same("day means of a split plot with every combination a day", len(inner), 1, whole)
