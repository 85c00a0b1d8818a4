"""Plain interval-censored fits against R survival::survreg, on published data.

Breast cosmesis: times in months to cosmetic deterioration of 94 patients, printed in full by
D. M. Finkelstein and R. A. Wolfe, "A semiparametric model for regression analysis of interval-censored
failure time data", Biometrics 41, 1985, 933-945; here as distributed in the data set `bcos` of the R package
interval (CRAN, data/bcos.rda). 46 had radiotherapy alone, 48 radiotherapy and chemotherapy.

Diabetes: times of 731 patients, of which 595 exactly known, as distributed with lifelines 0.30
(`interval_diabetes.csv`).
"""

import importlib.resources

import numpy as np
import pandas as pd
import pytest
from outside import NO_LIFELINES, Source, agrees, same

from fizzlab.models.censored import sort
from fizzlab.models.censored_fit import fit

COSMESIS_IN_R = Source(
    "program",
    "R 4.2.2, survival 3.5.3: breast cosmesis, 94 patients (Finkelstein and Wolfe, Biometrics 41, 1985, "
    "933-945)",
    "the data as distributed in bcos of the R package interval; the values run for this check, with z = "
    '(treatment == "RadChem")',
    how="tests/published/r/touch.R",
)
DIABETES_IN_R = Source(
    "program",
    "R 4.2.2, survival 3.5.3: times of 731 patients with diabetes, 595 of them exactly known",
    'the data as distributed with lifelines 0.30; the values run for this check, with z = (gender == "male")',
    how="tests/published/r/touch.R",
)

inf = np.inf
# fmt: off
LEFT = [
    45, 6, 0, 46, 46, 7, 17, 7, 37, 0, 4, 15, 11, 22, 46, 46, 25, 46, 26, 46, 27, 36, 46, 36, 37, 40,
    17, 46, 11, 38, 5, 37, 0, 18, 24, 36, 5, 19, 17, 24, 32, 33, 19, 37, 34, 36, 8, 0, 24, 17, 17, 24,
    16, 13, 11, 16, 18, 17, 32, 23, 44, 14, 0, 5, 12, 11, 33, 31, 13, 19, 34, 13, 16, 35, 15, 11, 22,
    10, 30, 13, 10, 8, 4, 11, 14, 4, 34, 30, 18, 16, 35, 21, 11, 48,
]
RIGHT = [
    inf, 10, 7, inf, inf, 16, inf, 14, 44, 8, 11, inf, 15, inf, inf, inf, 37, inf, 40, inf, 34, 44, inf,
    48, inf, inf, 25, inf, 18, inf, 12, inf, 5, inf, inf, inf, 11, 35, 25, inf, inf, inf, 26, inf, inf,
    inf, 12, 22, 31, 27, 23, 30, 24, inf, 13, 20, 25, 26, inf, inf, 48, 17, 5, 8, 20, inf, 40, inf, 39,
    32, inf, inf, 24, inf, 22, 17, 32, 35, 34, inf, 17, 21, 9, inf, 19, 8, inf, 36, 24, 60, 39, inf, 20,
    inf,
]
# fmt: on

# distribution: log-likelihood; intercept, slope, log scale; their standard errors
COSMESIS = {
    "lognormal": (-146.62233197, [3.5478749, -0.4210005, -0.1254029], [0.1541679, 0.2031900, 0.1094901])
}
DIABETES = {
    "lognormal": (-2026.11821156, [2.6998203, 0.0864284, -0.9552303], [0.0238923, 0.0304479, 0.0277146])
}


def cosmesis() -> pd.DataFrame:
    return pd.DataFrame({"lower": LEFT, "upper": RIGHT, "z": np.repeat([0.0, 1.0], [46, 48])})


def diabetes() -> pd.DataFrame:
    pytest.importorskip("lifelines", reason=NO_LIFELINES)
    with importlib.resources.files("lifelines.datasets").joinpath("interval_diabetes.csv").open() as file:
        table = pd.read_csv(file)
    return pd.DataFrame(
        {"lower": table["left"], "upper": table["right"], "z": table["gender"].eq("male") * 1.0}
    )


SURVREG = {cosmesis: COSMESIS_IN_R, diabetes: DIABETES_IN_R}


@pytest.mark.parametrize(("data", "values"), [(cosmesis, COSMESIS), (diabetes, DIABETES)])
def test_plain_fit_agrees_with_survreg(data, values):
    distribution = "lognormal"
    table = data()
    x = np.column_stack([np.ones(len(table)), table["z"]])
    ends = table["lower"].to_numpy(float), table["upper"].to_numpy(float)
    result = fit(sort(*ends, np.arange(len(x)), x), batch_effect=False, restricted=False)
    loglik, coef, se = values[distribution]
    agrees(f"{distribution}: log-likelihood", result.loglik, loglik, SURVREG[data], abs=1e-6)
    agrees(
        f"{distribution}: intercept, slope, log scale",
        [*result.beta, np.log(result.sigma)],
        coef,
        SURVREG[data],
        abs=1e-5,
    )
    agrees(
        f"{distribution}: their standard errors",
        np.sqrt(np.diag(result.covariance)),
        se,
        SURVREG[data],
        abs=1e-5,
    )


def test_the_data_are_those_described():
    table = cosmesis()
    same("patients in the cosmesis data", len(table), 94, COSMESIS_IN_R)
    bcos = Source("publication", "help page of bcos, R package interval", "there")
    same("of them still well when last seen", int(np.isinf(table["upper"]).sum()), 38, bcos)
    known = (diabetes()["lower"] == diabetes()["upper"]).sum()
    same("exactly known times in the diabetes data", int(known), 595, DIABETES_IN_R)
