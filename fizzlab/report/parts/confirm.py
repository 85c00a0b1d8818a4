"""Confirmation batches in a folder of their own: did the choice of another trial come out as forecast?"""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import replace
from functools import lru_cache
from typing import Any

import numpy as np
import pandas as pd

from fizzlab.errors import CannotAnswer, cannot
from fizzlab.language import listed, say
from fizzlab.models.air import MEANS
from fizzlab.models.choose import Choice
from fizzlab.models.curing import VPD, CuringFit, TouchStudy, with_air
from fizzlab.models.terms import Category
from fizzlab.report import phrases as words
from fizzlab.report.analysis import Analysis, analyse
from fizzlab.report.page import Finding, Findings
from fizzlab.report.parts.choose import Row, Voice, choosing, nothing_confirmed
from fizzlab.report.parts.general import Pieces, caution, plain, standing
from fizzlab.report.phrases import capital, spoken

TITLE = "did_come_out"


@lru_cache(maxsize=2)
def _seen(done: Analysis) -> tuple[Voice, list[dict[str, Any]], list[str]]:
    """Every response of the confirmation batches beside its forecast; CannotAnswer where there is none."""
    original = done.trial.confirms
    assert original is not None
    chosen = choosing(analyse(original))
    if chosen is None:
        raise cannot("trial_states", code=original.settings.code)
    seen, notes = beside(done, chosen.choice)
    if not seen:
        raise cannot("no_batch_can", why=" ".join(notes))
    return chosen.voice, seen, notes


def came_out(done: Analysis) -> list[str]:
    """The verdict on confirmation batches."""
    try:
        voice, seen, _ = _seen(done)
    except CannotAnswer as reason:
        return [say("cant_tell_why", why=spoken(str(reason), done.settings))]
    called = [(voice.settings.measure(each["response"]).label, each) for each in seen]
    named = ((label, voice.name(each)) for label, each in called if not each["agrees"])
    if wrong := [say("response_of", label=label, name=name) for label, name in named]:
        return [say("no_did_not", wrong=listed(wrong)), say("make_once")]
    vague = list(dict.fromkeys(label for label, each in called if not each["confirms"]))
    if not any(s["confirms"] for s in seen):
        return [say("cant_tell_why", why=nothing_confirmed(vague))]
    return [say("yes_confirmation"), *([nothing_confirmed(vague)] if vague else [])]


@standing
def confirmed(done: Analysis) -> Pieces:
    """A sentence a response of confirmation batches; nothing for other trials."""
    original = done.trial.confirms
    if original is None:
        return []
    settings = original.settings
    try:
        voice, seen, notes = _seen(done)
    except CannotAnswer:
        return []
    return [
        say(TITLE),
        plain(say("these_batches", title=settings.title, code=settings.code)),
        Findings([_came_out(each, voice) for each in seen], kind="plain"),
        caution(notes),
    ]


def _came_out(row: Row, voice: Voice) -> Finding:
    """One response of confirmation batches: what was seen, the bounds, and whether they agree."""
    measure, low, high = voice.settings.measure(row["response"]), row["seen_low"], row["seen_high"]
    batches, bounds = int(row["batches"]), (row["conf_low"], row["conf_high"])
    seen, meant = (words.between(*ends, measure.unit) for ends in ((low, high), bounds))
    label, many = capital(measure.label), say("n_batches", n=batches)
    told = {"what": say("mean_of_batches", label=label, name=voice.name(row), batches=many)}
    told |= {"seen": seen, "meant": meant, "past": "" if row["confirms"] else say("past_limit")}
    text = say("as_forecast" if row["agrees"] else "not_forecast", **told)
    text += "" if row["kept"] is None else say("kept_limit", kept=row["kept"], batches=batches)
    more = {"df": float(row["df"]), "batches": batches, "unit": measure.unit}
    more |= {"estimate": low if low == high else None, "low": bounds[0], "high": bounds[1]}
    found = voice.found("confirmed", row, text, **more)
    return replace(found, topic=f"{found.topic}.{row['response']}")


def beside(done: Analysis, choice: Choice) -> tuple[list[dict[str, Any]], list[str]]:
    """Each response of each combination beside its forecast, and what is missing.

    Of the mean of the batches seen_low and seen_high, as far as looks tell; kept (how many kept the limit,
    where that is known); agrees, and confirms (do the bounds lie within the limit?).
    """
    settings = done.settings
    tables = {name: done.trial.rows(name) for name in settings.tables()}
    made = with_air(tables, "vpd").reset_index()
    found, notes = list[dict[str, Any]](), list[str]()
    for _, group in made.groupby(choice.factors, sort=False):
        if not all(group[t.name].iloc[0] in t.levels for t in choice.terms if isinstance(t, Category)):
            notes.append(say("batch_no_combination", runs=", ".join(group["run"])))
            continue
        for name in choice.confirm(1, setting=group.iloc[0][choice.factors].to_dict()).index:
            try:
                seen, more = _beside(done, choice, str(name), group)
                found.append(seen)
            except CannotAnswer as reason:
                more = [spoken(str(reason), settings)]
            notes += [f"{capital(settings.measure(str(name)).label)}: {each}" for each in more]
    return found, list(dict.fromkeys(notes))


def _beside(
    done: Analysis, choice: Choice, name: str, group: pd.DataFrame
) -> tuple[dict[str, Any], list[str]]:
    study, numbers = done.study(name), done.batches.set_index("run")
    looks = study.brackets if isinstance(study, TouchStudy) else pd.DataFrame(columns=["run"])
    looks = looks[looks["run"].isin(group["run"])]
    values = numbers[name].reindex(group["run"]).dropna() if name in numbers else pd.Series(dtype=float)
    there = group[group["run"].isin(set(looks["run"]) if len(looks) else set(values.index))]
    if there.empty:
        raise done.reasons.get(name) or cannot("not_measured_here")
    setting, met_air = there.iloc[0][choice.factors].to_dict(), dict[Hashable, Any]()
    if set(MEANS) <= set(there) and there[list(MEANS)].notna().all(axis=None):
        met_air = there[list(MEANS)].mean().to_dict() | {VPD: float(np.exp(np.log(there[VPD]).mean()))}
    days = int(there["day"].nunique())
    bounds = choice.confirm(len(there), days, setting=setting | met_air).loc[name].to_dict()
    fit = choice.fits[name]
    notes = list(fit.forecast(pd.DataFrame([setting | met_air])).notes)
    if isinstance(fit, CuringFit) and fit.air and not met_air:
        notes.append(say("air_these"))
    limit = next((each for each in choice.limits if each.response == name), None)
    kept = None
    if len(looks):
        # between which times the geometric mean lies: pieces are averaged in each batch, then the batches
        with np.errstate(divide="ignore"):
            logs = looks[["lower", "upper"]].astype(float).apply(np.log).groupby(looks["run"]).mean()
        low, high = np.exp(logs.mean())
        if limit is not None and limit.at_most is not None:
            kept = int((looks.groupby("run")["upper"].max() <= limit.at_most).sum())
    else:
        low = high = float(np.exp(np.log(values).mean()) if bounds["log"] else values.mean())
        kept = None if limit is None else int(limit.met(values.to_numpy(float)).sum())
    agrees = low <= bounds["conf_high"] and high >= bounds["conf_low"]
    seen = {"response": name, "seen_low": low, "seen_high": high, "batches": len(there), "kept": kept}
    return {str(key): each for key, each in (setting | bounds | seen | {"agrees": agrees}).items()}, notes
