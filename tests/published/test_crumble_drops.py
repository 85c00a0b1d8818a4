"""The probit of drops, with a batch effect and with Jeffreys' penalty, against R."""

from __future__ import annotations

import numpy as np
import pandas as pd
from outside import Source, agrees

from fizzlab.models.drops import _Likelihood, fit_drop_height, is_separated

# Data set endometrial of the R package brglm2, analysed by Heinze and Schemper (2002).
# NV never occurs without HG, so plain maximum likelihood has no finite answer.
NV = np.zeros(79)
NV[[*range(21, 26), 47, 48, 49, 50, 70, 74, 75, 77]] = 1
PI = [
    13, 16, 8, 34, 20, 5, 17, 10, 26, 17, 8, 7, 20, 10, 18, 16, 18, 8, 29, 12, 20, 38,
    22, 7, 25, 15, 7, 28, 11, 19, 10, 10, 18, 14, 21, 11, 17, 25, 16, 19, 15, 33, 24, 48,
    12, 19, 2, 22, 40, 5, 0, 21, 15, 29, 15, 12, 3, 20, 23, 12, 22, 42, 15, 13, 14, 19,
    12, 13, 10, 12, 49, 6, 5, 17, 11, 21, 5, 19, 33,
]  # fmt: skip
EH = [
    1.64, 2.26, 3.14, 2.68, 1.28, 2.31, 1.8, 1.68, 1.56, 2.31, 2.01, 1.89, 3.15, 1.23, 1.27, 1.76,
    2, 2.64, 0.88, 1.27, 1.37, 0.97, 1.14, 0.88, 0.91, 0.58, 0.97, 1.5, 1.33, 2.37, 1.82, 3.13,
    1.31, 1.92, 1.64, 2.01, 1.88, 1.93, 2.11, 1.29, 1.72, 0.75, 1.92, 1.84, 1.11, 1.61, 1.18, 1.44,
    1.18, 0.93, 1.17, 1.19, 1.06, 2.02, 2.29, 2.33, 2.9, 1.7, 1.41, 2.25, 1.54, 1.97, 1.75, 2.16,
    2.57, 1.37, 3.61, 2.04, 2.17, 1.69, 0.27, 1.84, 1.3, 0.96, 1.01, 0.98, 0.35, 1.02, 0.85,
]  # fmt: skip
HG = np.zeros(79)
HG[[*range(17, 27), *range(43, 53), *range(69, 79)]] = 1
ENDOMETRIAL = np.column_stack([np.ones(79), NV, PI, EH])


def each_alone(matrix: np.ndarray, outcome: np.ndarray, penalised: bool) -> np.ndarray:
    """Probit coefficients where every row is a batch of its own, so that what batches share plays no part."""
    alone = pd.Series(range(len(outcome)))
    likelihood = _Likelihood.of_drops(matrix, outcome.astype(bool), alone, penalised)
    return likelihood.maximum(likelihood.matrix).free


def test_penalised_fit_where_likelihood_has_no_maximum() -> None:
    brglm2 = Source(
        "program",
        "R 4.2.2, brglm2 0.9: brglm2's endometrial (Heinze and Schemper, 2002)",
        "run for this check",
        how="tests/published/r/drops.R",
    )
    assert is_separated(ENDOMETRIAL, HG.astype(bool))
    found = each_alone(ENDOMETRIAL, HG, penalised=True)
    from_r = (1.958256003, 1.742582813, -0.015737458, -1.404891466)
    agrees("penalised probit coefficients", found, from_r, brglm2, abs=2e-6)


# Twelve batches of eight drops from 30, 45, 60, 90 cm, twice (made up; 1 = broke).
HEIGHTS = (30, 45, 60, 90, 30, 45, 60, 90)
BROKE = [
    "00110111", "00000001", "01110001", "00110011", "00110111", "00010001",
    "00000001", "00010001", "00110011", "00110011", "00110001", "00010001",
]  # fmt: skip


def test_batch_effect_against_a_generalised_mixed_model() -> None:
    lme4 = Source(
        "invented",
        "R 4.2.2, lme4 1.1.31: twelve made-up batches of eight drops",
        "run for this check",
        how="tests/published/r/drops.R",
    )
    rows = [
        (f"R{i:02d}", k, HEIGHTS[k], digit == "1")
        for i, row in enumerate(BROKE)
        for k, digit in enumerate(row)
    ]
    drops = pd.DataFrame(rows, columns=["run", "piece", "height_cm", "broke"])
    runs = pd.DataFrame({"run": [f"R{i:02d}" for i in range(12)], "colour": ["dye", "lake"] * 6})
    fit = fit_drop_height(drops, "colour", runs=runs, penalised=False)
    # lme4's coefficients hold within a batch, ours over batches: one is the other / sqrt(1 - batch share)
    within = np.sqrt(1 - fit.batch_share)
    agrees("height", fit.coefficients["height"] / within, 5.90815572, lme4, rel=1e-3)
    agrees("colour", fit.coefficients["colour[lake]"] / within, -1.19264113, lme4, rel=1e-3)
    agrees("intercept", fit.coefficients["intercept"] / within, -23.70149019, lme4, rel=1e-3)
    agrees("sd of batches", np.sqrt(fit.batch_share) / within, 1.07292133, lme4, rel=2e-3)
    agrees("log-likelihood", fit.loglik, -27.430573, lme4, abs=2e-6)
    # the same without colour: log likelihood -28.5472465
    without = fit_drop_height(drops, runs=runs, penalised=False)
    ratio = 2 * (fit.loglik - without.loglik)
    agrees("likelihood ratio of colour", ratio, 2 * (28.5472465 - 27.430573), lme4, abs=2e-5)


def test_without_batches_it_is_the_plain_probit_dose_response() -> None:
    mass = Source(
        "invented",
        "R 4.2.2, MASS 7.3.58.2: 120 made-up drops; glm stops at a relative change of 1e-8 in the deviance",
        "run for this check",
        how="tests/published/r/drops.R",
    )
    height = np.repeat([30.0, 45.0, 60.0, 90.0] * 3, 10)
    broke = np.concatenate([np.arange(10) < y for y in (0, 1, 6, 10, 1, 3, 7, 9, 0, 2, 5, 10)])
    alone = pd.DataFrame({"run": [str(i) for i in range(120)]})
    drops = pd.DataFrame({"run": alone["run"], "piece": 1, "height_cm": height, "broke": broke})
    plain = fit_drop_height(drops, runs=alone, penalised=False)
    found = [plain.coefficients["intercept"], plain.coefficients["height"]]
    agrees("intercept and slope", found, [-13.90110167, 3.46182328], mass, rel=1e-6)
    median = plain.predict()["estimate"][0]
    agrees("height at which half break, cm", median, 55.4534212, mass, rel=1e-6)
    brglm2 = Source(
        "invented",
        "R 4.2.2, brglm2 0.9: the same drops",
        "run for this check",
        how="tests/published/r/drops.R",
    )
    penalised = fit_drop_height(drops, runs=alone)
    agrees(
        "penalised intercept and slope",
        [penalised.coefficients["intercept"], penalised.coefficients["height"]],
        [-13.412628805, 3.339802135],
        brglm2,
        rel=1e-6,
    )
