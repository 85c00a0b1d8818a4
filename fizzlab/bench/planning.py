"""From trial.toml to a plan: which batches, in which order, what goes into each, and what they can tell."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import pandas as pd

from fizzlab import design
from fizzlab.bench.cards import Cards, make_cards
from fizzlab.design import Factor, Plan, Range, Share
from fizzlab.errors import BadInput, Problem
from fizzlab.measures import number
from fizzlab.models.terms import Category
from fizzlab.trial.settings import FILE, FactorSettings, PlanSettings, TrialSettings

#: Kinds that set an amount at two values (and, at most, half-way between them).
TWO_AMOUNTS = ("fractional factorial", "screening")


@dataclass(frozen=True)
class Planned:
    """A trial, planned.

    Parameters
    ----------
    settings : TrialSettings
    plan : Plan
        The design: what it can tell, aliases, spare batches.
    runs : DataFrame
        One row a batch, in the order of making: run, day, blind and the factors of trial.toml.
    cards : Cards
        What goes into each batch.
    """

    settings: TrialSettings
    plan: Plan
    runs: pd.DataFrame
    cards: Cards

    @property
    def wishes(self) -> PlanSettings:
        """The section [plan]."""
        assert self.settings.plan is not None
        return self.settings.plan

    def statements(self, detectable: Sequence[str] = ()) -> tuple[str, ...]:
        """What the plan can and cannot tell, one sentence each.

        Parameters
        ----------
        detectable : sequence of str
            How large a difference it would see, from an analysis of its power.
        """
        said = [*self.plan.statements(self._labels()), *detectable]
        untouched = self._without_rule()
        if untouched:
            said.append(f"The recipe is the same at every level of {', '.join(untouched)}.")
        if self.cards.cost_each is not None:
            cost = self.cards.cost_each
            said.append(
                f"Ingredients cost about {number(cost.typical)} a piece ({number(cost.low)} to "
                f"{number(cost.high)})."
            )
        return tuple(said)

    def level_table(self) -> pd.DataFrame:
        """The levels of each batch in words, one column a factor under its plain name."""
        columns = list(self._labels().values())
        levels = [[level for _, level in card.levels] for card in self.cards.cards]
        return pd.DataFrame(levels, columns=columns, index=self.runs.index)

    def amounts_table(self) -> pd.DataFrame:
        """Grams of each ingredient (columns) in each batch (rows), in words; empty without a recipe."""
        grams = [
            {"batch": card.run}
            | {row["ingredient"]: number(row["grams"], 3) for row in card.amounts.to_dict("records")}
            for card in self.cards.cards
            if card.amounts is not None
        ]
        return pd.DataFrame(grams).fillna("0")

    def in_words(self) -> str:
        """The order of making in one text, for those who cannot see a picture of it."""
        days = [
            f"day {day}: "
            + "; ".join(
                f"{card.run} with {', '.join(level for _, level in card.levels)}"
                for card in self.cards.cards
                if card.day == day
            )
            for day in dict.fromkeys(card.day for card in self.cards.cards)
        ]
        return f"The batches in the order of making. {'. '.join(days)}."

    def _labels(self) -> dict[str, str]:
        """The plain words for each factor, with its name where another has the same."""
        labels = {name: self.settings.label(name) for name in self.settings.factors}
        said = list(labels.values())
        return {
            name: label if said.count(label) == 1 else f"{label} ({name})" for name, label in labels.items()
        }

    def _without_rule(self) -> list[str]:
        recipe = self.settings.recipe
        if recipe is None:
            return []
        return [self.settings.label(name) for name in self.settings.factors if name not in recipe.by_factor]


def plan_trial(settings: TrialSettings) -> Planned:
    """Plan the batches that the section [plan] asks for.

    Parameters
    ----------
    settings : TrialSettings

    Returns
    -------
    Planned

    Raises
    ------
    BadInput
        There is no section [plan], it does not fit the factors, or an amount of the recipe does not
        work out at some level.
    CannotAnswer
        A plan of these batches could not answer: nothing to judge chance variation by, a factor that
        never changes, effects that cannot be told apart, more effects than batches.
    """
    wishes = settings.plan
    if wishes is None:
        do = 'Add one with the kind of plan, for example: kind = "compare".'
        raise BadInput([Problem(FILE, "there is no section [plan].", do, column="key plan")])
    try:
        plan = _KINDS[wishes.kind](settings, wishes)
    except (ValueError, TypeError) as error:  # what the models of [plan] cannot see by themselves
        said = str(error)
        raise BadInput(
            [Problem(FILE, f"{said[:1].lower()}{said[1:].rstrip('.')}.", "Change it.", column="key plan")]
        ) from error
    runs = _runs_table(settings, plan.runs)
    problems = _amounts_fit(settings, wishes, runs)
    if problems:
        raise BadInput(problems)
    return Planned(settings, plan, runs, make_cards(settings, runs))


def design_factor(name: str, factor: FactorSettings) -> Category | Range:
    """A factor of trial.toml as the design takes it.

    `amounts` are what is tried, `low` and `high` what can be made at all; a factor with only `low` and
    `high` is tried between them.

    Examples
    --------
    >>> design_factor("binder_g", FactorSettings(amounts=[0.6, 1.8], low=0.0, high=2.4, unit="g"))
    Range(name='binder_g', low=0.6, high=1.8, unit='g', amounts=(0.6, 1.8), smallest=0.0, largest=2.4)
    """
    if factor.levels is not None:
        return Category(name, tuple(factor.levels), factor.control or factor.levels[0])
    if factor.amounts is not None:
        least = factor.low if factor.low is not None else min(0.0, *factor.amounts)
        return replace(Range.of(name, factor.amounts, factor.unit), smallest=least, largest=factor.high)
    low, high = factor.range()
    return Range(name, low, high, factor.unit, smallest=low, largest=high)


def _factors(settings: TrialSettings) -> list[Factor]:
    return [design_factor(name, factor) for name, factor in settings.factors.items()]


def _as_category(name: str, factor: FactorSettings) -> Category:
    """A factor whose amounts are compared one by one, the first being the control."""
    made = design_factor(name, factor)
    if isinstance(made, Category):
        return made
    if not factor.amounts:
        what = "a plan that compares levels needs the amounts themselves, not a range."
        raise BadInput([Problem(FILE, what, "Give amounts.", column=f"key factors.{name}")])
    levels = tuple(repr(float(amount)) for amount in factor.amounts)
    return Category(name, levels, levels[0])


def _compare(settings: TrialSettings, wishes: PlanSettings) -> Plan:
    (name, factor), *_ = settings.factors.items()
    assert wishes.days is not None
    assert wishes.batches_per_day is not None
    return design.compare_levels(
        _as_category(name, factor),
        wishes.days,
        wishes.batches_per_day,
        settings.seed,
        control=wishes.control_batches or "root",
    )


def _factorial(settings: TrialSettings, wishes: PlanSettings) -> Plan:
    return design.full_factorial(
        _factors(settings),
        settings.seed,
        repeats=wishes.repeats or 1,
        centre=wishes.centre_points or 0,
        model=wishes.model or "interactions",
        per_day=wishes.batches_per_day,
        forbidden=[dict(pair) for pair in wishes.forbidden or ()],
    )


def _fraction(settings: TrialSettings, wishes: PlanSettings) -> Plan:
    return design.fractional_factorial(
        _factors(settings),
        settings.seed,
        generators=wishes.generators,
        runs=wishes.batches,
        resolution=wishes.resolution,
        repeats=wishes.repeats or 1,
        centre=wishes.centre_points or 0,
        asked=wishes.asked or (),
        per_day=wishes.batches_per_day,
    )


def _screening(settings: TrialSettings, wishes: PlanSettings) -> Plan:
    return design.plackett_burman(
        _factors(settings),
        settings.seed,
        runs=wishes.batches,
        centre=wishes.centre_points or 0,
        repeats=wishes.repeats or 1,
        per_day=wishes.batches_per_day,
    )


def _definitive(settings: TrialSettings, wishes: PlanSettings) -> Plan:
    return design.definitive_screening(
        _factors(settings),
        settings.seed,
        extra_centre=wishes.centre_points or 0,
        per_day=wishes.batches_per_day,
    )


def _composite(settings: TrialSettings, wishes: PlanSettings) -> Plan:
    middle = wishes.centre_points if wishes.centre_points is not None else 6
    return design.central_composite(
        _factors(settings),
        settings.seed,
        reach=wishes.reach or "inscribed",
        alpha=wishes.stars or "rotatable",
        centre=(middle - middle // 2, middle // 2),
        per_day=wishes.batches_per_day,
    )


def _box_behnken(settings: TrialSettings, wishes: PlanSettings) -> Plan:
    return design.box_behnken(
        _factors(settings), settings.seed, centre=wishes.centre_points, per_day=wishes.batches_per_day
    )


def _latin(settings: TrialSettings, wishes: PlanSettings) -> Plan:
    name = next(name for name in settings.factors if name != wishes.places)
    factor = _as_category(name, settings.factors[name])
    if wishes.places is None:
        return design.latin_square(factor, settings.seed, squares=wishes.squares or 1)
    places = settings.factors[wishes.places].levels
    if places is None or len(places) != len(factor.levels):
        what = f"a Latin square needs as many named places as {name} has levels, {len(factor.levels)}."
        raise BadInput([Problem(FILE, what, "Change one of the two.", column=f"key factors.{wishes.places}")])
    return design.latin_square(
        factor,
        settings.seed,
        squares=wishes.squares or 1,
        second=wishes.places,
        places=tuple(places),
    )


def _optimal(settings: TrialSettings, wishes: PlanSettings) -> Plan:
    assert wishes.batches is not None
    return design.optimal_plan(
        _factors(settings),
        wishes.batches,
        settings.seed,
        model=wishes.model or "main",
        criterion=wishes.criterion or "D",
        forbidden=wishes.forbidden or (),
        repeats=wishes.repeated_batches or 0,
        per_day=wishes.batches_per_day,
    )


def _mixture(settings: TrialSettings, wishes: PlanSettings) -> Plan:
    assert wishes.total is not None
    shares = [Share(name, *factor.range(), unit=factor.unit) for name, factor in settings.factors.items()]
    return design.mixture_plan(
        shares,
        wishes.total,
        settings.seed,
        points=wishes.points or "vertices",
        model=wishes.blending or "quadratic",
        runs=wishes.batches,
        centre=3 if wishes.centre_points is None else wishes.centre_points,
        repeats=wishes.repeats or 1,
        criterion=wishes.criterion or "D",
        per_day=wishes.batches_per_day,
    )


def _split_plot(settings: TrialSettings, wishes: PlanSettings) -> Plan:
    assert wishes.days is not None
    assert wishes.batches_per_day is not None
    room = [factor for factor in _factors(settings) if factor.name in (wishes.hard_to_change or ())]
    batch = [factor for factor in _factors(settings) if factor not in room]
    return design.split_plot(
        room,
        batch,
        wishes.days,
        wishes.batches_per_day,
        settings.seed,
        model=wishes.model or "interactions",
        forbidden=wishes.forbidden or (),
    )


_KINDS: dict[str, Callable[[TrialSettings, PlanSettings], Plan]] = {
    "compare": _compare,
    "factorial": _factorial,
    "fractional factorial": _fraction,
    "screening": _screening,
    "definitive screening": _definitive,
    "central composite": _composite,
    "box-behnken": _box_behnken,
    "latin square": _latin,
    "optimal": _optimal,
    "mixture": _mixture,
    "split plot": _split_plot,
}


def _runs_table(settings: TrialSettings, runs: pd.DataFrame) -> pd.DataFrame:
    """The columns that the table `runs` takes, with amounts as numbers."""
    table = pd.DataFrame({name: runs[name].astype(str) for name in ("run", "day", "blind")})
    for name, factor in settings.factors.items():
        table[name] = runs[name].astype(float) if factor.numeric else runs[name].astype(str)
    return table


def _amounts_fit(settings: TrialSettings, wishes: PlanSettings, runs: pd.DataFrame) -> list[Problem]:
    """Refuse amounts that trial.toml does not foresee, and named amounts that the kind cannot use."""
    problems = []
    for name, factor in settings.factors.items():
        if factor.amounts is None:
            continue
        named = [float(amount) for amount in factor.amounts]
        new = sorted({float(value) for value in runs[name]} - set(named))
        if new and factor.low is None:
            what = (
                f"this plan would need {new[0]:.4g} {factor.unit}".rstrip()
                + ", which is not among its amounts."
            )
            do = "Give low and high, if any amount between them can be made, or another kind of plan."
            problems.append(Problem(FILE, what, do, column=f"key factors.{name}"))
        unused = sorted(set(named) - {float(value) for value in runs[name]})
        if unused and wishes.kind in TWO_AMOUNTS:
            what = f"a plan of the kind “{wishes.kind}” tries two amounts, and leaves {unused[0]:.4g} out."
            do = "Name two amounts, or choose a factorial or an optimal plan."
            problems.append(Problem(FILE, what, do, column=f"key factors.{name}.amounts"))
    return problems
