"""Durations against R, a published life test and lifelines."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from outside import NO_LIFELINES, Source, agrees

from fizzlab.models.fizz import PieceFit, fit_pieces
from fizzlab.models.terms import Category
from fizzlab.models.water import arrhenius

# Hours to failure of motor insulation at four temperatures, each stopped at its last value where status is 0:
# data set `imotor` of the R package survival (3.5.3), whose help page gives W. Q. Meeker and L. A. Escobar,
# Statistical Methods for Reliability Data (1998), as the source of its collection.
INSULATION = {
    150: ([], [8064] * 10),
    170: ([1764, 2772, 3444, 3542, 3780, 4860, 5196], [5448] * 3),
    190: ([408, 408, 1344, 1344, 1440], [1680] * 5),
    220: ([408, 408, 504, 504, 504], [528] * 5),
}


def insulation() -> pd.DataFrame:
    rows = [
        (temp, time, time if done else np.inf)
        for temp, (ended, running) in INSULATION.items()
        for times, done in ((ended, True), (running, False))
        for time in times
    ]
    times = pd.DataFrame(rows, columns=["water_c", "lower", "upper"]).astype(float)
    return times.assign(run=[f"m{i}" for i in range(len(times))])


def fitted(restricted: bool) -> PieceFit:
    times = insulation()
    batches = pd.DataFrame(index=times["run"])
    return fit_pieces("fizz_s", times, batches, bath_c=180.0, restricted=restricted)


def test_arrhenius_line_of_censored_lives() -> None:
    survreg = Source(
        "program",
        "R 4.2.2, survival 3.5.3: motor insulation at four temperatures, survival's imotor (Meeker and "
        "Escobar, 1998)",
        "run for this check",
        how=(
            "R <- 8.31446261815324/1000; imotor$w <- (1/(imotor$temp+273.15) - 1/(180+273.15))/R\n"
            'f <- survreg(Surv(time, status) ~ w, imotor, dist="lognormal"); summary(f)$table; f$scale; '
            "f$loglik"
        ),
    )
    fit = fitted(restricted=False)
    agrees(
        "intercept and activation energy, kJ/mol",
        fit.found.beta,
        [8.0444242339, 82.5198654789],
        survreg,
        rel=1e-5,
    )
    errors = np.sqrt(np.diag(fit.found.covariance))[:2]
    agrees("standard errors", errors, [0.1345154016, 8.3580556875], survreg, rel=1e-4)
    agrees("log-scale spread", fit.found.sigma, 0.5967874853, survreg, rel=1e-5)
    agrees("log-likelihood", fit.found.loglik, -148.5373062, survreg, abs=1e-5)
    agrees("activation energy as told, kJ/mol", fit.ea_kj_mol, 82.5198654789, survreg, rel=1e-5)
    # restricted likelihood widens the spread and hardly moves the line
    ours = fitted(restricted=True)
    assert ours.found.sigma > fit.found.sigma
    assert ours.found.beta == pytest.approx(fit.found.beta, rel=0.02)


LIFELINES = Source(
    "program",
    "lifelines: motor insulation at four temperatures, survival's imotor (Meeker and Escobar, 1998)",
    "worked out at every run",
    live=True,
)


def test_against_lifelines() -> None:
    lifelines = pytest.importorskip("lifelines", reason=NO_LIFELINES)
    times, fit = insulation(), fitted(restricted=False)
    table = pd.DataFrame({"seconds": times["lower"], "done": np.isfinite(times["upper"])})
    table["w"] = arrhenius(times["water_c"], 180.0)
    other = lifelines.LogNormalAFTFitter().fit(table, "seconds", "done")
    agrees(
        "intercept and activation energy, kJ/mol",
        fit.found.beta,
        [other.params_["mu_", "Intercept"], other.params_["mu_", "w"]],
        LIFELINES,
        rel=1e-3,
    )
    agrees("log-likelihood", fit.found.loglik, other.log_likelihood_, LIFELINES, abs=1e-3)


# Breaking angles of chocolate cakes, three recipes, 15 batters of each, six pieces of a batter baked at 175
# to 225 °F: data set `cake` of the R package lme4 (1.1.31), from F. E. Cook (1938) by way of W. G. Cochran
# and G. M. Cox, Experimental Designs (2nd ed., 1957), p. 300, as its help page says. A split plot like ours:
# recipe by batch, heat by piece.
CAKE = """
42 46 47 39 53 42 47 29 35 47 57 45 32 32 37 43 45 45 26 32 35 24 39 26 28 30 31 37 41 47
24 22 22 29 35 26 26 23 25 27 33 35 24 33 23 32 31 34 24 27 28 33 34 23 24 33 27 31 30 33
33 39 33 28 33 30 28 31 27 39 35 43 29 28 31 29 37 33 24 40 29 40 40 31 26 28 32 25 37 33
39 46 51 49 55 42 35 46 47 39 52 61 34 30 42 35 42 35 25 26 28 46 37 37 31 30 29 35 40 36
24 29 29 29 24 35 22 25 26 26 29 36 26 23 24 31 27 37 27 26 32 28 32 33 21 24 24 27 37 30
20 27 33 31 28 33 23 28 31 34 31 29 32 35 30 27 35 30 23 25 22 19 21 35 21 21 28 26 27 20
46 44 45 46 48 63 43 43 43 46 47 58 33 24 40 37 41 38 38 41 38 30 36 35 21 25 31 35 33 23
24 33 30 30 37 35 20 21 31 24 30 33 24 23 21 24 21 35 24 18 21 26 28 28 26 28 27 27 35 35
28 25 26 25 38 28 24 30 28 35 33 28 28 29 43 28 33 37 19 22 27 25 25 35 21 28 25 25 31 25
"""


def test_split_plot_of_known_times() -> None:
    lmer = Source(
        "program",
        "R 4.2.2, lme4 1.1.31, lmerTest 3.1.3: angles of chocolate cakes, lme4's cake (Cook 1938; Cochran "
        "and Cox, 1957, p. 300)",
        "the data as that package has them; the values run for this check",
        how=(
            "degrees Celsius from Fahrenheit:\n"
            "cake$w <- (1/((as.numeric(as.character(cake$temperature))-32)/1.8+273.15) - 1/(200+273.15))/R\n"
            "g <- lmer(log(angle) ~ recipe + w + (1|recipe:replicate), cake); coef(summary(g)); VarCorr(g)\n"
            "logLik(refitML(g)) is 96.22950019; on the scale of the angle itself it is less by "
            "sum(log(angle))"
        ),
    )
    angles = np.array(CAKE.split(), float)
    runs = [f"{recipe}{batch}" for recipe in "ABC" for batch in range(15)]
    batches = pd.DataFrame({"recipe": [run[0] for run in runs]}, index=runs)
    times = pd.DataFrame(
        {
            "run": np.repeat(runs, 6),
            "water_c": np.tile((np.arange(175, 226, 10) - 32) / 1.8, 45),
            "lower": angles,
            "upper": angles,
        }
    )
    recipe = Category("recipe", ("A", "B", "C"), "A")
    fit = fit_pieces("fizz_s", times, batches, [recipe], bath_c=200.0)
    agrees(
        "intercept, recipes B and C, activation energy",
        fit.found.beta,
        [4.21426777632, -0.05336041220, -0.05777983896, -9.94495770355],
        lmer,
        rel=1e-5,
    )
    agrees(
        "standard errors",
        np.sqrt(np.diag(fit.found.covariance))[:4],
        [0.08923910485, 0.07090565935, 0.07090565935, 0.99485208595],
        lmer,
        rel=1e-3,
    )
    agrees(
        "sd of batches and pieces",
        (fit.found.delta, fit.found.sigma),
        (0.1856959841, 0.1390847682),
        lmer,
        rel=1e-3,
    )
    agrees(
        "restricted likelihood refitted by maximum likelihood, on the time scale",
        fit.found.loglik,
        96.22950019 - 928.599400379,
        lmer,
        abs=1e-4,
    )
    assert fit.effect is not None
    agrees("degrees of freedom of the heat", fit.effect.df, 224, lmer, rel=0.01)
