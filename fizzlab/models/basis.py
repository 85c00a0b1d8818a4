"""Factors to columns, coded so that every effect means what its name says.

A category of L levels has L - 1 columns that sum to zero over its levels, and an amount is coded -1 at
the low and +1 at the high end of what was tried. A main effect is then the effect averaged over the
levels of the other categories, in the middle of the other amounts, whatever else is in the model, and
its test is the test that the adjusted means shown for it are equal.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import reduce
from itertools import combinations, product
from typing import Literal

import numpy as np
import pandas as pd
from scipy.optimize import linprog

from fizzlab.errors import CannotAnswer
from fizzlab.models.strata import Array
from fizzlab.models.terms import INTERCEPT, Amount, Category, Term, level_name, parts, terms_of

LINEAR = "linear blending"

Blending = Literal["linear", "quadratic", "special cubic"]


@dataclass(frozen=True)
class FactorBasis:
    """Main effects, joint effects and bends of categories and amounts; see the module's text.

    `terms` are ``"oil"``, ``"oil:colour"``, ``"oil^2"``; `ranges` what of each amount is coded -1 and +1.

    Examples
    --------
    >>> basis = FactorBasis((Amount("oil", "g"), Category("dye", ("no", "yes"), "no")),
    ...                     ("oil", "dye", "oil:dye"), {"oil": (4, 8)})
    >>> basis.matrix(pd.DataFrame({"oil": [4, 6], "dye": ["yes", "no"]})).tolist()
    [[1.0, -1.0, 1.0, -1.0], [1.0, 0.0, -1.0, 0.0]]
    """

    factors: tuple[Term, ...]
    terms: tuple[str, ...]
    ranges: Mapping[str, tuple[float, float]]

    def factor(self, name: str) -> Term:
        """The factor of a name; ValueError if there is none."""
        for each in self.factors:
            if each.name == name:
                return each
        raise ValueError(f"the fit has no factor {name}")

    @property
    def amounts(self) -> list[Amount]:
        """Those of the factors that are numbers."""
        return [factor for factor in self.factors if isinstance(factor, Amount)]

    def _names(self, term: str) -> list[str]:
        if term.endswith("^2"):
            return [term]
        return [":".join(names) for names in product(*(self.factor(name).columns() for name in parts(term)))]

    @property
    def names(self) -> tuple[str, ...]:
        return (INTERCEPT, *(name for term in self.terms for name in self._names(term)))

    @property
    def owners(self) -> tuple[str, ...]:
        return (INTERCEPT, *(term for term in self.terms for _ in self._names(term)))

    def coded(self, settings: pd.DataFrame) -> Array:
        """The amounts, -1 to +1 over their ranges, one column each."""
        return np.column_stack([self._scaled(factor, settings[factor.name]) for factor in self.amounts])

    def decoded(self, coded: Array) -> dict[str, float]:
        """One point of coded amounts, back to the maker's units."""
        found = {}
        for factor, value in zip(self.amounts, coded, strict=True):
            low, high = self._ends(factor)
            number = (low + high) / 2 + value * (high - low) / 2
            found[factor.name] = float(np.exp(number) if factor.log else number)
        return found

    def _ends(self, factor: Amount) -> tuple[float, float]:
        low, high = factor.matrix(pd.Series(self.ranges[factor.name]))[:, 0]
        return float(low), float(high)

    def _scaled(self, factor: Amount, values: pd.Series) -> Array:
        low, high = self._ends(factor)
        return np.asarray((factor.matrix(values)[:, 0] - (low + high) / 2) / ((high - low) / 2), float)

    def matrix(self, settings: pd.DataFrame) -> Array:
        pieces: dict[str, Array] = {}
        for factor in self.factors:
            values = settings[factor.name]
            if isinstance(factor, Amount):
                pieces[factor.name] = self._scaled(factor, values)[:, None]
            else:
                is_control = (values.astype(str) == factor.control).to_numpy(float)
                pieces[factor.name] = factor.matrix(values) - is_control[:, None]
        blocks = [np.ones((len(settings), 1))]
        for term in self.terms:
            if term.endswith("^2"):
                blocks.append(pieces[parts(term)[0]] ** 2)
            else:
                blocks.append(reduce(_rowwise, (pieces[name] for name in parts(term))))
        return np.asarray(np.hstack(blocks), float)

    def grid(self, settings: pd.DataFrame) -> Array:
        """Categories left out are averaged with equal weights, amounts held in the middle of what was tried.

        S. R. Searle, F. M. Speed, G. A. Milliken, The American Statistician 34 (1980) 216-221.
        """
        rest = [factor for factor in self.factors if factor.name not in settings]
        middle = self.decoded(np.zeros(len(self.amounts)))
        values = [list(f.levels) if isinstance(f, Category) else [middle[f.name]] for f in rest]
        others = pd.DataFrame(list(product(*values)), columns=[factor.name for factor in rest])
        given = settings[[factor.name for factor in self.factors if factor.name in settings]]
        full = given.reset_index(drop=True).merge(others, how="cross") if rest else given
        columns = self.matrix(full)
        return np.asarray(columns.reshape(len(settings), -1, columns.shape[1]).mean(axis=1))

    def steps(self) -> list[tuple[Term, str, str, Array]]:
        owners = np.array(self.owners)
        found: list[tuple[Term, str, str, Array]] = []
        for factor in self.factors:
            mine = np.flatnonzero(owners == factor.name)
            if not len(mine):
                continue
            if isinstance(factor, Amount):
                low, high = (level_name(factor, end) for end in self.ranges[factor.name])
                found.append((factor, high, low, np.where(owners == factor.name, 2.0, 0.0)))
                continue
            others = [level for level in factor.levels if level != factor.control]
            for place, level in zip(mine, others, strict=True):
                weights = np.where(owners == factor.name, 1.0, 0.0)
                weights[place] += 1.0
                found.append((factor, level, factor.control, weights))
        return found

    def hypotheses(self) -> list[tuple[str, Array]]:
        owners = np.array(self.owners)
        return [(term, np.eye(len(owners))[owners == term]) for term in self.terms]

    def beyond(self, settings: pd.DataFrame, made: pd.DataFrame) -> list[bool]:
        amounts = [f.name for f in self.amounts if f.name in settings]
        categories = [f.name for f in self.factors if isinstance(f, Category) and f.name in settings]
        found = []
        for _, row in settings.iterrows():
            like = np.ones(len(made), bool)
            for name in categories:
                like &= (made[name].astype(str) == str(row[name])).to_numpy()
            inside = bool(like.any())
            if inside and amounts:
                inside = in_hull(made[amounts].to_numpy(float), row[amounts].to_numpy(float))
            found.append(not inside)
        return found


