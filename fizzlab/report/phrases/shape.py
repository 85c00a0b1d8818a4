"""The shape of a response in sentences: bends, best amounts, shares of a mixture."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

import numpy as np

from fizzlab.measures import Measure
from fizzlab.models.effects import ResponseFit
from fizzlab.models.surfaces import Best
from fizzlab.models.terms import level_name
from fizzlab.report.findings import Finding
from fizzlab.report.phrases.effects import sentence
from fizzlab.report.phrases.numbers import capital, listed, number, signed

Label = Callable[[str], str]


def bend_finding(found: Mapping[str, float], fit: ResponseFit, measure: Measure) -> Finding:
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


def best_finding(found: Best, fit: ResponseFit, measure: Measure, label: Label) -> Finding:
    """At which of the amounts tried a response is greatest or least, and between which that lies."""
    terms = {term.name: term for term in fit.terms}
    places = []
    for name, amount in found.point.items():
        said = f"{level_name(terms[name], amount)} of {label(name)}"
        if found.inside:
            low, high = (level_name(terms[name], end) for end in found.ends[name])
            tried = fit.batches[name]
            whole = np.allclose(found.ends[name], (tried.min(), tried.max()))
            said += " (any tried is possible)" if whole else f" ({low} to {high})"
        places.append(said)
    value, low_end, high_end = _back([found.estimate, found.conf_low, found.conf_high], fit)
    size = f"{number(value)} {measure.unit}".strip() + f" ({number(low_end)} to {number(high_end)})"
    way = f"{capital(measure.label)} is {'greatest' if found.greatest else 'least'}"
    told = f"{way} at {listed(places)}: {size}."
    if not found.inside:
        told = f"{way} at the edge of what was tried, {listed(places)}: {size}. Try past that edge."
    return Finding(
        f"best.{fit.response}", told, value, low_end, high_end, measure.unit, batches=fit.n_batches
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


def _back(ends: Sequence[float], fit: ResponseFit) -> tuple[float, float, float]:
    value, low, high = np.exp(ends).tolist() if fit.log else ends
    return value, low, high
