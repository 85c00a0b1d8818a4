"""Factors to columns, coded so that every effect means what its name says.

A category has columns that sum to zero over its levels, an amount is -1 at the low and +1 at the high end of
what was tried: a main effect is averaged over the other categories, in the middle of the other amounts.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import combinations, product
from typing import Any, Literal

import numpy as np
import pandas as pd
from scipy.optimize import nnls

from fizzlab.errors import cannot
from fizzlab.language import listed
from fizzlab.models.terms import (
    INTERCEPT,
    Amount,
    Array,
    Category,
    Term,
    column_names,
    expand,
    level_name,
    terms_of,
)

LINEAR = "linear blending"

Blending = Literal["linear", "quadratic", "special cubic"]
#: A factor, the level that it is taken to and from, and the weights of the coefficients in that effect.
Step = tuple[Term, str, str, Array]


@dataclass(frozen=True)
class FactorBasis:
    """Main effects, joint effects and bends of categories and amounts; see the module's text.

    `terms` are ``"oil"``, ``"oil:colour"``, ``"oil^2"``; `ranges` what of each amount is coded -1 and +1.
    """

    factors: tuple[Term, ...]
    terms: tuple[str, ...]
    ranges: Mapping[str, tuple[float, float]]

    @property
    def columns(self) -> dict[str, str]:
        """The name of each column, and the term that it belongs to."""
        return column_names(self.factors, self.terms)

    @property
    def amounts(self) -> list[Amount]:
        """Those of the factors that are numbers."""
        return [factor for factor in self.factors if isinstance(factor, Amount)]

    def factor(self, name: str) -> Term:
        """The factor of a name; ValueError if there is none."""
        found = next((each for each in self.factors if each.name == name), None)
        if found is None:
            raise ValueError(f"the fit has no factor {name}")
        return found

    @cached_property
    def _lines(self) -> dict[str, tuple[float, float]]:
        """The middle of what was tried and half its width, by amount, as it enters the model."""
        ends = {each.name: each.matrix(pd.Series(self.ranges[each.name]))[:, 0] for each in self.amounts}
        return {name: (float(low + high) / 2, float(high - low) / 2) for name, (low, high) in ends.items()}

    def decoded(self, coded: Array) -> dict[str, float]:
        """One point of coded amounts, back to the maker's units."""
        found = {}
        for factor, value in zip(self.amounts, coded, strict=True):
            middle, half = self._lines[factor.name]
            found[factor.name] = float(np.exp(middle + value * half) if factor.log else middle + value * half)
        return found

    def coded(self, factor: Term, values: pd.Series) -> Array:
        """The columns of one factor."""
        columns = factor.matrix(values)
        if isinstance(factor, Amount):
            middle, half = self._lines[factor.name]
            return (columns - middle) / half
        return columns - (values.astype(str) == factor.control).to_numpy(float)[:, None]

    def matrix(self, settings: pd.DataFrame) -> Array:
        blocks = {factor.name: self.coded(factor, settings[factor.name]) for factor in self.factors}
        return expand(len(settings), blocks, self.terms)

    def grid(self, settings: pd.DataFrame) -> Array:
        """Categories left out are averaged with equal weights, amounts held in the middle."""
        rest = [factor for factor in self.factors if factor.name not in settings]
        middle = self.decoded(np.zeros(len(self.amounts)))
        values = [list(f.levels) if isinstance(f, Category) else [middle[f.name]] for f in rest]
        others = list(product(*values))
        full: dict[Any, Any] = {name: settings[name].to_numpy().repeat(len(others)) for name in settings}
        full |= {factor.name: [row[at] for row in others] * len(settings) for at, factor in enumerate(rest)}
        columns = self.matrix(pd.DataFrame(full, index=range(len(settings) * len(others))))
        return np.asarray(columns.reshape(len(settings), -1, columns.shape[1]).mean(axis=1))

    def steps(self) -> list[Step]:
        """Each level from the control, each amount from its least to its most, all else averaged."""
        found: list[Step] = []
        for factor in self.factors:
            if factor.name not in self.terms:
                continue
            for to, start in factor.pairs(pd.Series(self.ranges.get(factor.name, ()))):
                one, two = self.grid(pd.DataFrame({factor.name: [to, start]}))
                found.append((factor, level_name(factor, to), level_name(factor, start), one - two))
        return found

    def hypotheses(self) -> list[tuple[str, Array]]:
        """Each term, and the rows L of its test L b = 0."""
        owners = np.array(list(self.columns.values()))
        return [(term, np.eye(len(owners))[owners == term]) for term in self.terms]

    def beyond(self, settings: pd.DataFrame, made: pd.DataFrame) -> list[bool]:
        """Was no batch made of these levels, or do the amounts lie outside of the hull of those tried?"""
        amounts = [f.name for f in self.amounts if f.name in settings]
        levels = [f.name for f in self.factors if isinstance(f, Category) and f.name in settings]
        like = {tuple(map(str, row)) for row in made[levels].to_numpy(object)}
        points = made[amounts].to_numpy(float)
        return [
            tuple(map(str, row[levels])) not in like
            or bool(amounts and not in_hull(points, row[amounts].to_numpy(float)))
            for _, row in settings.iterrows()
        ]


