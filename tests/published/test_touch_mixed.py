"""Random batch and day effects against R lme4 and lmerTest, where dry times are exactly known.

With exactly known log-normal times the model is a linear mixed model of log T, so maximum likelihood,
restricted likelihood, standard errors and (in this balanced plan) degrees of freedom must be those of the
mixed-model programs. The times are invented: 6 days of 2 batches of 4 pieces, x1 changed within days, x2
between.

The ML log-likelihood is put on the time scale by taking sum(log t).
"""

import numpy as np
import pandas as pd
import pytest
from outside import Source, agrees, same

from fizzlab.models.censored_fit import fit_batches
from fizzlab.models.curing import CuringFit, fit_curing_time
from fizzlab.models.terms import Amount

# fmt: off
HOURS = [
    15.246, 16.238, 11.21, 13.799, 27.866, 31.467, 26.6, 32.377, 19.238, 18.488, 16.533, 18.226, 15.053,
    14.477, 18.35, 15.019, 24.678, 23.049, 15.35, 21.561, 19.094, 22.638, 22.672, 16.72, 19.051, 18.994,
    22.792, 16.533, 30.605, 23.24, 26.067, 24.147, 14.445, 12.658, 16.745, 12.802, 22.946, 22.929,
    18.46, 20.003, 14.23, 10.952, 11.957, 11.586, 15.477, 13.371, 13.809, 14.641,
]
X2 = [
    -0.2405794275760342, -0.39730769868844346, -0.07450848662857455, 0.12613357141965645, 0.3408139597468928,
    0.032911919796542455,
]
# fmt: on


@pytest.fixture
def batches():
    return pd.DataFrame({"x1": [0.0, 1.0] * 6, "x2": np.repeat(X2, 2), "day": np.repeat(range(6), 2)})


def known(half_width: float) -> pd.DataFrame:
    """Brackets about the known times, of the given half width on the log scale."""
    times = np.array(HOURS)
    return pd.DataFrame(
        {
            "run": np.repeat(range(12), 4),
            "piece": np.tile(range(4), 12),
            "lower": times * np.exp(-half_width),
            "upper": times * np.exp(half_width),
        }
    )


PROGRAM = "R 4.2.2, lme4 1.1.31, lmerTest 3.1.3, pbkrtest 0.5.2: 48 made-up dry times, all exactly known"
DAYS = Source(
    "invented", PROGRAM + "; batch and day effects", "run for this check", how="tests/published/r/touch.R"
)
BATCHES = Source(
    "invented", PROGRAM + "; batch effect alone", "run for this check", how="tests/published/r/touch.R"
)
TERMS = [Amount("x1"), Amount("x2")]


def fitted(looks: pd.DataFrame, batches: pd.DataFrame) -> CuringFit:
    return fit_curing_time(looks, TERMS, runs=batches.rename_axis("run"))


def on_arrays(batches: pd.DataFrame, days: bool, restricted: bool = False):
    times, x = np.array(HOURS), np.column_stack([np.ones(12), batches[["x1", "x2"]]])
    day = batches["day"].to_numpy() if days else None
    return fit_batches(times, times, np.repeat(np.arange(12), 4), x, day, restricted).found


def test_batch_effect_agrees_with_lmer(batches):
    result = fitted(known(0), batches.drop(columns="day"))
    ml, reml = (on_arrays(batches, False, restricted) for restricted in (False, True))
    agrees("log-likelihood", result.loglik, -123.4879387, BATCHES, abs=1e-6)
    agrees("coefficients, maximum likelihood", ml.beta, [2.776524, 0.238119, -0.027750], BATCHES, abs=2e-6)
    agrees("sd of pieces, maximum likelihood", ml.sigma, 0.127382, BATCHES, abs=2e-6)
    agrees("sd of batches, maximum likelihood", ml.tau, 0.217879, BATCHES, abs=2e-6)
    # restricted likelihood
    agrees("restricted log-likelihood", reml.restricted + np.log(HOURS).sum(), 12.4520656, BATCHES, abs=1e-6)
    agrees(
        "coefficients",
        result.coefficients["coef"].to_numpy(),
        [2.776524, 0.238119, -0.027750],
        BATCHES,
        abs=2e-6,
    )
    agrees(
        "standard errors",
        result.coefficients["se"].to_numpy(),
        [0.107586, 0.151331, 0.314682],
        BATCHES,
        abs=1e-5,
    )
    agrees("sd of pieces and of batches", (result.sigma, result.tau), (0.127382, 0.254258), BATCHES, abs=1e-5)
    same("degrees of freedom", result.coefficients["df"].tolist(), [9.0, 9.0, 9.0], BATCHES)


