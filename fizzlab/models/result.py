"""The one result: what every fit returns, whatever was measured.

A `Study` is what the readings of one kind of test give: a number a batch for the comparison that all
responses share, or a fit of its own where a batch has no single number.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, MutableMapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from html import escape
from math import isinf
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
import pandas as pd

from fizzlab.errors import CannotAnswer, cannot
from fizzlab.language import say
from fizzlab.measures import Scale
from fizzlab.models.terms import Array, Category, Term

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Interval = Literal["confidence", "prediction"]
#: The conditions of a forecast: a table, a mapping of lists or of single values, or nothing.
Settings = pd.DataFrame | Mapping[str, Any] | None

ENDS = ("estimate", "conf_low", "conf_high")
COLUMNS = ("term", "level", "control", "scale", *ENDS, "df", "p_value")


@dataclass(frozen=True)
class Effect:
    """One level of a factor against its control, or the most of an amount against the least.

    `df` are the degrees of freedom of its own stratum, `judged_by` "batches" or "days"; infinite where it is
    worked out and not measured. `margin` is the ratio within which the two count as the same, where one was
    stated.
    """

    response: str
    term: Term
    level: str
    control: str
    scale: Scale
    estimate: float
    conf_low: float
    conf_high: float
    df: float
    p_value: float
    judged_by: str = "batches"
    n_batches: int = 0
    conf_level: float = 0.95
    margin: float | None = None
    same_low: float = float("nan")
    same_high: float = float("nan")

    @property
    def factor(self) -> str:
        """Name of the factor."""
        return self.term.name

    @property
    def topic(self) -> str:
        """A short stable name: ``fizz_s.colour[lake]``, or ``fizz_s.oil_g`` of an amount."""
        column = f"{self.factor}[{self.level}]" if isinstance(self.term, Category) else self.factor
        return f"{self.response}.{column}"

    @property
    def null(self) -> float:
        """The value that stands for no difference."""
        return 0.0 if self.scale == "difference" else 1.0

    @property
    def exact(self) -> bool:
        """Is it worked out rather than measured?"""
        return isinf(self.df)

    @property
    def shown(self) -> bool:
        """Does the interval leave out "no difference"?"""
        return bool(self.conf_low > self.null or self.conf_high < self.null)

    @property
    def same(self) -> bool:
        """Is sameness within the margin shown?"""
        return self.margin is not None and self.same_low > 1 / self.margin and self.same_high < self.margin

    @property
    def greater(self) -> bool:
        """Is the estimate above "no difference"?"""
        return self.estimate > self.null


@dataclass(frozen=True, kw_only=True)
class FitResult:
    """What a fit says of one response; `batches` are those behind it, by run, with a column for each term.

    `loglik` is the log likelihood at the maximum, nan for a fit by least squares alone.
    """

    response: str
    effects: tuple[Effect, ...] = ()
    batches: pd.DataFrame = field(default_factory=pd.DataFrame, repr=False)
    terms: tuple[Term, ...] = ()
    conf_level: float = 0.95
    n_batches: int = 0
    loglik: float = float("nan")
    converged: bool = True
    notes: tuple[str, ...] = ()

    @property
    def table(self) -> pd.DataFrame:
        """One row an effect: term, level, control, scale, estimate, conf_low, conf_high, df, p_value."""
        return rows_of(self.effects)

    def of(self, factor: str) -> tuple[Effect, ...]:
        """The effects of one factor."""
        return tuple(effect for effect in self.effects if effect.factor == factor)

    def made(self) -> pd.DataFrame:
        """Every combination of the factors that was made, once each, in order."""
        names = [term.name for term in self.terms if term.name in self.batches]
        return self.batches[names].drop_duplicates().sort_values(names, kind="stable").reset_index(drop=True)

    @property
    def heading(self) -> str:
        """What it is and how much it rests on."""
        batches = say("n_batches", n=self.n_batches)
        return say("fit_heading", response=self.response, batches=batches, percent=100 * self.conf_level)

    def summary(self) -> str:
        """The result as text: how much it rests on, the effects, the notes."""
        table = self.table.to_string(index=False, float_format="{:.4g}".format) if len(self.table) else ""
        return "\n".join(part for part in (self.heading, table, *self.notes) if part)

    def __str__(self) -> str:
        return self.summary()

    def _repr_html_(self) -> str:
        head, notes = escape(self.heading), "".join(f"<li>{escape(note)}</li>" for note in self.notes)
        html: dict[str, Any] = {"index": False, "float_format": "{:.4g}".format, "border": 0}
        caption = f'<caption style="text-align: left"><b>{head}</b></caption>'
        table = self.table.to_html(**html).replace("<thead>", f"{caption}<thead>", 1)
        return (table if len(self.table) else f"<p><b>{head}</b></p>") + (
            f"<ul>{notes}</ul>" if notes else ""
        )

    def predict(
        self, new: Settings = None, *, share: float = 0.5, interval: Interval = "confidence"
    ) -> pd.DataFrame:
        """What to expect of some conditions; see the method of each fit."""
        raise cannot("no_forecast", response=self.response)

    def forecast(self, settings: pd.DataFrame, share: float = 0.5) -> Forecast:
        """What new batches of some settings may be; `share` is of their pieces, where each has a number."""
        raise cannot("no_numbers")

    def extrapolated(self, settings: pd.DataFrame) -> list[bool]:
        """Does each setting lie outside of what was tried: a level that was not made, an amount too far?"""
        outside = np.zeros(len(settings), dtype=bool)
        for term in (each for each in self.terms if each.name in settings):
            values, tried = settings[term.name], self.batches[term.name]
            if isinstance(term, Category):
                outside |= ~values.astype(str).isin(set(tried.astype(str))).to_numpy()
            else:
                slack = 1e-9 * float(tried.abs().max())
                outside |= ~values.between(tried.min() - slack, tried.max() + slack).to_numpy()
        return [bool(each) for each in outside]

    def points(self, factor: str) -> pd.Series:
        """Each batch's number as if all but one factor had been the same; empty where it has no number."""
        return pd.Series(dtype=float)

    def plot(self, ax: Axes | None = None) -> Axes:
        """Draw the effects with their intervals; returns the Axes."""
        from fizzlab.models.plotting import plot_effects

        return plot_effects(self, ax)

    def diagnose(self) -> pd.DataFrame:
        """Checks of the model, one row each; empty where there are none."""
        return pd.DataFrame(columns=["check", "value", "says"])


