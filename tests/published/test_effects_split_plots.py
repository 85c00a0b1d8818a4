"""Split plots against R, whole and with lost plots, and against an analysis of variance table in public.

Whole plots are what days are to a maker: several batches, one setting of the room. Blocks are taken out as a
factor; with all plots there, R's tests and comparisons with random blocks are the same.

R values: R 4.2.2 with lme4 1.1-31, lmerTest 3.1-3, pbkrtest 0.5.2, emmeans 1.8.4-1, contrasts set by
``options(contrasts = c("contr.sum", "contr.poly"))`` and
``lmerControl(optCtrl = list(ftol_abs = 1e-15, xtol_abs = 1e-15))``.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from outside import Source, agrees
from scipy import stats

from fizzlab.models.comparisons import compare
from fizzlab.models.effects import ResponseFit, fit_response
from fizzlab.models.terms import Category

# F. Yates's oats (1935), as in R's MASS::oats: 6 blocks, 3 varieties a block, 4 manures a variety
OATS = [
    111, 130, 157, 174, 117, 114, 161, 141, 105, 140, 118, 156, 61, 91, 97, 100, 70, 108, 126, 149,
    96, 124, 121, 144, 68, 64, 112, 86, 60, 102, 89, 96, 89, 129, 132, 124, 74, 89, 81, 122, 64,
    103, 132, 133, 70, 89, 104, 117, 62, 90, 100, 116, 80, 82, 94, 126, 63, 70, 109, 99, 53, 74,
    118, 113, 89, 82, 86, 104, 97, 99, 119, 121,
]  # fmt: skip
VARIETIES = ("Golden.rain", "Marvellous", "Victory")
MANURES = ("0.0cwt", "0.2cwt", "0.4cwt", "0.6cwt")
LOST = [0, 9, 22, 23, 37, 55, 60]  # R: oats[-c(1, 10, 23, 24, 38, 56, 61), ]

# Sugar beets (U. Halekoh, S. Hoejsgaard, J. Statist. Software 59 (2014) 9), R's pbkrtest::beets, sorted by
# block, harvest, sowing time: 3 blocks, 2 harvests a block, 5 sowing times a harvest
SUGAR = [
    17.0, 17.0, 17.1, 16.9, 16.6, 16.8, 17.0, 17.0, 16.7, 16.5, 16.9, 17.0, 17.0, 16.8, 16.5, 16.8,
    17.0, 17.0, 16.7, 16.4, 16.9, 16.9, 17.1, 16.8, 16.6, 16.7, 16.9, 16.9, 16.6, 16.4,
]  # fmt: skip
YIELD = [
    136.5, 131, 128, 118, 95, 153.5, 147, 141, 139, 100, 135, 134, 130, 115.5, 91.5, 156, 150,
    136.5, 140, 99.5, 137.5, 128, 126, 120.5, 99, 155, 151, 142, 140.5, 102,
]  # fmt: skip


BLOCKS = ("I", "II", "III", "IV", "V", "VI")


@pytest.fixture(scope="module")
def oats() -> pd.DataFrame:
    varieties = np.tile(np.repeat(["Victory", "Golden.rain", "Marvellous"], 4), 6)
    return pd.DataFrame(
        {
            "run": [f"P{i:02d}" for i in range(72)],
            "day": np.repeat(range(18), 4),  # a whole plot is what a day is to a maker
            "block": np.repeat(BLOCKS, 12),
            "variety": varieties,
            "manure": np.tile(MANURES, 18),
            "yield": np.array(OATS, float),
        }
    )


@pytest.fixture(scope="module")
def beets() -> pd.DataFrame:
    return pd.DataFrame(
        {
            "run": [f"P{i:02d}" for i in range(30)],
            "day": np.repeat(range(6), 5),
            "block": np.repeat(BLOCKS[:3], 10),
            "harvest": np.tile(np.repeat(["harv1", "harv2"], 5), 3),
            "sowing": np.tile([f"sow{i}" for i in range(1, 6)], 6),
            "sugar": SUGAR,
            "yield": YIELD,
        }
    )


OAT_FACTORS = [
    Category("block", BLOCKS, "I"),
    Category("variety", VARIETIES, "Victory"),
    Category("manure", MANURES, "0.0cwt"),
]
OAT_MODEL = ["block", "variety", "manure", "variety:manure"]
BEET_FACTORS = [
    Category("block", BLOCKS[:3], "I"),
    Category("harvest", ("harv1", "harv2"), "harv1"),
    Category("sowing", tuple(f"sow{i}" for i in range(1, 6)), "sow1"),
]


def whole(oats: pd.DataFrame) -> ResponseFit:
    return fit_response(oats, "yield", OAT_FACTORS, model=OAT_MODEL, days="random", log=False)


def steps(fit: ResponseFit, factor: str, levels: tuple[str, ...]) -> pd.DataFrame:
    """The difference of the adjusted mean of each level to the first: estimate, se, df, ends."""
    weights = fit.weights(pd.DataFrame({factor: levels}))
    return pd.DataFrame([fit.interval(row - weights[0]) for row in weights[1:]])


def test_oats_components_and_tests(oats: pd.DataFrame) -> None:
    r = Source(
        "program",
        "R 4.2.2, lme4 1.1-31, pbkrtest 0.5.2: oats, MASS's oats (Yates, 1935)",
        "run for this check",
        how='m <- lmer(Y ~ V * N + (1 | B/V), oats); VarCorr(m); anova(m, ddf = "Kenward-Roger")',
    )
    found = whole(oats)
    agrees(
        "variances of whole plots and plots",
        found.spread["variance"].tolist(),
        [106.061801, 177.083066],
        r,
        rel=3e-5,
    )
    tests = found.tests.loc[["variety", "manure", "variety:manure"]]
    agrees("F of variety, manure and both", tests["F"].tolist(), [1.48534, 37.68570, 0.30282], r, abs=6e-5)
    agrees("denominator degrees of freedom", tests["df_den"].tolist(), [10, 45, 45], r, abs=1e-6)
    agrees("p", tests["p_value"].tolist(), [0.27239, 2.4577e-12, 0.93220], r, rel=1e-4)
    assert tests["judged_by"].tolist() == ["days", "batches", "batches"]


def test_oats_comparisons(oats: pd.DataFrame) -> None:
    found = whole(oats)
    mvt = Source(
        "program",
        "R 4.2.2, lme4 1.1-31, pbkrtest 0.5.2, emmeans 1.8.4-1, mvtnorm 1.1-3, whose integration is random "
        "in the fourth figure: oats, MASS's oats (Yates, 1935)",
        "run for this check",
        how='summary(contrast(emmeans(m, "N"), "trt.vs.ctrl", adjust = "mvt"), infer = c(TRUE, TRUE))',
    )
    dunnett = compare(found, "manure")
    agrees("manures less none", dunnett["estimate"].tolist(), [19.5, 34.8333333, 44.0], mvt)
    agrees(
        "lower ends of Dunnett's intervals",
        dunnett["conf_low"].tolist(),
        [8.726, 24.060, 33.226],
        mvt,
        abs=0.01,
    )
    agrees("p of the least manure", dunnett["p_value"].iloc[0], 0.0002, mvt, abs=5e-5)
    tukey_r = Source(
        "program",
        "R 4.2.2, lme4 1.1-31, pbkrtest 0.5.2, emmeans 1.8.4-1: oats, MASS's oats (Yates, 1935), Tukey's "
        "method",
        "run for this check",
        how='summary(pairs(emmeans(m, "V")), infer = c(TRUE, TRUE))',
    )
    tukey = compare(found, "variety", "pairs")
    agrees(
        "differences of varieties", (-tukey["estimate"]).tolist(), [-5.29166667, 6.875, 12.16666667], tukey_r
    )
    agrees(
        "ends of their intervals",
        (-tukey["conf_high"]).tolist(),
        [-24.69702665, -12.53035999, -7.23869331],
        tukey_r,
        rel=1e-5,
    )
    agrees("p", tukey["p_value"].tolist(), [0.7419, 0.6104, 0.2458], tukey_r, abs=6e-5)


def lost(oats: pd.DataFrame) -> ResponseFit:
    table = oats.copy()
    table.loc[LOST, "yield"] = np.nan
    return fit_response(table, "yield", OAT_FACTORS, model=OAT_MODEL, days="random", log=False)


def by_satterthwaite(found: ResponseFit, to: str, start: str) -> tuple[float, float]:
    """Tukey's p and upper end of two of three varieties with the degrees of freedom of 2 f^2 / (g'Wg)."""
    new, old = found.weights(pd.DataFrame({"variety": [to, start]}))
    step, fits = found.interval(new - old), found.fits
    slope = np.einsum("a,jab,b->j", new - old, fits.slopes[0], new - old)
    plain = (new - old) @ fits.phi[0] @ (new - old)
    df = 2 * plain**2 / (slope @ fits.uncertainty[0] @ slope)
    assert 10 < df < 10.2
    wide = stats.studentized_range.ppf(0.95, 3, df) / np.sqrt(2)
    p = float(stats.studentized_range.sf(abs(step["t"]) * np.sqrt(2), 3, df))
    return p, float(step["estimate"] + wide * step["se"])


def test_oats_with_lost_plots(oats: pd.DataFrame) -> None:
    lost_r = Source(
        "program",
        "R 4.2.2, lme4 1.1-31, pbkrtest 0.5.2, emmeans 1.8.4-1: oats, MASS's oats (Yates, 1935), seven plots "
        "lost, blocks taken out",
        "run for this check",
        how="lmer(Y ~ B + V * N + (1 | B:V), oats[-c(1, 10, 23, 24, 38, 56, 61), ]) and the same calls",
    )
    found = lost(oats)
    agrees(
        "variances of whole plots and plots",
        found.spread["variance"].tolist(),
        [121.0119325, 187.3318587],
        lost_r,
        rel=1e-6,
    )
    tests = found.tests.loc[["variety", "manure", "variety:manure"]]
    agrees("F", tests["F"].tolist(), [0.99421877, 26.97794394, 0.19222238], lost_r, rel=1e-6)
    agrees(
        "denominator degrees of freedom, Kenward-Roger",
        tests["df_den"].tolist(),
        [9.9242220, 38.7899801, 38.7510514],
        lost_r,
        rel=1e-6,
    )
    agrees("p", tests["p_value"].tolist(), [0.40405805, 1.3534982e-09, 0.97717723], lost_r, rel=1e-5)
    assert found.lost == tuple(f"P{i:02d}" for i in LOST)
    manures = steps(found, "manure", MANURES)
    agrees(
        "manures less none", manures["estimate"].tolist(), [16.95107, 33.81118, 41.14344], lost_r, abs=6e-6
    )
    agrees("their standard errors", manures["se"].tolist(), [5.010725, 4.907254, 4.998353], lost_r, abs=6e-7)
    agrees("their degrees of freedom", manures["df"].tolist(), [39.22, 38.69, 38.79], lost_r, abs=0.0051)
    dunnett = compare(found, "manure")
    miwa = Source(
        "program",
        "R 4.2.2, mvtnorm 1.1-3: the same, Dunnett's limits by a double integral (emmeans draws at random)",
        "run for this check",
        how="uniroot over integrate(pmvnorm(-q s, q s, corr = C, algorithm = Miwa(512)), s of the chi)",
    )
    ends = [29.1743, 45.78856, 53.34191]
    agrees("upper ends of Dunnett's intervals", dunnett["conf_high"].tolist(), ends, miwa, abs=1e-3)
    agrees("p of the least manure", dunnett["p_value"].iloc[0], 0.0045, lost_r, abs=1.5e-4)
    tukey = compare(found, "variety", "pairs")
    p = tukey["p_value"]
    agrees("p of two pairs of varieties, Tukey", p.iloc[:2], [0.7690, 0.7550], lost_r, abs=6e-5)
    # R trusts the third pair with 10.17 degrees of freedom, of ten whole plots that are left; ours is 10
    assert tukey["df"].iloc[2] == 10
    assert p.iloc[2] > 0.3719
    p_of_r, end_of_r = by_satterthwaite(found, "Victory", "Marvellous")
    agrees("p of the third pair, not held to the ten whole plots", p_of_r, 0.3719, lost_r, abs=6e-5)
    agrees("an end of its interval, the same", -end_of_r, -10.199639, lost_r, rel=1e-5)


def test_components_are_those_of_statsmodels(oats: pd.DataFrame) -> None:
    statsmodels = Source(
        "program",
        "statsmodels MixedLM (0.14 or newer): the oats with seven plots lost, blocks taken out",
        "worked out at every run",
        live=True,
    )
    left = oats.drop(index=LOST).rename(columns={"yield": "y"})
    fit = smf.mixedlm("y ~ C(block) + C(variety) * C(manure)", left, groups="day").fit(reml=True)
    theirs = [float(fit.cov_re.iloc[0, 0]), float(fit.scale)]
    ours = lost(oats).spread["variance"]
    agrees("variances of whole plots and plots", ours, theirs, statsmodels, rel=1e-3)


def test_beets_sugar(beets: pd.DataFrame) -> None:
    beets_r = Source(
        "program",
        "R 4.2.2, lme4 1.1-31, pbkrtest 0.5.2: sugar beets, pbkrtest's beets (Halekoh and Hoejsgaard, J. "
        "Statist. Software 59, 2014, 9), sugar",
        "run for this check",
        how='anova(lmer(sugpct ~ block + sow + harvest + (1 | block:harvest), beets), ddf = "Kenward-Roger")',
    )
    found = fit_response(beets, "sugar", BEET_FACTORS, days="random", log=False)
    agrees("F of the harvest", found.tests.loc["harvest", "F"], 15.21053, beets_r, abs=6e-6)
    agrees("its degrees of freedom", found.tests.loc["harvest", "df_den"], 2, beets_r, abs=1e-6)
    agrees("its p", found.tests.loc["harvest", "p_value"], 0.059898, beets_r, abs=1e-6)
    agrees(
        "F of sowing and its degrees of freedom",
        found.tests.loc["sowing", ["F", "df_den"]].tolist(),
        [101.0, 20.0],
        beets_r,
    )
    agrees(
        "variances of whole plots and plots",
        found.spread["variance"].tolist(),
        [0.000766666667, 0.0025],
        beets_r,
        rel=1e-6,
    )


def test_beets_sugar_with_lost_plots(beets: pd.DataFrame) -> None:
    lost_r = Source(
        "program",
        "R 4.2.2, lme4 1.1-31, pbkrtest 0.5.2: sugar beets, pbkrtest's beets (Halekoh and Hoejsgaard, J. "
        "Statist. Software 59, 2014, 9), sugar, three plots lost",
        "run for this check",
        how="the same on beets[-c(3, 8, 20), ], which are these rows once sorted",
    )
    table = beets.drop(index=[4, 18, 7])
    found = fit_response(table, "sugar", BEET_FACTORS, days="random", log=False)
    agrees(
        "variances of whole plots and plots",
        found.spread["variance"].tolist(),
        [0.0007808547926, 0.0029159450845],
        lost_r,
        rel=1e-5,
    )
    agrees("F of the harvest", found.tests.loc["harvest", "F"], 13.17051, lost_r, abs=2e-5)
    agrees("its degrees of freedom", found.tests.loc["harvest", "df_den"], 1.98671461, lost_r, abs=1e-5)
    agrees("F of sowing", found.tests.loc["sowing", "F"], 69.87375, lost_r, abs=2e-4)
    agrees("its degrees of freedom", found.tests.loc["sowing", "df_den"], 17.19615434, lost_r, abs=2e-5)
    emm = Source(
        "program",
        "R 4.2.2, lme4 1.1-31, pbkrtest 0.5.2, emmeans 1.8.4-1: the same",
        "run for this check",
        how='contrast(emmeans(m, "sow"), "trt.vs.ctrl", adjust = "none"); pairs(emmeans(m, "harvest"))',
    )
    agrees(
        "effects of harvest and sowing times",
        found.table["estimate"].tolist()[2:],
        [-0.113202925, 0.116666667, 0.166993716, -0.099574912, -0.349573883],
        emm,
        rel=1e-5,
    )
    both = [("harvest", ("harv1", "harv2")), ("sowing", tuple(f"sow{i}" for i in range(1, 6)))]
    agrees(
        "their standard errors",
        pd.concat([steps(found, *each) for each in both])["se"].tolist(),
        [0.0311929387, 0.0311766208, 0.0331663802, 0.0331692316, 0.0331598201],
        emm,
        rel=1e-5,
    )
    agrees("a lower end", found.effects[2].conf_low, -0.248279047, emm, rel=1e-4)


def test_a_negative_component_leaves_the_classical_test(beets: pd.DataFrame) -> None:
    aov = Source(
        "publication",
        "help page of the beets data (R packages doBy and pbkrtest): summary(aov(yield ~ block + sow + "
        "harvest + Error(bh), beets))",
        "as printed there: F 1225.000, Pr 0.000815, mean squares 1.41 and 17.47. lmer stops at zero here and "
        "prints F = 107.7 instead",
    )
    sow_r = Source("program", "R 4.2.2: the same call", "run for this check")
    found = fit_response(beets, "yield", BEET_FACTORS, days="random", log=False)
    agrees(
        "variances of whole plots (from the mean squares) and plots",
        found.spread["variance"].tolist(),
        [(1.408333 - 17.4725) / 5, 17.4725],
        aov,
        rel=1e-5,
    )
    agrees(
        "F of the harvest and its degrees of freedom",
        found.tests.loc["harvest", ["F", "df_den"]].tolist(),
        [1225.0, 2.0],
        aov,
        rel=1e-6,
    )
    agrees("its p", found.tests.loc["harvest", "p_value"], 0.000815, aov, abs=6e-7)
    agrees(
        "F of sowing and its degrees of freedom",
        found.tests.loc["sowing", ["F", "df_den"]].tolist(),
        [119.74603, 20.0],
        sow_r,
        rel=1e-6,
    )
