"""The search for added batches against published optima: NIST e-Handbook, R package AlgDesign, theory."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pydoe
import pytest
from outside import Source, agrees, holds, same
from plan_criteria import efficiency

from fizzlab.design.exchange import choose
from fizzlab.design.factors import Range, grid
from fizzlab.design.mixture import scheffe
from fizzlab.design.model import model_matrix, model_terms
from fizzlab.models.terms import Category


def coded(names: str, low: float = -1, high: float = 1) -> list[Range]:
    return [Range(name, low, high, smallest=None) for name in names]


def candidates(factors: list[Range], model: str, steps: int) -> np.ndarray:
    terms = model_terms(factors, model)
    return model_matrix(grid(factors, steps), factors, terms)[0]


def raw_quadratic(table: pd.DataFrame) -> np.ndarray:
    """Uncoded columns 1, A, B, C, squares, products, as R's quad() makes them: D depends on the units."""
    a, b, c = (table[name].to_numpy(float) for name in "ABC")
    return np.column_stack([np.ones(len(a)), a, b, c, a * a, b * b, c * c, a * b, a * c, b * c])


HANDBOOK = Source("standard", 'NIST/SEMATECH e-Handbook, 5.5.2.1 "D-optimal designs" and table 5.2', "there")


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_the_handbook_example(seed: int) -> None:
    x1 = Range("x1", -1, 1, amounts=(-1, -0.5, 0, 0.5, 1), smallest=None)
    factors, model = [x1, *coded("yz")], ["x1", "y", "z", "x1^2"]
    settings = grid(factors)
    region, _ = model_matrix(settings, factors, model)
    rows = choose(region, 12, np.random.default_rng(seed))
    matrix = region[rows]
    got = efficiency(matrix, region)
    agrees(f"12 runs, five levels of X1: D (seed {seed})", got.d, 0.6825575, HANDBOOK, abs=5e-8)
    agrees(f"A (seed {seed})", 1 / got.a, 2.2, HANDBOOK, abs=5e-7)
    agrees(f"G (seed {seed})", got.g, 1, HANDBOOK, abs=1e-8)
    agrees(f"I (seed {seed})", 12 * got.average_variance, 4.6625, HANDBOOK, abs=5e-7)
    # the printed runs are one of several sets with the same information; all have X1 in thirds
    assert settings["x1"].iloc[rows].value_counts().to_dict() == {-1.0: 4, 0.0: 4, 1.0: 4}
    error = np.sqrt(np.diag(matrix @ np.linalg.inv(matrix.T @ matrix) @ matrix.T))
    agrees(f"standard errors of prediction (seed {seed})", error, np.full(12, 0.645497), HANDBOOK, abs=5e-7)


def test_three_amounts_in_fourteen_runs() -> None:
    help_list = Source(
        "publication",
        'R-help, 24 November 2011, "AlgDesign - $D $A $Ge $Dea"',
        "there; the AlgDesign vignette calls this central composite the optimal exact design",
        how="optFederov(~quad(A,B,C), gen.factorial(3,3), nT = 14, evaluateI = T, nR = 100)",
    )
    region = candidates(coded("ABC"), "quadratic", 3)
    rows = choose(region, 14, np.random.default_rng(4))
    got = efficiency(region[rows], region)
    agrees("quadratic, 14 runs of 27: D", got.d, 0.4630447, help_list, abs=5e-8)
    agrees("A", 1 / got.a, 3.22, help_list, abs=1e-6)
    agrees("I", 14 * got.average_variance, 9.945833, help_list, abs=5e-6)
    agrees("Ge", got.g, 0.893, help_list, abs=5e-4)


def test_why_the_search_of_pydoe_is_not_used() -> None:
    # the same 14 runs by pydoe: short of the published optimum, hence our own; when this fails, look again
    points, _ = pydoe.optimal_design(pydoe.generate_candidate_set(3, None, 3), 14, 2, "D", "fedorov")
    matrix = pydoe.build_design_matrix(points, 2)
    d = np.linalg.det(matrix.T @ matrix / 14) ** 0.1
    pydoe_d = Source(
        "program",
        'pydoe, optimal_design(..., 14, 2, "D", "fedorov"), which we do not use',
        "worked out at every run",
        live=True,
    )
    holds("D of its 14 runs", "falls short of the published 0.4630447", d < 0.4630447 - 1e-4, pydoe_d)


VIGNETTE = Source("publication", "vignette of R package AlgDesign 1.2.1.2 (R. E. Wheeler)", "there")


def test_fifteen_runs_on_five_levels() -> None:
    # vignette of R package AlgDesign 1.2.1.2 (R. E. Wheeler), "Response surface designs": gen.factorial(5, 3)
    # with levels -2 to 2, 15 trials. D criterion: D 3.675919, A 1.255597, I 8.848874, Ge 0.775
    cube = grid(coded("ABC", -2, 2), 5)
    region = raw_quadratic(cube)
    best_d = efficiency(region[choose(region, 15, np.random.default_rng(1))], region)
    agrees("15 runs of five levels: D", best_d.d, 3.675919, VIGNETTE, abs=5e-7)
    agrees("A", 1 / best_d.a, 1.255597, VIGNETTE, abs=5e-7)
    agrees("I", 15 * best_d.average_variance, 8.848874, VIGNETTE, abs=5e-6)