def in_hull(points: Array, point: Array) -> bool:
    """Is a point a weighted average of the points?

    Examples
    --------
    >>> corners = np.array([[0.0, 0], [1, 0], [0, 1]])
    >>> in_hull(corners, np.array([0.2, 0.3])), in_hull(corners, np.array([0.8, 0.8]))
    (True, False)
    """
    unique = np.unique(points, axis=0)
    centre, size = unique.mean(axis=0), np.maximum(np.ptp(unique, axis=0), 1e-12)
    scaled = (unique - centre) / size
    equal = np.vstack([scaled.T, np.ones(len(scaled))])
    target = np.append((point - centre) / size, 1.0)
    slack = np.hstack([equal, np.eye(len(target)), -np.eye(len(target))])
    cost = np.concatenate([np.zeros(len(scaled)), np.ones(2 * len(target))])
    answer = linprog(cost, A_eq=slack, b_eq=target, method="highs")
    return bool(answer.success and answer.fun < 1e-7)


def _rowwise(left: Array, right: Array) -> Array:
    return np.asarray(np.einsum("ra,rb->rab", left, right).reshape(len(left), -1), float)


@dataclass(frozen=True)
class MixtureBasis:
    """Scheffé's polynomials of the shares of the parts: each, products of two, products of three.

    `made` holds the shares that were made, a row a batch.
    """

    factors: tuple[Term, ...]
    blending: Blending
    made: Array

    @property
    def _products(self) -> list[tuple[int, ...]]:
        order = {"linear": 1, "quadratic": 2, "special cubic": 3}[self.blending]
        return [c for n in range(1, order + 1) for c in combinations(range(len(self.factors)), n)]

    @property
    def names(self) -> tuple[str, ...]:
        return tuple(":".join(self.factors[i].name for i in picks) for picks in self._products)

    @property
    def owners(self) -> tuple[str, ...]:
        return tuple(name if ":" in name else LINEAR for name in self.names)

    @property
    def terms(self) -> tuple[str, ...]:
        return tuple(dict.fromkeys(self.owners))

    def matrix(self, settings: pd.DataFrame) -> Array:
        return self._columns(shares(settings, self.factors))

    def grid(self, settings: pd.DataFrame) -> Array:
        """A blend has no part to leave out."""
        if not {factor.name for factor in self.factors} <= set(settings.columns):
            raise ValueError("the parts of a mixture cannot vary alone: give the amount of each")
        return self.matrix(settings)

    def _columns(self, mixes: Array) -> Array:
        return np.column_stack([np.prod(mixes[:, list(picks)], axis=1) for picks in self._products])

    def steps(self) -> list[tuple[Term, str, str, Array]]:
        """Each part from its least to its most share, the others keeping their proportions.

        The line is D. R. Cox's (Biometrika 58 (1971) 155-159), through the mean of the mixtures made.
        """
        reference = self.made.mean(axis=0)
        found: list[tuple[Term, str, str, Array]] = []
        for i, factor in enumerate(self.factors):
            ends = np.array([self.made[:, i].max(), self.made[:, i].min()])
            mixes = reference * (1 - ends[:, None]) / (1 - reference[i])
            mixes[:, i] = ends
            columns = self._columns(mixes)
            most, least = (f"{100 * end:.3g} %" for end in ends)
            found.append((factor, most, least, columns[0] - columns[1]))
        return found

    def hypotheses(self) -> list[tuple[str, Array]]:
        """Linear blending does nothing when all parts have one coefficient; a product when its is nil."""
        parts = len(self.factors)
        rows = np.eye(len(self.names))
        found = [(LINEAR, rows[1:parts] - rows[0])]
        return [*found, *((name, rows[i][None]) for i, name in enumerate(self.names) if i >= parts)]

    def beyond(self, settings: pd.DataFrame, made: pd.DataFrame) -> list[bool]:
        return [not in_hull(self.made, mix) for mix in shares(settings, self.factors)]


