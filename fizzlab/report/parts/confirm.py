"""Confirmation batches in a folder of their own: did the choice of another trial come out as forecast?"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from fizzlab.errors import CannotAnswer
from fizzlab.models import air
from fizzlab.models.terms import Category
from fizzlab.models.touch import brackets
from fizzlab.report.analysis import Analysed
from fizzlab.report.page import Findings, Grid, Notes
from fizzlab.report.parts.drying import spoken
from fizzlab.report.parts.general import Pieces, plain
from fizzlab.trial.folder import Trial

if TYPE_CHECKING:
    from fizzlab.models.choose import Forecaster, Limit
    from fizzlab.report.parts.choose import Chosen


@dataclass(frozen=True)
class Seen:
    """One response of one combination beside its forecast.

    Parameters
    ----------
    setting : Series
    response : str
    low, high : float
        Bounds of the mean of the batches.
    seen_low, seen_high : float
        The mean, between these two where it was seen only between looks.
    batches, days : int
    df : float
    kept : int or None
        Batches that were seen to keep to the limit.
    """

    setting: pd.Series
    response: str
    low: float
    high: float
    seen_low: float
    seen_high: float
    batches: int
    days: int
    df: float
    kept: int | None

    @property
    def agrees(self) -> bool:
        """Can the mean lie within the bounds?"""
        return self.seen_low <= self.high and self.seen_high >= self.low


@dataclass(frozen=True)
class Outcome:
    """What confirmation batches gave, beside what the trial that chose them let expect.

    Parameters
    ----------
    chosen : Chosen
        The choice of that trial.
    original : Trial
    seen : tuple of Seen
    notes : tuple of str
    """

    chosen: Chosen
    original: Trial
    seen: tuple[Seen, ...]
    notes: tuple[str, ...]


def judge_batches(done: Analysed, chosen: Chosen, original: Trial) -> Outcome:
    """Set the batches of `trial` beside the forecasts of the trial that chose them.

    Raises
    ------
    CannotAnswer
        No batch is of a combination that can be forecast, or none has a number.
    """
    trial = done.trial
    runs = trial.rows("runs")
    numbers, notes = done.batches, [f"{name}: {reason}" for name, reason in done.reasons.items()]
    looks = brackets(trial.rows("touch_checks")) if trial.has("touch_checks") else pd.DataFrame()
    known = _air(trial)
    limits = {limit.response: limit for limit in chosen.choice.limits}
    found: list[Seen] = []
    for _, group in runs.groupby(list(chosen.choice.factors), sort=False):
        setting = group.iloc[0][list(chosen.choice.factors)]
        if not _foreseen(chosen.given, setting):
            notes.append(f"Batch {', '.join(group['run'])} is of no combination that was forecast.")
            continue
        for each in chosen.given:
            if each.chance:
                one = _seen(each, chosen, setting, group, numbers, looks, known, limits, notes)
                found += [one] if one is not None else []
    if not found:
        raise CannotAnswer(
            f"No batch here can be set beside the forecasts. {' '.join(notes)}".strip(),
            "Make batches of the combination that was chosen, and measure what has a limit or a wish.",
        )
    return Outcome(chosen, original, tuple(found), tuple(dict.fromkeys(notes)))


def _seen(
    given: Forecaster,
    chosen: Chosen,
    setting: pd.Series,
    group: pd.DataFrame,
    numbers: pd.DataFrame,
    looks: pd.DataFrame,
    known: pd.DataFrame,
    limits: Mapping[str, Limit],
    notes: list[str],
) -> Seen | None:
    from fizzlab.models.choose import confirm, seen_between

    name, limit = given.response, limits.get(given.response)
    mine = looks[looks["run"].isin(group["run"])] if name == "dry_h" and len(looks) else pd.DataFrame()
    if name == "dry_h":
        there = group[group["run"].isin(set(mine["run"]))] if len(mine) else group.head(0)
    else:
        values = numbers.set_index("run")[name] if name in numbers else pd.Series(dtype=float)
        values = values.reindex(group["run"]).dropna()
        there = group[group["run"].isin(values.index)]
    if there.empty:
        notes.append(f"{name} was not measured on these batches.")
        return None
    days = int(there["day"].nunique())
    used = [_in_this_air(each, known.reindex(there["run"]), notes) for each in chosen.given]
    rows = confirm(used, setting, len(there), days=days).table.to_dict("index")
    told = rows[name]
    notes += next(each.notes for each in used if each.response == name)
    kept = None
    if name == "dry_h":
        low, high = seen_between(mine)
        if limit is not None and limit.at_most is not None:
            kept = int((mine.groupby("run")["upper"].max() <= limit.at_most).sum())
    else:
        logs = np.log(values) if bool(told["log"]) else values
        low = high = float(np.exp(logs.mean()) if bool(told["log"]) else logs.mean())
        kept = None if limit is None else int(limit.met(values.to_numpy(float)).sum())
    return Seen(
        setting,
        name,
        float(told["low"]),
        float(told["high"]),
        low,
        high,
        len(there),
        days,
        float(told["df"]),
        kept,
    )


def _foreseen(given: tuple[Forecaster, ...], setting: pd.Series) -> bool:
    return all(
        setting[factor.name] in factor.levels
        for each in given
        for factor in each.factors
        if isinstance(factor, Category)
    )


def _air(trial: Trial) -> pd.DataFrame:
    """The air that each batch dried in, by run; empty where it is not known."""
    if not trial.has("room_log"):
        return pd.DataFrame()
    return air.batch_air(*(trial.rows(name) for name in ("runs", "touch_checks", "weighings", "room_log")))


def _in_this_air(given: Forecaster, known: pd.DataFrame, notes: list[str]) -> Forecaster:
    """A forecast of dry times for the air that these batches met, where it is known of all."""
    from fizzlab.models.choose import DryTimes

    if not isinstance(given, DryTimes) or not given.fit.air:
        return given
    names = [term.name for term in given.fit.air]
    if not set(names) <= set(known.columns) or known[names].isna().any().any():
        notes.append("The air of these batches is not known, so the bounds of dry times are for other air.")
        return given
    means = {
        term.name: float(np.exp(np.log(known[term.name]).mean()) if term.log else known[term.name].mean())
        for term in given.fit.air
    }
    return replace(given, fit=replace(given.fit, typical={**given.fit.typical, **means}))


TITLE = "## Did it come out as forecast?"


def outcome(trial: Trial, found: Outcome) -> Pieces:
    """The verdict on confirmation batches: a sentence a response, a table, and what to do."""
    from fizzlab.report.phrases import choose as worded

    original = found.original.settings
    chosen = found.chosen
    terms = {factor.name: factor for each in chosen.given for factor in each.factors}
    voice = worded.Voice(
        tuple(terms[name] for name in chosen.choice.factors),
        original.label,
        original.measure,
        chosen.dry_share,
    )
    told = [worded.came_out(each, voice) for each in found.seen]
    names = {each.response: original.measure(each.response).label for each in found.seen}
    notes = [worded.relabelled(line, names, original.measure) for line in found.notes]
    return [
        TITLE,
        plain(f"These batches confirm the choice of the trial “{original.title}” ({original.code})."),
        Notes([worded.verdict(found.seen, voice)], "answer"),
        Findings(told, kind="plain"),
        Grid(worded.outcome_table(found.seen, voice), "Seen beside what was forecast"),
        Notes([spoken(line, trial) for line in notes], "caution") if notes else None,
    ]
