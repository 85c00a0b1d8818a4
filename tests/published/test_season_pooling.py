"""Pooling over trials against R metafor and statsmodels, on public data."""

from __future__ import annotations

import numpy as np
import pytest
from outside import Source, agrees, same
from scipy import optimize, stats
from statsmodels.stats.meta_analysis import combine_effects

from fizzlab.models.pooling import TrialLine, pool, pool_effects, pool_trials
from fizzlab.models.result import Effect
from fizzlab.models.terms import Category

# Thirteen trials of BCG vaccine (G. A. Colditz et al., JAMA 271 (1994) 698-702), log relative risks as
# R 4.2.2, metafor 3.8.1 has them (tests/published/r/season.R)
YI = [-0.8893113339, -1.5853886572, -1.3480731483, -1.4415511900, -0.2175473222, -0.7861155858, -1.6208982236]
YI += [0.0119523335, -0.4694176487, -1.3713448035, -0.3393588283, 0.4459134006, -0.0173139482]
VI = [0.3255847650, 0.1945811214, 0.4153679654, 0.0200100319, 0.0512101722, 0.0069056185, 0.2230172476]
VI += [0.0039615793, 0.0564342105, 0.0730247936, 0.0124122140, 0.5325058452, 0.0714046597]
SE = np.sqrt(VI)


def test_bcg_hartung_knapp() -> None:
    knha = Source(
        "program",
        "R 4.2.2, metafor 3.8.1: thirteen trials of BCG vaccine, metafor's dat.bcg (Colditz and others, JAMA "
        "271, 1994, 698-702), Hartung-Knapp",
        "run for this check",
        how="tests/published/r/season.R",
    )
    found = pool(YI, SE)
    agrees(
        "estimate, ends, tau², I²",
        [found.estimate, found.conf_low, found.conf_high, found.tau**2, found.i2],
        [-0.71453234, -1.10844371, -0.32062097, 0.31324326, 0.9222138452],
        knha,
        abs=2e-6,
    )
    same("degrees of freedom of t", found.df, 12, knha)
    q_profile = Source(
        "program",
        "R 4.2.2, metafor 3.8.1: thirteen trials of BCG vaccine, metafor's dat.bcg (Colditz and others, "
        'JAMA 271, 1994, 698-702), test = "z"',
        "run for this check",
        how="tests/published/r/season.R",
    )
    agrees(
        "95 % interval of tau", [found.tau_low, found.tau_high], [0.34600341, 1.05426708], q_profile, abs=1e-7
    )


def test_four_trials_guarded() -> None:
    adhoc = Source(
        "program",
        "R 4.2.2, metafor 3.8.1: thirteen trials of BCG vaccine, metafor's dat.bcg (Colditz and others, JAMA "
        "271, 1994, 698-702), four of them",
        "run for this check",
        how="tests/published/r/season.R",
    )
    four = [1, 3, 7, 11]
    found = pool(np.array(YI)[four], SE[four])
    agrees(
        "estimate, ends, tau², I²",
        [found.estimate, found.conf_low, found.conf_high, found.tau**2, found.i2],
        [-0.71158951, -2.27997668, 0.85679766, 0.80055355, 0.9621725156],
        adhoc,
        abs=2e-6,
    )


def test_trials_more_alike_than_chance() -> None:
    alike = Source(
        "invented",
        "R 4.2.2, metafor 3.8.1: four made-up trials more alike than chance",
        "run for this check",
        how="tests/published/r/season.R",
    )
    y, se = [2.00, 2.02, 1.99, 2.01], np.sqrt([0.01, 0.02, 0.015, 0.01])
    found = pool(y, se)
    agrees("guarded: ends", [found.conf_low, found.conf_high], [1.82537248, 2.18304857], alike, abs=1e-7)
    same("tau and its ends", (found.tau, found.tau_low, found.tau_high), (0.0, 0.0, 0.0), alike)


