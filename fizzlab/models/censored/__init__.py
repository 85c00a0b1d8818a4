"""Regression of censored times on plain arrays: the one likelihood under dry times and fizz durations.

Knows nothing of drying or fizz. `sort` takes brackets and a model matrix, `fit` and `fit_batches` estimate.
"""

from fizzlab.models.censored.climb import NotFitted
from fizzlab.models.censored.estimation import ArrayFit, BatchFit, Strata, fit, fit_batches, strata
from fizzlab.models.censored.likelihood import SHAPES, Shape, sort

__all__ = [
    "SHAPES",
    "ArrayFit",
    "BatchFit",
    "NotFitted",
    "Shape",
    "Strata",
    "fit",
    "fit_batches",
    "sort",
    "strata",
]
