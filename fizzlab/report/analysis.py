"""The whole of a trial worked out once: each kind of test studied, and one fit a response.

The parts of a report, the choice and the notebooks read `Analysis` only. Nothing here names a response: it
loops over the measures of the trial.
"""

from __future__ import annotations

import inspect
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from fizzlab.design.kinds import KINDS
from fizzlab.errors import CannotAnswer, Unforeseen, cannot
from fizzlab.language import listed, say, speaking
from fizzlab.measures import Measure, looked_up
from fizzlab.models.curing import CuringFit, with_joint_effects
from fizzlab.models.effects import ResponseFit, fit_response
from fizzlab.models.result import ENDS, Effect, FitResult, Forecast, Study, exact
from fizzlab.models.sequential import constant_level, planned_level
from fizzlab.models.terms import ALL, Amount, Category, Term, level_name, varying
from fizzlab.recipe.amounts import batch_mass, cost, fizz_balance
from fizzlab.recipe.ingredients import Recipe, for_run
from fizzlab.recipe.units import Span
from fizzlab.records import read_ledger
from fizzlab.trial.folder import RECORDS, Trial
from fizzlab.trial.settings import TrialSettings

#: A joint effect, or a bend, counts as shown where chance alone would show as much more rarely than this.
SHOWN_P = 0.05

#: Fewest degrees of freedom on which a joint effect is worth testing.
FEW_DF = 3.0


@dataclass(frozen=True, eq=False)  # compared, and remembered, by identity
class Analysis:
    """A trial worked out.

    `terms` are the factors that changed between batches. `batches` has one row a batch: run, day, the
    factors, and a column for each response with one number a batch. `studies` are what each kind of test
    says, by the name of the study (see `study`); `fits` by response, in the order of the measures; `reasons`
    why a response that was measured has no fit, or none for one factor (``"drop_cm, room"``); `joint` the
    fits with joint effects of two factors (of dry times: and bends), where the batches can carry them.
    """

    trial: Trial
    terms: tuple[Term, ...]
    batches: pd.DataFrame = field(repr=False)
    studies: Mapping[str, Study] = field(default_factory=dict, repr=False)
    fits: Mapping[str, FitResult] = field(default_factory=dict)
    reasons: Mapping[str, CannotAnswer] = field(default_factory=dict)
    joint: Mapping[str, ResponseFit | CuringFit] = field(default_factory=dict, repr=False)
    notes: tuple[str, ...] = ()
    looks: tuple[int, ...] = ()

    @property
    def settings(self) -> TrialSettings:
        """The settings of its trial."""
        return self.trial.settings

    @property
    def share(self) -> float:
        """The share of the pieces that dry times are told of."""
        return max(self.settings.drying.shares)

    def study(self, response: str) -> Study | None:
        """The study that a response comes from; None where nothing of it was measured, or it failed."""
        return self.studies.get(_study_name(self.settings.measures()[response]))

    def fit(self, response: str) -> FitResult:
        """The fit of a response; CannotAnswer where there is none, and why."""
        if response not in self.fits:
            measure = self.settings.measure(response)
            none = cannot("no_measured", label=measure.label, table=measure.table)
            raise self.reasons.get(response, none)
        return self.fits[response]

    @property
    def effects(self) -> tuple[Effect, ...]:
        """What every factor did to every response, by response and then by factor."""
        return tuple(effect for fit in self.fits.values() for effect in fit.effects)

    @property
    def responses(self) -> tuple[str, ...]:
        """The responses that are compared, in order."""
        return tuple(name for name, fit in self.fits.items() if fit.effects)

    @property
    def numbers(self) -> tuple[str, ...]:
        """The responses with one number a batch."""
        return tuple(name for name in self.settings.measures() if name in self.batches)

    def of(self, factor: str, response: str | None = None) -> list[Effect]:
        """The effects of one factor, on one response or all."""
        return [e for e in self.effects if e.factor == factor and response in (None, e.response)]

    def depends(self, response: str) -> bool:
        """Was it shown that what one factor does to a response depends on another, or bends?"""
        if response not in self.joint:
            return False
        p = self.joint[response].tests["p_value"]
        return bool((p[p.index.str.contains(r":|\^")] < SHOWN_P).any())

    def forecasting(self, response: str) -> FitResult | None:
        """The fit to forecast a response by: with joint effects where they were shown."""
        return self.joint[response] if self.depends(response) else self.fits.get(response)


def analyse(trial: Trial, only: Sequence[str] | None = None) -> Analysis:
    """Study every kind of test of a trial once, and fit every response once, or those of `only`."""
    with speaking(trial.settings.language):
        return _analysed(trial, only)


