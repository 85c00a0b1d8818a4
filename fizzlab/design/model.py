"""Which effects a plan is to tell, and the matrix that says how well it can.

A term is written with the factors' names: ``oil`` (main effect), ``oil:colour`` (joint effect),
``oil^2`` (bend), ``oil:alcohol:colour``. Coded columns are -1 to +1 for amounts; a category of L levels
has L - 1 mutually orthogonal columns of mean square 1, so that a balanced plan has information n I.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from fizzlab.design.factors import NO_LABELS, Factor, Range, Share, plain
from fizzlab.models.terms import INTERCEPT, Category, terms_of
from fizzlab.report.phrases import listed

Matrix = np.ndarray


def model_terms(factors: Sequence[Factor], model: str | Sequence[str]) -> tuple[str, ...]:
    """The terms that a model stands for.

    Parameters
    ----------
    factors : sequence of factors
    model : {"main", "interactions", "quadratic", "full"} or sequence of str
        Main effects; with every joint effect of two; with the bends of the amounts too; with joint
        effects of every order. Or the terms themselves.

    Returns
    -------
    tuple of str

    Examples
    --------
    >>> oil, colour = Range("oil", 4, 8, "g"), Category("colour", ("mica", "lake"), "mica")
    >>> model_terms([oil, colour], "quadratic")
    ('oil', 'colour', 'oil:colour', 'oil^2')
    """
    names = [factor.name for factor in factors]
    if isinstance(model, str):
        return tuple(terms_of(model, names, [each.name for each in factors if isinstance(each, Range)]))
    for term in model:
        unknown = set(parts(term)) - set(names)
        if unknown:
            raise ValueError(f"the term {term!r} names the unknown factor {sorted(unknown)[0]!r}")
    tidy = tuple(dict.fromkeys(_tidy(term, names) for term in model))
    if not tidy:
        raise ValueError("a model needs at least one term")
    return tidy


def _tidy(term: str, names: Sequence[str]) -> str:
    return term if "^" in term else ":".join(sorted(parts(term), key=list(names).index))


def parts(term: str) -> tuple[str, ...]:
    """Names of the factors in a term.

    Examples
    --------
    >>> parts("oil:colour"), parts("oil^2")
    (('oil', 'colour'), ('oil',))
    """
    return (term.removesuffix("^2"),) if term.endswith("^2") else tuple(term.split(":"))


def coded_columns(factor: Factor, values: pd.Series) -> Matrix:
    """The coded columns of one factor, shape (runs, 1) for an amount, (runs, levels - 1) for a category."""
    if isinstance(factor, Range):
        return factor.encode(values)[:, None]
    if isinstance(factor, Share):
        raise TypeError("shares of a mixture have their own model")
    order = [factor.control, *(level for level in factor.levels if level != factor.control)]
    place = values.map({level: row for row, level in enumerate(order)})
    if place.isna().any():
        raise ValueError(f"{factor.name} has a value that is none of its levels")
    size = len(order)
    contrasts = np.zeros((size, size - 1))
    for column in range(size - 1):
        contrasts[: column + 1, column] = -1.0
        contrasts[column + 1, column] = column + 1.0
    contrasts *= np.sqrt(size / (contrasts**2).sum(axis=0))
    return contrasts[place.to_numpy(int)]


def model_matrix(
    settings: pd.DataFrame, factors: Sequence[Factor], terms: Sequence[str], intercept: bool = True
) -> tuple[Matrix, list[str]]:
    """The coded model matrix, and the term each of its columns belongs to.

    Parameters
    ----------
    settings : DataFrame
        One row a run, one column a factor, in actual units.
    factors, terms
        See `model_terms`. The term ``curvature`` is 1 at a centre point (column ``point``).
    intercept : bool

    Returns
    -------
    matrix : ndarray, shape (runs, columns)
    owner : list of str
    """
    by_name = {factor.name: factor for factor in factors}
    coded = {name: coded_columns(factor, settings[name]) for name, factor in by_name.items()}
    blocks: list[Matrix] = []
    owner: list[str] = []
    if intercept:
        blocks.append(np.ones((len(settings), 1)))
        owner.append(INTERCEPT)
    for term in terms:
        if term == "curvature":
            block: Matrix = (settings["point"] == "centre").to_numpy(float)[:, None]
        elif term.endswith("^2"):
            block = coded[parts(term)[0]] ** 2
        else:
            block = np.ones((len(settings), 1))
            for name in parts(term):
                block = (block[:, :, None] * coded[name][:, None, :]).reshape(len(settings), -1)
        blocks.append(block)
        owner += [term] * block.shape[1]
    return np.hstack(blocks), owner


def in_words(term: str, labels: Mapping[str, str] = NO_LABELS) -> str:
    """A term in plain words; `labels` are what the reader calls the factors.

    Examples
    --------
    >>> in_words("oil"), in_words("alcohol:emulsifier"), in_words("oil^2")
    ('the effect of oil', 'the joint effect of alcohol and emulsifier', 'the bend in oil')
    """
    if term == "curvature":
        return "the bend in the amounts"
    names = [labels.get(name, plain(name)) for name in parts(term)]
    if term.endswith("^2"):
        return f"the bend in {names[0]}"
    return f"the effect of {names[0]}" if len(names) == 1 else f"the joint effect of {listed(names)}"


def rank(matrix: Matrix) -> int:
    """Rank of a matrix; 0 for one without columns."""
    return int(np.linalg.matrix_rank(matrix)) if matrix.size else 0


def inseparable(matrix: Matrix, owner: Sequence[str]) -> list[str]:
    """Terms with a column that the other columns can make up: what the runs cannot tell apart."""
    full = rank(matrix)
    lost = [t for i, t in enumerate(owner) if rank(np.delete(matrix, i, axis=1)) == full]
    return list(dict.fromkeys(lost))


def categories(factors: Sequence[Factor]) -> list[Category]:
    """The factors with named levels."""
    return [factor for factor in factors if isinstance(factor, Category)]
