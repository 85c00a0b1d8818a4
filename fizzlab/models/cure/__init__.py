"""Drying: touch checks, forecasts, and both joined to the room's air."""

from fizzlab.models.censored.estimation import NotFitted, fit_batches
from fizzlab.models.cure.drying import (
    EXPONENTIAL,
    PAGE,
    DryingTime,
    PieceDrying,
    fit_piece,
    moisture_left,
    other_names,
    scale_step,
    time_to_constant,
    time_to_share,
)
from fizzlab.models.cure.drying_batches import DriedPieces, batch_dry_times, dry_pieces, regress_dry_time
from fizzlab.models.cure.forecast import Needed, driest_needed, dry_chart, forecast_dry
from fizzlab.models.cure.order import SeenOrder, seen_order
from fizzlab.models.cure.study import DryingStudy, WeighedStudy, study_touch, study_weighings
from fizzlab.models.cure.touch import (
    DryTimeFit,
    JointTest,
    Linear,
    brackets,
    compare_distributions,
    fit_dry_time,
)

__all__ = [
    "EXPONENTIAL",
    "PAGE",
    "DriedPieces",
    "DryTimeFit",
    "DryingStudy",
    "DryingTime",
    "JointTest",
    "Linear",
    "Needed",
    "NotFitted",
    "PieceDrying",
    "SeenOrder",
    "WeighedStudy",
    "batch_dry_times",
    "brackets",
    "compare_distributions",
    "driest_needed",
    "dry_chart",
    "dry_pieces",
    "fit_batches",
    "fit_dry_time",
    "fit_piece",
    "forecast_dry",
    "moisture_left",
    "other_names",
    "regress_dry_time",
    "scale_step",
    "seen_order",
    "study_touch",
    "study_weighings",
    "time_to_constant",
    "time_to_share",
]
