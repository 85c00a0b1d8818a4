"""Breaking heights: yes-or-no regression on the height of a fall, with batches that differ at random.

The likelihood is our own and scipy maximises it. Statsmodels has no probit with a random batch that is fitted
by maximum likelihood, and a fit without it (GEE, or a plain probit with robust errors) takes an up-and-down
sequence's climb in a strong batch for a wide spread of the pieces.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import optimize, special, stats

from fizzlab.errors import CannotAnswer
from fizzlab.models.curves import outward
from fizzlab.models.days import mostly_by_days
from fizzlab.models.plotting import INK, axes_for, drawn_apart, looks
from fizzlab.models.result import Effect, FitResult, Interval, asked
from fizzlab.models.terms import (
    Category,
    Term,
    level_name,
    model_matrix,
    need_columns,
    parse_formula,
    varying,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Array = NDArray[np.float64]

RESPONSE = "drop_cm"

_LOG_ROOT_2PI = 0.5 * np.log(2 * np.pi)
_MOST = 0.97  # correlation between batch and piece is kept off 1, where quadrature would need more nodes
_NODES, _WEIGHTS = np.polynomial.hermite_e.hermegauss(31)
_LOG_WEIGHTS = np.log(_WEIGHTS / _WEIGHTS.sum())


def _refuse(*faults: tuple[Any, str, str]) -> None:
    """Raise the first fault that holds: whether it does, why there is no answer, what would help."""
    for wrong, why, would_help in faults:
        if wrong:
            raise CannotAnswer(why, would_help)


@dataclass(frozen=True)
class _Maximum:
    """Where the likelihood has its maximum: the free coefficients, and `bend`, which stands for r.

    `inverse` is that of the curvature, about: what lies near by is found in fewer steps.
    """

    free: Array
    bend: float
    value: float
    inverse: Array


@dataclass(frozen=True)
class _Likelihood:
    """The drops, sorted by batch; `first` is the first row of each batch, `of` the batch of each row."""

    matrix: Array
    sign: Array
    first: NDArray[np.intp]
    of: NDArray[np.intp]
    penalised: bool

    @classmethod
    def of_drops(
        cls, matrix: Array, broke: NDArray[np.bool_], runs: pd.Series, penalised: bool
    ) -> _Likelihood:
        codes, _ = pd.factorize(runs)
        order = np.argsort(codes, kind="stable")
        first = np.flatnonzero(np.diff(codes[order], prepend=-1))
        return cls(matrix[order], np.where(broke[order], 1.0, -1.0), first, codes[order], penalised)

    def at(self, eta: Array, r: float) -> tuple[float, Array, float]:
        """Log likelihood with its slopes by `eta` and by `r`."""
        rest = np.sqrt(1 - r**2)
        shifted = eta[:, None] + r * _NODES
        z = self.sign[:, None] * shifted / rest
        log_chance = special.log_ndtr(z)
        summed = np.add.reduceat(log_chance, self.first, axis=0) + _LOG_WEIGHTS
        most = summed.max(axis=1, keepdims=True)
        terms = np.exp(summed - most)
        total = terms.sum(axis=1, keepdims=True)
        weight = (terms / total)[self.of]
        push = weight * np.exp(-0.5 * z**2 - _LOG_ROOT_2PI - log_chance) * self.sign[:, None]
        value, by_eta = float((most + np.log(total)).sum()), push.sum(axis=1) / rest
        by_r = float((push * (_NODES / rest + shifted * r / rest**3)).sum())
        if self.penalised:
            penalty, slope = jeffreys(self.matrix, eta)
            value, by_eta = value + penalty, by_eta + slope
        return value, by_eta, by_r

    def maximum(
        self,
        design: Array,
        offset: Array | float = 0.0,
        near: _Maximum | None = None,
        bends: Sequence[float] = (0.15, 1.2),
    ) -> _Maximum:
        """Maximise over ``eta = offset + design @ free`` and r; the penalty stays that of the whole model.

        Even in r, the likelihood can have a maximum at r = 0 and another beyond: both are looked for, unless
        the search begins `near` a known one.
        """

        def downhill(at: Array) -> tuple[float, Array]:
            turn = np.tanh(at[-1])
            with np.errstate(all="ignore"):  # a step too far is refused below
                value, by_eta, by_r = self.at(offset + design @ at[:-1], _MOST * turn)
                slope = np.append(design.T @ by_eta, by_r * _MOST * (1 - turn**2))
            if not (np.isfinite(value) and np.isfinite(slope).all()):
                return 1e10, np.zeros_like(at)
            return -value, -slope

        options: dict[str, object] = {"gtol": 1e-6}
        found, free = [], np.zeros(design.shape[1])
        if near is not None:  # off both ends, where the likelihood is level in the bend
            options["hess_inv0"] = (near.inverse + near.inverse.T) / 2
            free, bends = near.free, [float(np.clip(abs(near.bend), 0.1, 2.3))]
        for bend in bends:
            start = np.append(free, bend)
            end = optimize.minimize(downhill, start, jac=True, method="BFGS", options=options)
            found += [end] if np.abs(end.jac).max() < 1e-3 else []
        do = "Add pieces at heights where some break and some hold."
        _refuse((not found, "The fit of the drops did not converge.", do))
        top = min(found, key=lambda each: each.fun)
        return _Maximum(top.x[:-1], float(top.x[-1]), -float(top.fun), top.hess_inv)


def jeffreys(matrix: Array, eta: Array) -> tuple[float, Array]:
    """Jeffreys' penalty of a probit, 0.5 log det of the information, and its slope by `eta`."""
    density = -0.5 * eta**2 - _LOG_ROOT_2PI
    up, down = np.exp(density - special.log_ndtr(eta)), np.exp(density - special.log_ndtr(-eta))
    weight, curve = up * down, -2.0 * eta - up + down
    try:
        root = np.linalg.cholesky((matrix * weight[:, None]).T @ matrix)
    except np.linalg.LinAlgError:
        return -np.inf, np.zeros_like(eta)
    leverage = weight * (np.linalg.solve(root, matrix.T) ** 2).sum(axis=0)
    slope: Array = 0.5 * leverage * curve
    return float(np.log(np.diag(root)).sum()), slope