def test_day_and_batch_effect_agree_with_lmer(batches):
    result = fitted(known(0), batches)
    ml, reml = (on_arrays(batches, True, restricted) for restricted in (False, True))
    assert result.n_days == 6
    agrees("log-likelihood", result.loglik, -123.4003217, DAYS, abs=1e-6)
    agrees("sd of pieces, maximum likelihood", ml.sigma, 0.127382, DAYS, abs=2e-6)
    agrees(
        "sd of batches and days, maximum likelihood", (ml.tau, ml.delta), [0.196797, 0.093499], DAYS, abs=2e-6
    )
    agrees("restricted log-likelihood", reml.restricted + np.log(HOURS).sum(), 12.6312700, DAYS, abs=1e-6)
    agrees(
        "standard errors",
        result.coefficients["se"].to_numpy(),
        [0.109434, 0.130822, 0.360975],
        DAYS,
        abs=2e-5,
    )
    agrees(
        "sd of pieces, batches and days",
        (result.sigma, result.tau, result.delta),
        (0.127382, 0.217454, 0.139753),
        DAYS,
        abs=2e-5,
    )
    # Kenward-Roger: 5 for the factor within days, 4 for the one between, 7.76 for the intercept
    agrees(
        "degrees of freedom of a factor within days and of one between (Kenward-Roger)",
        result.coefficients["df"].to_numpy()[1:],
        [5.0, 4.0],
        DAYS,
        abs=1e-6,
    )
    agrees(
        "degrees of freedom of the intercept (Kenward-Roger)",
        result.coefficients["df"].iloc[0],
        7.763728,
        DAYS,
        abs=1e-3,
    )


def test_very_narrow_brackets_agree_with_known_times(batches):
    """The probability of a bracket of width 2h on the log scale is density times 2h, for small h."""
    half = 1e-5
    narrow = fitted(known(half), batches)
    agrees(
        "log-likelihood from brackets of 1 in 50,000",
        narrow.loglik - 48 * np.log(2 * half) - np.log(HOURS).sum(),
        -123.4003217,
        DAYS,
        abs=1e-5,
    )
    agrees(
        "coefficients from such brackets",
        narrow.coefficients["coef"].to_numpy(),
        [2.776524, 0.238119, -0.027750],
        DAYS,
        abs=1e-5,
    )
    agrees(
        "sd of batches and days from such brackets",
        (narrow.tau, narrow.delta),
        (0.217454, 0.139753),
        DAYS,
        abs=1e-4,
    )


# Dyestuff2 of R's lme4, constructed by Box and Tiao (1973) so that batches differ less than by chance alone
DYESTUFF2 = [
    7.298, 3.846, 2.434, 9.566, 7.990, 5.220, 6.556, 0.608, 11.788, -0.892, 0.110, 10.386, 13.434, 5.510,
    8.166, 2.212, 4.852, 7.092, 9.288, 4.980, 0.282, 9.014, 4.458, 9.446, 7.198, 1.722, 4.782, 8.106, 0.758,
    3.758,
]  # fmt: skip


def test_batches_more_alike_than_chance():
    r = Source(
        "program",
        "R 4.2.2, lme4 1.1.31: six batches of five, lme4's Dyestuff2 (Box and Tiao, 1973)",
        "run for this check; the yields are taken as logarithms of known times",
        how="tests/published/r/touch.R",
    )
    times = np.exp(DYESTUFF2)
    looks = pd.DataFrame({"run": np.repeat(list("ABCDEF"), 5), "piece": np.tile(range(5), 6)})
    found = fit_curing_time(
        looks.assign(lower=times, upper=times), runs=pd.DataFrame({"run": list("ABCDEF")})
    )
    mean = found.coefficients.iloc[0]
    agrees("intercept and its standard error", mean[["coef", "se"]], [5.6656, 0.678388031], r, rel=1e-7)
    agrees("variances of pieces and batches", [found.sigma**2, found.tau**2], [13.8063096, 0], r, abs=1e-6)


JOINT = Source(
    "invented",
    "R 4.2.2, lmerTest 3.1.3, anova(type = 3), Satterthwaite: the same 48 times, two factors",
    "run for this check",
    how="tests/published/r/touch.R",
)


@pytest.mark.parametrize(
    ("days", "levels", "f_values", "df"),
    [(False, "pqr", [3.01586, 1.16398, 1.32218], 6.0), (True, "pq", [3.33048, 0.57299, 1.02617], 4.0)],
)
def test_joint_effects_are_tested_as_by_lmertest(days, levels, f_values, df):
    """Without days b changes from batch to batch; with them it is set by the day, so days judge it."""
    b = np.resize(np.repeat(list(levels), 2 if days else 1), 12)
    runs = pd.DataFrame({"a": list("xy") * 6, "b": b})
    runs = runs.assign(day=np.repeat(range(6), 2)) if days else runs
    result = fit_curing_time(known(0), "a * b", runs=runs.rename_axis("run"))
    # printed to 6 digits; R's own search stops within 1e-4 of the top
    agrees("F of a, b and both", result.tests["F"].to_numpy(), f_values, JOINT, rel=2e-3)
    agrees("degrees of freedom", result.tests["df_den"].to_numpy(), [df] * 3, JOINT, rel=2e-3)
