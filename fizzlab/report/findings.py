"""A finding: one sentence of the answer together with the numbers it was made from."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Finding:
    """One result, ready to be read and to be computed with.

    Parameters
    ----------
    topic : str
        What it is about, as a short stable name: ``"dry_time.colour[lake]"``.
    sentence : str
        The finding in plain words, with interval and unit.
    estimate, low, high : float or None
        The number and its interval; None where there is no number to give.
    unit : str
        Unit of the three: ``"ratio"``, ``"h"``, ``"kPa"``, ...
    level : float
        Coverage of the interval.
    kind : str
        ``"confidence"`` (where the truth lies) or ``"prediction"`` (where the next batch will lie).
    df : float or None
        Degrees of freedom behind the interval.
    batches : int
        Batches it rests on.
    beyond_tried : bool
        Does it reach past the air or amounts that were tried?
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
