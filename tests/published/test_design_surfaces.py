"""Central composite plans against the tables of the NIST/SEMATECH e-Handbook."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from outside import Source, agrees, same

from fizzlab.design.factorial import central_composite
from fizzlab.design.factors import Range
from fizzlab.design.model import model_matrix


def three(low: float = 10, high: float = 20) -> list[Range]:
    return [Range(name, low, high, smallest=None) for name in ("x1", "x2", "x3")]


def rows(plan_runs: pd.DataFrame, decimals: int) -> list[tuple[float, ...]]:
    values = plan_runs[["x1", "x2", "x3"]].to_numpy(float)
    return sorted(tuple(float(v) for v in row) for row in np.round(values, decimals))


HANDBOOK = Source(
    "standard",
    "NIST/SEMATECH e-Handbook, 5.3.3.6: response surface designs, tables 3.23 to 3.32",
    "there. In table 3.25 run 7 of the inscribed plan is printed 12, 12, 18, a misprint for 12, 18, 18",
)


@pytest.mark.parametrize(
    ("number", "printed"),
    # NIST/SEMATECH e-Handbook, 5.3.3.6.1, table 3.23: alpha for rotatability
    [(2, 1.414), (3, 1.682), (4, 2.000), (5, 2.000), (6, 2.378)],
)
def test_rotatable_distance(number: int, printed: float) -> None:
    factors = [Range(f"x{i}", -1, 1, smallest=None) for i in range(number)]
    runs = central_composite(factors, seed=1, reach="circumscribed").runs
    corners = int((runs["point"] == "factorial").sum())
    agrees(
        f"table 3.23, {number} factors, {corners} corners: star distance",
        runs["x0"].max(),
        printed,
        HANDBOOK,
        abs=5e-4,
    )


CORNERS = [[a, b, c] for a in (-1, 1) for b in (-1, 1) for c in (-1, 1)]
STARS = [[s * (i == j) for j in range(3)] for i in range(3) for s in (-1, 1)]


def table(corner: tuple[float, float], star: tuple[float, float], centre: int) -> list[tuple[float, ...]]:
    found = [tuple(corner[(v + 1) // 2] for v in row) for row in CORNERS]
    found += [tuple(15.0 if v == 0 else star[(v + 1) // 2] for v in row) for row in STARS]
    return sorted([tuple(float(v) for v in row) for row in found] + [(15.0, 15.0, 15.0)] * centre)


def test_circumscribed_settings() -> None:
    # NIST/SEMATECH e-Handbook, 5.3.3.6.3, table 3.25, CCC: corners 10 and 20, stars 6.6 and 23.4, 6 centres
    plan = central_composite(three(), seed=1, reach="circumscribed")
    same(
        "table 3.25, circumscribed", rows(plan.runs, 1), table((10, 20), (6.6, 23.4), 6), HANDBOOK, "20 runs"
    )


def test_inscribed_settings() -> None:
    # same table, CCI: corners 12 and 18 (run 7 is printed 12, 12, 18, a misprint for 12, 18, 18)
    plan = central_composite(three(), seed=1, reach="inscribed")
    same("table 3.25, inscribed", rows(plan.runs, 0), table((12, 18), (10, 20), 6), HANDBOOK, "20 runs")


def test_face_centred_settings() -> None:
    # same page, table 3.26, CCF
    plan = central_composite(three(), seed=1, reach="faces")
    same("table 3.26, face centred", rows(plan.runs, 6), table((10, 20), (10, 20), 6), HANDBOOK, "20 runs")


@pytest.mark.parametrize(
    ("number", "centre", "runs"),
    # NIST/SEMATECH e-Handbook, 5.3.3.6.3, table 3.28: runs of central composites, with centre points
    [(2, 5, 13), (3, 6, 20), (4, 6, 30)],
)
def test_runs_of_central_composites(number: int, centre: int, runs: int) -> None:
    factors = [Range(f"x{i}", 10, 20, smallest=None) for i in range(number)]
    plan = central_composite(factors, seed=1, centre_points=centre, reach="circumscribed")
    same(f"table 3.28: runs of a central composite of {number}", len(plan.runs), runs, HANDBOOK)


def test_five_factors_use_the_half_fraction() -> None:
    # same table: 33 runs by fractional factorial
    factors = [Range(f"x{i}", 10, 20, smallest=None) for i in range(5)]
    plan = central_composite(factors, seed=1, centre_points=7, reach="circumscribed")
    same("table 3.28: runs of a central composite of 5", len(plan.runs), 33, HANDBOOK)
    agrees("table 3.32: largest star setting", plan.runs["x0"].max(), 15 + 2 * 5, HANDBOOK)


def test_rotatable_plans_forecast_alike_in_every_direction() -> None:
    # the definition of rotatability, e-Handbook 5.3.3.6: variance depends only on distance from the centre
    plan = central_composite(three(-1, 1), seed=1, reach="circumscribed")
    terms = plan.terms
    matrix, _ = model_matrix(plan.runs, plan.factors, terms)
    inverse = np.linalg.inv(matrix.T @ matrix)
    rng = np.random.default_rng(4)
    ball = rng.normal(size=(200, 3))
    ball = 1.2 * ball / np.linalg.norm(ball, axis=1)[:, None]
    points, _ = model_matrix(pd.DataFrame(ball, columns=["x1", "x2", "x3"]), plan.factors, terms)
    variance = np.einsum("ij,jk,ik->i", points, inverse, points)
    agrees(
        "rotatable: variance of a forecast in 200 directions, largest over least",
        variance.max() / variance.min(),
        1.0,
        HANDBOOK,
        abs=1e-9,
    )
