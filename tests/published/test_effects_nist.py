"""One-way comparisons against NIST's certified analyses of variance, as SciPy's wheel carries them.

Sets of 18,009 observations are left out: no trial has so many batches, and ours keeps a matrix of all pairs.
"""

from __future__ import annotations

import importlib.resources
import re

import pandas as pd
import pytest
from outside import Source, agrees

from fizzlab.models.effects import fit_response
from fizzlab.models.terms import Category

# The difficulty is NIST's: the digits that all observations begin with. In double precision a number of 13
# leading digits keeps its tenths to 1e-3 of themselves, so no answer can be closer than that.
CLOSE = {"AtmWtAg": 1e-8, "SiRstv": 1e-8, "SmLs01": 1e-8, "SmLs02": 1e-8, "SmLs04": 1e-6, "SmLs05": 1e-6}
CLOSE |= {"SmLs07": 1e-2, "SmLs08": 1e-2}


def certified(name: str) -> tuple[pd.DataFrame, dict[str, float]]:
    """The observations, and the certified table."""
    folder = importlib.resources.files("scipy.stats.tests.data.nist_anova")
    text = folder.joinpath(f"{name}.dat").read_text()
    between = re.search(r"Between \S+ +(\d+) +(\S+) +(\S+) +(\S+)", text)
    within = re.search(r"Within \S+ +(\d+) +(\S+) +(\S+)", text)
    assert between is not None
    assert within is not None
    rows = [line.split() for line in text.splitlines()[60:]]
    table = pd.DataFrame(rows, columns=["treatment", "y"]).astype({"y": float})
    table["run"] = [f"R{i}" for i in range(len(table))]
    values = {"df": between[1], "F": between[4], "within df": within[1], "within": within[3]}
    return table, {key: float(value) for key, value in values.items()}


@pytest.mark.parametrize("name", list(CLOSE))
def test_certified_analysis_of_variance(name: str) -> None:
    table, wanted = certified(name)
    levels = tuple(dict.fromkeys(table["treatment"]))
    fit = fit_response(table, "y", [Category("treatment", levels, levels[0])], log=False)
    source = Source(
        "certified", f"NIST StRD, analysis of variance, {name}", "the file that SciPy's wheel carries"
    )
    (found,) = fit.tests.to_dict("records")
    agrees(
        "degrees of freedom", [found["df_num"], found["df_den"]], [wanted["df"], wanted["within df"]], source
    )
    agrees("F of the treatments", found["F"], wanted["F"], source, rel=CLOSE[name])
