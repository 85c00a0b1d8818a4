"""A plan: which batches to make, in which order, on which days, and what they can and cannot tell."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from html import escape
from typing import TYPE_CHECKING, Any

import pandas as pd

from fizzlab.design.factors import Factor, Range, as_factor, refuse_unusable
from fizzlab.design.kinds import KINDS
from fizzlab.design.model import NO_LABELS, Aliases, in_words
from fizzlab.errors import cannot, capital
from fizzlab.language import listed, say
from fizzlab.measures import looked_up
from fizzlab.models.terms import Amount, Term

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_ROMAN = {3: "III", 4: "IV", 5: "V", 6: "VI", 7: "VII"}


@dataclass(frozen=True)
class Plan:
    """The runs in the order of making, and what they are worth.

    `kind` says in words what sort of plan it is. `runs` has one row a batch: run, day, blind, one column a
    factor (actual units), and point (factorial, centre, axial, edge, vertex, centroid, added). `terms` are
    the effects that it can tell from each other: ``oil``, ``oil:colour``, ``oil^2``. `error_df` are the
    degrees of freedom that judge them: ``runs`` within days, and ``days`` for what is set by the day;
    `repeat_df` those of ``runs`` that come from true repeats, the others assuming that effects outside
    `terms` are nil. A regular fraction has `generators` (``"emulsifier = oil × alcohol"``) and `resolution`.
    `aliases`: of every effect of at most two factors, how much of each other such effect is in its number.
    `warnings` are what to know before making the first batch.
    """

    kind: str
    runs: pd.DataFrame
    factors: tuple[Factor, ...]
    seed: int
    terms: tuple[str, ...]
    error_df: Mapping[str, int]
    repeat_df: int
    generators: tuple[str, ...] = ()
    resolution: int | None = None
    aliases: Aliases = field(default_factory=dict)
    warnings: tuple[str, ...] = ()

    @property
    def days(self) -> int:
        """How many days the runs take."""
        return int(self.runs["day"].nunique())

    def analysis_terms(self) -> list[Term]:
        """The factors as terms of an analysis."""
        return [Amount(f.name, f.unit) if isinstance(f, Range) else f for f in self.factors]

    def alias_sentences(self, labels: Mapping[str, str] = NO_LABELS) -> tuple[str, ...]:
        """What cannot be told apart, in plain words; a chain of effects is named once."""
        said: list[str] = []
        seen: set[str] = set()
        for effect, others in self.aliases.items():
            same = [term for term, amount in others.items() if abs(abs(amount) - 1) < 1e-6]
            if same and effect not in seen:
                seen |= set(same)
                told = listed([in_words(term, labels) for term in same], "or")
                said.append(say("cannot_be_told", effect=capital(in_words(effect, labels)), told=told))
        return tuple(said)

    def statements(self, labels: Mapping[str, str] = NO_LABELS) -> tuple[str, ...]:
        """What the plan can tell, how it judges it, and what it cannot tell, one sentence each."""
        batches, days = say("n_batches", n=len(self.runs)), say("n_days", n=self.days)
        head = say("plan_head", batches=batches, days=days, kind=self.kind)
        if not self.terms:
            return head, *self.warnings
        told = [in_words(term, labels) for term in self.terms]
        if len(told) > 8:
            told = [*told[:7], say("so_many_more", n=len(told) - 7)]
        error = self.error_df["runs"]
        spare = say("n_spare_batches", n=error)
        if "days" in self.error_df:
            judged = say("judged_by_days", days=say("n_spare_days", n=self.error_df["days"]), spare=spare)
        else:
            some = say("all_repeats") if self.repeat_df >= error > 1 else self.repeat_df
            repeats = say("true_repeats", some=some) if self.repeat_df > 0 else ""
            judged = say("judged_by_spare", spare=spare, repeats=repeats)
        tells = say("plan_tells", told=listed(told))
        return head, tells, judged, *self.alias_sentences(labels)[:12], *self.warnings

    def summary(self) -> str:
        """The statements, then the runs."""
        lines = list(self.statements())
        if self.generators:
            roman = _ROMAN.get(self.resolution or 0, self.resolution)
            lines[1:1] = [say("generators_set", generators=listed(self.generators), roman=roman)]
        return "\n".join([*lines, "", self._shown().to_string(index=False)])

    def __str__(self) -> str:
        return self.summary()

    def _repr_html_(self) -> str:
        said = "".join(f"<li>{escape(sentence)}</li>" for sentence in self.statements())
        return f"<ul>{said}</ul>{self._shown().to_html(index=False, border=0)}"

    def _shown(self) -> pd.DataFrame:
        return self.runs.drop(columns="point") if self.runs["point"].nunique() == 1 else self.runs

    def plot(self, ax: Axes | None = None) -> Axes:
        """Draw every batch as a tile, a line a day, in the order of making; returns the Axes."""
        from fizzlab.design.plotting import plot_days

        return plot_days(self.runs, self.runs[[factor.name for factor in self.factors]].astype(str), ax)

    def alias_table(self, labels: Mapping[str, str] = NO_LABELS) -> pd.DataFrame:
        """How much of each other effect (columns) is in the number of each effect (rows): 1 or -1 is all."""
        table = pd.DataFrame.from_dict(self.aliases, orient="index")
        named = {term: in_words(term, labels).removeprefix("the ") for term in (*table.index, *table.columns)}
        return table.fillna(0.0).rename(index=named, columns=named)


def plan(
    kind: str = "factorial",
    factors: Mapping[str, Any] | Sequence[Factor] = (),
    *,
    seed: int = 1,
    batches_per_day: int | None = None,
    made: pd.DataFrame | None = None,
    **options: Any,
) -> Plan:
    """Plan the batches of a trial: which to make, in which order, on which days.

    Parameters
    ----------
    kind : str
        One of `fizzlab.design.kinds.KINDS`: compare, factorial, fractional factorial, central composite,
        mixture, split plot, season, repeatability.
    factors : mapping of str to sequence, tuple or mapping
        Each with its levels (names, the control first), its amounts (numbers), or a tuple (low, high); see
        `fizzlab.design.factors.as_factor`.
    seed : int
        The same seed and the same wishes give the same plan.
    batches_per_day : int, optional
        That fit in a day; all on one day if left out. Days are blocks: what is compared is shared out over
        them so that they take as little as can be from it.
    made : DataFrame, optional
        Runs already made (run, day, a column a factor), to which `batches` are added that tell the most
        beside them, whatever `kind` they were; then the options are batches, model and forbidden, and only
        the new runs are planned.
    **options
        What the kind takes, under the names of [plan] in trial.toml: days, repeats, centre_points, batches,
        generators, resolution, model, forbidden, hard_to_change, total, ...

    Returns
    -------
    Plan
        Shows itself in a notebook; `plot` draws it, `runs` is the table.

    Raises
    ------
    ValueError
        An unknown kind or option, or one that is missing.
    CannotAnswer
        A plan of these batches could not answer: nothing to judge chance by, a factor that never changes,
        effects that cannot be told apart, more effects than batches.

    Examples
    --------
    >>> made = plan("factorial", {"colour": ["pearl", "dye"], "oil_g": (2, 6)}, repeats=2, seed=3)
    >>> len(made.runs), made.terms, made.error_df
    (8, ('colour', 'oil_g', 'colour:oil_g'), {'runs': 4})

    A half of the combinations of four factors, with the middle made three times to show a bend:

    >>> four = {name: (2, 6) for name in ("oil", "alcohol", "gum", "starch")}
    >>> half = plan("fractional factorial", four, resolution=4, centre_points=3)
    >>> half.generators, half.alias_sentences()[0]
    (('starch = oil × alcohol × gum',), 'The joint effect of oil and alcohol cannot be told from the joint \
effect of gum and starch.')
    """
    if kind not in KINDS:
        raise ValueError(f"a plan is one of {', '.join(KINDS)}, not {kind!r}")
    found = KINDS[kind]
    build, takes, needs = found.build, found.options, found.needs
    given = {name: value for name, value in options.items() if value is not None}
    if made is not None:
        build, needs = "adding:add_batches", ("batches",)
        takes, given["made"] = ("batches", "model", "forbidden", "made"), made
    for name in given:
        if name not in takes:
            raise ValueError(f"a {kind} plan takes {', '.join(takes)}, not {name}")
    for name in needs:
        if name not in given and not (name == "batches_per_day" and batches_per_day):
            raise ValueError(f"a {kind} plan needs {name}")
    if batches_per_day is not None and batches_per_day < 1:
        raise ValueError("batches_per_day must be 1 or more")
    named = factors.items() if isinstance(factors, Mapping) else [(each.name, each) for each in factors]
    chosen = [as_factor(name, each, compared=found.one_factor) for name, each in named]
    if found.one_factor and len(chosen) != 1:
        raise cannot("one_factor", kind=kind, n=len(chosen))
    if found.alike and chosen:
        raise ValueError(f"a {kind} plan makes every batch alike, so it takes no factor")
    if not found.alike:
        refuse_unusable(chosen)
    plan_of: Plan = looked_up(f"fizzlab.design.{build}")(chosen, seed, per_day=batches_per_day, **given)
    return plan_of
