"""Which batches to add to a trial: those that tell the most beside what was made."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from fizzlab.design.exchange import choose
from fizzlab.design.factors import Factor, allowed, grid
from fizzlab.design.layout import lay_out, members, numbered, refuse_useless, streams, together
from fizzlab.design.model import model_matrix, model_terms
from fizzlab.design.plans import Plan
from fizzlab.language import listed, say
from fizzlab.models.choose import Choice
from fizzlab.models.terms import need_columns


def add_batches(
    factors: Sequence[Factor],
    seed: int,
    *,
    made: pd.DataFrame,
    batches: int,
    model: str | Sequence[str] = "main",
    forbidden: Sequence[Mapping[str, object]] = (),
    per_day: int | None = None,
) -> Plan:
    """The batches with the largest det(X'X) beside the runs `made` (run, day, factors; perhaps blind)."""
    terms = model_terms(factors, model)
    names = ["run", "day", *(factor.name for factor in factors)]
    need_columns(made, names, say("runs_already_made"))
    earlier = made[[*names, *(["blind"] if "blind" in made else [])]].assign(point="made")
    finer = bool(forbidden) or any(term.endswith("^2") for term in terms)
    candidates = allowed(grid(factors, 3 if finer else 2), forbidden)
    before, owner = model_matrix(earlier, factors, terms)
    region, _ = model_matrix(candidates, factors, terms)
    every = pd.concat([earlier, candidates], ignore_index=True)
    refuse_useless(every, factors, np.vstack([before, region]), owner)
    if per_day != 1:  # what is added differs from what was made by its day too
        days = members(together(earlier["day"].to_numpy()))
        before = np.hstack([0 * before[:, :1], days, before[:, 1:]])
        region = np.hstack([region[:, :1], np.zeros((len(region), days.shape[1])), region[:, 1:]])
    chance, *_ = streams(seed, repr((tuple(factors), batches, terms)))
    rows, kind = choose(region, batches, chance, before), f"added to {len(earlier)} runs made before"
    added = candidates.iloc[rows].reset_index(drop=True).assign(point="added")
    return lay_out(kind, added, factors, terms, seed, per_day, made=earlier)


def next_batches(
    choice: Choice | None,
    factors: Sequence[Factor],
    made: pd.DataFrame,
    batches: int,
    seed: int,
    *,
    model: str | Sequence[str] = "main",
    forbidden: Sequence[Mapping[str, object]] = (),
    per_day: int | None = None,
    hard_to_change: Sequence[str] = (),
) -> Plan:
    """Add batches, in whole days of what is hard to change, without the levels that are hardly the best."""
    planned = {factor.name for factor in factors}
    unlikely = choice.unlikely() if choice else {}
    left_out = {name: levels for name, levels in unlikely.items() if name in planned}
    hard = list(hard_to_change)
    # each on a day of its own: days as blocks would hide what is set for a day
    day = range(1, len(made) + 1) if hard else pd.factorize(made["day"])[0] + 1
    ruled_out = [*forbidden, *({name: levels} for name, levels in left_out.items())]
    asked: dict[str, Any] = {"batches": batches, "model": model, "per_day": 1 if hard else per_day}
    plan = add_batches(factors, seed, made=made.assign(day=day), forbidden=ruled_out, **asked)
    if hard:
        plan = replace(plan, runs=_in_whole_days(plan.runs, made, hard, per_day or batches), warnings=())
    said = (say("none_has", name=name, levels=listed(some, "or")) for name, some in left_out.items())
    return replace(plan, warnings=(*plan.warnings, *said))


def _in_whole_days(runs: pd.DataFrame, made: pd.DataFrame, hard: list[str], per_day: int) -> pd.DataFrame:
    """Sort batches into days of one setting of the hard factors each; days go on after those made."""
    setting = runs.groupby(hard, sort=False).ngroup()
    place = setting.groupby(setting).cumcount() // per_day
    kept = runs.assign(place=place, setting=setting).sort_values(["place", "setting"], kind="stable")
    day = kept.groupby(["place", "setting"], sort=False).ngroup() + 1 + made["day"].nunique()
    return kept[list(runs)].assign(run=list(runs["run"]), day=day).reset_index(drop=True)


def make_again(
    factors: Sequence[Factor],
    seed: int,
    *,
    combinations: Sequence[Mapping[str, object]],
    repeats: int,
    per_day: int | None = None,
) -> Plan:
    """Make each of some combinations so often: a round of them a day, or several where it does not fit."""
    names, size = [factor.name for factor in factors], len(combinations)
    if any(set(each) != set(names) for each in combinations):
        raise ValueError(f"each of the combinations names {', '.join(names)}, and nothing else")
    rows = pd.DataFrame([*combinations] * repeats, columns=names).assign(point="again")
    place, each = np.arange(len(rows)), per_day or size
    day = place // size * -(-size // each) + place % size // each
    _, order, blind = streams(seed, repr((tuple(factors), combinations, repeats)))
    runs, spare = numbered(rows, day, order, blind), size * (repeats - 1)
    return Plan("made once more", runs, tuple(factors), seed, (), {"runs": spare}, spare)
