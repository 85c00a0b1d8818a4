"""Blocked and unbalanced comparisons and odd observations against R.

R values: ``tests/published/r/effects.R``, run with R 4.2.2, lme4 1.1-31, pbkrtest 0.5.2, emmeans 1.8.4-1,
multcomp 1.4-22.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from outside import Source, agrees
from scipy import stats

from fizzlab.models.comparisons import any_beyond, compare, critical
from fizzlab.models.effects import ResponseFit, fit_response
from fizzlab.models.terms import Category

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


def mean(fit: ResponseFit, factor: str, level: str) -> dict[str, float]:
    """The adjusted mean of a level, on the scale fitted."""
    return fit.interval(fit.weights(pd.DataFrame({factor: [level]}))[0])


def step(fit: ResponseFit, factor: str, to: str, start: str) -> dict[str, float]:
    """The difference of two adjusted means, on the scale fitted."""
    new, old = fit.weights(pd.DataFrame({factor: [to, start]}))
    return fit.interval(new - old)


def test_factorial_in_blocks() -> None:
    r = Source(
        "program",
        "R 4.2.2: peas in six blocks, R's npk",
        "run for this check",
        how="tests/published/r/effects.R",
    )
    found = fit_response(npk(), "yield", factors("NPK"), model="interactions", log=False)
    assert found.structure.kind == "blocked"
    agrees(
        "F of N, P, K and their pairs",
        found.tests["F"].tolist(),
        [12.25873, 0.54413, 6.16569, 1.37830, 2.14597, 0.03119],
        r,
        abs=6e-6,
    )
    agrees("denominator degrees of freedom", found.tests["df_den"].tolist(), [12.0] * 6, r)
    agrees("residual variance", found.spread["variance"].tolist(), [15.440556], r, rel=1e-6)


def test_blocks_taken_out_or_at_random() -> None:
    fixed_r = Source(
        "program",
        "R 4.2.2, emmeans 1.8.4-1: peas in six blocks, R's npk",
        "run for this check",
        how="tests/published/r/effects.R",
    )
    fixed = fit_response(npk(), "yield", factors("NPK"), log=False)
    means = pd.DataFrame([mean(fixed, "N", level) for level in "01"])
    agrees("adjusted means of N", means["estimate"].tolist(), [52.0666667, 57.6833333], fixed_r)
    agrees("their standard errors", mean(fixed, "N", "0")["se"], 1.15514549, fixed_r, rel=1e-7)
    agrees("their lower ends", means["conf_low"].tolist(), [49.6045323, 55.2211990], fixed_r, rel=1e-7)
    effect = fixed.of("N")[0]
    agrees(
        "effect of N: estimate, df, ends",
        (effect.estimate, effect.df, effect.conf_low, effect.conf_high),
        (5.61666667, 15, 2.13468289, 9.09865044),
        fixed_r,
        rel=1e-7,
    )
    random_r = Source(
        "program",
        "R 4.2.2, lme4 1.1-31, pbkrtest 0.5.2, emmeans 1.8.4-1: peas in six blocks, R's npk",
        "run for this check",
        how="tests/published/r/effects.R",
    )
    random = fit_response(npk(), "yield", factors("NPK"), days="random", log=False)
    agrees(
        "variances of blocks and plots",
        random.spread["variance"].tolist(),
        [13.16166711, 16.01233321],
        random_r,
        rel=1e-6,
    )
    agrees(
        "effect of N: estimate, se, df",
        [step(random, "N", "1", "0")[key] for key in ("estimate", "se", "df")],
        [5.61666667, 1.63362242, 15],
        random_r,
        rel=1e-6,
    )


def test_lost_plots_on_the_log_scale() -> None:
    lost_r = Source(
        "program",
        "R 4.2.2, lme4 1.1-31, pbkrtest 0.5.2, emmeans 1.8.4-1: peas in six blocks, R's npk, three plots "
        "lost, on the log scale",
        "run for this check",
        how="tests/published/r/effects.R",
    )
    table = npk().drop(index=[1, 10, 16])
    found = fit_response(
        table, "yield", factors("NPK"), model=["N", "P", "N:P", "K"], log=True, days="random"
    )
    agrees(
        "variances of blocks and plots",
        found.spread["variance"].tolist(),
        [0.00421204010, 0.00509688377],
        lost_r,
        rel=1e-5,
    )
    tests = found.tests.loc[["N", "P", "K", "N:P"]]
    agrees("F of N, P, K, N:P", tests["F"].tolist(), [7.00607, 0.45813, 2.51619, 0.99807], lost_r, abs=2e-5)
    agrees(
        "denominator degrees of freedom, Kenward-Roger",
        tests["df_den"].tolist(),
        [11.2973485, 11.4765511, 11.2973485, 11.4765511],
        lost_r,
        rel=1e-5,
    )
    means = found.predict({"N": ["0", "1"]})
    agrees("typical values of N", means["estimate"].tolist(), [51.8144904, 56.5273287], lost_r, rel=1e-6)
    df = [mean(found, "N", level)["df"] for level in "01"]
    agrees("their degrees of freedom", df, [6.82, 8.95], lost_r, abs=0.0051)
    agrees("their upper ends", means["conf_high"].tolist(), [56.1188879, 61.4475599], lost_r, rel=1e-5)
    at_one = compare(found, "N", "pairs", at={"P": "1"}).iloc[0]
    agrees(
        "ratio of N at P = 1, with its ends",
        at_one[["estimate", "conf_low", "conf_high"]].tolist(),
        [1.05570885, 0.94875807, 1.17471589],
        lost_r,
        rel=1e-5,
    )
    lost_fixed = Source(
        "program",
        "R 4.2.2, emmeans 1.8.4-1: the same, blocks taken out",
        "run for this check",
        how="tests/published/r/effects.R",
    )
    blocked = fit_response(
        table, "yield", factors("NPK"), model=["N", "P", "N:P", "K"], log=True, days="fixed"
    )
    means = pd.DataFrame([mean(blocked, "N", level) for level in "01"]).apply(np.exp)
    agrees("typical values of N", means["estimate"].tolist(), [51.8144904, 56.4252302], lost_fixed, rel=1e-7)
    agrees("their lower ends", means["conf_low"].tolist(), [49.5222513, 53.3414310], lost_fixed, rel=1e-7)
    # a typical value holds the days: it is that of days at random, however the levels were compared
    assert blocked.predict({"N": ["0", "1"]}).equals(found.predict({"N": ["0", "1"]}))


def recovery() -> pd.DataFrame:
    rows = [(blanket, minutes) for blanket, many in RECOVERY.items() for minutes in many]
    return pd.DataFrame(rows, columns=["blanket", "minutes"])


def test_comparisons_of_unequal_groups() -> None:
    found = fit_response(
        recovery(), "minutes", [Category("blanket", ("b0", "b1", "b2", "b3"), "b0")], log=False
    )
    multcomp = Source(
        "program",
        "R 4.2.2, multcomp 1.4-22: recovery under four blankets, multcomp's recovery; its integration is "
        "random in the fourth figure",
        "run for this check",
        how="tests/published/r/effects.R",
    )
    dunnett = compare(found, "blanket")
    t = [step(found, "blanket", level, "b0")["t"] for level in ("b1", "b2", "b3")]
    agrees("Dunnett's t", t, [-1.33019, -4.65565, -1.88372], multcomp, abs=6e-6)
    tvpack = Source(
        "program",
        "R 4.2.2, mvtnorm 1.1-3: Dunnett's p by Genz's TVPACK, which draws nothing at random",
        "run for this check",
        how="tests/published/r/effects.R",
    )
    p = dunnett["p_value"].tolist()
    agrees("Dunnett's p of the blankets", p, [0.45591655, 0.0001215687, 0.18197954], tvpack, rel=1e-4)
    for many, tails in (
        (3, [0.037186627, 0.0019440625, 5.9580258e-05]),
        (2, [0.026975584, 0.0013756379, 4.1733179e-05]),
    ):
        equal = np.full((many, many), 0.5) + 0.5 * np.eye(many)
        ours = [any_beyond(t, equal, 9) for t in (3.0, 5.0, 8.0)]
        agrees(f"chance that one of {many} equal groups has |t| above 3, 5, 8", ours, tails, tvpack, rel=1e-4)
    agrees(
        "lower ends of Dunnett's intervals",
        dunnett["conf_low"].tolist(),
        [-6.1240, -11.4574, -3.8682],
        multcomp,
        abs=2e-3,
    )
    emm = Source(
        "program",
        "R 4.2.2, emmeans 1.8.4-1: the same, Tukey's method",
        "run for this check",
        how="tests/published/r/effects.R",
    )
    tukey = compare(found, "blanket", "pairs")
    agrees(
        "p of all pairs",
        tukey["p_value"].tolist(),
        [0.5501, 0.0002, 0.2524, 0.0729, 0.9918, 0.0058],
        emm,
        abs=6e-5,
    )
    agrees(
        "ends of their intervals",
        (-tukey["conf_high"]).tolist(),
        [-2.180463264, 3.152870069, -0.713156925, -0.355533152, -4.873243698, -10.206577031],
        emm,
        rel=1e-5,
    )


@pytest.mark.parametrize(("many", "df"), [(2, 5.0), (3, 10.0), (5, 20.0), (6, 60.0)])
def test_dunnetts_points_by_his_double_integral(many: int, df: float) -> None:
    integral = Source(
        "theory",
        "C. W. Dunnett, JASA 50 (1955) 1096-1121: the t ratios of equal groups share control and error, "
        "so that the chance is a double integral of normal and chi distributions",
        "worked out at every run, by Gauss and Legendre over the control and the error",
        live=True,
    )
    equal = np.full((many, many), 0.5) + 0.5 * np.eye(many)
    limit = critical(equal, df)
    x, w = np.polynomial.legendre.leggauss(200)
    shared = 8 * x
    error = stats.chi.ppf((x + 1) / 2, df) / np.sqrt(df)
    reach = limit * error[:, None] * np.sqrt(2)
    inside = (stats.norm.cdf(shared + reach) - stats.norm.cdf(shared - reach)) ** many
    chance = float((w / 2) @ inside @ (8 * w * stats.norm.pdf(shared)))
    agrees(f"{many} treatments, {df:g} degrees of freedom", 0.95, chance, integral, abs=5e-6)


def test_odd_plots() -> None:
    odd_r = Source(
        "program",
        "R 4.2.2: peas in six blocks, R's npk",
        "run for this check",
        how="tests/published/r/effects.R",
    )
    fit = fit_response(npk(), "yield", factors("NPK"), log=False)
    found = fit.odd()
    agrees(
        "externally studentised residuals of four plots",
        found.loc[["R01", "R03", "R13", "R24"], "t"].tolist(),
        [0.2653336896, -2.6046712870, 2.3333809861, -0.0381754078],
        odd_r,
        rel=1e-8,
    )
    assert found["p_joint"].min() > 0.05


def test_odd_batches_of_the_poisons() -> None:
    table = pd.DataFrame({"time": POISONS})
    table["treat"] = np.repeat(list("ABCD"), 12)
    table["poison"] = np.tile(np.repeat(list("123"), 4), 4)
    terms = [Category("poison", ("1", "2", "3"), "1"), Category("treat", tuple("ABCD"), "A")]
    found = fit_response(table, "time", terms, log=False)
    plots_r = Source(
        "program", "R 4.2.2: the poisons", "run for this check", how="tests/published/r/effects.R"
    )
    odd = found.odd()
    agrees(
        "residuals of plots 20 and 42",
        odd.loc[["19", "41"], "t"].tolist(),
        [3.894897731, 3.127389048],
        plots_r,
        rel=1e-8,
    )
    assert odd.index[odd["p_joint"] < 0.05].tolist() == ["19"]
    assert found.diagnose()["check"].tolist() == ["batch 19"]


def test_sameness_is_two_one_sided_t_tests() -> None:
    ttest = Source(
        "program",
        "R 4.2.2: two of multcomp's blankets",
        "run for this check",
        how="tests/published/r/effects.R",
    )
    rows = [(blanket, float(m)) for blanket in ("b0", "b3") for m in RECOVERY[blanket]]
    table = pd.DataFrame(rows, columns=["blanket", "minutes"])
    (found,) = fit_response(
        table, "minutes", [Category("blanket", ("b0", "b3"), "b0")], log=True, margin=1.5
    ).effects
    agrees(
        "90 % interval of the ratio",
        (found.same_low, found.same_high),
        (0.782329607296, 0.984828613456),
        ttest,
        rel=1e-9,
    )
    # the p of no difference is above 0.05, which alone would show nothing
    assert found.p_value > 0.05
    assert found.same