def is_separated(matrix: Array, broke: NDArray[np.bool_]) -> bool:
    """Can some combination of the columns tell broken from whole without a mistake? (A linear programme.)"""
    signed = matrix / np.abs(matrix).max(axis=0) * np.where(broke, 1.0, -1.0)[:, None]
    found = optimize.linprog(
        -signed.sum(axis=0), A_ub=-signed, b_ub=np.zeros(len(signed)), bounds=(-1.0, 1.0), method="highs"
    )
    return bool(found.status == 0 and -found.fun > 1e-7)


@dataclass(frozen=True, kw_only=True)
class DropFit(FitResult):
    """Broken or whole, regressed on the logarithm of the height and the factors.

    Parameters
    ----------
    coefficients : mapping of str to float
        Of the probit over all batches: intercept, height (natural logarithm of cm), then the factors.
    df : int
        Batches less the coefficients that do not change within a batch.
    spread, batch_share : float
        Standard deviation of the log breaking heights of single pieces; what share of that variance lies
        between batches.
    separated : bool
        Height and factors tell broken from whole without a mistake: the spread leans on the penalty.
    repeated : int
        Pieces that were dropped more than once; an earlier fall may have weakened them.
    withheld : mapping of str to CannotAnswer
        Factors that changed mostly from day to day, of which this fit knows nothing: no effect is given.
    likelihood, best, centre, unit
        What was maximised, where; ``centre + unit * v`` is the log height with v in the second column.
    """

    drops: pd.DataFrame = field(repr=False)
    coefficients: Mapping[str, float]
    df: int
    spread: float
    batch_share: float
    separated: bool
    repeated: int
    withheld: Mapping[str, CannotAnswer]
    likelihood: _Likelihood = field(repr=False)
    best: _Maximum = field(repr=False)
    centre: float
    unit: float
    profiled: dict[tuple[float, ...], tuple[float, float, float]] = field(default_factory=dict, repr=False)

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
            F(conf_level; 1, df); 0 or infinite where that is not within a hundred times the heights tried),
            extrapolated (no such height, or no such amount, was tried).
        """
        if not 0 < share < 1:
            raise ValueError("share must lie between 0 and 1")
        if interval != "confidence":
            raise CannotAnswer("Drops give no forecast of one batch.", "Ask for the heights of all batches.")
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

    def fall(self, rest: Array, target: float, v: float, known: dict[float, _Maximum] | None = None) -> float:
        """Twice what log likelihood loses with ``(rest + v * height) @ coefficients`` held at `target`.

        Begun near the nearest of the maxima that are `known` by v, and added to them.
        """
        weights = rest.copy()
        weights[1] += v
        given = next(j for j in range(len(rest)) if j != 1 and rest[j])
        others = np.delete(np.arange(len(rest)), given)
        column = self.likelihood.matrix[:, given] / weights[given]
        design = self.likelihood.matrix[:, others] - np.outer(column, weights[others])
        near = known[min(known, key=lambda at: abs(at - v))] if known else None
        found = self.likelihood.maximum(design, column * target, near)
        if known is not None:
            known[v] = found
        return max(0.0, 2.0 * (self.best.value - found.value))

    def profile(self, rest: Array, target: float = 0.0) -> tuple[float, float, float]:
        """Estimate and interval of the v at which ``(rest + v * height) @ coefficients`` is `target`."""
        key, slope = (*rest.tolist(), target), float(self.best.free[1])
        if key in self.profiled:
            return self.profiled[key]
        estimate = (target - float(rest @ self.best.free)) / slope
        limit = float(np.sqrt(stats.f.ppf(self.conf_level, 1, self.df)))

        def end(step: float) -> float:
            known: dict[float, _Maximum] = {}
            found = outward(lambda v: self.fall(rest, target, v, known) ** 0.5 - limit, estimate, step)
            if np.isfinite(found) and self.fall(rest, target, found) ** 0.5 < limit - 1e-4:
                # the search had lost the higher maximum
                found = outward(lambda v: self.fall(rest, target, v) ** 0.5 - limit, estimate, step)
            return found

        # two fifths of the spread are of the order of a standard error or two
        self.profiled[key] = estimate, end(-0.4 / slope), end(0.4 / slope)
        return self.profiled[key]

    def plot(self, ax: Axes | None = None, *, survive: float = 0.9) -> Axes:
        """Draw every drop, the height at which half of the pieces break, and the one that most survive."""
        labels, conditions = drawn_apart(self.batches, self.terms)
        heights = self.predict(conditions).assign(
            level=list(conditions.index), survive=self.predict(conditions, share=1 - survive)["estimate"]
        )
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

    Each piece has a breaking height whose logarithm is normal about a median that the factors shift; a part
    of its variance is common to the pieces of a batch. With x the columns of log height and factors,

        P(break | batch) = ndtr((x'b + r u) / sqrt(1 - r^2)),   u standard normal, one for each batch

    so that over batches P(break) = ndtr(x'b). Given the batch, the next height of an up-and-down sequence
    depends on earlier outcomes only, so its likelihood is that of fixed heights. W. J. Dixon and A. M. Mood
    (1948), J. Am. Stat. Assoc. 43, 109; with the penalty of D. Firth (1993), Biometrika 80, 27.

    Parameters
    ----------
    drops : DataFrame
        Columns run, piece, height_cm, broke (bool).
    formula : str or sequence of Category or Amount
        Factors of `runs`, such as ``"colour + oil_g"``: main effects only.
    runs : DataFrame
        One row a batch: run, the factors, and day where there are days.
    penalised : bool
        Add Jeffreys' penalty, which keeps the answer finite where height tells broken from whole without a
        mistake.

    Raises
    ------
    CannotAnswer
        One height only, all broken or all whole, no more breaking from higher up, too few batches, factors
        that cannot be told apart, separation without the penalty, or no convergence.
    ValueError
        A height that is not positive, or a batch that `runs` does not name.

    Examples
    --------
    >>> drops = pd.DataFrame({"run": list("AAAABBBBCCCC"), "piece": list("123412341234"),
    ...     "height_cm": [20, 30, 40, 50] * 3,
    ...     "broke": [False, False, True, True, False, True, False, True, False, False, True, True]})
    >>> fit = fit_drop_height(drops, runs=pd.DataFrame({"run": list("ABC")}))
    >>> round(float(fit.predict()["estimate"].iloc[0])), fit.n_batches, fit.df
    (34, 3, 2)
    """
    need_columns(drops, ["run", "piece", "height_cm", "broke"], "drops")
    need_columns(runs, ["run"], "runs")
    strange = sorted(set(drops["run"].astype(str)) - set(runs["run"].astype(str)))
    if strange:
        raise ValueError(f"runs has no batch {strange[0]!r}")
    if not (drops["height_cm"] > 0).all():
        raise ValueError("heights must be positive")
    batches = runs[runs["run"].isin(drops["run"])].set_index("run")
    model: Sequence[str] = ()
    if isinstance(formula, str):
        formula, model = parse_formula(formula or "1", batches)
    if len(model) > len(formula):
        raise ValueError("drops are fitted with main effects only: join the factors by +")
    terms, notes = varying(formula, batches)
    broke, x = drops["broke"].to_numpy(bool), np.log(drops["height_cm"].to_numpy(float))
    _refuse(
        (np.ptp(x) == 0, "Every piece fell from the same height.", "Drop some from at least three heights."),
        (broke.all(), "Every piece broke.", "Drop some from lower down, until a few hold."),
        (not broke.any(), "No piece broke.", "Drop some from higher up, until a few break."),
    )
    centre, unit = float(x.mean()), float(x.std())
    columns = model_matrix(batches, terms).iloc[:, 1:]
    between = columns.loc[drops["run"]].to_numpy(float)
    matrix = np.column_stack([np.ones(len(x)), (x - centre) / unit, between])
    by_batch = pd.DataFrame(matrix).groupby(drops["run"].to_numpy())
    df = len(batches) - int((by_batch.nunique().max() == 1).sum())
    separated = is_separated(matrix, broke)
    _refuse(
        (df < 1, f"{len(batches)} batches leave no chance variation to judge by.",
         "Make further batches; pieces of the same batch do not count as repeats."),
        (np.linalg.matrix_rank(matrix) < matrix.shape[1],
         "Two factors, or a factor and the height, always changed together: they cannot be told apart.",
         "Change one of them alone, and drop pieces of every level from the same heights."),
        (separated and not penalised,
         "Height tells broken from whole without a mistake, so plain likelihood gives no spread.",
         "Use smaller steps, so that some pieces hold where others break, or the penalised fit."),
    )  # fmt: skip
    likelihood = _Likelihood.of_drops(matrix, broke, drops["run"], penalised)
    best = likelihood.maximum(likelihood.matrix)
    slope = float(best.free[1])
    do = "Check the heights, and add drops from much lower and much higher."
    _refuse((slope <= 0, "Pieces did not break more often from higher up.", do))
    by_day = mostly_by_days(batches, terms) if "day" in batches else []
    why = "What {} does to breaking heights can't be told: it changed mostly from day to day."
    do = "Change it from batch to batch within a day."
    withheld = {name: CannotAnswer(why.format(name), do) for name in by_day}
    names = ["intercept", "height", *columns.columns]
    free = best.free / np.where(np.arange(len(names)) == 1, unit, 1.0)
    free[0] -= slope * centre / unit
    fit = DropFit(
        response=RESPONSE,
        effects=(),
        batches=batches,
        terms=tuple(terms),
        conf_level=conf_level,
        n_batches=len(batches),
        loglik=best.value,
        notes=(*notes, *(str(reason) for reason in withheld.values())),
        drops=drops,
        coefficients=dict(zip(names, free.tolist(), strict=True)),
        df=df,
        spread=unit / slope,
        batch_share=float((_MOST * np.tanh(best.bend)) ** 2),
        separated=separated,
        repeated=int((drops.groupby(["run", "piece"]).size() > 1).sum()),
        withheld=withheld,
        likelihood=likelihood,
        best=best,
        centre=centre,
        unit=unit,
    )
    return replace(fit, effects=_effects(fit))


