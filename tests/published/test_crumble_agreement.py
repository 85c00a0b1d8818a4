"""Agreement coefficients and binomial intervals against published examples and R."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from outside import Source, agrees

from fizzlab.models.crumble import (
    agreement_fleiss,
    agreement_kappa,
    broken_share,
    krippendorff_alpha,
    loss_pct,
)
from fizzlab.models.crumble.clusters import cluster_covariance

# Krippendorff's data "C": four observers, twelve units, gaps; printed in Krippendorff (2011), "Computing
# Krippendorff's Alpha-Reliability", and in the help page of kripp.alpha of the R package irr.
_C = "1 1 . 1|2 2 3 2|3 3 3 3|3 3 3 3|2 2 2 2|1 2 3 4|4 4 4 4|1 1 2 1|2 2 2 2|. 5 5 5|. . 1 1|. . 3 ."
KRIPPENDORFF_C = np.array(
    [[float(cell) if cell != "." else np.nan for cell in row.split()] for row in _C.split("|")]
)


PRINTED = Source(
    "publication",
    "Krippendorff's data C: four observers, twelve units, gaps",
    'the data in Krippendorff (2011), "Computing Krippendorff\'s Alpha-Reliability"; alpha in the help page '
    "of kripp.alpha (R package irr) and, ordinal, the docstring of the Python package krippendorff",
)


IRR = Source(
    "program",
    "R 4.2.2, irr 0.84.1: Krippendorff's data C",
    "run for this check",
    how="kripp.alpha(nmm, metric)$value",
)


@pytest.mark.parametrize(
    ("metric", "printed", "from_r"),
    [
        ("ordinal", 0.815, 0.815387503755),
        ("nominal", 0.743, 0.7434210526),
        ("interval", 0.849, 0.8491071429),
    ],
)
def test_krippendorff_c(metric: str, printed: float, from_r: float) -> None:
    alpha = krippendorff_alpha(KRIPPENDORFF_C, metric)  # type: ignore[arg-type]
    agrees(f"alpha, {metric}", alpha, printed, PRINTED, abs=0.0005)
    agrees(f"alpha, {metric}", alpha, from_r, IRR, abs=1e-10)


# Data set anxiety of the R package irr: twenty persons, three raters, scores 1 to 6.
ANXIETY = np.array(
    [
        [3, 3, 3, 4, 5, 5, 2, 3, 5, 2, 2, 6, 1, 5, 2, 2, 1, 2, 4, 3],
        [3, 6, 4, 6, 2, 4, 2, 4, 3, 3, 2, 3, 3, 3, 2, 2, 1, 3, 3, 4],
        [2, 1, 4, 4, 3, 2, 1, 6, 1, 1, 1, 2, 3, 3, 1, 1, 3, 3, 2, 2],
    ]
).T


def scores(ratings: np.ndarray) -> pd.DataFrame:
    rows = [
        (f"B{i}", "a", f"rater {j}", value) for i, line in enumerate(ratings) for j, value in enumerate(line)
    ]
    return pd.DataFrame(rows, columns=["run", "piece", "rater", "score"])


IRR_ANXIETY = Source(
    "program",
    "R 4.2.2, irr 0.84.1: twenty persons, three raters, irr's anxiety",
    "run for this check",
    how='kappa2(anxiety[, 1:2], "equal"); kappam.fleiss(anxiety)',
)


PSYCH = Source(
    "program",
    "R 4.2.2, psych 2.2.9: irr's anxiety, two raters, squared weights",
    "run for this check",
    how='cohen.kappa(anxiety[, 1:2])   # and irr\'s kappa2(anxiety[, 1:2], "squared")',
)


def test_anxiety_against_irr() -> None:
    two = scores(ANXIETY[:, :2])
    agrees(
        "kappa, squared weights", agreement_kappa(two, "quadratic", top=6).estimate, 0.296765, PSYCH, abs=5e-7
    )
    agrees(
        "kappa, linear weights", agreement_kappa(two, "linear", top=6).estimate, 0.189, IRR_ANXIETY, abs=5e-4
    )
    agrees(
        "Fleiss's kappa", agreement_fleiss(scores(ANXIETY), top=6).estimate, -0.0411, IRR_ANXIETY, abs=5e-5
    )


def test_anxiety_against_another_implementation() -> None:
    python = Source(
        "program",
        "Python package krippendorff 0.9.0: irr's anxiety, three raters",
        "run for this check. R's irr 0.84.1 gives 0.2218: without gaps its kripp.alpha divides each unit by "
        "1 instead of the raters less one",
        how='alpha(ANXIETY.T, level_of_measurement="ordinal")',
    )
    agrees(
        "alpha, ordinal", krippendorff_alpha(ANXIETY.astype(float)), 0.22838694529232206, python, abs=1e-12
    )


def test_fleiss_example() -> None:
    fleiss = Source(
        "publication",
        'the worked example of Wikipedia, "Fleiss\' kappa": ten subjects, fourteen raters, five categories',
        "as retyped in the tests of statsmodels",
    )
    counts = (
        "0 0 0 0 14|0 2 6 4 2|0 0 3 5 6|0 3 9 2 0|2 2 8 1 1|7 7 0 0 0|3 2 6 3 0|2 5 3 2 2|6 5 2 1 0|0 2 2 3 7"
    )
    table = [np.repeat(np.arange(5), list(map(int, row.split()))) for row in counts.split("|")]
    agrees("Fleiss's kappa", agreement_fleiss(scores(np.array(table))).estimate, 0.210, fleiss, abs=0.0005)


BINOM = Source(
    "program",
    "R 4.2.2: exact and Wilson intervals of shares",
    "run for this check",
    how="binom.test(81, 263); binom.test(0, 12)\n"
    "prop.test(5, 25, correct = FALSE); prop.test(0, 12, correct = FALSE)",
)


def test_wilson_interval_of_newcombe() -> None:
    newcombe = Source(
        "publication",
        "R. G. Newcombe (1998), Table I: 81 of 263",
        "as quoted in an open-source test",
    )
    share = broken_share(81, 263)
    agrees("Wilson interval", (share.wilson_low, share.wilson_high), (0.2553, 0.3662), newcombe, abs=5e-5)
    agrees(
        "exact interval of 81 of 263",
        (share.exact_low, share.exact_high),
        (0.2527367456, 0.3676219226),
        BINOM,
        abs=1e-9,
    )


def test_five_of_twenty_five() -> None:
    seedlings = Source(
        "publication",
        "influentialpoints.com, confidence intervals of proportions: 5 of 25 seedlings, by formula and from "
        "the tables of Conover (1999)",
        "on that page",
    )
    share = broken_share(5, 25)
    agrees("exact interval", (share.exact_low, share.exact_high), (0.068, 0.407), seedlings, abs=0.0005)
    agrees(
        "Wilson interval of 5 of 25",
        (share.wilson_low, share.wilson_high),
        (0.08860584687, 0.39130950370),
        BINOM,
        abs=1e-9,
    )


def test_none_of_twelve() -> None:
    share = broken_share(0, 12)
    agrees(
        "exact interval of 0 of 12", (share.exact_low, share.exact_high), (0, 0.2646484694), BINOM, abs=1e-9
    )
    agrees(
        "Wilson interval of 0 of 12",
        (share.wilson_low, share.wilson_high),
        (0, 0.2424940067),
        BINOM,
        abs=1e-9,
    )


def test_friability_formula() -> None:
    pharmacopoeia = Source(
        "standard",
        "British Pharmacopoeia 2013, Friability of Tablets: (initial - final) / initial x 100; USP <1216>: "
        "not more than 1.0 % of, say, 6.5 g is 65 mg",
        "as retold elsewhere",
    )
    agrees("loss of 6.500 g to 6.435 g, %", loss_pct(6.500, 6.435), 1.0, pharmacopoeia)


def test_cluster_correction_is_hc2_when_every_row_is_a_batch() -> None:
    statsmodels = Source(
        "invented",
        'statsmodels, OLS(...).fit(cov_type="HC2"): the same correction for least squares and batches of one',
        "worked out at every run",
        live=True,
    )
    rng = np.random.default_rng(2)
    matrix = np.column_stack([np.ones(15), rng.normal(size=15), rng.normal(size=15)])
    response = matrix @ [1.0, 2.0, 0.0] + rng.normal(size=15) * (1 + np.abs(matrix[:, 1]))
    fitted = sm.OLS(response, matrix).fit(cov_type="HC2")
    rows = matrix * fitted.resid[:, None]
    information = matrix[:, :, None] * matrix[:, None, :]
    ours = cluster_covariance(rows, information, np.arange(15), 15)
    agrees("sandwich covariance of three coefficients", ours, fitted.cov_params(), statsmodels, rel=1e-9)
