"""Numbers to words: every sentence of a report is made here."""

from fizzlab.report.phrases.numbers import (
    capital,
    count,
    duration,
    interval,
    listed,
    number,
    percent,
    ratio,
    ratio_interval,
)

__all__ = [
    "capital",
    "count",
    "duration",
    "interval",
    "listed",
    "number",
    "percent",
    "ratio",
    "ratio_interval",
]
