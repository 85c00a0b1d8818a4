"""Firth's regression, its profile intervals and the probit with a batch effect against R."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from outside import Source, agrees
from scipy import stats

from fizzlab.models.crumble import drop_heights
from fizzlab.models.crumble.batchprobit import BatchProbitProblem
from fizzlab.models.crumble.binary import Link, fit_binary, hold, is_separated, profile_interval
from fizzlab.models.terms import Category

# Data set sexagg of the R package logistf (public, on CRAN): urinary tract infection and condom use, from
# Foxman et al. (1997). Columns case, age, oc, vic, vicl, vis, dia, and how many women.
SEX = """
0000010 1|0001000 2|0001010 1|0001100 8|0001110 18|0010000 42|0010010 1|0011000 1|0011100 5|0011110 6|
0101100 2|0101110 4|0110000 14|0110010 1|0111000 1|0111110 2|1000010 1|1001000 14|1001010 3|1001100 10|
1001110 12|1001111 1|1010000 44|1010001 3|1011000 15|1011001 1|1011010 2|1011100 7|1011110 3|1101000 2|
1101010 1|1101011 1|1101100 1|1101111 1|1110000 5|1111000 3
"""
SEX_NAMES = ["intercept", "age", "oc", "vic", "vicl", "vis", "dia"]

LOGISTF = Source(
    "program",
    "R 4.2.2, logistf 1.26.1: urinary tract infection and condom use, logistf's sexagg (Foxman et al., 1997)",
    "run for this check, with tight limits (lconv, gconv, xconv 1e-10; profile 1e-9); the first two decimals "
    "stand as well in the snapshot test of the R package parameters",
    how="logistf(case ~ age + oc + vic + vicl + vis + dia, data = sex2)   # coef, ci.lower, ci.upper, loglik",
)
SEX_R = {
    "intercept": (0.1202540491, -0.818559106, 1.0731512160),
    "age": (-1.1059813314, -1.973788383, -0.3074251416),
    "oc": (-0.0688167271, -0.941436330, 0.7892020213),
    "vic": (2.2688746522, 1.273021571, 3.4354327309),
    "vicl": (-2.1114081853, -3.260861118, -1.1177349470),
    "vis": (-0.7883169514, -1.608087890, 0.0151846791),
    "dia": (3.0960118273, 0.774568169, 8.0302935222),
}

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


def sex_data() -> tuple[np.ndarray, np.ndarray]:
    rows = [cell.split() for cell in SEX.replace("\n", "").split("|")]
    wide = np.array([[int(digit) for digit in code] for code, _ in rows], float)
    wide = np.repeat(wide, [int(count) for _, count in rows], axis=0)
    return np.column_stack([np.ones(len(wide)), wide[:, 1:]]), wide[:, 0]


def test_firth_coefficients_and_penalised_likelihood_of_the_sex_data() -> None:
    matrix, outcome = sex_data()
    assert len(outcome) == 239
    fit = fit_binary(matrix, outcome)
    for value, name in zip(fit.coefficients, SEX_NAMES, strict=True):
        agrees(f"penalised coefficient, {name}", value, SEX_R[name][0], LOGISTF, abs=1e-7)
    agrees("penalised log-likelihood", fit.objective, -132.539380, LOGISTF, abs=1e-6)  # m$loglik, full


@pytest.mark.parametrize("name", SEX_NAMES)
def test_profile_intervals_of_the_sex_data(name: str) -> None:
    matrix, outcome = sex_data()
    fit = fit_binary(matrix, outcome)
    at = SEX_NAMES.index(name)
    unit = np.eye(7)[at]

    def fall(value: float) -> float:
        return 2 * (fit.objective - fit_binary(matrix, outcome, restriction=hold(unit, value)).objective)

    error = float(np.sqrt(fit.covariance[at, at]))
    low, high = profile_interval(fall, float(fit.coefficients[at]), error, float(stats.chi2.ppf(0.95, 1)))
    agrees(f"95 % profile interval, {name}", (low, high), SEX_R[name][1:], LOGISTF, abs=3e-4 * error)


BRGLM2 = Source(
    "program",
    "R 4.2.2, brglm2 0.9: brglm2's endometrial (Heinze and Schemper, 2002); logistf gives the same to all "
    "figures",
    "run for this check",
    how=(
        'glm(HG ~ NV + PI + EH, family = binomial("logit"), data = endometrial,   # and "probit"\n'
        '    method = "brglmFit", type = "MPL_Jeffreys")'
    ),
)


@pytest.mark.parametrize(
    ("link", "from_r"),
    [
        ("logit", (3.7745597136, 2.9292733532, -0.0347517599, -2.6041639253)),
        ("probit", (1.958256003, 1.742582813, -0.015737458, -1.404891466)),
    ],
)
def test_penalised_fit_where_likelihood_has_no_maximum(link: Link, from_r: tuple[float, ...]) -> None:
    assert is_separated(ENDOMETRIAL, HG)
    fit = fit_binary(ENDOMETRIAL, HG, link)
    agrees(f"penalised {link} coefficients", fit.coefficients, from_r, BRGLM2, abs=2e-6)


def test_profile_interval_of_the_separating_column() -> None:
    logistf = Source(
        "program",
        "R 4.2.2, logistf 1.26.1: brglm2's endometrial",
        "run for this check",
        how="logistf(HG ~ NV + PI + EH, data = endometrial), ci of NV",
    )
    fit = fit_binary(ENDOMETRIAL, HG)
    unit = np.eye(4)[1]

    def fall(value: float) -> float:
        held = hold(unit, value)
        start = held.span.T @ (fit.coefficients - held.origin)
        return 2 * (fit.objective - fit_binary(ENDOMETRIAL, HG, restriction=held, start=start).objective)

    low, high = profile_interval(fall, float(fit.coefficients[1]), 1.5, float(stats.chi2.ppf(0.95, 1)))
    agrees("profile interval of the column that separates, lower end", low, 0.609724436, logistf, abs=1e-3)
    agrees("upper end", high, 7.8546317139, logistf, abs=1e-3)


# Twelve batches of eight drops from 30, 45, 60, 90 cm, twice (made up; 1 = broke).
HEIGHTS = (30, 45, 60, 90, 30, 45, 60, 90)
BROKE = [
    "00110111", "00000001", "01110001", "00110011", "00110111", "00010001",
    "00000001", "00010001", "00110011", "00110011", "00110001", "00010001",
]  # fmt: skip


def drops() -> tuple[pd.DataFrame, pd.DataFrame]:
    rows = [
        (f"R{i:02d}", k, HEIGHTS[k], digit == "1")
        for i, row in enumerate(BROKE)
        for k, digit in enumerate(row)
    ]
    table = pd.DataFrame({"colour": ["dye", "lake"] * 6}, index=[f"R{i:02d}" for i in range(12)])
    return pd.DataFrame(rows, columns=["run", "piece", "height_cm", "broke"]), table


def test_batch_effect_against_a_generalised_mixed_model() -> None:
    lme4 = Source(
        "invented",
        "R 4.2.2, lme4 1.1.31: twelve made-up batches of eight drops",
        "run for this check",
        how=(
            'glmer(broke ~ log(height_cm) + colour + (1 | run), family = binomial("probit"),\n'
            '  nAGQ = 21, data = d, control = glmerControl(optimizer = "bobyqa", tolPwrss = 1e-10))'
        ),
    )
    readings, batches = drops()
    fit = drop_heights(readings, batches, [Category("colour", ("dye", "lake"), "dye")], method="likelihood")
    # lme4's coefficients hold within a batch, ours over batches: one is the other / sqrt(1 - batch share)
    within = np.sqrt(1 - fit.batch_share)
    agrees("height", fit.coefficients["height"] / within, 5.90815572, lme4, rel=1e-3)
    agrees("colour", fit.coefficients["colour[lake]"] / within, -1.19264113, lme4, rel=1e-3)
    intercept = fit.coefficients["intercept"] - fit.coefficients["height"] * fit.centre
    agrees("intercept", intercept / within, -23.70149019, lme4, rel=1e-3)
    agrees("sd of batches", np.sqrt(fit.batch_share) / within, 1.07292133, lme4, rel=2e-3)
    agrees("log-likelihood", fit.objective, -27.430573, lme4, abs=2e-6)
    # the same without colour: log likelihood -28.5472465
    agrees("likelihood ratio of colour", fit.joint_tests[0].f, 2 * (28.5472465 - 27.430573), lme4, abs=2e-5)


def test_without_batches_it_is_the_plain_probit_dose_response() -> None:
    mass = Source(
        "invented",
        "R 4.2.2, MASS 7.3.58.2: 120 made-up drops; glm stops at a relative change of 1e-8 in the deviance",
        "run for this check",
        how=(
            'm <- glm(cbind(y, n - y) ~ log(h), family = binomial("probit"));\n  dose.p(m, p = c(0.5, 0.1))'
        ),
    )
    height = np.repeat([30.0, 45.0, 60.0, 90.0] * 3, 10)
    broke = np.concatenate([np.arange(10) < y for y in (0, 1, 6, 10, 1, 3, 7, 9, 0, 2, 5, 10)])
    matrix = np.column_stack([np.ones(120), np.log(height)])
    plain = fit_binary(matrix, broke.astype(float), "probit", jeffreys=False)
    agrees("intercept and slope", plain.coefficients, [-13.90110167, 3.46182328], mass, rel=1e-6)
    median = np.exp(-plain.coefficients[0] / plain.coefficients[1])
    agrees("height at which half break, cm", median, 55.4534212, mass, rel=1e-6)
    # every drop a batch of its own has nothing in common with others, so the batch share plays no part
    centred = np.column_stack([np.ones(120), np.log(height) - 4.0])
    alone = BatchProbitProblem.make(centred, broke, np.arange(120), jeffreys=False).fit()
    agrees("slope with every drop a batch", alone.coefficients[1], 3.46182328, mass, rel=1e-4)
    brglm2 = Source(
        "invented",
        "R 4.2.2, brglm2 0.9: the same drops",
        "run for this check",
        how='type = "MPL_Jeffreys"',
    )
    penalised = fit_binary(matrix, broke.astype(float), "probit")
    agrees(
        "penalised intercept and slope",
        penalised.coefficients,
        [-13.412628805, 3.339802135],
        brglm2,
        rel=1e-6,
    )
