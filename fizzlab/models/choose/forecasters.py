"""What the choice needs to know of a response, whatever fit stands behind it."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import stats

from fizzlab.models.basis import FactorBasis
from fizzlab.models.effects import ResponseFit
from fizzlab.models.terms import Category, Term

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Bounds:
    """Where the mean of new batches should lie, on the scale analysed."""

    expected: float
    low: float
    high: float
    df: float


class Forecaster(Protocol):
    """A response as the choice sees it: `OfAnalysis`, `DryTimes` or `Sure`.

    Everything is on the scale analysed: the natural logarithm where `log` is true.
    """

    @property
    def response(self) -> str:
        """Its name."""

    @property
    def log(self) -> bool:
        """Is it the logarithm that varies evenly?"""

    @property
    def chance(self) -> bool:
        """Has it any chance variation?"""

    @property
    def factors(self) -> tuple[Term, ...]:
        """The factors that it depends on."""

    @property
    def table(self) -> pd.DataFrame:
        """The rows behind it, with `factors` and, as a rule, run."""

    @property
    def notes(self) -> tuple[str, ...]:
        """What its forecasts leave out."""

    @property
    def keys(self) -> list[str]:
        """Names of the independent chances it rests on; those of a batch are alike in all responses."""

    @property
    def ranges(self) -> Mapping[str, tuple[float, float]]:
        """What of each amount was tried; ValueError where amounts cannot be stepped alone."""

    def residuals(self) -> pd.Series:
        """How far each batch lies off, by run; empty without chance variation."""

    def shown(self, settings: pd.DataFrame) -> pd.DataFrame:
        """Typical batch at settings, for comparing them: columns estimate, low, high."""

    def typical(self, settings: pd.DataFrame) -> pd.DataFrame:
        """Typical batch on a day to come: columns estimate, se, df."""

    def errors(self, settings: pd.DataFrame, normal: Array) -> Array:
        """Standard normal errors of the settings, (draws, settings), from one of each key, (draws, keys)."""

    def spread(self, level: Array) -> Array:
        """Possible standard deviations of a new batch on a new day; the share `level` of them is greater."""

    def bounds(self, setting: pd.DataFrame, batches: int, days: int, level: float) -> Bounds:
        """Bounds of the mean of new batches of a setting (a table of one row)."""

    def beyond(self, settings: pd.DataFrame) -> NDArray[np.bool_]:
        """Which settings lie outside of what was tried."""


Given = ResponseFit | Forecaster


def forecasters(given: Sequence[Given]) -> list[Forecaster]:
    """The same, fits of one number a batch wrapped."""
    return [OfAnalysis(each) if isinstance(each, ResponseFit) else each for each in given]


def scale(level: Array, df: Array) -> Array:
    """sqrt(df / chi2_df), one row a draw, one column a number of degrees of freedom."""
    unique, place = np.unique(df.round(6), return_inverse=True)
    found = np.stack([np.sqrt(each / stats.chi2.ppf(level, each)) for each in unique], axis=1)
    return np.asarray(found[:, place])


ONE_DAY = "All batches count as made on one day, so how much days differ is not in the chances."


@dataclass(frozen=True)
class OfAnalysis:
    """A response with one number a batch."""

    given: ResponseFit

    @property
    def used(self) -> ResponseFit:
        """The fit with days at random."""
        return self.given.for_new_days

    @property
    def response(self) -> str:
        return self.given.response

    @property
    def log(self) -> bool:
        return self.given.log

    @property
    def chance(self) -> bool:
        return True

    @property
    def factors(self) -> tuple[Term, ...]:
        return tuple(self.given.basis.factors)

    @property
    def table(self) -> pd.DataFrame:
        return self.given.batches

    @property
    def notes(self) -> tuple[str, ...]:
        if not self.given.structure.fixed:
            return (ONE_DAY,) if self.given.n_days == 1 else ()
        if self.used is self.given:
            return (f"How much days differ in {self.response} is not counted in: these batches cannot tell.",)
        return ()

    @property
    def keys(self) -> list[str]:
        return [f"{run}\n0" for run in self.used.batches.index]

    @property
    def ranges(self) -> Mapping[str, tuple[float, float]]:
        basis = self.given.basis
        if not isinstance(basis, FactorBasis):
            raise ValueError("the parts of a mixture cannot be stepped alone; judge the mixtures tried")
        return basis.ranges

    def residuals(self) -> pd.Series:
        return pd.Series(self.used.y - self.used.fitted, index=self.used.batches.index)

    def shown(self, settings: pd.DataFrame) -> pd.DataFrame:
        rows = _rows(self.given, settings)[["estimate", "conf_low", "conf_high"]]
        return rows.set_axis(["estimate", "low", "high"], axis=1)

    def typical(self, settings: pd.DataFrame) -> pd.DataFrame:
        return _rows(self.used, settings)[["estimate", "se", "df"]]

    def errors(self, settings: pd.DataFrame, normal: Array) -> Array:
        """Errors that hang together as the generalised least squares weights of the batches do."""
        strata = self.used.strata
        component = np.maximum(self.used.fits.components[0], 0.0)
        if component[-1] == 0:
            component = component + np.where(np.arange(len(component)) == len(component) - 1, 1e-12, 0)
        total = np.einsum("j,jab->ab", component, strata.full)
        return gls_errors(self.used.weights(settings), strata.x, total, normal)

    def spread(self, level: Array) -> Array:
        variance, df = self.used.new_variance(None)
        return np.asarray(np.sqrt(variance) * scale(level, np.array([df]))[:, 0])

    def bounds(self, setting: pd.DataFrame, batches: int, days: int, level: float) -> Bounds:
        weights = self.used.weights(setting)[0]
        return Bounds(*self.used.new_batches(weights, batches, days, level))

    def beyond(self, settings: pd.DataFrame) -> NDArray[np.bool_]:
        return np.array(self.given.extrapolated(settings))


@dataclass(frozen=True)
class Sure:
    """A number that is worked out rather than measured, such as the cost of a piece.

    Parameters
    ----------
    response : str
    factors : tuple of Category or Amount
    value : callable
        From a table of settings to the number of each.
    table : DataFrame
        The batches that were made: run and the factors.
    """

    response: str
    factors: tuple[Term, ...]
    value: Callable[[pd.DataFrame], Sequence[float]]
    table: pd.DataFrame
    log: bool = False
    chance: bool = False
    notes: tuple[str, ...] = ()

    @property
    def keys(self) -> list[str]:
        return []

    @property
    def ranges(self) -> Mapping[str, tuple[float, float]]:
        return tried_ranges(self.table, self.factors)

    def residuals(self) -> pd.Series:
        return pd.Series(dtype=float)

    def shown(self, settings: pd.DataFrame) -> pd.DataFrame:
        value = np.asarray(self.value(settings), float)
        return pd.DataFrame({"estimate": value, "low": value, "high": value})

    def typical(self, settings: pd.DataFrame) -> pd.DataFrame:
        return pd.DataFrame({"estimate": self.shown(settings)["estimate"], "se": 0.0, "df": 1.0})

    def errors(self, settings: pd.DataFrame, normal: Array) -> Array:
        return np.zeros((len(normal), len(settings)))

    def spread(self, level: Array) -> Array:
        return np.zeros(len(level))

    def bounds(self, setting: pd.DataFrame, batches: int, days: int, level: float) -> Bounds:
        value = float(self.value(setting)[0])
        return Bounds(value, value, value, np.inf)

    def beyond(self, settings: pd.DataFrame) -> NDArray[np.bool_]:
        return np.zeros(len(settings), bool)


def tried_ranges(table: pd.DataFrame, factors: Sequence[Term]) -> dict[str, tuple[float, float]]:
    """The least and the most that was tried of each amount."""
    return {
        term.name: (float(table[term.name].min()), float(table[term.name].max()))
        for term in factors
        if not isinstance(term, Category)
    }


def gls_errors(weights: Array, x: Array, variance: Array, normal: Array) -> Array:
    """Standard normal errors of weighted coefficients, from one standard normal a row of the model.

    Errors are w'(X'V^-1 X)^-1 X'V^-1 e over their length, with e of the variance V.
    """
    size, turn = np.linalg.eigh(variance)
    half = turn * np.sqrt(np.maximum(size, 0)) @ turn.T
    back = np.linalg.solve(variance, x)
    line = weights @ np.linalg.solve(x.T @ back, back.T) @ half
    length = np.linalg.norm(line, axis=1)
    return np.asarray(normal @ (line / length[:, None]).T)


def _rows(fit: ResponseFit, settings: pd.DataFrame) -> pd.DataFrame:
    return pd.DataFrame([fit.interval(row) for row in fit.weights(settings)])
