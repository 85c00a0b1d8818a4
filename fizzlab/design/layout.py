"""From settings to a plan: check that they can answer, share them out to days, randomise, number, blind."""

from __future__ import annotations

import zlib
from collections.abc import Sequence

import numpy as np
import pandas as pd

from fizzlab.design.exchange import to_groups
from fizzlab.design.factors import Factor, plain
from fizzlab.design.model import (
    Aliases,
    Matrix,
    in_words,
    inseparable,
    leaks,
    model_matrix,
    model_terms,
    pairs,
    rank,
)
from fizzlab.design.plans import Plan
from fizzlab.errors import cannot, capital
from fizzlab.language import listed, say
from fizzlab.models.terms import INTERCEPT

#: Spare batches below which the t multiplier is above 3 and a plan is called weak (t(0.975, 3) = 3.18).
FEW = 4
FEW_DAYS = 3


def streams(seed: int, wish: str) -> list[np.random.Generator]:
    """Streams of chance for choosing runs, ordering them and blind codes, by the seed and what was wished."""
    parts = np.random.SeedSequence([seed, zlib.crc32(wish.encode())]).spawn(3)
    return [np.random.default_rng(part) for part in parts]


def lay_out(
    kind: str,
    settings: pd.DataFrame,
    factors: Sequence[Factor],
    terms: Sequence[str],
    seed: int,
    per_day: int | None = None,
    *,
    wish: str = "",
    model: tuple[Matrix, list[str]] | None = None,
    blocks: Sequence[int] = (),
    by_day: Sequence[str] = (),
    aliases: Aliases | None = None,
    made: pd.DataFrame | None = None,
    warnings: Sequence[str] = (),
) -> Plan:
    """Make a plan of settings, a row a run with the factors and ``point``, or refuse one that cannot answer.

    All on one day unless `per_day` says how many fit in one, or `blocks` how many each day has. `by_day` are
    the terms judged by the days; `model` is matrix and owner where `model_matrix` cannot make them; `made`
    are runs made before; the draw hangs on `wish` beside the seed.
    """
    terms = tuple(terms)
    everything = settings if made is None else pd.concat([made, settings], ignore_index=True)
    matrix, owner = model or model_matrix(everything, factors, terms)
    refuse_useless(everything, factors, matrix, owner)
    _, order, blind = streams(seed, wish or repr((kind, tuple(factors), terms, len(settings))))
    nice = () if model else pairs(factors)
    if blocks:
        day = np.repeat(order.permutation(len(blocks)), blocks)
    else:
        also, _ = model_matrix(settings, factors, [t for t in nice if t not in terms], intercept=False)
        day = _share_out(matrix[-len(settings) :, 1:], also, per_day, order)
    earlier = made["day"].to_numpy() if made is not None else np.zeros(0, int)
    groups = together(np.concatenate([earlier, day + 1 + max(earlier, default=0)]))
    error_df, repeats = _judge(matrix, owner, everything, factors, groups, by_day)
    days = members(np.zeros_like(groups) if by_day else groups)
    if aliases is None:  # what joint effects of two and bends outside the model would add to the estimates
        flat = {f"{f.name}^2" for f in factors if everything[f.name].nunique() < 3}
        outside = [t for t in model_terms(factors, "quadratic") if t not in (*terms, *flat)]
        more, more_owner = model_matrix(everything, factors, outside, intercept=False)
        names = ["day"] * days.shape[1] + owner[1:]
        aliases = leaks(np.hstack([days, matrix[:, 1:]]), names, more, more_owner, terms)
    hidden = []
    for term in nice if days.shape[1] > 1 else ():
        columns, _ = model_matrix(everything, factors, [term], intercept=False)
        if rank(np.hstack([days, columns])) < days.shape[1] + columns.shape[1]:
            hidden.append(in_words(term))
    said = [say("hidden_by_days", hidden=capital(listed(hidden)))] if hidden else []
    return Plan(
        kind=kind,
        runs=numbered(settings, day, order, blind, made),
        factors=tuple(factors),
        seed=seed,
        terms=terms,
        error_df=error_df,
        repeat_df=repeats,
        aliases=aliases,
        warnings=(*warnings, *_weak(error_df, repeats, len(np.unique(day)) == len(day) > 1), *said),
    )


