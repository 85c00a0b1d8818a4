"""Dry times by weight, in sentences and tables."""

from __future__ import annotations

from collections.abc import Hashable, Mapping

import pandas as pd

from fizzlab.errors import CannotAnswer
from fizzlab.models.cure import DriedPieces, WeighedStudy
from fizzlab.report.findings import Finding
from fizzlab.report.phrases.numbers import count, duration, listed, number, percent


def piece_findings(study: WeighedStudy, remaining_share: float) -> list[Finding]:
    """How long the weighed pieces took, as one sentence."""
    hours = study.dried.table["hours"].dropna()
    least, most = float(hours.min()), float(hours.max())
    sentence = (
        f"By weight, {count(len(hours), 'piece')} of {count(int(study.times['hours'].count()), 'batch', 'batches')} "
        f"had {percent(remaining_share)} of their moisture left after {duration(least)} to {duration(most)} "
        f"(middle {duration(float(hours.median()))})."
    )
    return [
        Finding("weighed_dry_time.range", sentence, float(hours.median()), least, most, "h", kind="range")
    ]


def piece_table(study: WeighedStudy, label: str) -> pd.DataFrame:
    """One row a weighed piece, with text cells; `label` names the column of the level."""
    rows = []
    constant = study.constant.table if isinstance(study.constant, DriedPieces) else None
    for place, row in enumerate(study.dried.table.to_dict("records")):
        cells = {"batch": str(row["run"]), "piece": str(row["piece"])}
        if label:
            cells[label] = study.levels[row["run"]]
        cells["moisture"] = (
            f"{number(row['moisture_g'])} g" if row["moisture_g"] == row["moisture_g"] else "?"
        )
        cells |= {"dry after": _time(row), "95 % interval": _span(row)}
        if constant is not None:
            settled = constant.iloc[place].to_dict()
            cells |= {"settled after": _time(settled), "95 % interval of that": _span(settled)}
        rows.append(cells)
    return pd.DataFrame(rows)


def _time(row: Mapping[Hashable, object]) -> str:
    hours = float(str(row["hours"]))
    if hours != hours:
        return "not known"
    return duration(hours) + (" (guessed)" if row["extrapolated"] else "")


def _span(row: Mapping[Hashable, object]) -> str:
    low, high = float(str(row["low"])), float(str(row["high"]))
    return "" if low != low or high != high else f"{duration(low)} to {duration(high)}"


def doubts(study: WeighedStudy) -> list[str]:
    """What to mind about single pieces and batches."""
    said = [
        f"Piece {row['piece']} of batch {row['run']}: {row['note']}"
        for row in study.dried.table.to_dict("records")
        if row["note"]
    ]
    if isinstance(study.constant, CannotAnswer):
        said.append(f"When the mass had settled cannot be told. {study.constant}")
    model = study.model
    said += (
        [f"No effect by weight can be given. {model}"]
        if isinstance(model, CannotAnswer)
        else list(model.notes)
    )
    return list(dict.fromkeys(said))


def methods(study: WeighedStudy, remaining_share: float, loss_g_per_h: float) -> str:
    """How the dry times by weight were worked out, as a paragraph of Markdown."""
    favoured = study.dried.table["favoured"].value_counts()
    named = listed([f"{name} for {count(int(many), 'piece')}" for name, many in favoured.items() if name])
    return (
        "Each weighed piece was fitted with a drying curve in grams: the mass it is heading for, the moisture it loses "
        "on the way, the rate and the shape (Page's curve), all estimated together, so that the last weighing is not "
        f"taken for the end. A piece counts as dry when {percent(remaining_share)} of its moisture is left, and as "
        f"settled when it loses less than {number(loss_g_per_h)} g an hour. Of Page's curve and the plain exponential, "
        f"the smaller Akaike criterion (AICc) favours {named}; times are read off Page's throughout, which assumes "
        "less. Intervals of a piece are profile-likelihood intervals. Batches were then compared as above, each with "
        "the mean log time of its pieces."
    )
