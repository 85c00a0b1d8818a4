"""Plain fits against lifelines (MIT licence, test-only), its three interval-censored AFT fitters.

lifelines 0.30 names its parameters differently: mu_ and sigma_ (log-normal), lambda_ and rho_ (Weibull),
alpha_ and beta_ (log-logistic), each on the log scale where the parameter is a scale or shape.
Its search is continued by SLSQP to a tolerance of 1e-15, since by its own it stops some 4e-6 short of the
greatest log-likelihood.
"""

import numpy as np
import pandas as pd
import pytest
from outside import NO_LIFELINES, Source, agrees

from fizzlab.models.censored import sort
from fizzlab.models.censored_fit import fit

lifelines = pytest.importorskip("lifelines", reason=NO_LIFELINES)

FITTERS = {"lognormal": (lifelines.LogNormalAFTFitter, "mu_", "sigma_", 1.0)}


LIFELINES = Source(
    "invented",
    "lifelines, its three interval-censored AFT fitters: 120 made-up touch checks",
    "worked out at every run",
    live=True,
)


@pytest.mark.parametrize("distribution", list(FITTERS))
def test_plain_fit_agrees_with_lifelines(distribution):
    rng = np.random.default_rng(20)
    size = 120
    z = rng.normal(0, 0.4, size)
    times = np.exp(2.4 - 0.7 * z + 0.35 * rng.normal(size=size))
    looks = np.array([6.0, 9, 12, 16, 22])
    at = np.searchsorted(looks, times)
    lower, upper = np.r_[0.0, looks][at], np.r_[looks, np.inf][at]
    assert (lower == 0).sum() > 5
    assert np.isinf(upper).sum() > 5
    sorted_ = sort(lower, upper, np.arange(size), np.column_stack([np.ones(size), z]))
    result = fit(sorted_, batch_effect=False, restricted=False)
    fitter, location, scale, sign = FITTERS[distribution]
    reference = fitter()
    # lifelines' log-normal slope is not a number at a lower end of 0; 1e-6 h has no chance to speak of
    data = pd.DataFrame({"lower": np.maximum(lower, 1e-6), "upper": upper, "z": z})
    reference.fit_interval_censoring(data, lower_bound_col="lower", upper_bound_col="upper")
    start = reference.params_.to_numpy()
    reference._scipy_fit_method = "SLSQP"
    reference.fit_interval_censoring(
        data,
        lower_bound_col="lower",
        upper_bound_col="upper",
        initial_point=start,
        fit_options={"ftol": 1e-15},
    )
    agrees(f"{distribution}: log-likelihood", result.loglik, reference.log_likelihood_, LIFELINES, abs=1e-6)
    coef = reference.params_
    agrees(
        f"{distribution}: intercept and slope",
        result.beta,
        [coef[location, "Intercept"], coef[location, "z"]],
        LIFELINES,
        abs=1e-4,
    )
    agrees(
        f"{distribution}: log scale",
        np.log(result.sigma),
        sign * coef[scale, "Intercept"],
        LIFELINES,
        abs=1e-4,
    )
    errors = reference.standard_errors_
    agrees(
        f"{distribution}: standard errors",
        np.sqrt(np.diag(result.covariance))[:2],
        [errors[location, "Intercept"], errors[location, "z"]],
        LIFELINES,
        abs=1e-4,
    )
