"""From settings to a plan: check that they can answer, share them out to days, randomise, number, blind."""

from __future__ import annotations

import re
import zlib
from collections.abc import Mapping, Sequence
from itertools import combinations

import numpy as np
import pandas as pd

from fizzlab.design.aliases import Alias, leaks
from fizzlab.design.exchange import efficiency, to_groups
from fizzlab.design.factors import Factor, Range, plain, refuse_unusable
from fizzlab.design.model import Matrix, in_words, inseparable, model_matrix, model_terms, rank
from fizzlab.design.plan import Plan, blind_codes, run_names
from fizzlab.errors import CannotAnswer
from fizzlab.report.phrases import count, listed

FEW = 4
"""Spare batches below which the t multiplier is above 3 and a plan is called weak (t(0.975, 3) = 3.18)."""


def streams(
    seed: int, wish: object = ""
) -> tuple[np.random.Generator, np.random.Generator, np.random.Generator]:
    """Three independent streams of chance: choosing runs, ordering them, blind codes.

    They hang on the seed and on what was wished for, so that two plans of one seed do not share their
    blind codes.
    """
    choose, order, blind = np.random.SeedSequence([seed, zlib.crc32(repr(wish).encode())]).spawn(3)
    return np.random.default_rng(choose), np.random.default_rng(order), np.random.default_rng(blind)


