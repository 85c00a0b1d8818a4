"""How good a plan is by the usual criteria: fizzlab chooses by them, and shows none."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from fizzlab.design.layout import members, together
from fizzlab.design.model import model_matrix
from fizzlab.design.plans import Plan


class Efficiency(NamedTuple):
    """D, A and G of a plan, and the mean variance of a forecast over a region."""

    d: float
    a: float
    g: float
    average_variance: float


def efficiency(model: np.ndarray, region: np.ndarray | None = None) -> Efficiency:
    runs, size = model.shape
    over = model if region is None else region
    inverse = np.linalg.inv(model.T @ model)
    variance = np.einsum("ij,jk,ik->i", over, inverse, over)
    d = np.exp(np.linalg.slogdet(model.T @ model / runs)[1] / size)
    numbers = (d, size / (runs * np.trace(inverse)), size / (runs * variance.max()), variance.mean())
    return Efficiency(*(round(float(number), 12) for number in numbers))


def matrix_of(plan: Plan) -> np.ndarray:
    return model_matrix(plan.runs, plan.factors, plan.terms)[0]


def day_share(plan: Plan) -> float:
    """What the days leave of the D criterion: 1 when they take nothing."""
    x = matrix_of(plan)[:, 1:]
    days = members(together(plan.runs["day"].to_numpy()))
    inside = x - days @ (days.T @ x / days.sum(axis=0)[:, None])
    centred = x - x.mean(axis=0)
    change = np.linalg.slogdet(inside.T @ inside)[1] - np.linalg.slogdet(centred.T @ centred)[1]
    return float(round(np.exp(change / x.shape[1]), 6))