def shares(settings: pd.DataFrame, parts: Sequence[Term]) -> Array:
    """Shares of the parts, each row adding up to 1."""
    amounts = settings[[part.name for part in parts]].to_numpy(float)
    if np.isnan(amounts).any():
        raise ValueError("amounts of a mixture must not be missing")
    if not (amounts >= 0).all() or not (amounts.sum(axis=1) > 0).all():
        raise ValueError("amounts of a mixture must not be negative, nor all zero")
    return np.asarray(amounts / amounts.sum(axis=1, keepdims=True))


Basis = FactorBasis | MixtureBasis


def model_terms(factors: Sequence[Term], model: str | Sequence[str]) -> tuple[str, ...]:
    """The terms that a model stands for, in a tidy order.

    Examples
    --------
    >>> model_terms([Amount("oil"), Category("dye", ("no", "yes"), "no")], ["oil", "dye:oil"])
    ('oil', 'oil:dye')
    """
    names = [factor.name for factor in factors]
    amounts = [factor.name for factor in factors if isinstance(factor, Amount)]
    if isinstance(model, str):
        return tuple(terms_of(model, names, amounts))
    tidy: list[str] = []
    for term in model:
        unknown = set(parts(term)) - set(names)
        if unknown:
            raise ValueError(f"the term {term!r} names the unknown factor {sorted(unknown)[0]!r}")
        if term.endswith("^2") and parts(term)[0] not in amounts:
            raise ValueError(f"{parts(term)[0]} has named levels, so it has no bend")
        tidy.append(term if term.endswith("^2") else ":".join(sorted(set(parts(term)), key=names.index)))
    return tuple(dict.fromkeys(tidy))


def factor_basis(table: pd.DataFrame, factors: Sequence[Term], model: str | Sequence[str]) -> FactorBasis:
    """The basis for the batches that were made: levels that were tried, amounts over what was tried.

    Raises
    ------
    CannotAnswer
        A factor that was not varied, or whose control was never made.
    """
    tried: list[Term] = []
    ranges: dict[str, tuple[float, float]] = {}
    for factor in factors:
        values = table[factor.name]
        if values.isna().any():
            raise ValueError(f"{factor.name} has missing values")
        if values.nunique() < 2:
            raise CannotAnswer(
                f"Every batch that was measured had the same {factor.name}, so its effect cannot be seen.",
                f"Make batches with another {factor.name}.",
            )
        if isinstance(factor, Amount):
            tried.append(factor)
            ranges[factor.name] = (float(values.min()), float(values.max()))
            continue
        made = set(values.astype(str))
        if made - set(factor.levels):
            raise ValueError(f"{factor.name} has no level {sorted(made - set(factor.levels))[0]!r}")
        if factor.control not in made:
            raise CannotAnswer(
                f"No batch with {factor.name} {factor.control} was measured, and it is what the others "
                "are compared with.",
                f"Make and measure batches with {factor.control}, or choose another level as control.",
            )
        levels = tuple(level for level in factor.levels if level in made)
        tried.append(Category(factor.name, levels, factor.control))
    return FactorBasis(tuple(tried), model_terms(tried, model), ranges)


def refuse_inseparable(x: Array, owners: Sequence[str]) -> None:
    """Raise `CannotAnswer` if some term's column is a mixture of those before it."""
    basis = np.empty((len(x), 0))
    seen: list[int] = []
    for place, column in enumerate(x.T):
        rest = column - basis @ (basis.T @ column)
        rest = rest - basis @ (basis.T @ rest)
        size = np.linalg.norm(rest)
        if size < 1e-8 * max(1.0, float(np.linalg.norm(column))):
            weights = np.linalg.lstsq(x[:, seen], column, rcond=None)[0]
            others = dict.fromkeys(owners[i] for i, w in zip(seen, weights, strict=True) if abs(w) > 1e-6)
            named = [name for name in others if name not in (INTERCEPT, owners[place])]
            with_what = f" from {' and '.join(named)}" if named else ""
            raise CannotAnswer(
                f"The batches that were measured cannot tell {owners[place]}{with_what}: some combination "
                "of them is missing.",
                "Make the missing combination, or leave one of these out of the model.",
            )
        basis = np.column_stack([basis, rest / size])
        seen.append(place)
