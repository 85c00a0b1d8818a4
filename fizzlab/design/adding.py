"""Which batches to add to a trial so that the choice becomes clearer."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import pandas as pd

from fizzlab.design.factors import Factor
from fizzlab.design.optimal import optimal_plan
from fizzlab.design.plans import Plan
from fizzlab.models.choose import Choice


def next_batches(
    choice: Choice,
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
    """Plan batches that forecast best together with those made, without levels that are hardly the best.

    The plan has the new batches only; the levels left out are named in its warnings.

    Parameters
    ----------
    factors : sequence of Category or Range
        As they were planned.
    made : DataFrame
        Batches made already, with run, day and the factors.
    batches, seed, model, forbidden, per_day
        See `fizzlab.design.optimal.optimal_plan`.
    hard_to_change : sequence of str
        Factors that are set for a whole day: the batches are then sorted into days that have one setting of
        them each, of `per_day` at most.
    """
    planned = {factor.name for factor in factors}
    left_out = {name: levels for name, levels in choice.unlikely().items() if name in planned}
    hard = list(hard_to_change)
    # each on a day of its own: days as blocks would hide what is set for a day
    day = range(1, len(made) + 1) if hard else pd.factorize(made["day"])[0] + 1
    plan = optimal_plan(
        factors,
        seed,
        batches=batches,
        model=model,
        criterion="I",
        forbidden=[*forbidden, *({name: levels} for name, levels in left_out.items())],
        made=made.assign(day=day),
        per_day=1 if hard else per_day,
    )
    if hard:
        plan = replace(plan, runs=_in_whole_days(plan.runs, made, hard, per_day or batches), warnings=())
    said = (
        f"None has {name} {' or '.join(some)}, which is hardly the best." for name, some in left_out.items()
    )
    return replace(plan, warnings=(*plan.warnings, *said))


def _in_whole_days(runs: pd.DataFrame, made: pd.DataFrame, hard: list[str], per_day: int) -> pd.DataFrame:
    """Sort batches into days of one setting of the hard factors each; days go on after those made."""
    setting = runs.groupby(hard, sort=False).ngroup()
    place = setting.groupby(setting).cumcount() // per_day
    kept = runs.assign(place=place, setting=setting).sort_values(["place", "setting"], kind="stable")
    day = kept.groupby(["place", "setting"], sort=False).ngroup() + 1 + made["day"].nunique()
    return kept[list(runs)].assign(run=list(runs["run"]), day=day).reset_index(drop=True)
