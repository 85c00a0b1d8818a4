"""Dry times between two looks, as the choice sees them.

A limit "dry within 8 h" is asked of a share of the pieces of a batch, as a rule of nearly all: a batch is
packed when its slow pieces are dry too. The room's air is held at that of the study's forecasts.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import stats

from fizzlab.models.censored import MEAN, SD, quantile
from fizzlab.models.choose.forecasters import ONE_DAY, Array, Bounds, gls_errors, tried_ranges
from fizzlab.models.curing import CuringFit
from fizzlab.models.result import asked
from fizzlab.models.terms import Amount, Category, Term


@dataclass(frozen=True)
class DryTimes:
    """The hours until a share of the pieces of a batch is dry; a `Forecaster`.

    Parameters
    ----------
    fit : CuringFit
    share : float
        Of the pieces of a batch. Where pieces of a batch could not be told apart, they count as alike.
    response : str

    Notes
    -----
    Typical batch: x'beta + sigma F^-1(share), t with the fit's degrees of freedom. Errors at several
    settings hang together by the generalised least squares weights of the batches, each summed up as in
    `CuringFit.summaries`. The spread of a new batch is drawn from `CuringFit.mixture`. The bounds of
    confirmation batches are for the mean of their pieces (on the logarithm), which can be measured, not for
    the share.
    """

    fit: CuringFit
    share: float = 0.5
    response: str = "dry_h"
    log: bool = True
    chance: bool = True

    @property
    def factors(self) -> tuple[Term, ...]:
        return self.fit.terms

    @cached_property
    def table(self) -> pd.DataFrame:
        return self.fit.batches.reset_index()

    @property
    def notes(self) -> tuple[str, ...]:
        said = []
        for term in self.fit.air:
            low, high = self.fit.tried(term.name)
            value = float(np.asarray(self.fit.typical[term.name], float))
            if not low <= value <= high:
                said.append("The air to forecast for was not tried, so the dry times there are a guess.")
        if self.fit.n_days is None and self.table["day"].nunique() == 1:
            said.append(ONE_DAY)
        return tuple(dict.fromkeys(said))

    @property
    def _sized(self) -> bool:
        """Does the spread between pieces enter, with a doubt of its own?"""
        return not self.fit.pieces_alike and self._reach != 0

    @property
    def _reach(self) -> float:
        share = 0.5 if self.fit.pieces_alike else self.share
        return float(self.fit.inner.found.sigma * quantile(self.fit.distribution, share))

    @property
    def keys(self) -> list[str]:
        runs = [f"{run}\n0" for run in self.fit.batches.index]
        return [*runs, f"{self.response}\nsigma"] if self._sized else runs

    @property
    def ranges(self) -> Mapping[str, tuple[float, float]]:
        return tried_ranges(self.table, self.factors)

    def _matrix(self, settings: pd.DataFrame) -> Array:
        known = settings[[name for name in settings if name in self.fit.typical]]
        return self.fit.matrix(asked(known, self.fit.typical))

    def residuals(self) -> pd.Series:
        """Batch locations off the terms, drawn in by what the brackets of each leave open."""
        fit, found = self.fit, self.fit.inner.found
        y, own, spread = fit.summaries()
        off = y - fit.matrix(fit.batches) @ found.beta
        whole = spread**2 + (0.0 if fit.n_days is None else found.delta**2)
        told = whole / np.maximum(whole + np.maximum(own, 0), 1e-12)
        return pd.Series(off * told, index=fit.batches.index.astype(str))

    def shown(self, settings: pd.DataFrame) -> pd.DataFrame:
        found = self.typical(settings)
        half = stats.t.ppf(0.5 + self.fit.conf_level / 2, found["df"]) * found["se"]
        return found[["estimate"]].assign(low=found["estimate"] - half, high=found["estimate"] + half)

    def typical(self, settings: pd.DataFrame) -> pd.DataFrame:
        rows = self._matrix(settings)
        value, se = self.fit.location(rows, self.share)
        df = [self.fit.inner.strata.of(row) for row in rows]
        return pd.DataFrame({"estimate": value, "se": se, "df": df})

    def errors(self, settings: pd.DataFrame, normal: Array) -> Array:
        found, rows = self.fit.inner.found, self._matrix(settings)
        x = self.fit.matrix(self.fit.batches)
        _, own, spread = self.fit.summaries()
        variance = np.diag(spread**2 + np.maximum(own, 1e-3 * max(spread**2, 1e-6)))
        if self.fit.n_days is not None:
            day = self.table["day"].to_numpy()
            variance = variance + found.delta**2 * (day[:, None] == day[None, :])
        batches = gls_errors(rows, x, variance, normal[:, : len(x)])
        if not self._sized:
            return batches
        of_place = np.sqrt(np.einsum("ri,ij,rj->r", rows, found.covariance[:-1, :-1], rows))
        of_size = abs(self._reach) * float(np.sqrt(found.covariance[-1, -1]))
        both = batches * of_place + normal[:, [-1]] * of_size
        return np.asarray(both / np.sqrt(of_place**2 + of_size**2))

    def spread(self, level: Array) -> Array:
        new = self.fit.mixture.variance.sum(axis=1)
        order = np.argsort(new)
        weight = self.fit.mixture.weight[order]
        sd = np.sqrt(np.maximum(new[order], 0.0))
        return np.asarray(np.interp(1 - level, np.cumsum(weight) - weight / 2, sd))

    def bounds(self, setting: pd.DataFrame, batches: int, days: int, level: float) -> Bounds:
        """Bounds of the mean log dry time of the pieces of new batches."""
        fit, found, rows = self.fit, self.fit.inner.found, self._matrix(setting)
        reach, pieces = found.sigma * MEAN[fit.distribution], 0.0
        if not fit.pieces_alike:
            each = len(fit.brackets) / fit.n_batches
            pieces = (found.sigma * SD[fit.distribution]) ** 2 / (batches * each)
        extra = fit.mixture.variance @ [1 / batches, 1 / days] + pieces
        low, high = (
            float(fit.mixture.below(rows, extra, chance)[0]) + reach
            for chance in (0.5 - level / 2, 0.5 + level / 2)
        )
        return Bounds(float((rows @ found.beta)[0]) + reach, low, high, fit.inner.strata.of(rows[0]))

    def beyond(self, settings: pd.DataFrame) -> NDArray[np.bool_]:
        out = np.zeros(len(settings), bool)
        for term in self.factors:
            if isinstance(term, Category):
                out |= (
                    ~settings[term.name].astype(str).isin(set(self.table[term.name].astype(str))).to_numpy()
                )
            elif isinstance(term, Amount):
                low, high = self.ranges[term.name]
                slack = 1e-9 * max(abs(low), abs(high))
                values = settings[term.name].to_numpy(float)
                out |= (values < low - slack) | (values > high + slack)
        return out
