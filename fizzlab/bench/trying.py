"""Answers tried out before anything is written: the plan that they make, and what there is to say of it."""

from __future__ import annotations

from dataclasses import dataclass

from fizzlab.bench.planning import TrialPlan, plan_power, plan_trial
from fizzlab.bench.sheet import kitchen
from fizzlab.errors import BadInput, CannotAnswer, Problem
from fizzlab.language import say
from fizzlab.recipe.amounts import on_scale, weigh_out
from fizzlab.trial.asking import Answers
from fizzlab.trial.new import Draft, draft, question_of
from fizzlab.trial.settings import FILE


@dataclass(frozen=True)
class Tried:
    """A draft and its plan, None without one; faults of the plan as a whole are those of "plan"."""

    draft: Draft
    planned: TrialPlan | None
    faults: tuple[tuple[str, Problem], ...]

    def told(self) -> dict[str, list[str]]:
        """A sound plan under headings: what it is, its calendar, its power, the first bench card."""
        planned = self.planned
        if planned is None:
            return {}
        first = planned.cards.cards[0]
        levels = ", ".join(f"{label} {level}" for label, level in first.levels)
        weighed, g = [] if first.recipe is None else weigh_out(first.recipe), planned.settings.bench.scale_g
        says = "first_card_levels" if levels else "first_card"
        card = [say(says, run=first.run, code=first.blind, levels=levels)]
        for each in weighed:
            grams = on_scale(each.grams.typical, g)
            card.append(f"{each.ingredient.name}: {grams} g ({kitchen(each.written)})")
        return {
            say("head_plan"): list(planned.statements()),
            say("head_calendar"): planned.by_day(),
            say("head_power"): list(plan_power(planned).sentences),
            say("head_first_card"): [*card, *first.notes, *planned.cards.doubts],
        }


def try_out(answers: Answers, before: str = "", code: str = "trial") -> Tried:
    """Draft the trial.toml of these answers and plan it, without writing anything."""
    made = draft(answers, before, code)
    faults = list(made.faults)
    planned = None
    if made.settings is not None and made.settings.plan is not None:
        try:
            planned = plan_trial(made.settings)
        except BadInput as error:
            faults += [(question_of(problem), problem) for problem in error.problems]
        except CannotAnswer as error:
            key = say("at_key", key="plan")
            faults.append(("plan", Problem(FILE, error.why, error.would_help, column=key)))
    return Tried(made, planned, tuple(faults))
