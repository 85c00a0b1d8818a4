"""Factors to columns of a model: coding that makes every effect mean what its name says.

A category of L levels has L - 1 columns that sum to zero over its levels, and an amount is coded -1 at
the low and +1 at the high end of what was tried. A main effect is then the effect averaged over the
levels of the other categories, in the middle of the other amounts, whatever else is in the model, and
its test is the test that the adjusted means shown for it are equal.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import reduce
from typing import Protocol

import numpy as np
import pandas as pd

from fizzlab.errors import CannotAnswer
from fizzlab.models.effects.variance import Array
from fizzlab.models.terms import INTERCEPT, Amount, Category, Term, terms_of


class Basis(Protocol):
    """Columns of a model, as a function of the settings."""

    @property
    def factors(self) -> tuple[Term, ...]:
        """The factors."""

    @property
    def terms(self) -> tuple[str, ...]:
        """The terms, in order."""

    @property
    def names(self) -> tuple[str, ...]:
        """Name of each column."""

    @property
    def owners(self) -> tuple[str, ...]:
        """Term that each column belongs to."""

    def matrix(self, settings: pd.DataFrame) -> Array:
        """The columns for a table of settings."""

    def effects(self) -> list[tuple[str, str, Array]]:
        """Term, name and weights on the columns of each effect to show."""

    def hypotheses(self) -> list[tuple[str, Array]]:
        """Each term with the rows of coefficients that are nil when it does nothing."""


@dataclass(frozen=True)
class FactorBasis:
    """Main effects, joint effects and bends of categories and amounts; see the module's text.

    Parameters
    ----------
    factors : tuple of Category or Amount
    terms : tuple of str
        ``"oil"``, ``"oil:colour"``, ``"oil^2"``.
    ranges : mapping of str to (float, float)
        What of each amount is coded -1 and +1.

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

    def _factor(self, name: str) -> Term:
        return next(factor for factor in self.factors if factor.name == name)

    def _names(self, term: str) -> list[str]:
        if term.endswith("^2"):
            return [term]
        pieces = [self._factor(name).columns() for name in parts(term)]
        return [":".join(name) for name in _product(pieces)]

    @property
    def names(self) -> tuple[str, ...]:
        """Name of each column."""
        return (INTERCEPT, *(name for term in self.terms for name in self._names(term)))

    @property
    def owners(self) -> tuple[str, ...]:
        """Term that each column belongs to."""
        return (INTERCEPT, *(term for term in self.terms for _ in self._names(term)))

    def coded(self, settings: pd.DataFrame) -> Array:
        """The amounts, -1 to +1 over their ranges, one column each."""
        columns = [
            _scaled(f, self.ranges[f.name], settings[f.name]) for f in self.factors if isinstance(f, Amount)
        ]
        return np.column_stack(columns) if columns else np.empty((len(settings), 0))

    def decoded(self, coded: Array) -> dict[str, float]:
        """One point of coded amounts, back to the maker's units."""
        amounts = [factor for factor in self.factors if isinstance(factor, Amount)]
        found = {}
        for factor, value in zip(amounts, coded, strict=True):
            low, high = _ends(factor, self.ranges[factor.name])
            number = (low + high) / 2 + value * (high - low) / 2
            found[factor.name] = float(np.exp(number) if factor.log else number)
        return found

    def matrix(self, settings: pd.DataFrame) -> Array:
        """The columns for a table of settings, shape (rows, columns)."""
        pieces: dict[str, Array] = {}
        for factor in self.factors:
            if isinstance(factor, Amount):
                pieces[factor.name] = _scaled(factor, self.ranges[factor.name], settings[factor.name])[
                    :, None
                ]
            else:
                is_control = (settings[factor.name].astype(str) == factor.control).to_numpy(float)
                pieces[factor.name] = factor.matrix(settings[factor.name]) - is_control[:, None]
        blocks = [np.ones((len(settings), 1))]
        for term in self.terms:
            if term.endswith("^2"):
                blocks.append(pieces[parts(term)[0]] ** 2)
            else:
                blocks.append(reduce(_rowwise, (pieces[name] for name in parts(term))))
        return np.asarray(np.hstack(blocks), float)

    def effects(self) -> list[tuple[str, str, Array]]:
        """Term, name and weights on the columns of each effect; see `contrasts`."""
        owners = np.array(self.owners)
        found = []
        for term in self.terms:
            for label, weights in self.contrasts(term):
                full = np.zeros(len(owners))
                full[owners == term] = weights
                found.append((term, label, full))
        return found

    def hypotheses(self) -> list[tuple[str, Array]]:
        """Each term with the rows that pick out its coefficients."""
        owners = np.array(self.owners)
        return [(term, np.eye(len(owners))[owners == term]) for term in self.terms]

    def contrasts(self, term: str) -> list[tuple[str, Array]]:
        """The effects of a term, each with its weights on the columns of the term.

        A category's level against the control, an amount's high end against its low end; of a joint
        effect, how much the first differs between the settings of the second; of a bend, how far the
        middle lies from the line through the ends.
        """
        if term.endswith("^2"):
            return [(f"{term}: middle against ends", np.array([-1.0]))]
        pieces = []
        for name in parts(term):
            factor = self._factor(name)
            if isinstance(factor, Amount):
                low, high = self.ranges[name]
                pieces.append([(f"{name}: {_tidy(high)} against {_tidy(low)}", np.array([2.0]))])
                continue
            others = [level for level in factor.levels if level != factor.control]
            control = -np.ones(len(others))
            rows = [np.where(np.arange(len(others)) == i, 1.0, 0.0) - control for i in range(len(others))]
            pieces.append(
                [
                    (f"{name}: {level} against {factor.control}", r)
                    for level, r in zip(others, rows, strict=True)
                ]
            )
        found = [("", np.ones(1))]
        for piece in pieces:
            found = [
                (f"{label} × {more}" if label else more, np.kron(weights, row))
                for label, weights in found
                for more, row in piece
            ]
        return found


