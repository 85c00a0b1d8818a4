"""What a plan can detect: how often trials made on paper see an effect, and the smallest seen enough."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from html import escape
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from fizzlab.design.factors import RESERVED, plain
from fizzlab.design.looks import best_looks, information_kept
from fizzlab.design.plans import Plan
from fizzlab.design.trials import ASSUMED, SIDE, Comparison, Model, Spreads, Trials
from fizzlab.language import listed, say
from fizzlab.measures import Scale
from fizzlab.models.terms import Amount, Term, parse_formula

if TYPE_CHECKING:
    from matplotlib.axes import Axes

#: Largest ratio that is tried: a difference seen by eye.
LARGEST_RATIO = 8.0

_ALIKE = 1.1  # standard errors within a tenth of each other are not told apart in words
_MOSTLY = 0.5  # share of trials without any answer at which no smallest effect is looked for

Label = Callable[[str], str]


@dataclass(frozen=True)
class Power:
    """What a plan can detect.

    `table` has one row a comparison, the one that is hardest to see first: term, level, control, ratio (or
    difference: the size asked for), chance, conf_low, conf_high, unanswered, smallest, smallest_low,
    smallest_high. ``chance`` is the share of trials whose interval lies wholly on the side of the true
    effect, with Wilson's 95 % interval for the error of simulating; ``unanswered`` the share whose readings
    could not be analysed (they count as not seen); ``smallest`` the size seen in `target` of the trials.
    `curve` is of the first comparison, for plotting; `unequal` says whether others are clearly easier to see.
    """

    table: pd.DataFrame
    curve: pd.DataFrame
    scale: Scale
    n_batches: int
    n_days: int
    target: float
    spreads: Spreads
    looks_h: tuple[float, ...] = ()
    typical_h: float | None = None
    unequal: bool = False
    response: str = "the response"
    amounts: frozenset[str] = frozenset()
    label: Label = field(default=plain, repr=False)

    @property
    def first(self) -> pd.Series:
        """The comparison that is hardest to see."""
        return self.table.iloc[0]

    def amount(self, size: float) -> str:
        """A size in words: "25 %", "2.5 times", or a difference."""
        if self.scale == "difference":
            return f"{size:.2g}"
        return f"{100 * (size - 1):.0f} %" if size < 2 else say("so_many_times", size=size)

    def statements(self) -> tuple[str, ...]:
        """What it says, one sentence each."""
        first = self.first
        level, control, term = first["level"], first["control"], first["term"]
        of = say("of_amount", label=self.label(term)) if term in self.amounts else ""
        plan = {"batches": say("n_batches", n=self.n_batches), "days": say("n_days", n=self.n_days)}
        told = {"size": self.amount(first[self.scale]), "level": level, "control": control, "of": of}
        error = max(50 * (first["conf_high"] - first["conf_low"]), 1)
        told |= {"seen": 100 * first["chance"], "error": error, "response": self.response}
        said = [say("would_see", **plan, **told)]
        if first["unanswered"] < _MOSTLY:
            said.append(self.smallest())
        if first["unanswered"] >= 0.03:
            said.append(say("looks_unanswered", share=100 * first["unanswered"]))
        if self.unequal:
            said.append(say("others_easier"))
        sizes = {name: getattr(self.spreads, name) for name in ("pieces", "batches", "days")}
        shown = {n: f"{100 * s:.0f} %" if self.scale == "ratio" else f"{s:.2g}" for n, s in sizes.items()}
        usual = say("usually_dry", hours=self.typical_h) if self.typical_h else ""
        said += [say("taken_spreads", **shown, usual=usual), say("spreads_are", origin=self.spreads.origin)]
        return *said, *self._better_looks()

    def smallest(self) -> str:
        """The smallest effect that is seen often enough, as a sentence."""
        first, share = self.first, 100 * self.target
        if not np.isfinite(first["smallest"]):
            return say("not_even", times=LARGEST_RATIO, share=share)
        low, high = (self.amount(first[end]) for end in ("smallest_low", "smallest_high"))
        low = low if high.endswith("times") else low.removesuffix(" %")
        ends = say("from_to" if np.isfinite(first["smallest_high"]) else "or_more", low=low, high=high)
        return say("smallest_seen", share=share, size=self.amount(first["smallest"]), ends=ends)

    def _better_looks(self) -> list[str]:
        """When to look instead; nothing where little is to be gained."""
        if not self.looks_h or self.typical_h is None:
            return []
        low, high = self.typical_h / 2, self.typical_h * 2
        spread = float(np.hypot(self.spreads.pieces, self.spreads.batches))
        better = best_looks(low, high, len(self.looks_h), spread)
        kept, more = (
            float(information_kept(looks, np.geomspace(low, high, 81), spread).mean())
            for looks in (self.looks_h, better)
        )
        if more < kept + 0.05:
            return []
        told = {"low": low, "high": high, "kept": 100 * kept, "more": 100 * more}
        return [say("better_looks", **told, hours=listed([f"{hour:.4g}" for hour in better]))]

    def summary(self) -> str:
        """The statements, then the table."""
        table = self.table.to_string(index=False, float_format="{:.3g}".format)
        return "\n".join([*self.statements(), "", table])

    def __str__(self) -> str:
        return self.summary()

    def _repr_html_(self) -> str:
        said = "".join(f"<li>{escape(sentence)}</li>" for sentence in self.statements())
        return f"<ul>{said}</ul>{self.table.to_html(index=False, float_format='{:.3g}'.format, border=0)}"

    def plot(self, ax: Axes | None = None) -> Axes:
        """Draw how often an effect is seen, by its size; returns the Axes."""
        from fizzlab.design.plotting import plot_power

        return plot_power(self, ax)


def power(
    plan: Plan | pd.DataFrame | int,
    *,
    ratio: float = 1.25,
    difference: float | None = None,
    looks_h: Sequence[float] | None = None,
    pieces: int = 4,
    spreads: Spreads = ASSUMED,
    typical_h: float | None = None,
    terms: Sequence[Term] | None = None,
    air: int = 0,
    trials: int = 1000,
    seed: int = 1,
    target: float = 0.8,
    hardest: bool = False,
    response: str = "",
    label: Label = plain,
) -> Power:
    """Say what a plan can detect, by trials made on paper.

    Parameters
    ----------
    plan : Plan, DataFrame or int
        A plan; its runs (day, and a column for each factor); or a number of batches of two ways, made in turn
        on one day.
    ratio : float
        The size of effect that is worth knowing: 1.25 is a quarter longer.
    difference : float, optional
        The same where ways are compared by differences; then `spreads` must be in that unit.
    looks_h : sequence of float, optional
        Hours of the touch checks. Without them each batch gives a number, the mean of its pieces.
    pieces : int
        Looked at, or averaged, of each batch.
    spreads : Spreads
        How much pieces, batches and days differ: from your own record, else an assumption without a source.
    typical_h : float, optional
        Usual dry time; by default that of the spreads, else the middle of the looks on the log scale.
    terms : sequence of Category or Amount, optional
        The main effects of the analysis; by default those of the plan, or every other column of its runs.
    air : int
        Columns of the air in the analysis: 1 for the vapour-pressure deficit.
    target : float
        The chance at which the smallest effect is looked for.
    hardest : bool
        Only the comparison that is hardest to see.
    response : str
        What is measured, in words.
    label : callable
        What the reader calls a factor.

    Returns
    -------
    Power
        Shows itself in a notebook; `table` has the numbers, `plot` draws the chance by the size of the
        effect.

    Raises
    ------
    CannotAnswer
        Effects that cannot be told apart, too few batches, or days that cannot be told from batches.

    Notes
    -----
    A chance is exact for the spreads that it was given and no better than they are: the interval beside it is
    the error of simulating (E. B. Wilson, J. Am. Stat. Assoc. 22 (1927) 209), not doubt about the spreads.
    Between the sizes that are tried, the probit of the chance is taken as straight in the log ratio.

    Examples
    --------
    >>> found = power(16, ratio=1.3, spreads=Spreads(0.1, 0.2, 0.0, "an example"))
    >>> bool(0.6 < found.table["chance"][0] < 0.75), bool(1.3 < found.table["smallest"][0] < 1.45)
    (True, True)
    """
    runs, terms = _runs_of(plan, terms)
    size = float(np.log(ratio)) if difference is None and ratio > 0 else float(difference or np.nan)
    if not np.isfinite(size):
        raise ValueError("a ratio must be above 0, a difference a number other than 0")
    if not 0.05 < target < 1:
        raise ValueError("the target must lie between 0.05 and 1")
    model = Model(runs, terms, air=air, seed=seed)
    if looks_h is not None:
        typical_h = typical_h or spreads.typical or float(np.sqrt(looks_h[0] * looks_h[-1]))
    usual = typical_h or 1.0
    asked = Trials(model, spreads, pieces=pieces, looks_h=looks_h, typical_h=usual, trials=trials, seed=seed)
    batch = spreads.of_batch_mean(pieces)
    errors = np.round([model.standard_error(each, batch, spreads.days) for each in model.comparisons], 6)
    order = np.argsort(-errors, kind="stable")[: 1 if hardest else None]
    scale: Scale = "ratio" if difference is None else "difference"
    ends = {"smallest": "chance", "smallest_low": "conf_high", "smallest_high": "conf_low"}
    rows, curves = [], []
    for place in order:
        comparison = model.comparisons[place]
        curve = _curve(asked, comparison, size, float(errors[place]), target, scale)
        smallest = {name: _crossing(curve[curve.index > 0], column, target) for name, column in ends.items()}
        if scale == "ratio":
            smallest = {name: float(np.exp(end)) for name, end in smallest.items()}
        at = curve.loc[size].rename({"size": scale})
        named = {"term": comparison.term.name, "level": comparison.level, "control": comparison.control}
        rows.append({**named, **at, **smallest})
        curves.append(curve)
    return Power(
        table=pd.DataFrame(rows),
        curve=curves[0],
        scale=scale,
        n_batches=len(model.x),
        n_days=model.days,
        target=target,
        spreads=spreads,
        looks_h=tuple(looks_h or ()),
        typical_h=typical_h,
        unequal=bool(errors.max() > _ALIKE * errors.min()),
        response=response or say("the_response" if looks_h is None else "measure.dry_h.label"),
        amounts=frozenset(term.name for term in terms if isinstance(term, Amount)),
        label=label,
    )


def _runs_of(
    plan: Plan | pd.DataFrame | int, terms: Sequence[Term] | None
) -> tuple[pd.DataFrame, Sequence[Term]]:
    """The runs, with their day, and the terms of the analysis."""
    if isinstance(plan, Plan):
        return plan.runs, plan.analysis_terms() if terms is None else terms
    if isinstance(plan, int):
        ways = [say("old_way"), say("new_way")]
        plan = pd.DataFrame({"way": pd.Categorical(np.resize(ways, plan), ways)})
    runs = plan if "day" in plan else plan.assign(day=1)
    if terms is None:
        terms, _ = parse_formula(" + ".join(str(name) for name in runs if name not in RESERVED), runs)
    return runs, terms


def _curve(
    asked: Trials, comparison: Comparison, size: float, error: float, target: float, scale: Scale
) -> pd.DataFrame:
    """The chance at the size asked for, and at sizes around the one that is likely to reach the target."""
    from scipy import stats

    model = asked.model
    spare = len(model.x) - model.x.shape[1] - (model.days - 1 if model.day is not None else 0)
    guess = error * float(stats.t.ppf([SIDE, target], max(spare, 2)).sum())
    most = float(np.log(LARGEST_RATIO)) if scale == "ratio" else 20 * guess
    sizes = [size, *(np.array([0.4, 0.7, 1.0, 1.4]) * guess)]
    rows: dict[float, list[float]] = {}
    while sizes:
        at = float(sizes.pop(0))
        found, answered = asked.ask(comparison, at)
        seen, number = int(found.sum()), len(found)
        span = stats.binomtest(seen, number).proportion_ci(method="wilson")
        rows[at] = [seen / number, float(span.low), float(span.high), float(1 - answered.mean())]
        largest = max(rows)
        reached = max(row[0] for row in rows.values())
        rises = rows[largest][0] == reached  # an effect so large that the looks miss it is seen less often
        if not sizes and rises and reached < target and largest < most:
            sizes = [min(largest * 1.5, most)]
    names = ["chance", "conf_low", "conf_high", "unanswered"]
    table = pd.DataFrame.from_dict(rows, orient="index", columns=names).sort_index()
    table.insert(0, "size", np.exp(table.index) if scale == "ratio" else table.index)
    return table


def _crossing(curve: pd.DataFrame, name: str, target: float) -> float:
    """Where a rising curve crosses the target, straight on the probit scale; nan if it does not."""
    from scipy import stats

    # without an effect the chance is one side of the interval
    chances = [1 - SIDE, *np.clip(curve[name], 5e-4, 1 - 5e-4)]
    probit, goal = np.maximum.accumulate(stats.norm.ppf(chances)), float(stats.norm.ppf(target))
    if probit[-1] < goal:
        return float("nan")
    at = int(np.argmax(probit >= goal))
    return float(np.interp(goal, probit[at - 1 : at + 1], [0.0, *curve.index][at - 1 : at + 1]))
