"""Answers tried out before anything is written: the plan that they make, and what there is to say of it."""

from __future__ import annotations

from dataclasses import dataclass

from fizzlab.bench.cards import RunCard
from fizzlab.bench.planning import TrialPlan, plan_power, plan_trial
from fizzlab.bench.sheet import kitchen
from fizzlab.errors import BadInput, CannotAnswer, Problem
from fizzlab.measures import number
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
        days: dict[str, list[str]] = {}
        for card in planned.cards.cards:
            levels = ", ".join(dict(card.levels).values())
            days.setdefault(card.day, []).append(f"{card.run} {levels}".strip())
        return {
            "The plan": list(planned.statements()),
            "Its calendar": [f"Day {day}: {'; '.join(batches)}." for day, batches in days.items()],
            "What it can tell": list(plan_power(planned).sentences),
            "The first bench card": _card(planned.cards.cards[0]) + list(planned.cards.doubts),
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
            faults.append(("plan", Problem(FILE, error.why, error.would_help, column="key plan")))
    return Tried(made, planned, tuple(faults))


def _card(card: RunCard) -> list[str]:
    levels = ", ".join(f"{label} {level}" for label, level in card.levels)
    head = f"Batch {card.run}, code {card.blind} on the tray{f': {levels}' if levels else ''}."
    amounts = [] if card.amounts is None else card.amounts.to_dict("records")
    weighed = [
        f"{each['ingredient']}: {number(each['grams'], 3)} g"
        + (f" ({kitchen(each['as_written'])})" if each["from_volume"] else "")
        for each in amounts
    ]
    return [head, *weighed, *card.notes]
