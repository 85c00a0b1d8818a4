"""A plan: which batches to make, in which order, on which days, and what they can and cannot tell."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd

from fizzlab.design.aliases import Alias
from fizzlab.design.exchange import Efficiency
from fizzlab.design.factors import NO_LABELS, Factor, as_terms
from fizzlab.design.model import in_words, parts
from fizzlab.models.terms import Term
from fizzlab.report.phrases import count, listed


@dataclass(frozen=True)
class Plan:
    """The runs in the order of making, and what they are worth.

    Parameters
    ----------
    kind : str
        What sort of plan it is, in words.
    runs : DataFrame
        One row a batch, in the order of making: run, day, blind, one column a factor (actual units),
        point (factorial, centre, axial, edge, vertex, centroid, ...), and where they apply block,
        whole_plot, and the second nuisance of a Latin square.
    factors : tuple of Category, Range or Share
    seed : int
        The same seed and the same wishes give the same plan.
    terms : tuple of str
        The effects that it can tell from each other: ``oil``, ``oil:colour``, ``oil^2``.
    error_df : mapping of str to int
        Degrees of freedom that judge the effects: ``runs`` within days, and ``days`` where a factor
        of the room is judged by the days.
    repeat_df : int
        Those of ``error_df["runs"]`` that come from true repeats; the others assume that effects
        outside `terms` are nil.
    generators : tuple of str
        Of a regular fraction, as ``"emulsifier = oil × alcohol"``.
    defining_relation : tuple of str
        Products that are always the same in every run.
    resolution : int or None
    aliases : tuple of Alias
        Every effect in whose number some other effect has a part.
    efficiency : Efficiency or None
    day_efficiency : float
        What the days leave of the D criterion: 1 when they take nothing.
    warnings : tuple of str
        What to know before making the first batch.
    made : DataFrame or None
        Runs already made, that this plan adds to.
    """

    kind: str
    runs: pd.DataFrame
    factors: tuple[Factor, ...]
    seed: int
    terms: tuple[str, ...]
    error_df: Mapping[str, int]
    repeat_df: int
    generators: tuple[str, ...] = ()
    defining_relation: tuple[str, ...] = ()
    resolution: int | None = None
    aliases: tuple[Alias, ...] = ()
    efficiency: Efficiency | None = None
    day_efficiency: float = 1.0
    warnings: tuple[str, ...] = ()
    made: pd.DataFrame | None = field(default=None, repr=False)

    @property
    def days(self) -> int:
        """How many days the runs take."""
        return int(self.runs["day"].nunique())

    def analysis_terms(self) -> list[Term]:
        """The factors as terms of an analysis."""
        return as_terms(self.factors)

    def settings(self) -> pd.DataFrame:
        """Run names and settings only: what the person at the bench needs."""
        return self.runs[["run", "day", *(factor.name for factor in self.factors)]]

    def with_warning(self, sentence: str) -> Plan:
        """The same plan with one more warning."""
        return replace(self, warnings=(*self.warnings, sentence))

    def alias_sentences(self, labels: Mapping[str, str] = NO_LABELS) -> tuple[str, ...]:
        """What cannot be told apart, in plain words, among main effects and joint effects of two.

        A chain of joint effects is named once.
        """
        said: list[str] = []
        seen: set[str] = set()
        for alias in self.aliases:
            others = tuple((t, a) for t, a in alias.others if len(parts(t)) <= 2)
            if not others or alias.effect in seen:
                continue
            seen |= {t for t, a in others if abs(abs(a) - 1) < 1e-6}
            said.append(Alias(alias.effect, others).sentence(labels))
        return tuple(said)

    def statements(self, labels: Mapping[str, str] = NO_LABELS) -> tuple[str, ...]:
        """What the plan can tell, how it judges it, and what it cannot tell, one sentence each.

        Parameters
        ----------
        labels : mapping of str to str
            What the reader calls the factors; their names by default.
        """
        said = [f"{count(len(self.runs), 'batch', 'batches')} on {count(self.days, 'day')}: {self.kind}."]
        told = [in_words(term, labels) for term in self.terms]
        if len(told) > 8:
            told = [*told[:7], f"{len(told) - 7} more"]
        said.append(f"It can tell {listed(told)}.")
        if "days" in self.error_df:
            said.append(
                f"A factor of the room is judged by {count(self.error_df['days'], 'spare day')}, "
                f"the others by {count(self.error_df['runs'], 'spare batch', 'spare batches')}."
            )
        else:
            error = self.error_df["runs"]
            spare = count(error, "spare batch", "spare batches")
            some = "all" if self.repeat_df >= error > 1 else str(self.repeat_df)
            repeats = f", {some} of them from making the same recipe again" if self.repeat_df > 0 else ""
            said.append(
                f"Chance variation is judged by {spare} (beyond those that the answers use up){repeats}."
            )
        said += [sentence for sentence in self.alias_sentences(labels)[:12] if "cannot be told" in sentence]
        return (*said, *self.warnings)

    def __str__(self) -> str:
        lines = [*self.statements(), ""]
        if self.generators:
            roman = {3: "III", 4: "IV", 5: "V", 6: "VI", 7: "VII"}.get(self.resolution or 0, "")
            lines[1:1] = [f"Set {listed(self.generators)} (resolution {roman or self.resolution})."]
        hidden = [name for name in ("point",) if self.runs[name].nunique() == 1]
        return "\n".join([*lines, self.runs.drop(columns=hidden).to_string(index=False)])


def blind_codes(number: int, rng: np.random.Generator, taken: Sequence[int] = ()) -> list[int]:
    """Three-digit codes for scorers, all different, drawn without any tie to the order of making.

    Parameters
    ----------
    number : int
        At most 900 less those taken.
    rng : numpy Generator
    taken : sequence of int
        Codes in use already.

    Examples
    --------
    >>> codes = blind_codes(12, np.random.default_rng(1))
    >>> len(set(codes)), min(codes) >= 100, max(codes) <= 999
    (12, True, True)
    """
    free = np.setdiff1d(np.arange(100, 1000), np.asarray(list(taken), int))
    if number > len(free):
        raise ValueError("there are only 900 three-digit codes")
    return [int(code) for code in rng.choice(free, number, replace=False)]


def run_names(number: int, first: int = 1) -> list[str]:
    """R01, R02, ...; three digits from the hundredth run on.

    Examples
    --------
    >>> run_names(2), run_names(1, first=100)
    (['R01', 'R02'], ['R100'])
    """
    return [f"R{place:02d}" for place in range(first, first + number)]
