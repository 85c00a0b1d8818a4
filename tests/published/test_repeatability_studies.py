"""Repeatability and reproducibility against an interlaboratory study, SAS and R.

The worked examples of ISO 5725-2 (sulphur in coal and others) stand in none of the sources that we could
read, so none of their numbers is here. The glucose study is the example of ASTM E691: the same formulas.
R values: ``tests/published/r/repeatability.R``, run with R 4.2.2 and lme4 1.1-31.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from outside import Source, agrees

from fizzlab.models.repeatability import Repeatability, repeatability

#: Serum glucose: five materials, eight laboratories, three results each.
GLUCOSE = {
    "A": "41.03 41.45 41.37 41.17 42 41.15 41.01 40.68 42.66 39.37 42.37 42.63 41.88 41.19 41.32 43.28 40.5 "
    "42.28 41.08 41.27 39.02 43.36 42.65 41.72",
    "B": "78.28 78.18 78.49 77.78 80.38 79.54 79.18 79.72 80.81 84.08 78.8 80.01 78.16 79.58 78.33 78.66 "
    "79.27 81.75 79.75 81.45 77.35 80.44 80.8 79.8",
    "C": "132.66 133.83 133.1 132.92 136.9 136.4 132.61 135.8 135.36 138.5 148.3 135.69 131.9 134.14 133.76 "
    "137.21 135.14 137.5 130.97 131.59 134.92 135.46 135.14 133.53",
    "D": "193.71 193.59 193.65 190.88 200.14 194.3 192.71 193.28 190.28 195.85 196.36 199.43 192.59 191.44 "
    "195.12 195.34 198.26 198.13 194.66 191.99 187.13 197.56 195.99 200.82",
    "E": "292.78 294.09 292.89 292.27 309.4 295.08 295.53 290.14 292.34 295.19 295.44 296.83 293.93 292.48 "
    "294.28 297.74 296.8 290.33 287.29 293.76 289.36 298.46 295.28 296.12",
}

ILS = Source(
    "program",
    "R package ILS 0.3: repeatability and reproducibility of the glucose study of ASTM E691",
    "its readme in a stored public repository; the readings in the package's data",
)

#: Thermal performance, degrees C per watt: ten parts (rows), three operators by three readings.
GAUGE = """
37 38 37 41 41 40 41 42 41  42 41 43 42 42 42 43 42 43  30 31 31 31 31 31 29 30 28  42 43 42 43 43 43 42 42 42
28 30 29 29 30 29 31 29 29  42 42 43 45 45 45 44 46 45  25 26 27 28 28 30 29 27 27  40 40 40 43 42 42 43 43 41
25 25 25 27 29 28 26 26 26  35 34 34 35 35 34 35 34 35
"""

R = Source(
    "program",
    "R 4.2.2, lme4 1.1-31: variances of the gauge study of Houf and Burman (1988)",
    "output of the script; the readings as in the SAS manual, PROC VARCOMP, example of METHOD=GRR",
    "tests/published/r/repeatability.R",
)

#: Simulated precision study: 20 days, two runs a day, two replicates a run.
PRECISION = """
    24.10421254 26.67863262 24.92053288 25.12746208 27.50081855 28.66187719 28.08642082 26.77598966
    27.40880904 24.06260337 22.35836025 23.84553552 22.07762157 19.99059806 26.86534304 23.30470030
    25.46934837 22.66613751 22.84117795 23.94925578 25.70122632 25.54012552 25.10182557 24.28007394
    24.34758530 26.27709957 25.76974415 28.50948004 21.83550382 21.68698569 26.52314719 24.77432289
    24.76502394 27.83588783 22.55961881 26.05821151 21.04996349 23.33002464 25.98785055 25.90191389
    24.72444690 23.12588091 23.72238696 28.00734867 26.65972080 25.98001839 23.28499398 25.99171117
    25.55876896 23.11687745 23.63866929 24.30442750 22.63841166 24.78110749 25.34260954 25.91515469
    24.70726950 24.95630633 28.56072874 26.51858259 26.18968654 26.09175409 26.52503818 23.80177472
    24.59010240 25.84403974 26.29562053 25.70528695 27.11021582 24.92617272 24.46650596 25.26023039
    22.74158343 22.31618821 24.34962240 26.48280350 25.73560629 26.11109125 25.02016231 23.90695030
"""

SAS = Source(
    "program",
    "SAS 9.2, PROC NESTED and PROC MIXED method=type1: variances of a study of 20 days, 2 runs, 2 replicates",
    "the unit tests of the R package VCA 1.5.2, which state SAS's results, and its data set dataEP05A2_1",
)


def variance(found: Repeatability, component: str) -> float:
    row = found.of_component(component)
    assert row is not None
    return float(row["sd"]) ** 2


def test_an_interlaboratory_study() -> None:
    labs = np.repeat([f"Lab{i}" for i in range(1, 9)], 3)
    found = {
        name: repeatability(
            pd.DataFrame({"run": name, "rater": labs, "value": [float(v) for v in text.split()]})
        )
        for name, text in GLUCOSE.items()
    }
    within = [variance(each, "repeatability") ** 0.5 for each in found.values()]
    seen = [1.063224, 1.496071, 2.750879, 2.625065, 3.934974]
    agrees("repeatability standard deviation, materials A to E", within, seen, ILS, abs=5e-7)
    # of A and B laboratories differ less than their repeats would have it, and ours counts that as nought
    across = [variance(found[name], "reproducibility") ** 0.5 for name in "CDE"]
    agrees(
        "reproducibility standard deviation, C to E", across, [3.478919, 3.365713, 4.192334], ILS, abs=5e-7
    )
    assert all(variance(found[name], "between operators") == 0.0 for name in "AB")


def test_days_and_runs_within_them() -> None:
    table = pd.DataFrame({"run": np.repeat(np.arange(20), 4), "piece": np.tile([1, 1, 2, 2], 20)})
    table["value"] = [float(each) for each in PRECISION.split()]
    names = ("between samples", "between items", "repeatability")
    whole = repeatability(table)
    agrees(
        "variances of days, of runs and of replicates",
        [variance(whole, name) for name in names],
        [0.001096, 1.344492, 1.953397],
        SAS,
        abs=5e-7,
    )
    row = whole.of_component("repeatability")
    assert row is not None
    ends = [row["conf_low"] ** 2, row["conf_high"] ** 2]
    agrees("95 % interval of the variance of replicates", ends, [1.3167, 3.1980], SAS, abs=5e-5)
    lost = repeatability(table.drop(index=[10, 11, 16, 36, 44, 55, 56, 67]))
    agrees(
        "the same with eight of the 80 readings lost",
        [variance(lost, name) for name in names],
        [0.278178, 0.875624, 2.118229],
        SAS,
        abs=5e-7,
    )


def test_parts_and_operators() -> None:
    table = pd.DataFrame(
        {"run": np.repeat(np.arange(10), 9), "rater": np.tile(np.repeat(list("abc"), 3), 10)}
    )
    found = repeatability(table.assign(value=[float(each) for each in GAUGE.split()]))
    ours = [variance(found, name) for name in ("repeatability", "between operators", "between samples")]
    agrees(
        "variances of repeats, of operators with their joint effect, of parts",
        ours,
        [0.51111115, 1.2925924, 48.292584],
        R,
        rel=1e-6,
    )
