"""Proportional odds against R's MASS::polr and ordinal::clm."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from outside import Source, agrees, same

from fizzlab.models.crumble import score_regression
from fizzlab.models.crumble.ordinal import departure_test, fit_ordinal, proportional_design
from fizzlab.models.terms import Category

# Randall (1989), bitterness of wine, data set wine of the R package ordinal; printed in Christensen's
# tutorial on cumulative link models: one row a bottle, one column a judge.
WINE = """
1 2 1 2 3 2 3 1 2 1
2 3 2 3 2 3 2 1 2 2
3 3 1 3 3 4 3 2 2 3
4 4 3 2 2 3 2 2 3 2
5 4 2 5 3 3 2 2 3 3
6 4 3 5 2 3 4 3 3 2
7 5 5 4 5 3 5 2 3 4
8 5 4 4 3 3 4 3 4 4
"""


def wine() -> pd.DataFrame:
    lines = [list(map(int, line.split())) for line in WINE.strip().splitlines()]
    rows = [(line[0], judge, rating) for line in lines for judge, rating in enumerate(line[1:], start=1)]
    table = pd.DataFrame(rows, columns=["bottle", "judge", "rating"])
    table["warm"] = (table["bottle"] >= 5).astype(float)
    table["contact"] = table["bottle"].isin([3, 4, 7, 8]).astype(float)
    return table


def test_wine_estimates_and_standard_errors() -> None:
    clm = Source(
        "program",
        "R 4.2.2, ordinal 2022.11.16: bitterness of wine, ordinal's wine (Randall, 1989)",
        "run for this check",
        how="summary(clm(rating ~ temp + contact, data = wine)), and its vcov",
    )
    table = wine()
    design = proportional_design(table[["warm", "contact"]].to_numpy(), 4)
    fit = fit_ordinal(design, table["rating"].to_numpy() - 1)
    expected = [-1.34438, 1.25081, 3.46689, 5.00640, 2.50310, 1.52780]
    errors = [0.51710, 0.43788, 0.59776, 0.73091, 0.52868, 0.47662]
    agrees("thresholds and coefficients", fit.coefficients, expected, clm, abs=6e-6)
    agrees("standard errors", np.sqrt(np.diag(fit.covariance)), errors, clm, abs=6e-6)
    agrees("a covariance", fit.covariance[4, 5], 0.048135068, clm, abs=1e-8)
    agrees("log-likelihood", fit.loglik, -86.4919, clm, abs=5e-5)


NOMINAL = Source(
    "program",
    "R 4.2.2, ordinal 2022.11.16: bitterness of wine, ordinal's wine (Randall, 1989), test of proportional "
    "odds",
    "run for this check",
    how="nominal_test(clm(rating ~ temp + contact, data = wine)), LRT on 3 degrees of freedom",
)


@pytest.mark.parametrize(("column", "ratio"), [(0, 3.17498), (1, 0.56674)])
def test_wine_nominal_effects(column: int, ratio: float) -> None:
    table = wine()
    columns, category = table[["warm", "contact"]].to_numpy(), table["rating"].to_numpy() - 1
    fit = fit_ordinal(proportional_design(columns, 4), category)
    found, df, _ = departure_test(columns, category, fit, np.array([column]), np.arange(72), 72)
    agrees(f"likelihood ratio of {('temperature', 'contact')[column]}", found, ratio, NOMINAL, abs=1e-5)
    same("its degrees of freedom", df, 3, NOMINAL)


def test_wine_with_judges_through_the_public_function() -> None:
    judged = Source(
        "program",
        "R 4.2.2, ordinal 2022.11.16: bitterness of wine, ordinal's wine (Randall, 1989), with judges",
        "run for this check",
        how="clm(rating ~ temp + contact + judge, data = wine)   # tempwarm, contactyes, judge2..9, logLik",
    )
    table = wine()
    scores = pd.DataFrame(
        {
            "run": table["bottle"].astype(str),
            "piece": "a",
            "rater": table["judge"].astype(str),
            "score": table["rating"] - 1,
        }
    )
    bottles = table.drop_duplicates("bottle").set_index(table["bottle"].drop_duplicates().astype(str))
    batches = pd.DataFrame(
        {
            "temp": np.where(bottles["warm"] == 1, "warm", "cold"),
            "contact": np.where(bottles["contact"] == 1, "yes", "no"),
        },
        index=bottles.index,
    )
    terms = [Category("temp", ("cold", "warm"), "cold"), Category("contact", ("no", "yes"), "no")]
    fit = score_regression(scores, batches, terms)
    agrees("log-likelihood", fit.loglik, -70.920873, judged, abs=1e-6)
    agrees("log odds ratio, warm", np.log(fit.effects[0].estimate), 3.32015346, judged, abs=1e-7)
    agrees("log odds ratio, contact", np.log(fit.effects[1].estimate), 1.98062835, judged, abs=1e-7)
    judges = [0, -3.27473131, -0.96018214, -2.49925896, -2.05649032, -1.68797513, -5.24007303,
              -2.79495253, -3.20001659]  # fmt: skip
    leans = np.log([effect.estimate for effect in fit.effects[2:]])
    agrees("leanings of nine judges", leans, np.array(judges) - np.mean(judges), judged, abs=1e-6)


# Data set housing of the R package MASS: Madsen (1976), satisfaction of tenants in Copenhagen; the counts in
# the order of the data set (satisfaction fastest, then influence, type of housing, contact).
HOUSING = [
    21, 21, 28, 34, 22, 36, 10, 11, 36, 61, 23, 17, 43, 35, 40, 26, 18, 54, 13, 9, 10, 8, 8, 12,
    6, 7, 9, 18, 6, 7, 15, 13, 13, 7, 5, 11, 14, 19, 37, 17, 23, 40, 3, 5, 23, 78, 46, 43,
    48, 45, 86, 15, 25, 62, 20, 23, 20, 10, 22, 24, 7, 10, 21, 57, 23, 13, 31, 21, 13, 5, 6, 13,
]  # fmt: skip


def test_housing() -> None:
    polr = Source(
        "program",
        "R 4.2.2, MASS 7.3.58.2: satisfaction of tenants, MASS's housing (Madsen, 1976); polr differentiates "
        "its Hessian numerically",
        "run for this check",
        how="summary(polr(Sat ~ Infl + Type + Cont, weights = Freq, data = housing, Hess = TRUE))",
    )
    rows = np.array(
        [
            (sat, infl, kind, cont)
            for cont in range(2)
            for kind in range(4)
            for infl in range(3)
            for sat in range(3)
        ]
    )
    rows = np.repeat(rows, HOUSING, axis=0)
    columns = np.column_stack(
        [*(rows[:, 1] == i for i in (1, 2)), *(rows[:, 2] == i for i in (1, 2, 3)), rows[:, 3] == 1]
    ).astype(float)
    fit = fit_ordinal(proportional_design(columns, 2), rows[:, 0])
    expected = [-0.49614, 0.69071, 0.56639, 1.28882, -0.57235, -0.36619, -1.09101, 0.36028]
    errors = [0.12485, 0.12547, 0.104653, 0.127156, 0.119238, 0.155173, 0.151486, 0.095536]
    agrees("thresholds and coefficients", fit.coefficients, expected, polr, abs=2e-5)
    # polr differentiates its Hessian numerically
    agrees("standard errors", np.sqrt(np.diag(fit.covariance)), errors, polr, abs=2e-5)
    agrees("deviance", -2 * fit.loglik, 3479.1493, polr, abs=1e-4)
