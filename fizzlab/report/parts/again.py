"""A trial worked out again: without doubtful readings, by the order of its batches, with the lost ones back."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from contextlib import suppress
from functools import lru_cache
from typing import Any, NamedTuple

import pandas as pd

from fizzlab.errors import CannotAnswer
from fizzlab.language import listed, say
from fizzlab.models.curing import VPD, CuringFit
from fizzlab.models.effects import ResponseFit, fit_response
from fizzlab.models.result import Effect
from fizzlab.models.terms import Amount
from fizzlab.records import read_ledger
from fizzlab.report import phrases as words
from fizzlab.report.analysis import Analysis, analyse
from fizzlab.report.page import Grid
from fizzlab.report.parts.choose import choosing
from fizzlab.report.phrases import capital
from fizzlab.trial.folder import RECORDS

#: What the place of a batch in an order is called as a term.
ORDER = "place in the order"

#: Where more batches than this share have no number, it was not meant to be measured of each.
MOST_LOST = 1 / 3


class Change(NamedTuple):
    """A verdict on a response that comes out otherwise; `clear` where it was clear before."""

    response: str
    said: str
    clear: bool


def changes(done: Analysis, before: Iterable[Effect], after: Iterable[Effect]) -> Iterator[Change]:
    """Which verdicts come out otherwise."""
    settings, now = done.settings, {effect.topic: effect for effect in after}

    def told(effect: Effect | None) -> tuple[object, str]:
        if effect is None or not (effect.shown or effect.same):
            return None, say("cant_tell_plain")
        size = words.directed(effect.estimate, effect, settings.measure(effect.response))
        return ("same", say("as_good_as_equal")) if effect.same else (effect.greater, size)

    for effect in before:
        (was, then), (state, says) = told(effect), told(now.get(effect.topic))
        if state != was and not effect.exact:
            of = say("rooms_air") if effect.factor == VPD else words.against(effect, settings.label)
            yield Change(effect.response, say("turned", of=of, says=says, then=then), was is not None)


@lru_cache(maxsize=2)
def without_doubtful(done: Analysis) -> str:
    """What comes out otherwise without the doubtful readings, and where they are; empty if nothing does."""
    trial, settings, said = done.trial, done.settings, list[str]()
    doubts = [doubt for doubt in trial.doubts if doubt.reading]
    if not doubts:
        return ""
    tables = {n for n, table in trial.tables.items() if table.where in {doubt.where for doubt in doubts}}
    whole = "runs" in tables or any(
        each.limit(name) or each.wish(name) for name, each in settings.responses.items()
    )
    only = [
        n for n, each in settings.measures().items() if whole or {each.table, *each.other_tables} & tables
    ]
    again = analyse(trial.without_doubtful(), only)
    with suppress(CannotAnswer):
        now, was = (each and each.voice.name(each.choice.best) for each in map(choosing, (again, done)))
        said += [say("keep_not", now=now, was=was)] if now and was and now != was else []
    for name in sorted(only, key=lambda name: name not in settings.about):
        fits = done.fits.get(name), again.fits.get(name)
        both = [(*fit.effects, *getattr(fit, "air_effects", ())) if fit else () for fit in fits]
        said += [f"{capital(settings.measure(name).label)}, {each.said}" for each in changes(done, *both)]
    places = [doubt.place for doubt in doubts]
    where = ", ".join(places[:2]) + (say("more_places", places=len(places) - 2) if places[2:] else "")
    return " ".join([say("check_first", n=len(places), where=where), *said[:2]]) if said else ""


class Plain(NamedTuple):
    """A fit with one number a batch; of touch checks the middle of the dry times, and verdicts these bear out."""

    fit: CuringFit | ResponseFit
    table: pd.DataFrame
    effects: Sequence[Effect]

    def again(self, table: pd.DataFrame, *more: Amount) -> ResponseFit:
        """The same on other batches, or with further terms."""
        fit, terms = self.fit, [*self.fit.terms, *getattr(self.fit, "air", ()), *more]
        own = fit.basis.terms if isinstance(fit, ResponseFit) else [term.name for term in terms]
        how: dict[str, Any] = {"log": getattr(fit, "log", True), "conf_level": fit.conf_level}
        model, margin = list(dict.fromkeys([*own, *(each.name for each in more)])), fit.effects[0].margin
        return fit_response(table, fit.response, terms, model=model, margin=margin, **how)


def plain(done: Analysis) -> Iterator[Plain]:
    """Every response with a number a batch."""
    for name in done.responses:
        fit = done.fits[name]
        if isinstance(fit, ResponseFit):
            yield Plain(fit, fit.batches, fit.effects)
        elif isinstance(fit, CuringFit):
            each = Plain(fit, fit.batches.rename_axis(None).assign(**{name: fit.placed}), fit.effects)
            with suppress(CannotAnswer):
                again = each.again(each.table).effects
                yield each._replace(effects=[e for e in fit.effects if not any(changes(done, [e], again))])


@lru_cache(maxsize=2)
def drift(done: Analysis) -> tuple[Grid | None, tuple[Change, ...]]:
    """How the last batch differs from the first, made or tested; and verdicts that a clear drift turns."""
    trial, cells, found = done.trial, dict[str, dict[str, str]](), list[tuple[float, list[Change]]]()
    made = trial.batches()["made_at"]
    order = [*(made.sort_values(kind="stable") if made.notna().all() else made).index]
    for each in plain(done):
        measure = trial.settings.measure(each.fit.response)
        seen = dict.fromkeys(trial.rows(measure.table)["run"])
        making, testing = ([run for run in some if run in each.table.index] for some in (order, seen))
        for name, runs in {"made": making, **({"tested": testing} if testing != making else {})}.items():
            with suppress(CannotAnswer):
                places = pd.Series(range(len(runs)), runs, float)
                fit = each.again(each.table.assign(**{ORDER: places}), Amount(ORDER))
                (effect,) = fit.of(ORDER)
                cells.setdefault(name, {})[capital(measure.label)] = words.cell(effect, measure)
                lead = say(f"drifted_{name}", label=capital(measure.label))
                turns = [c for c in changes(done, each.effects, fit.effects) if c.clear]
                found.append((effect.p_value, [c._replace(said=f"{lead}, {c.said}") for c in turns]))
    clear = 0.05 / max(len(found), 1)  # nobody asked for any one of them (Bonferroni)
    grid = Grid(words.wide(cells, "response", "by order"), say("last_batch")) if cells else None
    return grid, tuple(change for p, turns in found for change in turns if p < clear)


@lru_cache(maxsize=2)
def lost(done: Analysis) -> tuple[Change, ...]:
    """What changes had the lost batches had the highest or the lowest numbers; one that says so if nothing."""
    gone, found, names = _gone(done), list[Change](), set[str]()
    for each in plain(done):
        away, name = gone[~gone.index.isin(each.table.index)], each.fit.response
        if not 0 < len(away) <= MOST_LOST * len(each.table):
            continue
        names |= {*away.index}
        ends = each.table.sort_values(name)
        for end, place in (("highest", -1), ("lowest", 0)):
            with suppress(CannotAnswer):
                rest = {n: ends[n].iloc[place] for n in ends if n not in away}
                new = away.assign(**(rest | {"run": away.index}))
                turns = changes(done, each.effects, each.again(pd.concat([each.table, new])).effects)
                label = done.settings.measure(name).label
                lead = say(f"had_lost_{end}", runs=listed(sorted(away.index)), label=label)
                found += [change._replace(said=f"{lead}, {change.said}") for change in turns]
    quiet = say("had_lost_either", runs=listed(sorted(names)))
    return tuple(found or [Change("", quiet, False)]) if names else ()


def _gone(done: Analysis) -> pd.DataFrame:
    """Every batch that was made or planned, by run, with day and factors, left out or not."""
    trial, names = done.trial, ["day", *(term.name for term in done.terms)]
    plan = read_ledger(trial.folder / RECORDS).plan()
    rows = [trial.rows("runs"), trial.tables["runs"].left_out, pd.DataFrame(plan.runs if plan else [])]
    known = [each.set_index("run")[names] for each in rows if {"run", *names} <= set(each)]
    table = pd.concat([each.astype(str) for each in known])
    table = table[~table.index.duplicated()]
    for term in done.terms:
        if isinstance(term, Amount):
            table[term.name] = pd.to_numeric(table[term.name], errors="coerce")
        else:
            table = table[table[term.name].isin(term.levels)]
    return table.dropna()
