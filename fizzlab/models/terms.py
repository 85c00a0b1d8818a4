"""The terms of a model: which columns of the batch table enter it, and how they become numbers.

Knows nothing of drying or fizz; every regression of the house builds its columns here, so that
an effect has the same name and meaning wherever it is shown.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
import pandas as pd

from fizzlab.errors import BadInput, Problem, nearest

INTERCEPT = "intercept"

#: The name of the one level where a trial has no factor to draw apart.
ALL = "all batches"


@dataclass(frozen=True)
class Category:
    """A factor (a column of the batch table) with named levels, each compared with a control level.

    `levels` stand in the order in which to show them.
    """

    name: str
    levels: tuple[str, ...]
    control: str

    def __post_init__(self) -> None:
        if self.control not in self.levels:
            raise ValueError(f"control {self.control!r} is not a level of {self.name}")

    def columns(self) -> list[str]:
        """Names of the model columns: one for each level that is not the control."""
        return [f"{self.name}[{level}]" for level in self.levels if level != self.control]

    def matrix(self, values: pd.Series) -> np.ndarray:
        """Return the 0/1 columns, shape (rows, levels - 1)."""
        unknown = set(values.astype(str)) - set(self.levels)
        if unknown:
            raise ValueError(f"{self.name} has no level {sorted(unknown)[0]!r}")
        others = [level for level in self.levels if level != self.control]
        return np.column_stack([(values.astype(str) == level).to_numpy(float) for level in others])


@dataclass(frozen=True)
class Amount:
    """A numeric factor or a reading of the air, in a unit such as "g" or "kPa".

    With `log` it enters the model as its natural logarithm.
    """

    name: str
    unit: str = ""
    log: bool = False

    def columns(self) -> list[str]:
        """Name of the single model column."""
        return [f"log {self.name}" if self.log else self.name]

    def matrix(self, values: pd.Series) -> np.ndarray:
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


def terms_of(model: str, names: Sequence[str], amounts: Sequence[str]) -> list[str]:
    """The terms that a one-word model stands for, as names: ``oil``, ``oil:dye``, ``oil^2``.

    "main" has main effects; "interactions" every joint effect of two as well; "quadratic" the bends of the
    amounts too; "full" joint effects of every order.

    Examples
    --------
    >>> terms_of("quadratic", ["oil", "dye"], ["oil"])
    ['oil', 'dye', 'oil:dye', 'oil^2']
    """
    if model not in MODELS:
        raise ValueError(f"model must be one of {MODELS} or a sequence of terms")
    top = {"main": 1, "full": len(names)}.get(model, 2)
    found = [":".join(c) for order in range(1, top + 1) for c in combinations(names, order)]
    return found + ([f"{name}^2" for name in amounts] if model == "quadratic" else [])


def parts(term: str) -> tuple[str, ...]:
    """Names of the factors in a term.

    Examples
    --------
    >>> parts("oil:colour"), parts("oil^2")
    (('oil', 'colour'), ('oil',))
    """
    return (term.removesuffix("^2"),) if term.endswith("^2") else tuple(term.split(":"))


def need_columns(frame: pd.DataFrame, names: Sequence[str], what: str) -> None:
    """Raise one `BadInput` that names every column that a table lacks; `what` is what to call the table.

    A named index counts as a column.

    Examples
    --------
    >>> need_columns(pd.DataFrame({"piece_no": [1]}), ["piece"], "touch_checks")
    Traceback (most recent call last):
    fizzlab.errors.BadInput: touch_checks: it has no column piece. Did you mean piece_no?
    """
    there = [str(name) for name in (*frame.columns, *frame.index.names) if name is not None]
    problems = []
    for name in names:
        if name not in there:
            guess = nearest(name, there)
            do = f"Did you mean {guess}?" if guess else f"It has: {', '.join(there) or 'none'}."
            problems.append(Problem(what, f"it has no column {name}.", do))
    if problems:
        raise BadInput(problems)


def parse_formula(formula: str, frame: pd.DataFrame) -> tuple[tuple[Term, ...], tuple[str, ...]]:
    """Read a formula such as ``"colour * binder + oil_g"``.

    Parameters
    ----------
    formula : str
        Terms joined by ``+``: ``a``; ``a:b``, a joint effect; ``a*b``, both and their joint effect;
        ``a^2`` (also ``a**2``, ``I(a**2)``), the bend of an amount; ``log(a)``, an amount on the log scale.
        An intercept is always there.
    frame : DataFrame
        One row a batch. A column of numbers is an amount. Any other is a category: the levels of a pandas
        Categorical in its order, the first the control; else the values in sorted order.

    Returns
    -------
    terms : tuple of Category or Amount
    model : tuple of str
        The effects that are asked for, as `fit_response` takes them.

    Raises
    ------
    BadInput
        A column that is not there.
    ValueError
        A formula that cannot be read.

    Examples
    --------
    >>> runs = pd.DataFrame({"colour": ["lake", "dye"], "oil_g": [1.0, 2.0]})
    >>> terms, model = parse_formula("colour * oil_g", runs)
    >>> terms[0].levels, model
    (('dye', 'lake'), ('colour', 'oil_g', 'colour:oil_g'))
    """
    text = formula.split("~")[-1].replace(" ", "").replace("**", "^")
    text = re.sub(r"I\(([^()]*)\)", r"\1", text)
    logs = set(re.findall(r"log\(([^()]*)\)", text))
    text = re.sub(r"log\(([^()]*)\)", r"\1", text)
    model: list[str] = []
    for each in text.split("+"):
        if each == "1":
            continue
        names = each.split("*")
        if not all(re.fullmatch(r"\w+(\^2|(:\w+)*)", name) for name in names):
            raise ValueError(f"the formula {formula!r} cannot be read at {each!r}")
        orders = range(1, len(names) + 1)
        model += [":".join(some) for order in orders for some in combinations(names, order)]
    columns = list(dict.fromkeys(name for term in model for name in parts(term)))
    need_columns(frame, columns, "the batches")
    ordered = sorted(dict.fromkeys(model), key=lambda term: (term.endswith("^2"), term.count(":")))
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


def model_matrix(batches: pd.DataFrame, terms: Sequence[Term]) -> pd.DataFrame:
    """Return the model matrix of main effects: an intercept, then the columns of each term.

    Parameters
    ----------
    batches : DataFrame
        One row a batch, with a column for each term.

    Returns
    -------
    DataFrame
        Same index as `batches`; one named column for each coefficient.

    Raises
    ------
    ValueError
        A level that the category does not have, a non-positive value under a logarithm, or a
        missing value.

    Examples
    --------
    >>> batches = pd.DataFrame({"colour": ["dye", "lake"], "vpd_kpa": [0.5, 1.0]}, index=["A", "B"])
    >>> terms = [Category("colour", ("dye", "lake"), control="dye"), Amount("vpd_kpa", "kPa", log=True)]
    >>> model_matrix(batches, terms).round(3)
       intercept  colour[lake]  log vpd_kpa
    A        1.0           0.0       -0.693
    B        1.0           1.0        0.000
    """
    missing = [term.name for term in terms if batches[term.name].isna().any()]
    if missing:
        raise ValueError(f"{missing[0]} has missing values")
    names = [INTERCEPT, *(name for term in terms for name in term.columns())]
    blocks = [np.ones((len(batches), 1)), *(term.matrix(batches[term.name]) for term in terms)]
    return pd.DataFrame(np.hstack(blocks), index=batches.index, columns=names)


def grouping(factors: Sequence[Term]) -> Term | None:
    """The factor whose levels are drawn apart: the first with named levels, else the first amount."""
    return next((term for term in factors if isinstance(term, Category)), factors[0] if factors else None)


def level_name(term: Term, value: object) -> str:
    """A level as it is shown: the level itself, or the amount with its unit.

    Examples
    --------
    >>> level_name(Amount("binder_g", "g"), 0.6)
    '0.6 g'
    """
    if isinstance(term, Category):
        return str(value)
    amount = float(str(value))
    return f"{amount:.4g} {term.unit}".strip() if abs(amount) < 10_000 else f"{amount:g} {term.unit}".strip()


def varying(terms: Sequence[Term], batches: pd.DataFrame) -> tuple[list[Term], list[str]]:
    """The terms that change between batches, with only the levels that are there, and why others are not."""
    kept: list[Term] = []
    notes = []
    for term in terms:
        values = batches[term.name]
        if values.nunique() < 2:
            notes.append(f"Every batch had the same {term.name}, so its effect is not known.")
        elif isinstance(term, Category):
            made = tuple(level for level in term.levels if level in set(values))
            kept.append(Category(term.name, made, term.control if term.control in made else made[0]))
        else:
            kept.append(term)
    spare = _slack(kept, batches)
    if spare is not None:
        kept.remove(spare)
        notes.append(
            f"{spare.name} is what the other amounts leave of the same total, so it has no effect of its own."
        )
    return kept, notes


def _slack(terms: Sequence[Term], batches: pd.DataFrame) -> Amount | None:
    """The last of the amounts in one unit that add up to the same total in every batch, if there are such."""
    plain = [term for term in terms if isinstance(term, Amount) and not term.log and term.unit]
    for unit in dict.fromkeys(term.unit for term in plain):
        parts = [term for term in plain if term.unit == unit]
        total = batches[[term.name for term in parts]].sum(axis=1)
        if len(parts) > 1 and float(total.max() - total.min()) <= 0.02 * abs(float(total.mean())):
            return parts[-1]
    return None
