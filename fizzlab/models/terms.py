"""The terms of a model: which columns of the batch table enter it, and how they become numbers."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import reduce
from itertools import combinations, product
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from fizzlab.errors import BadInput, did_you_mean, problem
from fizzlab.language import say

Array = NDArray[np.float64]

INTERCEPT = "intercept"

#: The name of the one level where a trial has no factor to draw apart.
ALL = "all batches"


@dataclass(frozen=True)
class Category:
    """A factor with named levels, in the order in which to show them, each compared with a control level."""

    name: str
    levels: tuple[str, ...]
    control: str

    def __post_init__(self) -> None:
        if self.control not in self.levels:
            raise ValueError(f"control {self.control!r} is not a level of {self.name}")

    @property
    def others(self) -> list[str]:
        """The levels that are compared with the control."""
        return [level for level in self.levels if level != self.control]

    def columns(self) -> list[str]:
        """Names of the model columns: one for each level that is not the control."""
        return [f"{self.name}[{level}]" for level in self.others]

    def pairs(self, _: pd.Series) -> list[tuple[Any, Any]]:
        """What an effect compares: each level with the control."""
        return [(level, self.control) for level in self.others]

    def matrix(self, values: pd.Series) -> Array:
        """Return the 0/1 columns, shape (rows, levels - 1)."""
        text = values.astype(str).to_numpy(object)
        unknown = set(text) - set(self.levels)
        if unknown:
            raise ValueError(f"{self.name} has no level {sorted(unknown)[0]!r}")
        return np.asarray(text[:, None] == np.array(self.others, object), float)


@dataclass(frozen=True)
class Amount:
    """A numeric factor or a reading of the air; with `log` it enters the model as its natural logarithm."""

    name: str
    unit: str = ""
    log: bool = False

    def columns(self) -> list[str]:
        """Name of the single model column."""
        return [f"log {self.name}" if self.log else self.name]

    def pairs(self, values: pd.Series) -> list[tuple[Any, Any]]:
        """What an effect compares: the most of the amount with the least."""
        return [(float(values.max()), float(values.min()))]

    def matrix(self, values: pd.Series) -> Array:
        """Return the column, shape (rows, 1)."""
        numbers = values.to_numpy(float)
        if self.log:
            if not (numbers > 0).all():
                raise ValueError(f"{self.name} must be positive to take its logarithm")
            numbers = np.log(numbers)
        return numbers[:, None]


Term = Category | Amount


#: The models that can be asked for by one word.
MODELS = ("main", "interactions", "quadratic", "full")


def terms_of(model: str | Sequence[str], names: Sequence[str], amounts: Sequence[str]) -> list[str]:
    """The terms of a model in a tidy order: ``oil``; ``oil:dye``, a joint effect; ``oil^2``, a bend.

    "interactions" has every joint effect of two, "quadratic" bends too; "full" joint effects of every order.
    """
    if isinstance(model, str):
        if model not in MODELS:
            raise ValueError(f"model must be one of {MODELS} or a sequence of terms")
        top = {"main": 1, "full": len(names)}.get(model, 2)
        found = [":".join(c) for order in range(1, top + 1) for c in combinations(names, order)]
        return found + ([f"{name}^2" for name in amounts] if model == "quadratic" else [])
    for term in model:
        unknown = set(parts(term)) - set(names)
        if unknown:
            raise ValueError(f"the term {term!r} names the unknown factor {sorted(unknown)[0]!r}")
        if term.endswith("^2") and parts(term)[0] not in amounts:
            raise ValueError(f"{parts(term)[0]} has named levels, so it has no bend")
    tidy = (t if t.endswith("^2") else ":".join(sorted(set(parts(t)), key=names.index)) for t in model)
    return list(dict.fromkeys(tidy))


def parts(term: str) -> tuple[str, ...]:
    """Names of the factors in a term: ``("oil", "colour")`` of ``oil:colour``, ``("oil",)`` of ``oil^2``."""
    return (term.removesuffix("^2"),) if term.endswith("^2") else tuple(term.split(":"))


def expand(rows: int, blocks: Mapping[str, Array], model: Sequence[str]) -> Array:
    """The columns of an intercept and of each term, as products of the columns of its factors."""

    def rowwise(left: Array, right: Array) -> Array:
        return np.asarray(np.einsum("ra,rb->rab", left, right).reshape(rows, -1))

    made = (
        blocks[parts(term)[0]] ** 2
        if "^" in term
        else reduce(rowwise, (blocks[name] for name in parts(term)))
        for term in model
    )
    return np.hstack([np.ones((rows, 1)), *made])


def column_names(terms: Sequence[Term], model: Sequence[str]) -> dict[str, str]:
    """The name of each column that `expand` makes, in its order, and the term that it belongs to."""
    columns = {term.name: term.columns() for term in terms}
    found = {INTERCEPT: INTERCEPT}
    for term in model:
        some = [(term,)] if "^" in term else product(*(columns[name] for name in parts(term)))
        found |= {":".join(names): term for names in some}
    return found


def model_matrix(batches: pd.DataFrame, terms: Sequence[Term], joint: Sequence[str] = ()) -> pd.DataFrame:
    """The model matrix, each level against the control: an intercept, each term, joint effects and bends."""
    missing = [term.name for term in terms if batches[term.name].isna().any()]
    if missing:
        raise ValueError(f"{missing[0]} has missing values")
    blocks = {term.name: term.matrix(batches[term.name]) for term in terms}
    model = [*blocks, *joint]
    columns = expand(len(batches), blocks, model)
    return pd.DataFrame(columns, index=batches.index, columns=[*column_names(terms, model)])


def need_columns(frame: pd.DataFrame, names: Sequence[str], what: str) -> None:
    """Raise one `BadInput` that names every column (or index) that a table, called `what`, lacks."""
    there = [str(name) for name in (*frame.columns, *frame.index.names) if name is not None]
    lacking, has = [name for name in names if name not in there], ", ".join(there) or say("none")
    if lacking:
        raise BadInput(
            problem("frame_lacks", what, do=did_you_mean(name, there), name=name, has=has) for name in lacking
        )


def by_run(runs: pd.DataFrame, read: Iterable[object]) -> pd.DataFrame:
    """The batches, indexed by run; `ValueError` where one that was `read` is not among them."""
    if runs.index.name != "run":
        need_columns(runs, ["run"], say("the_batches"))
        runs = runs.set_index("run")
    strange = sorted(set(map(str, read)) - set(map(str, runs.index)))
    if strange:
        raise ValueError(f"runs has no batch {strange[0]!r}")
    return runs


def parse_formula(
    formula: str | Sequence[Term], frame: pd.DataFrame, model: str | Sequence[str] = "main"
) -> tuple[tuple[Term, ...], str | Sequence[str]]:
    """Read a formula such as ``"colour * binder + oil_g"``: the factors, and the terms that are asked for.

    Terms are joined by ``+``: ``a``; ``a:b``, a joint effect; ``a*b``, both and their joint effect; ``a^2``
    (also ``a**2``, ``I(a**2)``), the bend of an amount; ``log(a)``, an amount on the log scale. A column of
    numbers is an amount. Any other is a category: the levels of a pandas Categorical in its order, the first
    the control; else the values in sorted order. Factors that are given come with their `model`.

    >>> parse_formula("colour * oil_g", pd.DataFrame({"colour": ["lake", "dye"], "oil_g": [1.0, 2.0]}))[1]
    ('colour', 'oil_g', 'colour:oil_g')
    """
    if not isinstance(formula, str):
        return tuple(formula), model
    text = (formula or "1").split("~")[-1].replace(" ", "").replace("**", "^")
    text = re.sub(r"I\(([^()]*)\)", r"\1", text)
    logs = set(re.findall(r"log\(([^()]*)\)", text))
    text = re.sub(r"log\(([^()]*)\)", r"\1", text)
    asked: list[str] = []
    for each in (part for part in text.split("+") if part != "1"):
        names = each.split("*")
        if not all(re.fullmatch(r"\w+(\^2|(:\w+)*)", name) for name in names):
            raise ValueError(f"the formula {formula!r} cannot be read at {each!r}")
        orders = range(1, len(names) + 1)
        asked += [":".join(some) for order in orders for some in combinations(names, order)]
    columns = list(dict.fromkeys(name for term in asked for name in parts(term)))
    need_columns(frame, columns, say("the_batches"))
    ordered = sorted(dict.fromkeys(asked), key=lambda term: (term.endswith("^2"), term.count(":")))
    return tuple(_term(name, frame[name], name in logs) for name in columns), tuple(ordered)


def _term(name: str, values: pd.Series, log: bool) -> Term:
    if pd.api.types.is_numeric_dtype(values) and not pd.api.types.is_bool_dtype(values):
        return Amount(name, log=log)
    if log:
        raise ValueError(f"{name} is no amount, so it has no logarithm")
    if isinstance(values.dtype, pd.CategoricalDtype):
        levels = tuple(str(level) for level in values.cat.categories)
    else:
        levels = tuple(sorted(str(value) for value in values.dropna().unique()))
    return Category(name, levels, levels[0])


def grouping(factors: Sequence[Term]) -> Term | None:
    """The factor whose levels are drawn apart: the first with named levels, else the first amount."""
    return next((term for term in factors if isinstance(term, Category)), factors[0] if factors else None)


def level_name(term: Term, value: object) -> str:
    """A level as it is shown: the level itself, or the amount with its unit, ``"0.6 g"``."""
    if isinstance(term, Category):
        return str(value)
    amount = float(str(value))
    whole = amount == round(amount) or abs(amount) >= 1000  # else as a scale shows it: 33.3 g, 6.62 g
    return f"{amount:{'.6g' if whole else '.3g'}} {term.unit}".strip()


def varying(terms: Sequence[Term], batches: pd.DataFrame) -> tuple[list[Term], list[str]]:
    """The terms that change between batches, with only the levels that are there, and why others are not."""
    kept: list[Term] = []
    notes = []
    for term in terms:
        values = batches[term.name]
        same = values.nunique() < 2
        if isinstance(term, Amount):  # but for the last digits of a computed mean
            same = bool(np.ptp(values.astype(float)) <= 1e-9 * np.abs(values.astype(float)).max())
        if same:
            notes.append(say("note_same_factor", factor=term.name))
        elif isinstance(term, Category):
            made = tuple(level for level in term.levels if level in set(values))
            kept.append(Category(term.name, made, term.control if term.control in made else made[0]))
        else:
            kept.append(term)
    spare = _slack(kept, batches)
    if spare is not None:
        kept.remove(spare)
        notes.append(say("note_leftover", factor=spare.name))
    return kept, notes


def _slack(terms: Sequence[Term], batches: pd.DataFrame) -> Amount | None:
    """The last of the amounts in one unit that add up to the same total in every batch, if there are such."""
    plain = [term for term in terms if isinstance(term, Amount) and not term.log and term.unit]
    for unit in dict.fromkeys(term.unit for term in plain):
        same = [term for term in plain if term.unit == unit]
        total = batches[[term.name for term in same]].sum(axis=1)
        if len(same) > 1 and float(total.max() - total.min()) <= 0.02 * abs(float(total.mean())):
            return same[-1]
    return None