def in_hull(points: Array, point: Array) -> bool:
    """Is a point a weighted average of the points?"""
    centre, size = points.mean(axis=0), np.maximum(np.ptp(points, axis=0), 1e-12)
    scaled = (np.unique(points, axis=0) - centre) / size
    off = nnls(np.vstack([scaled.T, np.ones(len(scaled))]), np.append((point - centre) / size, 1.0))[1]
    return bool(off < 1e-7)


@dataclass(frozen=True)
class MixtureBasis:
    """Scheffé's polynomials of the shares of parts (`made`: a row a batch); the rest as in `FactorBasis`."""

    factors: tuple[Term, ...]
    blending: Blending
    made: Array

    @property
    def _products(self) -> list[tuple[int, ...]]:
        order = {"linear": 1, "quadratic": 2, "special cubic": 3}[self.blending]
        return [c for n in range(1, order + 1) for c in combinations(range(len(self.factors)), n)]

    @property
    def columns(self) -> dict[str, str]:
        names = (":".join(self.factors[i].name for i in picks) for picks in self._products)
        return {name: name if ":" in name else LINEAR for name in names}

    @property
    def terms(self) -> tuple[str, ...]:
        return tuple(dict.fromkeys(self.columns.values()))

    def _blends(self, mixes: Array) -> Array:
        return np.column_stack([np.prod(mixes[:, list(picks)], axis=1) for picks in self._products])

    def matrix(self, settings: pd.DataFrame) -> Array:
        if not {factor.name for factor in self.factors} <= set(settings.columns):
            raise ValueError("the parts of a mixture cannot vary alone: give the amount of each")
        return self._blends(shares(settings, self.factors))

    grid = matrix  # a blend has no part to leave out

    def steps(self) -> list[Step]:
        """Each part from its least to its most share, the others keeping their proportions (Cox's line)."""
        reference = self.made.mean(axis=0)
        found: list[Step] = []
        for i, factor in enumerate(self.factors):
            ends = np.array([self.made[:, i].max(), self.made[:, i].min()])
            mixes = reference * (1 - ends[:, None]) / (1 - reference[i])
            mixes[:, i] = ends
            one, two = self._blends(mixes)
            found.append((factor, f"{100 * ends[0]:.3g} %", f"{100 * ends[1]:.3g} %", one - two))
        return found

    def hypotheses(self) -> list[tuple[str, Array]]:
        """Linear blending does nothing when all parts have one coefficient; a product when its is nil."""
        parts, rows = len(self.factors), np.eye(len(self.columns))
        products = list(self.columns)[parts:]
        return [(LINEAR, rows[1:parts] - rows[0]), *zip(products, rows[parts:, None], strict=True)]

    def beyond(self, settings: pd.DataFrame, made: pd.DataFrame) -> list[bool]:
        return [not in_hull(self.made, mix) for mix in shares(settings, self.factors)]


def shares(settings: pd.DataFrame, parts: Sequence[Term]) -> Array:
    """Shares of the parts, each row adding up to 1."""
    amounts = settings[[part.name for part in parts]].to_numpy(float)
    if not (amounts >= 0).all() or not (amounts.sum(axis=1) > 0).all():
        raise ValueError("amounts of a mixture must not be missing or negative, nor all zero")
    return np.asarray(amounts / amounts.sum(axis=1)[:, None])


Basis = FactorBasis | MixtureBasis


def factor_basis(table: pd.DataFrame, factors: Sequence[Term], model: str | Sequence[str]) -> FactorBasis:
    """The basis for what was tried; refused for a factor not varied, or whose control was never made."""
    tried: list[Term] = []
    ranges: dict[str, tuple[float, float]] = {}
    for factor in factors:
        values = table[factor.name]
        if values.isna().any():
            raise ValueError(f"{factor.name} has missing values")
        if values.nunique() < 2:
            raise cannot("same_factor", factor=factor.name)
        if isinstance(factor, Amount):
            ranges[factor.name] = (float(values.min()), float(values.max()))
        else:
            factor.matrix(values)  # refuses a level that it does not have
            made = set(values.astype(str))
            if factor.control not in made:
                raise cannot("no_control", factor=factor.name, control=factor.control)
            levels = tuple(level for level in factor.levels if level in made)
            factor = Category(factor.name, levels, factor.control)
        tried.append(factor)
    names, amounts = [factor.name for factor in tried], [*ranges]
    return FactorBasis(tuple(tried), tuple(terms_of(model, names, amounts)), ranges)


def refuse_inseparable(x: Array, owners: Sequence[str]) -> None:
    """Raise `CannotAnswer` if some term's column is a mixture of those before it."""
    for place in range(1, x.shape[1]):
        column, before = x[:, place], x[:, :place]
        weights = np.linalg.lstsq(before, column, rcond=None)[0]
        size = max(1.0, float(np.linalg.norm(column)))
        if np.linalg.norm(column - before @ weights) < 1e-8 * size:
            others = dict.fromkeys(name for name, w in zip(owners, weights, strict=False) if abs(w) > 1e-6)
            named = [name for name in others if name not in (INTERCEPT, owners[place])]
            says = "inseparable_from" if named else "inseparable"
            raise cannot(says, factor=owners[place], others=listed(named))
