"""Days that are more than blocks: levels against a control, and factors that are set for a whole day."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Literal

import numpy as np
import pandas as pd

from fizzlab.design.exchange import choose
from fizzlab.design.factors import Factor, allowed, grid, plain
from fizzlab.design.layout import lay_out, streams
from fizzlab.design.model import Matrix, model_matrix, model_terms
from fizzlab.design.plans import Plan
from fizzlab.errors import cannot, count
from fizzlab.language import listed, say
from fizzlab.models.terms import Category, parts


def compare(
    factors: Sequence[Category],
    seed: int,
    *,
    days: int,
    per_day: int | None = None,
    control_batches: Literal["equal", "root"] | int = "root",
) -> Plan:
    """Levels of one factor against its control, every day a block.

    `control_batches` is how often a complete block has the control: as often as the others ("equal"), so many
    times, or the square root of the number of others (C. W. Dunnett, JASA 50 (1955) 1096-1121).
    """
    (factor,) = factors
    per_day = per_day or 1
    levels = [factor.control, *(level for level in factor.levels if level != factor.control)]
    others, total = len(levels) - 1, days * per_day
    if total <= others:
        raise cannot("few_for_levels", total=total, levels=others + 1, name=plain(factor.name))
    share = {"equal": 1.0, "root": float(np.sqrt(others))}.get(str(control_batches))
    share = float(control_batches) if share is None else share
    if share < 1:
        raise ValueError('control_batches must be "root", "equal" or a number of times')
    wish = repr((factor, days, per_day))
    chance, *_ = streams(seed, wish)
    times, layout, warnings = days, "incomplete blocks by day", []
    if per_day > others:
        layout = "complete blocks by day"
        rounds = 1 if isinstance(control_batches, int) else max(per_day // (others + round(share)), 1)
        times = min(round(share) * rounds, per_day - others)
        fixed = np.concatenate([np.zeros(times, int), np.tile(np.arange(1, others + 1), rounds)])
        spare = per_day - len(fixed)
        left = np.concatenate([chance.permutation(np.arange(1, others + 1)) for _ in range(total)])
        left = left[: days * spare].reshape(days, spare)
        places = np.hstack([np.tile(fixed, (days, 1)), left]).ravel()
    else:
        if per_day == 1:
            layout = "at random over the days"
            times = min(max(round(total * share / (others + share)), 1), total - others)
        else:
            warnings.append(say("day_holds_some"))
        turn = np.resize(chance.permutation(np.arange(1, others + 1)), total - times)
        places = np.concatenate([np.zeros(times, int), turn])
    settings = pd.DataFrame({factor.name: [levels[i] for i in places], "point": "factorial"})
    kind, blocks = f"{count(others, 'level')} against a control, {layout}", [per_day] * days
    told: Any = {"wish": wish, "blocks": blocks if per_day > others else (), "warnings": warnings}
    return lay_out(kind, settings, [factor], [factor.name], seed, per_day, **told)


def split_plot(
    factors: Sequence[Factor],
    seed: int,
    *,
    hard_to_change: Sequence[str],
    days: int,
    per_day: int | None = None,
    model: str | Sequence[str] = "interactions",
    forbidden: Sequence[Mapping[str, object]] = (),
) -> Plan:
    """Days are whole plots: each has one setting of the room, and every combination of the other factors."""
    room = [factor for factor in factors if factor.name in hard_to_change]
    batch = [factor for factor in factors if factor.name not in hard_to_change]
    if not room or not batch:
        raise ValueError("a split plot needs a factor that is hard to change and one that is not")
    factors, per_day = (*room, *batch), per_day or 1
    terms = model_terms(factors, model)
    outer = [term for term in terms if set(parts(term)) <= {factor.name for factor in room}]
    wish = repr((factors, days, per_day, terms))
    chance, *_ = streams(seed, wish)
    plots = _whole_plots(_every(room, terms), room, outer, days, chance)
    each_day = []
    for day in range(days):
        every = plots.loc[[day]].merge(_every(batch, terms), how="cross")
        every = allowed(every, forbidden, "batch of one day")
        rounds = per_day // len(every)
        if not rounds:
            named = listed([plain(factor.name) for factor in batch])
            raise cannot("day_too_short", batches=say("n_batches", n=per_day), named=named, many=len(every))
        each_day.append(every.loc[np.repeat(every.index, rounds)])
    kind = f"split plot, {listed([plain(factor.name) for factor in room])} by day"
    settings = pd.concat(each_day, ignore_index=True).assign(point="factorial")
    blocks = [len(every) for every in each_day]
    return lay_out(kind, settings, factors, terms, seed, wish=wish, blocks=blocks, by_day=outer)


def _every(factors: Sequence[Factor], terms: Sequence[str]) -> pd.DataFrame:
    """Every combination, with the middle of the amounts where a bend is asked for."""
    return grid(factors, 3 if any(f"{factor.name}^2" in terms for factor in factors) else 2)


def _whole_plots(
    every: pd.DataFrame, room: Sequence[Factor], outer: Sequence[str], days: int, chance: np.random.Generator
) -> pd.DataFrame:
    """The setting of the room for each day: every one equally often, or the best choice of as many."""
    matrix: Matrix = model_matrix(every, room, outer or [factor.name for factor in room])[0]
    least = matrix.shape[1] + 1
    if days < least:
        named = listed([plain(factor.name) for factor in room])
        raise cannot("few_days", n=days, named=named, least=least, better=2 * least - 1)
    whole = days % len(every) == 0
    rows = np.tile(np.arange(len(every)), days // len(every)) if whole else choose(matrix, days, chance)
    return every.iloc[rows].reset_index(drop=True)
