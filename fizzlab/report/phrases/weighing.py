"""Dry times by weight, in sentences and tables."""

from __future__ import annotations

from typing import Any

import pandas as pd

from fizzlab.models.weighing import WeighingStudy
from fizzlab.report.findings import Finding
from fizzlab.report.phrases.numbers import count, duration, number, percent


def range_finding(study: WeighingStudy, remaining_share: float) -> Finding:
    """How long the weighed pieces took, as one sentence."""
    hours = study.pieces["hours"].dropna()
    least, middle, most = (float(value) for value in (hours.min(), hours.median(), hours.max()))
    said = (
        f"By weight, {count(len(hours), 'piece')} had {percent(remaining_share)} of their moisture left after "
        f"{duration(least)} to {duration(most)} (middle {duration(middle)})."
    )
    return Finding("weighed_dry_time.range", said, middle, least, most, "h", kind="range")


def piece_table(study: WeighingStudy, label: str) -> pd.DataFrame:
    """One row a weighed piece, with text cells; `label` names the column of the level."""
    rows = []
    for row in study.pieces.to_dict("records"):
        cells = {"batch": str(row["run"]), "piece": str(row["piece"])}
        cells |= {label: row["level"]} if label else {}
        cells["moisture"] = (
            f"{number(row['moisture_g'])} g" if row["moisture_g"] == row["moisture_g"] else "?"
        )
        cells |= {"dry after": _time(row, ""), "settled after": _time(row, "settled_")}
        rows.append(cells)
    return pd.DataFrame(rows)


def _time(row: dict[Any, Any], what: str) -> str:
    hours, low, high = (row[f"{what}{name}"] for name in ("hours", "conf_low", "conf_high"))
    if hours != hours:
        return "not known"
    guessed = ", guessed" if row[f"{what}extrapolated"] else ""
    return f"{duration(hours)} ({duration(low)} to {duration(high)}{guessed})"


def doubts(study: WeighingStudy) -> list[str]:
    """What to mind about single pieces and batches."""
    noted = study.pieces[study.pieces["note"] != ""]
    said = [f"Piece {row['piece']} of batch {row['run']}: {row['note']}" for row in noted.to_dict("records")]
    return list(dict.fromkeys([*said, *study.notes]))


def methods(remaining_share: float, loss_g_per_h: float) -> str:
    """How the dry times by weight were worked out, as a paragraph of Markdown."""
    return (
        "Each piece was fitted with Page's drying curve in grams: the mass it is heading for, the moisture it loses, rate and "
        f"shape, all together. It is dry when {percent(remaining_share)} of its moisture is left, settled when it loses less "
        f"than {number(loss_g_per_h)} g an hour (profile-likelihood intervals). A batch has the mean log time of its pieces."
    )
