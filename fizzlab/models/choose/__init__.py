"""Several responses at once: which recipe to keep, how sure that is, and what to make next.

`judge_settings` says of each combination with what chance a new batch of it meets every limit, and how far
it grants the wishes. `confirm` says what confirmation batches should give, `judge_confirmation` whether they
did, `next_runs` which batches would settle the rest.
"""

from __future__ import annotations

from fizzlab.models.choose.confirm import (
    Confirmation,
    Confirmed,
    confirm,
    confirmation_sizes,
    judge_confirmation,
    seen_between,
)
from fizzlab.models.choose.draws import Draws, simulate
from fizzlab.models.choose.dry_times import DryTimes
from fizzlab.models.choose.forecasters import Forecaster, OfAnalysis, Sure
from fizzlab.models.choose.further import next_runs
from fizzlab.models.choose.judge import Choice, column, grid_settings, judge_settings, tried_settings
from fizzlab.models.choose.wishes import Limit, Wish, desirability, overall

__all__ = [
    "Choice",
    "Confirmation",
    "Confirmed",
    "Draws",
    "DryTimes",
    "Forecaster",
    "Limit",
    "OfAnalysis",
    "Sure",
    "Wish",
    "column",
    "confirm",
    "confirmation_sizes",
    "desirability",
    "grid_settings",
    "judge_confirmation",
    "judge_settings",
    "next_runs",
    "overall",
    "seen_between",
    "simulate",
    "tried_settings",
]
