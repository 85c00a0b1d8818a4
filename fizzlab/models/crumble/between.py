"""Joining readings to their batches, and counting the batches that an answer rests on."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from fizzlab.errors import CannotAnswer
from fizzlab.models.crumble.clusters import Array
from fizzlab.models.terms import INTERCEPT, Category, Term, model_matrix


@dataclass(frozen=True)
class Columns:
    """The model columns of the batches, without the intercept.

    Parameters
    ----------
    names : tuple of str
    term_of : tuple of str
        The term of each column.
    batches : DataFrame
        One row a batch that has readings; index is the run.
    """

    names: tuple[str, ...]
    term_of: tuple[str, ...]
    batches: pd.DataFrame

    def rows(self, runs: pd.Series) -> Array:
        """Return the columns for each reading, shape (rows, columns)."""
        return self.batches.loc[runs].to_numpy(float).reshape(len(runs), len(self.names))

    def where(self, term: str) -> list[int]:
        """Return the positions of a term's columns."""
        return [i for i, name in enumerate(self.term_of) if name == term]


def between_columns(runs: pd.Series, batches: pd.DataFrame, terms: Sequence[Term]) -> Columns:
    """Return the model columns of the batches that have readings.

    Parameters
    ----------
    runs : Series
        Batch of each reading.
    batches : DataFrame
        One row a batch, indexed by run.
    terms : sequence of Category or Amount

    Raises
    ------
    CannotAnswer
        A level has no batch, two terms cannot be told apart, or too few batches are left to judge by.
    ValueError
        A reading belongs to no batch of the table, or the table names a batch twice.
    """
    if batches.index.has_duplicates:
        raise ValueError("the table of batches names a batch twice")
    used = pd.unique(runs)
    strange = set(used) - set(batches.index)
    if strange:
        raise ValueError(f"no such batch in the table: {sorted(map(str, strange))[0]}")
    table = batches.loc[[run for run in batches.index if run in set(used)]]
    for term in terms:
        if isinstance(term, Category):
            empty = [level for level in term.levels if not (table[term.name].astype(str) == level).any()]
            if empty:
                raise CannotAnswer(
                    f"No batch with {term.name} {empty[0]} has readings.",
                    "Test pieces of such a batch, or take that level out of the comparison.",
                )
    matrix = model_matrix(table, terms)
    if np.linalg.matrix_rank(matrix.to_numpy()) < matrix.shape[1]:
        raise CannotAnswer(
            "Two of the factors always changed together, so their effects cannot be told apart.",
            "Make a batch in which one of them changes alone.",
        )
    if len(table) - matrix.shape[1] < 1:
        raise CannotAnswer(
            f"{len(table)} batches leave no chance variation to judge {matrix.shape[1]} estimates by.",
            "Make further batches; pieces of the same batch do not count as repeats.",
        )
    term_of = tuple(term.name for term in terms for _ in term.columns())
    inner = matrix.drop(columns=INTERCEPT)
    return Columns(tuple(inner.columns), term_of, inner)


def at_level(columns: Columns, term: Category | None, level: str = "") -> Array:
    """Return the column means over batches, with the columns of one category set to one of its levels."""
    means = columns.batches.to_numpy(float).mean(axis=0) if columns.names else np.zeros(0)
    if term is not None:
        for position in columns.where(term.name):
            means[position] = float(columns.names[position] == f"{term.name}[{level}]")
    result: Array = means
    return result
