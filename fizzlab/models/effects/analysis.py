"""One analysis for a designed trial: what each factor does, with the error that judges it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from scipy import stats

from fizzlab.errors import CannotAnswer
from fizzlab.models.effects.basis import Basis, factor_basis, refuse_inseparable
from fizzlab.models.effects.contrasts import Method, contrast, f_test
from fizzlab.models.effects.structure import Days, Structure, block_columns, choose_structure, group_codes
from fizzlab.models.effects.variance import Array, Fits, Layout, NotEstimable, fit_many, prepare
from fizzlab.models.terms import Term

FEW_DAYS = 3
BLOCK = "day"


@dataclass(frozen=True)
class Analysis:
    """What a trial says about one response.

    Parameters
    ----------
    response : str
    log : bool
        Was the natural logarithm analysed? Effects are then ratios.
    level : float
        Coverage of every interval.
    method : {"kenward-roger", "satterthwaite"}
        Where the denominator degrees of freedom come from.
    structure : Structure
        How days and batches enter, and why.
    effects : DataFrame
        One row an effect: term, estimate, se, df, t, p, low, high; on the log scale also ratio,
        ratio_low, ratio_high. See `FactorBasis.contrasts` for what each effect is.
    tests : DataFrame
        One row a term: df_num, df_den, F, p, judged_by (``batches``, ``groups of a day`` or ``days``).
    coefficients : DataFrame
        One row a column of the model in its own coding.
    spread : DataFrame
        One row a source of chance variation, coarsest first: variance, sd. A variance below zero says
        that the groups were more alike than chance; read it as "none was seen".
    batches, days : int
        How many were analysed.
    lost : tuple of str
        Batches without a value, left out.
    warnings : tuple of str
    table : DataFrame
        The rows that were analysed.
    basis : Basis
    layout, fits
        The engine's plan and fit.
    """

    response: str
    log: bool
    level: float
    method: Method
    structure: Structure
    effects: pd.DataFrame
    tests: pd.DataFrame
    coefficients: pd.DataFrame
    spread: pd.DataFrame
    batches: int
    days: int
    lost: tuple[str, ...]
    warnings: tuple[str, ...]
    table: pd.DataFrame = field(repr=False)
    basis: Basis = field(repr=False)
    layout: Layout = field(repr=False)
    fits: Fits = field(repr=False)

    @property
    def y(self) -> Array:
        """The response as it was analysed."""
        values = self.table[self.response].to_numpy(float)
        return np.asarray(np.log(values) if self.log else values)

    @property
    def owners(self) -> tuple[str, ...]:
        """Term of each column of the model, days as blocks included."""
        blocks = self.layout.x.shape[1] - len(self.basis.owners)
        return (*self.basis.owners, *[BLOCK] * blocks)

    @property
    def fitted(self) -> Array:
        """Fitted values of the fixed part, on the scale that was analysed."""
        return np.asarray(self.layout.x @ self.fits.beta[0])

    def weights(self, settings: pd.DataFrame) -> Array:
        """Weights of the coefficients for a table of settings, averaged over days as blocks."""
        columns = self.basis.matrix(settings)
        return np.pad(columns, ((0, 0), (0, self.layout.x.shape[1] - columns.shape[1])))

    def interval(self, weights: Array) -> dict[str, float]:
        """Estimate, se, df, t, p, low, high of one contrast of the coefficients."""
        return interval_of(self.fits, weights, self.method, self.level)

    def __str__(self) -> str:
        scale = "ratios" if self.log else "differences"
        lines = [
            f"{self.response}, {self.batches} batches on {self.days} {'day' if self.days == 1 else 'days'}.",
            str(self.structure),
            *self.warnings,
            "",
            f"Effects ({scale}, {self.level * 100:.0f} % intervals)",
        ]
        shown = self.effects.drop(columns=["term"])
        if self.log:
            shown = shown[["ratio", "ratio_low", "ratio_high", "df", "p"]]
        lines += [shown.to_string(float_format="{:.4g}".format), "", "Tests"]
        lines += [self.tests.to_string(float_format="{:.4g}".format), "", "Chance variation"]
        return "\n".join([*lines, self.spread.to_string(float_format="{:.4g}".format)])


def analyse(
    batches: pd.DataFrame,
    response: str,
    factors: Sequence[Term],
    *,
    model: str | Sequence[str] = "main",
    log: bool = False,
    days: Days = "auto",
    level: float = 0.95,
    method: Method = "kenward-roger",
    ranges: Mapping[str, tuple[float, float]] | None = None,
) -> Analysis:
    """Say what each factor of a designed trial does to one numeric response.

    Parameters
    ----------
    batches : DataFrame
        One row a batch; with columns run and day, and whole_plot where batches were made in groups
        within days. Several rows of one run are pieces of one batch: the batch then varies at random, and
        pieces are not taken for repeats. A row whose response is missing is a lost batch.
    response : str
        Column to analyse: hours, per cent, seconds, cost.
    factors : sequence of Category or Amount
    model : {"main", "interactions", "quadratic", "full"} or sequence of str
        Which effects: ``["oil", "colour", "oil:colour", "oil^2"]``.
    log : bool
        Analyse the natural logarithm, so that effects are ratios.
    days : {"auto", "fixed", "random", "ignore"}
        See `choose_structure`.
    level : float
    method : {"kenward-roger", "satterthwaite"}
    ranges : mapping of str to (low, high)
        What of an amount its effect spans; what was tried if not given.

    Returns
    -------
    Analysis

    Raises
    ------
    CannotAnswer
        Too few batches, days or settings for what is asked, a response without any chance variation, or
        a fit that did not converge.

    Notes
    -----
    y = X b + day + whole plot + batch + rest, fitted by restricted maximum likelihood; see `variance`
    and `contrasts` for the formulas and their sources. Without random groups it is least squares.

    Examples
    --------
    >>> from fizzlab.models.terms import Category
    >>> trial = pd.DataFrame({"run": list("ABCDEF"), "colour": ["dye", "lake"] * 3,
    ...                       "hours": [4.0, 6.1, 4.4, 6.5, 4.2, 6.0]})
    >>> found = analyse(trial, "hours", [Category("colour", ("dye", "lake"), "dye")], log=True)
    >>> found.effects[["ratio", "ratio_low", "ratio_high"]].round(2).values.tolist()
    [[1.48, 1.33, 1.64]]
    """
    table, lost = measured(batches, response, log)
    basis = factor_basis(table, factors, model, ranges)
    return analyse_basis(table, response, basis, log=log, days=days, level=level, method=method, lost=lost)


def analyse_basis(
    table: pd.DataFrame,
    response: str,
    basis: Basis,
    *,
    log: bool,
    days: Days,
    level: float,
    method: Method,
    lost: tuple[str, ...],
) -> Analysis:
    """`analyse` for a basis that is ready; used for mixtures too."""
    if not 0 < level < 1:
        raise ValueError("level must lie between 0 and 1")
    x = basis.matrix(table)
    refuse_inseparable(x, basis.owners)
    structure = choose_structure(table, x, days)
    owners = list(basis.owners)
    names = list(basis.names)
    if structure.fixed:
        blocks = block_columns(table["day"])
        x = np.column_stack([x, blocks])
        owners += [BLOCK] * blocks.shape[1]
        names += [f"{BLOCK}[{label}]" for label in list(pd.unique(table["day"]))[:-1]]
        refuse_inseparable(x, owners)
    groups = group_codes(table, structure.groups)
    layout = layout_for(x, groups, structure)
    values = table[response].to_numpy(float)
    fits = fitted(layout, np.log(values) if log else values, response)
    spread = pd.DataFrame(
        {"variance": fits.components[0], "sd": np.sqrt(np.maximum(fits.components[0], 0.0))},
        index=[*(_SOURCE[g] for g in structure.groups), _SOURCE[structure.unit]],
    )
    rows = [interval_of(fits, row, method, level) for row in np.eye(x.shape[1])]
    coefficients = pd.DataFrame(rows, index=names)
    coefficients.insert(0, "term", owners)
    effects, tests = _effects(basis, owners, table, structure, fits, method, level)
    if log:
        for new, old in (("ratio", "estimate"), ("ratio_low", "low"), ("ratio_high", "high")):
            effects[new] = np.exp(effects[old])
    made = table["day"].nunique() if "day" in table else 1
    return Analysis(
        response=response,
        log=log,
        level=level,
        method=method,
        structure=structure,
        effects=effects,
        tests=tests,
        coefficients=coefficients,
        spread=spread,
        batches=table["run"].nunique() if "run" in table else len(table),
        days=made,
        lost=lost,
        warnings=_warnings(response, lost, structure, layout, tests),
        table=table,
        basis=basis,
        layout=layout,
        fits=fits,
    )


_SOURCE = {
    "day": "between days",
    "whole_plot": "between groups of a day",
    "run": "between batches",
    "batch": "between batches",
    "piece": "between pieces of a batch",
}


def measured(batches: pd.DataFrame, response: str, log: bool) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """The rows with a value, and the batches that have none."""
    kept = batches[batches[response].notna()]
    if "run" in batches:
        lost = tuple(str(r) for r in pd.unique(batches["run"]) if r not in set(kept["run"]))
    else:
        lost = tuple(str(i) for i in batches.index[batches[response].isna()])
    if kept.empty:
        raise CannotAnswer(f"No batch has a value of {response}.", "Measure it on each batch.")
    if log and not (kept[response].to_numpy(float) > 0).all():
        raise CannotAnswer(
            f"Some {response} is zero or less, so there are no ratios of it.",
            "Ask for differences instead, or measure more finely.",
        )
    return kept.reset_index(drop=True), lost


def layout_for(x: Array, groups: Sequence[np.ndarray], structure: Structure) -> Layout:
    """Prepare the engine, or say what is missing."""
    if len(x) <= x.shape[1]:
        raise CannotAnswer(
            f"There are {len(x)} measured batches for a model of {x.shape[1]} numbers, so nothing is left to "
            "judge chance by.",
            "Make more batches, repeat some, or ask for fewer effects.",
        )
    try:
        return prepare(x, groups)
    except NotEstimable as gap:
        if gap.group >= 0 and structure.groups[gap.group] == "day":
            raise CannotAnswer(
                "The days differ in as many ways as there are days, so nothing is left to judge a factor "
                "of the room by.",
                "Repeat at least one of the room's settings on another day.",
            ) from gap
        if gap.group >= 0 and structure.groups[gap.group] == "whole_plot":
            raise CannotAnswer(
                "The groups within days differ in as many ways as there are groups, so nothing is left to "
                "judge what was set for a group by.",
                "Repeat a setting in another group.",
            ) from gap
        raise CannotAnswer(
            "No two batches of a day repeat each other once the effects are taken out, so nothing is left to "
            "judge chance by.",
            "Make more batches a day, or ask for fewer effects.",
        ) from gap


def fitted(layout: Layout, y: Array, response: str) -> Fits:
    """Fit one response, or say why there is no fit."""
    fits = fit_many(layout, y)
    if np.sqrt(np.mean((y @ layout.outside) ** 2)) <= 1e-10 * (1 + np.abs(y).max()):
        raise CannotAnswer(
            f"Batches made alike have exactly the same {response}, so nothing is left to judge chance by.",
            "Write the readings down more finely, or add batches.",
        )
    if not fits.converged[0]:
        raise CannotAnswer(
            f"The search for how much days and batches vary in {response} did not settle.",
            "Add batches, or ask for fewer effects.",
        )
    return fits


def interval_of(fits: Fits, weights: Array, method: Method, level: float) -> dict[str, float]:
    """Estimate, se, df, t, p, low, high of one contrast."""
    estimate, se, df = (float(part[0]) for part in contrast(fits, weights, method))
    t = estimate / se
    reach = se * float(stats.t.ppf(0.5 + level / 2, df))
    return {
        "estimate": estimate,
        "se": se,
        "df": df,
        "t": t,
        "p": float(2 * stats.t.sf(abs(t), df)),
        "low": estimate - reach,
        "high": estimate + reach,
    }


def _effects(
    basis: Basis,
    owners: Sequence[str],
    table: pd.DataFrame,
    structure: Structure,
    fits: Fits,
    method: Method,
    level: float,
) -> tuple[pd.DataFrame, pd.DataFrame]:
    extra = len(owners) - len(basis.owners)
    columns = basis.matrix(table)
    rows, labels, tests, terms = [], [], [], []
    for term, label, weights in basis.effects():
        rows.append({"term": term, **interval_of(fits, np.pad(weights, (0, extra)), method, level)})
        labels.append(label)
    for term, picks in basis.hypotheses():
        f, top, bottom, p = f_test(fits, np.pad(picks, ((0, 0), (0, extra))), method)
        by = _judge(columns @ picks.T, table, structure)
        tests.append(
            {"df_num": top, "df_den": float(bottom[0]), "F": float(f[0]), "p": float(p[0]), "judged_by": by}
        )
        terms.append(term)
    names = ["term", "estimate", "se", "df", "t", "p", "low", "high"]
    effects = pd.DataFrame(rows, index=pd.Index(labels, name="effect"), columns=names)
    named = ["df_num", "df_den", "F", "p", "judged_by"]
    return effects, pd.DataFrame(tests, index=pd.Index(terms, name="term"), columns=named)


def _judge(columns: Array, table: pd.DataFrame, structure: Structure) -> str:
    for name, word in (("day", "days"), ("whole_plot", "groups of a day")):
        if name in structure.groups:
            code = group_codes(table, (name,))[0]
            if (pd.DataFrame(columns).groupby(code).agg(np.ptp).to_numpy() < 1e-9).all():
                return word
    return "batches"


def _warnings(
    response: str, lost: tuple[str, ...], structure: Structure, layout: Layout, tests: pd.DataFrame
) -> tuple[str, ...]:
    said = []
    if lost:
        were = "batch has" if len(lost) == 1 else "batches have"
        said.append(f"{len(lost)} {were} no {response} and could not be used: {', '.join(lost)}.")
    if "days" in set(tests["judged_by"]):
        spare = layout.sources[structure.groups.index("day")].shape[1]
        if spare < FEW_DAYS:
            judge = "1 spare day judges" if spare == 1 else f"{spare} spare days judge"
            said.append(
                f"Only {judge} what was set for a whole day, so its interval is wide; more days help, more "
                "batches a day do not."
            )
    rest = layout.sources[-1].shape[1]
    if rest < FEW_DAYS:
        spare = {"batch": "batches", "piece": "pieces"}[structure.unit] if rest > 1 else structure.unit
        said.append(f"Only {rest} spare {spare} to judge chance by.")
    return tuple(said)
