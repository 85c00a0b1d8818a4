"""Non-linear curve fitting shared by drying and fizz: starts, bounds, comparison, intervals."""

from fizzlab.models.curves.compare import CurveComparison, akaike_weights, compare_curves
from fizzlab.models.curves.fit import CurveFit, aicc, fit_curve
from fizzlab.models.curves.many import CurveFits, fit_many
from fizzlab.models.curves.model import CurveModel, Parameter
from fizzlab.models.curves.profile import Interval, profile_interval

__all__ = [
    "CurveComparison",
    "CurveFit",
    "CurveFits",
    "CurveModel",
    "Interval",
    "Parameter",
    "aicc",
    "akaike_weights",
    "compare_curves",
    "fit_curve",
    "fit_many",
    "profile_interval",
]
