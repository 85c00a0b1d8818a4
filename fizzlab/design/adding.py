"""Adding batches to those made, among the levels that may still be the best."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import pandas as pd

from fizzlab.design.exchange import Criterion
from fizzlab.design.factors import Factor
from fizzlab.design.optimal import optimal_plan
from fizzlab.design.plan import Plan
from fizzlab.errors import CannotAnswer
from fizzlab.models.terms import Category

if TYPE_CHECKING:
    from fizzlab.models.choose import Choice

#: A level is left out if the settings that have it are together the best with less chance than this.
KEEP = 0.05


def next_runs(
    choice: Choice,
    factors: Sequence[Factor],
    made: pd.DataFrame,
    runs: int,
    seed: int,
    *,
    model: str | Sequence[str] = "main",
    criterion: Criterion = "I",
    forbidden: Sequence[Mapping[str, object]] = (),
    per_day: int | None = None,
    hard_to_change: Sequence[str] = (),
) -> Plan:
    """Plan batches that add to those made; the levels that are left out stand in the warnings.

    Parameters
    ----------
    choice : Choice
    factors : sequence of Category or Range
        As they were planned.
    made : DataFrame
        Runs already made, with run, day and the factors.
    runs, seed, model, criterion, forbidden, per_day
        See `fizzlab.design.optimal.optimal_plan`; "I" forecasts best on average. At least two levels remain.
    hard_to_change : sequence of str
        Factors that are set for a whole day: the runs are then sorted into days that have one setting of
        them each, of `per_day` runs at most.

    Raises
    ------
    CannotAnswer
        As `optimal_plan`; also when only one setting may still be the best.
    """
    dropped: dict[str, list[str]] = {}
    chance = choice.table
    if (chance["best_chance"] >= 1 - KEEP).any():
        raise CannotAnswer(
            "One setting is the best with so great a chance that more runs would hardly change the choice.",
            "Make confirmation batches of it.",
        )
    for factor in factors:
        if not isinstance(factor, Category) or factor.name not in chance:
            continue
        sums = chance.groupby(chance[factor.name].astype(str))["best_chance"].sum()
        order = [level for level in sums.sort_values(ascending=False).index if level in factor.levels]
        out = [level for place, level in enumerate(order) if place >= 2 and sums[level] < KEEP]
        if out:
            dropped[factor.name] = out
    rules = [*forbidden, *({name: levels} for name, levels in dropped.items())]
    hard = list(hard_to_change)
    days = pd.Series(pd.factorize(made["day"])[0] + 1, index=made.index)
    plan = optimal_plan(
        factors,
        seed,
        batches=runs,
        model=model,
        criterion=criterion,
        forbidden=rules,
        # each on a day of its own: days as blocks would hide what is set for a day
        made=made.assign(day=range(1, len(made) + 1) if hard else days),
        per_day=1 if hard else per_day,
    )
    if hard:
        plan = replace(plan, runs=_in_whole_days(plan.runs, made, hard, per_day or runs), warnings=())
    said = [
        f"No new run has {name} {' or '.join(levels)}: its chance to be best is below {100 * KEEP:.0f} %."
        for name, levels in dropped.items()
    ]
    return replace(plan, warnings=(*plan.warnings, *said))


def _in_whole_days(runs: pd.DataFrame, made: pd.DataFrame, hard: list[str], per_day: int) -> pd.DataFrame:
    """Sort runs into days of one setting of the hard factors each; days go on after those made."""
    settings = runs.groupby(hard, sort=False).ngroup()
    place = settings.groupby(settings).cumcount() // per_day
    order = pd.DataFrame({"place": place, "setting": settings}, index=runs.index)
    kept = order.sort_values(["place", "setting"], kind="stable")
    day = kept.groupby(["place", "setting"], sort=False).ngroup() + 1 + made["day"].nunique()
    names = runs["run"].to_numpy()
    return runs.loc[kept.index].assign(run=names, day=day.to_numpy()).reset_index(drop=True)
