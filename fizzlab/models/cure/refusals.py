"""What touch checks must hold for a dry-time regression, and the plain sentence where they do not."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import numpy as np
import pandas as pd

from fizzlab.errors import CannotAnswer
from fizzlab.models.censored.estimation import NotFitted, Strata
from fizzlab.models.censored.likelihood import Array, Ints
from fizzlab.models.terms import Category, Term

FEWEST_SPARE = 2  # residual degrees of freedom below which no interval is worth printing


def ends_and_batches(table: pd.DataFrame, batches: pd.DataFrame) -> tuple[Array, Array, pd.DataFrame, Ints]:
    """Return the lower and upper ends, the batches that have any, and the batch row of each piece."""
    lower, upper = table["lower"].to_numpy(float), table["upper"].to_numpy(float)
    if np.isnan(lower).any() or np.isnan(upper).any() or (lower < 0).any() or (upper <= 0).any():
        raise ValueError("brackets must be hours: lower 0 or more, upper above 0")
    if (lower > upper).any() or (np.isinf(lower)).any():
        raise ValueError("a bracket's lower end lies above its upper end")
    if batches.index.has_duplicates:
        raise ValueError("batches must have one row a run")
    missing = set(table["run"]) - set(batches.index)
    if missing:
        raise ValueError(f"batches has no run {sorted(map(str, missing))[0]!r}")
    used = batches[batches.index.isin(table["run"])]
    return lower, upper, used, np.asarray(used.index.get_indexer(pd.Index(table["run"])), dtype=np.int64)


def check_amount(lower: Array, upper: Array) -> None:
    """Refuse readings of which every piece lies on one side."""
    if not len(lower):
        raise CannotAnswer(
            "There are no touch checks.", "Touch the pieces at set hours and write down which are dry."
        )
    if np.isinf(upper).all():
        raise CannotAnswer(
            "Every piece was still wet at its last check, so no dry time can be told.",
            "Keep checking until most pieces are dry.",
        )
    if (lower == 0).all():
        raise CannotAnswer(
            "Every piece was dry at its first check, so how long drying takes cannot be told.",
            "Begin checking earlier, while the pieces are still wet.",
        )


def check_terms(
    lower: Array,
    upper: Array,
    batch: Ints,
    used: pd.DataFrame,
    terms: Sequence[Term],
    matrix: pd.DataFrame,
    batch_effect: bool,
) -> None:
    """Refuse absent levels, terms that changed together, too few batches, and levels all on one side."""
    x = matrix.to_numpy(float)
    for term in terms:
        if isinstance(term, Category):
            values = used[term.name].astype(str)
            absent = [level for level in term.levels if not (values == level).any()]
            if absent:
                raise CannotAnswer(
                    f"No batch with touch checks has {term.name} {absent[0]}.",
                    f"Make batches with {term.name} {absent[0]}, or leave that level out of the question.",
                )
    rank = int(np.linalg.matrix_rank(x))
    if rank < x.shape[1]:
        raise CannotAnswer(*_confounded(matrix))
    units, word = (len(x), "batches") if batch_effect else (len(lower), "pieces")
    if units - x.shape[1] < FEWEST_SPARE:
        raise CannotAnswer(
            f"{units} {word} are too few to estimate {x.shape[1]} numbers and their uncertainty.",
            f"Make {x.shape[1] + FEWEST_SPARE - units} more batches or more, or ask about fewer factors.",
        )
    wet, early = np.isinf(upper), lower == 0
    for term in terms:
        if not isinstance(term, Category):
            continue
        of_piece = used[term.name].astype(str).to_numpy()[batch]
        for level in term.levels:
            here = of_piece == level
            if wet[here].all():
                raise CannotAnswer(
                    f"Every piece with {term.name} {level} was still wet at its last check, so its dry time "
                    "is unknown.",
                    f"Keep checking {term.name} {level} until most pieces are dry.",
                )
            if early[here].all():
                raise CannotAnswer(
                    f"Every piece with {term.name} {level} was dry at its first check, so its dry time is "
                    "unknown.",
                    f"Begin checking {term.name} {level} earlier.",
                )


def _confounded(matrix: pd.DataFrame) -> tuple[str, str]:
    """Say which columns cannot be told apart: the first that the ones before it make up, and those."""
    x = matrix.to_numpy(float)
    scaled = x / np.maximum(np.linalg.norm(x, axis=0), 1e-300)
    for last in range(1, x.shape[1]):
        before = scaled[:, :last]
        share, *_ = np.linalg.lstsq(before, scaled[:, last], rcond=None)
        if np.linalg.norm(scaled[:, last] - before @ share) < 1e-9:
            others = [matrix.columns[i] for i in range(1, last) if abs(share[i]) > 1e-6]
            name = matrix.columns[last]
            if not others:
                return (
                    f"{name} is the same in every batch, so its effect is unknown.",
                    f"Make batches that differ in {name}.",
                )
            return (
                f"{name} cannot be told apart from {' and '.join(others)}: they changed together.",
                f"Make batches in which {name} and {others[0]} do not go together.",
            )
    return "Some terms cannot be told apart.", "Ask of fewer factors."


def days_of(used: pd.DataFrame, wanted: bool | Literal["auto"]) -> tuple[Ints | None, list[str]]:
    """Return the day of each batch if a day effect is to be fitted, and what to say of the days."""
    if wanted is False:
        return None, []
    if "day" not in used.columns:
        if wanted is True:
            raise ValueError("a day effect needs a column day in batches")
        return None, []
    if used["day"].isna().any():
        raise ValueError("day has missing values")
    codes = np.asarray(pd.factorize(used["day"])[0], dtype=np.int64)
    days = int(codes.max()) + 1
    if days == 1:
        note = "All batches were made on one day, so how much days differ is not in these intervals."
        return None, [note] if len(codes) > 1 else []
    return (codes, []) if days < len(codes) else (None, [])


def check_days(layers: Strata, names: list[str]) -> None:
    """Refuse a coefficient that is judged between days when no spare day is left to judge it by."""
    if layers.spare_days >= 0.5:
        return
    for i, name in enumerate(names[1:], start=1):
        if layers.share_between(np.eye(len(names))[i]) > 0.5:
            raise CannotAnswer(
                f"{layers.days} days are too few to judge {name}, which changed from day to day.",
                "Make batches on more days, since all batches of a day share its air.",
            )


def explain(failure: NotFitted, names: list[str]) -> CannotAnswer:
    """Say in plain words why a fit has no top."""
    if failure.kind == "satisfied":
        return CannotAnswer(
            "The looks are too far apart: the readings would fit even if pieces and batches did not differ "
            "at all, so how sure an answer is cannot be told.",
            "Check more often around the time at which pieces become dry.",
        )
    if failure.kind == "separated":
        columns = [names[i] for i in failure.columns if i > 0] or ["the terms"]
        return CannotAnswer(
            f"Pieces on one side of {' and '.join(columns)} were all still wet at the last check or all dry "
            "at the first, so the effect has no upper limit.",
            "Begin checking earlier and keep on until most pieces are dry, under every condition.",
        )
    if failure.kind == "vague":
        return CannotAnswer(
            "The brackets are so wide, or so many pieces lie on one side, that almost any effect would fit.",
            "Check more often around the time at which pieces become dry.",
        )
    return CannotAnswer(
        "The search for the best-fitting dry times did not settle, so there are no numbers.",
        "Check more often, make more batches, or ask about fewer factors.",
    )
