"""Drop heights: at which height half of the pieces break, and which height nine in ten survive."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd
from scipy import special, stats

from fizzlab.errors import CannotAnswer
from fizzlab.models.crumble.batchprobit import BatchProbit, BatchProbitProblem
from fizzlab.models.crumble.between import Columns, at_level, between_columns
from fizzlab.models.crumble.binary import Restriction, hold, is_separated, profile_interval
from fizzlab.models.crumble.clusters import Array, cluster_codes
from fizzlab.models.crumble.estimates import Effect, JointTest, Kind
from fizzlab.models.terms import Category, Term

Method = Literal["jeffreys", "likelihood"]
Scale = Literal["log", "linear"]


@dataclass(frozen=True)
class Heights:
    """Breaking heights of one level, or of all batches together.

    Parameters
    ----------
    term, level : str
        Empty for all batches together.
    median_cm, median_low, median_high : float
        Height at which half of the pieces break. An end may be 0 or infinite: the drops set no bound.
    survive_cm, survive_low, survive_high : float
        Height that the share `DropFit.survive` of all pieces, of any batch, survives.
    drops, broke, batches : int
    beyond_tried : bool
        Does one of the two estimates lie outside the heights that were tried for this level?
    """

    term: str
    level: str
    median_cm: float
    median_low: float
    median_high: float
    survive_cm: float
    survive_low: float
    survive_high: float
    drops: int
    broke: int
    batches: int
    beyond_tried: bool


@dataclass(frozen=True)
class DropFit:
    """A regression of broken or whole on height and factors, with batches that differ at random.

    Parameters
    ----------
    method : {"jeffreys", "likelihood"}
    scale : {"log", "linear"}
        Whether breaking heights are spread evenly around the median in the logarithm or in cm.
    survive : float
        The share that `Heights.survive_cm` is about.
    level : float
        Coverage of the intervals.
    coefficients : dict of str to float
        Marginal probit coefficients: intercept (at the mean (log) height `centre`), height, factors.
    centre : float
    spread : float
        Standard deviation of the breaking heights of single pieces, in log height or cm.
    batch_share : float
        Share of that spread's variance that lies between batches.
    objective : float
        Log likelihood, with the penalty where there is one.
    heights : tuple of Heights
        All batches together, then each level of each category (others at their mean over batches).
    effects : tuple of Effect
        Ratio (log scale) or difference in cm (linear) of the breaking height, against the control level
        or for one unit of an amount.
    joint_tests : tuple of JointTest
    drops, broke, batches : int
    df : int
        Denominator degrees of freedom: batches less the columns that do not change within a batch.
    separated : bool
        Height and factors tell broken from whole without a mistake: the answer leans on the penalty.
    repeated_pieces : int
        Pieces that were dropped more than once; earlier drops may have weakened them.
    """

    method: Method
    scale: Scale
    survive: float
    level: float
    coefficients: dict[str, float]
    centre: float
    spread: float
    batch_share: float
    objective: float
    heights: tuple[Heights, ...]
    effects: tuple[Effect, ...]
    joint_tests: tuple[JointTest, ...]
    drops: int
    broke: int
    batches: int
    df: int
    separated: bool
    repeated_pieces: int


def drop_heights(
    drops: pd.DataFrame,
    batches: pd.DataFrame,
    terms: Sequence[Term] = (),
    *,
    method: Method = "jeffreys",
    scale: Scale = "log",
    survive: float = 0.9,
    level: float = 0.95,
) -> DropFit:
    """Estimate breaking heights by probit regression, for up-and-down sequences and fixed heights alike.

    Each piece has a breaking height, normally distributed in x = log h (or h) about a median that factors
    may shift; a part of its variance is common to the pieces of a batch. The batch effect belongs into the
    likelihood: an up-and-down sequence climbs higher in a strong batch, and a fit that takes no account of
    that reads the climb as a wide spread. With it, the next height depends on earlier outcomes only, and
    the likelihood of an up-and-down sequence is that of fixed heights.

    ``method="likelihood"`` is plain maximum likelihood; ``"jeffreys"`` adds Jeffreys' penalty, which keeps
    the answer finite when height tells broken from whole without a mistake. Intervals are where the profile
    of the (penalised) likelihood has fallen by F(level; 1, df), df in batches. An end may be open.

    Parameters
    ----------
    drops : DataFrame
        Columns run, piece, height_cm, broke (bool).
    batches : DataFrame
        One row a batch, indexed by run, with a column for each term.
    terms : sequence of Category or Amount
    method, scale
        See above.
    survive : float
        Share of pieces that is to survive `Heights.survive_cm`.
    level : float

    Raises
    ------
    CannotAnswer
        One height only, all broken or all whole, no more breaking from higher up, too few batches,
        separation under plain likelihood, or no convergence.
    ValueError
        A height that is not positive, or a batch that is not in the table.

    References
    ----------
    W. J. Dixon and A. M. Mood (1948), J. Am. Stat. Assoc. 43, 109, for the sequence and the normal model;
    D. Firth (1993), Biometrika 80, 27, for the penalty; G. Heinze and M. Schemper (2002), Stat. Med. 21,
    2409, for the profile of the penalised likelihood. The batch effect is a probit with a random intercept.

    Examples
    --------
    >>> drops = pd.DataFrame({"run": list("AAAABBBBCCCC"), "piece": list("123412341234"),
    ...     "height_cm": [20, 30, 40, 50] * 3,
    ...     "broke": [False, False, True, True, False, True, False, True, False, False, True, True]})
    >>> fit = drop_heights(drops, pd.DataFrame(index=list("ABC")))
    >>> round(fit.heights[0].median_cm), fit.drops, fit.batches, fit.df
    (34, 12, 3, 2)
    """
    if not 0.5 < survive < 1:
        raise ValueError("survive must lie between 0.5 and 1")
    broke = drops["broke"].to_numpy(bool)
    heights = drops["height_cm"].to_numpy(float)
    _must_be_answerable(broke, heights)
    columns = between_columns(drops["run"], batches, terms)
    x = np.log(heights) if scale == "log" else heights
    centre, unit = float(x.mean()), float(x.std())
    matrix = np.column_stack([np.ones(len(x)), (x - centre) / unit, columns.rows(drops["run"])])
    if np.linalg.matrix_rank(matrix) < matrix.shape[1]:
        raise CannotAnswer(
            "Each level was dropped from its own heights, so height and factor cannot be told apart.",
            "Drop pieces of every level from the same heights.",
        )
    separated = is_separated(matrix, broke.astype(float))
    if separated and method == "likelihood":
        raise CannotAnswer(
            "Height tells broken from whole without a mistake, so plain likelihood gives no spread.",
            "Use smaller steps, so that some pieces hold where others break, or the penalised fit.",
        )
    codes, count = cluster_codes(drops["run"])
    by_batch = pd.DataFrame(matrix).groupby(codes)
    df = count - int((by_batch.nunique().max() == 1).sum())
    if df < 1:
        raise CannotAnswer(
            f"{count} batches leave nothing to judge chance by.",
            "Make further batches, or drop the pieces of one batch from several heights.",
        )
    problem = BatchProbitProblem.make(matrix, broke, codes, method == "jeffreys")
    fit = problem.fit()
    if fit.coefficients[1] <= 0:
        raise CannotAnswer(
            "Pieces did not break more often from higher up, so no breaking height can be given.",
            "Try heights further apart, or more pieces at each.",
        )
    model = _Model(problem, fit, df, level, centre, unit, scale)
    rows = [model.heights(columns, drops, None, "", survive, batches)]
    for term in terms:
        if isinstance(term, Category):
            rows += [model.heights(columns, drops, term, name, survive, batches) for name in term.levels]
    in_x = fit.coefficients / np.where(np.arange(len(fit.coefficients)) == 1, unit, 1.0)
    again = drops.groupby(["run", "piece"]).size()
    return DropFit(
        method=method,
        scale=scale,
        survive=survive,
        level=level,
        coefficients=dict(zip(["intercept", "height", *columns.names], map(float, in_x), strict=True)),
        centre=centre,
        spread=float(1.0 / in_x[1]),
        batch_share=fit.batch_share,
        objective=fit.objective,
        heights=tuple(rows),
        effects=tuple(model.effect(columns, j) for j in range(len(columns.names))),
        joint_tests=tuple(model.joint(columns, term.name) for term in terms),
        drops=len(drops),
        broke=int(broke.sum()),
        batches=count,
        df=df,
        separated=separated,
        repeated_pieces=int((again > 1).sum()),
    )


def _must_be_answerable(broke: np.ndarray, heights: np.ndarray) -> None:
    if not (heights > 0).all():
        raise ValueError("heights must be positive")
    if len(np.unique(heights)) < 2:
        raise CannotAnswer(
            "Every piece was dropped from the same height.", "Drop pieces from at least three heights."
        )
    if broke.all():
        raise CannotAnswer("Every piece broke.", "Drop some from lower down, until a few hold.")
    if not broke.any():
        raise CannotAnswer("No piece broke.", "Drop some from higher up, until a few break.")


@dataclass(frozen=True)
class _Model:
    """The fitted regression with what its profiles need."""

    problem: BatchProbitProblem
    fit: BatchProbit
    df: int
    level: float
    centre: float
    unit: float
    scale: Scale

    def fall(self, restriction: Restriction) -> float:
        """Twice the fall of the objective under a restriction."""
        found = self.problem.fit(restriction, self.fit)
        return max(0.0, 2.0 * (self.fit.objective - found.objective))

    def interval(self, rest: Array, target: float, estimate: float) -> tuple[float, float]:
        """Interval of the v for which ``rest @ b + v * (slope of height)`` is `target`."""
        height = np.eye(len(rest))[1]
        allowed = float(stats.f.ppf(self.level, 1, self.df))
        # a first step outward: a fifth of the spread is of the order of a standard error
        step = 0.2 / self.fit.coefficients[1]
        near = self.fit

        def fall(v: float) -> float:
            """As `self.fall`, begun at the fit before: the search for an end goes in ever smaller steps."""
            nonlocal near
            if v < estimate < last[0] or last[0] < estimate < v:
                near = self.fit  # the other end begins in the middle
            near = self.problem.fit(hold(rest + v * height, target), near)
            last[0] = v
            return max(0.0, 2.0 * (self.fit.objective - near.objective))

        last = [estimate]
        return profile_interval(fall, estimate, step, allowed)

    def point(self, at: Array, target: float) -> tuple[float, float, float]:
        """Estimate and interval of the height at which the linear predictor is `target`."""
        rest = np.concatenate([[1.0, 0.0], at])
        estimate = (target - float(rest @ self.fit.coefficients)) / float(self.fit.coefficients[1])
        low, high = self.interval(rest, target, estimate)
        return self._back(estimate), self._back(low), self._back(high)

    def _back(self, value: float) -> float:
        value = value * self.unit + self.centre
        with np.errstate(over="ignore"):
            return float(np.exp(value)) if self.scale == "log" else max(0.0, float(value))

    def heights(
        self,
        columns: Columns,
        drops: pd.DataFrame,
        term: Category | None,
        level: str,
        survive: float,
        batches: pd.DataFrame,
    ) -> Heights:
        at = at_level(columns, term, level)
        median, survivors = self.point(at, 0.0), self.point(at, float(special.ndtri(1 - survive)))
        own = drops
        if term is not None:
            own = drops[(batches.loc[drops["run"], term.name].astype(str) == level).to_numpy()]
        low, high = own["height_cm"].min(), own["height_cm"].max()
        return Heights(
            term=term.name if term is not None else "",
            level=level,
            median_cm=median[0],
            median_low=median[1],
            median_high=median[2],
            survive_cm=survivors[0],
            survive_low=survivors[1],
            survive_high=survivors[2],
            drops=len(own),
            broke=int(own["broke"].sum()),
            batches=own["run"].nunique(),
            beyond_tried=not (low <= median[0] <= high and low <= survivors[0] <= high),
        )

    def effect(self, columns: Columns, position: int) -> Effect:
        here = np.eye(len(self.fit.coefficients))[position + 2]
        shift = -float(here @ self.fit.coefficients) / float(self.fit.coefficients[1])
        ends = np.array([shift, *self.interval(here, 0.0, shift)]) * self.unit
        p = float(stats.f.sf(self.fall(hold(here, 0.0)), 1, self.df))
        kind: Kind = "difference"
        if self.scale == "log":
            kind = "ratio"
            with np.errstate(over="ignore"):
                ends = np.exp(ends)
        value, low, high = map(float, ends)
        return Effect(
            columns.names[position], columns.term_of[position], kind, value, low, high, p, float(self.df)
        )

    def joint(self, columns: Columns, term: str) -> JointTest:
        width = len(self.fit.coefficients)
        held = [j + 2 for j in columns.where(term)]
        kept = [j for j in range(width) if j not in held]
        f = self.fall(Restriction(np.zeros(width), np.eye(width)[:, kept])) / len(held)
        p = float(stats.f.sf(f, len(held), self.df))
        return JointTest(term, f, float(len(held)), float(self.df), p)
