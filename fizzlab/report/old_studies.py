"""For as long as some kinds of test have no study of the new form: what stood in its place."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from fizzlab.errors import CannotAnswer
from fizzlab.models.days import set_for_days
from fizzlab.models.draws import ONE_DAY, Forecast, leaning
from fizzlab.models.result import Effect, FitResult, Study, as_frame
from fizzlab.models.sameness import ratio_limits
from fizzlab.models.terms import Category, Term, level_name
from fizzlab.trial.folder import Trial


@dataclass(frozen=True, kw_only=True)
class OldStudy(Study):
    """A study that carries what the parts of the report still read."""

    old: Any = None


@dataclass(frozen=True, kw_only=True)
class OldFit(FitResult):
    """A fit with typical values by one factor."""

    typical: Callable[[str, Sequence[Any]], pd.DataFrame]

    def predict(self, new: Any = None, *, share: float = 0.5, interval: Any = "confidence") -> pd.DataFrame:
        settings = as_frame(new)
        name = str(settings.columns[0])
        found = self.typical(name, list(settings[name]))
        return pd.concat([settings, found.assign(extrapolated=False)], axis=1)


@dataclass(frozen=True, kw_only=True)
class OldDry(OldFit):
    """A fit of dry times, until `fizzlab.models.curing` has it."""

    study: Any = None

    @property
    def air(self) -> tuple[Any, ...]:
        return tuple(self.study.air)

    def forecast(self, settings: pd.DataFrame, share: float = 0.5) -> Forecast:
        from scipy import stats

        from fizzlab.models.censored.likelihood import quantile
        from fizzlab.models.cure.forecast import locations
        from fizzlab.models.cure.spreads import MEAN, SD, batch_summaries, mixed_quantile, possible_spreads
        from fizzlab.models.terms import model_matrix

        fit, typical = self.study.fit, self.study.typical
        asked = settings[[name for name in settings if name in typical]]
        asked = asked.assign(**{n: [v] * len(asked) for n, v in typical.items() if n not in asked})
        rows = model_matrix(asked, fit.terms).to_numpy(float)
        x = fit.model_matrix.to_numpy(float)
        estimate, se = locations(fit, rows, share)
        df = np.array([fit.df(row) for row in rows])
        half = stats.t.ppf(0.975, df) * se
        y, own, spread = batch_summaries(fit)
        batches = self.study.batches.loc[fit.model_matrix.index]
        day = batches["day"].to_numpy()
        variance = np.diag(spread**2 + np.maximum(own, 1e-3 * max(spread**2, 1e-6)))
        if fit.day_effect:
            variance = variance + fit.found.delta**2 * (day[:, None] == day[None, :])
        lean, keys = leaning(rows, x, variance), tuple(map(str, fit.model_matrix.index))
        reach = float(fit.found.sigma * quantile(fit.distribution, 0.5 if fit.pieces_alike else share))
        if not fit.pieces_alike and reach != 0:
            k = len(fit.coef)
            place = np.sqrt(np.einsum("ri,ij,rj->r", rows, fit.covariance.to_numpy()[:k, :k], rows))
            size = abs(reach) * np.sqrt(fit.covariance.to_numpy()[k, k])
            both = np.column_stack([lean * place[:, None], np.full(len(rows), size)])
            lean, keys = both / np.sqrt(place**2 + size**2)[:, None], (*keys, f"{self.response}\nsigma")
        whole = spread**2 + (fit.found.delta**2 if fit.day_effect else 0.0)
        off = (y - x @ fit.coef) * whole / np.maximum(whole + np.maximum(own, 0), 1e-12)
        mixture = possible_spreads(fit)
        order = np.argsort(mixture.new)
        weight, sd = mixture.weight[order], np.sqrt(np.maximum(mixture.new[order], 0.0))

        def mean(batches: int, days: int, conf_level: float) -> Any:
            middle = fit.found.sigma * MEAN[fit.distribution]
            pieces = 0.0
            if not fit.pieces_alike:
                each = fit.n_pieces / fit.n_batches
                pieces = (fit.found.sigma * SD[fit.distribution]) ** 2 / (batches * each)
            known = np.einsum("ri,kij,rj->rk", rows, mixture.covariance, rows)
            sds = np.sqrt(known + mixture.batch / batches + mixture.day / days + pieces)
            centre = rows @ mixture.beta.T + middle
            ends = [mixed_quantile(centre, sds, mixture.weight, 0.5 + s * conf_level / 2) for s in (-1, 1)]
            return np.stack([rows @ fit.coef + middle, *ends, df])

        said = []
        for term in self.study.air:
            low, high = (float(end) for end in fit.tried[term.name])
            if not asked[term.name].astype(float).between(low, high).all():
                said.append("The air to forecast for was not tried, so the dry times there are a guess.")
        if not fit.day_effect and batches["day"].nunique() == 1:
            said.append(ONE_DAY)
        ends = {"estimate": estimate, "conf_low": estimate - half, "conf_high": estimate + half}
        return Forecast(
            typical=pd.DataFrame(ends).apply(np.exp),
            estimate=estimate,
            se=se,
            df=df,
            keys=keys,
            lean=lean,
            spread=lambda s: np.interp(1 - s, np.cumsum(weight) - weight / 2, sd),
            mean=mean,
            residuals=pd.Series(off, index=fit.model_matrix.index.astype(str)),
            log=True,
            share=None if fit.pieces_alike else share,
            notes=tuple(dict.fromkeys(said)),
        )


def study_touch(trial: Trial) -> Study:
    from fizzlab.report.parts.drying import drying

    dried = drying(trial)
    if dried is None or isinstance(dried, CannotAnswer):
        raise dried or CannotAnswer("Nothing was touched.", "Touch pieces at set hours.")
    return OldStudy(fits={"dry_h": _of_drying(trial, "dry_h", dried.study)}, old=dried)


def study_weighings(trial: Trial) -> Study:
    from fizzlab.report.parts.weighing import weighing

    weighed = weighing(trial)
    if weighed is None or isinstance(weighed, CannotAnswer):
        raise weighed or CannotAnswer("Nothing was weighed.", "Weigh pieces as they dry.")
    numbers = {"weighed_dry_h": weighed.times["hours"]}
    if isinstance(weighed.model, CannotAnswer):
        return OldStudy(numbers=numbers, reasons={"weighed_dry_h": weighed.model}, old=weighed)
    fit = _of_drying(trial, "weighed_dry_h", weighed.model)
    return OldStudy(numbers=numbers, fits={"weighed_dry_h": fit}, old=weighed)


OLD: Mapping[str, Callable[[Trial], Study]] = {
    "fizzlab.models.curing:study_touch": study_touch,
    "fizzlab.models.weighing:study_weighings": study_weighings,
}


def _pairs(term: Term, least: float, most: float) -> list[tuple[Any, Any]]:
    if isinstance(term, Category):
        return [(level, term.control) for level in term.levels if level != term.control]
    return [(most, least)]


def _of_drying(trial: Trial, response: str, study: Any) -> FitResult:
    asked = trial.settings.responses.get(response)
    margin = None if asked is None else asked.same_within
    found = []
    factors = [term for term in study.fit.terms if term not in study.air]
    rank = [term.name for term in trial.settings.terms()]
    for term in sorted(factors, key=lambda each: rank.index(each.name)):
        tried = study.fit.tried[term.name]
        least, most = (0, 0) if isinstance(term, Category) else (float(tried[0]), float(tried[1]))
        for to, start in _pairs(term, least, most):
            effect = study.fit.between({**study.typical, term.name: to}, {**study.typical, term.name: start})
            ratio, low, high = effect.ratio
            by_day = study.fit.n_days is not None and bool(set_for_days(study.batches, [term]))
            same = (np.nan, np.nan) if margin is None else ratio_limits(ratio, low, high, effect.df)
            found.append(
                Effect(
                    response,
                    term,
                    level_name(term, to),
                    level_name(term, start),
                    "ratio",
                    ratio,
                    low,
                    high,
                    effect.df,
                    float("nan"),
                    judged_by="days" if by_day else "batches",
                    n_batches=study.fit.n_batches,
                    margin=margin,
                    same_low=same[0],
                    same_high=same[1],
                )
            )

    def typical(name: str, values: Sequence[Any]) -> pd.DataFrame:
        if name not in study.typical:
            raise CannotAnswer("It did not change.", "Change it.")
        rows = {str(i): {**study.typical, name: value} for i, value in enumerate(values)}
        named = study.typical_batch(rows)
        shown: pd.DataFrame = named[["mean", "low", "high"]]
        return shown.set_axis(["estimate", "conf_low", "conf_high"], axis=1)

    return OldDry(
        response=response,
        effects=tuple(found),
        batches=study.batches.loc[study.fit.model_matrix.index],
        terms=tuple(factors),
        n_batches=study.fit.n_batches,
        typical=typical,
        study=study,
    )


def outcomes(done: Any) -> tuple[Any, Any]:
    """Drying and weighing as their parts of the report still want them."""
    found = []
    for name in ("dry_h", "weighed_dry_h"):
        study = done.study(name)
        found.append(study.old if study is not None else done.reasons.get(name))
    return found[0], found[1]
