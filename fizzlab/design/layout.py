"""From settings to a plan: check that they can answer, share them out to days, randomise, number, blind."""

from __future__ import annotations

import re
import zlib
from collections.abc import Sequence

import numpy as np
import pandas as pd

from fizzlab.design.exchange import to_groups
from fizzlab.design.factors import Factor, Range, plain, refuse_unusable, wish_of
from fizzlab.design.model import (
    Alias,
    Matrix,
    in_words,
    inseparable,
    leaks,
    model_matrix,
    model_terms,
    rank,
)
from fizzlab.design.plans import Plan
from fizzlab.errors import CannotAnswer, count, listed

#: Spare batches below which the t multiplier is above 3 and a plan is called weak (t(0.975, 3) = 3.18).
FEW = 4


def streams(seed: int, wish: object) -> list[np.random.Generator]:
    """Three independent streams of chance: choosing runs, ordering them, blind codes.

    They hang on the seed and on what was wished for, so that two plans of one seed do not share their
    blind codes.
    """
    parts = np.random.SeedSequence([seed, zlib.crc32(repr(wish).encode())]).spawn(3)
    return [np.random.default_rng(part) for part in parts]


def lay_out(
    kind: str,
    settings: pd.DataFrame,
    factors: Sequence[Factor],
    terms: Sequence[str],
    seed: int,
    per_day: int | None = None,
    *,
    nice: Sequence[str] = (),
    aliases: Sequence[Alias] | None = None,
    made: pd.DataFrame | None = None,
    warnings: Sequence[str] = (),
    generators: Sequence[str] = (),
    resolution: int | None = None,
) -> Plan:
    """Make a plan of settings (factors and ``point``, in standard order) that a `model_matrix` can describe.

    Parameters
    ----------
    terms : sequence of str
        What the plan must be able to tell.
    per_day : int, optional
        Batches that fit in a day; all on one day by default. With one a day the days are no blocks; see
        `together`.
    nice : sequence of str
        Terms to keep free of the days too, as far as that can be.
    aliases : sequence of Alias, optional
        Worked out from the joint effects of two and the bends by default.
    made : DataFrame, optional
        Runs already made: run, day, factors.

    Raises
    ------
    CannotAnswer
        A factor never changes; more effects than batches; effects that cannot be told apart, or not
        from the days; nothing left to judge chance variation by.
    """
    refuse_unusable(factors)
    terms = tuple(terms)
    everything = settings if made is None else pd.concat([made, settings], ignore_index=True)
    matrix, owner = model_matrix(everything, factors, terms)
    refuse_still(everything, factors)
    refuse_unseparated(matrix, owner)
    _, order, blind = streams(seed, (kind, wish_of(factors), terms, len(settings)))
    inner, _ = model_matrix(settings, factors, terms, intercept=False)
    also, _ = model_matrix(settings, factors, [term for term in nice if term not in terms], intercept=False)
    day = share_out(np.hstack([inner, also]), per_day, order, inner.shape[1])
    earlier = made["day"].to_numpy() if made is not None else np.zeros(0)
    groups = together(np.concatenate([earlier, day + 1 + (earlier.max() if len(earlier) else 0)]))
    error, repeats = judge(matrix, owner, everything, factors, groups)
    if aliases is None:
        aliases = _aliases(matrix, owner, everything, factors, terms, groups)
    return Plan(
        kind=kind,
        runs=number(settings, day, order, blind, made),
        factors=tuple(factors),
        seed=seed,
        terms=terms,
        error_df={"runs": error},
        repeat_df=repeats,
        generators=tuple(generators),
        resolution=resolution,
        aliases=tuple(aliases),
        warnings=(
            *warnings,
            *weak(error, repeats),
            *_lost_to_days(everything, factors, nice, groups),
            *scattered(day),
        ),
    )


def refuse_still(settings: pd.DataFrame, factors: Sequence[Factor]) -> None:
    """Refuse runs in which a factor is the same every time."""
    for factor in factors:
        if settings[factor.name].nunique() < 2:
            raise CannotAnswer(
                f"{plain(factor.name)} never changes in the runs that are left, so nothing can be learnt "
                "about it.",
                "Allow more combinations, or take it out of the plan.",
            )


def refuse_unseparated(matrix: Matrix, owner: Sequence[str]) -> None:
    """Refuse more effects than batches, and effects that the runs cannot tell apart."""
    runs, size = matrix.shape
    if size > runs:
        raise CannotAnswer(
            f"There are {size} numbers to find, and only {count(runs, 'batch', 'batches')} to find them by.",
            f"Plan {size + FEW} batches or more, or ask for fewer effects.",
        )
    refuse_tied(matrix, owner)


def refuse_tied(matrix: Matrix, owner: Sequence[str]) -> None:
    """Refuse effects that always go together in these runs."""
    if rank(matrix) < matrix.shape[1]:
        raise CannotAnswer(
            f"These runs cannot tell apart {listed([in_words(t) for t in inseparable(matrix, owner)])}.",
            "Ask for more runs, for a higher resolution, or for fewer effects; or forbid less.",
        )


