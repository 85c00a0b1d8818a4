"""The sections of a report: each function gives its pieces in reading order, and a notebook cell shows them."""

from fizzlab.report.parts.choose import choice, choosing
from fizzlab.report.parts.confirm import confirmed
from fizzlab.report.parts.crumble import crumble
from fizzlab.report.parts.drying import answer, cautions, dry_times, methods, next_steps
from fizzlab.report.parts.effects import in_detail, what_changed
from fizzlab.report.parts.fizz import fizz, fizz_answer
from fizzlab.report.parts.general import left_out, opening, record_block
from fizzlab.report.parts.season import across_trials, season
from fizzlab.report.parts.weighing import by_weight

__all__ = [
    "across_trials",
    "answer",
    "by_weight",
    "cautions",
    "choice",
    "choosing",
    "confirmed",
    "crumble",
    "dry_times",
    "fizz",
    "fizz_answer",
    "in_detail",
    "left_out",
    "methods",
    "next_steps",
    "opening",
    "record_block",
    "season",
    "what_changed",
]
