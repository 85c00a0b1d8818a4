"""Breaking heights: yes-or-no regression on the height of a fall; batches and days differ at random.

Ours because statsmodels has no probit with a random batch by maximum likelihood; without one, an up-and-down
sequence's climb in a strong batch is taken for a wide spread of the pieces.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from numpy.typing import NDArray
from scipy import optimize, special, stats

from fizzlab.errors import CannotAnswer, cannot
from fizzlab.language import say
from fizzlab.models.censored import rising, summed
from fizzlab.models.plotting import INK, axes_for, drawn_apart, looks
from fizzlab.models.result import Effect, FitResult, Interval, asked, joined_df
from fizzlab.models.strata import Strata, prepare
from fizzlab.models.terms import (
    Category,
    Term,
    by_run,
    level_name,
    model_matrix,
    need_columns,
    parse_formula,
    varying,
)

Array = NDArray[np.float64]

RESPONSE = "drop_cm"

_LOG_ROOT_2PI = 0.5 * np.log(2 * np.pi)
_MOST = 0.97  # the shared part is kept off 1, where quadrature would need more nodes
_TOLD = 2 / np.pi  # what a drop from the median height tells, in terms of a breaking height that is measured


def _quadrature(*many: int) -> tuple[Array, Array]:
    """Nodes and log weights of batches and of days, each of shape (nodes of batches, nodes of days)."""
    rules = []
    for node, weight in map(np.polynomial.hermite_e.hermegauss, many):
        told = weight > 1e-8 * weight.max()  # the others cost time alone
        rules.append((node[told], np.log(weight[told] / weight.sum())))
    nodes, weights = (np.stack(np.meshgrid(*part, indexing="ij")) for part in zip(*rules, strict=True))
    return nodes, weights


_ALONE, _IN_DAYS = _quadrature(31, 1), _quadrature(13, 19)


@dataclass(frozen=True)
class _Maximum:
    """The maximum of the likelihood: free coefficients, `bends` (for r), inverse of the curvature."""

    free: Array
    bends: Array
    value: float
    inverse: Array

    @property
    def r(self) -> Array:
        """Correlation of a piece with its batch and, where there are days, with its day."""
        return _shared(self.bends)[0]


def _shared(bends: Array) -> tuple[Array, Array]:
    """The correlations r, the sum of whose squares stays below 1, with their slopes by `bends`."""
    long = np.sqrt(1 + bends @ bends)
    return _MOST * bends / long, _MOST * (np.eye(len(bends)) / long - np.outer(bends, bends) / long**3)


@dataclass(frozen=True)
class _Likelihood:
    """The drops, sorted by day and batch; those alike are one row, and `many` says how many.

    `first` is the first row of each batch, `of` the batch of each row; `first_of_day`, `day_of` the same of
    the batches in their days. Each has its own day where days play no part: then `shared` is 1, else 2.
    """

    matrix: Array
    sign: Array
    many: Array
    penalised: bool
    shared: int
    first: NDArray[np.intp]
    of: NDArray[np.intp]
    first_of_day: NDArray[np.intp]
    day_of: NDArray[np.intp]

    @classmethod
    def of_drops(
        cls,
        matrix: Array,
        broke: NDArray[np.bool_],
        runs: pd.Series,
        penalised: bool,
        days: pd.Series | None = None,
    ) -> _Likelihood:
        day, batch = (pd.factorize(each)[0] for each in (runs if days is None else days, runs))
        table = np.column_stack([day, batch, np.where(broke, 1.0, -1.0), matrix])
        rows, many = np.unique(table, axis=0, return_counts=True)
        begins = np.diff(rows[:, 1], prepend=-1) != 0
        starts = np.diff(rows[begins, 0], prepend=-1) != 0
        groups = (place for new in (begins, starts) for place in (np.flatnonzero(new), np.cumsum(new) - 1))
        known = (rows[:, 3:], rows[:, 2], many.astype(float), penalised)
        return cls(*known, 1 if days is None else 2, *groups)

    def at(self, eta: Array, r: Array) -> tuple[float, Array, Array]:
        """Log likelihood with its slopes by `eta` and by `r`."""
        nodes, log_weights = _ALONE if self.shared == 1 else _IN_DAYS
        nodes, rest = nodes[: len(r)], np.sqrt(1 - r @ r)
        shifted = eta[:, None, None] + np.tensordot(r, nodes, axes=1)
        z = self.sign[:, None, None] * shifted / rest
        chance, many = special.ndtr(z), self.many[:, None, None]
        log_chance = np.log(chance) if chance.min() > 1e-200 else special.log_ndtr(z)  # the first is quicker
        in_batches = np.add.reduceat(many * log_chance, self.first, axis=0) + log_weights[0]
        by_batch, weight = summed(in_batches, axis=1)
        in_days = np.add.reduceat(by_batch, self.first_of_day, axis=0) + log_weights[1, 0]
        whole, of_days = summed(in_days, axis=1)
        weight *= of_days[self.day_of][:, None]
        push = np.exp(-0.5 * z**2 - _LOG_ROOT_2PI - log_chance) * (many * self.sign[:, None, None])
        push *= weight[self.of]
        value, by_eta = float(whole.sum()), push.sum(axis=(1, 2)) / rest
        leaning = float((push * shifted).sum()) / rest**3
        by_r = np.tensordot(nodes, push.sum(axis=0), axes=2) / rest + r * leaning
        if self.penalised:
            penalty, slope = jeffreys(self.matrix, eta, self.many)
            value, by_eta = value + penalty, by_eta + slope
        return value, by_eta, by_r

    def maximum(
        self, design: Array, offset: Array | float = 0.0, near: _Maximum | None = None, sure: bool = True
    ) -> _Maximum:
        """Maximise over ``eta = offset + design @ free`` and r; the penalty stays that of the whole model.

        Even in r, the likelihood can have a maximum at r = 0 and another beyond: all are looked for where it
        is to be `sure`, near a known one to 0.001 of its logarithm, else the one `near` that.
        """
        many = self.shared

        def downhill(at: Array) -> tuple[float, Array]:
            r, turn = _shared(at[-many:])
            with np.errstate(all="ignore"):  # a step too far is refused below
                value, by_eta, by_r = self.at(offset + design @ at[:-many], r)
                slope = np.append(design.T @ by_eta, turn @ by_r)
            if not (np.isfinite(value) and np.isfinite(slope).all()):
                return 1e10, np.zeros_like(at)
            return -value, -slope

        options: dict[str, object] = {"gtol": 1e-6 if near is None else 1e-2 if sure else 1e-4}
        found, free, starts = [], np.zeros(design.shape[1]), 0.15 + 1.35 * np.eye(many + 1, many, -1)
        if near is not None:
            options["hess_inv0"] = near.inverse
            free, starts = near.free, starts if sure else near.bends[None]
        for start in (np.append(free, each) for each in starts):
            end = optimize.minimize(downhill, start, jac=True, method="BFGS", options=options)
            found += [end] if np.abs(end.jac).max() < (1e-3 if near is None or not sure else 1e-1) else []
        if not found:
            raise cannot("drops_unsettled")
        top = min(found, key=lambda each: each.fun)
        if near is not None:
            return _Maximum(top.x[:-many], top.x[-many:], -float(top.fun), near.inverse)
        steps = 1e-4 * np.eye(len(top.x))
        bent = np.array([downhill(top.x + step)[1] - downhill(top.x - step)[1] for step in steps]) / 2e-4
        size, turn = np.linalg.eigh((bent + bent.T) / 2)
        inverse = turn / np.maximum(size, 1e-3 * size.max()) @ turn.T  # bends may be level
        return _Maximum(top.x[:-many], top.x[-many:], -float(top.fun), (inverse + inverse.T) / 2)


def jeffreys(matrix: Array, eta: Array, many: Array) -> tuple[float, Array]:
    """Jeffreys' penalty of a probit, 0.5 log det of the information, and its slope by `eta`; `many` a row."""
    density = -0.5 * eta**2 - _LOG_ROOT_2PI
    up, down = np.exp(density - special.log_ndtr(eta)), np.exp(density - special.log_ndtr(-eta))
    weight, curve = many * up * down, -2.0 * eta - up + down
    try:
        root = np.linalg.cholesky((matrix * weight[:, None]).T @ matrix)
    except np.linalg.LinAlgError:
        return -np.inf, np.zeros_like(eta)
    leverage = weight * (np.linalg.solve(root, matrix.T) ** 2).sum(axis=0)
    slope: Array = 0.5 * leverage * curve
    return float(np.log(np.diag(root)).sum()), slope


