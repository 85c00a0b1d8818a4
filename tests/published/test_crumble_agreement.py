"""Agreement coefficients and binomial intervals against published examples and R."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm

from fizzlab.crumble import agreement_fleiss, agreement_kappa, broken_share, krippendorff_alpha, loss_pct
from fizzlab.crumble.clusters import cluster_covariance

# Krippendorff's data "C": four observers, twelve units, gaps; printed in Krippendorff (2011), "Computing
# Krippendorff's Alpha-Reliability", and in the help page of kripp.alpha of the R package irr.
_C = "1 1 . 1|2 2 3 2|3 3 3 3|3 3 3 3|2 2 2 2|1 2 3 4|4 4 4 4|1 1 2 1|2 2 2 2|. 5 5 5|. . 1 1|. . 3 ."
KRIPPENDORFF_C = np.array(
    [[float(cell) if cell != "." else np.nan for cell in row.split()] for row in _C.split("|")]
)


@pytest.mark.parametrize(
    ("metric", "printed", "from_r"),
    [
        # printed: docstring of the Python package krippendorff (ordinal 0.815); help pages of irr.
        # from_r: R 4.2.2, irr 0.84.1, kripp.alpha(nmm, metric)$value
        ("ordinal", 0.815, 0.815387503755),
        ("nominal", 0.743, 0.7434210526),
        ("interval", 0.849, 0.8491071429),
    ],
)
def test_krippendorff_c(metric: str, printed: float, from_r: float) -> None:
    alpha = krippendorff_alpha(KRIPPENDORFF_C, metric)  # type: ignore[arg-type]
    assert alpha == pytest.approx(printed, abs=0.0005)
    assert alpha == pytest.approx(from_r, abs=1e-10)


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


def test_anxiety_against_irr() -> None:
    # R 4.2.2, irr 0.84.1: kappa2(anxiety[, 1:2], "squared") and "equal"; kappam.fleiss(anxiety).
    # psych 2.2.9, cohen.kappa: squared weights 0.296765.
    two = scores(ANXIETY[:, :2])
    assert agreement_kappa(two, "quadratic", top=6).estimate == pytest.approx(0.296765, abs=5e-7)
    assert agreement_kappa(two, "linear", top=6).estimate == pytest.approx(0.189, abs=5e-4)
    assert agreement_fleiss(scores(ANXIETY), top=6).estimate == pytest.approx(-0.0411, abs=5e-5)


def test_anxiety_against_another_implementation() -> None:
    # Python package krippendorff 0.9.0: alpha(ANXIETY.T, level_of_measurement="ordinal"). (irr 0.84.1 gives
    # 0.2218: without gaps its kripp.alpha divides each unit by 1 instead of the raters less one.)
    assert krippendorff_alpha(ANXIETY.astype(float)) == pytest.approx(0.22838694529232206, abs=1e-12)


def test_fleiss_example() -> None:
    # The worked example of Wikipedia, "Fleiss' kappa": ten subjects, fourteen raters, five categories,
    # kappa 0.210; retyped in the tests of statsmodels.
    counts = (
        "0 0 0 0 14|0 2 6 4 2|0 0 3 5 6|0 3 9 2 0|2 2 8 1 1|7 7 0 0 0|3 2 6 3 0|2 5 3 2 2|6 5 2 1 0|0 2 2 3 7"
    )
    table = [np.repeat(np.arange(5), list(map(int, row.split()))) for row in counts.split("|")]
    assert agreement_fleiss(scores(np.array(table))).estimate == pytest.approx(0.210, abs=0.0005)


def test_wilson_interval_of_newcombe() -> None:
    # Newcombe (1998), Table I, as quoted in an open-source test: 81 of 263, Wilson 0.2553 to 0.3662
    share = broken_share(81, 263)
    assert (share.wilson_low, share.wilson_high) == pytest.approx((0.2553, 0.3662), abs=5e-5)
    # R 4.2.2: binom.test(81, 263)
    assert (share.exact_low, share.exact_high) == pytest.approx((0.2527367456, 0.3676219226), abs=1e-9)


def test_five_of_twenty_five() -> None:
    # influentialpoints.com, confidence intervals of proportions: 5 of 25 seedlings, 0.068 to 0.407, both by
    # formula and from the tables of Conover (1999). R: prop.test(5, 25, correct = FALSE) for Wilson.
    share = broken_share(5, 25)
    assert (share.exact_low, share.exact_high) == pytest.approx((0.068, 0.407), abs=0.0005)
    assert (share.wilson_low, share.wilson_high) == pytest.approx((0.08860584687, 0.39130950370), abs=1e-9)


def test_none_of_twelve() -> None:
    # R: binom.test(0, 12), prop.test(0, 12, correct = FALSE)
    share = broken_share(0, 12)
    assert (share.exact_low, share.exact_high) == pytest.approx((0, 0.2646484694), abs=1e-9)
    assert (share.wilson_low, share.wilson_high) == pytest.approx((0, 0.2424940067), abs=1e-9)


def test_friability_formula() -> None:
    # British Pharmacopoeia 2013, Friability of Tablets, as retold: (initial - final) / initial x 100;
    # USP <1216>: not more than 1.0 % of, say, 6.5 g is 65 mg.
    assert loss_pct(6.500, 6.435) == pytest.approx(1.0)


def test_cluster_correction_is_hc2_when_every_row_is_a_batch() -> None:
    # statsmodels, OLS(...).fit(cov_type="HC2"): the same correction for least squares and batches of one
    rng = np.random.default_rng(2)
    matrix = np.column_stack([np.ones(15), rng.normal(size=15), rng.normal(size=15)])
    response = matrix @ [1.0, 2.0, 0.0] + rng.normal(size=15) * (1 + np.abs(matrix[:, 1]))
    fitted = sm.OLS(response, matrix).fit(cov_type="HC2")
    rows = matrix * fitted.resid[:, None]
    information = matrix[:, :, None] * matrix[:, None, :]
    ours = cluster_covariance(rows, information, np.arange(15), 15)
    np.testing.assert_allclose(ours, fitted.cov_params(), rtol=1e-9)
