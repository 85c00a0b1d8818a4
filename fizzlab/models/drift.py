"""Does the workshop drift? Single readings in order, against how much neighbours differ."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal, NamedTuple

import numpy as np
import pandas as pd

from fizzlab.errors import cannot

Rule = Literal["beyond", "jump", "eight on one side"]
Side = Literal["above", "below", "both"]

#: Mean range of two readings in standard deviations, and its upper limit in mean ranges, as tables have them.
D2, D4 = 1.128, 3.267

LEAST = 6
FEW = 20
_RUN = 8


class Signal(NamedTuple):
    """A rule that was broken: the reading at which it first broke, and the first one of that stretch."""

    rule: Rule
    label: object
    since: object
    side: Side


class DriftChart(NamedTuple):
    """Individuals (`centre`, `low`, `high`) and moving ranges; `sd` is in the unit of what is charted."""

    table: pd.DataFrame
    centre: float
    low: float
    high: float
    sd: float
    signals: tuple[Signal, ...]


def drift_chart(values: Sequence[float], labels: Sequence[object], *, log: bool = False) -> DriftChart:
    """Chart single readings in the order of making, `log` for times and masses; refused are fewer than 6.

    Centre +- 3 mean ranges / 1.128, neighbours at 3.267 mean ranges (NIST/SEMATECH e-Handbook, 6.3.2.2);
    eight in a row on one side.
    """
    given = np.asarray(values, float)
    if len(given) < LEAST:
        raise cannot("drift_few", n=len(given), least=LEAST)
    shown = np.log(given) if log else given
    ranges = np.abs(np.diff(shown, prepend=np.nan))
    mean_range = float(ranges[1:].mean())
    if mean_range <= 1e-12 * (1 + float(np.abs(shown).max())):
        raise cannot("drift_flat")
    centre, sd = float(shown.mean()), mean_range / D2
    broken: list[list[str]] = [[] for _ in given]
    found: list[tuple[int, Signal]] = []

    def check(rule: Rule, hits: np.ndarray, side: Side, span: int) -> None:
        places = np.flatnonzero(hits)
        for place in places:
            broken[place].append(rule)
        if len(places):
            first = int(places[0])
            found.append((first, Signal(rule, labels[first], labels[max(first - span + 1, 0)], side)))

    sides: dict[Side, np.ndarray] = {"above": (shown - centre) / sd, "below": (centre - shown) / sd}
    for side, off in sides.items():
        check("beyond", off > 3, side, 1)
    check("jump", ranges > D4 * mean_range, "both", 2)
    for side, off in sides.items():
        run = np.convolve(off > 0, np.ones(_RUN))[: len(off)]
        check("eight on one side", run >= _RUN, side, _RUN)
    signals = ["; ".join(names) for names in broken]
    table = pd.DataFrame({"label": list(labels), "value": given, "moving_range": ranges, "signals": signals})
    ends = np.array([centre, centre - 3 * sd, centre + 3 * sd])
    signalled = tuple(signal for _, signal in sorted(found, key=lambda pair: pair[0]))
    middle, low, high = (np.exp(ends) if log else ends).tolist()
    return DriftChart(table, middle, low, high, sd, signalled)
