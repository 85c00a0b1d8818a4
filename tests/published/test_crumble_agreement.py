"""Agreement coefficients and binomial intervals against published examples and R."""

from __future__ import annotations

import numpy as np
import pandas as pd
from outside import Source, agrees

from fizzlab.models.crumble import batch_losses, broken_shares
from fizzlab.models.raters import krippendorff_alpha

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
    how="tests/published/r/crumble.R",
)


def test_krippendorff_c() -> None:
    alpha = krippendorff_alpha(KRIPPENDORFF_C)
    agrees("alpha, ordinal", alpha, 0.815, PRINTED, abs=0.0005)
    agrees("alpha, ordinal", alpha, 0.815387503755, IRR, abs=1e-10)


# Data set anxiety of the R package irr: twenty persons, three raters, scores 1 to 6.
ANXIETY = np.array(
    [
        [3, 3, 3, 4, 5, 5, 2, 3, 5, 2, 2, 6, 1, 5, 2, 2, 1, 2, 4, 3],
        [3, 6, 4, 6, 2, 4, 2, 4, 3, 3, 2, 3, 3, 3, 2, 2, 1, 3, 3, 4],
        [2, 1, 4, 4, 3, 2, 1, 6, 1, 1, 1, 2, 3, 3, 1, 1, 3, 3, 2, 2],
    ]
).T


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


def wilson(broken: int, pieces: int) -> tuple[float, float]:
    """Of one batch, whose pieces then count as independent."""
    counts = pd.DataFrame({"pieces": [float(pieces)], "broken": [float(broken)]}, index=["A"])
    row = broken_shares(counts, pd.Series(["dye"], ["A"])).iloc[0] / 100
    return row["conf_low"], row["conf_high"]


def test_wilson_intervals() -> None:
    newcombe = Source(
        "publication", "R. G. Newcombe (1998), Table I: 81 of 263", "as quoted in an open-source test"
    )
    agrees("Wilson interval", wilson(81, 263), (0.2553, 0.3662), newcombe, abs=5e-5)
    prop = Source(
        "program",
        "R 4.2.2: Wilson intervals of shares",
        "run for this check",
        how="tests/published/r/crumble.R",
    )
    agrees("Wilson interval of 5 of 25", wilson(5, 25), (0.08860584687, 0.39130950370), prop, abs=1e-9)
    agrees("Wilson interval of 0 of 12", wilson(0, 12), (0, 0.2424940067), prop, abs=1e-9)


def test_friability_formula() -> None:
    pharmacopoeia = Source(
        "standard",
        "British Pharmacopoeia 2013, Friability of Tablets: (initial - final) / initial x 100; USP <1216>: "
        "not more than 1.0 % of, say, 6.5 g is 65 mg",
        "as retold elsewhere",
    )
    tumbles = pd.DataFrame({"run": ["A"], "before_g": [6.500], "after_g": [6.435]})
    agrees("loss of 6.500 g to 6.435 g, %", batch_losses(tumbles)["loss_pct"]["A"], 1.0, pharmacopoeia)
