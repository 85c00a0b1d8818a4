"""A finding: one sentence of the answer together with the numbers it was made from."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Finding:
    """One result, ready to be read and to be computed with.

    `topic` is a short stable name: ``"changed.dry_h.colour[lake]"``. `estimate`, `low` and `high` are in
    `unit` ("ratio", "h", ...), None where there is no number to give. `level` is the coverage of the
    interval, and `kind` whether the truth lies in it ("confidence") or the next batch ("prediction").
    """

    topic: str
    sentence: str
    estimate: float | None = None
    low: float | None = None
    high: float | None = None
    unit: str = ""
    level: float = 0.95
    kind: str = "confidence"
    df: float | None = None
    batches: int = 0
    beyond_tried: bool = False
