"""Non-linear curve fitting shared by drying and fizz: starts, bounds, comparison, intervals."""

from fizzlab.curves.fit import CurveFit, aicc, fit_curve
from fizzlab.curves.model import CurveModel, Parameter

__all__ = ["CurveFit", "CurveModel", "Parameter", "aicc", "fit_curve"]
