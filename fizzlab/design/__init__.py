"""Plans: which batches to make, in which order, on which days, and what they can and cannot tell.

Every kind of plan is one function that takes factors (`Category`, `Range`, `Share`) and a seed, and
returns a `Plan`, or refuses with `CannotAnswer` and the reason.
"""

from __future__ import annotations

from fizzlab.design.aliases import Alias, Fraction
from fizzlab.design.catalogue import MINIMUM_ABERRATION
from fizzlab.design.compare import compare_levels, contrast_variance
from fizzlab.design.exchange import Efficiency, efficiency
from fizzlab.design.factorial import fraction_of, fractional_factorial, full_factorial
from fizzlab.design.factors import Factor, Range, Share, is_forbidden
from fizzlab.design.mixture import face_centres, mixture_plan, scheffe, vertices
from fizzlab.design.model import in_words, model_matrix, model_terms
from fizzlab.design.optimal import candidate_settings, optimal_plan
from fizzlab.design.plan import Plan, blind_codes
from fizzlab.design.screening import definitive_screening, plackett_burman
from fizzlab.design.splitplot import split_plot
from fizzlab.design.squares import latin_square, shuffled_square
from fizzlab.design.surface import box_behnken, central_composite, star_distance

__all__ = [
    "MINIMUM_ABERRATION",
    "Alias",
    "Efficiency",
    "Factor",
    "Fraction",
    "Plan",
    "Range",
    "Share",
    "blind_codes",
    "box_behnken",
    "candidate_settings",
    "central_composite",
    "compare_levels",
    "contrast_variance",
    "definitive_screening",
    "efficiency",
    "face_centres",
    "fraction_of",
    "fractional_factorial",
    "full_factorial",
    "in_words",
    "is_forbidden",
    "latin_square",
    "mixture_plan",
    "model_matrix",
    "model_terms",
    "optimal_plan",
    "plackett_burman",
    "scheffe",
    "shuffled_square",
    "split_plot",
    "star_distance",
    "vertices",
]
