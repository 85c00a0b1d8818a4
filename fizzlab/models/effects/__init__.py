"""What each factor of a trial does, with the error that judges it.

`analyse` fits one response of a designed trial and chooses, from how the batches hang together, which
error judges which effect. The other functions take its result: adjusted means and comparisons, sameness
within a margin, the shape of the surface, what the residuals advise. `prepare`, `fit_many`, `contrast` and
`f_test` are the same engine on plain arrays, for simulations.
"""

from __future__ import annotations

from fizzlab.models.effects.advice import OddBatches, PowerAdvice, odd_batches, power_advice
from fizzlab.models.effects.analysis import Analysis, analyse
from fizzlab.models.effects.basis import FactorBasis, factor_basis, model_terms
from fizzlab.models.effects.contrasts import contrast, f_test
from fizzlab.models.effects.means import (
    Comparisons,
    adjusted_means,
    against_control,
    all_pairs,
    as_if_alike,
    predict,
)
from fizzlab.models.effects.mixture import MixtureBasis, analyse_mixture
from fizzlab.models.effects.sameness import Sameness, same_within
from fizzlab.models.effects.shape import (
    Curvature,
    LackOfFit,
    Surface,
    could_be_level,
    curvature,
    lack_of_fit,
    surface,
)
from fizzlab.models.effects.structure import Structure, block_columns, choose_structure, group_codes
from fizzlab.models.effects.study import (
    Change,
    changes_of,
    fit_response,
    mostly_by_days,
    ratio_limits,
    set_for_days,
)
from fizzlab.models.effects.unreplicated import Unreplicated, pseudo_standard_error, unreplicated
from fizzlab.models.effects.variance import Fits, Layout, NotEstimable, fit_many, prepare

__all__ = [
    "Analysis",
    "Change",
    "Comparisons",
    "Curvature",
    "FactorBasis",
    "Fits",
    "LackOfFit",
    "Layout",
    "MixtureBasis",
    "NotEstimable",
    "OddBatches",
    "PowerAdvice",
    "Sameness",
    "Structure",
    "Surface",
    "Unreplicated",
    "adjusted_means",
    "against_control",
    "all_pairs",
    "analyse",
    "analyse_mixture",
    "as_if_alike",
    "block_columns",
    "changes_of",
    "choose_structure",
    "contrast",
    "could_be_level",
    "curvature",
    "f_test",
    "factor_basis",
    "fit_many",
    "fit_response",
    "group_codes",
    "lack_of_fit",
    "model_terms",
    "mostly_by_days",
    "odd_batches",
    "power_advice",
    "predict",
    "prepare",
    "pseudo_standard_error",
    "ratio_limits",
    "same_within",
    "set_for_days",
    "surface",
    "unreplicated",
]