def is_separated(matrix: Array, broke: NDArray[np.bool_]) -> bool:
    """Can some combination of the columns tell broken from whole without a mistake?"""
    signed = matrix / np.abs(matrix).max(axis=0) * np.where(broke, 1.0, -1.0)[:, None]
    return rising(signed, (-1.0, 1.0)) is not None


@dataclass(frozen=True, kw_only=True)
class DropFit(FitResult):
    """Broken or whole, regressed on the logarithm of the height and the factors.

    `coefficients` are of the probit over all batches, height as the natural logarithm of cm; `spread` is the
    sd of the log breaking heights of pieces, `batch_share` and `day_share` what of that variance lies between
    batches of a day, and days; `separated`: no mistake tells broken from whole, so that the spread leans on
    the penalty; `repeated` pieces were dropped more than once. `held` columns do not change within a batch,
    `strata` are what judges them; ``centre + unit * v`` is the log height with v in the second column.
    """

    drops: pd.DataFrame = field(repr=False)
    coefficients: Mapping[str, float]
    spread: float
    batch_share: float
    day_share: float
    separated: bool
    repeated: int
    strata: Strata = field(repr=False)
    held: NDArray[np.bool_] = field(repr=False)
    likelihood: _Likelihood = field(repr=False)
    best: _Maximum = field(repr=False)
    centre: float
    unit: float
    profiled: dict[tuple[float, ...], tuple[float, float, float]] = field(default_factory=dict, repr=False)

    @property
    def df(self) -> float:
        """Degrees of freedom of the typical height, all batches together."""
        return self.df_of(np.eye(len(self.held))[0])

    def df_of(self, row: Array) -> float:
        """Degrees of freedom of a combination of the coefficients: those of days and of batches, joined.

        F. E. Satterthwaite (Biometrics Bulletin 2 (1946) 110-114); a comparison has no more than the part has
        on which it mostly rests.
        """
        row, strata, shared = row[self.held], self.strata, self.best.r**2
        if strata.day is None:
            return float(strata.spare)
        same, many = strata.full[0], np.bincount(self.likelihood.of, self.likelihood.many)
        own = shared[0] + (1 - shared.sum()) / (_TOLD * many)
        variance = np.diag(own) + shared[1] * same
        back = np.linalg.solve(variance, strata.x)
        across = row @ np.linalg.solve(strata.x.T @ back, back.T)
        means = same / same.sum(axis=1)
        between = float(across @ means @ variance @ means @ across)
        within = max(float(across @ variance @ across) - between, 0.0)
        return joined_df(between, within, strata.df, row[0] == 0)

    def predict(
        self, new: Any = None, *, share: float = 0.5, interval: Interval = "confidence"
    ) -> pd.DataFrame:
        """The height in cm from which a share of the pieces breaks.

        Parameters
        ----------
        new : DataFrame or mapping, optional
            Conditions; factors that are not named are averaged over the batches.
        share : float
            Of all pieces, of any batch, that break: 0.5 for the median, 0.1 for what nine in ten survive.

        Returns
        -------
        DataFrame
            The conditions, then estimate, conf_low, conf_high (where the profile likelihood has fallen by
            F(conf_level; 1, df); 0 or infinite beyond a hundred times the heights tried), extrapolated.
        """
        if not 0 < share < 1:
            raise ValueError("share must lie between 0 and 1")
        if interval != "confidence":
            raise cannot("drops_no_forecast")
        table = asked(new, dict.fromkeys(term.name for term in self.terms))
        target = float(special.ndtri(share))
        rows = [self._height(table.loc[place].to_dict(), target) for place in table.index]
        found = pd.DataFrame(rows, columns=["estimate", "conf_low", "conf_high", "extrapolated"])
        return pd.concat([table.dropna(axis=1, how="all"), found], axis=1)

    def _height(self, at: Mapping[Any, Any], target: float) -> tuple[float, float, float, bool]:
        rest, tried, beyond = [1.0, 0.0], np.ones(len(self.batches), bool), False
        for term in self.terms:
            values, asked_for = self.batches[term.name], at[term.name]
            if asked_for is None:
                rest += term.matrix(values).mean(axis=0).tolist()
                continue
            rest += term.matrix(pd.Series([asked_for]))[0].tolist()
            if isinstance(term, Category):
                tried &= (values.astype(str) == asked_for).to_numpy()
            else:
                beyond |= not values.min() <= asked_for <= values.max()
        with np.errstate(over="ignore"):
            ends = np.array(self.profile(np.array(rest), target)) * self.unit + self.centre
            estimate, low, high = np.exp(ends).tolist()
        own = self.drops["run"].isin(self.batches.index[tried]) if tried.any() else slice(None)
        least, most = self.drops.loc[own, "height_cm"].agg(["min", "max"])
        low, high = (low if low > least / 100 else 0.0), (high if high < 100 * most else np.inf)
        return estimate, low, high, bool(beyond or not least <= estimate <= most)

    def fall(
        self, rest: Array, target: float, v: float, known: dict[float, Array], sure: bool = False
    ) -> tuple[float, float]:
        """Twice what log likelihood loses with ``(rest + v * height) @ coefficients`` held at `target`.

        And the slope of that by v, with all else held, since it is at its best. Begun near the nearest of the
        maxima that are `known` by v, or near that of all, and added to them.
        """
        weights = rest.copy()
        weights[1] += v
        given = next(j for j in range(len(rest)) if j != 1 and rest[j])
        others = np.delete(np.arange(len(rest)), given)
        column = self.likelihood.matrix[:, given] / weights[given]
        design = self.likelihood.matrix[:, others] - np.outer(column, weights[others])
        begin, inverse = self._held(weights, target)
        if known:
            other = min(known, key=lambda at: abs(at - v))
            begin += known[other] - self._held(rest + other * np.eye(len(rest))[1], target)[0]
        bare = np.delete(np.delete(inverse, given, 0), given, 1)
        near = replace(self.best, free=begin[others], bends=begin[len(rest) :], inverse=bare)
        found = self.likelihood.maximum(design, column * target, near, sure)
        own = (target - weights[others] @ found.free) / weights[given]
        known[v] = np.append(np.insert(found.free, given, own), found.bends)
        by_eta = self.likelihood.at(column * target + design @ found.free, found.r)[1]
        height = float(np.insert(found.free, given, own)[1])
        return max(0.0, 2.0 * (self.best.value - found.value)), 2.0 * float(by_eta @ column) * height

    def _held(self, weights: Array, target: float) -> tuple[Array, Array]:
        """Where, by the curvature at the best, the maximum with a contrast at `target` lies; its inverse."""
        best = np.append(self.best.free, self.best.bends)
        lean = self.best.inverse[:, : len(weights)] @ weights
        size = float(lean[: len(weights)] @ weights)
        gap = float(self.best.free @ weights) - target
        return best - lean * gap / size, self.best.inverse - np.outer(lean, lean) / size

    def profile(self, rest: Array, target: float = 0.0) -> tuple[float, float, float]:
        """Estimate and interval of the v at which ``(rest + v * height) @ coefficients`` is `target`."""
        key, slope = (*rest.tolist(), target), float(self.best.free[1])
        if key in self.profiled:
            return self.profiled[key]
        estimate = (target - float(rest @ self.best.free)) / slope
        limit = float(np.sqrt(stats.f.ppf(self.conf_level, 1, self.df_of(rest))))
        weights = np.append(rest, np.zeros(len(self.best.bends)))
        weights[1] += estimate
        step = limit * float(np.sqrt(weights @ self.best.inverse @ weights)) / slope

        def end(step: float) -> float:
            at, inner, outer, sure = estimate + step, estimate, np.copysign(np.inf, step), False
            known = dict[float, Array]()
            for _ in range(200):
                try:
                    lost, slope = self.fall(rest, target, at, known, sure)
                except CannotAnswer:
                    break
                past, steep = np.sqrt(lost) - limit, lost > 0 and slope * step > 0
                if sure and past > -1e-3:
                    return float(at)
                if sure:  # another maximum is higher there: it is followed
                    outer, known = np.copysign(np.inf, step), {at: known[at]}
                inner, outer = (at, outer) if past < 0 else (inner, at)
                leap = abs(outer - inner) < 1e-4 * abs(step)  # from one maximum to a lower one
                if not sure and (leap or abs(past) < 1e-5):
                    at, sure = outer if leap else at, True
                    continue
                newton, sure = at - past * 2 * np.sqrt(lost) / slope if steep else np.inf, False
                if past < 0 and not np.isfinite(outer):  # at most twice as far
                    double = 2 * at - estimate
                    at = newton if abs(newton - estimate) < abs(double - estimate) else double
                else:
                    at = newton if min(inner, outer) < newton < max(inner, outer) else (inner + outer) / 2
                if abs(at - estimate) > 2**13 * abs(step):
                    break
            return float(np.copysign(np.inf, step))

        self.profiled[key] = estimate, end(-step), end(step)
        return self.profiled[key]

    def plot(self, ax: Axes | None = None, *, survive: float = 0.9) -> Axes:
        """Draw every drop, the height at which half of the pieces break, and the one that most survive."""
        labels, conditions = drawn_apart(self.batches, self.terms)
        heights = self.predict(conditions).assign(level=list(conditions.index))
        lower = np.exp(special.ndtri(1 - survive) * self.unit / self.best.free[1])  # of the same spread
        heights["survive"] = heights["estimate"] * lower
        return plot_drops(self.drops, labels, heights, survive, ax)


