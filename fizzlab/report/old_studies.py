"""For as long as some kinds of test have no study of the new form: what stood in its place."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from fizzlab.errors import CannotAnswer
from fizzlab.measures import Scale
from fizzlab.models.days import mostly_by_days, set_for_days
from fizzlab.models.result import Effect, FitResult, Study, as_frame
from fizzlab.models.terms import Category, Term, grouping, level_name
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


def study_crumble(trial: Trial) -> Study:
    from fizzlab.models.crumble import TumbleStudy
    from fizzlab.report.parts.crumble import crumbling

    crumbled = crumbling(trial)
    assert crumbled is not None
    study = crumbled.study
    numbers: dict[str, pd.Series] = {}
    fits: dict[str, FitResult] = {}
    reasons: dict[str, CannotAnswer] = {}
    if isinstance(study.tumbles, TumbleStudy):
        losses = study.tumbles.losses
        numbers["tumble_loss_pct"] = losses["loss_pct"].where(~losses["below_step"], 0.5 * losses["step_pct"])
    elif study.tumbles is not None:
        reasons["tumble_loss_pct"] = study.tumbles
    if study.scores is not None:
        pieces = study.scores.scores.groupby(["run", "piece"], sort=False)["score"].mean()
        numbers["score"] = pieces.groupby("run", sort=False).mean()
    if study.drops is not None:
        if isinstance(study.drops.fit, CannotAnswer):
            reasons["drop_cm"] = study.drops.fit
        else:
            fits["drop_cm"], more = _of_drops(trial, study.drops)
            reasons |= more
    return OldStudy(numbers=numbers, fits=fits, reasons=reasons, old=crumbled)


def study_fizz(trial: Trial) -> Study:
    from fizzlab.models.censored import NotFitted, sort
    from fizzlab.models.censored_fit import fit as fit_brackets
    from fizzlab.models.fizz.durations import WATER, arrhenius_column
    from fizzlab.models.fizz.study import Compared, Reached
    from fizzlab.report.parts.fizz import fizzing

    def times_of(compared: Compared) -> pd.Series:
        times, fit = compared.times, compared.fit
        if times["done"].all():
            logs = np.log(times["seconds"])
            if WATER in fit.columns:
                slope = float(fit.coefficients[fit.columns.index(WATER)])
                logs = logs - slope * arrhenius_column(times["water_c"].to_numpy(float), fit.at_water_c)
            means: pd.Series = np.exp(logs.groupby(times["run"], sort=False).mean())
            return means
        runs = pd.Index(pd.unique(times["run"]))
        never = [str(run) for run in runs if not times.loc[times["run"] == run, "done"].any()]
        if never:
            raise CannotAnswer(
                f"Of some batches no piece was watched to the end, so they have no mean: {', '.join(never)}.",
                "Watch pieces to the end.",
            )
        which = (times["run"].to_numpy()[:, None] == runs.to_numpy()[None, :]).astype(float)
        columns = [np.ones(len(times)), *which.T[1:]]
        if WATER in fit.columns:
            columns.append(arrhenius_column(times["water_c"].to_numpy(float), fit.at_water_c))
        seconds = times["seconds"].to_numpy(float)
        upper = np.where(times["done"], seconds, np.inf)
        try:
            found = fit_brackets(
                sort(seconds, upper, np.arange(len(times)), np.column_stack(columns)),
                batch_effect=False,
                restricted=False,
            )
        except NotFitted as gap:
            raise CannotAnswer(
                "The batches have no mean that settles.", "Watch more pieces to the end."
            ) from gap
        return pd.Series(np.exp(found.beta[0] + np.r_[0.0, found.beta[1 : len(runs)]]), index=runs)

    fizzed = fizzing(trial)
    assert fizzed is not None
    study = fizzed.study
    numbers: dict[str, pd.Series] = {}
    reasons: dict[str, CannotAnswer] = {}
    for name, part in (("fizz_s", study.lasting), ("colour_s", study.colour), ("half_out_s", study.half_out)):
        try:
            if isinstance(part, CannotAnswer):
                raise part
            if part is not None:
                numbers[name] = times_of(part)
        except CannotAnswer as reason:
            reasons[name] = reason
    if isinstance(study.reached, Reached):
        whole = study.reached.groups[0].group
        shares = study.reached.batches[study.reached.batches["group"] == whole]
        numbers["gas_pct"] = 100 * shares.set_index("run")["share"]
    elif study.reached is not None:
        reasons["gas_pct"] = study.reached
    return OldStudy(numbers=numbers, reasons=reasons, old=fizzed)


OLD: Mapping[str, Callable[[Trial], Study]] = {
    "fizzlab.models.crumble:study_crumble": study_crumble,
    "fizzlab.models.fizz:study_fizz": study_fizz,
}


def _pairs(term: Term, least: float, most: float) -> list[tuple[Any, Any]]:
    if isinstance(term, Category):
        return [(level, term.control) for level in term.levels if level != term.control]
    return [(most, least)]


def _of_drops(trial: Trial, part: Any) -> tuple[FitResult, dict[str, CannotAnswer]]:
    """The effects of drops; of an amount from the least to the most, as a power of a ratio."""
    batches, fit = part.known.batches, part.fit
    by_days, whole = mostly_by_days(batches, part.known.terms), set_for_days(batches, part.known.terms)
    found, reasons = [], {}
    by_name = {effect.name: effect for effect in fit.effects}
    for term in part.known.terms:
        if term.name in by_days:
            reasons[f"drop_cm, {term.name}"] = CannotAnswer(
                "It was set for whole days, and this test has no comparison by days."
                if term.name in whole
                else "It changed mostly from day to day, and this test has no comparison by days.",
                "Change it from batch to batch within a day.",
            )
            continue
        least, most = (0, 0) if isinstance(term, Category) else part.known.span(term)
        for to, start in _pairs(term, least, most):
            column = f"{term.name}[{to}]" if isinstance(term, Category) else term.columns()[0]
            effect = by_name.get(column)
            if effect is None:
                continue
            span = 1.0 if isinstance(term, Category) else most - least
            apart = effect.kind == "difference"
            scale: Scale = "difference" if apart else "ratio"
            ends = [v * span if apart else v**span for v in (effect.estimate, effect.low, effect.high)]
            found.append(
                Effect(
                    "drop_cm",
                    term,
                    level_name(term, to),
                    level_name(term, start),
                    scale,
                    ends[0],
                    ends[1],
                    ends[2],
                    effect.df,
                    float("nan"),
                    n_batches=len(batches),
                    conf_level=fit.level,
                )
            )
    drawn = grouping(part.known.terms)

    def typical(name: str, values: Sequence[Any]) -> pd.DataFrame:
        rows = {each.level: (each.median_cm, each.median_low, each.median_high) for each in part.levels}
        if drawn is None or drawn.name != name or not all(level_name(drawn, v) in rows for v in values):
            raise CannotAnswer("No height of its own.", "")
        found = np.array([rows[level_name(drawn, value)] for value in values])
        if not np.isfinite(found).all() or (found <= 0).any():
            raise CannotAnswer("A height is open.", "")
        return pd.DataFrame(found, columns=["estimate", "conf_low", "conf_high"])

    fitted = OldFit(
        response="drop_cm",
        effects=tuple(found),
        batches=batches,
        terms=tuple(part.known.terms),
        n_batches=len(batches),
        typical=typical,
    )
    return fitted, reasons


def outcomes(done: Any) -> tuple[Any, Any]:
    """Crumbling and fizz as their parts of the report still want them."""
    found = [done.study(name) for name in ("tumble_loss_pct", "fizz_s")]
    crumbled, fizzed = (None if study is None else study.old for study in found)
    return crumbled, fizzed
