"""The sections of a report: each function gives its pieces in reading order, and a notebook cell shows them."""

from fizzlab.sections.choose import choice, choosing
from fizzlab.sections.crumble import crumble, crumble_answer, crumbling
from fizzlab.sections.drying import answer, cautions, dry_times, drying, methods, next_steps, readings
from fizzlab.sections.effects import Tests, batch_numbers, comparing, in_detail, what_changed
from fizzlab.sections.fizz import fizz, fizz_answer, fizz_readings, fizzing
from fizzlab.sections.general import left_out, opening, record_block
from fizzlab.sections.season import across_trials, drift, not_counted, pooled, season, season_methods
from fizzlab.sections.weighing import by_weight, weighing

__all__ = [
    "Tests",
    "across_trials",
    "answer",
    "batch_numbers",
    "by_weight",
    "cautions",
    "choice",
    "choosing",
    "comparing",
    "crumble",
    "crumble_answer",
    "crumbling",
    "drift",
    "dry_times",
    "drying",
    "fizz",
    "fizz_answer",
    "fizz_readings",
    "fizzing",
    "in_detail",
    "left_out",
    "methods",
    "next_steps",
    "not_counted",
    "opening",
    "pooled",
    "readings",
    "record_block",
    "season",
    "season_methods",
    "weighing",
    "what_changed",
]
