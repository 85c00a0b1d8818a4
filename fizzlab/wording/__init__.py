"""Numbers to words: every sentence of a report is made here."""

from fizzlab.wording.numbers import count, duration, interval, listed, number, percent, ratio, ratio_interval

__all__ = ["count", "duration", "interval", "listed", "number", "percent", "ratio", "ratio_interval"]
