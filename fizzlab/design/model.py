"""Which effects a plan is to tell, the matrix that says how well it can, and what it cannot tell apart.

A term is written with the factors' names: ``oil`` (main effect), ``oil:colour`` (joint effect),
``oil^2`` (bend), ``curvature`` (the bends of all amounts together, from centre points). Coded columns are
-1 to +1 for amounts; a category of L levels has L - 1 orthogonal columns of mean square 1, so that a balanced
plan has information n I.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import combinations
from types import MappingProxyType

import numpy as np
import pandas as pd

from fizzlab.design.factors import Factor, Range, plain
from fizzlab.language import listed, say
from fizzlab.models.terms import INTERCEPT, parts, terms_of

Matrix = np.ndarray

#: Where the reader calls the factors by their names.
NO_LABELS: Mapping[str, str] = MappingProxyType({})

#: Of each effect, how much of each other effect is in its number: 1 or -1 where the two cannot
#: be told apart at all, a fraction where a part of it leaks in.
Aliases = dict[str, dict[str, float]]


def model_terms(factors: Sequence[Factor], model: str | Sequence[str]) -> tuple[str, ...]:
    """The terms that a model stands for: one of `fizzlab.models.terms.MODELS`, or the terms themselves."""
    names = [factor.name for factor in factors]
    if isinstance(model, str):
        return tuple(terms_of(model, names, [each.name for each in factors if isinstance(each, Range)]))
    unknown = [name for term in model for name in parts(term) if name not in names]
    if unknown or not model:
        raise ValueError(f"a model needs terms of the factors of the plan, not {unknown or 'none'}")
    tidy = (t if "^" in t else ":".join(sorted(parts(t), key=names.index)) for t in model)
    return tuple(dict.fromkeys(tidy))


def pairs(factors: Sequence[Factor]) -> tuple[str, ...]:
    """The joint effects of two."""
    return tuple(":".join(pair) for pair in combinations([factor.name for factor in factors], 2))


def _coded(factor: Factor, values: pd.Series) -> Matrix:
    """The coded columns of one factor, shape (runs, 1) for an amount, (runs, levels - 1) for a category."""
    from scipy.linalg import helmert

    if isinstance(factor, Range):
        return factor.encode(values)[:, None]
    order = [factor.control, *(level for level in factor.levels if level != factor.control)]
    place = values.map({level: row for row, level in enumerate(order)})
    if place.isna().any():
        raise ValueError(f"{factor.name} has a value that is none of its levels")
    return np.asarray(-np.sqrt(len(order)) * helmert(len(order)).T[place.to_numpy(int)])


def model_matrix(
    settings: pd.DataFrame, factors: Sequence[Factor], terms: Sequence[str], intercept: bool = True
) -> tuple[Matrix, list[str]]:
    """The coded matrix of settings (with ``point``, for ``curvature``), and the term of each column."""
    coded = {factor.name: _coded(factor, settings[factor.name]) for factor in factors}
    ones: Matrix = np.ones((len(settings), 1))
    blocks: list[Matrix] = [ones] if intercept else [ones[:, :0]]
    owner = [INTERCEPT] if intercept else []
    for term in terms:
        block: Matrix = ones
        if term == "curvature":
            block = (settings["point"] == "centre").to_numpy(float)[:, None]
        elif term.endswith("^2"):
            block = coded[parts(term)[0]] ** 2
        else:
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
        return say("bend_in_amounts")
    names = [labels.get(name, plain(name)) for name in parts(term)]
    if term.endswith("^2"):
        return say("bend_in", name=names[0])
    return say("joint_effect_of" if len(names) > 1 else "effect_of", names=listed(names))


def rank(matrix: Matrix) -> int:
    """Rank of a matrix; 0 for one without columns."""
    return int(np.linalg.matrix_rank(matrix)) if matrix.size else 0


def inseparable(matrix: Matrix, owner: Sequence[str]) -> str:
    """In words, the terms with a column that the other columns can make up; "" where there is none."""
    full = rank(matrix)
    if full == matrix.shape[1]:
        return ""
    lost = [t for i, t in enumerate(owner) if rank(np.delete(matrix, i, axis=1)) == full]
    return listed([in_words(term) for term in dict.fromkeys(lost) if term not in ("day", INTERCEPT)])


def leaks(
    model: Matrix, owner: Sequence[str], extra: Matrix, extra_owner: Sequence[str], kept: Sequence[str]
) -> Aliases:
    """Aliases of the `kept` terms, from 0.05 on: (X'X)^-1 X'Z, Z left out (Box and Wilson 1951)."""
    if not extra.size:
        return {}
    amounts = pd.DataFrame(np.linalg.lstsq(model, extra, rcond=None)[0], list(owner), list(extra_owner))
    found: Aliases = {}
    for effect in kept:
        for term in dict.fromkeys(extra_owner):
            block = amounts.loc[[effect], [term]].to_numpy()
            largest = float(block.flat[int(np.abs(block).argmax())])
            if abs(largest) >= 0.05:
                found.setdefault(effect, {})[term] = round(largest, 6)
    return found
