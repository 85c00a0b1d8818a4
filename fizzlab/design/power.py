"""What a plan can detect: how often trials made on paper see an effect, and the smallest seen often enough."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from html import escape
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from fizzlab.design.factors import RESERVED
from fizzlab.design.looks import best_looks, between, information_kept
from fizzlab.design.plan import Plan
from fizzlab.design.trials import ASSUMED, Comparison, Spreads, Trials, draw, model_of
from fizzlab.errors import count, listed
from fizzlab.measures import Scale
from fizzlab.models.terms import Amount, Category, Term

if TYPE_CHECKING:
    from matplotlib.axes import Axes

#: Largest ratio that is tried: a difference seen by eye.
LARGEST_RATIO = 8.0

_ALIKE = 1.1  # standard errors within a tenth of each other are not told apart in words
_MOSTLY = 0.5  # share of trials without any answer at which no smallest effect is looked for
_NOTHING = -1.959964  # probit of the chance where there is no effect: one side of a 95 % interval

Label = Callable[[str], str]


@dataclass(frozen=True)
class Power:
    """What a plan can detect.

    Parameters
    ----------
    table : DataFrame
        One row a comparison, the one that is hardest to see first: term, level, control, ratio (or difference:
        the size asked for), chance, conf_low, conf_high, unanswered, smallest, smallest_low, smallest_high.
        ``chance`` is the share of trials whose interval lies wholly on the side of the true effect, with
        Wilson's 95 % interval for the error of simulating; ``unanswered`` the share whose readings could not be
        analysed (they count as not seen); ``smallest`` the size seen in `target` of the trials, nan if none is.
    curve : DataFrame
        Of the first comparison, for plotting: size, chance, conf_low, conf_high, unanswered.
    scale : {"ratio", "difference"}
    n_batches, n_days, trials : int
    target : float
    spreads : Spreads
    looks_h : tuple of float
        Hours of the touch checks; empty where a batch gives a number.
    typical_h : float or None
    unequal : bool
        Are the other comparisons clearly easier to see than the first?
    """

    table: pd.DataFrame
    curve: pd.DataFrame
    scale: Scale
    n_batches: int
    n_days: int
    trials: int
    target: float
    spreads: Spreads
    looks_h: tuple[float, ...] = ()
    typical_h: float | None = None
    unequal: bool = False
    label: Label = field(default=str, repr=False)
    response: str = "the response"

    @property
    def first(self) -> pd.Series:
        """The comparison that is hardest to see."""
        return self.table.iloc[0]

    @property
    def compared(self) -> str:
        """That comparison in words: "dye and pearl", "1.2 g and 0.6 g of gum"."""
        level, control, unit = self.first["level"], self.first["control"], str(self.first["unit"])
        if not unit:
            return f"{level} and {control}"
        return f"{level} and {control} of {self.label(self.first['term']).removesuffix(f' {unit}')}"

    def amount(self, size: float) -> str:
        """A size in words: "25 %", "2.5 times", or a difference."""
        if self.scale == "difference":
            return f"{size:.2g}"
        return f"{100 * (size - 1):.0f} %" if size < 2 else f"{size:.2g} times"

    def statements(self) -> tuple[str, ...]:
        """What it says, one sentence each."""
        first = self.first
        plan = f"{count(self.n_batches, 'batch', 'batches')} on {count(self.n_days, 'day')}"
        said = [
            f"With {plan}, {100 * first['chance']:.0f} of 100 such trials would see a difference of "
            f"{self.amount(first[self.scale])} in {self.response} between {self.compared} "
            f"({100 * first['conf_low']:.0f} to {100 * first['conf_high']:.0f}, from {self.trials} made on paper)."
        ]
        if first["unanswered"] < _MOSTLY:
            said.append(self.smallest())
        if first["unanswered"] >= 0.03:
            said.append(
                f"In {100 * first['unanswered']:.0f} of 100 the looks would be too far apart, too early or too late "
                "for any answer: look more often around the time of drying."
            )
        if self.unequal:
            said.append("The other effects are easier to see.")
        return (*said, self.basis(), *self._better_looks())

    def smallest(self) -> str:
        """The smallest effect that is seen often enough, as a sentence."""
        first, share = self.first, f"{100 * self.target:.0f} of 100"
        if not np.isfinite(first["smallest"]):
            return f"Not even {LARGEST_RATIO:g} times would be seen in {share}: look more often, or make more batches."
        high = first["smallest_high"]
        span = f"to {self.amount(high)}" if np.isfinite(high) else "or more"
        return (
            f"{share} would see {self.amount(first['smallest'])} ({self.amount(first['smallest_low'])} {span})."
        )

    def basis(self) -> str:
        """What the chances rest on, as a sentence."""
        sizes = [self.spreads.pieces, self.spreads.batches, self.spreads.days]
        shown = [f"{100 * each:.0f} %" if self.scale == "ratio" else f"{each:.2g}" for each in sizes]
        usual = f", and pieces usually dry after {self.typical_h:.2g} h" if self.typical_h else ""
        return (
            f"Taken for granted: pieces differ by {shown[0]}, batches by {shown[1]}, days by {shown[2]} (one standard "
            f"deviation){usual}. These spreads are {self.spreads.origin}."
        )

    def _better_looks(self) -> list[str]:
        """When to look instead; nothing where little is to be gained."""
        if not self.looks_h or self.typical_h is None:
            return []
        low, high = self.typical_h / 2, self.typical_h * 2
        spread = float(np.hypot(self.spreads.pieces, self.spreads.batches))
        better = best_looks(low, high, len(self.looks_h), spread)
        kept, more = (
            float(information_kept(looks, between(low, high), spread).mean()) for looks in (self.looks_h, better)
        )
        if more < kept + 0.05:
            return []
        hours = listed([f"{hour:.4g}" for hour in better])
        return [
            f"Your looks keep {100 * kept:.0f} % of what exact dry times of {low:.2g} to {high:.2g} h would tell; "
            f"looks at {hours} h would keep {100 * more:.0f} %."
        ]

    def summary(self) -> str:
        """The statements, then the table."""
        shown = self.table.drop(columns="unit").to_string(index=False, float_format="{:.3g}".format)
        return "\n".join([*self.statements(), "", shown])

    def __str__(self) -> str:
        return self.summary()

    def _repr_html_(self) -> str:
        said = "".join(f"<li>{escape(sentence)}</li>" for sentence in self.statements())
        shown = self.table.drop(columns="unit").to_html(index=False, float_format="{:.3g}".format, border=0)
        return f"<ul>{said}</ul>{shown}"

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
    conf_level: float = 0.95,
    target: float = 0.8,
    hardest: bool = False,
    label: Label = str,
    response: str = "",
) -> Power:
    """Say what a plan can detect, by trials made on paper.

    Parameters
    ----------
    plan : Plan, DataFrame or int
        A plan; its runs (day, and a column for each factor); or a number of batches of two ways, made in turn
        on one day.
    ratio : float
        The size of effect that is worth knowing, as a ratio: 1.25 is a quarter longer.
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
    trials, seed : int
    conf_level : float
        Of the interval that is judged.
    target : float
        The chance at which the smallest effect is looked for.
    hardest : bool
        Only the comparison that is hardest to see.
    label : callable
        What the reader calls a factor.
    response : str
        What is measured, in words.

    Returns
    -------
    Power

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
    model = model_of(runs, terms, air=air, seed=seed)
    if looks_h is not None and typical_h is None:
        typical_h = spreads.typical or float(np.sqrt(looks_h[0] * looks_h[-1]))
    asked = draw(
        model,
        spreads,
        pieces=pieces,
        looks_h=looks_h,
        typical_h=typical_h or 1.0,
        trials=trials,
        seed=seed,
        conf_level=conf_level,
    )
    batch = spreads.of_batch_mean(pieces)
    errors = np.round([model.standard_error(each, batch, spreads.days) for each in model.comparisons], 6)
    order = np.argsort(-errors, kind="stable")
    scale: Scale = "ratio" if difference is None else "difference"
    rows, curves = [], []
    for place in order[:1] if hardest else order:
        comparison = model.comparisons[place]
        curves.append(_curve(asked, comparison, size, float(errors[place]), target, scale))
        rows.append(_row(comparison, curves[-1], size, target, scale))
    return Power(
        pd.DataFrame(rows),
        curves[0],
        scale,
        len(model.x),
        model.days,
        trials,
        target,
        spreads,
        tuple(looks_h or ()),
        typical_h,
        bool(errors.max() > _ALIKE * errors.min()),
        label,
        response or ("dry time" if looks_h is not None else "the response"),
    )