def _effects(fit: DropFit) -> tuple[Effect, ...]:
    """Each level against its control, and each amount from the least to the most."""
    found = []
    for term in fit.terms:
        if term.name in fit.withheld:
            continue
        if isinstance(term, Category):
            pairs = [(level, term.control, 1.0) for level in term.levels if level != term.control]
        else:
            least, most = fit.batches[term.name].min(), fit.batches[term.name].max()
            span = float(np.ptp(term.matrix(pd.Series([least, most]))))
            pairs = [(level_name(term, most), level_name(term, least), span)]
        for column, (level, control, span) in zip(term.columns(), pairs, strict=True):
            rest = np.where(np.array(list(fit.coefficients)) == column, span, 0.0)
            with np.errstate(over="ignore"):
                estimate, low, high = np.exp(np.array(fit.profile(rest)) * fit.unit).tolist()
            p = float(stats.f.sf(fit.fall(rest, 0.0, 0.0), 1, fit.df))
            numbers = (estimate, low, high, float(fit.df), p, "batches", fit.n_batches, fit.conf_level)
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

    `levels` is what each batch is drawn with, a Categorical by run; `heights` of the fit has level, estimate,
    conf_low, conf_high (half of the pieces break) and survive (the share `survive` does).
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
        named = ("half break", f"{100 * survive:g} % survive") if place == 0 else ("", "")
        axes.hlines(row["estimate"], left, right, colors=colour, lw=2.0, label=named[0])
        axes.hlines(row["survive"], left, right, colors=colour, lw=1.4, ls=(0, (4, 2)), label=named[1])
    axes.set_xticks(spans.mean(axis=1), spans.index, rotation=90 if len(names) > 4 else 0)
    axes.grid(axis="x", visible=False)
    axes.set(ylim=(0, top), xlabel="drops in order, batch by batch", ylabel="drop height, cm")
    axes.legend(loc="lower center", bbox_to_anchor=(0.5, 1.0), ncols=4)
    return axes