BERKEY_R = Source(
    "program",
    "R 4.2.2, metafor 3.8.1: five trials of two treatments of gum disease, metadat's dat.berkey1998 (Berkey "
    "and "
    "others, Statist. Med. 17, 1998, 2537-2550)",
    "run for this check",
    how="tests/published/r/season.R",
)
BERKEY = [
    ("Pihlstrom", 0.47, -0.32, 0.0075, 0.0030, 0.0077),
    ("Lindhe", 0.20, -0.60, 0.0057, 0.0009, 0.0008),
    ("Knowles", 0.40, -0.12, 0.0021, 0.0007, 0.0014),
    ("Ramfjord", 0.26, -0.31, 0.0029, 0.0009, 0.0015),
    ("Becker", 0.56, -0.39, 0.0148, 0.0072, 0.0304),
]


def line(name: str, level: float, slope: float, a: float, ab: float, b: float) -> TrialLine:
    return TrialLine(name, level, slope, 1.0, np.array([[a, ab], [ab, b]]), (0.5, 2.0), 0.2, 6)


def test_two_numbers_a_trial() -> None:
    season = pool_trials([line(*row) for row in BERKEY], at=1.0)
    agrees(
        "level and slope",
        season.coefficients["estimate"].tolist(),
        [0.3613388475, -0.3529477866],
        BERKEY_R,
        abs=2e-6,
    )
    agrees(
        "their variances between trials",
        (season.coefficients["tau"] ** 2).tolist(),
        [0.01158825771, 0.03222858296],
        BERKEY_R,
        abs=1e-6,
    )
    plain = [[0.003436881082, 0.0003506079079], [0.0003506079079, 0.007633743082]]
    # ours is guarded: the plain one times max(1, r'V^-1r / 8), one factor for all
    factor = season.covariance[0, 0] / plain[0][0]
    tau2, beta = np.array([0.01158825771, 0.03222858296]), np.array([0.3613388475, -0.3529477866])
    misfit = 0.0
    for _, level, slope, a, ab, b in BERKEY:
        rest = np.array([level, slope]) - beta
        misfit += rest @ np.linalg.solve(np.array([[a, ab], [ab, b]]) + np.diag(tau2), rest)
    guard = Source(
        "theory",
        "the guard: max(1, r'V⁻¹r / 8), from R's values for the five trials",
        "worked out at every run",
        live=True,
    )
    agrees("guard of the covariance", factor, max(1.0, misfit / 8), guard, rel=1e-4)
    agrees("covariance, but for the guard", season.covariance / factor, np.array(plain), BERKEY_R, abs=1e-6)


LINES = Source(
    "invented",
    "R 4.2.2, metafor 3.8.1: made-up lines with two trials of one air",
    "run for this check",
    how="tests/published/r/season.R",
)