def _tidy(value: float) -> str:
    return f"{value:.4g}"


def _product(pieces: Sequence[Sequence[str]]) -> list[list[str]]:
    found: list[list[str]] = [[]]
    for piece in pieces:
        found = [[*before, name] for before in found for name in piece]
    return found


def _rowwise(left: Array, right: Array) -> Array:
    return np.asarray(np.einsum("ra,rb->rab", left, right).reshape(len(left), -1), float)


def _ends(factor: Amount, ends: tuple[float, float]) -> tuple[float, float]:
    low, high = ends
    if factor.log:
        if low <= 0:
            raise ValueError(f"{factor.name} must be positive to take its logarithm")
        return float(np.log(low)), float(np.log(high))
    return float(low), float(high)


def _scaled(factor: Amount, ends: tuple[float, float], values: pd.Series) -> Array:
    low, high = _ends(factor, ends)
    return np.asarray((factor.matrix(values)[:, 0] - (low + high) / 2) / ((high - low) / 2), float)


def parts(term: str) -> tuple[str, ...]:
    """Names of the factors in a term.

    Examples
    --------
    >>> parts("oil:colour"), parts("oil^2")
    (('oil', 'colour'), ('oil',))
    """
    return (term.removesuffix("^2"),) if term.endswith("^2") else tuple(term.split(":"))


def model_terms(factors: Sequence[Term], model: str | Sequence[str]) -> tuple[str, ...]:
    """The terms that a model stands for: main effects; with joint effects of two; with bends; all.

    Examples
    --------
    >>> model_terms([Amount("oil"), Category("dye", ("no", "yes"), "no")], "quadratic")
    ('oil', 'dye', 'oil:dye', 'oil^2')
    """
    names = [factor.name for factor in factors]
    if isinstance(model, str):
        return tuple(terms_of(model, names, [each.name for each in factors if isinstance(each, Amount)]))
    amounts = {factor.name for factor in factors if isinstance(factor, Amount)}
    tidy: list[str] = []
    for term in model:
        unknown = set(parts(term)) - set(names)
        if unknown:
            raise ValueError(f"the term {term!r} names the unknown factor {sorted(unknown)[0]!r}")
        if term.endswith("^2") and parts(term)[0] not in amounts:
            raise ValueError(f"{parts(term)[0]} has named levels, so it has no bend")
        tidy.append(term if term.endswith("^2") else ":".join(sorted(set(parts(term)), key=names.index)))
    return tuple(dict.fromkeys(tidy))


def factor_basis(
    table: pd.DataFrame,
    factors: Sequence[Term],
    model: str | Sequence[str],
    ranges: Mapping[str, tuple[float, float]] | None = None,
) -> FactorBasis:
    """The basis for the batches that were made: levels that were tried, amounts over what was tried.

    Raises
    ------
    CannotAnswer
        A factor that was not varied, or whose control was never made.
    """
    tried: list[Term] = []
    found: dict[str, tuple[float, float]] = {}
    for factor in factors:
        if table[factor.name].isna().any():
            raise ValueError(f"{factor.name} has missing values")
        if isinstance(factor, Category):
            values = set(table[factor.name].astype(str))
            unknown = values - set(factor.levels)
            if unknown:
                raise ValueError(f"{factor.name} has no level {sorted(unknown)[0]!r}")
            if len(values) < 2:
                raise _not_varied(factor.name)
            if factor.control not in values:
                raise CannotAnswer(
                    f"No batch with {factor.name} {factor.control} was measured, and it is what the others "
                    "are compared with.",
                    f"Make and measure batches with {factor.control}, or choose another level as control.",
                )
            tried.append(
                Category(factor.name, tuple(v for v in factor.levels if v in values), factor.control)
            )
        else:
            numbers = table[factor.name].to_numpy(float)
            if np.ptp(numbers) == 0:
                raise _not_varied(factor.name)
            tried.append(factor)
            low, high = (ranges or {}).get(factor.name, (numbers.min(), numbers.max()))
            found[factor.name] = (float(low), float(high))
    return FactorBasis(tuple(tried), model_terms(tried, model), found)


def _not_varied(name: str) -> CannotAnswer:
    return CannotAnswer(
        f"Every batch that was measured had the same {name}, so its effect cannot be seen.",
        f"Make batches with another {name}.",
    )


def refuse_inseparable(x: Array, owners: Sequence[str], words: str = "batches") -> None:
    """Raise `CannotAnswer` if some term's column is a mixture of those before it."""
    basis = np.empty((len(x), 0))
    seen: list[int] = []
    for place in range(x.shape[1]):
        column = x[:, place]
        rest = column - basis @ (basis.T @ column)
        rest = rest - basis @ (basis.T @ rest)
        size = np.linalg.norm(rest)
        if size < 1e-8 * max(1.0, float(np.linalg.norm(column))):
            weights = np.linalg.lstsq(x[:, seen], column, rcond=None)[0]
            others = dict.fromkeys(owners[i] for i, w in zip(seen, weights, strict=True) if abs(w) > 1e-6)
            named = [name for name in others if name not in (INTERCEPT, owners[place])]
            with_what = f" from {' and '.join(named)}" if named else ""
            raise CannotAnswer(
                f"The {words} that were measured cannot tell {owners[place]}{with_what}: some combination "
                "of them is missing.",
                "Make the missing combination, or leave one of these out of the model.",
            )
        basis = np.column_stack([basis, rest / size])
        seen.append(place)
