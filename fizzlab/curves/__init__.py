"""Non-linear curve fitting shared by drying and fizz: starts, bounds, comparison, intervals."""

from fizzlab.curves.compare import CurveComparison, akaike_weights, compare_curves
from fizzlab.curves.fit import CurveFit, aicc, fit_curve
from fizzlab.curves.many import CurveFits, fit_many
from fizzlab.curves.model import CurveModel, Parameter
from fizzlab.curves.profile import Interval, profile_interval

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
