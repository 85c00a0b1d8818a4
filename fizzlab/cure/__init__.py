"""Drying: touch checks, forecasts, and both joined to the room's air."""

from fizzlab.cure.estimation import NotFitted, fit_batches
from fizzlab.cure.forecast import Needed, driest_needed, dry_chart, forecast_dry
from fizzlab.cure.study import DryingStudy, level_name, study_touch
from fizzlab.cure.touch import DryTimeFit, JointTest, Linear, brackets, compare_distributions, fit_dry_time

__all__ = [
    "DryTimeFit",
    "DryingStudy",
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
    "level_name",
    "study_touch",
]