def lay_out(
    kind: str,
    settings: pd.DataFrame,
    factors: Sequence[Factor],
    terms: Sequence[str],
    seed: int,
    per_day: int | None = None,
    *,
    nice: Sequence[str] = (),
    region: pd.DataFrame | None = None,
    aliases: Sequence[Alias] | None = None,
    made: pd.DataFrame | None = None,
    warnings: Sequence[str] = (),
    generators: Sequence[str] = (),
    defining_relation: Sequence[str] = (),
    resolution: int | None = None,
) -> Plan:
    """Make a plan of settings that a `model_matrix` can describe.

    Parameters
    ----------
    kind : str
    settings : DataFrame
        One row a run in standard order: factors, ``point``, and ``block`` where some runs must stay
        together (blocks follow each other in the order of their numbers).
    factors, terms
        What is changed, and what the plan must be able to tell.
    seed : int
    per_day : int, optional
        Batches that fit in a day; all on one day by default. With one a day the days are no blocks; see
        `together`.
    nice : sequence of str
        Terms to keep free of the days too, as far as that can be.
    region : DataFrame, optional
        Settings over which forecasts are wanted; the runs themselves by default.
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
    everything = everything.assign(point=everything["point"].fillna("made"))
    matrix, owner = model_matrix(everything, factors, terms)
    refuse_still(everything, factors)
    refuse_unseparated(matrix, owner)
    _, order, blind = streams(seed, (kind, tuple(factors), terms, len(settings)))
    inner, inner_owner = model_matrix(settings, factors, terms, intercept=False)
    del inner_owner
    spare = [term for term in nice if term not in terms]
    also, _ = model_matrix(settings, factors, spare, intercept=False) if spare else (inner[:, :0], [])
    day = share_out(np.hstack([inner, also]), _blocks(settings), per_day, order, inner.shape[1])
    table = number(settings, day, order, blind, made)
    earlier = made["day"].to_numpy() if made is not None else np.zeros(0)
    alone = _blocks(settings).max() == _blocks(settings).min()
    groups = np.concatenate([earlier, day + 1 + (earlier.max() if len(earlier) else 0)])
    groups = together(groups) if alone else groups
    error, repeats, left = judge(matrix, owner, everything, factors, groups)
    if aliases is None:
        aliases = _general_aliases(matrix, owner, everything, factors, terms, groups)
    box = settings if region is None else region
    return Plan(
        kind=kind,
        runs=table,
        factors=tuple(factors),
        seed=seed,
        terms=terms,
        error_df={"runs": error},
        repeat_df=repeats,
        generators=tuple(generators),
        defining_relation=tuple(defining_relation),
        resolution=resolution,
        aliases=tuple(aliases),
        efficiency=efficiency(matrix, model_matrix(box, factors, terms)[0]),
        day_efficiency=left,
        warnings=(
            *warnings,
            *weak(error, repeats),
            *_lost_to_days(everything, factors, nice, groups),
            *scattered(day),
        ),
        made=made,
    )


def _blocks(settings: pd.DataFrame) -> Matrix:
    return settings["block"].to_numpy(int) if "block" in settings else np.ones(len(settings), int)


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
        lost = [in_words(t) for t in inseparable(matrix, owner) if t != "intercept"]
        raise CannotAnswer(
            f"These runs cannot tell apart {listed(lost)}.",
            "Ask for more runs, for a higher resolution, or for fewer effects; or forbid less.",
        )


def share_out(
    model: Matrix, block: Matrix, per_day: int | None, rng: np.random.Generator, wanted: int
) -> Matrix:
    """The day of each run, from 0: block after block, each block on days of its own.

    The days of one block hold as near as can be the same number of runs. Which of these days comes
    first is left to chance.
    """
    if per_day is not None and per_day < 1:
        raise ValueError("per_day must be 1 or more")
    # what is only nice to have counts for little beside what was asked for: its prior information is large
    prior = np.array([0.0] * wanted + [10.0 * len(model)] * (model.shape[1] - wanted))
    day = np.zeros(len(model), int)
    first = 0
    for name in np.unique(block):
        rows = np.flatnonzero(block == name)
        if per_day == 1:
            day[rows] = first + rng.permutation(len(rows))
            first += len(rows)
            continue
        days = -(-len(rows) // per_day) if per_day else 1
        sizes = [len(part) for part in np.array_split(rows, days)]
        day[rows] = first + rng.permutation(days)[to_groups(model[rows], sizes, rng, prior)]
        first += days
    return day


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


def scattered(day: Matrix) -> tuple[str, ...]:
    """What to know where each batch has a day of its own."""
    if len(day) < 2 or len(np.unique(day)) < len(day):
        return ()
    return (
        "One batch a day: what differs from day to day counts as scatter between batches, so it takes more "
        "batches to see the same difference than with several batches a day.",
    )


def number(
    settings: pd.DataFrame,
    day: Matrix,
    order: np.random.Generator,
    blind: np.random.Generator,
    made: pd.DataFrame | None = None,
    within: Matrix | None = None,
) -> pd.DataFrame:
    """Shuffle the runs within each day (or keep the order `within` it), and give them names and codes."""
    place = order.permutation(len(settings)) if within is None else within
    rows = np.lexsort((place, day))
    table = settings.iloc[rows].reset_index(drop=True)
    first, last_day, taken = 1, 0, []
    if made is not None:
        numbers = [int(m[0]) for m in (re.findall(r"\d+", str(run)) for run in made["run"]) if m]
        first, last_day = max([*numbers, len(made)]) + 1, int(made["day"].max())
        taken = [int(code) for code in made["blind"].dropna()] if "blind" in made else []
    front = pd.DataFrame(
        {
            "run": run_names(len(table), first),
            "day": day[rows] + 1 + last_day,
            "blind": blind_codes(len(table), blind, taken),
        }
    )
    return pd.concat([front, table], axis=1)


def judge(
    matrix: Matrix, owner: Sequence[str], settings: pd.DataFrame, factors: Sequence[Factor], groups: Matrix
) -> tuple[int, int, float]:
    """Spare batches, those of them that are true repeats, and what the days leave of the D criterion.

    Raises
    ------
    CannotAnswer
        When an effect cannot be told from the days, or no batch is left to judge by.
    """
    runs, size = matrix.shape
    days = np.equal.outer(groups, np.unique(groups)).astype(float)
    joint = np.hstack([days, matrix[:, 1:]])
    full = rank(joint)
    if full < joint.shape[1]:
        lost = [t for t in inseparable(joint, ["day"] * days.shape[1] + list(owner[1:])) if t != "day"]
        raise CannotAnswer(
            f"{listed([in_words(t) for t in lost]).capitalize()} cannot be told from the differences "
            "between days, because too few batches fit in a day.",
            "Make more batches a day, repeat the plan, or ask for fewer effects.",
        )
    error = runs - full
    cells = pd.factorize(settings[[f.name for f in factors]].round(9).astype(str).agg("|".join, axis=1))[0]
    repeats = runs - rank(np.hstack([days, np.equal.outer(cells, np.unique(cells)).astype(float)]))
    refuse_no_spare(error, days.shape[1])
    centred = matrix[:, 1:] - matrix[:, 1:].mean(axis=0)
    inside = matrix[:, 1:] - days @ (days.T @ matrix[:, 1:] / days.sum(axis=0)[:, None])
    change = np.linalg.slogdet(inside.T @ inside)[1] - np.linalg.slogdet(centred.T @ centred)[1]
    return error, repeats, float(round(np.exp(change / (size - 1)), 6))


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
            f"Only {count(error, 'spare batch judges', 'spare batches judge')} chance variation, so "
            "intervals will be wide; two or three repeats more would help much."
        )
    if repeats == 0:
        said.append(
            "No run is truly repeated: chance variation is judged from effects that are taken to be nil."
        )
    return tuple(said)


def _general_aliases(
    matrix: Matrix,
    owner: Sequence[str],
    settings: pd.DataFrame,
    factors: Sequence[Factor],
    terms: Sequence[str],
    groups: Matrix,
) -> tuple[Alias, ...]:
    """What the joint effects of two and the bends outside the model would add to the estimates."""
    extra = [term for term in model_terms(factors, "quadratic") if term not in terms]
    bent = {f.name: isinstance(f, Range) and settings[f.name].nunique() > 2 for f in factors}
    extra = [term for term in extra if not term.endswith("^2") or bent[term.removesuffix("^2")]]
    if not extra:
        return ()
    more, more_owner = model_matrix(settings, factors, extra, intercept=False)
    days = np.equal.outer(groups, np.unique(groups)).astype(float)
    joint = np.hstack([days, matrix[:, 1:]])
    names = ["day"] * days.shape[1] + list(owner[1:])
    return leaks(joint, names, more, more_owner, dict.fromkeys(terms, True))


def _lost_to_days(
    settings: pd.DataFrame, factors: Sequence[Factor], nice: Sequence[str], groups: Matrix
) -> tuple[str, ...]:
    """Joint effects that the differences between days hide."""
    days = np.equal.outer(groups, np.unique(groups)).astype(float)
    if days.shape[1] == 1:
        return ()
    hidden = []
    for term in nice:
        columns, _ = model_matrix(settings, factors, [term], intercept=False)
        if rank(np.hstack([days, columns])) < days.shape[1] + columns.shape[1]:
            hidden.append(in_words(term))
    if not hidden:
        return ()
    return (f"{listed(hidden).capitalize()} cannot be told from the differences between days.",)


def asked_apart(asked: Sequence[str], aliases: Sequence[Alias]) -> None:
    """Refuse when two effects that were asked for share one number, or one shares it with a main effect.

    Raises
    ------
    CannotAnswer
    """
    for alias in aliases:
        if alias.effect not in asked:
            continue
        for term, amount in alias.others:
            clash = term in asked or ":" not in term
            if clash and abs(abs(amount) - 1) < 1e-6:
                raise CannotAnswer(
                    f"In this plan {in_words(alias.effect)} cannot be told from {in_words(term)}.",
                    "Ask for a higher resolution, that is for more runs, or choose other generators.",
                )


def pairs(factors: Sequence[Factor]) -> tuple[str, ...]:
    """The joint effects of two."""
    return tuple(":".join(pair) for pair in combinations([factor.name for factor in factors], 2))


def made_runs(made: pd.DataFrame | None, factors: Sequence[Factor]) -> pd.DataFrame | None:
    """Check the runs already made, and keep their run, day, blind and factors."""
    if made is None or made.empty:
        return None
    missing = {"run", "day", *(factor.name for factor in factors)} - set(made.columns)
    if missing:
        raise ValueError(f"the runs already made need the column {sorted(missing)[0]!r}")
    columns: Mapping[str, object] = {
        name: made[name] for name in ["run", "day", *(["blind"] if "blind" in made else [])]
    }
    out = pd.DataFrame(columns).assign(**{f.name: made[f.name] for f in factors}, point="made")
    return out.reset_index(drop=True)