@pytest.mark.parametrize(
    ("pairs", "tau2", "beta", "covariance"),
    [
        (
            [(2.30, -0.20), (2.45, -0.90), (2.22, -1.20), (2.61, -0.35)],
            [0.01473753, 0.14720387],
            [2.42052834, -0.67302443],
            [0.00475869, -0.00018102, 0.03778953],
        ),
        (
            [(2.30, -0.62), (2.45, -0.48), (2.22, -0.80), (2.61, -0.55)],
            [0.01190787, 0.0],
            [2.43393326, -0.64960921],
            [0.00376680, -0.00000950, 0.00764608],
        ),
    ],
)
def test_lines_with_trials_of_one_air(
    pairs: list[tuple[float, float]], tau2: list[float], beta: list[float], covariance: list[float]
) -> None:
    own = [(0.010, 0.004, 0.03), (0.008, -0.006, 0.05), (0.012, 0.002, 0.02), (0.006, 0.001, 0.06)]
    lines = [line(f"T{i}", *pair, *s) for i, (pair, s) in enumerate(zip(pairs, own, strict=True))]
    lines += [
        TrialLine("E", 2.2, None, float(np.exp(0.4)), np.array([[0.015]]), (1.4, 1.6), 0.2, 6),
        TrialLine("F", 2.7, None, float(np.exp(-0.3)), np.array([[0.020]]), (0.7, 0.8), 0.2, 6),
    ]
    season = pool_trials(lines, at=1.0)
    agrees(
        f"variances between trials of lines with tau² {tau2[0]}, {tau2[1]}",
        (season.coefficients["tau"] ** 2).tolist(),
        tau2,
        LINES,
        abs=2e-6,
    )
    agrees(
        f"level and slope, tau² {tau2[0]}, {tau2[1]}",
        season.coefficients["estimate"].tolist(),
        beta,
        LINES,
        abs=5e-6,
    )
    factor = season.covariance[0, 0] / covariance[0]
    assert factor >= 1 - 1e-5
    seen = season.covariance[[0, 0, 1], [0, 1, 1]] / factor
    agrees(
        f"covariance but for the guard, tau² {tau2[0]}, {tau2[1]}",
        seen,
        np.array(covariance),
        LINES,
        abs=2e-6,
    )


def effects(y: list[float], se: list[float], df: float) -> dict[str, Effect]:
    """Comparisons of some trials, as ratios, from their logarithms."""
    term = Category("colour", ("dye", "lake"), "dye")
    reach = stats.t.ppf(0.975, df) * np.asarray(se)
    ends = np.exp(np.column_stack([y, y - reach, y + reach]))
    return {
        f"T{i}": Effect("fizz_s", term, "lake", "dye", "ratio", *row, df, 0.5, n_batches=6)
        for i, row in enumerate(ends.tolist())
    }


def test_average_of_two_trials() -> None:
    two = [1, 3]
    found = pool_effects(effects([YI[i] for i in two], list(SE[two]), 1e12))
    common = Source(
        "program",
        "R 4.2.2, metafor 3.8.1: thirteen trials of BCG vaccine, metafor's dat.bcg (Colditz and others, JAMA "
        '271, 1994, 698-702), two of them, method = "FE"',
        "run for this check",
        how="tests/published/r/season.R",
    )
    ends = np.log([found.effect.estimate, found.effect.conf_low, found.effect.conf_high])
    agrees(
        "average of two trials whose errors are known, ends",
        ends,
        [-1.4549636363, -1.7189712341, -1.1909560384],
        common,
        abs=1e-8,
    )
    agrees("p of their differing", found.p_differ, 0.7561783048, common, abs=1e-8)
    combined = Source(
        "program", "statsmodels: combine_effects, fixed effect", "worked out at every run", live=True
    )
    theirs = combine_effects(np.array(YI)[two], np.array(VI)[two]).mean_effect_fe
    agrees("average of two trials", ends[0], theirs, combined, abs=1e-10)


def test_whether_trials_differ_counts_how_few_batches_each_had() -> None:
    welch = Source(
        "program",
        "R 4.2.2: PlantGrowth (A. J. Dobson, 1983), oneway.test and t.test of its groups' means",
        "run for this check",
        how="tests/published/r/season.R",
    )
    means, errors = [5.032, 4.661, 5.526], [0.184389683973, 0.250982292425, 0.139953960684]
    agrees(
        "p of three groups alike",
        pool_effects(effects(means, errors, 9)).p_differ,
        0.0173928215,
        welch,
        abs=1e-9,
    )
    chance = optimize.bisect(
        lambda p: 0.5 - (pool(means, errors, 1 - 2 * p, 9).tau_low > 0), 0.01, 0.03, xtol=1e-7
    )
    agrees("chance at which the interval of tau just leaves out none", chance, 0.0173928215, welch, abs=2e-7)
    two = pool_effects(effects(means[1:], errors[1:], 9))
    agrees("p of two groups alike", two.p_differ, 0.0092984047, welch, abs=1e-9)
