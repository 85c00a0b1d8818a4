"""Numbers to words: every sentence of a report is made here."""

from fizzlab.report.phrases.numbers import capital, count, duration, listed, number, percent

__all__ = ["capital", "count", "duration", "listed", "number", "percent"]
