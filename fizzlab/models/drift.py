"""Does the workshop drift? Single readings in the order of making, against how much neighbours differ.

Their spread is judged by neighbouring readings, which a slow drift hardly touches, so that the drift itself
cannot hide in it. A chart says *that* something changed and when, never what.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from fizzlab.errors import CannotAnswer

Array = NDArray[np.float64]
Rule = Literal["beyond", "jump", "eight on one side"]
Side = Literal["above", "below", "both"]

#: Mean range of two readings in standard deviations, and its upper limit in mean ranges, as tables have them.
D2, D4 = 1.128, 3.267

LEAST = 6
FEW = 20
_RUN = 8


@dataclass(frozen=True)
class Signal:
    """A rule that was broken: the reading at which it first broke, and the first one of that stretch."""

    rule: Rule
    label: object
    since: object
    side: Side


@dataclass(frozen=True)
class DriftChart:
    """Individuals and moving ranges; made by `drift_chart`.

    `table` has one row a reading: label, value, moving_range (of what is charted; nan at the first), signals
    (rules broken at it). `centre`, `low` and `high` are in the unit of the readings; `sd` and `range_high` of
    what is charted. `signals` are the first breaks of each rule on each side.
    """

    table: pd.DataFrame
    centre: float
    low: float
    high: float
    sd: float
    range_high: float
    signals: tuple[Signal, ...]


def drift_chart(values: Sequence[float], labels: Sequence[object], *, log: bool = False) -> DriftChart:
    """Chart single readings in the order of making: one number a batch or a day, `log` for times and masses.

    Refused are fewer than 6 readings, neighbours that never differ, and a logarithm of zero.

    Notes
    -----
    sd = mean moving range / 1.128; limits at the centre +- 3 sd; limit for neighbours 3.267 mean moving
    ranges (NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2; the constants for two readings from the
    ASTM tables). The rules: a reading beyond a limit, neighbours further apart than theirs, eight in a row on
    one side of the centre.

    Examples
    --------
    >>> flow = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]
    >>> chart = drift_chart(flow, range(10))
    >>> round(chart.centre, 2), round(chart.low, 2), round(chart.high, 2), chart.signals
    (50.81, 45.82, 55.8, ())
    """
    given = np.asarray(values, float)
    if len(labels) != len(given) or not np.isfinite(given).all():
        raise ValueError("values must be finite, with one label each")
    if len(given) < LEAST:
        raise CannotAnswer(
            f"There are {len(given)} readings, too few to tell how much neighbours differ.",
            f"Make the standard recipe until there are {LEAST} or more.",
        )
    if log and not (given > 0).all():
        raise CannotAnswer(
            "A reading is zero or less, so it has no logarithm.", "Chart the readings as they are."
        )
    shown = np.log(given) if log else given
    ranges = np.abs(np.diff(shown, prepend=np.nan))
    mean_range = float(ranges[1:].mean())
    if mean_range <= 1e-12 * (1 + float(np.abs(shown).max())):
        raise CannotAnswer(
            "Neighbouring readings never differ, so there is no telling how much they may.",
            "Write the readings down more finely.",
        )
    centre, sd = float(shown.mean()), mean_range / D2
    score = (shown - centre) / sd
    jumps = ranges > D4 * mean_range
    broken: list[list[str]] = [[] for _ in given]
    found: list[tuple[int, Signal]] = []
    sides: dict[Side, Array] = {"above": score, "below": -score}
    runs = {side: np.convolve(off > 0, np.ones(_RUN))[: len(off)] >= _RUN for side, off in sides.items()}
    checks: list[tuple[Rule, NDArray[np.bool_], Side, int]] = [
        *(("beyond", off > 3, side, 1) for side, off in sides.items()),
        ("jump", jumps, "both", 2),
        *(("eight on one side", run, side, _RUN) for side, run in runs.items()),
    ]
    for rule, hits, side, span in checks:
        places = np.flatnonzero(hits)
        for place in places:
            broken[place].append(rule)
        if len(places):
            first = int(places[0])
            found.append((first, Signal(rule, labels[first], labels[max(first - span + 1, 0)], side)))
    found.sort(key=lambda pair: pair[0])
    signals = ["; ".join(names) for names in broken]
    table = pd.DataFrame({"label": list(labels), "value": given, "moving_range": ranges, "signals": signals})
    ends = np.array([centre, centre - 3 * sd, centre + 3 * sd])
    middle, low, high = (np.exp(ends) if log else ends).tolist()
    signalled = tuple(signal for _, signal in found)
    return DriftChart(table, middle, low, high, sd, D4 * mean_range, signalled)
