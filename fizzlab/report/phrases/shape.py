"""The shape of a response in sentences: bends, best points, shares of a mixture, effects that stand out."""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np
import pandas as pd

from fizzlab.measures import Measure
from fizzlab.models.effects import ResponseFit
from fizzlab.models.surfaces import Surface
from fizzlab.models.terms import level_name
from fizzlab.report.findings import Finding
from fizzlab.report.phrases.effects import sentence
from fizzlab.report.phrases.numbers import capital, listed, number, of_hundred, percent, signed

Label = Callable[[str], str]


def curvature_finding(found: Mapping[str, float], fit: ResponseFit, measure: Measure) -> Finding:
    """Whether the middle of the amounts lies where a straight line between their ends would put it."""
    value, low, high = _back([found["estimate"], found["conf_low"], found["conf_high"]], fit)
    told = [
        f"{(v - 1) * 100:+.0f} %" if fit.log else f"{signed(v)} {measure.unit}".strip()
        for v in (value, low, high)
    ]
    size = f"batches in the middle lie {told[0]} off the straight line ({told[1]} to {told[2]})"
    said = (
        f"{capital(measure.label)} bends: {size}. Do not read off amounts in between."
        if found["p_value"] < 0.05
        else f"No sign that {measure.label} bends: {size}."
    )
    unit = "ratio" if fit.log else measure.unit
    return Finding(
        f"bend.{fit.response}", said, value, low, high, unit, df=found["df"], batches=fit.n_batches
    )


def lack_finding(found: Mapping[str, float], fit: ResponseFit, measure: Measure) -> Finding:
    """Whether repeated settings show that the model misses something."""
    said = (
        f"{capital(measure.label)}: something is missing from what was fitted; plan joint effects or bends too (chance alone "
        f"shows as much in {of_hundred(found['p_value'])} trials)."
        if found["p_value"] < 0.05
        else f"{capital(measure.label)}: repeated batches show no sign of anything missing from what was fitted."
    )
    return Finding(f"missing.{fit.response}", said, df=found["df_den"], batches=fit.n_batches)


def surface_finding(found: Surface, fit: ResponseFit, measure: Measure, label: Label) -> Finding:
    """Where a curved surface is level, whether that is a best point, and whether it was tried."""
    terms = {term.name: term for term in fit.terms}
    where = listed(
        [f"{level_name(terms[name], value)} of {label(name)}" for name, value in found.point.items()]
    )
    value, low, high = _back([found.estimate, found.conf_low, found.conf_high], fit)
    kind = {
        "maximum": "is greatest",
        "minimum": "is least",
        "saddle": "has a saddle, neither greatest nor least,",
    }
    said = [
        f"{capital(measure.label)} {kind[found.kind]} at {where}: {number(value)} {measure.unit} ({number(low)} to "
        f"{number(high)})."
    ]
    if not found.inside:
        said.append("That lies past what was tried: a direction to go, not a place to trust.")
    if not found.sure:
        said.append("It could still be another kind of point.")
    if found.curvatures["flat"].any():
        said.append("Along one direction it hardly changes, so other amounts do as well.")
    return Finding(
        f"surface.{fit.response}",
        " ".join(said),
        value,
        low,
        high,
        measure.unit,
        batches=fit.n_batches,
        beyond_tried=not found.inside,
    )


def mixture_findings(fit: ResponseFit, measure: Measure, label: Label) -> list[Finding]:
    """What more of each part does while the others keep their proportions."""
    return [
        Finding(
            f"share.{fit.response}.{effect.factor}",
            sentence(effect, measure, label),
            effect.estimate,
            effect.conf_low,
            effect.conf_high,
            "ratio" if fit.log else measure.unit,
            df=effect.df,
            batches=fit.n_batches,
        )
        for effect in fit.effects
    ]


def standing_out(found: pd.DataFrame, response: str, measure: Measure, label: Label) -> Finding:
    """Which effects of a plan without repeats stand out from the crowd of small ones."""
    names = [_effect_name(str(name), label) for name in found.index[found["stands_out"]]]
    stand = (
        f"{listed(names)} {'stands' if len(names) == 1 else 'stand'} out" if names else "no effect stands out"
    )
    said = (
        f"{capital(measure.label)}: {stand}. No batch was repeated, so the small effects are taken for chance; repeat a few "
        "batches to be surer."
    )
    return Finding(f"stands_out.{response}", said, batches=len(found) + 1)


def standing_out_table(found: pd.DataFrame, log: bool, label: Label) -> pd.DataFrame:
    """The effects of a plan without repeats, the largest first."""
    rows = []
    for name, row in found.iterrows():
        value = float(row["estimate"])
        also = [_effect_name(other, label) for other in str(row["also_called"]).split(", ") if other]
        rows.append(
            {
                "effect": _effect_name(str(name), label),
                "from one end to the other": percent(np.expm1(value)) if log else signed(value),
                "stands out": "yes" if row["stands_out"] else "",
                "chance of one so large": of_hundred(float(row["p_joint"])),
                "not to be told from": listed(also),
            }
        )
    return pd.DataFrame(rows)


def _back(ends: list[float], fit: ResponseFit) -> tuple[float, float, float]:
    value, low, high = np.exp(ends).tolist() if fit.log else ends
    return value, low, high


def _effect_name(name: str, label: Label) -> str:
    return " with ".join(label(part) for part in name.split(":"))