def _runs_of(plan: Plan | pd.DataFrame | int, terms: Sequence[Term] | None) -> tuple[pd.DataFrame, Sequence[Term]]:
    if isinstance(plan, Plan):
        return plan.runs, terms if terms is not None else plan.analysis_terms()
    if isinstance(plan, int):
        ways = np.resize(["as now", "the new way"], plan)
        return pd.DataFrame({"day": 1, "way": ways}), [Category("way", ("as now", "the new way"), "as now")]
    runs = plan if "day" in plan else plan.assign(day=1)
    if terms is None:
        named = [str(name) for name in runs if name not in RESERVED]
        numeric = {name: pd.api.types.is_numeric_dtype(runs[name]) for name in named}
        levels = {name: tuple(pd.Categorical(runs[name]).categories) for name in named if not numeric[name]}
        terms = [Amount(n) if numeric[n] else Category(n, levels[n], levels[n][0]) for n in named]
    return runs, terms


def _curve(
    asked: Trials, comparison: Comparison, size: float, error: float, target: float, scale: Scale
) -> pd.DataFrame:
    """The chance at the size asked for, and at others around the one that is likely to be seen often enough."""
    from scipy import stats
    from statsmodels.stats.proportion import proportion_confint

    model = asked.model
    spare = len(model.x) - model.x.shape[1] - (model.days - 1 if model.day is not None else 0)
    df = max(spare, 2)
    guess = error * float(stats.t.ppf(0.5 + asked.conf_level / 2, df) + stats.t.ppf(target, df))
    most = float(np.log(LARGEST_RATIO)) if scale == "ratio" else 20 * guess
    sizes = [size, *(np.array([0.4, 0.7, 1.0, 1.4]) * guess)]
    rows = {}
    while sizes:
        at = float(sizes.pop(0))
        found = asked.ask(comparison, at)
        seen, number = int(found.seen.sum()), len(found.seen)
        low, high = proportion_confint(seen, number, alpha=0.05, method="wilson")
        rows[at] = (seen / number, float(low), float(high), float(1 - found.answered.mean()))
        largest = max(rows)
        if not sizes and max(row[0] for row in rows.values()) < min(target + 0.1, 0.98) and largest < most:
            sizes = [min(largest * 1.5, most)]
    table = pd.DataFrame.from_dict(rows, orient="index", columns=["chance", "conf_low", "conf_high", "unanswered"])
    table.insert(0, "size", np.exp(table.index) if scale == "ratio" else table.index)
    return table.sort_index()


