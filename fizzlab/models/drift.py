"""Does the workshop drift? Single readings in the order of making, against how much neighbours differ.

A batch of the standard recipe is made now and then through the season; each gives one reading. Their
spread is judged by neighbouring readings, which a slow drift hardly touches, so that the drift itself
cannot hide in it. A chart says *that* something changed and when, never what.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from fizzlab.errors import CannotAnswer

Array = NDArray[np.float64]
Rule = Literal["beyond", "jump", "two of three", "four of five", "eight on one side", "six one way"]

D2 = 1.128
"""Mean range of two readings, in standard deviations, as the tables print it."""
D4 = 3.267
"""Upper limit of the range of two readings, in mean ranges, as the tables print it."""

LEAST = 6
FEW = 20

RULES: Mapping[Rule, str] = {
    "beyond": "a reading beyond three standard deviations",
    "jump": "two neighbours further apart than the limit for neighbours",
    "two of three": "two of three in a row beyond two standard deviations, on the same side",
    "four of five": "four of five in a row beyond one standard deviation, on the same side",
    "eight on one side": "eight in a row on the same side of the centre",
    "six one way": "six in a row, each higher, or each lower, than the one before",
}
STANDARD: tuple[Rule, ...] = ("beyond", "jump", "eight on one side")


@dataclass(frozen=True)
class Signal:
    """A rule that was broken, and where.

    Parameters
    ----------
    rule : str
        Key of `RULES`.
    label : object
        The reading at which the rule first broke (the last of its window).
    since : object
        First reading of that window.
    side : {"above", "below", "both"}
    """

    rule: Rule
    label: object
    since: object
    side: Literal["above", "below", "both"]

    def __str__(self) -> str:
        where = "" if self.side == "both" else f", {self.side}"
        span = f"at {self.label}" if self.since == self.label else f"from {self.since} to {self.label}"
        return f"{RULES[self.rule][0].upper()}{RULES[self.rule][1:]}{where}, {span}."


@dataclass(frozen=True)
class DriftChart:
    """Individuals and moving ranges; made by `drift_chart`.

    Parameters
    ----------
    table : DataFrame
        One row a reading in the order of making: label, value, shown (the value as charted: its natural
        logarithm if `log`), moving_range (of shown; nan at the first and beside a gap), score (standard
        deviations from the centre), in_baseline, signals (rules broken at it, joined by "; ").
    log : bool
    centre, low, high : float
        Centre line and limits, in the unit of the readings (put back from the logarithm if `log`).
    sd : float
        Standard deviation from neighbours, of shown. On the log scale 0.1 is about 10 %.
    range_centre, range_high : float
        Mean moving range and its upper limit, of shown; with `log`, ``exp`` of it is a ratio.
    baseline : int
        How many readings the limits were worked out from.
    rules : tuple of str
    signals : tuple of Signal
        First break of each rule on each side, in the order of making.
    warnings : tuple of str
    """

    table: pd.DataFrame
    log: bool
    centre: float
    low: float
    high: float
    sd: float
    range_centre: float
    range_high: float
    baseline: int
    rules: tuple[Rule, ...]
    signals: tuple[Signal, ...]
    warnings: tuple[str, ...]

    @property
    def steady(self) -> bool:
        """Was no rule broken?"""
        return not self.signals

    def __str__(self) -> str:
        said = [f"Centre {self.centre:.4g}, limits {self.low:.4g} to {self.high:.4g}."]
        said += [str(signal) for signal in self.signals] or ["No rule was broken."]
        return "\n".join([*said, *self.warnings])


def drift_chart(
    values: Sequence[float] | Array | pd.Series,
    labels: Sequence[object] | None = None,
    *,
    log: bool = False,
    baseline: int | None = None,
    rules: Sequence[Rule] = STANDARD,
) -> DriftChart:
    """Chart single readings in the order of making.

    Parameters
    ----------
    values : sequence of float, shape (readings,)
        One number a batch: its dry time, loss, fizz time. A missing one breaks the chain: no moving range
        spans it, and no run of readings goes across it.
    labels : sequence, optional
        Names of the readings; the index of `values`, or 1, 2, 3, ... if not given.
    log : bool
        Chart the natural logarithm: for times, masses and losses.
    baseline : int, optional
        Work out the limits from the first so many readings, and judge the later ones by them. All of them
        if not given.
    rules : sequence of str
        Keys of `RULES`. Each one added finds drift sooner and cries wolf more often.

    Returns
    -------
    DriftChart

    Raises
    ------
    CannotAnswer
        Fewer than 6 readings to work out the limits from, neighbours that never differ, or a logarithm of
        zero.

    Notes
    -----
    sd = mean moving range / 1.128; limits at the centre +- 3 sd; limit for neighbours 3.267 mean moving
    ranges (NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2; the constants for two readings from the
    ASTM tables). The rules besides "jump" and "six one way" are those of the Western Electric handbook.

    Examples
    --------
    >>> flow = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]
    >>> chart = drift_chart(flow)
    >>> round(chart.centre, 2), round(chart.low, 2), round(chart.high, 2), chart.steady
    (50.81, 45.82, 55.8, True)
    """
    unknown = set(rules) - set(RULES)
    if unknown:
        raise ValueError(f"there is no rule {sorted(unknown)[0]!r}")
    given = np.asarray(values, float)
    if given.ndim != 1:
        raise ValueError("values must be one column")
    if labels is None:
        labels = list(values.index) if isinstance(values, pd.Series) else list(range(1, len(given) + 1))
    if len(labels) != len(given):
        raise ValueError("there must be one label for each value")
    if np.isinf(given).any():
        raise ValueError("values must be finite")
    if log and not (given[~np.isnan(given)] > 0).all():
        raise CannotAnswer(
            "A reading is zero or less, so it has no logarithm.", "Chart the readings as they are."
        )
    if baseline is not None and not 0 < baseline <= len(given):
        raise ValueError("baseline must lie between 1 and the number of readings")
    shown = np.log(given) if log else given
    ranges = np.concatenate([[np.nan], np.abs(np.diff(shown))]) if len(shown) else shown
    first = np.arange(len(shown)) < (baseline or len(shown))
    known = first & ~np.isnan(shown)
    used = ranges[first & ~np.isnan(ranges)]
    if known.sum() < LEAST or len(used) < LEAST - 2:
        raise CannotAnswer(
            f"There are {int(known.sum())} readings to work out the limits from, too few to tell how much "
            "neighbours differ.",
            f"Make the standard recipe until there are {LEAST} or more, with few gaps.",
        )
    mean_range = float(used.mean())
    if mean_range <= 1e-12 * (1 + float(np.abs(shown[known]).max())):
        raise CannotAnswer(
            "Neighbouring readings never differ, so there is no telling how much they may.",
            "Write the readings down more finely.",
        )
    centre, sd = float(shown[known].mean()), mean_range / D2
    score = (shown - centre) / sd
    broken, signals = _judge(score, ranges > D4 * mean_range, tuple(rules), labels)
    table = pd.DataFrame(
        {
            "label": list(labels),
            "value": given,
            "shown": shown,
            "moving_range": ranges,
            "score": score,
            "in_baseline": first,
            "signals": ["; ".join(names) for names in broken],
        }
    )
    ends = np.array([centre, centre - 3 * sd, centre + 3 * sd])
    middle, low, high = (float(end) for end in (np.exp(ends) if log else ends))
    return DriftChart(
        table=table,
        log=log,
        centre=middle,
        low=low,
        high=high,
        sd=sd,
        range_centre=mean_range,
        range_high=D4 * mean_range,
        baseline=int(known.sum()),
        rules=tuple(rules),
        signals=signals,
        warnings=_warnings(int(known.sum())),
    )


def _warnings(known: int) -> tuple[str, ...]:
    if known >= FEW:
        return ()
    return (
        f"The limits rest on {known} readings and are rough; with fewer than {FEW}, take a signal as a "
        "reason to look, not as proof.",
    )


def _window(hits: NDArray[np.bool_], needed: int, of: int) -> NDArray[np.bool_]:
    """Where `needed` of the last `of` are hits, the last one among them."""
    counts = np.convolve(hits.astype(int), np.ones(of, int))[: len(hits)]
    return hits & (counts >= needed)


def _rising(score: Array, needed: int) -> NDArray[np.bool_]:
    up = np.concatenate([[False], np.diff(score) > 0])
    return _window(up, needed - 1, needed - 1)


_SIDED: Mapping[Rule, tuple[Callable[[Array], NDArray[np.bool_]], int]] = {
    "beyond": (lambda s: s > 3, 1),
    "two of three": (lambda s: _window(s > 2, 2, 3), 3),
    "four of five": (lambda s: _window(s > 1, 4, 5), 5),
    "eight on one side": (lambda s: _window(s > 0, 8, 8), 8),
    "six one way": (lambda s: _rising(s, 6), 6),
}


def _judge(
    score: Array, jumps: NDArray[np.bool_], rules: tuple[Rule, ...], labels: Sequence[object]
) -> tuple[list[list[str]], tuple[Signal, ...]]:
    broken: list[list[str]] = [[] for _ in score]
    found: list[tuple[int, Signal]] = []

    def note(rule: Rule, hits: NDArray[np.bool_], side: Literal["above", "below", "both"], span: int) -> None:
        places = np.flatnonzero(hits)
        for place in places:
            broken[place].append(rule)
        if len(places):
            at = int(places[0])
            since = labels[max(at - span + 1, 0)]
            found.append((at, Signal(rule, labels[at], since, side)))

    for rule in rules:
        if rule == "jump":
            note(rule, jumps, "both", 2)
            continue
        check, span = _SIDED[rule]
        # a missing reading compares as false, so that no run goes across it
        note(rule, check(score), "above", span)
        note(rule, check(-score), "below", span)
    return broken, tuple(signal for _, signal in sorted(found, key=lambda pair: pair[0]))
