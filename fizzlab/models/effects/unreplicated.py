"""Two-level plans without repeats: which effects stand out from the crowd of small ones?"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import combinations

import numpy as np
import pandas as pd
from scipy.special import ndtri

from fizzlab.errors import CannotAnswer
from fizzlab.models.effects.analysis import measured
from fizzlab.models.effects.variance import Array
from fizzlab.models.terms import Category, Term

FEWEST = 7
"""Fewest effects from which a crowd can be told."""
_DRAWS = 40_000
_SEED = 8


@dataclass(frozen=True)
class Unreplicated:
    """Effects of a two-level plan without repeats, and which of them stand out.

    Parameters
    ----------
    response : str
    log : bool
    pse : float
        Lenth's pseudo standard error of an effect.
    margin, joint_margin : float
        An effect beyond `margin` would come by chance alone one time in twenty for a single effect;
        beyond `joint_margin`, one time in twenty for any effect of the whole trial.
    table : DataFrame
        One row an effect, smallest first, ready for a half-normal plot: estimate (high less low), size,
        half_normal (expected size of a standard half-normal), t (estimate / pse), p, p_joint,
        stands_out (p_joint < 0.05), also_called (effects that the plan cannot tell from it).
    """

    response: str
    log: bool
    pse: float
    margin: float
    joint_margin: float
    table: pd.DataFrame

    @property
    def standing_out(self) -> tuple[str, ...]:
        """Effects that stand out, largest first."""
        return tuple(self.table.index[self.table["stands_out"]][::-1])

    def __str__(self) -> str:
        names = ", ".join(self.standing_out)
        said = f"Standing out: {names}." if names else "No effect stands out from the crowd."
        shown = self.table[["estimate", "t", "p", "p_joint"]][::-1]
        return "\n".join(
            [
                f"{self.response}: pseudo standard error {self.pse:.4g}. {said}",
                "This assumes that most of the effects are nil; repeat a few batches to be surer.",
                shown.to_string(float_format="{:.4g}".format),
            ]
        )


def pseudo_standard_error(effects: Array) -> Array:
    """Lenth's pseudo standard error along the last axis.

    Notes
    -----
    1.5 median |c| over the |c| below 2.5 s0, with s0 = 1.5 median |c| (R. V. Lenth, Technometrics 31 (1989)
    469-473).

    Examples
    --------
    >>> float(pseudo_standard_error(np.array([23.0, -5.0, 1.5, 1.5, 10.0, 0.0, 0.5])))
    2.25
    """
    size = np.abs(np.asarray(effects, float))
    first = 1.5 * np.median(size, axis=-1, keepdims=True)
    kept = np.where((size < 2.5 * first) | (first == 0), size, np.nan)
    return np.asarray(1.5 * np.nanmedian(kept, axis=-1))


@lru_cache(maxsize=8)
def _chance(count: int) -> tuple[Array, Array]:
    """Sorted |t| of single effects, and of the largest of all, when every effect is nil."""
    drawn = np.random.default_rng(_SEED).standard_normal((_DRAWS, count))
    ratios = np.abs(drawn) / pseudo_standard_error(drawn)[:, None]
    return np.sort(ratios, axis=None), np.sort(ratios.max(axis=1))


def _tail(drawn: Array, t: Array) -> Array:
    """Share of the draws at or above t; never 0, because they are draws."""
    return np.asarray((len(drawn) - np.searchsorted(drawn, t) + 1) / (len(drawn) + 1))


def unreplicated(
    batches: pd.DataFrame, response: str, factors: Sequence[Term], *, log: bool = False
) -> Unreplicated:
    """Judge the effects of a two-level plan that has no repeats by the crowd of its small effects.

    Parameters
    ----------
    batches : DataFrame
        One row a batch; every factor at two values, and every effect orthogonal to the others.
    response : str
    factors : sequence of Category or Amount
    log : bool

    Returns
    -------
    Unreplicated

    Raises
    ------
    CannotAnswer
        Fewer than seven effects, a factor with other than two values, or a lost batch that makes effects
        overlap.

    Notes
    -----
    C. Daniel, Technometrics 1 (1959) 311-341, for the half-normal plot. The margins are those of the
    distribution of effect over pseudo standard error when all effects are nil, by 40,000 seeded draws
    (K. Q. Ye, M. Hamada, Journal of Quality Technology 32 (2000) 57-66), because Lenth's t with m/3
    degrees of freedom is too wide for few effects.
    """
    table, _ = measured(batches, response, log)
    columns = np.column_stack([_signs(table, factor) for factor in factors])
    names = [factor.name for factor in factors]
    n = len(table)
    if (
        np.abs(columns.sum(axis=0)).max() > 1e-9
        or np.abs(columns.T @ columns - n * np.eye(len(names))).max() > 1e-9
    ):
        raise CannotAnswer(
            "The effects of the batches that were measured overlap, as after a lost batch.",
            "Make the missing batches, or analyse the main effects only.",
        )
    picked, labels, also = _effects(columns, names, n)
    if len(labels) < FEWEST:
        raise CannotAnswer(
            f"{len(labels)} effects are too few to tell which of them stand out.",
            f"Make at least {FEWEST + 1} batches, or repeat some.",
        )
    y = table[response].to_numpy(float)
    effects = picked.T @ (np.log(y) if log else y) * 2 / n
    pse = float(pseudo_standard_error(effects))
    if pse <= 1e-12 * (1 + np.abs(effects).max()):
        raise CannotAnswer(
            f"Most effects on {response} are exactly nil, so there is no crowd to judge by.",
            "Write the readings down more finely, or repeat some batches.",
        )
    single, largest = _chance(len(labels))
    size = np.abs(effects)
    p = _tail(single, size / pse)
    p_joint = _tail(largest, size / pse)
    found = pd.DataFrame(
        {
            "estimate": effects,
            "size": size,
            "t": effects / pse,
            "p": p,
            "p_joint": p_joint,
            "stands_out": p_joint < 0.05,
            "also_called": also,
        },
        index=pd.Index(labels, name="effect"),
    ).sort_values("size", kind="stable")
    place = (np.arange(len(labels)) + 0.5) / len(labels)
    found.insert(2, "half_normal", ndtri(0.5 + place / 2))
    return Unreplicated(
        response=response,
        log=log,
        pse=pse,
        margin=pse * float(np.quantile(single, 0.95)),
        joint_margin=pse * float(np.quantile(largest, 0.95)),
        table=found,
    )


def _signs(table: pd.DataFrame, factor: Term) -> Array:
    values = table[factor.name].astype(str) if isinstance(factor, Category) else table[factor.name]
    found = sorted(pd.unique(values))
    if len(found) != 2:
        raise CannotAnswer(
            f"{factor.name} was tried at {len(found)} values, and this needs two-level plans.",
            "Leave out the centre points, or analyse with repeats.",
        )
    low = factor.control if isinstance(factor, Category) else found[0]
    return np.where((values == low).to_numpy(), -1.0, 1.0)


def _effects(columns: Array, names: Sequence[str], n: int) -> tuple[Array, list[str], list[str]]:
    """Orthogonal columns of effects, lowest order first; and what each is also called."""
    picked = np.empty((n, 0))
    labels: list[str] = []
    also: list[list[str]] = []
    for order in range(1, len(names) + 1):
        for combination in combinations(range(len(names)), order):
            column = np.prod(columns[:, list(combination)], axis=1)
            if abs(column.sum()) > 1e-9:
                continue
            overlap = picked.T @ column / n
            label = ":".join(names[i] for i in combination)
            same = np.flatnonzero(np.abs(np.abs(overlap) - 1) < 1e-9)
            if len(same):
                also[same[0]].append(label)
            elif np.abs(overlap).max(initial=0.0) < 1e-9 and len(labels) < n - 1:
                picked = np.column_stack([picked, column])
                labels.append(label)
                also.append([])
        if order >= 2 and len(labels) == n - 1:
            break
    return picked, labels, [", ".join(more) for more in also]