def _analysed(trial: Trial, only: Sequence[str] | None) -> Analysis:
    settings, runs = trial.settings, trial.rows("runs").reset_index(drop=True)
    terms, notes = varying(settings.terms(), runs) if len(runs) else ([], [])
    measures = {n: each for n, each in settings.measures().items() if only is None or n in only}
    looks = looks_of(trial)
    planned = settings.plan.looks if settings.plan else None
    level = planned_level(looks, planned[-1]) if planned else constant_level(looks)
    studies, reasons = _studies(trial, measures, level)
    batches, fits, joint = runs, dict[str, FitResult](), dict[str, ResponseFit | CuringFit]()
    for each in studies.values():
        reasons |= each.reasons
    for name, measure in measures.items():
        study = studies.get(_study_name(measure))
        if study is None:
            continue
        numbers = study.numbers.get(name)
        if numbers is not None and numbers.notna().any():
            batches = batches.assign(**{name: batches["run"].map(numbers).astype(float)})
        try:
            if name in study.fits:
                fits[name] = study.fits[name]
            elif name in batches and name in study.numbers:
                fits[name] = _fit(trial, batches, measure, terms, level)
                if terms and not fits[name].effects:
                    reasons[name] = cannot("all_batches_number")
            if (both := _with_joint_effects(fits.get(name))) is not None:
                joint[name] = both
        except CannotAnswer as reason:
            reasons[name] = reason
        except Exception as error:  # one response never takes the others with it
            reasons[name] = Unforeseen(measure.label, error)
    return Analysis(trial, tuple(terms), batches, studies, fits, reasons, joint, tuple(notes), looks)


def looks_of(trial: Trial) -> tuple[int, ...]:
    """How many batches each report of the trial had, this one last, as far as there were ever more."""
    now, found = len(trial.rows("runs")), list[int]()
    for entry in read_ledger(trial.folder / RECORDS).reports():
        if max(found, default=0) < entry.batches < now:
            found.append(entry.batches)
    return (*found, now)


def _fit(
    trial: Trial, batches: pd.DataFrame, measure: Measure, terms: Sequence[Term], conf_level: float
) -> ResponseFit:
    """The fit of one number a batch by the plan's model, or with bends by its kind; else of main effects."""
    varied, _ = varying(terms, batches[batches[measure.name].notna()])
    log, asked = measure.scale == "ratio", trial.settings.responses
    told: dict[str, Any] = {"log": log, "conf_level": conf_level}
    if not varied:
        return fit_response(batches, measure.name, [], days="random", **told)
    told["margin"] = asked[measure.name].same_within if measure.name in asked else None
    if (model := _planned(trial)) != "main":
        with suppress(CannotAnswer):
            return fit_response(batches, measure.name, varied, model=model, **told)
    return fit_response(batches, measure.name, varied, **told)


def _planned(trial: Trial) -> str | Sequence[str]:
    """The model of the plan, or with bends by its kind; else main effects."""
    plan = trial.settings.plan
    if plan is None:
        return "main"
    return plan.model or ("quadratic" if KINDS[plan.kind].bends else "main")


def _with_joint_effects(fit: FitResult | None) -> ResponseFit | CuringFit | None:
    """The same response with every joint effect of two factors, if enough is left to judge them by."""
    if isinstance(fit, CuringFit):
        both = with_joint_effects(fit)
        return both if both and (both.tests["df_den"][list(both.joint)] >= FEW_DF).all() else None
    if not isinstance(fit, ResponseFit) or len(fit.terms) < 2 or any(":" in term for term in fit.basis.terms):
        return None
    with suppress(CannotAnswer):
        more: dict[str, Any] = {"log": fit.log, "conf_level": fit.conf_level}
        found = fit_response(fit.batches, fit.response, fit.terms, model="interactions", **more)
        return found if (found.tests["df_den"] >= FEW_DF).all() else None
    return None


def at_levels(fit: FitResult, term: Term, share: float = 0.5) -> pd.DataFrame:
    """The typical batch at each level made, or at up to five amounts, and how many batches had it."""
    tried = fit.batches[term.name]
    if isinstance(term, Category):
        values: Sequence[object] = [level for level in term.levels if level in set(tried)]
    else:
        values = sorted(set(tried.astype(float)))
        if len(values) > 5:
            values = np.linspace(values[0], values[-1], 3).tolist()
    rows = fit.predict({term.name: list(values)}, share=share)
    names, many = [level_name(term, v) for v in values], [int((tried == v).sum()) for v in values]
    found = rows[["estimate", "conf_low", "conf_high", "extrapolated"]]
    return found.assign(factor=term.name, level=names, n_batches=many, value=np.array(values))