@dataclass(frozen=True, kw_only=True)
class Study:
    """What the readings of one kind of test say of the batches, by response.

    `numbers` has one number a batch (indexed by run), to be compared by `fit_response`; `fits` the fit of
    what has no such number; `reasons` why there is neither. `readings` are single: run, piece, lower and
    upper.
    """

    numbers: Mapping[str, pd.Series] = field(default_factory=dict)
    readings: Mapping[str, pd.DataFrame] = field(default_factory=dict, repr=False)
    fits: Mapping[str, FitResult] = field(default_factory=dict)
    reasons: Mapping[str, CannotAnswer] = field(default_factory=dict)
    notes: tuple[str, ...] = ()


@contextmanager
def noted(reasons: MutableMapping[Any, CannotAnswer], name: Any) -> Iterator[None]:
    """Keep why one of several things cannot be answered, and go on with the others."""
    try:
        yield
    except CannotAnswer as reason:
        reasons[name] = reason


def as_frame(new: Settings) -> pd.DataFrame:
    """Settings as a table: a mapping of lists, or of one value each; None is one row that says nothing."""
    if new is None:
        return pd.DataFrame(index=[0])
    if isinstance(new, pd.DataFrame):
        return new.reset_index(drop=True)
    listed = any(isinstance(value, list | tuple | np.ndarray | pd.Series) for value in new.values())
    return pd.DataFrame(new if listed else [dict(new)])


def asked(new: Settings, typical: Mapping[str, object], averaged: Sequence[str] = ()) -> pd.DataFrame:
    """The conditions of a forecast: what was asked, and `typical` for all else but what is `averaged`."""
    table = as_frame(new)
    unknown = [str(name) for name in table.columns if name not in typical]
    if unknown:
        raise ValueError(f"no term is called {unknown[0]!r}; terms: {', '.join(typical)}")
    held: dict[str, Any] = {n: v for n, v in typical.items() if n not in table and n not in averaged}
    return table.assign(**held)[[name for name in typical if name in table or name in held]]


def rows_of(effects: Sequence[Effect]) -> pd.DataFrame:
    """One row an effect, in the columns that every fit's table has."""
    rows = [(e.factor, *(getattr(e, name) for name in COLUMNS[1:])) for e in effects]
    return pd.DataFrame(rows, columns=list(COLUMNS))


def t_interval(estimate: float, se: float, df: float, conf_level: float) -> dict[str, float]:
    """Estimate, se, df, t, p_value, conf_low, conf_high of one number, by Student's t."""
    from scipy import stats

    t, reach = estimate / se if se > 0 else float("nan"), se * float(stats.t.ppf(0.5 + conf_level / 2, df))
    told = {"estimate": estimate, "se": se, "df": df, "t": t, "p_value": float(2 * stats.t.sf(abs(t), df))}
    return {**told, "conf_low": estimate - reach, "conf_high": estimate + reach}


def outward(above: Callable[[float], float], estimate: float, step: float, near: float = 1e-6) -> float:
    """Where a profile, below nought at the estimate, comes above it: one end of an interval, or infinite.

    Looked for in doubled steps, then to `near` of a step. A profile begun near other maxima may say otherwise
    of the same place when asked again, so that each is asked once.
    """
    from scipy.optimize import brentq

    known = {estimate: -2.0}  # about the limit itself

    def past(at: float) -> float:
        if at not in known:
            known[at] = above(at)
        return known[at]

    inner = estimate
    try:
        for outer in (estimate + step * 2.0 ** np.arange(14)).tolist():
            if past(outer) >= 0:
                return float(brentq(past, inner, outer, xtol=near * abs(step), rtol=1e-10))
            inner = outer
    except CannotAnswer:
        pass
    return float(np.copysign(np.inf, step))