def test_three_runs_made_before() -> None:
    # same vignette, "Design augmentation": three given trials, 12 added, D = 3.40889; ours as well or better
    # (the vignette's listing prints X2 of the first trial as -0.5, its code and its design have -0.05)
    made = pd.DataFrame({"A": [0.5, -0.5, -1.0], "B": [-0.05, 0.5, -1.0], "C": [1.5, -0.5, 0.5]})
    first = [[-2, -2, -2], [1, -2, -2], [2, 0, -2], [-2, 2, -2], [0, 2, -2], [2, 2, -2]]
    last = [[2, -2, 0], [2, 2, 0], [-2, -2, 2], [2, -2, 2], [-2, 2, 2], [2, 2, 2]]
    theirs = pd.DataFrame(first + last, columns=list("ABC"))
    cube = grid(coded("ABC", -2, 2), 5)
    region = np.vstack([raw_quadratic(made), raw_quadratic(cube)])
    fixed = raw_quadratic(made)
    agrees(
        "three given runs and the printed twelve: D",
        efficiency(np.vstack([fixed, raw_quadratic(theirs)]), region).d,
        3.40889,
        VIGNETTE,
        abs=5e-6,
    )
    rows = choose(region, 12, np.random.default_rng(1), made=fixed)
    d = efficiency(np.vstack([fixed, region[rows]]), region).d
    holds("three given runs and our twelve: D", "at least 3.40889", d >= 3.40889, VIGNETTE, f"{d:.5f}")


def test_eight_blends_of_a_lattice() -> None:
    # same vignette, "Mixture designs": expand.mixture(4, 3), quadratic blending, 8 trials: D 0.03623366,
    # A 98.34085, Ge 0.62
    blends = pydoe.simplex_lattice_design(3, 3)
    region, _ = scheffe(blends, "abc", 2)
    got = efficiency(region[choose(region, 8, np.random.default_rng(2))], region)
    agrees("eight blends: D", got.d, 0.03623366, VIGNETTE, abs=5e-9)
    agrees("A", 1 / got.a, 98.34085, VIGNETTE, abs=5e-3)
    agrees("Ge", got.g, 0.62, VIGNETTE, abs=5e-3)


def test_seven_factors_with_joint_effects_in_34_runs() -> None:
    # same vignette, "Two level designs": gen.factorial(2, 7), ~.^2, 34 trials: D 0.9223281 of 100 starts
    region = candidates(coded("ABCDEFG"), "interactions", 2)
    rows = choose(region, 34, np.random.default_rng(2), starts=25)
    d = efficiency(region[rows], region).d
    holds(
        "joint effects of seven factors in 34 runs: D",
        "at least 0.9223281",
        d >= 0.9223281 - 5e-8,
        VIGNETTE,
        f"{d:.7f}",
    )


def test_a_third_of_a_cube_of_three_levels_and_twelve_runs_of_eleven_factors() -> None:
    # same vignette: nine of the 27 (a regular third) and twelve runs for eleven two-level factors are
    # orthogonal, marked by Ge = 1
    levels = [Category(name, ("1", "2", "3"), "1") for name in "abc"]
    terms = model_terms(levels, "main")
    region, _ = model_matrix(grid(levels), levels, terms)
    got = efficiency(region[choose(region, 9, np.random.default_rng(1))], region)
    same("nine of 27, three factors of three levels: D, Ge", (got.d, got.g), (1.0, 1.0), VIGNETTE)
    many = candidates(coded("abcdefghijk"), "main", 2)
    got = efficiency(many[choose(many, 12, np.random.default_rng(1), starts=10)], many)
    same("eleven factors in twelve runs: D, Ge", (got.d, got.g), (1.0, 1.0), VIGNETTE)


MEASURE = Source(
    "theory",
    "Kiefer-Wolfowitz equivalence: the D-optimal measure for a parabola on [-1, 1] puts a third at -1, 0 and "
    "1",
    "Atkinson and Donev (1992), from memory, not seen; g = 1 exactly is the check",
)


@pytest.mark.parametrize("runs", [6, 9, 12])
def test_a_bend_in_one_amount(runs: int) -> None:
    x = Range("x", -1, 1, amounts=tuple(np.linspace(-1, 1, 21).round(9)), smallest=None)
    settings = grid([x])
    region, _ = model_matrix(settings, [x], ["x", "x^2"])
    rows = choose(region, runs, np.random.default_rng(1))
    got = efficiency(region[rows], region)
    assert settings["x"].iloc[rows].round(9).value_counts().to_dict() == {
        -1.0: runs // 3,
        0.0: runs // 3,
        1.0: runs // 3,
    }
    agrees(f"{runs} runs: G", got.g, 1, MEASURE, abs=1e-8)
    agrees(f"{runs} runs: D", got.d, (4 / 27) ** (1 / 3), MEASURE, abs=1e-8)


HADAMARD = Source(
    "theory", "Hadamard: |X'X/n| of columns of ±1 is at most 1, reached by orthogonal columns", "a theorem"
)


@pytest.mark.parametrize("number", [2, 3, 4])
def test_two_level_factorials_are_the_best_for_joint_effects(number: int) -> None:
    region = candidates(coded("abcd"[:number]), "interactions", 2)
    rows = choose(region, 2 ** (number + 1), np.random.default_rng(1))
    agrees(f"joint effects of {number} factors: D", efficiency(region[rows]).d, 1, HADAMARD, abs=1e-9)


def test_nine_runs_of_two_amounts() -> None:
    factorial = Source(
        "theory",
        "the 3² factorial, det(X'X) = 5184: no exchange of one run betters it",
        "every exchange tried at every run",
    )
    region = candidates(coded("ab"), "quadratic", 3)
    rows = choose(region, 9, np.random.default_rng(1))
    agrees(
        "determinant of nine runs", np.linalg.det(region[rows].T @ region[rows]), 5184, factorial, rel=1e-9
    )
    for out in range(9):
        for back in range(9):
            other = np.array([*np.delete(np.arange(9), out), back])
            assert np.linalg.det(region[other].T @ region[other]) <= 5184 * (1 + 1e-9)
