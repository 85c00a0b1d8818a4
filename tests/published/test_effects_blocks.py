"""Blocked and unbalanced comparisons, transformations and odd observations against R.

R values: R 4.2.2 with lme4 1.1-31, pbkrtest 0.5.2, emmeans 1.8.4-1, multcomp 1.4-22, MASS 7.3-58.2.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from fizzlab.effects import (
    adjusted_means,
    against_control,
    all_pairs,
    analyse,
    odd_batches,
    power_advice,
    same_within,
)
from fizzlab.effects.multiple import critical
from fizzlab.terms import Category

# Peas, a 2^3 factorial in 6 blocks of 4, as in R's datasets::npk: yield, N P K, block
PEAS = [
    49.5, 62.8, 46.8, 57.0, 59.8, 58.5, 55.5, 56.0, 62.8, 55.8, 69.5, 55.0, 62.0, 48.8, 45.5, 44.2,
    52.0, 51.5, 49.8, 48.8, 57.2, 59.0, 53.2, 56.0,
]  # fmt: skip
NPK = "011110000101100111001010010111100001100111001010110000101011101110011000"

# Minutes to recover under four blankets, as in R's multcomp::recovery
RECOVERY = {
    "b0": [15, 13, 12, 16, 16, 17, 13, 13, 16, 17, 17, 19, 17, 15, 13, 12, 16, 10, 17, 12],
    "b1": [13, 16, 9],
    "b2": [5, 8, 9],
    "b3": [14, 16, 16, 12, 7, 12, 13, 13, 9, 16, 13, 18, 13, 12, 13],
}

# Survival under poisons (Box and Cox 1964), as in R's boot::poisons: 3 poisons by 4 treatments by 4
POISONS = [
    0.31, 0.45, 0.46, 0.43, 0.36, 0.29, 0.40, 0.23, 0.22, 0.21, 0.18, 0.23, 0.82, 1.10, 0.88, 0.72,
    0.92, 0.61, 0.49, 1.24, 0.30, 0.37, 0.38, 0.29, 0.43, 0.45, 0.63, 0.76, 0.44, 0.35, 0.31, 0.40,
    0.23, 0.25, 0.24, 0.22, 0.45, 0.71, 0.66, 0.62, 0.56, 1.02, 0.71, 0.38, 0.30, 0.36, 0.31, 0.33,
]  # fmt: skip


def npk() -> pd.DataFrame:
    table = pd.DataFrame({name: list(NPK[i::3]) for i, name in enumerate("NPK")})
    table["yield"] = PEAS
    table["day"] = np.repeat(np.arange(1, 7), 4)
    table["run"] = [f"R{i:02d}" for i in range(1, 25)]
    return table


def factors(names: str) -> list[Category]:
    return [Category(name, ("0", "1"), "0") for name in names]


def test_factorial_in_blocks() -> None:
    # R: anova(lm(yield ~ block + N * P * K, npk)), balanced; N:P:K is confounded with blocks and left out
    found = analyse(npk(), "yield", factors("NPK"), model="interactions")
    assert found.structure.kind == "blocked"
    assert found.tests["F"].tolist() == pytest.approx(
        [12.25873, 0.54413, 6.16569, 1.37830, 2.14597, 0.03119], abs=6e-6
    )
    assert found.tests["df_den"].tolist() == pytest.approx([12.0] * 6)
    assert found.spread["variance"].tolist() == pytest.approx([15.440556], rel=1e-6)


def test_blocks_taken_out_or_at_random() -> None:
    # R: emmeans(lm(yield ~ block + N + P + K, npk), "N") and its pairs
    fixed = analyse(npk(), "yield", factors("NPK"))
    means = adjusted_means(fixed, "N")
    assert means["mean"].tolist() == pytest.approx([52.0666667, 57.6833333])
    assert means["se"].tolist() == pytest.approx([1.15514549] * 2, rel=1e-7)
    assert means["low"].tolist() == pytest.approx([49.6045323, 55.2211990], rel=1e-7)
    assert fixed.effects.iloc[0][["estimate", "se", "df", "low", "high"]].tolist() == pytest.approx(
        [5.61666667, 1.63362242, 15, 2.13468289, 9.09865044], rel=1e-7
    )
    # R: the same contrast from lmer(yield ~ N + P + K + (1 | block), npk), Kenward-Roger
    random = analyse(npk(), "yield", factors("NPK"), days="random")
    assert random.spread["variance"].tolist() == pytest.approx([13.16166711, 16.01233321], rel=1e-6)
    assert random.effects.iloc[0][["estimate", "se", "df"]].tolist() == pytest.approx(
        [5.61666667, 1.63362242, 15], rel=1e-6
    )


def test_lost_plots_on_the_log_scale() -> None:
    # R: n <- npk[-c(2, 11, 17), ]; m <- lmer(log(yield) ~ N * P + K + (1 | block), n)
    table = npk().drop(index=[1, 10, 16])
    found = analyse(table, "yield", factors("NPK"), model=["N", "P", "N:P", "K"], log=True, days="random")
    assert found.spread["variance"].tolist() == pytest.approx([0.00421204010, 0.00509688377], rel=1e-5)
    tests = found.tests.loc[["N", "P", "K", "N:P"]]
    assert tests["F"].tolist() == pytest.approx([7.00607, 0.45813, 2.51619, 0.99807], abs=2e-5)
    assert tests["df_den"].tolist() == pytest.approx(
        [11.2973485, 11.4765511, 11.2973485, 11.4765511], rel=1e-5
    )
    # R: emmeans(m, "N", type = "response"); pairs(emmeans(m, "N", at = list(P = "1")), type = "response")
    means = adjusted_means(found, "N")
    assert means["typical"].tolist() == pytest.approx([51.8144904, 56.5273287], rel=1e-6)
    assert means["df"].tolist() == pytest.approx([6.82, 8.95], abs=0.0051)
    assert means["typical_high"].tolist() == pytest.approx([56.1188879, 61.4475599], rel=1e-5)
    at_one = all_pairs(found, "N", at={"P": "1"}).table.iloc[0]
    assert at_one[["ratio", "ratio_low", "ratio_high"]].tolist() == pytest.approx(
        [1.05570885, 0.94875807, 1.17471589], rel=1e-5
    )
    # R: emmeans(lm(log(yield) ~ block + N * P + K, n), "N", type = "response")
    blocked = analyse(table, "yield", factors("NPK"), model=["N", "P", "N:P", "K"], log=True, days="fixed")
    means = adjusted_means(blocked, "N")
    assert means["typical"].tolist() == pytest.approx([51.8144904, 56.4252302], rel=1e-7)
    assert means["typical_low"].tolist() == pytest.approx([49.5222513, 53.3414310], rel=1e-7)


def recovery() -> pd.DataFrame:
    rows = [(blanket, minutes) for blanket, many in RECOVERY.items() for minutes in many]
    return pd.DataFrame(rows, columns=["blanket", "minutes"])


def test_comparisons_of_unequal_groups() -> None:
    found = analyse(recovery(), "minutes", [Category("blanket", ("b0", "b1", "b2", "b3"), "b0")])
    # R: g <- glht(aov(minutes ~ blanket, recovery), linfct = mcp(blanket = "Dunnett")); summary(g);
    # confint(g); its integration is random in the fourth figure (quantile 2.48828824)
    dunnett = against_control(found, "blanket").table
    assert dunnett["t"].tolist() == pytest.approx([-1.33019, -4.65565, -1.88372], abs=6e-6)
    assert dunnett["p"].tolist() == pytest.approx([0.45590, 0.0001, 0.18197], abs=4e-4)
    assert dunnett["low"].tolist() == pytest.approx([-6.1240, -11.4574, -3.8682], abs=2e-3)
    # R: summary(pairs(emmeans(aov(...), "blanket")), infer = c(TRUE, TRUE)), Tukey's method
    tukey = all_pairs(found, "blanket").table
    assert tukey["p"].tolist() == pytest.approx([0.5501, 0.0002, 0.2524, 0.0729, 0.9918, 0.0058], abs=6e-5)
    assert (-tukey["high"]).tolist() == pytest.approx(
        [-2.180463264, 3.152870069, -0.713156925, -0.355533152, -4.873243698, -10.206577031], rel=1e-5
    )


@pytest.mark.parametrize(
    ("df", "row"),
    [
        # C. W. Dunnett, JASA 50 (1955) 1117, one-sided 5 % points for 2 to 6 treatments against a control,
        # equal groups, as reprinted in a textbook's appendix; the last place is not always rounded to nearest
        (5, [2.44, 2.68, 2.85, 2.98, 3.08]),
        (10, [2.15, 2.34, 2.47, 2.56, 2.64]),
        (20, [2.03, 2.19, 2.30, 2.39, 2.46]),
        (60, [1.95, 2.10, 2.21, 2.28, 2.35]),
        (np.inf, [1.92, 2.06, 2.16, 2.23, 2.29]),
    ],
)
def test_dunnett_1955(df: float, row: list[float]) -> None:
    for treatments, printed in enumerate(row, start=2):
        equal = np.full((treatments, treatments), 0.5) + 0.5 * np.eye(treatments)
        assert critical(equal, df, two_sided=False) == pytest.approx(printed, abs=0.01)


def test_odd_plots() -> None:
    # R: rstudent(lm(yield ~ block + N + P + K, npk))
    found = odd_batches(analyse(npk(), "yield", factors("NPK")))
    assert found.table.loc[["R01", "R03", "R13", "R24"], "t"].tolist() == pytest.approx(
        [0.2653336896, -2.6046712870, 2.3333809861, -0.0381754078], rel=1e-8
    )
    assert not found.suspicious


def test_odd_batch_and_power_of_the_poisons() -> None:
    table = pd.DataFrame({"time": POISONS})
    table["treat"] = np.repeat(list("ABCD"), 12)
    table["poison"] = np.tile(np.repeat(list("123"), 4), 4)
    terms = [Category("poison", ("1", "2", "3"), "1"), Category("treat", tuple("ABCD"), "A")]
    found = analyse(table, "time", terms)
    # R: bc <- MASS::boxcox(lm(time ~ poison + treat, poisons), lambda = seq(-2, 2, 0.01), interp = FALSE):
    # best -0.75, -1.13 to -0.36; Box and Cox (1964) chose the reciprocal (from memory, not seen)
    advice = power_advice(found)
    assert (advice.best, advice.low, advice.high) == pytest.approx((-0.75, -1.13, -0.36), abs=1e-9)
    assert advice.suggested in (-1.0, -0.5)
    # R: rstudent(lm(time ~ poison + treat, poisons)): 3.894897731 for plot 20, 3.127389048 for plot 42
    odd = odd_batches(found)
    assert odd.table.loc[["19", "41"], "t"].tolist() == pytest.approx([3.894897731, 3.127389048], rel=1e-8)
    assert odd.suspicious == ("19",)


def test_sameness_is_two_one_sided_t_tests() -> None:
    # R: a <- RECOVERY b0, b <- b3 above; t.test(log(b3), log(b0), var.equal = TRUE, mu = log(1/1.5),
    #    alternative = "greater")$p.value and mu = log(1.5), "less"; conf.int of level 0.90
    rows = [(blanket, float(m)) for blanket in ("b0", "b3") for m in RECOVERY[blanket]]
    table = pd.DataFrame(rows, columns=["blanket", "minutes"])
    found = analyse(table, "minutes", [Category("blanket", ("b0", "b3"), "b0")], log=True)
    same = same_within(found, "blanket", "b3", margin=1.5)
    assert same.p == pytest.approx(1.48118902108e-04, rel=1e-9)
    assert (same.low, same.high) == pytest.approx((0.782329607296, 0.984828613456), rel=1e-9)
    # t.test(log(b3), log(b0), var.equal = TRUE)$p.value is above 0.05, which alone would show nothing
    assert same.p_difference > 0.05
    assert same.verdict == "same within the margin"