def fit_drop_height(
    drops: pd.DataFrame,
    formula: str | Sequence[Term] = "",
    *,
    runs: pd.DataFrame,
    penalised: bool = True,
    conf_level: float = 0.95,
) -> DropFit:
    """Estimate breaking heights, for up-and-down sequences and fixed heights alike.

    A piece's log breaking height is normal about a median that the factors shift. With x the columns of log
    height and factors, u and w standard normal, one for each batch and for each day with several batches,

        P(break | batch, day) = ndtr((x'b + r u + s w) / sqrt(1 - r^2 - s^2)).

    The next height of an up-and-down sequence depends on earlier outcomes only, so its likelihood is that of
    fixed heights. W. J. Dixon and A. M. Mood (1948), J. Am. Stat. Assoc. 43, 109; penalty of D. Firth (1993),
    Biometrika 80, 27.

    Parameters
    ----------
    drops : DataFrame
        Columns run, piece, height_cm, broke (bool).
    formula : str or sequence of Category or Amount
        Factors of `runs`, such as ``"colour + oil_g"``: main effects only.
    runs : DataFrame
        One row a batch: run, the factors, and day where there are days.
    penalised : bool
        Add Jeffreys' penalty, finite where height tells broken from whole without a mistake.

    Raises
    ------
    CannotAnswer
        One height only, all broken or all whole, no more breaking from higher up, too few batches or days,
        factors that cannot be told apart, separation without the penalty, or no convergence.

    Examples
    --------
    >>> drops = pd.DataFrame({"run": list("AAAABBBBCCCC"), "piece": list("123412341234"),
    ...     "height_cm": [20, 30, 40, 50] * 3,
    ...     "broke": [False, False, True, True, False, True, False, True, False, False, True, True]})
    >>> fit = fit_drop_height(drops, runs=pd.DataFrame({"run": list("ABC")}))
    >>> round(float(fit.predict()["estimate"].iloc[0])), fit.n_batches, fit.df
    (34, 3, 2.0)
    """
    need_columns(drops, ["run", "piece", "height_cm", "broke"], "drops")
    batches = by_run(runs, drops["run"]).loc[lambda made: made.index.isin(drops["run"])]
    if not (drops["height_cm"] > 0).all():
        raise ValueError("heights must be positive")
    factors, model = parse_formula(formula, batches, ())
    if len(model) > len(factors):
        raise ValueError("drops are fitted with main effects only: join the factors by +")
    terms, notes = varying(factors, batches)
    broke, x = drops["broke"].to_numpy(bool), np.log(drops["height_cm"].to_numpy(float))
    if np.ptp(x) == 0:
        raise cannot("one_height")
    if broke.all() or not broke.any():
        raise cannot("all_broke" if broke.all() else "none_broke")
    centre, unit = float(x.mean()), float(x.std())
    columns = model_matrix(batches, terms).iloc[:, 1:]
    between = columns.loc[drops["run"]].to_numpy(float)
    matrix = np.column_stack([np.ones(len(x)), (x - centre) / unit, between])
    by_batch = pd.DataFrame(matrix).groupby(drops["run"].to_numpy())
    held = (by_batch.nunique().max() == 1).to_numpy()
    separated = is_separated(matrix, broke)
    if len(batches) <= held.sum():
        raise cannot("drops_few_batches", n=len(batches))
    if np.linalg.matrix_rank(matrix) < matrix.shape[1]:
        raise cannot("drops_together")
    if separated and not penalised:
        raise cannot("drops_separated")
    days = batches["day"] if "day" in batches and 1 < batches["day"].nunique() < len(batches) else None
    likelihood = _Likelihood.of_drops(
        matrix, broke, drops["run"], penalised, None if days is None else drops["run"].map(days)
    )
    by_day = None if days is None else likelihood.day_of
    strata = prepare(likelihood.matrix[likelihood.first][:, held], by_day)
    best = likelihood.maximum(likelihood.matrix)
    slope = float(best.free[1])
    if slope <= 0:
        raise cannot("no_more_from_higher")
    names = ["intercept", "height", *columns.columns]
    free = best.free / np.where(np.arange(len(names)) == 1, unit, 1.0)
    free[0] -= slope * centre / unit
    fit = DropFit(
        response=RESPONSE,
        batches=batches,
        terms=tuple(terms),
        conf_level=conf_level,
        n_batches=len(batches),
        loglik=best.value,
        notes=tuple(notes),
        drops=drops,
        coefficients=dict(zip(names, free.tolist(), strict=True)),
        spread=unit / slope,
        batch_share=float(best.r[0] ** 2),
        day_share=float((best.r[1:] ** 2).sum()),
        separated=separated,
        repeated=int((drops.groupby(["run", "piece"]).size() > 1).sum()),
        strata=strata,
        held=held,
        likelihood=likelihood,
        best=best,
        centre=centre,
        unit=unit,
    )
    return replace(fit, effects=_effects(fit))


