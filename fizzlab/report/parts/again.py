"""A trial worked out again: without doubtful readings, by the order of its batches, with the lost ones back."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import suppress
from functools import lru_cache
from typing import Any, NamedTuple

import pandas as pd

from fizzlab.errors import CannotAnswer
from fizzlab.models.curing import CuringFit, fit_curing_time
from fizzlab.models.effects import ResponseFit, fit_response
from fizzlab.models.result import Effect, FitResult
from fizzlab.models.terms import Amount
from fizzlab.records import read_ledger
from fizzlab.report import phrases as words
from fizzlab.report.analysis import Analysis, analyse
from fizzlab.report.page import Grid, Notes
from fizzlab.report.parts.choose import choosing
from fizzlab.report.phrases import capital, listed
from fizzlab.trial.folder import RECORDS

#: What the place of a batch in an order is called as a term.
ORDER = "place in the order"

#: Where more batches than this share have no number, it was not meant to be measured of each.
MOST_LOST = 1 / 3


class Change(NamedTuple):
    """One verdict that comes out otherwise; `lost` where it was clear before."""

    said: str
    lost: bool


def changes(done: Analysis, before: FitResult, after: FitResult | None) -> Iterator[Change]:
    """Which verdicts on the factors, or the air, of one response come out otherwise."""
    settings, measure = done.trial.settings, done.trial.settings.measure(before.response)
    was, now = (
        {each.topic: each for each in (*fit.effects, *getattr(fit, "air_effects", ())) if not each.exact}
        if fit
        else dict[str, Effect]()
        for fit in (before, after)
    )

    def told(effect: Effect | None) -> str:
        if effect is None or not (effect.shown or effect.same):
            return "can't tell"
        return "as good as equal" if effect.same else words.directed(effect.estimate, effect, measure)

    def state(effect: Effect | None) -> str:
        said = told(effect)
        return f"{effect.greater}" if effect and effect.shown and not effect.same else said

    for topic, each in was.items():
        if state(each) != state(now.get(topic)):
            both = (
                words.against(each, settings.label) if each.factor in settings.factors else "the room's air"
            )
            said = f"{capital(measure.label)}, {both}: {told(now.get(topic))}, not {told(each)}."
            yield Change(said, each.shown or each.same)


@lru_cache(maxsize=2)
def without_doubtful(done: Analysis) -> str:
    """What comes out otherwise without the doubtful readings, and where they are; empty if nothing does."""
    trial, settings = done.trial, done.trial.settings
    doubtful = [doubt for doubt in trial.doubts if doubt.reading]
    tables = {
        name for name, table in trial.tables.items() if table.where in {each.where for each in doubtful}
    }
    only = [n for n, each in settings.measures().items() if {each.table, *each.other_tables} & tables]
    if not doubtful or not (only or tables & {"runs", "room_log"}):
        return ""
    judged = any(each.limit(name) or each.wish(name) for name, each in settings.responses.items())
    again = analyse(trial.without_doubtful(), None if judged or tables & {"runs", "room_log"} else only)
    found: list[str] = []
    with suppress(CannotAnswer):
        chosen = [each for each in map(choosing, (again, done)) if each is not None]
        keep = [each.voice.name(each.choice.best) for each in chosen]
        found += [f"Keep {keep[0]}, not {keep[1]}."] if len(set(keep)) == 2 else []
    for name in dict.fromkeys([*settings.about, *done.fits]):
        if name in done.fits and (name in only or tables & {"runs", "room_log"}):
            found += [change.said for change in changes(done, done.fits[name], again.fits.get(name))]
    more = f" and {len(doubtful) - 2} more" if len(doubtful) > 2 else ""
    lead = f"Check {', '.join(each.place for each in doubtful[:2])}{more} first: without, the answer changes."
    return " ".join([lead, *found[:2]]) if found else ""


def _again(fit: FitResult, table: pd.DataFrame, more: Sequence[Amount] = ()) -> ResponseFit:
    """The model of a fit on other batches with a number each, or with further terms."""
    terms = [*fit.terms, *getattr(fit, "air", ())]
    model = fit.basis.terms if isinstance(fit, ResponseFit) else [term.name for term in terms]
    margin = next((effect.margin for effect in fit.effects), None)
    how: dict[str, Any] = {"log": getattr(fit, "log", True), "conf_level": fit.conf_level, "margin": margin}
    names = [*model, *(each.name for each in more)]
    return fit_response(table, fit.response, [*terms, *more], model=names, **how)


def _orders(done: Analysis, fit: FitResult) -> Iterator[tuple[str, pd.Series]]:
    """The place of each batch in the order of making, and of testing where that was another."""
    made = done.trial.batches()["made_at"]
    making = [*(made.sort_values(kind="stable") if made.notna().all() else made).index]
    table = done.trial.settings.measure(fit.response).table
    testing = [*dict.fromkeys(done.trial.rows(table)["run"])]
    making, testing = ([run for run in some if run in fit.batches.index] for some in (making, testing))
    for name, order in {"made": making, "tested": testing}.items():
        if name == "made" or order != making:
            yield name, pd.Series(range(len(order)), order, float).reindex(fit.batches.index)


@lru_cache(maxsize=2)
def drift(done: Analysis) -> tuple[Grid | None, tuple[str, ...]]:
    """How the last batch differs from the first, made or tested; and verdicts that a clear drift turns."""
    cells, found = dict[str, dict[str, str]](), list[tuple[float, str]]()
    for response in done.responses:
        fit, measure = done.fits[response], done.trial.settings.measure(response)
        if isinstance(fit, CuringFit | ResponseFit):
            placed = {response: fit.placed} if isinstance(fit, CuringFit) else {}
            for name, places in _orders(done, fit):
                with suppress(CannotAnswer):
                    table = fit.batches.assign(**placed, **{ORDER: places})
                    again = _again(fit, table, [Amount(ORDER)])
                    (effect,) = again.of(ORDER)
                    cells.setdefault(name, {})[capital(measure.label)] = words.cell(effect, measure)
                    turned = [change.said for change in changes(done, fit, again) if change.lost]
                    said = f"{capital(measure.label)} drifted as batches were {name}; with that counted in: "
                    found.append((effect.p_value, f"{said}{turned[0]}" if turned else ""))
    clear = 0.05 / max(len(found), 1)  # nobody asked for any one of them (Bonferroni)
    told = "The last batch against the first, all else made equal, in the order in which they were"
    grid = Grid(words.wide(cells, "response", "by order"), told) if cells else None
    return grid, tuple(said for p, said in found if said and p < clear)


@lru_cache(maxsize=2)
def lost(done: Analysis) -> tuple[tuple[str, Change], ...]:
    """What changes, by response, had the lost batches had the highest number, or the lowest where there is one."""
    gone, found = _gone(done), list[tuple[str, Change]]()
    for response in done.responses:
        fit = done.fits[response]
        away = gone[~gone.index.isin(fit.batches.index)]
        if not isinstance(fit, CuringFit | ResponseFit) or not 0 < len(away) <= MOST_LOST * len(fit.batches):
            continue
        label, names = done.trial.settings.measure(response).label, listed([*map(str, away.index)])
        for end in ("highest",) if isinstance(fit, CuringFit) else ("highest", "lowest"):
            with suppress(CannotAnswer):
                for said, clear in changes(done, fit, _with_lost(fit, away, end)):
                    lead = f"Had {names} (lost) had the {end} {label} of all"
                    found.append((response, Change(f"{lead}, {said.partition(', ')[2]}", clear)))
    return tuple(found)


def losses(done: Analysis) -> Notes | None:
    """The same in sentences."""
    said = [change.said for _, change in lost(done)]
    names = listed([*map(str, _gone(done).index)])
    quiet = [f"Had {names} (lost) had the highest or the lowest numbers of all, no answer would change."]
    return Notes(said or quiet) if names else None


def _with_lost(fit: CuringFit | ResponseFit, away: pd.DataFrame, end: str) -> FitResult:
    """The fit with the lost batches back, each read like the batch at one end."""
    seen = fit.placed if isinstance(fit, CuringFit) else fit.batches[fit.response]
    worst = seen.idxmax() if end == "highest" else seen.idxmin()
    new = away.assign(**{name: fit.batches[name][worst] for name in fit.batches if name not in away})
    if isinstance(fit, ResponseFit):
        return _again(fit, pd.concat([fit.batches, new.assign(run=new.index)]))
    own = fit.brackets[fit.brackets["run"] == worst]
    pieces = pd.concat([fit.brackets, *(own.assign(run=run) for run in away.index)], ignore_index=True)
    air: Any = "vpd" if fit.air else "none"
    margin = next((effect.margin for effect in fit.effects), None)
    runs = pd.concat([fit.batches, new]).rename_axis("run")
    return fit_curing_time(pieces, fit.terms, runs=runs, air=air, margin=margin, conf_level=fit.conf_level)


def _gone(done: Analysis) -> pd.DataFrame:
    """Batches made or planned that some response has no number of, by run, with day and factors."""
    trial, terms = done.trial, done.terms
    plan = read_ledger(trial.folder / RECORDS).plan()
    rows = [trial.rows("runs"), trial.tables["runs"].left_out, pd.DataFrame(plan.runs if plan else [])]
    names = ["day", *(term.name for term in terms)]
    table = pd.concat(
        [each.set_index("run")[names].astype(str) for each in rows if {"run", *names} <= set(each)]
    )
    table = table[~table.index.duplicated()]
    for term in terms:
        if isinstance(term, Amount):
            table[term.name] = pd.to_numeric(table[term.name], errors="coerce")
        else:
            table = table[table[term.name].isin(term.levels)]
    counted = [
        set(fit.batches.index) for fit in done.fits.values() if isinstance(fit, CuringFit | ResponseFit)
    ]
    return table[~table.index.isin(set.intersection(*counted) if counted else set())].dropna()