def joined_df(between: float, within: float, df: Array | tuple[float, float], comparison: bool) -> float:
    """Satterthwaite's df of a variance of two parts; a comparison has no more than the greater of them."""
    joined = (between + within) ** 2 / (between**2 / df[0] + within**2 / df[1])
    return float(min(joined, df[1] if within >= between else df[0]) if comparison else joined)


def effect_of(
    response: str,
    term: Term,
    levels: tuple[str, str],
    told: Mapping[str, float],
    *,
    log: bool = True,
    **more: Any,
) -> Effect:
    """The effect of a level against its control, of its `t_interval`: a ratio where that is of logarithms."""
    ends = np.array([told[name] for name in ENDS])
    estimate, low, high = (np.exp(ends) if log else ends).tolist()
    numbers = (estimate, low, high, told["df"], told["p_value"])
    return Effect(response, term, *levels, "ratio" if log else "difference", *numbers, **more)


def same_limits(told: Mapping[str, float], conf_level: float) -> dict[str, float]:
    """The ratios that two one-sided t tests of sameness leave (D. J. Schuirmann), of logarithms."""
    from scipy import stats

    reach = float(stats.t.ppf(conf_level, told["df"])) * told["se"]
    low, high = np.exp([told["estimate"] - reach, told["estimate"] + reach]).tolist()
    return {"same_low": low, "same_high": high}


_MOST_LOG = 700.0  # whose exponential is just still a number: few days leave even that possible


@dataclass(frozen=True, kw_only=True)
class Forecast:
    """What a fit says of new batches of some settings, each on a new day.

    `typical` has estimate, conf_low, conf_high in the unit of the response; all else is of the natural
    logarithm where `log`. `estimate`, `se`, `df`, shape (settings,), are of the typical batch on a day still
    to come. `keys` are the independent chances that they rest on (that of a batch bears its name in every
    fit), and `lean`, shape (settings, keys), how the error of each setting leans on them, in rows of length
    1. `sd` is that of a new batch as estimated, `spread` gives, from shares, what such shares of the possible
    ones exceed; `mean`, from a number of new batches, of new days and a conf_level, estimate, low, high and
    df of their mean, shape (4, settings).
    """

    typical: pd.DataFrame
    log: bool
    estimate: Array
    se: Array
    df: Array
    keys: tuple[str, ...]
    lean: Array
    sd: float
    spread: Callable[[Array], Array]
    mean: Callable[[int, int, float], Array]
    residuals: pd.Series = field(default_factory=lambda: pd.Series(dtype=float))
    share: float | None = None
    notes: tuple[str, ...] = ()

    @property
    def chance(self) -> bool:
        """Does it vary by chance?"""
        return bool(self.keys)

    def fitted(self, values: Array) -> Array:
        """Values in the response's unit, on the scale that was fitted; a limit at zero lies below all."""
        with np.errstate(divide="ignore"):
            return np.log(np.maximum(values, 0.0)) if self.log else values

    def in_unit(self, values: Array) -> Array:
        """Values on the scale that was fitted in the response's unit."""
        return np.exp(np.minimum(values, _MOST_LOG)) if self.log else values


def exact(values: Array) -> Forecast:
    """The forecast of a number that is worked out and not measured, such as the cost of a piece."""
    nothing = np.zeros(len(values))
    return Forecast(
        typical=pd.DataFrame(dict.fromkeys(ENDS, values)),
        log=False,
        estimate=values,
        se=nothing,
        df=nothing + 1,
        keys=(),
        lean=np.empty((len(values), 0)),
        sd=0.0,
        spread=lambda share: 0 * share,
        mean=lambda batches, days, conf_level: np.stack([values, values, values, nothing + np.inf]),
    )


def scale(share: Array, df: Array) -> Array:
    """sqrt(df / chi2), one row a share, one column a number of degrees of freedom; a share exceeds it."""
    from scipy import stats

    unique, place = np.unique(df.round(6), return_inverse=True)
    return np.asarray(np.sqrt(unique / np.maximum(stats.chi2.ppf(share[:, None], unique), 1e-200))[:, place])


def leaning(weights: Array, x: Array, variance: Array) -> Array:
    """How estimates of generalised least squares, w'(X'V^-1 X)^-1 X'V^-1 e, lean on the batches."""
    size, turn = np.linalg.eigh(variance)
    half = turn * np.sqrt(np.maximum(size, 0)) @ turn.T
    back = np.linalg.solve(variance, x)
    line = weights @ np.linalg.solve(x.T @ back, back.T) @ half
    return np.asarray(line / np.linalg.norm(line, axis=1)[:, None])