def by_levels(fit: FitResult, share: float = 0.5) -> pd.DataFrame:
    """`at_levels` of every factor that the fit knows; and of all batches where none has named levels."""
    found = [at_levels(fit, term, share) for term in fit.terms if fit.of(term.name)]
    if not any(isinstance(term, Category) for term in fit.terms) or not found:
        found.append(fit.predict(None, share=share).assign(factor="", level=ALL, n_batches=fit.n_batches))
    return pd.concat(found, ignore_index=True)


def possible(rows: pd.DataFrame, measure: Measure) -> pd.DataFrame:
    """Typical values, none of them beyond what the measure can be: there the truth is not."""
    return rows.assign(**rows[[*ENDS]].clip(measure.low, measure.high))


def _study_name(measure: Measure) -> str:
    """Its study, or its own name where the mean of a column is all that it needs."""
    return measure.study or measure.name


def _studies(
    trial: Trial, measures: Mapping[str, Measure], conf_level: float
) -> tuple[dict[str, Study], dict[str, CannotAnswer]]:
    """Each study once, and why those that failed did."""
    tables = {name: trial.rows(name) for name in trial.settings.tables()}
    offered, groups = {**_offered(trial), "conf_level": conf_level}, dict[str, list[Measure]]()
    found, reasons = dict[str, Study](), dict[str, CannotAnswer]()
    for measure in measures.values():
        groups.setdefault(_study_name(measure), []).append(measure)
    for name, members in groups.items():
        needed = {table for each in members for table in (each.table, *each.other_tables)}
        if not any(table == "" or len(tables[table]) for table in needed):
            continue
        try:
            if members[0].study:
                work = looked_up(name)
                options = _options(trial, members[0].section, offered, work)
                found[name] = work(tables, trial.settings.terms(), **options)
            else:
                found[name] = study_column(members[0], tables[members[0].table])
        except Exception as error:
            what = listed([each.label for each in members])
            reason = error if isinstance(error, CannotAnswer) else Unforeseen(what, error)
            there = [each.name for each in members if each.table and len(tables[each.table])]
            reasons |= dict.fromkeys(there or [each.name for each in members], reason)
    return found, reasons


def study_column(measure: Measure, rows: pd.DataFrame) -> Study:
    """The mean of a column by piece, then by batch; of logarithms where ratios are compared."""
    if measure.column not in rows:
        return Study()
    told = rows[rows[measure.column].notna()]
    values = told[measure.column].to_numpy(float)
    log = measure.scale == "ratio" and bool((values > 0).all())
    keys = [told[key] for key in ("run", "piece") if key in told]
    pieces = pd.Series(np.log(values) if log else values, told.index).groupby(keys, sort=False).mean()
    means = pieces.groupby("run", sort=False).mean()
    each = told.assign(lower=values, upper=values)
    return Study(numbers={measure.name: means.map(np.exp) if log else means}, readings={measure.name: each})


def _options(
    trial: Trial, section: str, offered: Mapping[str, Any], work: Callable[..., Study]
) -> dict[str, Any]:
    """Those keywords of a study that its section of trial.toml, or the recipe, says something of."""
    written = dict(getattr(trial.settings, section)) if section else {}
    known = {**written, **offered}
    keywords = [k.name for k in inspect.signature(work).parameters.values() if k.kind is k.KEYWORD_ONLY]
    return {name: known[name] for name in keywords if name in known}


def _offered(trial: Trial) -> dict[str, Any]:
    """What a study may ask for that is worked out from trial.toml rather than written there."""
    settings = trial.settings
    recipe, air = settings.made_recipe(), settings.drying.forecast_air
    return {
        "recipe": recipe,
        "pieces": None if settings.recipe is None else settings.recipe.pieces,
        "theory_g": settings.fizz.theory_g if settings.fizz.theory_g is not None else _by_recipe(trial),
        "forecast_air": None if air is None else (air.temp_c, air.rh_pct),
        "margins": {name: asked.same_within for name, asked in settings.responses.items()},
        "index": settings.crumble.index,
        "model": _planned(trial),
    }


def _by_recipe(trial: Trial) -> Mapping[str, float] | CannotAnswer | None:
    """What a piece could give by the recipe; see `theory_spans`."""
    try:
        return {run: span.typical for run, span in theory_spans(trial).items()} or None
    except CannotAnswer as reason:
        return reason


