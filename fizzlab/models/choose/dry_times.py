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

from fizzlab.models.censored.likelihood import quantile
from fizzlab.models.choose.forecasters import ONE_DAY, Array, Bounds, gls_errors, tried_ranges
from fizzlab.models.cure.forecast import locations
from fizzlab.models.cure.spreads import MEAN, SD, Spreads, batch_summaries, mixed_quantile, possible_spreads
from fizzlab.models.cure.study import DryingStudy
from fizzlab.models.cure.touch import LOG_SIGMA
from fizzlab.models.terms import Amount, Category, Term, model_matrix


@dataclass(frozen=True)
class DryTimes:
    """The hours until a share of the pieces of a batch is dry; a `Forecaster`.

    Parameters
    ----------
    study : DryingStudy
    share : float
        Of the pieces of a batch. Where pieces of a batch could not be told apart, they count as alike.
    response : str

    Notes
    -----
    Typical batch: x'beta + sigma F^-1(share), t with the study's degrees of freedom. Errors at several
    settings hang together by the generalised least squares weights of the batches, each summed up as in
    `batch_summaries`. The spread of a new batch is drawn from the mixture of `possible_spreads`. The bounds
    of confirmation batches are for the mean of their pieces (on the logarithm), which can be measured, not
    for the share.
    """

    study: DryingStudy
    share: float = 0.5
    response: str = "dry_h"
    log: bool = True
    chance: bool = True

    @property
    def factors(self) -> tuple[Term, ...]:
        return tuple(term for term in self.study.fit.terms if term not in self.study.air)

    @cached_property
    def table(self) -> pd.DataFrame:
        runs = self.study.fit.model_matrix.index
        return self.study.batches.loc[runs].rename_axis("run").reset_index()

    @property
    def notes(self) -> tuple[str, ...]:
        said = []
        for term in self.study.air:
            low, high = (float(end) for end in self.study.fit.tried[term.name])
            value = float(np.asarray(self.study.typical[term.name], float))
            if not low <= value <= high:
                said.append("The air to forecast for was not tried, so the dry times there are a guess.")
        if not self.study.fit.day_effect and self.table["day"].nunique() == 1:
            said.append(ONE_DAY)
        return tuple(dict.fromkeys(said))

    @property
    def _sized(self) -> bool:
        """Does the spread between pieces enter, with a doubt of its own?"""
        return not self.study.fit.pieces_alike and self._reach != 0

    @property
    def _reach(self) -> float:
        fit = self.study.fit
        share = 0.5 if fit.pieces_alike else self.share
        return float(fit.found.sigma * quantile(fit.distribution, share))

    @property
    def keys(self) -> list[str]:
        runs = [f"{run}\n0" for run in self.study.fit.model_matrix.index]
        return [*runs, f"{self.response}\nsigma"] if self._sized else runs

    @property
    def ranges(self) -> Mapping[str, tuple[float, float]]:
        return tried_ranges(self.table, self.factors)

    @cached_property
    def _spreads(self) -> Spreads:
        return possible_spreads(self.study.fit)

    def _matrix(self, settings: pd.DataFrame) -> Array:
        typical = self.study.typical
        held = {name: [typical[name]] * len(settings) for name in typical if name not in settings}
        asked = pd.concat([settings, pd.DataFrame(held, index=settings.index)], axis=1)
        return model_matrix(asked, self.study.fit.terms).to_numpy(float)

    def residuals(self) -> pd.Series:
        """Batch locations off the terms, drawn in by what the brackets of each leave open."""
        fit = self.study.fit
        y, own, spread = batch_summaries(fit)
        off = y - fit.model_matrix.to_numpy(float) @ fit.coef
        whole = spread**2 + (fit.found.delta**2 if fit.day_effect else 0.0)
        told = whole / np.maximum(whole + np.maximum(own, 0), 1e-12)
        return pd.Series(off * told, index=fit.model_matrix.index.astype(str))

    def shown(self, settings: pd.DataFrame) -> pd.DataFrame:
        found = self.typical(settings)
        half = stats.t.ppf(0.5 + self.study.fit.level / 2, found["df"]) * found["se"]
        return found[["estimate"]].assign(low=found["estimate"] - half, high=found["estimate"] + half)

    def typical(self, settings: pd.DataFrame) -> pd.DataFrame:
        fit, rows = self.study.fit, self._matrix(settings)
        value, se = locations(fit, rows, self.share)
        return pd.DataFrame({"estimate": value, "se": se, "df": [fit.df(row) for row in rows]})

    def errors(self, settings: pd.DataFrame, normal: Array) -> Array:
        fit, rows = self.study.fit, self._matrix(settings)
        x = fit.model_matrix.to_numpy(float)
        _, own, spread = batch_summaries(fit)
        variance = np.diag(spread**2 + np.maximum(own, 1e-3 * max(spread**2, 1e-6)))
        if fit.day_effect:
            day = self.table["day"].to_numpy()
            variance = variance + fit.found.delta**2 * (day[:, None] == day[None, :])
        batches = gls_errors(rows, x, variance, normal[:, : len(x)])
        if not self._sized:
            return batches
        width = len(fit.coef)
        of_place = np.sqrt(np.einsum("ri,ij,rj->r", rows, fit.covariance.to_numpy()[:width, :width], rows))
        of_size = abs(self._reach) * float(np.sqrt(fit.covariance.loc[LOG_SIGMA, LOG_SIGMA]))  # type: ignore[arg-type]
        both = batches * of_place + normal[:, [-1]] * of_size
        return np.asarray(both / np.sqrt(of_place**2 + of_size**2))

    def spread(self, level: Array) -> Array:
        found = self._spreads
        order = np.argsort(found.new)
        weight = found.weight[order]
        sd = np.sqrt(np.maximum(found.new[order], 0.0))
        return np.interp(1 - level, np.cumsum(weight) - weight / 2, sd)

    def bounds(self, setting: pd.DataFrame, batches: int, days: int, level: float) -> Bounds:
        """Bounds of the mean log dry time of the pieces of new batches."""
        fit, rows, found = self.study.fit, self._matrix(setting), self._spreads
        reach = fit.found.sigma * MEAN[fit.distribution]
        pieces = 0.0
        if not fit.pieces_alike:
            each = fit.n_pieces / fit.n_batches
            pieces = (fit.found.sigma * SD[fit.distribution]) ** 2 / (batches * each)
        known = np.einsum("ri,kij,rj->rk", rows, found.covariance, rows)
        sd = np.sqrt(known + found.batch / batches + found.day / days + pieces)
        centre = rows @ found.beta.T + reach
        low, high = (
            float(mixed_quantile(centre, sd, found.weight, chance)[0])
            for chance in (0.5 - level / 2, 0.5 + level / 2)
        )
        return Bounds(float((rows @ fit.coef)[0]) + reach, low, high, fit.df(rows[0]))

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
