"""Drying: dry times from touch checks, drying curves from weighings, and what to expect of the next batch.

The array-level fit, for simulations, is `fizzlab.cure.estimation.fit_batches`.
"""

from fizzlab.cure.estimation import NotFitted, fit_batches
from fizzlab.cure.forecast import Needed, driest_needed, dry_chart, forecast_dry
from fizzlab.cure.touch import (
    DryTimeFit,
    JointTest,
    Linear,
    brackets,
    compare_distributions,
    fit_dry_time,
)

__all__ = [
    "DryTimeFit",
    "JointTest",
    "Linear",
    "Needed",
    "NotFitted",
    "brackets",
    "compare_distributions",
    "driest_needed",
    "dry_chart",
    "fit_batches",
    "fit_dry_time",
    "forecast_dry",
]