def refuse_useless(
    settings: pd.DataFrame, factors: Sequence[Factor], matrix: Matrix, owner: Sequence[str]
) -> None:
    """Refuse a factor that is the same every time, more effects than batches, and effects that are tied."""
    for factor in factors:
        if settings[factor.name].nunique() < 2:
            raise cannot("never_changes_left", name=plain(factor.name))
    runs, size = matrix.shape
    if size > runs:
        raise cannot("more_numbers", size=size, batches=say("n_batches", n=runs), plan=size + FEW)
    if tied := inseparable(matrix, owner):
        raise cannot("tied_effects", tied=tied)


def _share_out(model: Matrix, nice: Matrix, per_day: int | None, rng: np.random.Generator) -> Matrix:
    """The day of each run, from 0: days as even as can be, which of them comes first left to chance."""
    runs = len(model)
    if per_day == 1:
        return rng.permutation(runs)
    # what is only nice to have counts for little beside what was asked for: its prior information is large
    prior = np.repeat([0.0, 10.0 * runs], [model.shape[1], nice.shape[1]])
    sizes = [len(part) for part in np.array_split(np.arange(runs), -(-runs // per_day) if per_day else 1)]
    return np.asarray(rng.permutation(len(sizes))[to_groups(np.hstack([model, nice]), sizes, rng, prior)])


def together(day: Matrix) -> Matrix:
    """The groups of batches that are compared within: the days, or all in one if no day holds two batches."""
    return np.zeros_like(day) if len(np.unique(day)) == len(day) else day


def members(groups: Matrix) -> Matrix:
    """A column of 0 and 1 for each group."""
    return np.asarray(np.equal.outer(groups, np.unique(groups)), float)


def numbered(
    settings: pd.DataFrame,
    day: Matrix,
    order: np.random.Generator,
    blind: np.random.Generator,
    made: pd.DataFrame | None = None,
) -> pd.DataFrame:
    """Shuffle the runs within each day, and give them names (R01, ...) and three-digit codes."""
    rows = np.lexsort((order.permutation(len(settings)), day))
    first, last_day, free = 1, 0, np.arange(100, 1000)
    if made is not None:
        numbers = made["run"].astype(str).str.extract(r"(\d+)")[0].dropna().astype(int)
        first, last_day = max([*numbers, len(made)]) + 1, int(made["day"].max())
        free = np.setdiff1d(free, made["blind"].dropna()) if "blind" in made else free
    front = pd.DataFrame(
        {
            "run": [f"R{place:02d}" for place in range(first, first + len(settings))],
            "day": day[rows] + 1 + last_day,
            "blind": [int(code) for code in blind.choice(free, len(settings), replace=False)],
        }
    )
    return pd.concat([front, settings.iloc[rows].reset_index(drop=True)], axis=1)


def _judge(
    matrix: Matrix,
    owner: Sequence[str],
    settings: pd.DataFrame,
    factors: Sequence[Factor],
    groups: Matrix,
    by_day: Sequence[str],
) -> tuple[dict[str, int], int]:
    """Spare batches (and days, where terms are judged by them), and how many of them are true repeats."""
    days = members(groups)
    inside = np.array([term not in (INTERCEPT, *by_day) for term in owner])
    joint = np.hstack([days, matrix[:, inside]])
    names = [*["day"] * days.shape[1], *np.array(owner)[inside]]
    if lost := inseparable(joint, names):
        raise cannot("lost_in_days", lost=capital(lost))
    cells = settings[[f.name for f in factors]].round(9).astype(str).agg("|".join, axis=1)
    repeats = len(matrix) - rank(np.hstack([days, members(cells.to_numpy())]))
    spare = len(matrix) - joint.shape[1]
    if spare < 1:
        raise cannot("no_spare_of_days" if days.shape[1] > 1 else "no_spare")
    if by_day:
        return {"days": days.shape[1] - rank(matrix[:, ~inside]), "runs": spare}, repeats
    return {"runs": spare}, repeats


def _weak(error_df: dict[str, int], repeats: int, scattered: bool) -> list[str]:
    """Warnings about how chance variation is judged."""
    few_days, few = error_df.get("days", FEW_DAYS) < FEW_DAYS, error_df["runs"] < FEW
    said = [say("few_spare_days", n=error_df["days"])] if few_days else []
    said += [say("few_spare", n=error_df["runs"])] if few else []
    said += [say("no_repeats")] if repeats == 0 else []
    return [*said, say("day_each")] if scattered else said