def theory_spans(trial: Trial) -> dict[str, Span]:
    """The most carbon dioxide that a piece of each batch can give by the recipe, in grams, with bounds."""
    recipe, written = trial.settings.made_recipe(), trial.settings.recipe
    if recipe is None or written is None:
        return {}
    mould_g = written.mould_g()
    if written.pieces is None and mould_g is None:
        raise cannot("recipe_does")
    found = {}
    for run, row in trial.batches().iterrows():
        made = for_run(recipe, {term.name: row[term.name] for term in trial.settings.terms()})
        share = 1 / written.pieces if written.pieces else (mould_g or 0.0) / batch_mass(made).typical
        found[str(run)] = fizz_balance(made).co2_g * share
    return found


@dataclass(frozen=True, kw_only=True)
class CostFit(FitResult):
    """What a piece costs in ingredients: worked out by `value` for a table of settings, not measured."""

    value: Callable[[pd.DataFrame], list[float]] = field(repr=False)

    def forecast(self, settings: pd.DataFrame, share: float = 0.5) -> Forecast:
        """The cost of each setting, with no doubt in it."""
        return exact(np.array(self.value(settings)))


def study_cost(
    tables: Mapping[str, pd.DataFrame],
    terms: Sequence[Term],
    *,
    recipe: Recipe | None = None,
    pieces: int | None = None,
) -> Study:
    """What each factor adds to the cost of a piece, where the recipe has prices and a number of pieces."""
    runs = tables["runs"]
    changed, _ = varying(terms, runs) if len(runs) else ([], [])
    if recipe is None or pieces is None or not changed or all(i.price is None for i in recipe.ingredients):
        return Study()
    made = runs[[term.name for term in terms]].drop_duplicates().reset_index(drop=True)
    effects = tuple(cost_effects(made, _costs(recipe, pieces, made, terms), changed))

    def value(settings: pd.DataFrame) -> list[float]:
        return _costs(recipe, pieces, _whole(settings, runs, changed, terms), terms)

    fit = CostFit(response="cost", effects=effects, batches=made, terms=tuple(changed), value=value)
    return Study(fits={"cost": fit})


def _whole(
    settings: pd.DataFrame, runs: pd.DataFrame, changed: Sequence[Term], terms: Sequence[Term]
) -> pd.DataFrame:
    """Settings with the factors that they leave out: what all batches had, or what a total leaves."""
    found = settings[[term.name for term in changed]].copy()
    for term in terms:
        if term.name in found:
            continue
        if runs[term.name].nunique() == 1 or isinstance(term, Category):
            found[term.name] = [runs[term.name].iloc[0]] * len(found)
        else:
            parts = [each.name for each in changed if isinstance(each, Amount) and each.unit == term.unit]
            total = float(runs[[*parts, term.name]].sum(axis=1).mean())
            found[term.name] = total - found[parts].sum(axis=1)
    return found


def _costs(recipe: Recipe, pieces: int, settings: pd.DataFrame, terms: Sequence[Term]) -> list[float]:
    """What a piece of each setting costs in ingredients; CannotAnswer where an ingredient has no price."""
    found = []
    for _, row in settings.iterrows():
        made = cost(for_run(recipe, {term.name: row[term.name] for term in terms}), pieces)
        if made.unpriced:
            raise cannot("no_price_so", n=len(made.unpriced), what=say("both").join(made.unpriced))
        found.append(made.piece.typical)
    return found


def cost_effects(settings: pd.DataFrame, each: Sequence[float], terms: Sequence[Term]) -> Iterator[Effect]:
    """What each level adds to the cost of a piece, over the settings (once each) that were made of both."""
    names, inf, nan = [term.name for term in terms], float("inf"), float("nan")
    priced = settings[names].assign(cost=list(each))
    for term in terms:
        others, values = [name for name in names if name != term.name], priced[term.name]
        pairs: list[tuple[Any, Any]] = [(values.max(), values.min())]
        if isinstance(term, Category):
            pairs = [(level, term.control) for level in term.levels if level != term.control]
        for to, start in pairs:
            one, two = (priced[values == end].drop(columns=term.name) for end in (to, start))
            how: Any = {"on": others} if others else {"how": "cross"}
            both = one.merge(two, suffixes=("_to", "_start"), **how)
            if len(both):
                gap = float((both["cost_to"] - both["cost_start"]).mean())
                levels = level_name(term, to), level_name(term, start)
                yield Effect("cost", term, *levels, "difference", gap, gap, gap, inf, nan, judged_by="")