def _effects(fit: DropFit) -> tuple[Effect, ...]:
    """Each level against its control, and each amount from the least to the most."""
    found, names = [], list(fit.coefficients)
    for term in fit.terms:
        for pair in term.pairs(fit.batches[term.name]):
            rest = np.zeros(len(names))
            columns = [names.index(column) for column in term.columns()]
            rest[columns] = np.subtract(*term.matrix(pd.Series(pair)))
            with np.errstate(over="ignore"):
                ends = np.exp(np.array(fit.profile(rest)) * fit.unit).tolist()
            df = fit.df_of(rest)
            known = dict[float, Array]()
            fit.fall(rest, 0.0, 0.0, known, True)
            p = float(stats.f.sf(fit.fall(rest, 0.0, 0.0, known)[0], 1, df))
            judge = "days" if fit.strata.by_days(rest[fit.held][None]) else "batches"
            level, control = (level_name(term, value) for value in pair)
            numbers = (*ends, df, p, judge, fit.n_batches, fit.conf_level)
            found.append(Effect(RESPONSE, term, level, control, "ratio", *numbers))
    return tuple(found)


def plot_drops(
    drops: pd.DataFrame,
    levels: pd.Series,
    heights: pd.DataFrame | None = None,
    survive: float = 0.9,
    ax: Axes | None = None,
) -> Axes:
    """Draw every drop by level, batches side by side, drops of a batch in their order.

    `levels` is a Categorical by run; `heights` has level, estimate, conf_low, conf_high (half of the pieces
    break) and survive (the share `survive` does).
    """
    import seaborn as sns

    axes = axes_for(ax, height=4.0)
    names = list(levels.cat.categories)
    shown = drops.assign(
        level=drops["run"].map(levels).astype(levels.dtype),
        batch=pd.Categorical(drops["run"], levels.index).codes,
        outcome=np.where(drops["broke"].astype(bool), "broke", "held"),
    ).sort_values(["level", "batch", *(["order"] if "order" in drops else [])], kind="stable")
    batch = shown["batch"].ne(shown["batch"].shift()).cumsum()
    shown["place"] = np.arange(len(shown)) + 1.5 * batch + 2.0 * shown["level"].cat.codes
    where: dict[str, Any] = {"x": "place", "y": "height_cm", "color": INK, "ax": axes}
    sns.lineplot(shown, units="batch", estimator=None, lw=0.7, alpha=0.4, legend=False, **where)
    sns.scatterplot(shown, style="outcome", markers={"broke": "X", "held": "o"}, zorder=3, **where)
    top = 1.22 * shown["height_cm"].max()
    spans = shown.groupby("level", observed=True)["place"].agg(["min", "max"])
    for place, row in enumerate([] if heights is None else heights.to_dict("records")):
        (left, right), colour = spans.loc[row["level"]] + [-0.8, 0.8], looks(names)[row["level"]].colour
        high = min(row["conf_high"], top)
        axes.fill_between([left, right], row["conf_low"], high, color=colour, alpha=0.14, lw=0)
        named = (say("half_break"), say("so_many_survive", percent=100 * survive)) if place == 0 else ("", "")
        axes.hlines(row["estimate"], left, right, colors=colour, lw=2.0, label=named[0])
        axes.hlines(row["survive"], left, right, colors=colour, lw=1.4, ls=(0, (4, 2)), label=named[1])
    axes.set_xticks(spans.mean(axis=1), spans.index, rotation=90 if len(names) > 4 else 0)
    axes.grid(axis="x", visible=False)
    axes.set(ylim=(0, top), xlabel=say("axis_drops"), ylabel=say("axis_drop_height"))
    axes.legend(loc="lower center", bbox_to_anchor=(0.5, 1.0), ncols=4)
    return axes
