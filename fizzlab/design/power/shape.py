"""What of a plan decides its power: the model matrix of the analysis, the days, the effects asked for."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import stats

from fizzlab.errors import CannotAnswer
from fizzlab.models.terms import Category, Term, model_matrix

Array = NDArray[np.float64]
Ints = NDArray[np.int64]
_FEWEST_SPARE = 2  # as in the analysis of touch checks


@dataclass(frozen=True)
class Effect:
    """A comparison that the report will make.

    Attributes
    ----------
    factor : str
    first, second : str
        What is compared with what: a level with the control, the greatest amount with the least.
    named : bool
        The two are named levels, not amounts.
    weights : array, shape (columns,)
        The log ratio is weights @ coefficients.
    coefficients : array, shape (columns,)
        Coefficients of the model at a log ratio of 1.
    shift : array, shape (batches,)
        Log response of each batch at a log ratio of 1: 0 at the control, or half-way between the amounts.
    """

    factor: str
    first: str
    second: str
    named: bool
    weights: Array
    coefficients: Array
    shift: Array

    @property
    def name(self) -> str:
        """Short stable name."""
        return f"{self.factor}[{self.first}]"


@dataclass(frozen=True)
class Structure:
    """The plan as the analysis will see it.

    Attributes
    ----------
    x : array, shape (batches, columns)
    columns : tuple of str
    day : array of int or None
        Day of each batch if the analysis has a day effect: more than one day, some with several batches.
    days : int
        Days of the plan, with or without an effect.
    effects : tuple of Effect
    """

    x: Array
    columns: tuple[str, ...]
    day: Ints | None
    days: int
    effects: tuple[Effect, ...]

    @property
    def batches(self) -> int:
        """How many batches."""
        return len(self.x)

    def effect(self, name: str) -> Effect:
        """The effect of that name.

        Raises
        ------
        ValueError
            There is none.
        """
        for each in self.effects:
            if each.name == name:
                return each
        raise ValueError(f"the plan has no effect {name!r}; it has {', '.join(e.name for e in self.effects)}")

    def standard_error(self, effect: Effect, batch: float, day: float) -> float:
        """Standard error of the log ratio if every batch's mean were known exactly and its spreads too.

        sqrt(c'(X'V^-1 X)^-1 c), V = batch^2 I + day^2 ZZ'.
        """
        inverse = np.linalg.inv(self.x.T @ np.linalg.solve(self._variance(batch, day), self.x))
        return float(np.sqrt(effect.weights @ inverse @ effect.weights))

    def _variance(self, batch: float, day: float) -> Array:
        variance = batch**2 * np.eye(self.batches)
        if self.day is not None:
            variance = variance + day**2 * (self.day[:, None] == self.day[None, :])
        return variance


def structure(runs: pd.DataFrame, terms: Sequence[Term], air: int = 0, seed: int = 1) -> Structure:
    """Take from a plan what decides its power.

    Parameters
    ----------
    runs : DataFrame
        One row a batch: day, and a column for each term.
    terms : sequence of Category or Amount
        The main effects that the report estimates.
    air : int
        Columns of the air in the model of the report (1 for the vapour-pressure deficit). Each day's air is
        drawn, as little tied to what is changed as 200 draws allow; it costs degrees of freedom between days.
    seed : int

    Returns
    -------
    Structure

    Raises
    ------
    CannotAnswer
        Effects that cannot be told apart (as the shares of a mixture), or fewer than two spare batches.

    Examples
    --------
    >>> runs = pd.DataFrame({"day": [1, 1, 2, 2, 3, 3], "colour": ["pearl", "dye"] * 3})
    >>> plan = structure(runs, [Category("colour", ("pearl", "dye"), "pearl")])
    >>> plan.effects[0].name, plan.day.tolist(), round(plan.standard_error(plan.effects[0], 0.15, 0.1), 4)
    ('colour[dye]', [0, 0, 1, 1, 2, 2], 0.1225)
    """
    matrix = model_matrix(runs, terms)
    x = matrix.to_numpy(float)
    code = np.asarray(pd.factorize(runs["day"])[0], dtype=np.int64)
    days = int(code.max()) + 1
    named = list(matrix.columns)
    if air and days > 1:
        x = np.hstack([x, _air(x, code, air, seed)])
        named += [f"air {place}" for place in range(1, x.shape[1] - len(named) + 1)]
    # shares of a mixture add up to a total that is rounded: nearly tied is tied
    if np.linalg.matrix_rank(x / np.linalg.norm(x, axis=0), tol=1e-6) < x.shape[1]:
        raise CannotAnswer(
            "The effects of this plan are not judged one by one, since they are tied to each other.",
            "Read what the plan says of spare batches instead.",
        )
    if len(x) - x.shape[1] < _FEWEST_SPARE:
        raise CannotAnswer(
            f"{len(x)} batches are too few to estimate {x.shape[1]} numbers and their uncertainty.",
            "Make more batches, or ask of fewer factors.",
        )
    day = code if 1 < days < len(code) else None
    return Structure(x, tuple(named), day, days, tuple(_effects(runs, terms, x)))


def _effects(runs: pd.DataFrame, terms: Sequence[Term], x: Array) -> list[Effect]:
    found = []
    at = 1
    for term in terms:
        for column in term.columns():
            weights, coefficients = np.zeros(x.shape[1]), np.zeros(x.shape[1])
            if isinstance(term, Category):
                first, second = column[len(term.name) + 1 : -1], term.control
                weights[at] = coefficients[at] = 1.0
                shift = x[:, at]
            else:
                low, high = x[:, at].min(), x[:, at].max()
                amounts = runs[term.name].to_numpy(float)
                first, second = (f"{end:g} {term.unit}".strip() for end in (amounts.max(), amounts.min()))
                weights[at], coefficients[at] = high - low, 1 / (high - low)
                shift = (x[:, at] - (low + high) / 2) / (high - low)
            found.append(
                Effect(term.name, first, second, isinstance(term, Category), weights, coefficients, shift)
            )
            at += 1
    return found


def _air(x: Array, day: Ints, columns: int, seed: int) -> Array:
    days = int(day.max()) + 1
    columns = min(columns, max(days - 2, 0))
    rng = np.random.default_rng(seed)
    score = stats.norm.ppf((np.arange(days) + 0.625) / (days + 0.25))
    inside = x - x.mean(axis=0)
    best: tuple[float, Array] = (np.inf, np.zeros((len(x), 0)))
    for _ in range(200 if columns else 0):
        drawn = np.column_stack([rng.permutation(score) for _ in range(columns)])[day]
        drawn = drawn - drawn.mean(axis=0)
        size = np.linalg.norm(inside, axis=0)[:, None] * np.linalg.norm(drawn, axis=0)
        tie = np.abs(inside.T @ drawn) / np.maximum(size, 1e-12)
        between = np.abs(np.corrcoef(drawn.T)[0, 1]) if columns > 1 else 0.0
        worst = max(float(tie.max()), float(between))
        if worst < best[0] - 1e-9:
            best = (worst, drawn)
    return best[1]