def _row(comparison: Comparison, curve: pd.DataFrame, size: float, target: float, scale: Scale) -> dict[str, object]:
    at = curve.loc[size]
    rising = curve[curve.index > 0]
    ends = [_crossing(rising, name, target) for name in ("chance", "conf_high", "conf_low")]
    smallest = [float(np.exp(end)) if scale == "ratio" else end for end in ends]
    return {
        "term": comparison.term.name,
        "level": comparison.level,
        "control": comparison.control,
        "unit": comparison.term.unit if isinstance(comparison.term, Amount) else "",
        scale: at["size"],
        **at.drop("size").to_dict(),
        **dict(zip(("smallest", "smallest_low", "smallest_high"), smallest, strict=True)),
    }


def _crossing(curve: pd.DataFrame, name: str, target: float) -> float:
    """Where a rising curve crosses the target, straight on the probit scale; nan if it does not."""
    from scipy import stats

    probit = stats.norm.ppf(np.clip(curve[name].to_numpy(float), 5e-4, 1 - 5e-4))
    probit = np.maximum.accumulate(np.concatenate([[_NOTHING], probit]))
    sizes = np.concatenate([[0.0], curve.index.to_numpy(float)])
    goal = float(stats.norm.ppf(target))
    if probit[-1] < goal:
        return float("nan")
    at = int(np.argmax(probit >= goal))
    return float(np.interp(goal, probit[at - 1 : at + 1], sizes[at - 1 : at + 1]))