def share_out(model: Matrix, per_day: int | None, rng: np.random.Generator, wanted: int) -> Matrix:
    """The day of each run, from 0: days as even as can be, which of them comes first left to chance."""
    runs = len(model)
    if per_day == 1:
        return np.asarray(rng.permutation(runs))
    # what is only nice to have counts for little beside what was asked for: its prior information is large
    prior = np.array([0.0] * wanted + [10.0 * runs] * (model.shape[1] - wanted))
    days = -(-runs // per_day) if per_day else 1
    sizes = [len(part) for part in np.array_split(np.arange(runs), days)]
    return np.asarray(rng.permutation(days)[to_groups(model, sizes, rng, prior)])


def together(day: Matrix) -> Matrix:
    """The groups of batches that are compared within: the days, or all in one if no day holds two batches.

    A batch that has a day of its own carries that day with it: the batches are laid out at random over the
    days, and what differs between days is a part of the scatter between batches (a completely randomised
    plan), as the analysis takes it too.

    Examples
    --------
    >>> together(np.array([1, 1, 2])).tolist(), together(np.array([3, 1, 2])).tolist()
    ([1, 1, 2], [0, 0, 0])
    """
    return np.zeros_like(day) if len(np.unique(day)) == len(day) else day


def members(groups: Matrix) -> Matrix:
    """A column of 0 and 1 for each group."""
    return np.asarray(np.equal.outer(groups, np.unique(groups)), float)


def scattered(day: Matrix) -> tuple[str, ...]:
    """What to know where each batch has a day of its own."""
    if len(day) < 2 or len(np.unique(day)) < len(day):
        return ()
    return (
        "One batch a day: what differs from day to day counts as scatter between batches, so it takes more "
        "batches than with several a day.",
    )


def number(
    settings: pd.DataFrame,
    day: Matrix,
    order: np.random.Generator,
    blind: np.random.Generator,
    made: pd.DataFrame | None = None,
) -> pd.DataFrame:
    """Shuffle the runs within each day, and give them names (R01, ...) and three-digit codes."""
    rows = np.lexsort((order.permutation(len(settings)), day))
    table = settings.iloc[rows].reset_index(drop=True)
    first, last_day, taken = 1, 0, np.zeros(0)
    if made is not None:
        numbers = [int(m[0]) for m in (re.findall(r"\d+", str(run)) for run in made["run"]) if m]
        first, last_day = max([*numbers, len(made)]) + 1, int(made["day"].max())
        taken = made["blind"].dropna().to_numpy(int) if "blind" in made else taken
    free = np.setdiff1d(np.arange(100, 1000), taken)
    if len(table) > len(free):
        raise ValueError("there are only 900 three-digit codes")
    front = pd.DataFrame(
        {
            "run": [f"R{place:02d}" for place in range(first, first + len(table))],
            "day": day[rows] + 1 + last_day,
            "blind": [int(code) for code in blind.choice(free, len(table), replace=False)],
        }
    )
    return pd.concat([front, table], axis=1)


def judge(
    matrix: Matrix, owner: Sequence[str], settings: pd.DataFrame, factors: Sequence[Factor], groups: Matrix
) -> tuple[int, int]:
    """Spare batches, and those of them that are true repeats.

    Raises
    ------
    CannotAnswer
        When an effect cannot be told from the days, or no batch is left to judge by.
    """
    days = members(groups)
    joint = np.hstack([days, matrix[:, 1:]])
    full = rank(joint)
    if full < joint.shape[1]:
        lost = inseparable(joint, ["day"] * days.shape[1] + list(owner[1:]))
        raise CannotAnswer(
            f"{listed([in_words(t) for t in lost]).capitalize()} cannot be told from the differences "
            "between days, because too few batches fit in a day.",
            "Make more batches a day, repeat the plan, or ask for fewer effects.",
        )
    cells = pd.factorize(settings[[f.name for f in factors]].round(9).astype(str).agg("|".join, axis=1))[0]
    repeats = len(matrix) - rank(np.hstack([days, members(cells)]))
    refuse_no_spare(len(matrix) - full, days.shape[1])
    return len(matrix) - full, repeats


def refuse_no_spare(error: int, days: int) -> None:
    """Refuse a plan that leaves no batch to judge chance variation by."""
    if error < 1:
        raise CannotAnswer(
            "No batch is left over to judge chance variation by: every batch is used up by an effect"
            + (" or by the days." if days > 1 else "."),
            "Repeat some runs, add centre points, or ask for fewer effects.",
        )


def weak(error: int, repeats: int) -> tuple[str, ...]:
    """Warnings about how chance variation is judged."""
    said = []
    if error < FEW:
        said.append(
            f"Only {count(error, 'spare batch judges', 'spare batches judge')} chance, so intervals will be "
            "wide; two or three repeats more would help much."
        )
    if repeats == 0:
        said.append("No run is truly repeated: chance is judged from effects that are taken to be nil.")
    return tuple(said)


def _aliases(
    matrix: Matrix,
    owner: Sequence[str],
    settings: pd.DataFrame,
    factors: Sequence[Factor],
    terms: Sequence[str],
    groups: Matrix,
) -> tuple[Alias, ...]:
    """What the joint effects of two and the bends outside the model would add to the estimates."""
    bent = {f.name for f in factors if isinstance(f, Range) and settings[f.name].nunique() > 2}
    extra = [term for term in model_terms(factors, "quadratic") if term not in terms]
    extra = [term for term in extra if not term.endswith("^2") or term.removesuffix("^2") in bent]
    more, more_owner = model_matrix(settings, factors, extra, intercept=False)
    days = members(groups)
    names = ["day"] * days.shape[1] + list(owner[1:])
    return leaks(np.hstack([days, matrix[:, 1:]]), names, more, more_owner, terms)


def _lost_to_days(
    settings: pd.DataFrame, factors: Sequence[Factor], nice: Sequence[str], groups: Matrix
) -> tuple[str, ...]:
    """Joint effects that the differences between days hide."""
    days = members(groups)
    hidden = []
    for term in nice if days.shape[1] > 1 else ():
        columns, _ = model_matrix(settings, factors, [term], intercept=False)
        if rank(np.hstack([days, columns])) < days.shape[1] + columns.shape[1]:
            hidden.append(in_words(term))
    if not hidden:
        return ()
    return (f"{listed(hidden).capitalize()} cannot be told from the differences between days.",)
