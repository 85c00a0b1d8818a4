"""Mixtures, blocks, Latin squares and split plots against published blends, R and published rules."""

from __future__ import annotations

from itertools import product

import numpy as np
import pydoe
import pytest
from scipy.spatial import HalfspaceIntersection

from fizzlab.design import (
    Share,
    compare_levels,
    contrast_variance,
    face_centres,
    latin_square,
    mixture_plan,
    shuffled_square,
    split_plot,
    vertices,
)
from fizzlab.design.factors import Range
from fizzlab.terms import Category

# R. D. Snee, D. W. Marquardt, Technometrics 18 (1976) 19-29: 16 corners of eight bounded ingredients, as
# kept in data set SneeMq of R package mixexp 1.2.7.1 (CRAN), blends 1 to 16.
# Bounds from the documentation of mixexp's Xvert, but for x4, whose upper bound is misprinted there
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
    # Qhull (by scipy) intersects the half-spaces of the same bounds: no code and no method in common
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
    assert ours == pytest.approx(found, abs=1e-8)


def test_face_centres_of_a_whole_tetrahedron() -> None:
    # simplex-centroid design (Scheffe 1963): edges are the halves, faces the thirds; by pydoe
    corners = np.eye(4)
    centroid = pydoe.simplex_centroid_design(4)
    for size, parts in ((1, 2), (2, 3)):
        wanted = centroid[np.isclose(centroid.max(axis=1), 1 / parts)]
        got = face_centres(corners, np.zeros(4), np.ones(4), size)
        assert sorted(map(tuple, np.round(got, 9))) == sorted(map(tuple, np.round(wanted, 9)))


def test_simplex_lattice_and_centroid() -> None:
    # NIST/SEMATECH e-Handbook, 5.5.4.2: a {q, m} lattice has (q + m - 1)! / (m! (q - 1)!) points;
    # 5.5.4.3: a simplex centroid has 2^q - 1 (both from memory, not seen); lower bounds squeeze the triangle
    shares = [Share("oil", 2, 12), Share("alcohol", 3, 12), Share("emulsifier", 1, 12)]
    plan = mixture_plan(shares, 12, seed=1, points="lattice", degree=2, centre=3)
    assert len(plan.runs) == 6 + 3
    assert plan.runs["oil"].agg(["min", "max"]).tolist() == [2, 2 + 6]
    plan = mixture_plan(shares, 12, seed=1, points="centroid", centre=1, repeats=2)
    assert len(plan.runs) == 2 * 6 + 1


# R version 4.2.2 Patched (2022-11-10 r83330), base package stats; m <- lm(y ~ day + level);
# mean(diag(summary(m)$cov.unscaled)[c("l1", "l2", "l3")]); m$df.residual (y is noise, and does not matter)
@pytest.mark.parametrize(
    ("blocks", "variance"),
    [
        ([[0, 1, 2], [0, 1, 3], [0, 2, 3], [0, 1, 2], [0, 3, 1], [0, 2, 3]], 0.45),
        ([[0, 1], [0, 2], [0, 3], [1, 2], [1, 3], [2, 3]], 1.0),
    ],
)
def test_variance_of_comparisons_within_days(blocks: list[list[int]], variance: float) -> None:
    assert contrast_variance(np.array(blocks), 4) == pytest.approx(variance, abs=1e-9)


def test_incomplete_blocks_find_the_balanced_arrangement() -> None:
    # three levels and a control in six days of three: the balanced blocks above, and R's 9 degrees of freedom
    factor = Category("colour", ("none", "a", "b", "c"), "none")
    plan = compare_levels(factor, days=6, per_day=3, seed=3)
    index = plan.runs["colour"].map({"none": 0, "a": 1, "b": 2, "c": 3}).to_numpy().reshape(6, 3)
    assert contrast_variance(index, 4) <= 0.45 + 1e-9
    assert plan.error_df == {"runs": 9}
    # and by brute force nothing is better: every choice of six blocks out of the multisets of three
    assert contrast_variance(index, 4) == pytest.approx(brute_force(4, 6, 3), abs=1e-9)


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


@pytest.mark.parametrize(("others", "times"), [(4, 2), (9, 3)])
def test_square_root_rule(others: int, times: int) -> None:
    # M. Neuhaeuser, M. M. Mackowiak, G. D. Ruxton, Ethology 127 (2021), doi 10.1111/eth.13230: n0 = sqrt(k) n
    levels = tuple(f"l{i}" for i in range(others + 1))
    plan = compare_levels(Category("colour", levels, "l0"), days=3, per_day=others + times, seed=1)
    counts = plan.runs["colour"].value_counts()
    assert counts["l0"] == times * 3
    assert set(counts.drop("l0")) == {3}


@pytest.mark.parametrize("others", [4, 9])
def test_the_best_share_of_the_control_is_the_square_root(others: int) -> None:
    # mean variance 1/n0 + 1/n with n0 + k n fixed is least at n0 = sqrt(k) n: no other share is better
    root = round(np.sqrt(others))
    total = 12 * (root + others)
    shares = {n0: 1 / n0 + others / (total - n0) for n0 in range(1, total)}
    assert min(shares, key=lambda n0: shares[n0]) == 12 * root


@pytest.mark.parametrize(("size", "squares", "error"), [(4, 1, 6), (4, 2, 18), (3, 1, 2), (5, 1, 12)])
def test_spare_batches_of_latin_squares(size: int, squares: int, error: int) -> None:
    # (k - 1)(k - 2) for one square; R 4.2.2: lm(y ~ r + c + t)$df.residual = 6 for one 4 x 4 square and 18
    # for two with rows of their own and the same columns
    levels = tuple("abcdefgh"[:size])
    assert latin_square(Category("binder", levels, "a"), seed=2, squares=squares).error_df == {"runs": error}


@pytest.mark.parametrize("seed", range(5))
def test_squares_are_latin(seed: int) -> None:
    # NIST/SEMATECH e-Handbook, 5.3.3.2.1: "each row and each column receive each treatment exactly once"
    for size in range(2, 9):
        square = shuffled_square(size, np.random.default_rng(seed))
        assert (np.sort(square, axis=0) == np.arange(size)[:, None]).all()
        assert (np.sort(square, axis=1) == np.arange(size)).all()


def test_strata_of_a_split_plot() -> None:
    # R 4.2.2: summary(aov(y ~ air * colour + Error(day))), 6 days, air by day, 3 colours in each:
    # Residuals 4 in stratum day and 8 in stratum Within
    air = Category("air", ("plain", "dry"), "plain")
    colour = Category("colour", ("mica", "dye", "lake"), "mica")
    assert split_plot([air], [colour], 6, 3, seed=1).error_df == {"days": 4, "runs": 8}
    # R 4.2.2: summary(aov(y ~ (a + b + p + q)^2 + Error(day))), 8 days of 4, a and b by day: 4 and 17
    a, b, p, q = (Range(name, 1, 2) for name in "abpq")
    assert split_plot([a, b], [p, q], 8, 4, seed=1).error_df == {"days": 4, "runs": 17}


def test_a_day_that_holds_every_combination_gets_every_combination() -> None:
    # the textbook split plot: with room for all, whole replicates of the batch factors are the best choice
    a, p, q = (Range(name, 1, 2) for name in "apq")
    plan = split_plot([a], [p, q], 4, 4, seed=1)
    for _, day in plan.runs.groupby("day"):
        assert sorted(zip(day["p"], day["q"], strict=True)) == sorted(product([1.0, 2.0], repeat=2))
    assert plan.day_efficiency == 1.0
