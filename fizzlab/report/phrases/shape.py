"""The shape of a response in sentences: bends, best points, shares of a mixture, effects that stand out."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd

from fizzlab.measures import Measure
from fizzlab.models.effects import Analysis, Curvature, LackOfFit, Surface, Unreplicated
from fizzlab.models.terms import Amount
from fizzlab.report.findings import Finding
from fizzlab.report.phrases.numbers import capital, listed, number, of_hundred, ratio, signed

Label = Callable[[str], str]


def curvature_finding(found: Curvature, analysis: Analysis, measure: Measure) -> Finding:
    """Whether the middle of the amounts lies where a straight line between their ends would put it."""
    ends = [found.estimate, found.low, found.high]
    value, low, high = np.exp(ends).tolist() if analysis.log else ends
    size = (
        f"{ratio(value)} times what straight lines between the ends say (95 % interval {ratio(low)} to {ratio(high)})"
        if analysis.log
        else f"{signed(value)} {measure.unit} from what straight lines between the ends say (95 % interval {signed(low)} to "
        f"{signed(high)} {measure.unit})"
    )
    sentence = (
        f"{capital(measure.label)} bends: the batches in the middle lie at {size}. Do not read off amounts in between."
        if found.p < 0.05
        else f"{capital(measure.label)}: no bend was shown. The batches in the middle lie at {size}."
    )
    unit = "ratio" if analysis.log else measure.unit
    return Finding(
        f"bend.{analysis.response}", sentence, value, low, high, unit, df=found.df, batches=analysis.batches
    )


def lack_finding(found: LackOfFit, analysis: Analysis, measure: Measure) -> Finding:
    """Whether repeated settings show that the model misses something."""
    odds = f"chance alone shows as much in {of_hundred(found.p)} trials"
    sentence = (
        f"{capital(measure.label)}: batches of one setting lie closer together than the settings lie to what was fitted, so "
        f"something is missing from it ({odds}); plan joint effects or bends too."
        if found.p < 0.05
        else f"{capital(measure.label)}: repeated settings do not show that anything is missing from what was fitted ({odds})."
    )
    return Finding(f"missing.{analysis.response}", sentence, df=found.df_pure, batches=analysis.batches)


def surface_finding(found: Surface, analysis: Analysis, measure: Measure, label: Label) -> Finding:
    """Where a curved surface is level, whether that is a best point, and whether it was tried."""
    amounts = {f.name: f for f in analysis.basis.factors if isinstance(f, Amount)}
    where = listed(
        [
            f"{label(name)} {number(value, 3)} {amounts[name].unit}".strip()
            for name, value in found.point.items()
        ]
    )
    ends = [found.mean, found.low, found.high]
    value, low, high = np.exp(ends).tolist() if analysis.log else ends
    size = f"{number(value)} {measure.unit} (95 % interval {number(low)} to {number(high)} {measure.unit})"
    kind = {
        "maximum": f"{measure.label} is greatest",
        "minimum": f"{measure.label} is least",
        "saddle": f"{measure.label} has a saddle, neither greatest nor least,",
    }[found.kind]
    said = [f"By the fitted surface, {kind} at {where}: {size}."]
    if not found.inside:
        said.append("That lies past what was tried: a direction in which to go on, not a place to trust.")
    if not found.sure:
        said.append("The trial does not settle that it is no other kind of point.")
    if found.curvatures["flat"].any():
        said.append("Along one direction it hardly changes, so other amounts do as well.")
    return Finding(
        f"surface.{analysis.response}",
        " ".join(said),
        value,
        low,
        high,
        measure.unit,
        batches=analysis.batches,
        beyond_tried=not found.inside,
    )


def mixture_findings(analysis: Analysis, measure: Measure, label: Label) -> list[Finding]:
    """What more of each part does while the others keep their proportions."""
    found = []
    for row in analysis.effects.to_dict("records"):
        part = next(f for f in analysis.basis.factors if f.name == row["term"])
        ends = [row["estimate"], row["low"], row["high"]]
        value, low, high = np.exp(ends).tolist() if analysis.log else ends
        null = 1.0 if analysis.log else 0.0
        size = (
            f"{ratio(value)} times (95 % interval {ratio(low)} to {ratio(high)})"
            if analysis.log
            else f"{signed(value)} {measure.unit} (95 % interval {signed(low)} to {signed(high)} {measure.unit})"
        )
        start = f"{capital(measure.label)}: from the least to the most {label(part.name)}, the others in proportion"
        sentence = (
            f"{start}, {size}."
            if low > null or high < null
            else f"{start}, no difference could be shown: {size}, and the readings fit anything in that interval."
        )
        found.append(
            Finding(
                f"share.{analysis.response}.{part.name}",
                sentence,
                value,
                low,
                high,
                "ratio" if analysis.log else measure.unit,
                df=float(row["df"]),
                batches=analysis.batches,
            )
        )
    return found


def standing_out(found: Unreplicated, measure: Measure, label: Label) -> Finding:
    """Which effects of a plan without repeats stand out from the crowd of small ones."""
    names = [_effect_name(name, label) for name in found.standing_out]
    crowd = (
        "No batch was repeated, so the small effects are taken for chance, and an effect counts only if it stands out from their "
        "crowd"
    )
    sentence = (
        f"{capital(measure.label)}: {listed(names)} {'stands' if len(names) == 1 else 'stand'} out. {crowd}; repeat a few "
        "batches to be surer."
        if names
        else f"{capital(measure.label)}: no effect stands out. {crowd}."
    )
    return Finding(f"stands_out.{found.response}", sentence, batches=len(found.table) + 1)


def standing_out_table(found: Unreplicated, label: Label) -> pd.DataFrame:
    """The effects of a plan without repeats, the largest first."""
    rows = []
    for name, row in found.table.iloc[::-1].iterrows():
        value = float(row["estimate"])
        also = [_effect_name(other, label) for other in str(row["also_called"]).split(", ") if other]
        rows.append(
            {
                "effect": _effect_name(str(name), label),
                "from one end to the other": f"{ratio(float(np.exp(value)))} times"
                if found.log
                else number(value),
                "stands out": "yes" if row["stands_out"] else "",
                "chance of one so large": f"{of_hundred(float(row['p_joint']))}",
                "not to be told from": listed(also),
            }
        )
    return pd.DataFrame(rows)


def _effect_name(name: str, label: Label) -> str:
    return " with ".join(label(part) for part in name.split(":"))
